"""Boxes against shapely, pycocotools and OpenCV; fast suppression against clear, bit for bit."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pycocotools import mask as coco_mask
from shapely.geometry import box as polygon
from some_long import some_long

from robotlab import boxes
from robotlab.boxes import iou, nms, nms_reference
from robotlab.errors import BoxError


def random_boxes(rng: np.random.Generator, count: int, kind: str) -> np.ndarray:
    """Boxes of one kind: scattered, clustered, whole pixels, thin, flat, far from the origin."""
    corner = rng.uniform(0, 300, (count, 2))
    size = rng.uniform(5, 60, (count, 2))
    if kind == "clusters":
        corner = rng.uniform(0, 300, (4, 2))[rng.integers(0, 4, count)] + rng.normal(0, 3, (count, 2))
    elif kind == "whole":
        corner, size = np.round(corner / 10), np.round(size / 10)
    elif kind == "thin":
        size[:, 0] *= 0.01
    elif kind == "flat":
        size[rng.random(count) < 0.3] = 0
        corner[rng.random(count) < 0.3] = 7
    elif kind == "column":
        corner[:, 0] = 5
    elif kind == "equal":
        corner, size = np.tile(corner[:1], (count, 1)), np.tile(size[:1], (count, 1))
    elif kind == "far":
        corner += 1e9
    elif kind == "sizes":
        size = np.exp(rng.uniform(-3, 6, (count, 2)))
    return np.hstack([corner, corner + size])


KINDS = ("scattered", "clusters", "whole", "thin", "flat", "column", "equal", "far", "sizes")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("limit", some_long([0.0, 0.05, 0.3, 0.7, 0.5, 0.95, 1.0], every=4))
def test_fast_nms_equals_reference(kind, limit):
    rng = np.random.default_rng(1)
    for count in (1, 40, 700):
        found = random_boxes(rng, count, kind)
        scores = np.round(rng.random(count), 2)  # many ties
        labels = rng.integers(0, 3, count)
        np.testing.assert_array_equal(nms(found, scores, limit), nms_reference(found, scores, limit))
        np.testing.assert_array_equal(nms(found, scores, limit, labels), nms_reference(found, scores, limit, labels))


@pytest.mark.parametrize("kind", ["clusters", "whole", "equal", "far"])
def test_fast_nms_equals_reference_where_it_takes_many_boxes_in_blocks(kind):
    rng = np.random.default_rng(6)
    found, scores = random_boxes(rng, 5000, kind), rng.permutation(5000) / 5000
    np.testing.assert_array_equal(nms(found, scores, 0.3), nms_reference(found, scores, 0.3))


def test_fast_nms_equals_reference_at_an_overlap_of_exactly_the_limit():
    # Half and quarter overlaps are exact in binary; "exceeds" keeps both boxes.
    pair = [[0, 0, 10, 10], [0, 0, 10, 5], [0, 0, 5, 5]]
    for limit in (0.25, 0.5):
        assert nms(pair, [3, 2, 1], limit).tolist() == nms_reference(pair, [3, 2, 1], limit).tolist()
    assert nms(pair[:2], [2, 1], 0.5).tolist() == [0, 1]
    assert nms(pair[:2], [2, 1], 0.4999).tolist() == [0]


def test_iou_equals_shapely():
    # Reference: shapely, area of polygons.
    rng = np.random.default_rng(2)
    a, b = random_boxes(rng, 12, "scattered"), random_boxes(rng, 15, "clusters")
    shapes = [[polygon(*row) for row in rows] for rows in (a, b)]
    expected = [[p.intersection(q).area / p.union(q).area for q in shapes[1]] for p in shapes[0]]
    np.testing.assert_allclose(iou(a, b), expected, atol=1e-12)


@pytest.mark.parametrize("kind", ["scattered", "clusters", "whole", "sizes"])
def test_iou_equals_pycocotools(kind):
    # Reference: pycocotools mask.iou on x, y, width, height.
    rng = np.random.default_rng(3)
    a, b = random_boxes(rng, 80, kind), random_boxes(rng, 60, kind)
    a, b = a[boxes.area(a) > 0], b[boxes.area(b) > 0]
    expected = coco_mask.iou(boxes.xywh_from_corners(a), boxes.xywh_from_corners(b), [0] * len(b))
    np.testing.assert_allclose(iou(a, b), expected, rtol=0, atol=1e-12)
    if kind == "whole":
        np.testing.assert_array_equal(iou(a, b), expected)


@pytest.mark.parametrize("limit", [0.3, 0.5, 0.7])
@pytest.mark.parametrize("kind", ["scattered", "clusters", "sizes"])
def test_nms_equals_opencv(kind, limit):
    # Reference: cv2.dnn.NMSBoxes.  It holds scores as float32, so give it such scores, all different.
    rng = np.random.default_rng(4)
    found = random_boxes(rng, 600, kind)
    scores = (1 + rng.permutation(600)) / 1024
    expected = cv2.dnn.NMSBoxes(boxes.xywh_from_corners(found), scores, 0.0, limit)
    np.testing.assert_array_equal(nms(found, scores, limit), np.ravel(expected))


@pytest.mark.parametrize("limit", [0.3, 0.6])
def test_nms_per_class_equals_opencv(limit):
    # Reference: cv2.dnn.NMSBoxesBatched.
    rng = np.random.default_rng(5)
    found, labels = random_boxes(rng, 400, "clusters"), rng.integers(0, 4, 400)
    scores = (1 + rng.permutation(400)) / 512
    expected = cv2.dnn.NMSBoxesBatched(boxes.xywh_from_corners(found), scores, labels, 0.0, limit)
    assert sorted(nms(found, scores, limit, labels).tolist()) == sorted(np.ravel(expected).tolist())


def test_nms_of_each_class_alone_is_suppression_per_class():
    rng = np.random.default_rng(6)
    found, scores, labels = random_boxes(rng, 200, "clusters"), rng.random(200), rng.integers(0, 3, 200)
    alone = [np.flatnonzero(labels == k)[nms(found[labels == k], scores[labels == k])] for k in range(3)]
    expected = np.concatenate(alone)
    assert nms(found, scores, labels=labels).tolist() == expected[np.argsort(-scores[expected])].tolist()


def test_what_stays_does_not_overlap_and_what_goes_does():
    rng = np.random.default_rng(7)
    found, scores = random_boxes(rng, 300, "clusters"), rng.random(300)
    kept = nms(found, scores, 0.4)
    among = iou(found[kept], found[kept])
    assert (among[~np.eye(len(kept), dtype=bool)] <= 0.4).all()
    for row in np.setdiff1d(np.arange(300), kept):
        better = kept[scores[kept] >= scores[row]]
        assert iou(found[[row]], found[better]).max() > 0.4


corners = st.tuples(*[st.floats(-1e6, 1e6, width=32)] * 2, *[st.floats(0, 1e5, width=32)] * 2).map(
    lambda v: [v[0], v[1], v[0] + v[2], v[1] + v[3]]
)


@settings(max_examples=60, deadline=None)
@given(st.lists(corners, min_size=1, max_size=12), st.lists(corners, min_size=1, max_size=12))
def test_properties_of_overlap(a, b):
    a, b = np.array(a), np.array(b)
    share = iou(a, b)
    np.testing.assert_array_equal(share, iou(b, a).T)
    assert (share >= 0).all() and (share <= 1 + 1e-9).all()
    whole = a[boxes.area(a) > 0]
    np.testing.assert_allclose(np.diag(iou(whole, whole)), 1, atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(st.lists(corners, max_size=20), st.sampled_from([0.0, 0.25, 0.5, 0.75, 1.0]))
def test_nms_property(rows, limit):
    scores = np.arange(len(rows)) % 3
    np.testing.assert_array_equal(nms(rows, scores, limit), nms_reference(rows, scores, limit))


def test_formats_go_round():
    rng = np.random.default_rng(9)
    found = np.round(random_boxes(rng, 30, "scattered"))
    np.testing.assert_array_equal(boxes.corners_from_xywh(boxes.xywh_from_corners(found)), found)
    center = np.hstack([(found[:, :2] + found[:, 2:]) / 2, found[:, 2:] - found[:, :2]])
    np.testing.assert_array_equal(boxes.corners_from_center(center), found)
    np.testing.assert_array_equal(boxes.area(found), np.prod(boxes.xywh_from_corners(found)[:, 2:], axis=1))


def test_clip_leaves_what_is_inside():
    assert boxes.clip([[-5, 2, 12, 30], [20, 30, 40, 50]], 10, 20).tolist() == [[0, 2, 10, 20], [10, 20, 10, 20]]


def test_nothing_in_nothing_out():
    assert iou([], [[0, 0, 1, 1]]).shape == (0, 1)
    assert iou([[0, 0, 1, 1]], []).shape == (1, 0)
    assert nms([], []).tolist() == []


@pytest.mark.parametrize(
    ("rows", "word"),
    [
        ([0, 0, 1, 1], r"boxes\[None, :\]"),
        ([[0, 0, 1]], r"\(1, 3\)"),
        ([[0, 0, float("nan"), 1]], "row 0"),
        ([[0, 0, 1, 1], [0, 0, float("inf"), 1]], "row 1"),
        ([[5, 0, 1, 1]], "corners_from_xywh"),
        ([["a", 0, 1, 1]], "numbers"),
        (np.zeros((2, 2, 4)), r"\(2, 2, 4\)"),
    ],
)
def test_bad_boxes_are_refused_with_the_repair(rows, word):
    with pytest.raises(BoxError, match=word):
        boxes.area(rows)
    for function in (iou, boxes.intersection):
        with pytest.raises(BoxError):
            function(rows, [[0, 0, 1, 1]])


@pytest.mark.parametrize(
    "bad",
    [
        {"scores": [0.5]},
        {"scores": [0.5, float("nan")]},
        {"iou_limit": -0.1},
        {"iou_limit": 1.5},
        {"iou_limit": float("nan")},
        {"labels": [0]},
        {"boxes": [[0, 0, 1, 1]]},
    ],
)
@pytest.mark.parametrize("function", [nms, nms_reference])
def test_bad_input_of_nms_is_refused(function, bad):
    good = {"boxes": [[0, 0, 1, 1], [2, 2, 3, 3]], "scores": [0.5, 0.6]}
    with pytest.raises(BoxError):
        function(**(good | bad))
