"""Measured figures in place of assumed ones: the sheet takes them and says what changed."""

import json
import math

import pytest

from robotlab.camera import Camera
from robotlab.control import Motor
from robotlab.design_sheet import Robot, predict
from robotlab.errors import InputError
from robotlab.loop import Settings, default_camera

ROBOT = Robot(default_camera(), 20.0, Settings(delay_s=0.1, motor=Motor(lag_s=0.0)))
# Ten pictures a second, one frame late: 2 sin(pi / 6) / .1 s; two frames late: 2 sin(pi / 10) / .1 s
# (Levin & May, Theoretical Population Biology 9:178-187, 1976, from memory).
ONE, TWO = 10.0, 6.18034


def test_a_longer_latency_changes_the_gain_and_the_stop_and_nothing_that_is_seen():
    sheet = predict(ROBOT.with_measured(delay_s=0.2))
    assert sheet.robot.changes() == {"delay_s": (0.1, 0.2)}
    assert sheet.changed()["ultimate_gain"] == pytest.approx((ONE, TWO), abs=1e-5)
    assert set(sheet.changed()) == {"ultimate_gain", "safe_gain", "stop", "safe_speed"}
    # Twice the watchdog's part of the latency: .1 s more of each, at .6 m/s.
    before, now = sheet.changed()["stop"]
    assert now - before == pytest.approx(0.6 * 0.2)
    first = sheet.sentences()[0]
    assert first.startswith(
        "Measured in place of assumed: delay_s 0.1 → 0.2. That changed: ultimate gain 10 → 6.18 1/s"
    )
    assert "far limit" not in first


def test_the_sheet_is_the_one_of_a_robot_that_was_so_from_the_start():
    measured = ROBOT.with_measured(hfov_rad=math.radians(55), smallest_px=24, lag_s=0.15, max_accel_mps2=0.5)
    camera = Camera(320, 240, math.radians(55), 0.25)
    straight = Robot(camera, 24.0, Settings(delay_s=0.1, motor=Motor(lag_s=0.15), max_accel_mps2=0.5))
    assert predict(measured).figures() == predict(straight).figures()
    # A narrower view sees as small things farther away: f is as many times larger.
    before, now = predict(ROBOT.with_measured(hfov_rad=math.radians(55))).changed()["far"]
    assert now / before == pytest.approx(math.tan(math.radians(31.1)) / math.tan(math.radians(27.5)))


def test_measured_twice_it_still_knows_what_was_assumed_at_first():
    robot = ROBOT.with_measured(delay_s=0.3).with_measured(frame_hz=8)
    assert robot.changes() == {"delay_s": (0.1, 0.3), "frame_hz": (10.0, 8.0)} and robot.assumed is ROBOT
    assert json.loads(json.dumps(predict(robot).to_json()))["measured"] == {"delay_s": [0.1, 0.3], "frame_hz": [10, 8]}


def test_without_measured_figures_nothing_is_said_of_them():
    assert predict(ROBOT).changed() == {} and not any("assumed" in one for one in predict(ROBOT).sentences())
    same = predict(ROBOT.with_measured(delay_s=0.1))
    assert same.changed() == {} and same.sentences()[0] == "All that was measured is as it was assumed."
    harmless = predict(ROBOT.with_measured(mass_kg=6.0))
    assert harmless.sentences()[0] == "Measured in place of assumed: mass_kg 8 → 6. That changes no figure here."


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ({"gain": 1}, "measured figures must be among smallest_px"),
        ({"target": 1}, "measured figures must be among"),
        ({"frame_hz": 0}, "frame_hz must be more than 0"),
        ({"frame_hz": "fast"}, "frame_hz must be a number"),
        ({"slip": 2}, "slip must be from 0 to 1"),
        ({"hfov_rad": 55}, "55.0 degrees is math.radians"),
        ({"detector_s": 0.5}, "keep up"),
    ],
)
def test_what_is_refused(figures, words):
    with pytest.raises(InputError, match=words):
        ROBOT.with_measured(**figures)
