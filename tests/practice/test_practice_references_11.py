"""References of lesson 11's tasks against published numbers and scipy's integration and root finding."""

import math

import pytest
import scipy  # which imports its parts when they are first used
from scipy.optimize import brentq

from robotlab.practice import task_named


def reference(name):
    return task_named(name).reference


@pytest.mark.parametrize(
    ("distance_m", "max_mps", "accel_mps2", "time_s"),
    # Trapezoid: 2 sqrt(D / a) or D / v + v / a (Biagiotti & Melchiorri, 2008, chapter 3, from memory; recomputed).
    [(1.0, 0.5, 0.5, 3.0), (0.25, 1.0, 1.0, 1.0), (2.0, 0.4, 0.8, 5.5)],
)
def test_ramp_steps_make_the_textbooks_trapezoid(distance_m, max_mps, accel_mps2, time_s):
    step, dt = reference("ramp_step"), 0.0002
    way = speed = t = 0.0
    braking = False
    while t < 2 * time_s:
        # Brake from where the rest of the way is the braking distance.
        braking = braking or speed**2 / (2 * accel_mps2) >= distance_m - way
        after = step(speed, 0.0 if braking else max_mps, accel_mps2, dt)
        way, t, speed = way + (speed + after) / 2 * dt, t + dt, after
        if braking and speed == 0.0:
            break
    assert t == pytest.approx(time_s, rel=0.005)
    assert way == pytest.approx(distance_m, abs=0.001)


def test_ramp_steps_never_change_faster_than_the_limit_and_arrive():
    for speed, wanted, accel, dt in task_named("ramp_step").cases():
        seen = [speed]
        for _ in range(math.ceil(abs(wanted - speed) / (accel * dt) - 1e-9)):
            seen.append(reference("ramp_step")(seen[-1], wanted, accel, dt))
        assert seen[-1] == pytest.approx(wanted, abs=1e-12)
        assert max(abs(b - a) for a, b in zip(seen, seen[1:])) <= accel * dt * (1 + 1e-9)


def test_stopping_distance_of_the_recomputed_table():
    # v^2 / (2 a) + v t, by hand.
    assert reference("stopping_distance")(0.5, 1.0, 0.2) == pytest.approx(0.225)
    assert reference("stopping_distance")(1.6, 1.5, 0.25) == pytest.approx(1.25333, abs=5e-6)


def test_stopping_distance_is_the_area_under_the_speed():
    for speed, decel, delay in task_named("stopping_distance").cases():
        end = delay + abs(speed) / decel
        area, _ = scipy.integrate.quad(
            lambda t: min(abs(speed), abs(speed) - decel * (t - delay)), 0, end, points=[delay]
        )
        assert reference("stopping_distance")(speed, decel, delay) == pytest.approx(area, rel=1e-6)


def test_safe_speed_is_the_root_of_the_stopping_distance():
    for clear, decel, delay in task_named("safe_speed").cases():
        root = brentq(lambda v: v**2 / (2 * decel) + v * delay - clear, 0.0, 100.0, xtol=1e-13)
        assert reference("safe_speed")(clear, decel, delay) == pytest.approx(root, abs=1e-9)
    # The same row of the table, read backward.
    assert reference("safe_speed")(0.225, 1.0, 0.2) == pytest.approx(0.5)


def test_watchdog_goes_on_only_with_an_age_that_is_known():
    # IEEE 754: every comparison with NaN is false; so a rule that asks "too old?" drives on without a picture.
    watch = reference("watchdog")
    assert [watch(now, 10.0, 0.25, 0.75) for now in (10.0, 10.25, 10.3, 10.75, 10.8, 9.9)] == [
        "go",
        "go",
        "slow",
        "slow",
        "stop",
        "stop",
    ]
    assert {
        watch(*case) for case in ((5.0, math.nan, 0.25, 0.75), (math.nan, 5.0, 0.25, 0.75), (math.inf, 5.0, 0.25, 0.75))
    } == {"stop"}
