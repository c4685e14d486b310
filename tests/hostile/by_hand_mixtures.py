"""Hostile inputs thought up by hand, a later part: files that are almost what they should be; `by_hand.py` tries them."""

from __future__ import annotations

import gzip
import io
import json
import os
import shutil
import struct
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import onnx
from by_hand_commands import NO_PLACES, ODD, Case, endless, pipe, put
from by_hand_floods import GATHER, JUDGE, SCORE, chunk, jpeg, label_file, png, segment
from PIL import Image

CHECKUP = ["checkup", "set", "--quick", "--quiet", "--html", "new.html"]
IN_TIME = ["split", "one", "--in-time", "new"]
FIT = ["fit", "set", "--quiet", "-o", "new.onnx"]
SHEET = ["measure", "field-of-view", "--picture", "sheet.png", "--distance=0.5"]


def saved(kind: str, picture: Image.Image, **how: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **how)
    return out.getvalue()


def exif(entries: bytes, count: int = 1) -> bytes:
    """A JPEG whose EXIF holds these entries of twelve bytes each."""
    head = b"Exif\0\0II*\0\x08\0\0\0" + struct.pack("<H", count)
    return jpeg(segment(0xE1, head + entries + bytes(4)))


def images() -> Iterator[Case]:
    """Pictures that other programs take, or turn, or take for something else."""
    gray = Image.fromarray(np.arange(48 * 64, dtype=np.uint8).reshape(48, 64))
    color = gray.convert("RGB")
    tag = struct.pack("<HHI", 0x112, 3, 1)
    whole_png, whole_jpeg = png(64, 48), jpeg()
    contents = [
        *(exif(tag + struct.pack("<I", value)) for value in (0, 9, 0xFFFF)),
        exif(struct.pack("<HHII", 0x112, 5, 1, 0xFFFFFFF0)),  # a fraction that lies outside
        exif(struct.pack("<HHII", 0x112, 2, 2**32 - 1, 0)),  # four thousand million letters
        exif(struct.pack("<HHII", 0x8769, 4, 1, 8)),  # a table that leads to itself
        exif(tag + struct.pack("<I", 6), count=65535),
        saved("JPEG", color.convert("CMYK")),
        saved("JPEG", color, icc_profile=b"\xff" * 999),
        saved("JPEG", gray, progressive=True),
        saved("GIF", gray, save_all=True, append_images=[gray.rotate(90)] * 9),
        saved("TIFF", color),
        saved("ICO", color),
        saved("PNG", color, save_all=True, append_images=[color.rotate(90)] * 9),
        saved("WEBP", color, save_all=True, append_images=[color.rotate(9)] * 9),
        saved("PNG", gray.convert("LA")),
        saved("PNG", gray.convert("1")),
        saved("PNG", gray.convert("P"), transparency=3),
        saved("PNG", color.resize((1, 1))),
        saved("PNG", color.resize((8000, 1))),
        saved("PNG", color.resize((1, 8000))),
        saved("JPEG", color.resize((1, 1))),
        saved("WEBP", color.resize((1, 1)), lossless=True),
        whole_png[:-20],
        whole_png[:45],
        whole_jpeg[:-200],
        whole_jpeg[:-2],
        whole_png + b"PK\x03\x04" + bytes(999),
        whole_jpeg * 2,
        whole_png[8:],
        png(0, 48),
        png(64, 0),
        png(64, 48, 3),
        png(64, 48, 16, 3),
        whole_png.replace(b"IDAT", b"IDAt"),
        whole_png[:-30] + b"\0" + whole_png[-29:],
        png(64, 48, 8, 3),
        png(64, 48, 8, 3, chunk(b"PLTE", b"\1")),
        png(64, 48, 8, 3, chunk(b"PLTE", bytes(9)) + chunk(b"tRNS", bytes(999))),
        png(64, 48, between=chunk(b"gAMA", bytes(4))),
        png(64, 48, between=chunk(b"eXIf", b"II*\0\xff\xff\xff\xff")),
        png(64, 48, between=chunk(b"pHYs", bytes(9))),
        whole_jpeg.replace(b"\xff\xc0\0\x11\x08\0\x30", b"\xff\xc0\0\x11\x08\0\0"),
        whole_jpeg.replace(b"\xff\xc0\0\x11\x08", b"\xff\xc0\0\x11\x0c"),
        whole_jpeg.replace(b"\xff\xc0", b"\xff\xc9"),
        whole_jpeg.replace(b"\xff\xc4", b"\xff\xcc"),
        whole_jpeg.replace(b"\xff\xdb", b"\xff\xfe"),
        b"\0\0\0\x1cftypavif\0\0\0\0avifmif1miaf" + bytes(99),
        b"\xff\x0a" + bytes(99),
        b"\0\0\0\x0cJXL \r\n\x87\n",
        b"8BPS\0\1" + bytes(99),
        b"P6 64 48 255\n" + bytes(9216),
        b"II*\0\x08\0\0\0\0\0",
        b"<?xml version='1.0'?><svg xmlns='http://www.w3.org/2000/svg' width='64' height='48'/>",
        gzip.compress(whole_png),
    ]
    for content in contents:
        yield GATHER, put("photos/0.jpg", content)
        yield JUDGE, put("set/pictures/0.png", content)
    for name in (
        "0.jpg/",
        ".hidden.jpg",
        "._0.jpg",
        "Thumbs.db",
        "a\nb.jpg",
        "d/e/f.jpg",
        "0.JPG",
        "0.jpeg",
        "é.jpg",
        "e\u0301.jpg",
    ):
        yield (
            GATHER,
            lambda name=name: (
                Path("photos", name).mkdir(parents=True)
                if name.endswith("/") and not Path("photos/0.jpg").unlink()
                else put(f"photos/{name}", whole_jpeg)()
            ),
        )
    for picture in (
        np.full((240, 320, 3), 255),
        np.zeros((240, 320, 3)),
        np.full((1, 1, 3), 9),
        np.full((1, 8000, 3), 9),
        np.indices((240, 320)).sum(0)[..., None].repeat(3, 2) % 2 * 255,
    ):
        yield SHEET, lambda picture=picture: Image.fromarray(picture.astype(np.uint8)).save("sheet.png")
    framed = np.full((240, 320, 3), 255, np.uint8)
    framed[0] = 0
    yield SHEET, lambda: Image.fromarray(framed).save("sheet.png")


def every(part: str, **values: object) -> Callable[[], None]:
    """Put values into every record of a part of the labels; a function gives one for each."""
    return label_file(
        **{
            part: lambda whole: [
                one | {key: value(n) if callable(value) else value for key, value in values.items()}
                for n, one in enumerate(whole[part])
            ]
        }
    )


def labels() -> Iterator[Case]:
    """Labels that keep to the letter of the format."""
    first = label_file(annotations=lambda whole: [whole["annotations"][0]])
    for change in (
        every("images", file_name="pictures/0.png"),
        every("images", date_captured=[[]]),
        every("images", license=10**30),
        every("images", labeled="no"),
        every("images", coco_url="file:///etc/passwd"),
        every("images", recording="a/../../b"),
        every("images", recording="x" * 100_000),
        every("images", recording=lambda n: "éÉ"[n % 2]),
        every("images", recording=lambda n: ("e\u0301", "é")[n % 2]),
        every("images", recording="-h"),
        every("images", lighting="=cmd|'/c calc'!A1"),
        every("images", distance_m=5e-324),
        every("images", distance_m=1e300),
        every("images", width=2**31),
        every("images", height=64, width=48),
        every("images", id=lambda n: n + 2**53),
        every("images", id=lambda n: str(n)),
        every("annotations", bbox=[0, 0, 5e-324, 5e-324]),
        every("annotations", bbox=[63.9999999, 47.99999, 1e-5, 1e-5]),
        every("annotations", bbox=[0, 0, 64, 48]),
        every("annotations", bbox=[-1e-9, 0, 64, 48.0000001]),
        every("annotations", area=5e-324),
        every("annotations", area=0),
        every("annotations", visibility=-0.0),
        every("annotations", segmentation={"counts": [10**9] * 9, "size": [48, 64]}, iscrowd=1),
        every("annotations", segmentation=[[1e300] * 6]),
        every("annotations", iscrowd=1),
        every("annotations", ignore=1),
        every("annotations", id=7),
        every("annotations", id=lambda n: f"../{n}"),
        every("annotations", attributes={"a": {"b": {"c": "\x1b[2J"}}}),
        every("categories", id=lambda n: n + 2**62),
        every("categories", name=lambda n: ("post", "Post")[n]),
        every("categories", name=lambda n: ("é", "e\u0301")[n]),
        every("categories", name=lambda n: "x" * (200 + n)),
        every("categories", keypoints=["a"] * 999),
        every("categories", name=lambda n: ("background", "all")[n]),
        every("categories", name=lambda n: ("a,b", "c;d")[n]),
        every("categories", supercategory="\u202e"),
        first,
    ):
        yield CHECKUP, change
        yield [*JUDGE, "--html", "new.html"], change
        yield FIT, change
    for form in ("csv", "voc", "coco"):
        for change in (
            every("images", recording="a/../../b"),
            every("categories", name=lambda n: ("../x", "<b>")[n]),
            every("images", time_s=1e300),
        ):
            yield ["export", "set", "-o", "new.csv" if form == "csv" else "new", "--as", form], change

    def in_time(value: object) -> Callable[[], None]:
        change = every("images", time_s=value)
        return lambda: (
            shutil.copytree("one", "set", dirs_exist_ok=True),
            change(),
            shutil.copytree("set", "one", dirs_exist_ok=True),
        )

    for value in (
        1e300,
        -1e300,
        True,
        None,
        "0",
        [],
        10**30,
        lambda n: n if n % 2 else None,
        lambda n: -n,
        lambda n: 0,
    ):
        yield IN_TIME, in_time(value)
    yield [*IN_TIME, "--hold-out=0.5", "--gap=0.4999"], None
    yield [*IN_TIME, "--hold-out=1e-9"], None
    whole = "set/annotations.json"

    def recode(how: Callable[[bytes], bytes]) -> Callable[[], object]:
        return lambda: Path(whole).write_bytes(how(Path(whole).read_bytes()))

    for how in (
        gzip.compress,
        lambda text: b"\xef\xbb\xbf" + text,
        lambda text: text.decode().encode("utf-16"),
        lambda text: text + b"\0",
        lambda text: text + text,
        lambda text: text.replace(b"\n", b"\r"),
        lambda text: b"\n" * 10**6 + text,
        lambda text: text.replace(b'"id"', b'"\\u0069d"'),
        lambda text: text.replace(b"}", b",}", 1),
        lambda text: text.replace(b'"images"', b'"images": [], "images"'),
        lambda text: b"// labels\n" + text,
        lambda text: text.replace(b'"', b"'"),
        lambda text: text[:-2],
    ):
        yield ["checkup", "set"], recode(how)
    for data in (
        "set/",
        "./set",
        "set/annotations.json",
        "set/pictures",
        "set//annotations.json",
        "set/annotations.json/",
        "SET",
    ):
        yield ["checkup", data, "--quick", "--quiet"], None
    yield ["checkup", "set", "--second-annotator", "set", "--quiet"], None


def results() -> Iterator[Case]:
    """Results that somebody else's program could have written."""
    row = {"image_id": 1, "category_id": 1, "bbox": [1, 1, 5, 5], "score": 0.5}
    for value in (
        [row | {"image_id": "1"}],
        [row | {"image_id": 1.0}],
        [row | {"image_id": True}],
        [row | {"category_id": 1.0}],
        [row | {"score": -0.0}],
        [row | {"score": 1e-320}],
        [row | {"score": 1.0000001}],
        [row | {"score": "0.5"}],
        [row | {"score": None}],
        [row | {"bbox": [1, 1, 5, 5, 0]}],
        [row | {"bbox": [1, 1, 0, 0]}],
        [row | {"bbox": ["1"] * 4}],
        [row | {"bbox": [-1e9, -1e9, 2e9, 2e9]}],
        [row | {"bbox": [5e-324] * 4}],
        [row | {"segmentation": {"counts": "x" * 10**6}}],
        {"annotations": [row]},
        [row] * 50_000,
        [[row]],
        [row | {"bbox": [n % 60, n % 40, 4, 4], "score": n / 20_000} for n in range(20_000)],
        [row, None],
        [row | {"\u202e": 1}],
        {"results": []},
        1,
        "x",
    ):
        yield SCORE, put("results.json", json.dumps(value))
    for content in (
        b'[{"image_id":1,"image_id":2}]',
        b"[]\n[]",
        gzip.compress(b"[]"),
        "[]".encode("utf-16"),
        b"image_id,category_id\n1,1\n",
    ):
        yield SCORE, put("results.json", content)


def spoiled(change: Callable[[onnx.ModelProto], object]) -> Callable[[], object]:
    def spoil() -> None:
        model = onnx.load("model.onnx")
        change(model)
        Path("model.onnx").write_bytes(model.SerializeToString())

    return spoil


def metadata(key: str, value: str) -> Callable[[], object]:
    def change(model: onnx.ModelProto) -> None:
        next(one for one in model.metadata_props if one.key == key).value = value

    return spoiled(change)


def models() -> Iterator[Case]:
    """Models that the runtime might take."""

    def first_floats(model: onnx.ModelProto) -> onnx.TensorProto:
        return max(model.graph.initializer, key=lambda one: len(one.raw_data))

    def fill(value: float) -> Callable[[onnx.ModelProto], None]:
        def change(model: onnx.ModelProto) -> None:
            one = first_floats(model)
            one.raw_data = np.full(len(one.raw_data) // 4, value, np.float32).tobytes()

        return change

    def outside(model: onnx.ModelProto) -> None:
        one = first_floats(model)
        one.data_location = onnx.TensorProto.EXTERNAL
        one.external_data.add(key="location", value="../../../../etc/passwd")

    changes: list[Callable[[onnx.ModelProto], object]] = [
        fill(float("nan")),
        fill(float("inf")),
        fill(3e38),
        fill(1e-45),
        outside,
        lambda m: m.opset_import.add(domain="x", version=1),
        lambda m: setattr(m.opset_import[0], "version", 99),
        lambda m: setattr(m, "ir_version", 99),
        lambda m: setattr(m, "doc_string", "x" * 10**7),
        lambda m: m.graph.node.reverse(),
        lambda m: m.graph.node[0].input.append("nowhere"),
        lambda m: setattr(m.graph.node[0], "domain", "x"),
        lambda m: m.graph.node.pop(),
        lambda m: m.graph.output.pop(),
        lambda m: m.graph.input.pop(),
        lambda m: m.metadata_props.add(key="input", value="{}"),
        lambda m: [m.metadata_props.add(key=f"k{n}", value="v") for n in range(50_000)],
        lambda m: m.graph.node.extend(list(m.graph.node)),
        lambda m: setattr(m.graph, "name", "\x1b[2J"),
        lambda m: m.functions.add(name="Conv", domain=""),
        lambda m: m.metadata_props.pop(),
        lambda m: first_floats(m).dims.append(2**40),
    ]
    for change in changes:
        yield JUDGE, spoiled(change)
    for key, values in {
        "classes": [
            '["post", "post"]',
            '["\\u001b[2J", "crate"]',
            "[]",
            '["post"]',
            '"post"',
            json.dumps(["x" * 10_000, "y"]),
            json.dumps([f"c{n}" for n in range(5000)]),
        ],
        "decoding": ["{}", "[]", '{"stride_px": 0}', "null"],
        "input": ["{}", '{"name": "x"}', "1e999"],
    }.items():
        yield from ((JUDGE, metadata(key, value)) for value in values)
    yield JUDGE, lambda: Path("model.onnx").write_bytes(Path("model.onnx").read_bytes()[:-999])
    yield JUDGE, lambda: Path("model.onnx").write_bytes(Path("model.onnx").read_bytes() * 2)


def folders() -> Iterator[Case]:
    """What an earlier run is said to have left."""
    for command, names in {
        "gather": (".one_writer.lock", "gathered", "gathered/bench.json", "annotations.json"),
        "sweep": (".one_writer.lock", "table.csv", "plan.toml", "parts.jsonl", "report.html", "versions.json"),
        "mark": (".one_writer.lock", "state.jsonl", "marks.csv", "class.html", "pages"),
    }.items():
        words = {
            "gather": GATHER,
            "sweep": ["sweep", "plan.toml", "-o", "new", "--quiet", "--jobs=1"],
            "mark": ["mark", "class", "-o", "new", "--trusted", "--jobs=1", "--quiet", "--seed=3"],
        }[command]
        for name in names:
            for change in (
                lambda name=name: Path("new", name, "x").mkdir(parents=True),
                put(f"new/{name}", b"\xff\0" * 99),
                put(f"new/{name}", b"null\n"),
                lambda name=name: (put(f"new/{name}", b"")(), pipe(f"new/{name}")()),
                lambda name=name: (put(f"new/{name}", b"")(), endless(f"new/{name}")()),
                lambda name=name: (
                    Path("new", name).parent.mkdir(parents=True),
                    os.symlink("../../words.txt" if "/" in name else "../words.txt", f"new/{name}"),
                ),
            ):
                yield words, change


def split_and_export() -> Iterator[Case]:
    for value in (*ODD, "1", "1e-300", "٠"):
        yield ["split", "set", f"--hold-out={value}"], None
        yield ["split", "one", "--in-time", "new", f"--gap={value}"], None
    yield from ((["split", "set", f"--seed={value}"], None) for value in ("-1", "9" * 30, "1e3"))
    yield from ((["split", "one", "--in-time", place], None) for place in (*NO_PLACES, "one", "."))
    yield from ((["split", data], None) for data in ("model.onnx", "", "nope", "/dev/zero"))
    for place in (*NO_PLACES, ".", "set/../set"):
        yield from ((["export", "set", "-o", place, "--as", form], None) for form in ("csv", "coco", "voc"))
    yield ["export", "set", "-o", "x"], None
    yield ["export", "set", "-o", "set/annotations.json", "--as", "csv"], None


def cases() -> Iterator[Case]:
    """Words of a command, and what is done to the files before."""
    for part in (images, labels, results, models, folders, split_and_export):
        yield from part()
