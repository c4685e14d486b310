"""Mutate valid files and give them to the doors: each must give one clear error, or work.

    python tests/hostile/fuzz.py --cases 10000        # of each kind; --kind labels for one

Every case runs in a forked child with limits on time and memory, in which no
other program may be started and nothing written.  A case that fails is kept in
``tests/hostile/cases``, and from then on runs with the tests.  Needs a POSIX
system.  The mutations are seeded: the same seed and number make the same file.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import os
import re
import resource
import shutil
import signal
import struct
import sys
import tempfile
import traceback
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

from robotlab.data import check_dataset, open_dataset, read_results
from robotlab.errors import InputError, printable
from robotlab.image.file import load, size_of
from robotlab.metrics import evaluate

CASES = Path(__file__).with_name("cases")
# Beyond what the process has when it forks, and more than any case may take.
MEMORY_BYTES = 2**30
SECONDS = 20
# Audit events that a case must not cause (Python's table of audit events).
FORBIDDEN = {
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "os.posix_spawn",
    "os.fork",
    "os.forkpty",
    "pickle.find_class",
    "socket.connect",
}

NASTY = [
    0,
    -1,
    1,
    2,
    True,
    None,
    "",
    " ",
    [],
    {},
    [[]],
    1e300,
    -0.0,
    0.5,
    float("nan"),
    float("inf"),
    2**31,
    2**63,
    2**64,
    10**400,
    "²",
    "٣",
    "--5",
    "1_000",
    "5" * 5000,
    "a" * 70_000,
    "\x1b[2J",
    "a\nb",
    "\u202etsop",
    "\0",
    "../../etc/passwd",
    "/dev/zero",
    "a.png",
    "annotations.json",
    ".",
    "C:\\a.png",
    "<script>alert(1)</script>",
    [1, 2, 3],
    [0, 0, 1e9, 1e9],
    [1, 1, 0, 0],
    [-1, -1, 3, 3],
    ["1", 2, 3, 4],
    {"id": 1},
    "post",
    "NaN",
]


def mutate_bytes(rng: np.random.Generator, content: bytes) -> bytes:
    """Flip, cut, repeat, insert, remove, a few times."""
    data = bytearray(content)
    for _ in range(rng.integers(1, 6)):
        at = int(rng.integers(0, len(data) + 1))
        length = int(rng.integers(1, 1 + max(1, len(data) // 4)))
        what = rng.integers(6)
        if what == 0 and at < len(data):
            data[at] = int(rng.integers(256))
        elif what == 1:
            del data[at : at + length]
        elif what == 2:
            data[at:at] = data[at : at + length] * int(rng.integers(1, 4))
        elif what == 3:
            data[at:at] = rng.bytes(min(length, 16))
        elif what == 4:
            # Lengths and sizes stand in four bytes.
            data[at : at + 4] = struct.pack(
                rng.choice([">I", "<I"]), int(rng.choice([0, 1, 255, 65535, 2**24, 2**31 - 1, 2**32 - 1]))
            )
        else:
            data = data[: max(1, at)]
    return bytes(data)


def mutate_json(rng: np.random.Generator, content: bytes) -> bytes:
    """Replace, remove, repeat or wrap values anywhere in the tree; now and then spoil the text too."""
    value = json.loads(content)
    for _ in range(rng.integers(1, 4)):
        holders = [node for node in walk(value) if isinstance(node, (dict, list)) and node]
        if not holders:
            break
        holder = holders[rng.integers(len(holders))]
        key = list(holder)[rng.integers(len(holder))] if isinstance(holder, dict) else int(rng.integers(len(holder)))
        what = rng.integers(6)
        if what <= 2:
            holder[key] = NASTY[rng.integers(len(NASTY))]
        elif what == 3:
            del holder[key]
        elif what == 4 and isinstance(holder, list):
            holder.insert(int(rng.integers(len(holder) + 1)), holder[key])
        elif what == 4:
            holder[str(NASTY[rng.integers(len(NASTY))])[:99]] = holder[key]
        else:
            for _ in range(int(rng.choice([1, 30, 60, 900]))):
                holder[key] = [holder[key]] if rng.integers(2) else {"a": holder[key]}
                if isinstance(holder[key], list) and rng.integers(50) == 0:
                    break
    try:
        text = json.dumps(value, ensure_ascii=bool(rng.integers(2)))
    except RecursionError:
        text = "[" * 5000 + "]" * 5000
    if rng.integers(8) == 0:
        text = text.replace('"', rng.choice([r'"\ud800', r'"\u0000', '"\\', "'"]), int(rng.integers(1, 3)))
    data = text.encode(str(rng.choice(["utf-8", "utf-8", "utf-8-sig", "utf-16"])), "replace")
    return mutate_bytes(rng, data) if rng.integers(6) == 0 else data


def walk(value: object):
    """Every node of a JSON value."""
    yield value
    for child in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from walk(child)


def mutate_xml(rng: np.random.Generator, content: bytes) -> bytes:
    """Replace texts, remove and repeat elements, add declarations; now and then spoil the bytes."""
    text = content.decode()
    for _ in range(rng.integers(1, 4)):
        what = rng.integers(5)
        if what <= 1:
            texts = list(re.finditer(r">([^<>]+)<", text))
            if texts:
                one = texts[rng.integers(len(texts))]
                text = text[: one.start(1)] + str(NASTY[rng.integers(len(NASTY))]) + text[one.end(1) :]
        elif what == 2:
            parts = list(re.finditer(r"<(\w+)>.*?</\1>", text, re.S))
            if parts:
                one = parts[rng.integers(len(parts))]
                text = text[: one.start()] + one.group(0) * int(rng.choice([0, 2, 50])) + text[one.end() :]
        elif what == 3:
            head = [
                '<?xml version="1.0" encoding="%s"?>' % rng.choice(["utf-16", "latin-1", "no-such", "idna", "utf-7"]),
                '<!DOCTYPE a [<!ENTITY b "ccc">]>',
                '<?xml version="9.9"?>',
                "<!-- -->",
                "\x00",
            ]
            text = head[rng.integers(len(head))] + text
        else:
            deep = int(rng.choice([5, 25, 5000]))
            text = text.replace("<object>", "<x>" * deep + "</x>" * deep + "<object>", 1)
    data = text.encode("utf-8", "replace")
    return mutate_bytes(rng, data) if rng.integers(4) == 0 else data


def mutate_image(rng: np.random.Generator, content: bytes) -> bytes:
    """Bytes anywhere; in a PNG also a chunk's content with its checksum made right again."""
    if not content.startswith(b"\x89PNG") or rng.integers(3) == 0:
        return mutate_bytes(rng, content)
    chunks, at = [], 8
    while at + 12 <= len(content):
        length = struct.unpack(">I", content[at : at + 4])[0]
        chunks.append([content[at + 4 : at + 8], content[at + 8 : at + 8 + length]])
        at += 12 + length
    for _ in range(rng.integers(1, 3)):
        place = int(rng.integers(len(chunks)))
        what = rng.integers(4)
        if what == 0:
            chunks.insert(
                place,
                [
                    rng.choice(
                        [b"tEXt", b"zTXt", b"iCCP", b"eXIf", b"PLTE", b"tRNS", b"gAMA", b"acTL", b"fcTL", b"IDAT"]
                    ),
                    rng.bytes(int(rng.integers(0, 40))),
                ],
            )
        elif what == 1:
            chunks[place][1] = mutate_bytes(rng, chunks[place][1] or b"\0")
        elif what == 2:
            chunks.insert(place, list(chunks[place]))
        else:
            head = bytearray(chunks[0][1].ljust(13, b"\0"))
            head[8:10] = bytes([rng.choice([1, 2, 4, 8, 16]), rng.choice([0, 2, 3, 4, 6])])
            if rng.integers(2):
                head[0:8] = struct.pack(">II", *(int(n) for n in rng.choice([0, 1, 48, 7000, 2**16, 2**31 - 1], 2)))
            chunks[0][1] = bytes(head)
    body = b"".join(
        struct.pack(">I", len(data)) + bytes(kind) + data + struct.pack(">I", zlib.crc32(bytes(kind) + data))
        for kind, data in chunks
    )
    return content[:8] + body


# --- what is mutated, and what must hold ----------------------------------------------

LABELS = {
    "images": [
        {
            "id": n,
            "file_name": f"{n}.png",
            "width": 16,
            "height": 12,
            "recording": "ab"[n % 2],
            "lighting": "dusk",
            "distance_m": 1.5,
        }
        for n in (1, 2)
    ],
    "annotations": [
        {
            "id": n,
            "image_id": 1 + n % 2,
            "category_id": 3,
            "bbox": [1, 2, 4, 3],
            "area": 12,
            "iscrowd": 0,
            "visibility": 0.5,
        }
        for n in range(4)
    ],
    "categories": [{"id": 3, "name": "post"}, {"id": 5, "name": "crate"}],
    "info": {"year": 2024},
}
RESULTS = [{"image_id": 1 + n % 2, "category_id": 3, "bbox": [1, 2, 4, 3 + n], "score": n / 5} for n in range(5)]
VOC = (
    "<annotation><folder>walk</folder><filename>1.png</filename><size><width>16</width><height>12</height><depth>3</depth></size>"
    "<object><name>post</name><difficult>0</difficult><bndbox><xmin>4</xmin><ymin>3</ymin><xmax>9</xmax><ymax>5</ymax></bndbox></object>"
    "<object><name>crate</name><bndbox><xmin>1</xmin><ymin>1</ymin><xmax>3.5</xmax><ymax>2</ymax></bndbox></object></annotation>"
)


def images() -> list[bytes]:
    picture = Image.fromarray(np.random.default_rng(0).integers(0, 256, (12, 16, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x0112] = 6
    found = []
    for kind, options in (
        ("PNG", {}),
        ("JPEG", {"exif": exif}),
        ("BMP", {}),
        ("WEBP", {}),
        ("PNG", {"exif": exif}),
        ("JPEG", {"progressive": True}),
    ):
        out = io.BytesIO()
        picture.save(out, kind, **options)
        found.append(out.getvalue())
    for mode in ("L", "P", "RGBA", "1", "I;16"):
        out = io.BytesIO()
        (
            Image.fromarray(np.arange(192, dtype=np.uint16).reshape(12, 16))
            if mode == "I;16"
            else picture.convert(mode)
        ).save(out, "PNG")
        found.append(out.getvalue())
    return found


def folder_of(home: Path) -> Path:
    """A data set to be spoiled."""
    home.mkdir(parents=True)
    for n in (1, 2):
        (home / f"{n}.png").write_bytes(images()[0])
    return home


def use_labels(path: Path) -> None:
    text = check_dataset(path).text()
    assert printable(text, keep="\n") == text, "unprintable text in the report"
    open_dataset(path).need_boxes()


def use_voc(path: Path) -> None:
    text = check_dataset(path.parent).text()
    assert printable(text, keep="\n") == text, "unprintable text in the report"
    open_dataset(path.parent)


def use_results(path: Path) -> None:
    labels = path.with_name("annotations.json")
    labels.write_text(json.dumps(LABELS)) if not labels.exists() else None
    data = open_dataset(labels)
    evaluate(data, read_results(path, data)).text()


def use_image(path: Path) -> None:
    width, height = size_of(path)
    picture = load(path)
    assert picture.shape == (height, width, 3) and picture.dtype == np.uint8, "size_of and load disagree"


KINDS: dict[str, tuple[str, list[bytes], Callable, Callable[[Path], None]]] = {
    "image": ("a.png", images(), mutate_image, use_image),
    "labels": ("annotations.json", [json.dumps(LABELS).encode()], mutate_json, use_labels),
    "results": ("results.json", [json.dumps(RESULTS).encode()], mutate_json, use_results),
    "voc": ("a.xml", [VOC.encode()], mutate_xml, use_voc),
}


def in_a_child(use: Callable[[Path], None], path: Path) -> str | None:
    """What is wrong with how a file was taken; None if nothing is."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        said = b""
        try:
            os.close(reading)
            pages = int(Path("/proc/self/statm").read_text().split()[0]) if Path("/proc/self/statm").exists() else 2**20
            limit = pages * resource.getpagesize() + MEMORY_BYTES
            resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
            sys.addaudithook(_guard)
            use(path)
        except InputError as error:
            if not str(error).isprintable() and printable(str(error)) != str(error):
                said = b"an error that is not one printable line"
            elif len(str(error)) > 3000:
                said = f"an error of {len(str(error))} characters".encode()
        except BaseException:
            said = traceback.format_exc().encode("utf-8", "replace")[-3000:]
        os.write(writing, said)
        os._exit(0)
    os.close(writing)
    signal.setitimer(signal.ITIMER_REAL, SECONDS)
    try:
        said = b""
        while piece := os.read(reading, 65536):
            said += piece
        _, status = os.waitpid(child, 0)
    except TimeoutError:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return f"took more than {SECONDS} s"
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        os.close(reading)
    return said.decode() or (f"ended by status {status}" if status else None)


def _guard(event: str, arguments: tuple) -> None:
    if event in FORBIDDEN:
        raise RuntimeError(f"{event} {arguments}")
    if event == "open" and isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
        raise RuntimeError(f"written: {arguments[0]}")


def _late(*_: object) -> None:
    raise TimeoutError


def take(kind: str, content: bytes, home: Path) -> str | None:
    """Give one file of a kind to its door."""
    name, _, _, use = KINDS[kind]
    (home / name).write_bytes(content)
    return in_a_child(use, home / name)


def fuzz(kind: str, cases: int, seed: int, keep: bool) -> list[str]:
    """What went wrong in so many cases of a kind."""
    name, valid, mutate, _ = KINDS[kind]
    wrong = []
    home = folder_of(Path(tempfile.mkdtemp()) / "set")
    if kind == "results":
        (home / "annotations.json").write_text(json.dumps(LABELS))
    try:
        for content in valid:
            said = take(kind, content, home)
            assert said is None, f"a valid file of kind {kind} must pass: {said}"
        for number in range(cases):
            rng = np.random.default_rng([seed, number, *kind.encode()])
            content = mutate(rng, valid[number % len(valid)])
            said = take(kind, content, home)
            if said is None:
                continue
            wrong.append(f"{kind}, seed {seed}, case {number}: {said}")
            if keep:
                CASES.mkdir(exist_ok=True)
                (CASES / f"{kind}-{hashlib.sha256(content).hexdigest()[:12]}{Path(name).suffix}").write_bytes(content)
    finally:
        shutil.rmtree(home.parent)
    return wrong


def replay() -> list[str]:
    """What goes wrong with the cases that once failed."""
    wrong = []
    for path in sorted(CASES.glob("*-*.*")):
        kind = path.name.split("-")[0]
        home = folder_of(Path(tempfile.mkdtemp()) / "set")
        if kind == "results":
            (home / "annotations.json").write_text(json.dumps(LABELS))
        said = take(kind, path.read_bytes(), home)
        shutil.rmtree(home.parent)
        wrong += [f"{path.name}: {said}"] if said else []
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=10_000, help="of each kind")
    parser.add_argument("--kind", choices=KINDS, action="append", help="only this kind")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--no-keep", action="store_true", help="do not keep the cases that fail")
    options = parser.parse_args()
    signal.signal(signal.SIGALRM, _late)
    wrong = replay()
    for kind in options.kind or KINDS:
        found = fuzz(kind, options.cases, options.seed, not options.no_keep)
        print(f"{kind}: {options.cases} cases, {len(found)} wrong", flush=True)
        wrong += found
    print("\n\n".join(wrong[:20]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
