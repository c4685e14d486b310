"""The published numbers of average precision, overlap and statistics, through every route."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from coco_reference import coco_tables_reference, overlap
from published import average_precision_rows, read

from robotlab import boxes
from robotlab.metrics import (
    Curve,
    DetectionTable,
    GroundTruthTable,
    average_precision,
    bootstrap_weights,
    evaluate_coco,
    match_detections,
    mcnemar_test,
    precision_recall,
    wilson_interval,
)
from robotlab.metrics.bootstrap import weighted_ap
from robotlab.metrics.curves import AP_METHODS

AP_ROWS = average_precision_rows()
IOU_ROWS = read("boxes.json")["iou"]
STATISTICS = read("statistics.json")


def fraction_ap(hits: list[bool], truths: int, method: str) -> Fraction:
    """The definitions once more, in exact fractions: a second, slow implementation."""
    points, right = [], 0
    for n, hit in enumerate(hits, 1):
        right += hit
        points.append((Fraction(right, truths), Fraction(right, n), hit))
    if method == "step":
        return sum((p for _, p, hit in points if hit), Fraction(0)) / truths

    def envelope(level: Fraction) -> Fraction:
        return max((p for r, p, _ in points if r >= level), default=Fraction(0))

    if method == "voc":
        return sum((envelope(Fraction(k, truths)) for k in range(1, truths + 1)), Fraction(0)) / truths
    steps = 10 if method == "voc11" else 100
    return sum((envelope(Fraction(k, steps)) for k in range(steps + 1)), Fraction(0)) / (steps + 1)


@pytest.mark.parametrize("row", AP_ROWS, ids=lambda row: row["name"])
@pytest.mark.parametrize("method", AP_METHODS)
def test_average_precision_of_a_list(row, method):
    value = average_precision(row["hits"], row["truths"], method)
    assert value == pytest.approx(row[method], abs=1e-9)
    assert value == pytest.approx(float(fraction_ap(row["hits"], row["truths"], method)), abs=1e-12)


@pytest.mark.parametrize("row", AP_ROWS, ids=lambda row: row["name"])
@pytest.mark.parametrize("route", ["fast", "clear", "bootstrap"])
def test_the_same_lists_as_boxes_through_the_coco_tables(row, route):
    # Each truth in a picture of its own; a wrong detection lies far from it.
    hits, count = row["hits"], row["truths"]
    truths = GroundTruthTable(range(count), [0] * count, [[0, 0, 10, 10]] * count, count, ["post"])
    right = iter(range(count))
    picture = [next(right) if hit else 0 for hit in hits]
    found = DetectionTable(
        picture,
        [0] * len(hits),
        [[0, 0, 10, 10] if hit else [50, 0, 9, 9] for hit in hits],
        np.linspace(0.9, 0.1, len(hits)),
    )
    if route == "bootstrap":
        matches = evaluate_coco(truths, found).matches
        value = weighted_ap(matches, found.picture[matches.row], np.ones((1, count)), np.ones((1, count)))[0].mean()
    else:
        precision = (
            evaluate_coco(truths, found).precision if route == "fast" else coco_tables_reference(truths, found)[0]
        )
        value = precision[:, :, 0, 0].mean()
    assert value == pytest.approx(row["coco"], abs=1e-9)


def test_the_order_of_ties_is_the_order_given():
    # Padilla et al. 2020: the two detections of 95 % are a tie; with the false one first all-point AP is .223464458.
    hits = AP_ROWS[0]["hits"]
    assert average_precision([hits[1], hits[0], *hits[2:]], 15, "voc") == pytest.approx(0.223464458, abs=1e-9)
    assert match_detections([[0, 0, 9, 9], [0, 0, 9, 9]], [0.95, 0.95], [[0, 0, 9, 9]]).truth.tolist() == [0, -1]


def test_the_classifier_average_precision_must_be_scaled_by_what_was_missed():
    # scikit-learn's average_precision_score does not know missed truths: .488219 x 7 / 15 = .227836.
    from sklearn.metrics import average_precision_score

    hits = np.array(AP_ROWS[0]["hits"])
    classifier = average_precision_score(hits, np.linspace(1, 0, len(hits)))
    assert classifier == pytest.approx(0.488219, abs=1e-6)
    assert average_precision(hits, 15, "step") == pytest.approx(classifier * 7 / 15, abs=1e-12)


def test_eleven_levels_reach_three_tenths():
    # np.arange(0, 1.1, .1)[3] is above .3, and so is np.linspace(0, 1, 11)[3]: 3 hits of 10 must still reach level .3.
    assert np.arange(0, 1.1, 0.1)[3] > 0.3
    assert average_precision([True] * 3, 10, "voc11") == pytest.approx(4 / 11, abs=1e-12)


def test_f1_of_the_published_list():
    # F1 = 2 hits / (detections + truths); for Padilla's list the best of 24 thresholds, by hand over the fractions.
    row = AP_ROWS[0]
    curve = Curve(np.linspace(0.9, 0.1, 24), np.array(row["hits"]), 15)
    right = np.cumsum(row["hits"])
    expected = max(Fraction(2 * int(right[n]), n + 1 + 15) for n in range(24))
    assert curve.best()["F1"] == pytest.approx(float(expected), abs=1e-15)
    precision, recall = precision_recall(row["hits"], 15)
    harmonic = 2 * precision * recall / np.maximum(precision + recall, 1e-300)
    assert curve.best()["F1"] == pytest.approx(harmonic.max(), abs=1e-12)


@pytest.mark.parametrize("row", IOU_ROWS, ids=lambda row: row["source"][:30])
def test_overlap_of_two_boxes(row):
    a, b = np.array([row["a"]], float), np.array([row["b"]], float)
    crowd = np.zeros(1, bool)
    from robotlab.metrics.matching import overlaps

    routes = [
        boxes.iou(a, b)[0, 0],
        boxes.iou(b, a)[0, 0],
        overlaps(a, b, crowd)[0, 0],
        overlap(boxes.xywh_from_corners(a)[0], boxes.xywh_from_corners(b)[0], False),
    ]
    assert routes == pytest.approx([row["iou"]] * 4, abs=row["within"])


def test_one_row_of_numbers_in_three_forms():
    row = read("boxes.json")["formats"]
    a, b = np.array([row["a"]], float), np.array([row["b"]], float)
    assert boxes.iou(a, b)[0, 0] == pytest.approx(row["corners"], abs=1e-12)
    for name, corners in (("xywh", boxes.corners_from_xywh), ("center", boxes.corners_from_center)):
        assert boxes.iou(corners(a), corners(b))[0, 0] == pytest.approx(row[name], abs=1e-12)


@pytest.mark.parametrize("route", ["fast", "clear"])
def test_the_documented_detection(route):
    row = read("boxes.json")["detection"]
    truths = GroundTruthTable([0], [0], boxes.xywh_from_corners([row["truth"]]), 1, ["post"])
    found = DetectionTable([0], [0], boxes.xywh_from_corners([row["found"]]), [row["score"]])
    if route == "fast":
        numbers = evaluate_coco(truths, found).numbers()
    else:
        precision = coco_tables_reference(truths, found)[0][:, :, 0, 0].mean(axis=1)
        numbers = {"AP": precision.mean(), "AP50": precision[0], "AP75": precision[5]}
    for key in ("AP", "AP50", "AP75"):
        assert numbers[key] == pytest.approx(row[key], abs=1e-12)


@pytest.mark.parametrize("row", STATISTICS["wilson"], ids=lambda row: f"{row['hits']}/{row['trials']}")
def test_wilson(row):
    low, high = wilson_interval(row["hits"], row["trials"], **({"z": row["z"]} if "z" in row else {}))
    assert (low, high) == pytest.approx((row["low"], row["high"]), abs=row["within"])


@pytest.mark.parametrize("row", STATISTICS["mcnemar"], ids=lambda row: f"{row['b']} v {row['c']}")
def test_mcnemar(row):
    for method in ("plain", "corrected"):
        if method in row:
            assert mcnemar_test(row["b"], row["c"], method)[0] == pytest.approx(row[method], abs=5e-6)
    if "exact_p" in row:
        assert mcnemar_test(row["b"], row["c"])[1] == pytest.approx(row["exact_p"], rel=1e-4)
    if "corrected_p" in row:
        assert mcnemar_test(row["b"], row["c"], "corrected")[1] == pytest.approx(row["corrected_p"], rel=1e-6)


def test_bootstrap_of_the_law_schools():
    row = STATISTICS["law_school"]
    x, y = np.array(row["lsat"], float), np.array(row["gpa"], float)
    assert np.corrcoef(x, y)[0, 1] == pytest.approx(row["correlation"], abs=1e-6)
    values = []
    for weight in bootstrap_weights(15, 3000, seed=0):
        rows = np.repeat(np.arange(15), weight)
        if len(np.unique(rows)) > 1:
            values.append(np.corrcoef(x[rows], y[rows])[0, 1])
    assert np.std(values, ddof=1) == pytest.approx(row["standard_error"], abs=row["within"])
