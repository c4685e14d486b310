"""The lighting check, histograms and overlays."""

import numpy as np
import pytest

from robotlab.color import Band, LabBand, apply_gains, histogram, hsv, learn_lab_band, lighting_check
from robotlab.errors import InputError, PictureError

BAND = Band((5, 18), (150, 255), (80, 255))
ORANGE, YELLOW, GREEN = (230, 110, 20), (230, 200, 20), (60, 110, 40)
BOX = [40, 20, 50, 70]


def scene(color=ORANGE, *others):
    picture = np.full((100, 140, 3), GREEN, np.uint8)
    picture[20:70, 40:50] = color
    for x0, y0, x1, y1, other in others:
        picture[y0:y1, x0:x1] = other
    return picture


def test_plain_light_will_do():
    check = lighting_check([scene(), scene()], BAND, [[BOX], [BOX]])
    assert check.usable and check.coverage == 1 and check.astray == 0 and check.lookalikes == 0
    assert (check.pictures, check.boxes, check.saturation_moved, check.value_moved) == (2, 2, 0, 0)
    assert check.sentence.startswith("Color will do")


def test_a_colored_lighting_moves_the_band():
    check = lighting_check(apply_gains(scene(), (0.5, 0.9, 3.0)), BAND, [BOX])
    # By hand: (230, 110, 20) becomes (115, 99, 60), hue 42.5 degrees; the band's middle is 23.
    assert check.hue_moved_deg == pytest.approx(42.5 - 23, abs=1.1)
    assert not check.usable and check.coverage == 0 and "left the band: 0 %" in check.sentence
    # Saturation 255 (115 - 60) / 115 = 122, and the band starts at 150.
    assert check.saturation_moved == pytest.approx(-28, abs=1)


def test_a_dark_picture_moves_value():
    check = lighting_check(apply_gains(scene(), (0.2, 0.2, 0.2)), BAND, [BOX])
    assert check.value_moved == 46 - 80 and not check.usable


def test_hue_turns_the_short_way_through_red():
    picture = scene((200, 20, 40))
    check = lighting_check(picture, Band((0, 10), (60, 255)), [BOX])
    hue = hsv(picture)[30, 45, 0]
    assert hue > 170 and check.hue_moved_deg == pytest.approx((int(hue) - 180 - 5) * 2)


def test_same_colored_stuff_is_counted():
    tray = (70, 60, 130, 90, ORANGE)
    check = lighting_check([scene(ORANGE, tray), scene()], BAND, [[BOX], [BOX]])
    assert check.astray == 0.5 and check.lookalikes == pytest.approx(60 * 30 / (2 * 500))
    assert not check.usable and "50 % of the pictures" in check.sentence and check.coverage == 1
    # A yellow one of the same size is none.
    assert lighting_check(scene(ORANGE, (70, 60, 130, 90, YELLOW)), BAND, [BOX]).usable


def test_a_picture_without_target_counts_against_it():
    check = lighting_check([scene(), scene(GREEN, (70, 60, 130, 90, ORANGE))], BAND, [[BOX], []])
    assert check.astray == 0.5 and not check.usable


def test_without_boxes_only_rivals():
    alone = lighting_check(scene(), BAND)
    assert (
        alone.usable
        and np.isnan(alone.coverage)
        and np.isnan(alone.hue_moved_deg)
        and "cannot be told" in alone.sentence
    )
    rivals = lighting_check(scene(ORANGE, (70, 60, 100, 70, ORANGE)), BAND)
    assert not rivals.usable and rivals.lookalikes == pytest.approx(300 / 500)
    none = lighting_check(scene(GREEN), BAND)
    assert not none.usable and "nothing here has this color" in none.sentence and np.isinf(none.lookalikes)


def test_lab_band_and_gray():
    band = learn_lab_band(np.array([ORANGE], np.uint8))
    check = lighting_check(scene(), band, [BOX])
    assert check.usable and check.hue_moved_deg == pytest.approx(0, abs=1e-6) and np.isnan(check.value_moved)
    assert lighting_check(scene((150, 180, 20)), band, [BOX]).hue_moved_deg > 20
    assert np.isnan(lighting_check(scene((90, 90, 90)), LabBand((38, 0, 0), 9), [BOX]).hue_moved_deg)
    assert np.isnan(lighting_check(scene((90, 90, 90)), Band(value=(60, 120)), [BOX]).hue_moved_deg)


def test_wrong_input_is_refused():
    for pictures, boxes, words in (
        ([], [], "at least one picture"),
        ([], None, "at least one picture"),
        ([scene()], [[]], "at least one box"),
        ([scene()], [], "one array of boxes"),
    ):
        with pytest.raises(InputError, match=words):
            lighting_check(pictures, BAND, boxes)
    with pytest.raises(PictureError):
        lighting_check([scene()[..., 0]], BAND)


def test_histogram_counts_pixels():
    picture = np.random.default_rng(0).integers(0, 256, (30, 40, 3), np.uint8)
    colors = hsv(picture)
    for place, (scale, top) in enumerate((("hue", 180), ("saturation", 256), ("value", 256))):
        weights = colors[..., 1].ravel() / 255 if scale == "hue" else None
        wanted = np.histogram(
            colors[..., place],
            bins=np.arange(top + 1) - 0.5,
            weights=weights if weights is None else weights.reshape(30, 40),
        )[0]
        assert histogram(picture, scale) == pytest.approx(wanted)
    assert histogram(np.full((3, 3, 3), 90, np.uint8)).sum() == 0
    with pytest.raises(InputError, match="scale must be"):
        histogram(picture, "chroma")
