"""Opening COCO-style files: what the labels say is what the data set says."""

import json
import shutil

import numpy as np
import pytest
from conftest import base_labels, save_set
from pycocotools.coco import COCO

from robotlab import image
from robotlab.data import open_dataset
from robotlab.errors import DataSetError


def test_every_field_comes_through(folder):
    data = open_dataset(folder)
    assert data.classes == ("post", "crate")
    assert data.category_ids == (90, 3)
    assert data.recordings == ("morning", "evening")
    assert data.lightings == ("dusk",)
    assert data.box_count == 3
    first, second = data.pictures
    assert (first.id, first.width_px, first.height_px, first.recording, first.lighting) == (
        10,
        64,
        48,
        "morning",
        "dusk",
    )
    assert first.distance_m is None and second.distance_m == 1.5
    assert first.boxes.tolist() == [[3, 2, 9, 5], [10.5, 20.25, 40.5, 40.25]]
    assert first.labels.tolist() == [0, 1]
    # The area is the annotation's own where it gives one (COCO), else the box's.
    assert first.areas.tolist() == [12.5, 600]
    assert first.ignore.tolist() == [False, True]
    assert second.crowd.tolist() == [True]
    assert first.visibility.tolist() == [1, 0.4]
    assert np.isnan(first.distances_m).all()
    assert first.annotation_ids.tolist() == [5, 6]
    assert not first.boxes.flags.writeable


def test_pycocotools_sees_the_same(folder, capsys):
    reference = COCO(str(folder / "annotations.json"))
    data = open_dataset(folder)
    for entry in data:
        theirs = reference.loadAnns(reference.getAnnIds(imgIds=entry.id))
        assert [note["id"] for note in theirs] == entry.annotation_ids.tolist()
        xywh = np.array([note["bbox"] for note in theirs], float)
        assert np.array_equal(np.column_stack([xywh[:, :2], xywh[:, :2] + xywh[:, 2:]]), entry.boxes)
        assert [note["category_id"] for note in theirs] == [data.category_ids[label] for label in entry.labels]


@pytest.mark.parametrize("name", ["annotations.json", "labels.json", "instances_val.json", "anything.json"])
def test_the_one_labels_file_of_a_folder_is_found(tmp_path, labels, name):
    folder = save_set(tmp_path / "set", labels, file=name)
    (folder / "results.json").write_text("[]")
    (folder / "notes.json").write_text('{"images": 3}')
    assert len(open_dataset(folder)) == len(open_dataset(folder / name)) == 2


def test_two_labels_files_are_refused(tmp_path, labels):
    folder = save_set(tmp_path / "set", labels, file="train.json")
    shutil.copy(folder / "train.json", folder / "test.json")
    with pytest.raises(DataSetError, match="one labels file, it has test.json, train.json; give the path"):
        open_dataset(folder)
    assert len(open_dataset(folder / "train.json")) == 2
    # The old name beside the new one: neither is taken by guess.
    for name in ("annotations.json", "labels.json"):
        shutil.copy(folder / "train.json", folder / name)
    with pytest.raises(DataSetError, match=r"one labels file, it has annotations.json, labels.json, test.json"):
        open_dataset(folder)


@pytest.mark.parametrize(
    ("labels_at", "pictures_at"),
    [
        ("annotations.json", "."),
        ("annotations.json", "pictures"),
        ("annotations.json", "images"),
        ("annotations/instances_val2017.json", "val2017"),
        ("annotations/instances_val2017.json", "images"),
        ("labels/walk.json", "pictures"),
    ],
)
def test_pictures_are_found_beside_and_below(tmp_path, labels, labels_at, pictures_at):
    save_set(tmp_path / pictures_at, labels)
    (tmp_path / pictures_at / "annotations.json").rename(tmp_path / "moved.json")
    (tmp_path / labels_at).parent.mkdir(exist_ok=True)
    (tmp_path / "moved.json").rename(tmp_path / labels_at)
    data = open_dataset(tmp_path / labels_at)
    assert data[0].path.parent == tmp_path / pictures_at
    assert data.load(data[0]).shape == (48, 64, 3)
    assert len(open_dataset(tmp_path)) == 2


@pytest.mark.parametrize(
    "name",
    [
        "walk 1/ä ñ 日本.png",
        "walk 1\\ä ñ 日本.png",
        "/mnt/somebody/set/walk 1/ä ñ 日本.png",
        "C:\\somebody\\set\\walk 1\\ä ñ 日本.png",
        "./walk 1/./ä ñ 日本.png",
        "x/../walk 1/ä ñ 日本.png",
    ],
)
def test_names_from_other_machines_are_found(tmp_path, labels, name):
    save_set(tmp_path / "set", labels, names=())
    save_set(tmp_path / "set" / "walk 1", {}, names=("ä ñ 日本.png", "b.png"), file="junk.txt")
    labels["images"][0]["file_name"] = name
    labels["images"][1]["file_name"] = "walk 1/b.png"
    del labels["images"][0]["recording"]
    (tmp_path / "set" / "annotations.json").write_text(json.dumps(labels))
    entry = open_dataset(tmp_path / "set")[0]
    assert entry.path == tmp_path / "set" / "walk 1" / "ä ñ 日本.png"
    assert entry.recording == "walk 1"


def test_absolute_path_inside_the_folder(folder, labels):
    labels["images"][0]["file_name"] = str(folder / "a.png")
    (folder / "annotations.json").write_text(json.dumps(labels))
    assert open_dataset(folder)[0].path == folder / "a.png"


@pytest.mark.parametrize("name", ["../secret.png", "pictures/../../secret.png", "..\\secret.png"])
def test_a_name_that_climbs_out_is_refused(tmp_path, labels, name):
    save_set(tmp_path, {}, names=("secret.png",), file="junk.txt")
    labels["images"][0]["file_name"] = name
    save_set(tmp_path / "set", labels)
    with pytest.raises(DataSetError, match=r"images\[0\].*leads outside; copy the picture there"):
        open_dataset(tmp_path / "set")


def test_an_absolute_name_outside_is_refused(tmp_path, labels):
    save_set(tmp_path / "elsewhere", {}, names=("secret.png",), file="junk.txt")
    labels["images"][0]["file_name"] = str(tmp_path / "elsewhere" / "secret.png")
    save_set(tmp_path / "set", labels)
    with pytest.raises(DataSetError, match=r"images\[0\].*a\.png|images\[0\].*secret\.png"):
        open_dataset(tmp_path / "set")


def test_climbing_into_a_picture_folder_beside_is_allowed(tmp_path, labels):
    save_set(tmp_path / "images", {}, file="junk.txt")
    for record in labels["images"]:
        record["file_name"] = "../images/" + record["file_name"]
    save_set(tmp_path / "annotations", labels, names=())
    assert open_dataset(tmp_path / "annotations")[0].path == tmp_path / "images" / "a.png"


def test_recording_is_the_folder_or_all(tmp_path, labels):
    for record, name in zip(labels["images"], ("a.png", "walk/b.png"), strict=True):
        del record["recording"]
        record["file_name"] = name
    save_set(tmp_path / "set" / "pictures" / "walk", {}, names=("b.png",), file="junk.txt")
    save_set(tmp_path / "set", labels, names=("a.png",))
    assert open_dataset(tmp_path / "set").recordings == ("all", "walk")


def test_words_as_ids(tmp_path, labels):
    for record in labels["images"]:
        record["id"] = f"frame{record['id']}"
    for record in labels["categories"]:
        record["id"] = f"class{record['id']}"
    for record in labels["annotations"]:
        record |= {
            "id": f"box{record['id']}",
            "image_id": f"frame{record['image_id']}",
            "category_id": f"class{record['category_id']}",
        }
    data = open_dataset(save_set(tmp_path / "set", labels))
    assert data.category_ids == ("class90", "class3")
    assert data[0].id == "frame10" and data[0].annotation_ids.tolist() == ["box5", "box6"]


def test_what_may_be_missing(tmp_path, labels):
    for record in labels["images"]:
        del record["width"], record["height"]
    for record in labels["annotations"]:
        del record["id"]
        record.pop("iscrowd", None)
    del labels["info"]
    labels["annotations"] = labels["annotations"][:1]
    data = open_dataset(save_set(tmp_path / "set", labels))
    assert (data[0].width_px, data[0].height_px) == (64, 48)
    assert [len(entry) for entry in data] == [1, 0]
    assert data[1].boxes.shape == (0, 4)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_text_encodings(tmp_path, labels, encoding):
    folder = save_set(tmp_path / "set", labels)
    (folder / "annotations.json").write_text(json.dumps(labels), encoding)
    assert len(open_dataset(folder)) == 2


@pytest.mark.parametrize(
    ("bbox", "corners"),
    [
        ([-0.004, 0, 64.008, 48], [0, 0, 64, 48]),
        ([-1, -1, 10, 10], [0, 0, 9, 9]),
        ([60, 40, 5, 9], [60, 40, 64, 48]),
        ([1, 1, 0.001, 0.001], [1, 1, 1.001, 1.001]),
    ],
)
def test_a_hair_outside_is_cut_off(tmp_path, labels, bbox, corners):
    labels["annotations"][0]["bbox"] = bbox
    assert open_dataset(save_set(tmp_path / "set", labels))[0].boxes[0].tolist() == pytest.approx(corners, abs=1e-12)


def test_opening_reads_no_pixels(folder, monkeypatch):
    monkeypatch.setattr(image, "load", lambda path: pytest.fail(f"read {path}"))
    assert len(open_dataset(folder)) == 2


def test_labels_alone(folder):
    (folder / "a.png").unlink()
    data = open_dataset(folder, pictures=False)
    assert data.box_count == 3
    with pytest.raises(DataSetError, match="picture id 10 .a.png.*must exist to be read"):
        data.load(data[0])


def test_only_keeps_order_and_classes(folder):
    data = open_dataset(folder)
    evening = data.only(recordings=["evening"])
    assert [entry.id for entry in evening] == [70] and evening.classes == data.classes
    assert [entry.id for entry in data.only(lightings="dusk")] == [10]
    assert [entry.id for entry in data.only(ids=[70, 10])] == [10, 70]
    assert [entry.id for entry in data.only()] == [10, 70]
    with pytest.raises(DataSetError, match="recordings must be among morning, evening, got noon"):
        data.only(recordings=["noon", "evening"])
    with pytest.raises(DataSetError, match="at least one picture, none is left"):
        data.only(recordings="evening", lightings="dusk")


def test_need_boxes(tmp_path, labels):
    labels["annotations"] = labels["annotations"][1:]
    data = open_dataset(save_set(tmp_path / "set", labels))
    with pytest.raises(DataSetError, match="at least one box that counts"):
        data.need_boxes()
    assert open_dataset(save_set(tmp_path / "good", base_labels())).need_boxes().box_count == 3


def test_some_classes(folder):
    data = open_dataset(folder).of_classes(["crate"])
    assert data.classes == ("crate",) and data.category_ids == (3,) and data.categories[0]["name"] == "crate"
    assert [entry.annotation_ids.tolist() for entry in data] == [[6], [9]]
    first = data[0]
    assert first.labels.tolist() == [0] and first.ignore.tolist() == [True] and first.annotations[0]["id"] == 6
    assert open_dataset(folder).of_classes(["crate", "post"]).classes == ("post", "crate")
    for names in ("bucket", []):
        with pytest.raises(DataSetError, match="classes must be among post, crate, got"):
            open_dataset(folder).of_classes(names)
