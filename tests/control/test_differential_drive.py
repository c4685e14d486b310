"""Differential drive and motor against published numbers and slow integration."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotlab.control import DifferentialDrive, Motor, advance, scale_wheel_speeds
from robotlab.errors import MotionError

SPEED = st.floats(-2, 2)


def test_published_wheel_example():
    # Siegwart, Nourbakhsh, Scaramuzza, 2nd ed., section 3.2 (formula from
    # memory; figures recomputed): r .033 m, track .16 m, 5 and 7 rad/s.
    drive = DifferentialDrive(track_m=0.16, wheel_radius_m=0.033)
    left, right = drive.wheels_from_spin(5.0, 7.0)
    v, yaw = drive.twist(left, right)
    assert v == pytest.approx(0.198, abs=1e-12)
    assert yaw == pytest.approx(0.4125, abs=1e-12)
    assert drive.radius_m(left, right) == pytest.approx(0.48, abs=1e-12)


def test_faster_right_wheel_turns_left():
    # ISO 8855: yaw is positive counter-clockwise seen from above, that is left.
    _, yaw = DifferentialDrive().twist(0.1, 0.2)
    assert yaw > 0
    x, y, _ = advance(0, 0, 0, 0.15, yaw, 0.5)
    assert x > 0 and y > 0  # y is left


@given(SPEED, SPEED)
def test_wheels_and_twist_are_inverse(v, yaw):
    drive = DifferentialDrive(track_m=0.37)
    assert drive.twist(*drive.wheels(v, yaw)) == pytest.approx((v, yaw), abs=1e-12)


def test_exact_arc_published():
    # Thrun, Burgard, Fox, section 5.3 (from memory): v = w = 1 for a quarter turn.
    assert advance(0, 0, 0, 1, 1, math.pi / 2) == pytest.approx((1, 1, math.pi / 2), abs=1e-15)


@pytest.mark.parametrize(("rule", "error", "tolerance"), [("euler", 0.0111, 5e-5), ("midpoint", 1.45e-5, 5e-8)])
def test_simple_rules_err_as_known(rule, error, tolerance):
    # Recomputed with NumPy: 100 steps of the quarter circle end this far off
    # (the place, as a distance); our arc has no such error.
    x = y = yaw = 0.0
    dt = math.pi / 200
    for _ in range(100):
        angle = yaw + (dt / 2 if rule == "midpoint" else 0)
        x, y, yaw = x + dt * math.cos(angle), y + dt * math.sin(angle), yaw + dt
    assert math.hypot(x - 1, y - 1) == pytest.approx(error, abs=tolerance)


@given(SPEED, st.floats(-3, 3), st.floats(-3, 3), st.floats(0.001, 2))
def test_arc_equals_two_half_arcs(v, yaw_rate, yaw, dt):
    whole = advance(0.3, -0.2, yaw, v, yaw_rate, dt)
    half = advance(*advance(0.3, -0.2, yaw, v, yaw_rate, dt / 2), v, yaw_rate, dt / 2)
    assert whole == pytest.approx(half, abs=1e-12)


@given(SPEED, st.floats(0.01, 3), st.floats(-3, 3), st.floats(0.001, 2))
def test_arc_equals_the_textbook_sines(v, w, yaw, dt):
    x, y, _ = advance(0, 0, yaw, v, w, dt)
    assert x == pytest.approx(v / w * (math.sin(yaw + w * dt) - math.sin(yaw)), abs=1e-12)
    assert y == pytest.approx(-v / w * (math.cos(yaw + w * dt) - math.cos(yaw)), abs=1e-12)


@given(SPEED, SPEED)
def test_limit_keeps_the_circle(left, right):
    a, b = scale_wheel_speeds(left, right, 0.5)
    assert max(abs(a), abs(b)) <= 0.5 + 1e-15
    assert a * right == pytest.approx(b * left, abs=1e-12)


def test_motor_lag_is_the_exact_solution():
    # Closed form: after one time constant 1 - 1/e of a step is there.
    motor = Motor(lag_s=0.2)
    speed, mean = motor.step(0.0, 1.0, 0.2)
    assert speed == pytest.approx(1 - math.exp(-1), abs=1e-15)
    # Slow reference: 200 000 small Euler steps.
    slow, way, dt = 0.0, 0.0, 1e-6
    for _ in range(200_000):
        way += slow * dt
        slow += (1.0 - slow) / 0.2 * dt
    assert speed == pytest.approx(slow, abs=1e-5)
    assert mean * 0.2 == pytest.approx(way, abs=1e-5)


@given(SPEED, SPEED, st.floats(0.001, 0.5))
def test_motor_steps_join(speed, command, dt):
    motor = Motor(lag_s=0.13, max_mps=1.5)
    whole, mean = motor.step(speed, command, dt)
    half, mean_1 = motor.step(speed, command, dt / 2)
    rest, mean_2 = motor.step(half, command, dt / 2)
    assert (whole, mean) == pytest.approx((rest, (mean_1 + mean_2) / 2), abs=1e-12)


def test_dead_band_limit_and_slip():
    motor = Motor(lag_s=0, dead_band_mps=0.05, max_mps=0.6, slip=0.1)
    assert motor.step(0.0, 0.049, 0.01) == (0.0, 0.0)
    assert motor.step(0.0, 0.05, 0.01) == (0.05, 0.05)
    assert motor.goal(-9.0) == -0.6
    assert motor.ground(0.5) == pytest.approx(0.45)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: DifferentialDrive(track_m=0), "track_m must be more than 0, got 0"),
        (lambda: DifferentialDrive(track_m=float("nan")), "track_m must be"),
        (lambda: DifferentialDrive(wheel_radius_m="big"), "wheel_radius_m must be a number"),
        (lambda: Motor(slip=1.5), "slip must be from 0 to 1, got 1.5"),
        (lambda: Motor(lag_s=-1), "lag_s must be 0 or more"),
        (lambda: Motor(max_mps=float("inf")), "max_mps must be"),
    ],
)
def test_bad_numbers_are_refused(make, words):
    with pytest.raises(MotionError, match=words):
        make()
