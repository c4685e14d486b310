"""The learning curve and the range report."""

import math

import numpy as np
import pytest

from robotlab.data import DataSet, LabeledImage
from robotlab.detections import Detections
from robotlab.errors import InputError, ModelError
from robotlab.neural import fit, learning_curves
from robotlab.neural.learning_curves import (
    RecallBin,
    found_mask,
    learning_curve,
    nested_parts,
    range_report,
    recall_bins,
    smallest_usable,
)


def data_of(*entries):
    return DataSet("annotations.json", ("post", "crate"), (1, 2), entries)


def test_each_detection_finds_one_truth_and_the_best_chooses_first():
    boxes = np.array([[0, 0, 20, 20], [4, 0, 24, 20], [50, 50, 60, 60.0]])
    data = data_of(LabeledImage(1, "a.png", 64, 64, boxes=boxes, labels=np.array([0, 0, 1])))
    one = Detections([[1, 0, 21, 20]], [0.9], [0], ["post", "crate"])
    assert found_mask(data, [one])[0].tolist() == [True, False, False]
    # The class counts by name: this detector knows them in another order.
    other = Detections([[50, 50, 60, 60], [50, 50, 60, 60]], [0.9, 0.8], [0, 1], ["crate", "post"])
    assert found_mask(data, [other])[0].tolist() == [False, False, True]
    assert found_mask(data, [Detections.none(["post", "crate"])])[0].tolist() == [False] * 3


def test_bins_count_every_truth_once():
    rng = np.random.default_rng(0)
    values, found = rng.uniform(6, 190, 500), rng.random(500) < 0.5
    bins = recall_bins(values, found, learning_curves.SIDES_PX)
    assert sum(b.truths for b in bins) == 500 and sum(b.found for b in bins) == found.sum()
    assert math.isnan(RecallBin(0, 1, 0, 0).recall)


@pytest.mark.parametrize(
    "recalls, expected", [([0.1, 0.9, 0.9], 12), ([0.9, 0.9, 0.9], 6), ([0.9, 0.5, 0.9], 24), ([0.9, 0.9, 0.1], None)]
)
def test_smallest_usable_size_holds_from_there_up(recalls, expected):
    edges = [6, 12, 24, 48]
    bins = [RecallBin(a, b, 100, round(100 * r)) for a, b, r in zip(edges, edges[1:], recalls, strict=False)]
    assert smallest_usable(bins) == expected
    # A bin of nine truths cannot change it.
    assert smallest_usable([*bins, RecallBin(48, 96, 9, 0)]) == expected


def test_parts_are_nested_and_share_out_the_recordings():
    rows = [LabeledImage(n, f"{n}.png", 8, 6, recording="abc"[n % 3]) for n in range(60)]
    small, large = nested_parts(data_of(*rows), (9, 30))
    assert {e.id for e in small} < {e.id for e in large}
    assert [sum(e.recording == r for e in small) for r in "abc"] == [3, 3, 3]


def test_learning_curve_and_range_on_blocks(blocks):
    data, test = blocks.only(recordings=["r0", "r1"]), blocks.only(recordings="r2")
    told = []
    curve = learning_curve(data, test, (4, 16, 500), tell=lambda count, row: told.append(count))
    assert [row["pictures"] for row in curve] == [4, 16] == told
    assert curve[1]["AP50"] > 0.6
    report = range_report(fit(data, progress=False), test, score=0.1)
    counted = sum(b.truths for b in report.by_side)
    assert counted == test.box_count and report.by_distance == [] and report.farthest_m is None
    assert report.to_dict()["by_side"][0]["low"] == 6.0
    with pytest.raises(ModelError):
        range_report(fit(data, progress=False), data_of(LabeledImage(1, "a.png", 8, 6)))


def test_distance_and_lamp_are_reported_where_known(blocks):
    test = blocks.only(recordings="r2")
    placed = test.having(
        [
            LabeledImage(
                e.id,
                e.path,
                e.width_px,
                e.height_px,
                lighting="dusk",
                boxes=e.boxes,
                labels=e.labels,
                distances_m=np.full(len(e.boxes), 1.0 + n % 2),
            )
            for n, e in enumerate(test.pictures)
        ]
    )
    report = range_report(fit(blocks, progress=False), placed, ["daylight"], score=0.05)
    assert set(report.by_lighting) == {"dusk"} and report.by_lighting["dusk"]["seen"] is False
    assert sum(b.truths for b in report.by_distance) == placed.box_count


def test_a_recording_on_both_sides_is_refused(blocks):
    with pytest.raises(InputError, match="must not be on both sides, r2 is"):
        learning_curve(blocks, blocks.only(recordings="r2"))
    with pytest.raises(InputError, match="counts must hold a number up to"):
        learning_curve(blocks.only(recordings="r0"), blocks.only(recordings="r2"), (500,))
