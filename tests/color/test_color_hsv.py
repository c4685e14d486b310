"""HSV against OpenCV (all colors), the standard library, and published values."""

import colorsys

import cv2
import numpy as np
import pytest
from color_reference import hsv_reference
from hypothesis import given
from hypothesis import strategies as st

from robotlab.color import HUES, hsv, mean_hue
from robotlab.color.hsv_conversion import HUE_ERROR, SATURATION_ERROR, hue_step
from robotlab.errors import InputError, PictureError


def all_colors(red):
    """The 65 536 colors with one red."""
    picture = np.empty((256, 256, 3), np.uint8)
    picture[..., 0] = red
    picture[..., 1] = np.arange(256)[:, None]
    picture[..., 2] = np.arange(256)
    return picture


def test_equals_opencv_on_all_colors():
    # GroundTruthDetector: OpenCV, cvtColor(COLOR_RGB2HSV) on 8-bit pictures; all 2**24.
    for red in range(256):
        colors = all_colors(red)
        assert np.array_equal(hsv(colors), cv2.cvtColor(colors, cv2.COLOR_RGB2HSV)), red


# Values computed with the standard library's colorsys, in degrees and shares.
@pytest.mark.parametrize(
    "color, degrees, saturation, value",
    [
        ((255, 165, 0), 38.824, 1, 1),
        ((64, 224, 208), 174.000, 0.71429, 0.87843),
        ((200, 100, 50), 20.000, 0.75, 0.78431),
    ],
)
def test_values_of_colorsys(color, degrees, saturation, value):
    slow = hsv_reference(np.array([[color]], np.uint8))[0, 0]
    assert slow[0] * 2 == pytest.approx(degrees, abs=5e-4)
    assert slow[1:] / 255 == pytest.approx([saturation, value], abs=5e-6)
    fast = hsv(np.array([[color]], np.uint8))[0, 0].astype(float)
    assert np.abs(fast - slow).max() <= HUE_ERROR


def test_one_hue_on_three_scales():
    # Green is 120 degrees = 1/3 (colorsys) = 60 (OpenCV's bytes) = 85 (Pillow's bytes).
    from PIL import Image

    green = np.array([[[0, 255, 0]]], np.uint8)
    assert colorsys.rgb_to_hsv(0, 1, 0)[0] == pytest.approx(1 / 3)
    assert hsv(green)[0, 0, 0] == 60
    assert np.asarray(Image.fromarray(green).convert("HSV"))[0, 0, 0] == 85


def test_fast_is_slow_rounded_on_the_circle():
    # A regular sample of the cube, 4 096 colors.
    levels = np.array([0, 1, 2, 3, 7, 20, 60, 64, 100, 127, 128, 180, 200, 250, 254, 255], np.uint8)
    picture = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), -1).reshape(64, 64, 3)
    slow, fast = hsv_reference(picture), hsv(picture).astype(float)
    assert np.abs(hue_step(fast[..., 0], slow[..., 0])).max() <= HUE_ERROR
    assert np.abs(fast[..., 1] - slow[..., 1]).max() <= SATURATION_ERROR
    assert np.abs(fast[..., 2] - slow[..., 2]).max() < 1e-9


def test_rounding_of_all_colors_stays_within_what_is_stated():
    # Exact hue in steps of two degrees, from the formula of the docstring.
    worst_hue = worst_saturation = 0.0
    for red in range(256):
        picture = all_colors(red)
        r, g, b = np.moveaxis(picture.astype(float), -1, 0)
        value = np.maximum(np.maximum(r, g), b)
        c = value - np.minimum(np.minimum(r, g), b)
        with np.errstate(invalid="ignore"):
            saturation = np.nan_to_num(255 * c / value)
            sixth = np.where(value == r, (g - b) / c, np.where(value == g, 2 + (b - r) / c, 4 + (r - g) / c))
        fast = hsv(picture).astype(float)
        worst_hue = max(worst_hue, np.abs(hue_step(fast[..., 0], 30 * np.nan_to_num(sixth))).max())
        worst_saturation = max(worst_saturation, np.abs(fast[..., 1] - saturation).max())
    assert 0.5 < worst_hue <= HUE_ERROR and 0.5 < worst_saturation <= SATURATION_ERROR


def test_slow_is_colorsys_scaled():
    picture = np.arange(48, dtype=np.uint8).reshape(4, 4, 3) * 5
    for y in range(4):
        for x in range(4):
            wanted = np.array(colorsys.rgb_to_hsv(*(picture[y, x] / 255))) * [180, 255, 255]
            assert hsv_reference(picture)[y, x] == pytest.approx(wanted, abs=1e-12)


def test_mean_hue_goes_round():
    # 350 and 10 degrees have the mean 0, not 180 (circular mean).
    assert abs(hue_step(mean_hue([175, 5]), 0)) < 1e-9
    assert mean_hue([10, 20, 30]) == pytest.approx(20)
    assert mean_hue([10, 40], [3, 0]) == pytest.approx(10)


@given(st.integers(0, 179), st.integers(0, 179))
def test_hue_step_is_the_short_way(a, b):
    step = hue_step(a, b)
    assert -90 <= step < 90
    assert (b + step - a) % HUES == 0


@given(st.floats(0, 180, exclude_max=True), st.lists(st.floats(-30, 30), min_size=1, max_size=20))
def test_mean_hue_turns_with_the_circle(turn, spread):
    spread = np.array(spread)
    assert abs(hue_step(mean_hue((spread + turn) % HUES), mean_hue(spread % HUES) + turn)) < 1e-6


@pytest.mark.parametrize(
    "hues, weights, words",
    [
        ([], None, "N > 0"),
        ([0, 90], None, "cancel"),
        ([0, np.nan], None, "finite"),
        ([1, 2], [1], "one weight a hue"),
        ([5], [0], "cancel"),
    ],
)
def test_mean_hue_refuses(hues, weights, words):
    with pytest.raises(InputError, match=words):
        mean_hue(hues, weights)


@pytest.mark.parametrize("convert", [hsv, hsv_reference])
def test_wrong_pictures_are_refused(convert):
    for wrong in (np.zeros((4, 4)), np.zeros((4, 4, 3)), np.zeros((0, 4, 3), np.uint8), [[1]]):
        with pytest.raises(PictureError):
            convert(wrong)


def test_views_and_odd_memory_give_the_same():
    picture = np.random.default_rng(0).integers(0, 256, (12, 9, 3), np.uint8)
    assert np.array_equal(hsv(picture[::-1, ::2]), hsv(picture)[::-1, ::2])
    assert np.array_equal(hsv(np.asfortranarray(picture)), hsv(picture))
