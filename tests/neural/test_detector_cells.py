"""Cells, light, mirror, crop and windows: boxes stay true."""

import colorsys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotlab.boxes import iou
from robotlab.neural import augmentation
from robotlab.neural.augmentation import TrainingSample
from robotlab.neural.box_coding import cell_targets, decode
from robotlab.neural.network_input import working_size
from robotlab.neural.windows import WindowPlan, batch_of, draw_window, plan_windows

NONE = np.zeros((0, 4))


def said(asked, count):
    """What a perfect network would say for these targets."""
    peaks = np.stack([(asked.classes == k + 1) * 0.9 for k in range(count)])
    return peaks, asked.boxes


@given(st.floats(0, 100), st.floats(0, 70), st.floats(5, 60), st.floats(5, 60), st.integers(0, 2))
def test_targets_decode_to_the_box_they_came_from(x, y, w, h, label):
    box = np.array([[x, y, min(x + w, 128), min(y + h, 96)]])
    asked = cell_targets(box, np.array([label]), NONE, 96, 128)
    found = decode(*said(asked, 3), ("a", "b", "c"), (128, 96), 0.5, 0.5, 100)
    assert len(found) == 1 and found.labels[0] == label
    np.testing.assert_allclose(found.boxes, box, atol=1e-3)


@given(st.floats(0, 127), st.floats(0, 95), st.floats(0.5, 300), st.floats(0.5, 300))
def test_the_soft_center_is_the_bell_of_the_notes(x, y, w, h):
    """Cell by cell, on all of the picture: widths .12 of the sides and .6 cells at least, cells of 4 px."""
    box = np.array([[x - w / 2, y - h / 2, x + w / 2, y + h / 2]])
    sx, sy = max(0.12 * w, 0.6 * 4), max(0.12 * h, 0.6 * 4)
    soft = np.array(
        [
            [np.exp(-(((4 * c + 2 - x) / sx) ** 2 + ((4 * r + 2 - y) / sy) ** 2) / 2) for c in range(32)]
            for r in range(24)
        ]
    )
    soft /= soft.max()
    asked = cell_targets(box, np.array([0]), NONE, 96, 128)
    np.testing.assert_allclose(asked.box_weights, np.where(soft > 0.4, soft, 0), atol=1e-5)
    expected = np.where(soft > 1e-3, (1 - soft) ** 4, 1)
    np.testing.assert_allclose(asked.weights, np.where(asked.classes > 0, 1, expected), atol=1e-5)
    assert (asked.classes > 0).tolist() == (soft > 0.999).tolist()


def test_every_truth_has_a_center_even_when_they_touch():
    boxes = np.array([[0, 0, 20, 40], [20, 0, 40, 40], [40, 0, 60, 40], [0, 40, 60, 60.0]])
    asked = cell_targets(boxes, np.array([0, 1, 0, 2]), NONE, 64, 64)
    found = decode(*said(asked, 3), ("a", "b", "c"), (64, 64), 0.5, 0.5, 100)
    best = iou(boxes, found.boxes).max(axis=1)
    assert (best > 0.999).all()


def test_small_box_in_front_of_a_large_one_keeps_its_center():
    boxes = np.array([[0, 0, 64, 64], [28, 28, 36, 36.0]])
    asked = cell_targets(boxes, np.array([0, 1]), NONE, 64, 64)
    assert (asked.classes[7:9, 7:9] == 2).any()


def test_ignored_boxes_ask_nothing_but_truths_inside_them_do():
    truth, crowd = np.array([[24, 24, 40, 40.0]]), np.array([[0, 0, 64, 48.0]])
    asked = cell_targets(truth, np.array([0]), crowd, 64, 64)
    inside = np.zeros((16, 16), bool)
    inside[:12] = True
    center = asked.classes > 0
    assert center.any() and (asked.weights[center] == 1).all()
    assert (asked.weights[inside & ~center] == 0).all()
    assert (asked.weights[14:] == 1).all()


def test_a_center_outside_the_picture_asks_nothing():
    asked = cell_targets(np.array([[60, 10, 90, 30.0]]), np.array([0]), NONE, 64, 64)
    assert not asked.classes.any()


def sample(seed=0, height=120, width=160):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, width - 50, 4), rng.uniform(0, height - 50, 4)
    boxes = np.stack([x, y, x + rng.uniform(8, 50, 4), y + rng.uniform(8, 50, 4)], axis=1)
    return TrainingSample(rng.integers(0, 256, (height, width, 3), dtype=np.uint8), boxes, np.arange(4) % 2, NONE)


def marked(boxes, height, width):
    """A picture whose boxes are white, so that they can be found again."""
    picture = np.zeros((height, width, 3), np.uint8)
    for x0, y0, x1, y1 in boxes.astype(int):
        picture[y0:y1, x0:x1] = 255
    return picture


def test_mirror_twice_changes_nothing():
    one = sample()
    two = augmentation.horizontal_flip(augmentation.horizontal_flip(one))
    np.testing.assert_array_equal(two.picture, one.picture)
    np.testing.assert_allclose(two.boxes, one.boxes)


@pytest.mark.parametrize("seed", range(12))
def test_window_boxes_lie_where_the_pixels_are(seed):
    box = np.array([[60, 40, 100, 80.0]])
    one = TrainingSample(marked(box, 240, 320), box, np.array([0]), NONE)
    window = draw_window(one, 128, 96, np.random.default_rng(seed))
    assert window.picture.shape == (96, 128, 3)
    bright = window.picture.max(axis=2) > 110
    if not len(window.boxes):
        assert bright.mean() < 0.2
        return
    rows, columns = np.nonzero(bright)
    seen = np.array([[columns.min(), rows.min(), columns.max() + 1, rows.max() + 1.0]])
    assert iou(seen, window.boxes)[0, 0] > 0.85


def test_crop_keeps_what_is_mostly_inside_and_ignores_what_is_cut():
    boxes = np.array([[10, 10, 30, 30], [35, 10, 65, 30], [36, 40, 46, 60.0]])
    one = TrainingSample(np.zeros((80, 80, 3), np.uint8), boxes, np.array([0, 1, 1]), NONE)
    window = augmentation.crop(one, 0, 0, 40, 80)
    # Right edge at 40: the first is whole, the second keeps 5 of 30, the third 4 of 10.
    assert window.labels.tolist() == [0, 1]
    assert window.boxes.tolist() == [[10, 10, 30, 30], [36, 40, 40, 60]]
    assert window.ignored.tolist() == [[35, 10, 40, 30]]


def test_light_moves_each_channel_along_one_curve():
    picture = np.arange(256, dtype=np.uint8).repeat(3).reshape(16, 16, 3)
    for seed in range(30):
        changed = augmentation.color_jitter(picture, np.random.default_rng(seed)).astype(int)
        if np.abs(np.diff(changed.reshape(-1, 3), axis=0)).max() < 12:
            continue
        flat = np.sort(changed.reshape(-1, 3), axis=0)
        # Rising with the input, but for the noise (6 steps at most, 4 sigma).
        assert np.abs(flat - changed.reshape(-1, 3)).max() < 40


def test_light_covers_lamps_from_incandescent_to_daylight():
    # Red over blue of illuminant A against D65 is about 2.5 times (CIE 15:2018,
    # XYZ to linear sRGB); in bytes, with gamma 2.2, about 1.5 times or more.
    gray = np.full((8, 8, 3), 120, np.uint8)
    ratios = []
    for seed in range(200):
        r, _, b = augmentation.color_jitter(gray, np.random.default_rng(seed)).reshape(-1, 3).mean(axis=0) / 255
        ratios.append(r / b)
    assert max(ratios) > 1.5 and min(ratios) < 1 / 1.5
    hues = {
        round(colorsys.rgb_to_hsv(*(augmentation.color_jitter(gray, np.random.default_rng(s))[0, 0] / 255))[0] * 6) % 6
        for s in range(100)
    }
    assert len(hues) == 6


def test_windows_fit_the_targets_and_keep_the_pixels():
    for sides in ([20.0], [100.0], [150.0]):
        plan = plan_windows([(320, 240)], np.array(sides))
        assert plan.width_px % 16 == 0 and plan.height_px % 16 == 0
        assert plan.width_px >= sides[0] and plan.height_px >= min(sides[0], 240)
        assert 0.6 < plan.count * plan.width_px * plan.height_px / (5 * 240 * 240) < 1.7
    assert plan_windows([(64, 48)], np.array([10.0])) == WindowPlan(64, 48, 32)


def test_batch_holds_what_every_cell_must_say():
    windows = [draw_window(sample(n), 96, 64, np.random.default_rng(n)) for n in range(3)]
    batch = batch_of(windows)
    for n, window in enumerate(windows):
        asked = cell_targets(window.boxes, window.labels, window.ignored, 64, 96)
        np.testing.assert_array_equal(batch.classes[n], asked.classes)
        np.testing.assert_array_equal(batch.pictures[n].transpose(1, 2, 0), window.picture)


@pytest.mark.parametrize(
    "size, longest, scale, expected",
    [
        ((320, 240), None, 1.0, (320, 240)),
        ((1920, 1080), 640, 1.0, (640, 360)),
        ((10, 4000), 640, 1.0, (2, 640)),
        ((64, 48), None, 2.0, (128, 96)),
        # No more than four million pixels, 2000 squared, whatever is asked for.
        ((4000, 4000), None, 1.0, (2000, 2000)),
        ((2560, 1440), None, 1.0, (2560, 1440)),
        ((8000, 2000), 8000, 2.0, (4000, 1000)),
        ((20_000, 3_200), None, 1.0, (5000, 800)),
    ],
)
def test_working_size(size, longest, scale, expected):
    assert working_size(*size, longest, scale) == expected
