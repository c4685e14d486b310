"""Writing data sets: whole or not at all, and nothing is lost on the way."""

import json
import os
import subprocess
import sys
import time

import numpy as np
import pytest
from conftest import save_set
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from pycocotools.coco import COCO

from robotlab import image
from robotlab.data import Sample, atomic_folder, open_dataset, write_dataset
from robotlab.errors import DataSetError, InputError


def gray(value=90, size=(48, 64)):
    return np.full((*size, 3), value, np.uint8)


@st.composite
def samples(draw):
    found = []
    for number in range(draw(st.integers(1, 3))):
        width, height = draw(st.integers(1, 40)), draw(st.integers(1, 40))
        boxes = []
        for _ in range(draw(st.integers(0, 3))):
            x = sorted(draw(st.lists(st.floats(0, width), min_size=2, max_size=2)))
            y = sorted(draw(st.lists(st.floats(0, height), min_size=2, max_size=2)))
            if x[1] - x[0] > 1e-6 and y[1] - y[0] > 1e-6:
                boxes.append([x[0], y[0], x[1], y[1]])
        n = len(boxes)
        flags = st.lists(st.booleans(), min_size=n, max_size=n)
        part = st.lists(st.floats(0, 1), min_size=n, max_size=n)
        far = st.lists(st.floats(0.1, 99) | st.just(float("nan")), min_size=n, max_size=n)
        words = st.text(
            st.characters(codec="utf-8", exclude_categories=["Cc", "Cf", "Cs", "Zl", "Zp"]), min_size=1, max_size=8
        )
        found.append(
            Sample(
                f"{draw(st.sampled_from(['', 'walk/', 'ä b/']))}{number}.png",
                draw(arrays(np.uint8, (height, width, 3), elements=st.integers(0, 255), fill=st.just(7))),
                boxes,
                draw(st.lists(st.integers(0, 1), min_size=n, max_size=n)),
                draw(words),
                draw(st.none() | words),
                draw(st.none() | st.floats(0.1, 99)),
                crowd=draw(flags),
                ignore=draw(flags),
                visibility=draw(part),
                distances_m=draw(far),
            )
        )
    return found


@given(samples())
@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_written_and_opened_is_the_same(tmp_path, given_samples):
    folder = tmp_path / "set"
    written = write_dataset(folder, given_samples, ["post", "crate"], replace=True)
    again = write_dataset(tmp_path / "copy", written, replace=True)
    # pycocotools reads text in the encoding of the machine, so through json.
    reference = COCO()
    reference.dataset = json.loads((folder / "annotations.json").read_text("utf-8"))
    reference.createIndex()
    assert reference.dataset == json.loads((tmp_path / "copy" / "annotations.json").read_text("utf-8"))
    for data in (written, again):
        assert len(data) == len(given_samples)
        for sample, entry in zip(given_samples, data, strict=True):
            assert np.array_equal(data.load(entry), sample.picture)
            assert np.allclose(entry.boxes, np.reshape(sample.boxes, (-1, 4)), rtol=0, atol=1e-12)
            assert entry.labels.tolist() == list(sample.labels)
            assert (entry.recording, entry.lighting, entry.distance_m) == (
                sample.recording,
                sample.lighting,
                sample.distance_m,
            )
            assert entry.crowd.tolist() == sample.crowd and entry.ignore.tolist() == sample.ignore
            assert entry.visibility.tolist() == sample.visibility
            assert np.array_equal(entry.distances_m, sample.distances_m, equal_nan=True)
            xywh = np.reshape([reference.anns[id]["bbox"] for id in entry.annotation_ids], (-1, 4))
            assert np.array_equal(xywh[:, :2], entry.boxes[:, :2]) and np.allclose(
                xywh[:, :2] + xywh[:, 2:], entry.boxes[:, 2:]
            )


def test_unknown_keys_and_bytes_are_kept(tmp_path, labels):
    labels["images"][0] |= {"camera": {"f": [1, 2.5]}, "license": 1}
    labels["annotations"][0] |= {"segmentation": [[3, 2, 9, 2, 9, 5]], "attributes": {"banded": True}}
    folder = save_set(tmp_path / "set", labels)
    (folder / "card.md").write_text("# mine\n")
    write_dataset(tmp_path / "copy", open_dataset(folder), info={"version": "2"})
    new = json.loads((tmp_path / "copy" / "annotations.json").read_text("utf-8"))
    assert new["licenses"] == labels["licenses"] and new["categories"] == labels["categories"]
    assert new["info"] == {"year": 2024, "version": "2"}
    for old, record in zip(labels["images"], new["images"], strict=True):
        assert record == old | {"file_name": "pictures/" + old["file_name"]}
    notes = {note["id"]: note for note in new["annotations"]}
    for old in labels["annotations"]:
        assert notes[old["id"]] == {"area": old["bbox"][2] * old["bbox"][3], "iscrowd": 0} | old
    assert (tmp_path / "copy" / "card.md").read_text() == "# mine\n"
    assert (tmp_path / "copy" / "pictures" / "a.png").read_bytes() == (folder / "a.png").read_bytes()


def test_a_part_can_be_written(folder, tmp_path):
    data = write_dataset(tmp_path / "part", open_dataset(folder).only(recordings="evening"))
    assert [entry.id for entry in data] == [70] and data.category_ids == (90, 3)


def test_same_names_in_different_folders_stay_apart(tmp_path, labels):
    labels["images"][0]["file_name"], labels["images"][1]["file_name"] = "images/a.png", "a.png"
    save_set(tmp_path / "set" / "images", {}, names=("a.png",), file="junk.txt")
    image.save(tmp_path / "set" / "a.png", gray())
    (tmp_path / "set" / "annotations.json").write_text(json.dumps(labels))
    data = write_dataset(tmp_path / "copy", open_dataset(tmp_path / "set" / "annotations.json"))
    assert [entry.name for entry in data] == ["pictures/a.png", "pictures/a-2.png"]
    assert (data.load(data[1]) == 90).all() and not (data.load(data[0]) == 90).all()


def test_one_record_a_line(tmp_path):
    write_dataset(tmp_path / "set", [Sample("a.png", gray(), [[1, 2, 3, 4]], [0])], ["post"])
    text = (tmp_path / "set" / "annotations.json").read_text("utf-8")
    assert '{"id": 1, "image_id": 1, "category_id": 1, "bbox": [1, 2, 2, 2], "area": 4, "iscrowd": 0}\n' in text
    assert "1 picture in 1 recording (all); boxes: 1 post" in (tmp_path / "set" / "card.md").read_text("utf-8")


@pytest.mark.parametrize(
    ("sample", "message"),
    [
        (Sample("a.png", gray(), [[1, 2, 99, 4]], [0]), r"bbox must lie inside its picture"),
        (Sample("a.png", gray(), [[1, 2, 1, 4]], [0]), r"bbox must have an area"),
        (Sample("a.png", gray(), [[1, 2, float("nan"), 4]], [0]), r"boxes of sample 1 .a.png. must be finite"),
        (Sample("a.png", gray(), [[1, 2, 3, 4]], [1]), r"sample 1 .a.png.: labels must be from 0 to 0, got \[1\]"),
        (Sample("a.png", gray(), [[1, 2, 3, 4]], []), r"labels must be \(1,\)"),
        (Sample("../a.png", gray()), r"a name must be a file below pictures/, got '../a.png'"),
        (Sample("/a.png", gray()), r"a name must be a file below pictures/"),
        (Sample("a.bmp", gray()), r"must end in .png, .jpg or .jpeg"),
        (Sample("a.png", gray()[..., 0]), r"sample 1 .a.png. must be \(H, W, 3\)"),
        (Sample("a.png", b"hello"), r"sample 1 .a.png. must be a whole JPEG, PNG, WebP or BMP picture"),
        (Sample("a.png", gray(), [[1, 2, 3, 4]], [0], visibility=[1.5]), r"visibility must be a number from 0 to 1"),
        (Sample("a.png", gray(), distance_m=-1.0), r"distance_m must be a number of m > 0"),
        (Sample("a.png", gray(), more={"x": float("nan")}), r"finite numbers alone"),
        ("a.png", r"number 1 is a str; wrap it"),
    ],
)
def test_bad_samples_leave_nothing_behind(tmp_path, sample, message):
    with pytest.raises(InputError, match=message):
        write_dataset(tmp_path / "set", [sample], ["post"])
    assert list(tmp_path.iterdir()) == []


def test_nothing_to_write(tmp_path):
    with pytest.raises(DataSetError, match=r"at least one picture"):
        write_dataset(tmp_path / "set", [], ["post"])
    with pytest.raises(DataSetError, match=r"classes must be a list of class names, got None"):
        write_dataset(tmp_path / "set", [Sample("a.png", gray())])
    with pytest.raises(DataSetError, match=r"names must be unique, this one comes twice"):
        write_dataset(tmp_path / "set", [Sample("a.png", gray())] * 2, ["post"])
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_picture_is_not_copied_on(folder, tmp_path):
    data = open_dataset(folder)
    (folder / "b.png").write_bytes((folder / "b.png").read_bytes()[:999])
    with pytest.raises(DataSetError, match="cut short"):
        write_dataset(tmp_path / "copy", data)
    assert not (tmp_path / "copy").exists()


def test_what_is_there_is_not_written_over(tmp_path):
    folder = tmp_path / "set"
    new = [Sample("a.png", gray(5), [[1, 2, 3, 4]], [0])]
    write_dataset(folder, [Sample("old.png", gray())], ["post"])
    with pytest.raises(DataSetError, match="must be new or empty, it holds annotations.json, card.md, pictures"):
        write_dataset(folder, new, ["post"])
    for stray in (folder / "notes.txt", folder / "pictures" / "unlisted.png"):
        stray.write_text("mine")
        with pytest.raises(DataSetError, match=f"nothing else, it has also .*{stray.name}; move that away"):
            write_dataset(folder, new, ["post"], replace=True)
        assert stray.read_text() == "mine"
        stray.unlink()
    assert write_dataset(folder, new, ["post"], replace=True)[0].name == "pictures/a.png"
    assert not (folder / "pictures" / "old.png").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["set"]


def test_only_a_data_set_is_replaced(tmp_path):
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "card.md").write_text("mine")
    with pytest.raises(DataSetError, match="it has no annotations.json"):
        write_dataset(tmp_path / "home", [Sample("a.png", gray())], ["post"], replace=True)
    with pytest.raises(DataSetError, match="is a file; choose another name"):
        write_dataset(tmp_path / "home" / "card.md", [Sample("a.png", gray())], ["post"], replace=True)
    (tmp_path / "empty").mkdir()
    assert len(write_dataset(tmp_path / "empty", [Sample("a.png", gray())], ["post"])) == 1


def test_a_set_can_be_written_over_itself(tmp_path):
    folder = tmp_path / "set"
    data = write_dataset(folder, [Sample(f"{n}.png", gray(n)) for n in range(3)], ["post"])
    assert len(write_dataset(folder, data.only(ids=[2]), replace=True)) == 1


@pytest.mark.parametrize("exchange", [True, False])
@pytest.mark.parametrize("fails", ["flush_folder", "_rename_into_place"])
def test_a_failure_leaves_the_old_set(tmp_path, monkeypatch, exchange, fails):
    folder = tmp_path / "set"
    write_dataset(folder, [Sample("old.png", gray())], ["post"])
    if not exchange:
        monkeypatch.setattr(atomic_folder, "_exchange", lambda a, b: False)

    def fail(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        if fails == "_rename_into_place" and not exchange:
            real = os.rename
            patch.setattr(
                os, "rename", lambda a, b: fail() if str(b) == str(folder) and ".part" in str(a) else real(a, b)
            )
        else:
            patch.setattr(atomic_folder, fails, fail)
        with pytest.raises(KeyboardInterrupt):
            write_dataset(folder, [Sample("new.png", gray())], ["post"], replace=True)
    assert open_dataset(folder)[0].name == "pictures/old.png"
    assert [path.name for path in tmp_path.iterdir()] == ["set"]
    assert write_dataset(folder, [Sample("new.png", gray())], ["post"], replace=True)[0].name == "pictures/new.png"
    assert [path.name for path in tmp_path.iterdir()] == ["set"]


def test_a_set_left_under_its_old_name_is_pointed_to(tmp_path):
    write_dataset(tmp_path / "set", [Sample("old.png", gray())], ["post"])
    (tmp_path / "set").rename(tmp_path / ".set.abc.old")
    with pytest.raises(DataSetError, match="a write was interrupted, rename .set.abc.old to set"):
        open_dataset(tmp_path / "set")


LOOP = """
import itertools, sys
import numpy as np
from robotlab.data import Sample, write_dataset
for turn in itertools.count():
    pictures = [Sample(f"{n}.png", np.full((8, 8, 3), turn % 256, np.uint8)) for n in range(4)]
    write_dataset(sys.argv[1], pictures, ["post"], info={"turn": turn}, replace=True)
    print(turn, flush=True)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux exchanges two folders in one step")
@pytest.mark.parametrize("wait_ms", [3, 11, 17])
def test_a_killed_process_leaves_a_whole_set(tmp_path, wait_ms):
    folder = tmp_path / "set"
    child = subprocess.Popen([sys.executable, "-c", LOOP, str(folder)], stdout=subprocess.PIPE, text=True)
    try:
        for _ in range(3):
            assert child.stdout.readline()
        time.sleep(wait_ms / 1000)
    finally:
        child.kill()
        child.wait()
        child.stdout.close()
    data = open_dataset(folder)
    assert len(data) == 4
    assert all((data.load(entry) == data.rest["info"]["turn"]).all() for entry in data)
