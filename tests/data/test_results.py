"""Results files: in as they are, out and in again."""

import json

import numpy as np
import pytest
from conftest import base_labels, save_set
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pycocotools.coco import COCO

from robotlab.data import open_dataset, read_results, write_results
from robotlab.data.results import _columns
from robotlab.detections import Detections
from robotlab.errors import DataSetError, InputError

GOOD = {"image_id": 70, "category_id": 3, "bbox": [-5, 2, 100, 0], "score": -7.5}


def put_results(folder, value):
    path = folder / "results.json"
    path.write_text(value if isinstance(value, str) else json.dumps(value))
    return path


def test_rows_come_in_the_order_of_the_file(folder):
    data = open_dataset(folder)
    rows = [
        GOOD,
        {**GOOD, "image_id": 10},
        {**GOOD, "category_id": 90, "score": 1},
        {**GOOD, "score": 0.25, "extra": "kept out"},
    ]
    first, second = read_results(put_results(folder, rows), data)
    assert first.scores.tolist() == [-7.5]
    assert second.scores.tolist() == [-7.5, 1, 0.25]
    assert second.labels.tolist() == [1, 0, 1]
    # Results are taken as given: outside the picture, or without area.
    assert second.boxes.tolist() == [[-5, 2, 95, 2]] * 3
    assert second.classes == data.classes


def test_empty_list_is_nothing_found(folder):
    assert [len(found) for found in read_results(put_results(folder, []), open_dataset(folder))] == [0, 0]


def test_rows_of_pictures_left_out_are_passed_over(folder):
    data = open_dataset(folder).only(recordings="evening")
    rows = [{**GOOD, "image_id": 10}, GOOD]
    assert [len(found) for found in read_results(put_results(folder, rows), data)] == [1]


def test_rows_of_classes_left_out_are_passed_over(folder):
    data = open_dataset(folder).of_classes("post")
    first, second = read_results(put_results(folder, [GOOD, {**GOOD, "category_id": 90, "score": 2}]), data)
    assert len(first) == 0 and second.scores.tolist() == [2] and second.classes == ("post",)
    with pytest.raises(DataSetError, match="got 4"):
        read_results(put_results(folder, [{**GOOD, "category_id": 4}]), data)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ({"results": []}, r"results.json must be a list of results.*it is an object; write the bare list"),
        ("7", r"it is a int"),
        ("[{]", r"line 1, column 3"),
        ([GOOD, 5], r"results\[1\] must be an object, it is a int"),
        ([{k: v for k, v in GOOD.items() if k != "score"}], r"results\[0\] must have .*it lacks score"),
        (
            [GOOD, {**GOOD, "image_id": 71}],
            r"results\[1\]: image_id must be the id of a picture in .*annotations.json, 71 is none",
        ),
        ([{**GOOD, "image_id": "70"}], r"there is 70, a number"),
        ([{**GOOD, "category_id": 4}], r"category_id must be one of 90 post, 3 crate, got 4"),
        ([{**GOOD, "bbox": [1, 2, float("nan"), 4]}], r"results\[0\]: bbox must be four finite numbers.*nan"),
        ([{**GOOD, "bbox": [1, 2, float("inf"), 4]}], r"bbox must be four finite numbers"),
        ([{**GOOD, "bbox": [1e308, 2, 1e308, 4]}], r"bbox must be four finite numbers"),
        ([{**GOOD, "bbox": [1, 2, -1, 4]}], r"width >= 0"),
        ([{**GOOD, "bbox": [1, 2, 3]}], r"bbox must be four"),
        ([{**GOOD, "bbox": [1, 2, 3, True]}], r"bbox must be four"),
        ([{**GOOD, "bbox": {"x": 1}}], r"bbox must be four"),
        ([{**GOOD, "score": float("nan")}], r"score must be a finite number, got nan"),
        ([{**GOOD, "score": float("-inf")}], r"score must be a finite number, got -inf"),
        ([{**GOOD, "score": "high"}], r"score must be a finite number, got 'high'"),
        ([{**GOOD, "score": None}], r"score must be a finite number, got None"),
    ],
)
def test_bad_results(folder, rows, message):
    with pytest.raises(DataSetError, match=message) as told:
        read_results(put_results(folder, rows), open_dataset(folder))
    # One error: no other one is shown above it.
    assert told.value.__context__ is None or told.value.__suppress_context__


NUMBER = st.integers(-1000, 1000) | st.floats(-1e6, 1e6)
SIDE = st.integers(0, 1000) | st.floats(0, 1e6)
ROW = st.fixed_dictionaries(
    {
        "image_id": st.sampled_from([10, 70, 70.0]),
        "category_id": st.sampled_from([90, 3]),
        "bbox": st.tuples(NUMBER, NUMBER, SIDE, SIDE).map(list),
        "score": NUMBER,
    }
)


def one_by_one(rows, data):
    """The columns of results, each taken from its own row."""
    pictures = {entry.id: place for place, entry in enumerate(data)}
    labels = {id: label for label, id in enumerate(data.category_ids)}
    boxes = [(x, y, x + width, y + height) for x, y, width, height in (map(float, row["bbox"]) for row in rows)]
    return (
        np.array([pictures[int(row["image_id"])] for row in rows], np.int64),
        np.array(boxes, np.float64).reshape(-1, 4),
        np.array([row["score"] for row in rows], np.float64),
        np.array([labels[row["category_id"]] for row in rows], np.int64),
    )


@given(st.lists(ROW, max_size=20))
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_columns_are_those_of_each_row(tmp_path, rows):
    folder = tmp_path / "set"
    data = open_dataset(folder if folder.exists() else save_set(folder, base_labels()))
    for a, b in zip(one_by_one(rows, data), _columns(rows, data), strict=True):
        assert a.dtype == b.dtype and np.array_equal(a, b)


def test_out_and_in_again_and_pycocotools_takes_it(folder):
    data = open_dataset(folder)
    found = [
        Detections([[1, 2, 5.5, 7.25], [0, 0, 64, 48]], [0.75, 0.5], [1, 0], ["crate", "post"]),
        Detections.none(["post"]),
    ]
    path = write_results(folder / "out.json", data, found)
    first, second = read_results(path, data)
    assert first.boxes.tolist() == found[0].boxes.tolist() and first.scores.tolist() == [0.75, 0.5]
    assert [first.classes[label] for label in first.labels] == ["post", "crate"] and len(second) == 0
    theirs = COCO(str(folder / "annotations.json")).loadRes(str(path))
    assert [note["bbox"] for note in theirs.loadAnns(theirs.getAnnIds())] == [[1, 2, 4.5, 5.25], [0, 0, 64, 48]]


def test_results_of_other_classes_or_too_few_are_refused(folder):
    data = open_dataset(folder)
    other = Detections([[1, 2, 5, 7]], [0.5], [0], ["bucket"])
    with pytest.raises(DataSetError, match="must be one of post, crate, picture a.png has 'bucket'"):
        write_results(folder / "out.json", data, [other, other])
    with pytest.raises(DataSetError, match="detections must be 2, one for each picture, got 1"):
        write_results(folder / "out.json", data, [other])
    assert not (folder / "out.json").exists()


def test_labels_are_never_replaced_by_results(folder):
    data = open_dataset(folder)
    before = data.labels_path.read_bytes()
    with pytest.raises(InputError, match="must not replace an input"):
        write_results(data.labels_path, data, [Detections.none(data.classes)] * len(data))
    assert data.labels_path.read_bytes() == before
