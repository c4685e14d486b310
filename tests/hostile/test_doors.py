"""Whatever comes in passes one door for its kind, which gives one clear error or a sound value."""

from __future__ import annotations

import importlib.metadata
import io
import json
import os
import struct
import subprocess
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from robotlab import errors
from robotlab.cli import main
from robotlab.data import Sample, check_dataset, open_dataset, open_voc, read_results, write_dataset
from robotlab.errors import DataSetError, InputError, PictureError, install_hint, printable
from robotlab.files import read_plain
from robotlab.image import encode, save
from robotlab.image.file import FORMATS, MOST_PIXELS, decode, load, size_of
from robotlab.json_file import parse_json, read_json
from robotlab.xml_file import read_xml

PACKAGE = Path(__file__).resolve().parents[2] / "robotlab"
MODULES = sorted(PACKAGE.rglob("*.py"))


def test_advice_to_install_comes_from_one_function():
    assert [path.name for path in MODULES if "robotlab[" in path.read_text("utf-8")] == []


# --- pictures ----------------------------------------------------------------------------


def png_head(width: int, height: int) -> bytes:
    """A PNG that promises so many pixels (PNG specification, section 11.2.1)."""
    head = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + head + struct.pack(">I", zlib.crc32(head)) + b"\0\0\0\x09IDAT"


def written(mode: str, kind: str, **options) -> bytes:
    out = io.BytesIO()
    Image.new(mode, (8, 6), 1).save(out, kind, **options)
    return out.getvalue()


def with_orientation(entry: bytes) -> bytes:
    """A JPEG whose EXIF part has this one entry (12 bytes, TIFF 6.0, section 2)."""
    return written("RGB", "JPEG", exif=b"Exif\0\0MM\0*\0\0\0\x08\0\x01" + entry + b"\0\0\0\0text\0\0\0\0")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\nshowpage\n", "it is PostScript; convert it to JPEG"),
        (
            b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0" * 99,
            "it is HEIC; convert it to JPEG: open it in a picture viewer",
        ),
        (b"\0\0\0\x18ftypavif\0\0\0\0mif1avif" + b"\0" * 99, "it is AVIF; convert it"),
        (written("L", "GIF"), "it is GIF; convert it"),
        (written("RGB", "TIFF"), "it is TIFF; convert it"),
        (written("RGB", "PPM"), "it is PPM; convert it"),
        (b"%PDF-1.7", "it is PDF; convert it"),
        (b"P6 99999 99999 255\n", "it is PPM"),
        (png_head(14_000, 14_000), "at most 64 million pixels"),
        (png_head(9_400, 9_400), "at most 64 million pixels"),
        (png_head(2**31 - 1, 1), "px a side|far more"),
        (
            b"BM" + struct.pack("<IHHIIiiHHIIiiII", 54, 0, 0, 54, 40, 9_000, 9_000, 1, 24, 0, 0, 1, 1, 0, 0),
            "at most 64 million pixels",
        ),
        (b"", "it is not one"),
        (b"hello", "it is not one"),
    ],
)
def test_pictures_that_are_refused(content, message, tmp_path, monkeypatch):
    # Named .png, all of them; and no other program may be started.
    monkeypatch.setattr(subprocess, "Popen", None)
    path = tmp_path / "a.png"
    path.write_bytes(content)
    for call in (load, size_of):
        with pytest.raises(PictureError, match=message) as error:
            call(path)
        assert "a.png" in str(error.value) and str(error.value).isprintable()


def test_the_limit_comes_before_the_pixels(monkeypatch):
    monkeypatch.setattr(Image.Image, "load", lambda *_: pytest.fail("decoded"))
    with pytest.raises(PictureError, match="million pixels"):
        decode(png_head(MOST_PIXELS // 8000 + 1, 8000))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "BMP"])
def test_pictures_that_are_read(kind, tmp_path):
    (tmp_path / "a").write_bytes(written("RGB", kind))
    assert load(tmp_path / "a").shape == (6, 8, 3) and size_of(tmp_path / "a") == (8, 6)
    assert FORMATS == ("JPEG", "PNG", "WEBP", "BMP")


def test_16_bit_gray_is_scaled_and_not_white():
    gray = np.linspace(0, 65535, 48).reshape(6, 8).astype(np.uint16)
    out = io.BytesIO()
    Image.fromarray(gray).save(out, "PNG")
    # 65535 / 255 = 257: the 8-bit value is the 16-bit one by 257, within one (PNG specification, section 13.12).
    assert np.abs(decode(out.getvalue())[..., 1] - gray / 257).max() <= 1


@pytest.mark.parametrize(
    ("entry", "size"),
    [
        (b"\x01\x12\0\x03\0\0\0\x01\0\x06\0\0", (6, 8)),  # 6: a quarter turn
        (b"\x01\x12\0\x03\0\0\0\x01\0\x63\0\0", (8, 6)),  # 99: there is no such
        (b"\x01\x12\0\x02\0\0\0\x05\0\0\0\x1a", (8, 6)),  # text
        (b"\x01\x12\0\x0c\0\0\0\x09\0\xff\xff\xff", (8, 6)),  # numbers past the end
        (b"\x01\x12\0\x05\0\0\0\x01\0\0\0\x1a", (8, 6)),  # a fraction
    ],
)
def test_orientation_is_followed_where_it_makes_sense(entry, size, tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(with_orientation(entry))
    assert size_of(path) == size and load(path).shape == (size[1], size[0], 3)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_turned_as_pillow_turns_it(orientation):
    exif, out = Image.Exif(), io.BytesIO()
    exif[0x0112] = orientation
    Image.fromarray(np.random.default_rng(0).integers(0, 255, (5, 7, 3), dtype=np.uint8)).save(out, "PNG", exif=exif)
    theirs = ImageOps.exif_transpose(Image.open(io.BytesIO(out.getvalue())))
    assert np.array_equal(decode(out.getvalue()), np.asarray(theirs))


# --- files, JSON, XML -----------------------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="devices and pipes are POSIX files")
def test_only_plain_files_are_read(tmp_path):
    (tmp_path / "zero.json").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "pipe.json")
    for name in ("zero.json", "pipe.json"):
        for call in (read_json, load, size_of, read_xml):
            with pytest.raises(InputError, match="must be a plain file"):
                call(tmp_path / name)
    with pytest.raises(InputError, match="Is a directory"):
        read_json(tmp_path)
    with pytest.raises(InputError, match="must be a readable file"):
        load(f"{tmp_path}/a\0b")
    with pytest.raises(InputError, match="at most 0 MiB"):
        read_plain(__file__, 10, "a file")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"[" * 100_000, "nested at most 40 deep"),
        (b"[" * 900 + b"]" * 900, "nested at most 40 deep"),
        (b'{"a":' * 50 + b"1" + b"}" * 50, "nested at most 40 deep"),
        (b"9" * 5000, "must be JSON text"),
        (rb'["\ud800"]', "half a character"),
        (rb'{"\uDFFF": 1}', "half a character"),
        (b"\xff\xfe\xff", "must be JSON text"),
        (b"[1,\n2,,3]", "line 2, column 3"),
        (b"", "line 1, column 1"),
    ],
)
def test_json_that_is_refused(content, message):
    with pytest.raises(DataSetError, match=f"^a.json .*{message}"):
        parse_json(content, "a.json", DataSetError)


def test_json_that_is_read():
    # A pair of surrogates is one sign, and after two backslashes there is no escape.
    assert parse_json(rb'["\ud83c\udf31", "\\ud800"]', "a") == ["\N{SEEDLING}", "\\ud800"]
    assert parse_json("[" * 40 + "]" * 40, "a") and parse_json("[NaN]", "a")
    with pytest.raises(InputError, match="not a JSON number"):
        parse_json("[NaN]", "a", refuse_nan=True)


def labels_with(**changes) -> dict:
    labels = {
        "images": [{"id": 1, "file_name": "a.png", "width": 8, "height": 6}],
        "annotations": [{"id": 1, "image_id": 1, "category_id": 3, "bbox": [1, 2, 4, 3]}],
        "categories": [{"id": 3, "name": "post"}],
    }
    for way, value in changes.items():
        key, name = way.split("__")
        labels[key][0][name] = value
    return labels


IDS = ["²", "--5", "٣", "-", "5" * 5000, 10**400, -(10**4000), 1e300, True, None, [], {}, ""]


@pytest.mark.parametrize(
    "where",
    [
        "annotations__image_id",
        "annotations__category_id",
        "annotations__id",
        "images__id",
        "images__width",
        "images__recording",
    ],
)
def test_ids_of_every_kind(where, tmp_path):
    save(tmp_path / "a.png", np.zeros((6, 8, 3), np.uint8))
    row = {"image_id": 1, "category_id": 3, "bbox": [0, 0, 1, 1], "score": 1}
    key = where.split("__")[1]
    for id in IDS:
        (tmp_path / "annotations.json").write_text(json.dumps(labels_with(**{where: id})))
        try:
            open_dataset(tmp_path)
        except DataSetError as error:
            assert len(str(error)) < 600 and str(error).isprintable()
        if key in row:
            (tmp_path / "annotations.json").write_text(json.dumps(labels_with()))
            (tmp_path / "results.json").write_text(json.dumps([row | {key: id}]))
            data = open_dataset(tmp_path / "annotations.json")
            if id is not True:  # equal to 1 in Python, and to the id of the picture
                with pytest.raises(DataSetError, match=key):
                    read_results(tmp_path / "results.json", data)
            (tmp_path / "results.json").unlink()


@pytest.mark.parametrize("where", ["categories__name", "images__recording", "images__lighting", "images__file_name"])
def test_names_must_be_printable(where, tmp_path):
    save(tmp_path / "a.png", np.zeros((6, 8, 3), np.uint8))
    for name in ("po\x1b[2Jst", "a\nb", "\u202etsop", "\x9b31m", "a\u2028b"):
        (tmp_path / "annotations.json").write_text(json.dumps(labels_with(**{where: name})))
        with pytest.raises(DataSetError, match="printable") as error:
            open_dataset(tmp_path)
        assert str(error.value).isprintable()


def test_printable_keeps_what_people_write():
    for text in ("post", "Pfosten (grün)", "پایه\u200cها", "柱 3", "\N{SEEDLING}\ufe0f", "a\u00a0b"):
        assert printable(text) == text
    assert printable("\x1b]0;x\x07\r\n\ud800") == r"\x1b]0;x\x07\x0d\x0a\ud800"
    assert str(InputError("one\ntwo")) == r"one\x0atwo" and printable("one\ntwo", keep="\n") == "one\ntwo"


def test_names_in_a_report_are_text(tmp_path):
    name = "<script>alert(1)</script><img src=x onerror=alert(1)> & \"'"
    picture = np.zeros((60, 80, 3), np.uint8)
    picture[10:50, 20:40] = 230, 110, 30
    sample = Sample("a.png", picture, [[20, 10, 40, 50]], [0], recording=name, lighting=name)
    write_dataset(tmp_path / "set", [sample], [name])
    page = tmp_path / "page.html"
    assert main(["judge", str(tmp_path / "set"), "--with", "color", "--html", str(page), "--quiet"]) == 0
    text = page.read_text("utf-8")
    assert "&lt;script&gt;alert(1)" in text and "<script" not in text and "<img src=x" not in text


def voc(folder: Path, old: str = "", new: str = "", place: str = "a.xml", picture: str = "a.png") -> Path:
    text = (
        "<annotation><filename>a.png</filename><size><width>9</width><height>6</height></size><object><name>post</name>"
        "<bndbox><xmin>4</xmin><ymin>3</ymin><xmax>9</xmax><ymax>5</ymax></bndbox></object></annotation>"
    )
    save(folder / picture, np.zeros((6, 9, 3), np.uint8))
    path = folder / place
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text.replace(old, new) if old else text)
    return folder


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("<annotation>", '<?xml version="1.0" encoding="no-such"?><annotation>', "must be whole XML"),
        ("<annotation>", '<?xml version="1.0" encoding="shift_jis"?><annotation>', "must be whole XML"),
        ("<annotation>", '<!DOCTYPE a [<!ENTITY b "c">]><annotation>', "no document type"),
        ("<xmin>4<", "<xmin>1_0<", "xmin must be a number"),
        ("<xmin>4<", "<xmin>٤<", "xmin must be a number"),
        ("<xmin>4<", "<xmin>" + "4" * 5000 + "<", "xmin must be a number"),
        ("<width>9<", "<width>9_0<", "width must be a whole number"),
        ("<object>", "<x>" * 50 + "</x>" * 50 + "<object>", "20 deep"),
        ("<object>", "<x/>" * 100_001 + "<object>", "at most 100000 elements"),
        ("<object>", " " * 10_000_001 + "<object>", "at most 10 MiB"),
    ],
    ids=range(10),
)
def test_xml_that_is_refused(tmp_path, old, new, message):
    with pytest.raises(DataSetError, match=message) as error:
        open_voc(voc(tmp_path, old, new))
    assert "a.xml" in str(error.value) and len(str(error.value)) < 500


@pytest.mark.parametrize(
    ("place", "picture"),
    [
        ("kit/VOC1/Annotations/a.xml", "kit/VOC1/JPEGImages/a.png"),
        ("Annotations/day1/a.xml", "JPEGImages/day1/a.png"),
        ("day1/a.xml", "day1/a.png"),
        ("day1/labels/a.xml", "day1/images/a.png"),
    ],
)
def test_nested_voc_folders_are_found(tmp_path, place, picture):
    data = open_dataset(voc(tmp_path, place=place, picture=picture))
    assert data[0].boxes.tolist() == [[3, 2, 9, 5]] and data.load(data[0]).shape == (6, 9, 3)


# --- one fault, one problem; one advice -------------------------------------------------------


def test_one_bad_picture_is_one_problem(tmp_path):
    save(tmp_path / "b.png", np.zeros((6, 8, 3), np.uint8))
    (tmp_path / "a.png").write_bytes(encode(np.zeros((6, 8, 3), np.uint8))[:20])
    labels = labels_with()
    labels["images"].append({"id": 2, "file_name": "b.png", "width": 8, "height": 6})
    labels["annotations"] = [
        {"id": n, "image_id": 1 + n % 2, "category_id": 3, "bbox": [1, 1, 4, 3]} for n in range(46)
    ]
    (tmp_path / "annotations.json").write_text(json.dumps(labels))
    problems = check_dataset(tmp_path).problems
    assert len(problems) == 1 and "a.png" in problems[0]


def test_install_hint_is_for_this_install(monkeypatch, tmp_path):
    assert install_hint("robot").startswith('pip install -e ".[robot]"')
    # As in a wheel: the package without the project's file beside it.
    monkeypatch.setattr(errors, "__file__", str(tmp_path / "robotlab" / "errors.py"))
    monkeypatch.setattr(
        importlib.metadata,
        "requires",
        lambda _: ["numpy>=2.0", 'pyserial>=3.5; extra == "robot"', 'torch; extra == "torch"'],
    )
    assert install_hint("robot") == 'pip install "pyserial>=3.5"'
