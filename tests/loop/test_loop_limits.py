"""Limits of the settings: one definition for lessons, design sheet and real loop; what a real robot refuses."""

import math
import re
from pathlib import Path

import numpy as np
import pytest

import robotlab
from robotlab.camera import Camera
from robotlab.control import SimulatedLink, latency_from_film_s, stopping_distance_m
from robotlab.control.stability import safe_gain, sampled_ultimate_gain
from robotlab.design_sheet import Robot, predict
from robotlab.detections import Detections, as_detector
from robotlab.errors import MotionError
from robotlab.face_off import simulate_walk
from robotlab.loop import (
    Settings,
    default_camera,
    drive,
    free_distance_m,
    safe_speed_mps,
    stopping_times_s,
    worst_stopping_distance_m,
)
from robotlab.loop.limits import check_real_limits

SOURCES = Path(robotlab.__file__).resolve().parents[1] / "instructor" / "source"


def test_one_stopping_distance_for_lessons_sheet_and_faults():
    """The trolley of lessons 11 and 12: 0.6 m/s, 0.8 m/s^2, 1.17 s; v t + v^2 / (2 a) by hand."""
    settings = Settings(detector_s=0.04)
    by_hand = 0.6 * (0.14 + 0.64 + 0.04 + 0.25 + 0.10) + 0.6**2 / (2 * 0.8)
    sheet = predict(Robot(default_camera(), 20.0, settings))
    assert worst_stopping_distance_m(settings) == pytest.approx(by_hand)
    assert sheet["stop"].predicted == pytest.approx(by_hand)
    assert sum(stopping_times_s(settings).values()) == pytest.approx(1.17)
    # The sheet's largest safe speed just fits into what is free: its two rows and the lesson's formula agree.
    safe = sheet["safe_speed"].predicted
    assert worst_stopping_distance_m(settings, safe) == pytest.approx(free_distance_m(settings))
    assert stopping_distance_m(safe, 0.8, 1.17) == pytest.approx(free_distance_m(settings))


@pytest.mark.parametrize("lesson", ["11_smooth_and_safe", "12_face_off"])
def test_lessons_11_and_12_have_the_same_trolley(lesson):
    text = (SOURCES / f"{lesson}.py").read_text(encoding="utf-8")
    [made] = re.findall(r"^settings = Settings\((.*detector_s.*)\)$", text, re.M)
    assert re.sub(r"min_score=[^,]*, ", "", made) == "detector_s=0.04"


def test_one_safe_gain_for_lessons_sheet_and_real_loop():
    """Half of 2 sin(pi / (2 (2 d + 1))) / frame: Levin & May, Theor. Popul. Biol. 9:178-187, 1976 (from memory)."""
    settings = Settings(delay_s=0.15, detector_s=0.05, motor=robotlab.control.Motor(lag_s=0.0))
    half = sampled_ultimate_gain(2) / 0.1 / 2
    assert settings.safe_gain == pytest.approx(half)
    assert safe_gain(0.1, 0.2) == pytest.approx(half)
    assert predict(Robot(default_camera(), 20.0, settings))["safe_gain"].predicted == pytest.approx(half)
    check_real_limits(settings.but(turn_gain=half * 0.999), default_camera())
    with pytest.raises(MotionError, match=f"turn_gain must be at most {half:.2f} 1/s"):
        check_real_limits(settings.but(turn_gain=half * 1.001), default_camera())


def test_latency_is_from_target_to_wheel():
    """72, 84 and 96 frames at 240 Hz are .35 s on average; half a frame at 10 Hz is .05 s."""
    assert latency_from_film_s([72, 84, 96], 240, 10) == pytest.approx(0.30)
    assert latency_from_film_s([1], 240, 10) == 0.0
    assert Settings(delay_s=0.26, detector_s=0.04).latency_s == pytest.approx(0.30)
    with pytest.raises(MotionError, match="at least one test"):
        latency_from_film_s([], 240, 10)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"turn_gain": 5 * 8.05}, r"turn_gain must be at most 4\.02 1/s"),
        ({"drive_gain": 9.0}, "drive_gain must be at most"),
        (
            {"hold_s": 30.0},
            r"stopping distance must be at most the free way of 0\.96 m .* hold last command 30\.10 s; allowed: max_mps and max_reverse_mps at most 0\.03",
        ),
        ({"watchdog_s": 60.0}, "watchdog time-out 60.00 s"),
        ({"max_mps": 0.9}, r"max_mps and max_reverse_mps at most 0\.65 m/s, or watchdog time-out at most"),
        ({"hold_s": 30.0, "max_mps": 0.01}, "hold last command"),
        ({"watchdog_s": 60.0, "max_mps": 0.01}, "watchdog time-out .* at most 5 s"),
        ({"link_timeout_s": 10.0, "max_mps": 0.05}, "link_timeout_s must be at most"),
        ({"ramp_hz": 3.0}, "ramp_hz must be at least 20 Hz"),
        ({"ramp_hz": 25.0, "link_timeout_s": 0.1}, "ramp_hz must be at least 30 Hz"),
        ({"max_accel_mps2": None}, "acceleration limit"),
        ({"max_accel_mps2": 20.0}, "rubber slips"),
        ({"following_distance_m": 0.2}, "leave a way"),
        ({"search_radps": 4.0, "max_yaw_radps": 4.0}, r"search_radps must be at most 2\.71 rad/s"),
        ({"hfov_rad": 0.3}, r"search_radps must be at most 0\.75 rad/s"),
    ],
)
def test_what_a_real_robot_refuses_and_what_it_allows(changes, words):
    with pytest.raises(MotionError, match=words):
        check_real_limits(Settings().but(**changes), default_camera())


def test_what_the_messages_allow_is_allowed():
    check_real_limits(Settings(), default_camera())
    check_real_limits(Settings(max_mps=safe_speed_mps(Settings()) - 1e-6), default_camera())
    check_real_limits(Settings(hfov_rad=0.3, search_s=0.0), default_camera())


def test_the_real_loop_asks_before_it_moves():
    """Gain, hold time, watchdog and ramp beyond their limits, on the loop that drives a robot."""
    camera, link = Camera(64, 48, 1.0, height_m=0.25), SimulatedLink()
    for changes in ({"turn_gain": 60.0}, {"hold_s": 30.0}, {"watchdog_s": 60.0}, {"ramp_hz": 3.0}):
        with pytest.raises(MotionError, match="real robot"):
            drive(
                lambda _: Detections.none(["post"]),
                lambda: np.zeros((48, 64, 3), np.uint8),
                camera,
                Settings(**changes),
                link,
                1.0,
            )
    assert link.sent == []


def test_a_box_that_fills_the_picture_does_not_back_the_robot_up():
    """Under the warm light a rule for orange boxes half the greenhouse: 'too near', so it backed up by meters."""

    def orange(picture):
        red, blue = picture[..., 0].astype(int), picture[..., 2].astype(int)
        rows, columns = np.nonzero(red - blue > 80)
        if not len(rows):
            return Detections.none(["post"])
        return Detections([[columns.min(), rows.min(), columns.max() + 1, rows.max() + 1]], [1.0], [0], ["post"])

    run = simulate_walk(as_detector(orange), "straight:warm", duration_s=3, progress=False)
    assert np.nanmedian(run.boxes[:, 2] - run.boxes[:, 0]) > 100, "the box does not fill the picture"
    assert run.pose[:, 0].min() >= 0 and run.speeds_mps.min() >= 0
    assert math.isclose(run.settings.max_reverse_mps, 0.0)
