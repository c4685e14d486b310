"""Blobs against OpenCV's connected components, and fast against slow."""

import cv2
import numpy as np
import pytest
from color_reference import connected_components_reference
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from robotlab.color import connected_components
from robotlab.errors import InputError


def of_opencv(mask):
    """Area, box and centroid of each component, sorted; 8-connectivity."""
    _, _, stats, centroids = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    rows = [
        (s[4], s[0], s[1], s[0] + s[2], s[1] + s[3], *c) for s, c in zip(stats[1:].tolist(), centroids[1:].tolist())
    ]
    return sorted(rows)


def of_ours(blobs):
    return sorted(zip(blobs.areas.tolist(), *blobs.boxes.T.tolist(), *blobs.centroids.T.tolist()))


def assert_same(a, b):
    for field in ("areas", "centroids", "boxes", "firsts"):
        one, other = getattr(a, field), getattr(b, field)
        assert one.shape == other.shape and one.dtype == other.dtype and np.array_equal(one, other), field


def spiral(size):
    """One line that winds inward, a pixel wide, a pixel apart."""
    mask = np.zeros((size, size), bool)
    y = x = 0
    dy, dx = 0, 1
    mask[0, 0] = True
    turns = 0
    while turns < 2:
        next_y, next_x = y + dy, x + dx
        ahead_y, ahead_x = y + 2 * dy, x + 2 * dx
        free = 0 <= next_y < size and 0 <= next_x < size and not mask[next_y, next_x]
        if free and not (0 <= ahead_y < size and 0 <= ahead_x < size and mask[ahead_y, ahead_x]):
            y, x, turns = next_y, next_x, 0
            mask[y, x] = True
        else:
            dy, dx, turns = dx, -dy, turns + 1
    return mask


def comb(height, width, back):
    """Teeth that meet only in one row."""
    mask = np.zeros((height, width), bool)
    mask[:, ::2] = True
    mask[back] = True
    return mask


def bridges(height, width, rng):
    """Solid squares joined by single pixels, some only by a corner."""
    mask = np.zeros((height, width), bool)
    for y in range(0, height, 5):
        for x in range(0, width, 5):
            mask[y : y + 4, x : x + 4] = True
    gaps = ~mask & (rng.random(mask.shape) < 0.06)
    return mask | gaps


def rings(size):
    y, x = np.mgrid[:size, :size]
    return np.maximum(np.abs(y - size // 2), np.abs(x - size // 2)) % 2 == 0


def zigzag(height, width):
    """One line that touches itself only by corners."""
    mask = np.zeros((height, width), bool)
    x = np.arange(width)
    mask[np.abs(x % (2 * height - 2) - (height - 1)), x] = True
    return mask


RNG = np.random.default_rng(7)
ADVERSARIAL = {
    "empty": np.zeros((9, 13), bool),
    "full": np.ones((9, 13), bool),
    "one pixel, true": np.ones((1, 1), bool),
    "one pixel, false": np.zeros((1, 1), bool),
    "one row": RNG.random((1, 200)) < 0.5,
    "one column": RNG.random((200, 1)) < 0.5,
    "full row": np.ones((1, 50), bool),
    "full column": np.ones((50, 1), bool),
    "chess": np.indices((31, 40)).sum(axis=0) % 2 == 0,
    "every second pixel of every second row": np.indices((30, 41)).max(axis=0) % 2 == 0,
    "spiral": spiral(61),
    "spiral, inverted": ~spiral(61),
    "spiral, turned": spiral(60)[::-1].T.copy(),
    "comb, back below": comb(40, 61, -1),
    "comb, back above": comb(40, 61, 0),
    "comb, back in the middle": comb(41, 60, 20),
    "two combs into each other": comb(40, 61, -1) ^ (np.indices((40, 61))[0] == 0),
    "bridges": bridges(60, 70, RNG),
    "rings": rings(51),
    "rings, inverted": ~rings(51),
    "zigzag": zigzag(12, 90),
    "diagonals": (np.indices((40, 40))[0] - np.indices((40, 40))[1]) % 3 == 0,
    "antidiagonals": np.indices((40, 40)).sum(axis=0) % 3 == 0,
    "ends of rows meet starts of rows": np.indices((20, 10))[1] % 9 == 0,
    "wide and flat": RNG.random((2, 3000)) < 0.6,
}


@pytest.mark.parametrize("name", ADVERSARIAL)
def test_adversarial_masks(name):
    mask = ADVERSARIAL[name]
    blobs = connected_components(mask)
    assert of_ours(blobs) == of_opencv(mask)
    assert_same(blobs, connected_components_reference(mask))


def test_spiral_is_one_blob():
    assert len(connected_components(spiral(61))) == 1
    assert len(connected_components(zigzag(12, 90))) == 1


def test_thousands_of_random_masks():
    # GroundTruthDetector: OpenCV connectedComponentsWithStats, connectivity 8; to the last bit.
    rng = np.random.default_rng(20)
    for number in range(3000):
        mask = rng.random(rng.integers(1, 45, 2)) < rng.random()
        if number % 3 == 0:
            # Coarse patches, with salt.
            mask = np.repeat(np.repeat(mask, 3, 0), 2, 1) ^ (rng.random((mask.shape[0] * 3, mask.shape[1] * 2)) < 0.02)
        blobs = connected_components(mask)
        assert of_ours(blobs) == of_opencv(mask), number
        if number % 40 == 0:
            assert_same(blobs, connected_components_reference(mask))


@pytest.mark.parametrize("density", [0.001, 0.02, 0.3, 0.41, 0.6, 0.95])
def test_salt_on_a_camera_sized_mask(density):
    mask = np.random.default_rng(3).random((480, 640)) < density
    assert of_ours(connected_components(mask)) == of_opencv(mask)


@settings(max_examples=150, deadline=None)
@given(arrays(bool, array_shapes(min_dims=2, max_dims=2, max_side=14)))
def test_fast_equals_slow_on_any_mask(mask):
    assert_same(connected_components(mask), connected_components_reference(mask))


@settings(max_examples=60, deadline=None)
@given(arrays(bool, (9, 11)), st.integers(1, 12))
def test_minimum_area_drops_the_small_ones_only(mask, least):
    every = connected_components(mask)
    assert_same(connected_components(mask, least), every.pick(every.areas >= least))
    assert_same(connected_components_reference(mask, least), every.pick(every.areas >= least))


def test_rectangle_of_the_reference_numbers():
    # Rows 2-4, columns 3-8: scikit-image bbox (2, 3, 5, 9), centroid (row 3.0, column 5.5);
    # OpenCV stats x 3, y 2, w 6, h 3, area 18.
    mask = np.zeros((9, 12), bool)
    mask[2:5, 3:9] = True
    blobs = connected_components(mask)
    assert (blobs.areas[0], blobs.centroids[0].tolist(), blobs.boxes[0].tolist()) == (18, [5.5, 3.0], [3, 2, 9, 5])
    assert blobs.fills.tolist() == [1.0] and blobs.aspects.tolist() == [2.0]


def test_ties_go_to_the_first_in_reading_order():
    mask = np.zeros((9, 12), bool)
    mask[4, 0:3] = mask[1, 8:11] = mask[1, 2:5] = True
    mask[7, 0:5] = True
    assert connected_components(mask).firsts.tolist() == [[0, 7], [2, 1], [8, 1], [0, 4]]


def test_order_of_a_tie_is_by_first_pixel_not_by_box():
    # Both have three pixels and start in row 0; the one whose box is further left starts further right.
    mask = np.array([[0, 0, 0, 1, 0, 1], [0, 1, 1, 0, 0, 1], [0, 0, 0, 0, 0, 1]], bool)
    assert connected_components(mask).firsts.tolist() == [[3, 0], [5, 0]]


@pytest.mark.parametrize("find", [connected_components, connected_components_reference])
def test_wrong_input_is_refused(find):
    for wrong in (np.zeros((4, 4)), np.zeros((4, 4, 1), bool), np.zeros((0, 4), bool), [[True]], None):
        with pytest.raises(InputError, match="a mask must be"):
            find(wrong)
    for least in (0, -1, np.nan, np.inf):
        with pytest.raises(InputError, match="min_area_px"):
            find(np.ones((2, 2), bool), least)


def test_not_contiguous_masks():
    mask = np.random.default_rng(5).random((40, 60)) < 0.4
    assert_same(connected_components(mask[::2, ::-1]), connected_components(mask[::2, ::-1].copy()))
    assert_same(connected_components(mask.T), connected_components(mask.T.copy()))
