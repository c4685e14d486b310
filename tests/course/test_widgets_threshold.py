"""The Python side of lesson 08's picture; the browser's side is in tests/browser."""

import contextlib
import io
import re

import numpy as np
import pytest
from some_long import some_long

from robotlab.boxes import clip
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.detections import Detections
from robotlab.errors import DataSetError, InputError
from robotlab.image import decode
from robotlab.metrics import evaluate
from robotlab.widgets import ThresholdCurve


@pytest.fixture(scope="module")
def data():
    return open_dataset(shipped("datasets/greenhouse")).only(recordings=["day4", "grow1"])


@pytest.fixture(scope="module")
def found(data):
    """GroundTruth moved by a little or by much, some of another class, some on nothing; classes in an order of their own."""
    rng = np.random.default_rng(8)
    order = [2, 0, 1]
    rows = []
    for entry in data:
        n = len(entry)
        sides = np.tile(entry.boxes[:, 2:] - entry.boxes[:, :2], (2, 2))
        boxes = np.concatenate([entry.boxes, entry.boxes]) + sides * rng.normal(0, 0.12, (2 * n, 4))
        boxes = np.concatenate([np.sort(boxes.reshape(-1, 2, 2), axis=1).reshape(-1, 4), [[5, 5, 40, 30]]])
        labels = np.concatenate([entry.labels, entry.labels, [0]])
        labels = np.where(rng.random(len(labels)) < 0.1, (labels + 1) % 3, labels)
        own = np.array([order.index(label) for label in labels])
        rows.append(
            Detections(
                clip(boxes, 320, 240), rng.random(len(boxes)).round(2), own, [data.classes[place] for place in order]
            )
        )
    return rows


def ask(widget, **values):
    velocity = widget.asked
    widget.asked = {"number": velocity["number"] + 1, "values": {**velocity["values"], **values}}
    assert widget.answered == velocity["number"] + 1 and not widget.failed, widget.text


def counts(widget):
    return [int(number) for number in re.search(r": (\d+) TP, (\d+) FP, (\d+) FN", widget.text).groups()]


def aligned(data, found):
    return [
        Detections(
            one.boxes, one.scores, [data.classes.index(one.classes[label]) for label in one.labels], data.classes
        )
        for one in found
    ]


@pytest.mark.parametrize("score", some_long([0.13, 0.0, 0.97, 0.5], every=2))
def test_counts_at_half_overlap_are_those_of_the_judgment(data, found, score):
    shown = ThresholdCurve(data, found)
    ask(shown, score=score)
    evaluation = evaluate(data, aligned(data, found), score=score)
    at = evaluation.at
    assert counts(shown) == [at["TP"], at["FP"], at["FN"]]
    for name in data.classes:
        ask(shown, kind=name)
        at = evaluation.curve(name).at(score)
        assert shown.text.startswith(f"{name}: ") and counts(shown) == [at["TP"], at["FP"], at["FN"]]


@pytest.mark.parametrize("limit", some_long([0.3, 0.6, 0.75], every=3))
def test_counts_at_other_overlaps_are_those_of_pycocotools(data, found, limit):
    coco = pytest.importorskip("pycocotools.coco", reason="pycocotools is not installed")
    from pycocotools.cocoeval import COCOeval

    ids = [entry.id for entry in data]
    notes, rows = [], []
    for entry, one in zip(data, aligned(data, found)):
        for box, label, area, crowd in zip(
            entry.boxes.tolist(), entry.labels.tolist(), entry.areas.tolist(), entry.crowd.tolist()
        ):
            x0, y0, x1, y1 = box
            notes.append(
                {
                    "image_id": entry.id,
                    "category_id": label,
                    "bbox": [x0, y0, x1 - x0, y1 - y0],
                    "area": area,
                    "iscrowd": int(crowd),
                }
            )
        for box, label, score in zip(one.boxes.tolist(), one.labels.tolist(), one.scores.tolist()):
            x0, y0, x1, y1 = box
            rows.append(
                {"image_id": entry.id, "category_id": label, "bbox": [x0, y0, x1 - x0, y1 - y0], "score": score}
            )
    truths = coco.COCO()
    truths.dataset = {
        "images": [{"id": id} for id in ids],
        "categories": [{"id": k} for k in range(3)],
        "annotations": [{"id": number, **note} for number, note in enumerate(notes, 1)],
    }
    with contextlib.redirect_stdout(io.StringIO()):
        truths.createIndex()
        judged = COCOeval(truths, truths.loadRes(rows), "bbox")
        judged.params.iouThrs = np.array([limit])
        judged.evaluate()
    parts = [one for one in judged.evalImgs if one is not None and one["aRng"] == judged.params.areaRng[0]]
    shown = ThresholdCurve(data, found)
    for score in (0.0, 0.4, 0.9):
        right = false = 0
        for one in parts:
            used = (np.array(one["dtScores"]) >= score) & ~one["dtIgnore"][0].astype(bool)
            right += int((used & (one["dtMatches"][0] > 0)).sum())
            false += int((used & (one["dtMatches"][0] == 0)).sum())
        there = sum(int((one["gtIgnore"] == 0).sum()) for one in parts)
        ask(shown, score=score, iou_limit=limit)
        assert counts(shown) == [right, false, there - right]


def test_it_starts_at_the_best_f1_and_draws_the_same_for_the_same_choice(data, found):
    shown = ThresholdCurve(data, found)
    assert shown.asked["values"]["score"] == pytest.approx(
        evaluate(data, aligned(data, found)).score, abs=1e-9
    )  # scores here have two decimals
    first = decode(shown.picture)
    ask(shown, score=0.9)
    second = decode(shown.picture)
    assert first.shape == second.shape and (first != second).any()
    ask(shown, score=0.9, iou_limit=0.7)
    assert (decode(shown.picture) != second).any()
    ask(shown, score=0.9, iou_limit=0.5)
    assert (decode(shown.picture) == second).all()
    assert "precision" in shown.text and "test pictures" in shown.alt


def test_boxes_of_the_strip_add_up(data, found):
    from robotlab.widgets.threshold_curve import sorted_out

    shown = ThresholdCurve(data.only(ids=[data[0].id]), found[:1])
    for score in (0.0, 0.5, 0.8):
        ask(shown, score=score)
        by_class = [sorted_out(*part, score) for part in shown._at("all classes", 0.5).strip[0]]
        kinds = {name: np.concatenate([part[name] for part in by_class]) for name in by_class[0]}
        assert counts(shown) == [len(kinds["TP"]), len(kinds["FP"]), len(kinds["FN"])]


def test_a_picture_named_twice_is_drawn_twice(data, found):
    id, other = data[3].id, data[4].id
    once, twice = ThresholdCurve(data, found, ids=[id]), ThresholdCurve(data, found, ids=[id, id])
    mixed = ThresholdCurve(data, found, ids=[id, other, id])
    assert [len(shown._at("all classes", 0.5).strip) for shown in (once, twice, mixed)] == [1, 2, 3]
    first, second, third = ([part[1].tolist() for part in parts] for parts in mixed._at("all classes", 0.5).strip)
    assert first == third != second
    strip = decode(twice.picture)[312:480]
    blue = (strip == (0x56, 0xB4, 0xE9)).all(axis=2)  # lines of true positives
    assert blue[:, :345].any() and blue[:, 345:].any()


def test_one_class_has_no_chooser_and_scores_may_be_any_numbers():
    coins = open_dataset(shipped("datasets/coins")).only(ids=[1, 2])
    found = [Detections(one.boxes, np.linspace(40.0, 90.0, len(one)), one.labels, coins.classes) for one in coins]
    shown = ThresholdCurve(coins, found)
    assert [slider["name"] for slider in shown.sliders] == ["score", "iou_limit"]
    assert (shown.sliders[0]["low"], shown.sliders[0]["high"]) == (40.0, 90.0)
    assert counts(shown)[1:] == [0, 0]


def test_it_refuses_what_it_cannot_show(data, found):
    with pytest.raises(DataSetError, match="one for each picture"):
        ThresholdCurve(data, found[:-1])
    with pytest.raises(InputError, match="got none at all"):
        ThresholdCurve(data, [Detections.none(data.classes)] * len(data))
    with pytest.raises(InputError, match="1 to 3 pictures"):
        ThresholdCurve(data, found, ids=[entry.id for entry in data][:4])
    with pytest.raises(DataSetError, match="ids must be among"):
        ThresholdCurve(data, found, ids=[10**6])
    with pytest.raises(DataSetError, match="classes must be among"):
        ThresholdCurve(data, [Detections.none(["drum"])] * len(data))
