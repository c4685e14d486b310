"""Field of view and delay, measured on rendered stand-ins whose truth is known."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest

from robotlab.errors import InputError, MotionError, PictureError
from robotlab.image import blur
from robotlab.robot import delay_from_blinks, measure_delay, measure_field_of_view
from robotlab.robot.field_of_view import A4_M

# --- field of view ----------------------------------------------------------------------


def photograph(
    hfov_deg, distance_m, size=(320, 240), sheet_m=A4_M, turn_deg=0.0, roll_deg=0.0, at_m=(0.0, 0.0), seed=0
):
    """A sheet on a wall through a pinhole: rays of 3 x 3 a pixel, an uneven light, lens blur, noise."""
    rng, fine = np.random.default_rng(seed), 3
    width, height = size
    focal = width / 2 / math.tan(math.radians(hfov_deg) / 2)
    x = ((np.arange(width * fine) + 0.5) / fine - width / 2) / focal
    y = ((np.arange(height * fine) + 0.5) / fine - height / 2) / focal
    x, y = np.meshgrid(x, y)
    # The plane turned about the vertical through its middle: points p = s u + t v with z of the ray.
    turn = math.radians(turn_deg)
    depth = distance_m / (1 - x * math.tan(turn))
    across = (x * depth) / math.cos(turn) - at_m[0]
    down = y * depth - at_m[1]
    roll = math.radians(roll_deg)
    across, down = across * math.cos(roll) + down * math.sin(roll), down * math.cos(roll) - across * math.sin(roll)
    on = (np.abs(across) < sheet_m[0] / 2) & (np.abs(down) < sheet_m[1] / 2)
    light = np.where(on, 215.0, 70 + 12 * np.sin(9 * across) * np.cos(7 * down)) * (1 - 0.1 * x)
    light = light.reshape(height, fine, width, fine).mean(axis=(1, 3))
    picture = np.repeat(light[..., None], 3, axis=2) + rng.normal(0, 3, (height, width, 3))
    return blur(picture.clip(0, 255).astype(np.uint8), 0.7)


@pytest.mark.parametrize("size", [(160, 120), (320, 240)])
@pytest.mark.parametrize(("hfov_deg", "distance_m"), [(48.0, 0.6), (62.2, 0.5), (66.0, 0.45), (90.0, 0.3)])
def test_the_field_of_view_is_found_within_its_error(size, hfov_deg, distance_m):
    found = measure_field_of_view(photograph(hfov_deg, distance_m, size), distance_m)
    assert abs(math.degrees(found.hfov_rad) - hfov_deg) < 2 * math.degrees(found.error_rad)
    assert abs(math.degrees(found.hfov_rad) - hfov_deg) < 0.6
    vertical = 2 * math.atan(math.tan(math.radians(hfov_deg) / 2) * size[1] / size[0])
    assert found.vfov_rad == pytest.approx(vertical, abs=0.01)


@pytest.mark.slow
def test_the_stated_error_covers_sheets_hung_by_hand():
    rng, misses, errors = np.random.default_rng(3), 0, []
    for trial in range(24):
        true_m = rng.uniform(0.45, 0.7)
        said_m = true_m + rng.normal(0, 0.005)
        picture = photograph(
            62.2,
            true_m,
            turn_deg=rng.uniform(-3, 3),
            roll_deg=rng.uniform(-2, 2),
            at_m=rng.uniform(-0.02, 0.02, 2),
            seed=trial,
        )
        found = measure_field_of_view(picture, said_m)
        errors.append(math.degrees(found.hfov_rad) - 62.2)
        misses += abs(errors[-1]) > 2 * math.degrees(found.error_rad)
    assert misses <= 3  # 95 % of 24
    assert abs(np.mean(errors)) < 0.4 and np.std(errors) < 1.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"turn_deg": 35}, "must face the camera"),
        ({"sheet_m": (0.21, 0.297)}, "have the sides given"),
        ({"at_m": (0.25, 0.0)}, "cut off"),
        ({"distance_m": 4.0}, "40 px and more"),
    ],
)
def test_a_sheet_that_tells_nothing_is_refused(change, words):
    picture = photograph(**{"hfov_deg": 62.2, "distance_m": 0.5} | change)
    with pytest.raises(PictureError, match=words):
        measure_field_of_view(picture, 0.5)


def test_something_bright_beside_the_sheet_does_no_harm():
    picture = photograph(62.2, 0.6).copy()
    picture[:30, :40] = 255  # a window
    found = measure_field_of_view(picture, 0.6)
    assert math.degrees(found.hfov_rad) == pytest.approx(62.2, abs=0.5)


@pytest.mark.parametrize("value", [0, 40, 255])
def test_a_picture_without_a_sheet(value):
    with pytest.raises(PictureError, match="brighter than the wall"):
        measure_field_of_view(np.full((120, 160, 3), value, np.uint8), 0.5)


def test_lengths_must_be_positive():
    with pytest.raises(InputError, match="distance_m must be more than 0 m"):
        measure_field_of_view(photograph(62.2, 0.5), -0.5)
    with pytest.raises(InputError, match="sheet_m"):
        measure_field_of_view(photograph(62.2, 0.5), 0.5, (0.0, 0.21))


# --- delay -------------------------------------------------------------------------------


def filmed(delay_s, rate_hz, exposure_s, seed, changes=40, pause_s=0.5, noise=2.0, jitter_s=0.0):
    """What a camera sees of a light: the share of each exposure in which it is on."""
    rng = np.random.default_rng(seed)
    switched = np.cumsum(pause_s * (1 + 0.5 * rng.random(changes)))
    taken = np.arange(rng.random() / rate_hz, switched[-1] + pause_s + delay_s, 1 / rate_hz)
    edges = np.concatenate([[-1e9], switched, [1e9]])
    lit = np.zeros(len(taken))
    middle = taken - delay_s
    for k in range(1, len(edges) - 1, 2):
        begin, end = edges[k], edges[k + 1]
        lit += (np.minimum(middle + exposure_s / 2, end) - np.maximum(middle - exposure_s / 2, begin)).clip(
            0
        ) / exposure_s
    came = np.sort(taken + rng.exponential(jitter_s, len(taken)) if jitter_s else taken)
    return came, 30 + 150 * lit + rng.normal(0, noise, len(lit)), switched


@pytest.mark.parametrize("rate_hz", [10, 30, 60])
@pytest.mark.parametrize("delay_s", [0.02, 0.08, 0.25])
@pytest.mark.parametrize("exposure_s", [0.001, 0.015])
def test_the_delay_is_found_within_its_error(rate_hz, delay_s, exposure_s):
    errors, misses = [], 0
    for seed in range(30):
        found = delay_from_blinks(*filmed(delay_s, rate_hz, exposure_s, seed))
        errors.append(found.delay_s - delay_s)
        misses += abs(errors[-1]) > 2 * found.error_s + 0.0005
    assert misses <= 4
    # No bias: the mean of 30 is as good as a tenth of a frame; a single one as good as a third.
    assert abs(np.mean(errors)) < 0.1 / rate_hz and np.abs(errors).max() < 0.34 / rate_hz
    assert found.rate_hz == pytest.approx(rate_hz, rel=0.01) and found.changes >= 39


def test_a_transfer_that_is_late_at_times_shows_in_the_spread():
    steady = delay_from_blinks(*filmed(0.08, 60, 0.01, 1))
    late = delay_from_blinks(*filmed(0.08, 60, 0.01, 1, jitter_s=0.03))
    assert late.spread_s > 2 * steady.spread_s and late.delay_s > steady.delay_s


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        (([0, 1, 2], [1, 1, 1], [0.5]), "gray levels"),
        (([0, 1], [1, 1], [0.5]), "a time and a brightness"),
        (([0, 2, 1], [1, 9, 1], [0.5]), "ascending"),
        (([0, 1, math.nan], [1, 9, 1], [0.5]), "ascending"),
        ((np.arange(24) / 6, [0, 0, 0, 0, 0, 0, 99, 99, 99, 99, 99, 99] * 2, [0.9, 1.9, 2.9]), "at least 8 changes"),
    ],
)
def test_blinks_that_tell_nothing_are_refused(numbers, words):
    with pytest.raises(MotionError, match=words):
        delay_from_blinks(*numbers)


class FilmedLight:
    """A light and the camera that films it, in real time: a spot in a still, noisy picture."""

    def __init__(self, delay_s: float, rate_hz: float = 100.0) -> None:
        self.switched, self._delay, self._frame = [(0.0, False)], delay_s, 1 / rate_hz
        self._rng = np.random.default_rng(0)
        self._scene = self._rng.integers(0, 200, (48, 64, 3))

    def light(self, on: bool) -> None:
        self.switched.append((time.monotonic(), on))

    def take(self):
        time.sleep(self._frame)
        now = time.monotonic()
        on = [state for since, state in list(self.switched) if since <= now - self._delay][-1]
        picture = self._scene + self._rng.integers(-6, 7, self._scene.shape)
        picture[10:30, 20:40] = 220 if on else 30
        return picture.clip(0, 255).astype(np.uint8), now


@pytest.mark.slow
@pytest.mark.parametrize("delay_s", [0.03, 0.09])
def test_a_filmed_light_in_real_time(delay_s):
    filmed_light = FilmedLight(delay_s)
    found = measure_delay(filmed_light.take, filmed_light.light, changes=16, pause_s=0.12)
    # Plus nothing: a busy machine makes pictures late, not the light.
    assert found.delay_s == pytest.approx(delay_s, abs=0.02)
    assert filmed_light.switched[-1][1] is False  # left dark


def test_a_light_that_fails_and_a_camera_that_shows_none_of_it():
    still = lambda: (time.sleep(0.005), np.full((24, 32, 3), 90, np.uint8))[1]  # noqa: E731

    def broken(on):
        if on:
            raise OSError("no such pin")

    with pytest.raises(OSError, match="no such pin"):
        measure_delay(still, broken, changes=8, pause_s=0.01)
    with pytest.raises(MotionError, match="gray levels"):
        measure_delay(still, lambda on: None, changes=8, pause_s=0.01)
    with pytest.raises(PictureError):
        measure_delay(lambda: None, lambda on: None, changes=8, pause_s=0.01)
