"""Hostile inputs thought up by hand, last part: few bytes that make much work, and places that are not what they seem.

`by_hand.py` tries them.  Each flood once took a door more than 20 s or 1 GiB, or is of a kind that could.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import struct
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from by_hand_commands import NO_TEXT, REHEARSE, Case, put
from PIL import Image

MIB = 2**20
GATHER = ["gather", "photos", "new", "--quiet", "--recording", "bench"]
JUDGE = ["judge", "set", "--with", "model.onnx", "--quiet"]
SCORE = ["judge", "set", "--results", "results.json"]
SIDE_PX = 8000


def late(name: str, make: Callable[[], bytes | str]) -> Callable[[], object]:
    """Put a file there that is made only when its turn comes."""
    return lambda: put(name, make())()


def sparse(name: str, begin: bytes, size: int) -> Callable[[], object]:
    """A file that says it is large and has nothing on the disk."""

    def change() -> None:
        put(name, begin)()
        os.truncate(name, size)

    return change


def chunk(kind: bytes, content: bytes = b"") -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def png(width: int, height: int, bits: int = 8, color: int = 2, between: bytes = b"") -> bytes:
    """A black picture, packed small."""
    row = width * {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[color] * bits // 8 + 1
    pack = zlib.compressobj(9)
    pixels = b"".join(pack.compress(bytes(row)) for _ in range(height)) + pack.flush()
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, color, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + between + chunk(b"IDAT", pixels) + chunk(b"IEND")


def jpeg(between: bytes = b"", **how: object) -> bytes:
    """A small picture, with something behind its first two bytes."""
    out = io.BytesIO()
    Image.fromarray(np.zeros((48, 64, 3), np.uint8)).save(out, "JPEG", **how)
    return out.getvalue()[:2] + between + out.getvalue()[2:]


def segment(marker: int, content: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def scans(count: int) -> bytes:
    """A progressive JPEG that goes over its pixels again and again: each scan is a few end-of-band runs (ITU-T T.81, G.1.2.2)."""
    table = bytes([1]) + bytes(15)
    blocks = (SIDE_PX // 8) ** 2
    head = segment(0xDB, b"\0" + b"\1" * 64) + segment(
        0xC2, struct.pack(">BHHBBBB", 8, SIDE_PX, SIDE_PX, 1, 1, 0x11, 0)
    )
    head += segment(0xC4, b"\0" + table + b"\0") + segment(0xC4, b"\x10" + table + b"\xe0")
    first = segment(0xDA, bytes([1, 1, 0, 0, 0, 0])) + bytes(blocks // 8 + 1)
    again = segment(0xDA, bytes([1, 1, 0, 1, 63, 0])) + bytes(blocks // 16384 * 15 // 8 + 2)
    return b"\xff\xd8" + head + first + again * count + b"\xff\xd9"


def bmp(content: bytes, runs: int = 1, side: int = SIDE_PX) -> bytes:
    head = struct.pack("<IiiHHIIiiII", 40, side, side, 1, 4 if runs == 2 else 8, runs, len(content), 0, 0, 16, 0)
    return b"BM" + struct.pack("<IHHI", 14 + 40 + 64 + len(content), 0, 0, 14 + 40 + 64) + head + bytes(64) + content


def images() -> Iterator[Case]:
    exif = b"Exif\0\0" + bytes(65_000)
    frames = chunk(b"acTL", struct.pack(">II", 10**9, 0))
    makers: list[Callable[[], bytes]] = [
        lambda: jpeg(b"\xff" * (200 * MIB)),
        lambda: jpeg(b"\xff\0" * (100 * MIB)),
        lambda: jpeg(b"\xff\xd9" + bytes(200 * MIB)),
        lambda: jpeg(b"\xff\xd0" * (60 * MIB)),
        lambda: jpeg(segment(0xFE, b"") * (40 * MIB)),
        lambda: jpeg(segment(0xE1, exif) * 2000),
        lambda: jpeg(segment(0xED, b"Photoshop 3.0\0" + b"8BIM\4\4\0\0\0\0\0\0" * 5000) * 2000),
        lambda: jpeg(segment(0xDB, (b"\0" + b"\1" * 64) * 1000) * 2000),
        lambda: scans(50_000),
        lambda: png(64, 48, between=chunk(b"aaAa") * (8 * MIB)),
        lambda: png(64, 48, between=chunk(b"iCCP", b"a\0\0" + zlib.compress(bytes(MIB - 1), 9)) * 20_000),
        lambda: png(64, 48, between=chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(MIB - 1), 9)) * 900),
        lambda: png(64, 48) + b"".join([chunk(b"IDAT")] * 2 * MIB),
        lambda: png(SIDE_PX, SIDE_PX, 16, 0),
        lambda: png(SIDE_PX, SIDE_PX, 16, 6),
        lambda: png(SIDE_PX, SIDE_PX, 8, 2, frames),
        lambda: bmp(b"\1\0" * (50 * MIB)),
        lambda: bmp(b"\0\0" * (50 * MIB)),
        lambda: bmp(b"\xff\x12" * (MIB // 4), runs=2),
        lambda: bmp(b"\0\2\xff\xff" * MIB),
        lambda: jpeg(segment(0xE2, b"MPF\0MM\0*\0\0\0\x08" + b"\xff" * 200)),
    ]
    for make in makers:
        yield GATHER, late("photos/0.jpg", make)
    for make in (makers[0], makers[9], makers[13], makers[16]):
        yield JUDGE, late("set/pictures/0.png", make)
        yield ["measure", "field-of-view", "--picture", "sheet.png", "--distance=0.5"], late("sheet.png", make)
    for begin in (jpeg()[:20], png(64, 48)[:33], b"BM", b"RIFF\xf8\xff\xff\x0fWEBPVP8X"):
        yield GATHER, sparse("photos/0.jpg", begin, 256 * MIB)
        yield JUDGE, sparse("set/pictures/0.png", begin, 2**40)


def label_file(**parts: Callable[[dict], list]) -> Callable[[], None]:
    """Put other lists into the labels file."""

    def change() -> None:
        path = Path("set/annotations.json")
        whole = json.loads(path.read_text())
        path.write_text(json.dumps(whole | {name: make(whole) for name, make in parts.items()}))

    return change


def boxes(count: int, **more: object) -> Callable[[dict], list]:
    return lambda whole: [{**whole["annotations"][0], "id": n, **more} for n in range(count)]


def texts() -> Iterator[Case]:
    """JSON, TOML and XML that say little and cost much."""
    floods: list[Callable[[], bytes]] = [
        lambda: b"[" + b"[]," * (40 * MIB) + b"[]]",
        lambda: b"[" + b"{}," * (40 * MIB) + b"{}]",
        lambda: b'[{"":0}' + b',{"":0}' * (15 * MIB) + b"]",
        lambda: b'["ab"' + b',"ab"' * (25 * MIB) + b"]",
        lambda: ('["\N{SEEDLING}"' + ",[]" * (20 * MIB) + "]").encode(),
        lambda: b" " * (128 * MIB),
        lambda: b'{"images":[],"annotations":[' + b"{}," * (20 * MIB) + b'{}],"categories":[]}',
    ]
    for make in floods:
        yield ["checkup", "set"], late("set/annotations.json", make)
        yield SCORE, late("results.json", make)
    for make in floods[:2]:
        yield ["checkup", "--robot", "robot.json"], late("robot.json", make)
        yield ["mark", "class", "-o", "new", "--trusted", "--jobs=1", "--quiet"], late("class/Ada.ipynb", make)
    yield SCORE, sparse("results.json", b"[", 2**40)
    for change in (
        label_file(annotations=boxes(30_000)),
        label_file(annotations=boxes(2_000)),
        label_file(annotations=boxes(200_000, bbox=[9, 9, -1, 1])),
        label_file(annotations=boxes(50_000, category_id=99), categories=lambda _: classes(50_000)),
        label_file(categories=lambda _: classes(200_000)),
        label_file(images=lambda whole: [{**whole["images"][0], "file_name": "/" + "a/" * 200_000 + "0.png"}]),
        label_file(
            images=lambda whole: [{**whole["images"][0], "id": n, "file_name": "/" + "a/" * 2000} for n in range(200)]
        ),
        label_file(images=lambda whole: [{**whole["images"][0], "id": n} for n in range(20_000)]),
    ):
        yield from ((words, change) for words in (["checkup", "set"], JUDGE))
    dotted = "a." * 500_000
    for content in (
        f"{dotted}a = 1",
        f"[{dotted[:400_000]}a]\n" + "\n".join(f"b{n}=1" for n in range(60_000)),
        "['" + "'.'".join("x" * 200_000) + "']",
        '[vary]\nturn_gain = "' + '\\"' * 500_000 + "\\",
        "duration_s = 0x" + "f" * 10**6,
        "duration_s = 2\n[vary]\nseed = [0x" + "f" * 9999 + "]",
        "duration_s = 1979-05-27\n[vary]\nturn_gain = [1.0]",
        "name = 07:32:00\n[vary]\nturn_gain = [1.0]",
        "[[vary]]\n" * 100_000,
        "[vary]\nturn_gain = [" + "1.0," * 200_000 + "]",
        "name = {" * 9999,
        "duration_s = 2\n[vary]\nturn_gain = [1.0]\n[fixed]\nwalk = 0b" + "1" * 20_000,
    ):
        yield ["sweep", "plan.toml", "-o", "new", "--quiet", "--jobs=1"], put("plan.toml", content)
        yield ["parts", "--parts", "parts.toml", "-o", "new.html"], put("parts.toml", content)
        yield (
            ["mark", "class", "-o", "new", "--trusted", "--jobs=1", "--quiet", "--key", "key.toml"],
            put("key.toml", content),
        )
    head = "<annotation{}><filename>0.png</filename>{}</annotation>"
    for content in (
        head.format(" " + " ".join(f'a{n}="x"' for n in range(600_000)), ""),
        head.format(" " + " ".join(f'xmlns:a{n}="x"' for n in range(300_000)), ""),
        head.format(
            "",
            "<a "
            + " ".join(f'xmlns:a{n}="{n}"' for n in range(5000))
            + ">"
            + "".join(f"<a{n % 5000}:b/>" for n in range(90_000))
            + "</a>",
        ),
        head.format("", "<!--" + "-a" * 4_000_000 + "-->"),
        head.format("", "<?a " + "?" * 8_000_000 + "?>"),
        head.format("", "<![CDATA[" + "]" * 8_000_000 + "]]>"),
        head.format("", "<robotlab>" + "[" * 9_000_000 + "</robotlab>"),
        head.format("", "<folder>&#xD800;</folder>"),
        head.format("", "<folder>&#0;</folder>"),
        head.format("", "<folder>&#27;[2J</folder>"),
        head.format("", "<object><name>&#x202E;post</name></object>"),
        head.replace("0.png", "..\\..\\0.png").format("", ""),
        head.replace("0.png", "a/" * 4_000_000).format("", ""),
        head.replace("0.png", "/" + "a/" * 100_000).format("", ""),
    ):
        yield (
            ["checkup", "voc"],
            lambda content=content: (put("voc/0.xml", content)(), shutil.copy("set/pictures/0.png", "voc")),
        )


def classes(count: int) -> list[dict]:
    return [{"id": n, "name": f"class {n}"} for n in range(1, count + 1)]


def places() -> Iterator[Case]:
    """Outputs in places that are something else, or look like something else."""
    several = {
        "report": [*JUDGE, "--html"],
        "results": [*JUDGE, "--save-results"],
        "model": ["fit", "set", "--quiet", "-o"],
        "compare": ["compare", "set", "--with", "model.onnx", "--quiet", "--walks", "none", "-o"],
        "csv": ["export", "set", "--as", "csv", "-o"],
        "coco": ["export", "set", "--as", "coco", "-o"],
        "voc": ["export", "set", "--as", "voc", "-o"],
        "plan": ["plan", "--object-height=0.3", "-o"],
        "parts": ["parts", "--parts", "parts.toml", "-o"],
        "pack": ["pack", "class", "-o"],
        "split": ["split", "one", "--in-time"],
        "checkup": ["checkup", "set", "--quick", "--quiet", "--html"],
        "show": [*GATHER, "--show"],
        "sweep": ["sweep", "plan.toml", "--quiet", "--jobs=1", "-o"],
        "mark": ["mark", "class", "--trusted", "--jobs=1", "--quiet", "-o"],
        "log": [*REHEARSE.split(), "-o", "r.html", "--log"],
        "drive": [*REHEARSE.split(), "--log=r.jsonl", "-o"],
    }

    def prepared() -> None:
        (
            os.mkfifo("pipe.html"),
            os.symlink("pipe.html", "to-pipe.html"),
            os.symlink("nowhere/at/all.html", "dangling.html"),
        )
        os.symlink("loop.html", "loop.html"), os.symlink("set", "to-set"), os.link("results.json", "hard.json")
        os.link("model.onnx", "hard-model.onnx"), os.symlink("model.onnx", "to-model.onnx")
        (
            Path("folder.html").mkdir(),
            Path("empty.html").touch(),
            Path("page.html").write_bytes(b"\xef\xbb\xbf<p>mine</p>"),
        )

    for kind, words in several.items():
        for place in (
            "pipe.html",
            "to-pipe.html",
            "dangling.html",
            "loop.html",
            "folder.html",
            "to-set/annotations.json",
            "to-set",
            "page.html",
            "hard-model.onnx",
            "to-model.onnx",
            "/dev/stdout",
            "/proc/self/fd/1",
            "/dev/fd/99",
            "/proc/self/cwd/set/annotations.json",
            "\x1b[2J.html",
            "a\nb.html",
            "\u202elmth.html",
            "é" * 127 + ".html",
            "-",
            "~nobody/x.html",
            "x" * 250 + ".html",
            "set/pictures/0.png/x.html",
            "./././set/./annotations.json",
            "SET/../set/annotations.json",
            "class/Ada.ipynb",
        ):
            if kind != "model" or not place.endswith("model.onnx"):  # one model may take the place of another
                last = [f"{words[-1]}={place}"] if words[-1].startswith("--") else [words[-1], place]
                yield [*words[:-1], *last], prepared
    yield ["judge", "set", "--results", "results.json", "--html", "hard.json"], prepared
    yield [*JUDGE, "--save-results", "hard-model.onnx"], prepared
    yield (
        [
            "fit",
            "set",
            "--quiet",
            "--training",
            "fine-tuning",
            "--epochs=1",
            "--engine=numpy",
            "-o",
            "m.onnx",
            "--resume",
            "hard-model.onnx",
        ],
        prepared,
    )
    yield (
        [
            "pack",
            "robot",
            "-o",
            "hard-model.onnx",
            "--with",
            "model.onnx",
            "--robot",
            "robot.json",
            "--target",
            "post",
            "--wheels",
            "pins:5,6,13,19",
        ],
        prepared,
    )


def sources() -> Iterator[Case]:
    """Inputs that lie elsewhere than they say, and names of files that mean no good."""
    mark = ["mark", "class", "-o", "new", "--trusted", "--jobs=1", "--quiet"]
    for change in (
        lambda: (Path("class/Ada.ipynb").unlink(), os.symlink("/etc/passwd", "class/Ada.ipynb")),
        lambda: os.symlink(".", "class/again"),
        lambda: os.symlink("/", "class/root"),
        lambda: Path("class/folder.ipynb").mkdir(),
        lambda: [put(f"class/{'d/' * 40}{n}.ipynb", b"{}")() for n in range(3)],
        lambda: [
            put(f"class/{n}.ipynb", b"{}")()
            for n in ("ada", "ADA", "A\u0308", "\u00c4", "-rf", "%s%n", "a&b#c?d", "a'b\"c", "..a", "a.ipynb")
        ],
        lambda: put(
            "class/Ada.ipynb",
            json.dumps(
                {
                    "metadata": {"robotlab": {"source": "../../x 0"}},
                    "cells": [{"cell_type": "code", "source": "x=1"}] * 3,
                }
            ),
        )(),
        lambda: put(
            "class/Ada.ipynb",
            json.dumps(
                {
                    "metadata": {"robotlab": {"source": "02_x 0"}},
                    "cells": [{"cell_type": "markdown", "source": "#" * 100_000 + " a\n" * 9}] * 4,
                }
            ),
        )(),
    ):
        yield mark, change
    for change in (
        lambda: (shutil.move("set/pictures", "elsewhere"), os.symlink("../elsewhere", "set/pictures")),
        lambda: (Path("set/pictures/0.png").unlink(), os.symlink("/etc/passwd", "set/pictures/0.png")),
        lambda: (Path("set/pictures/0.png").unlink(), os.symlink("../../photos/0.jpg", "set/pictures/0.png")),
        lambda: (Path("set/pictures/0.png").unlink(), os.symlink("/proc/self/environ", "set/pictures/0.png")),
        lambda: (Path("set/card.md").unlink(missing_ok=True), os.symlink("/etc/passwd", "set/card.md")),
        label_file(images=lambda w: [{**one, "file_name": one["file_name"].upper()} for one in w["images"]]),
        label_file(
            images=lambda w: [
                {**one, "file_name": f"./pictures/../pictures/./{n}.png"} for n, one in enumerate(w["images"])
            ]
        ),
        label_file(images=lambda w: [{**one, "recording": "../../../x", "lighting": "../y"} for one in w["images"]]),
        label_file(
            images=lambda w: [{**one, "recording": "__proto__", "id": f"<b>{n}"} for n, one in enumerate(w["images"])],
            annotations=lambda _: [],
        ),
        label_file(
            categories=lambda w: [
                {**one, "name": name, "supercategory": [[]] * 9}
                for one, name in zip(w["categories"], ("=1+1", "constructor"), strict=False)
            ]
        ),
        label_file(
            annotations=lambda w: [
                {**one, "robotlab": {"a": [1] * 99}, "segmentation": "x", "note": "\u202e"} for one in w["annotations"]
            ]
        ),
        label_file(
            annotations=lambda w: [
                {**one, "id": one["id"] + 0.0, "area": True, "iscrowd": True} for one in w["annotations"]
            ]
        ),
        label_file(images=lambda w: [{**one, "id": -n} for n, one in enumerate(w["images"])], annotations=lambda _: []),
    ):
        yield ["checkup", "set", "--html", "new.html", "--quick", "--quiet"], change
        yield ["export", "set", "-o", "new", "--as", "coco"], change
        yield ["export", "set", "-o", "new", "--as", "voc"], change
        yield ["export", "set", "-o", "new.csv"], change
    for name in (
        *NO_TEXT[:2],
        "-o",
        "--help",
        "a b",
        "a'b",
        "$(id)",
        "%s",
        "\N{SEEDLING}" * 60,
        "a\tb.jpg",
        "film.avi.jpg",
    ):
        yield GATHER, lambda name=name: shutil.copy("photos/0.jpg", f"photos/{name}.jpg")
    for change in (
        lambda: (Path("new").mkdir(), os.symlink("/dev/zero", "new/annotations.json")),
        lambda: (Path("new").mkdir(), os.mkfifo("new/annotations.json")),
        lambda: (Path("new").mkdir(), os.symlink("/etc", "new/pictures")),
        lambda: (Path("new/pictures").mkdir(parents=True), os.symlink("../../set/pictures", "new/pictures/bench")),
        lambda: put("new/annotations.json", b'{"images":[],"annotations":[],"categories":[]}')(),
        lambda: put("new/pictures", b"a file")(),
    ):
        yield GATHER, change


def cases() -> Iterator[Case]:
    """Words of a command, and what is done to the files before."""
    for part in (images, texts, places, sources):
        yield from part()
