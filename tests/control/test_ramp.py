"""Ramps and stopping against closed forms (Biagiotti and Melchiorri, 2008, ch. 3, from memory)."""

import numpy as np
import pytest
import scipy  # which imports its parts when they are first used
from continuous_loop_reference import move_speed_mps
from hypothesis import given, settings
from hypothesis import strategies as st

from robotlab.control import Motor, Ramp, make_ramp, move_time_s, speed_change_time_s, stopping_distance_m
from robotlab.control.ramp import JerkRamp
from robotlab.errors import MotionError


@pytest.mark.parametrize(("distance", "v", "a", "seconds"), [(1, 0.5, 0.5, 3.0), (0.25, 1, 1, 1.0), (2, 0.4, 0.8, 5.5)])
def test_trapezoid_times(distance, v, a, seconds):
    assert move_time_s(distance, v, a) == pytest.approx(seconds, abs=1e-12)
    # The speed profile must cover the distance: integrated by SciPy.
    covered, _ = scipy.integrate.quad(
        move_speed_mps, 0, seconds, args=(distance, v, a), points=[v / a, seconds - v / a]
    )
    assert covered == pytest.approx(distance, abs=1e-9)


def test_jerk_limited_change():
    assert speed_change_time_s(0.5, 1.0, 5.0) == pytest.approx(0.7, abs=1e-12)
    assert speed_change_time_s(0.05, 1.0, 5.0) == pytest.approx(2 * np.sqrt(0.01), abs=1e-12)


def test_ramp_takes_the_closed_form_time():
    ramp, dt = Ramp(0.8), 0.01
    steps = next(k for k in range(1, 999) if ramp.step(0.4, dt) == 0.4)
    assert steps * dt == pytest.approx(0.5)


@given(st.lists(st.floats(-1, 1), min_size=1, max_size=8))
def test_ramp_never_exceeds_its_limit(wanted):
    ramp, speeds = Ramp(0.7), [0.0]
    for goal in wanted:
        speeds += [ramp.step(goal, 0.01) for _ in range(20)]
    assert np.abs(np.diff(speeds)).max() <= 0.007 + 1e-12


def _jerk_run(goals, dt=0.01, each=20, a=1.0, j=5.0):
    ramp, speeds = JerkRamp(a, j), [0.0, 0.0]
    for goal in goals:
        speeds += [ramp.step(goal, dt) for _ in range(each)]
    return np.array(speeds)


@pytest.mark.parametrize("change", [0.5, 0.05, -0.8, 0.0003])
@pytest.mark.parametrize("dt", [0.01, 0.02, 0.003])
def test_jerk_ramp_takes_the_closed_form_time_without_overshoot(change, dt):
    speeds = _jerk_run([change], dt, each=int(3 / dt))
    assert np.abs(speeds).max() <= abs(change) + 1e-12
    seconds = (np.flatnonzero(np.abs(speeds - change) > 1e-9)[-1]) * dt
    # Whole steps shift each of the three phases by at most one.
    best = speed_change_time_s(change, 1.0, 5.0)
    assert best - 2 * dt <= seconds <= best + 3 * dt


@settings(max_examples=50)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=8))
def test_jerk_ramp_never_exceeds_its_limits(goals):
    speeds = _jerk_run(goals)
    accels = np.diff(speeds) / 0.01
    assert np.abs(accels).max() <= 1.0 + 1e-9
    assert np.abs(np.diff(accels)).max() / 0.01 <= 5.0 + 1e-6


def test_without_a_limit_it_jumps():
    assert make_ramp(None).step(-0.5, 0.01) == -0.5
    with pytest.raises(MotionError, match="jerk limit needs an acceleration limit"):
        make_ramp(None, 5.0)


@pytest.mark.parametrize(("v", "a", "delay", "meters"), [(0.5, 1.0, 0.2, 0.225), (1.6, 1.5, 0.25, 1.25333333)])
def test_stopping_distance(v, a, delay, meters):
    # v^2 / (2 a) + v t, recomputed.
    assert stopping_distance_m(v, a, delay) == pytest.approx(meters, abs=1e-8)


@pytest.mark.parametrize("jerk", [None, 5.0])
@pytest.mark.parametrize("lag", [0.0, 0.15])
def test_stopping_distance_is_what_a_stepped_stop_covers(jerk, lag):
    v, a, delay, dt = 0.6, 0.9, 0.2, 0.0005
    ramp, motor, speed, way = make_ramp(a, jerk, start=v), Motor(lag_s=lag), v, 0.0
    for step in range(int(5 / dt)):
        command = v if step * dt < delay else ramp.step(0.0, dt)
        speed, mean = motor.step(speed, command, dt)
        way += mean * dt
    assert way == pytest.approx(stopping_distance_m(v, a, delay, lag, jerk), rel=2e-3)


def test_bad_limits_are_refused():
    with pytest.raises(MotionError, match="max_accel_mps2 must be more than 0, got 0"):
        Ramp(0)
    with pytest.raises(MotionError, match="max_jerk_mps3"):
        JerkRamp(1.0, float("nan"))


@pytest.mark.parametrize(
    "make", [lambda: Ramp(0.8, start=0.3), lambda: Ramp(None, start=0.3), lambda: JerkRamp(0.8, 4.0, start=0.3)]
)
@pytest.mark.parametrize(
    ("wanted", "dt"), [(float("nan"), 0.01), (float("inf"), 0.01), (0.5, 0.0), (0.5, -0.01), (0.5, float("nan"))]
)
def test_a_step_without_sense_is_refused_and_leaves_the_speed(make, wanted, dt):
    ramp = make()
    with pytest.raises(MotionError, match="a ramp needs a finite wanted speed"):
        ramp.step(wanted, dt)
    assert ramp.speed == 0.3 and ramp.step(0.3, 0.01) == 0.3
