"""Few bytes that made much work: each once took a door more than 20 s, or more than 1 GiB."""

from __future__ import annotations

import io
import json
import time

import numpy as np
import onnx
import pytest
from by_hand_floods import bmp, chunk, jpeg, png, scans, segment
from kinds import models
from PIL import Image

from robotlab.cli import main
from robotlab.data import DataSet, LabeledImage, Sample, check_dataset, open_dataset, write_dataset
from robotlab.data.labeled_image import MOST_BOXES
from robotlab.detections import Detections
from robotlab.errors import DataSetError, InputError, ModelError, PictureError
from robotlab.image import decode, hashing
from robotlab.image.file import size_of
from robotlab.image.parts import MOST_NOTES, MOST_SEGMENTS
from robotlab.json_file import parse_json
from robotlab.metrics import evaluate
from robotlab.neural import NeuralDetector
from robotlab.toml_file import parse_toml

# A door says no at once, s of this process.
AT_ONCE = 5


@pytest.fixture(autouse=True)
def at_once():
    began = time.process_time()
    yield
    assert time.process_time() - began < AT_ONCE


@pytest.mark.parametrize(
    "make",
    [
        lambda: jpeg(b"\xff" * 2 * MOST_SEGMENTS),
        lambda: jpeg(b"\xff\0" * MOST_SEGMENTS),
        lambda: jpeg(b"\xff\xd9" + bytes(MOST_SEGMENTS)),
        lambda: jpeg(b"\xff\xd0" * MOST_SEGMENTS),
        lambda: jpeg(segment(0xFE, b"") * MOST_SEGMENTS),
        lambda: jpeg(segment(0xE1, b"Exif\0\0" + bytes(65_000)) * 600),
        lambda: png(9, 6, between=chunk(b"aaAa") * MOST_NOTES),
        lambda: png(9, 6) + chunk(b"IDAT") * 100_000,
        lambda: png(9, 6)[:-12] + chunk(b"IDAT") * 100_000,
        lambda: bmp(b"\1\0" * 50),
        lambda: bmp(b"\xff\x12" * 50, runs=2),
        lambda: scans(100),
    ],
    ids=range(12),
)
def test_pictures_of_very_many_parts(make, tmp_path):
    content = make()
    if content.endswith(chunk(b"IDAT")) and b"IEND" in content:  # what stands behind the end is not looked at
        assert decode(content).shape == (6, 9, 3)
        return
    with pytest.raises(PictureError, match=r"^a.png must .* export it$"):
        decode(content, "a.png")
    (tmp_path / "a.png").write_bytes(content)
    if b"\xff\xda\0\x08\1\1\0\x01" not in content:  # scans are counted when pixels are read
        with pytest.raises(PictureError, match="few parts"):
            size_of(tmp_path / "a.png")


def test_what_cameras_write_between_is_passed_over():
    profile = segment(0xE2, b"ICC_PROFILE\0\1\1" + bytes(65_000)) * 255
    for between in (
        b"\xff" * 100,
        segment(0xFE, b"") + bytes(100),
        profile,
        segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + bytes(9)) * 300,
    ):
        assert decode(jpeg(between, progressive=True)).shape == (48, 64, 3)
    assert decode(png(9, 6, between=chunk(b"tEXt", b"a\0b") * 500)).shape == (6, 9, 3)


def test_sixteen_bits_of_gray_take_little_memory():
    """8000 x 8000 px took 1.6 GB as whole numbers of 64 bits; Pillow's `I` mode has 32."""
    gray = np.arange(0, 65536, 64, dtype=np.uint16).reshape(32, 32)
    out = io.BytesIO()
    Image.fromarray(gray).save(out, "PNG")
    assert np.array_equal(decode(out.getvalue())[:, :, 1], gray >> 8)


@pytest.mark.parametrize(
    "make",
    # Made when it is needed: each process of the tests reads this file, and would keep them.
    [lambda: b"[" + b"[]," * 9_000_000 + b"[]]", lambda: b'["ab"' + b',"ab"' * 17_000_000 + b"]"],
    ids=["lists", "words"],
)
def test_json_that_would_fill_the_memory(make):
    """128 MiB of empty lists took 3 GB."""
    content = make()
    with pytest.raises(DataSetError, match="^a.json must take at most 1024 MiB of memory .* split it$"):
        parse_json(content, "a.json", DataSetError)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("a." * 500_000 + "a = 1", "at most 32 parts"),
        ("[" + "a." * 200_000 + "a]\n" + "\n".join(f"b{n} = 1" for n in range(50_000)), "at most 32 parts"),
        ("['" + "'.'".join("x" * 100_000) + "']", "at most 32 parts"),
        ('a = "' + '\\"' * 500_000 + "\\", "must be TOML"),
        ("a = 0x" + "f" * 9999, "64 bits"),
        ("a = [{b = 9223372036854775808}]", "64 bits"),
        (
            "\n".join("[" + ".".join(["a"] * 20 + [f"b{n}"] * 2) + "]" for n in range(2))
            + "\nc."
            + "d." * 25
            + "e = 1",
            "40 deep",
        ),
    ],
    ids=range(7),
)
def test_toml_that_is_long_to_parse(content, message):
    """Keys of very many parts took hours; whole numbers of thousands of digits ended in a traceback, for they cannot be shown."""
    with pytest.raises(InputError, match=f"^a.toml .*{message}") as error:
        parse_toml(content, "a.toml")
    assert len(str(error.value)) < 200


def test_toml_with_dots_where_they_may_be():
    dots = "1." * 50
    assert parse_toml(f'a = \'{dots}\' # {dots}\nb = """\n{dots}"""\nc = [0.5, 1.5]\n\'d.e\'.f = 1', "a.toml")[
        "d.e"
    ] == {"f": 1}


@pytest.fixture
def labels(tmp_path):
    sample = Sample("a.png", np.zeros((60, 80, 3), np.uint8), [[10, 10, 40, 50]], [0])
    path = write_dataset(tmp_path / "set", [sample], ["post"]).labels_path

    def change(**parts) -> None:
        whole = json.loads(path.read_text())
        path.write_text(json.dumps(whole | {key: make(whole[key][0]) for key, make in parts.items()}))
        return path.parent

    return change


def test_a_picture_of_very_many_boxes(labels):
    """30 000 boxes took all memory, for each was compared with each; and each pair became a note."""
    folder = labels(annotations=lambda one: [one | {"id": n} for n in range(3000)])
    with pytest.raises(DataSetError, match="at most 2000 boxes, .*a.png has 3000"):
        open_dataset(folder)
    assert "at most 2000 boxes" in "".join(check_dataset(folder).problems)
    folder = labels(annotations=lambda one: [one | {"id": n} for n in range(MOST_BOXES // 20)])
    assert len([note for note in check_dataset(folder).notes if "IoU" in note]) == 21


def test_very_many_classes_and_broken_rules(labels):
    """Looking each name up in a list took minutes."""
    folder = labels(categories=lambda one: [one | {"id": n, "name": f"class {n}"} for n in range(1, 20_001)])
    with pytest.raises(DataSetError, match="at most 2000 classes"):
        open_dataset(folder)
    labels(
        categories=lambda one: [one | {"id": 1}],
        annotations=lambda one: [one | {"id": n, "bbox": []} for n in range(10_100)],
    )
    problems = check_dataset(folder).problems
    assert len(problems) == 10_001 and "100 more broken rules" in problems[-1]


@pytest.mark.parametrize("name", ["/" + "a/" * 100_000 + "a.png", "/" + "a/" * 2000, "a" * 5000])
def test_very_long_names_of_pictures(labels, name):
    """All ends of a path from another machine were looked for, and a name may be a page."""
    with pytest.raises(DataSetError) as error:
        open_dataset(labels(images=lambda one: [one | {"file_name": name}]))
    assert str(error.value).isprintable()


def test_the_last_parts_of_a_path_are_looked_for(labels):
    assert (
        len(open_dataset(labels(images=lambda one: [one | {"file_name": "/srv/ada/" + "x/" * 40 + "pictures/a.png"}])))
        == 1
    )


@pytest.mark.parametrize("fault", ["shared", "window"])
def test_models_of_little_that_take_long(fault):
    """400 layers with the numbers of one, and a window of the whole picture: both took minutes for a picture."""
    model = onnx.load_from_string(models()[0])
    if fault == "window":
        next(a for n in model.graph.node for a in n.attribute if a.name == "kernel_shape").ints[:] = [999, 999]
        message = "whole ONNX file"
    else:
        size = max(model.graph.initializer, key=lambda one: len(one.raw_data))
        size.dims[:], size.raw_data = [10**6], bytes(4 * 10**6)
        for n in range(5):
            model.graph.node.add(op_type="Relu", input=[size.name], output=[f"more{n}"])
        message = "use its numbers about once"
    with pytest.raises(ModelError, match=message):
        NeuralDetector(model.SerializeToString())


def test_very_many_recordings_are_judged(tmp_path):
    # Time and memory grow with the recordings, not with their square.
    box = np.array([[1.0, 1, 9, 7]])
    rows = [
        LabeledImage(n, tmp_path / f"{n}.png", 16, 12, f"walk {n}", boxes=box, labels=np.zeros(1, int))
        for n in range(3000)
    ]
    data = DataSet(tmp_path / "annotations.json", ("post",), (1,), tuple(rows))
    found = [Detections(box + n % 3, [n / 3000], [0], ["post"]) for n in range(3000)]
    value = evaluate(data, found).to_json()
    assert len(value["per_recording"]) == 3000 == value["intervals"]["recordings"]
    assert value["per_recording"]["walk 0"]["AP"] == pytest.approx(1) and value["per_recording"]["walk 2"]["AP"] == 0


def test_very_many_pictures_that_look_the_same(monkeypatch, tmp_path, capsys):
    # 20 000 equal pictures once took 24 GB.
    monkeypatch.setattr(hashing, "MOST_ALIKE", 20)
    samples = [
        Sample(f"{n}.png", np.zeros((6, 8, 3), np.uint8), [[1, 1, 5, 4]], [0], recording=f"{n}") for n in range(7)
    ]
    write_dataset(tmp_path / "set", samples, ["post"])
    data = open_dataset(tmp_path / "set")
    report = check_dataset(data)
    assert report.ok and any("at most 20 pairs of pictures may look the same" in note for note in report.notes)
    report.text()
    assert check_dataset(data.having(data.pictures[:6])).facts["near_duplicates_across_recordings"] == 15
    # A split of them is told all the same, and called leaking.
    monkeypatch.setattr(hashing, "MOST_ALIKE", 2)
    assert main(["split", str(tmp_path / "set")]) == 1
    said = capsys.readouterr().out
    assert "near-duplicates on both sides: at most 2 pairs" in said and "next: robotlab fit" in said
    # A picture that cannot be read is an error, and no leak.
    data.pictures[0].path.write_bytes(b"no picture")
    assert main(["split", str(tmp_path / "set")]) == 2
    assert "near-duplicates" not in capsys.readouterr().err
