"""COCO's numbers against pycocotools, with ==, and fast against clear."""

from __future__ import annotations

import json

import numpy as np
import pytest
from coco_reference import coco_tables_reference, tables_from_coco
from some_long import some_long

from robotlab.errors import BoxError, DataSetError
from robotlab.metrics import DetectionTable, GroundTruthTable, evaluate, evaluate_coco, read_results_table

from .sets import as_dataset, pycocotools_eval, random_set, settings


def assert_equal_to_pycocotools(labels: dict, results: list) -> None:
    reference = pycocotools_eval(labels, results)
    table = evaluate_coco(*tables_from_coco(labels, results))
    assert list(table.numbers().values()) == reference.stats.tolist()
    np.testing.assert_array_equal(table.precision, reference.eval["precision"][..., 2])
    np.testing.assert_array_equal(table.recall, reference.eval["recall"])


@pytest.mark.parametrize("seed", some_long(range(60), every=4))
def test_twelve_numbers_equal_pycocotools_bit_for_bit(seed):
    # Reference: pycocotools COCOeval, computed here on the same random set.
    rng = np.random.default_rng(seed)
    assert_equal_to_pycocotools(*random_set(rng, **settings(rng)))


def test_more_than_a_hundred_detections_in_one_picture_and_class():
    rng = np.random.default_rng(1)
    labels, results = random_set(rng, pictures=2, classes=1, things=25, detections=900, tied=True)
    assert max(sum(row["image_id"] == image["id"] for row in results) for image in labels["images"]) > 150
    assert_equal_to_pycocotools(labels, results)


def test_many_truths_compete_for_the_same_detections():
    rng = np.random.default_rng(2)
    assert_equal_to_pycocotools(
        *random_set(rng, pictures=1, classes=1, things=90, detections=200, spread=5, whole=True)
    )


@pytest.mark.parametrize("seed", range(4))
def test_no_truths_and_no_detections(seed):
    rng = np.random.default_rng(seed)
    labels, results = random_set(rng)
    assert_equal_to_pycocotools(labels, [])
    bare = {**labels, "annotations": []}
    assert_equal_to_pycocotools(bare, results)
    assert set(evaluate_coco(*tables_from_coco(bare, results)).numbers().values()) == {-1.0}


def test_area_borders_belong_to_both_ranges():
    # cocoeval.py: both ends of an area range are inclusive, so 32 x 32 is small and medium.
    truths = GroundTruthTable([0], [0], [[0, 0, 32, 32]], 1, ["post"])
    counts = evaluate_coco(truths, DetectionTable([], [], [], [])).matches.truth_counts
    assert counts.tolist() == [[1, 1, 1, 0]]


def test_area_is_that_of_the_annotation_not_of_the_box():
    truths = GroundTruthTable([0], [0], [[0, 0, 100, 100]], 1, ["post"], area=[50.0])
    assert evaluate_coco(truths, DetectionTable([], [], [], [])).matches.truth_counts.tolist() == [[1, 1, 0, 0]]


def test_crowd_swallows_any_number_of_detections():
    truths = GroundTruthTable([0, 0], [0, 0], [[0, 0, 100, 100], [200, 0, 10, 10]], 1, ["post"], crowd=[True, False])
    found = DetectionTable(
        [0] * 4, [0] * 4, [[0, 0, 10, 10], [20, 20, 10, 10], [50, 50, 9, 9], [200, 0, 10, 10]], [0.9, 0.8, 0.7, 0.6]
    )
    assert evaluate_coco(truths, found).numbers()["AP"] == pytest.approx(1, abs=1e-12)
    plain = GroundTruthTable(truths.picture, truths.label, truths.xywh, 1, ["post"])
    assert evaluate_coco(plain, found).numbers()["AP"] < 0.3


def test_ignore_marks_are_overwritten_by_default_and_used_when_asked():
    # cocoeval.py sets ignore from iscrowd; so equality needs the mark to be without effect.
    labels = {
        "images": [{"id": 1}],
        "categories": [{"id": 1, "name": "post"}],
        "annotations": [
            {"id": 1, "image_id": 1, "category_id": 1, "bbox": [0, 0, 10, 10], "area": 100, "iscrowd": 0, "ignore": 0},
            {"id": 2, "image_id": 1, "category_id": 1, "bbox": [50, 0, 10, 10], "area": 100, "iscrowd": 0, "ignore": 1},
        ],
    }
    results = [{"image_id": 1, "category_id": 1, "bbox": [0, 0, 10, 10], "score": 0.9}]
    assert_equal_to_pycocotools({**labels, "info": {}}, results)
    tables = tables_from_coco(labels, results)
    assert evaluate_coco(*tables).numbers()["AR_100"] == 0.5
    assert evaluate_coco(*tables, use_ignore=True).numbers()["AR_100"] == 1.0


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("use_ignore", [False, True])
def test_fast_equals_clear(seed, use_ignore):
    rng = np.random.default_rng(100 + seed)
    tables = tables_from_coco(*random_set(rng, pictures=4, classes=2, whole=seed % 2 == 0, tied=True, spread=60))
    precision, recall = coco_tables_reference(*tables, use_ignore=use_ignore)
    table = evaluate_coco(*tables, use_ignore=use_ignore)
    np.testing.assert_array_equal(table.precision, precision)
    np.testing.assert_array_equal(table.recall, recall)


@pytest.mark.parametrize("seed", range(6))
def test_a_results_file_scores_as_in_pycocotools(seed, tmp_path):
    rng = np.random.default_rng(200 + seed)
    labels, results = random_set(rng, pictures=10, tied=True)
    path = tmp_path / "results.json"
    path.write_text(json.dumps(results))
    data = as_dataset(labels)
    reference = pycocotools_eval(labels, results).stats.tolist()
    evaluation = evaluate(data, read_results_table(data, path))
    assert list(evaluation.coco.values()) == reference
    assert (reference[0], reference[1]) == (evaluation.AP, evaluation.AP50)


def test_judging_detections_and_judging_their_file_agree(tmp_path):
    from robotlab.data import read_results

    rng = np.random.default_rng(7)
    labels, results = random_set(rng, pictures=10, whole=True)
    path = tmp_path / "results.json"
    path.write_text(json.dumps(results))
    data = as_dataset(labels)
    assert evaluate(data, read_results(path, data)).coco == evaluate(data, read_results_table(data, path)).coco


def test_results_of_pictures_left_out_are_passed_over(tmp_path):
    labels, results = random_set(np.random.default_rng(8), pictures=9, tied=True)
    path = tmp_path / "results.json"
    path.write_text(json.dumps(results))
    data = as_dataset(labels, recordings=3).only(recordings=["walk 1"])
    here = {entry.id for entry in data}
    part = {
        **labels,
        "images": [image for image in labels["images"] if image["id"] in here],
        "annotations": [note for note in labels["annotations"] if note["image_id"] in here],
    }
    reference = pycocotools_eval(part, [row for row in results if row["image_id"] in here])
    assert list(evaluate(data, read_results_table(data, path)).coco.values()) == reference.stats.tolist()


LABELS = {"images": [{"id": 1}], "annotations": [], "categories": [{"id": 1, "name": "post"}]}
GOOD = {"image_id": 1, "category_id": 1, "bbox": [0, 0, 5, 5], "score": 0.5}


@pytest.mark.parametrize(
    ("entry", "word"),
    [
        ({**GOOD, "score": float("nan")}, "finite"),
        ({**GOOD, "score": float("inf")}, "finite"),
        ({**GOOD, "score": None}, "score"),
        ({**GOOD, "score": "high"}, "score"),
        ({**GOOD, "bbox": [0, 0, float("nan"), 5]}, "finite"),
        ({**GOOD, "bbox": [0, 0, -1, 5]}, "width and height"),
        ({**GOOD, "bbox": [0, 0, 5]}, "four numbers"),
        ({**GOOD, "bbox": 7}, "four numbers"),
        ({**GOOD, "bbox": ["a", 0, 5, 5]}, "four numbers"),
        ({**GOOD, "image_id": 9}, "image_id"),
        ({**GOOD, "category_id": 9}, "category_id"),
        ({**GOOD, "image_id": [1]}, "image_id"),
        ({key: value for key, value in GOOD.items() if key != "score"}, "score"),
        ("text", "entry 1"),
    ],
)
def test_a_bad_result_is_an_error_that_names_it(entry, word):
    with pytest.raises(DataSetError, match="1") as raised:
        tables_from_coco(LABELS, [GOOD, entry])
    assert word in str(raised.value)


@pytest.mark.parametrize("bad", [{"picture": [3]}, {"label": [1]}, {"xywh": [[0, 0, 1]]}, {"label": [0, 0]}])
def test_bad_tables_are_an_error(bad):
    row = {"picture": [0], "label": [0], "xywh": [[0, 0, 1, 1]], "score": [0.5]} | bad
    with pytest.raises(BoxError):
        evaluate_coco(GroundTruthTable([], [], [], 1, ["post"]), DetectionTable(**row))
