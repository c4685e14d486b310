"""Slip, tipping and shaking against closed forms and scipy.signal."""

import math

import numpy as np
import pytest
import scipy  # which imports its parts when they are first used

from robotlab.control.load import grip, grip_limit_mps2, mast_vibration, tilt, tip_limit_mps2
from robotlab.errors import MotionError

G = 9.81


def test_tip_limit_is_where_the_far_edge_carries_nothing():
    """Statics: forces on both edges that balance weight and moment; at the limit one of them is 0."""
    base, height, mass = 0.06, 0.22, 3.0
    accel = tip_limit_mps2(base, height)
    # Upward forces at the edges -b and +b: sum m g, moment about the middle of mass m a h.
    front, back = np.linalg.solve([[1, 1], [base, -base]], [mass * G, mass * accel * height])
    assert back == pytest.approx(0, abs=1e-12) and front == pytest.approx(mass * G)


def test_wheels_slip_at_coulombs_limit():
    assert grip_limit_mps2(0.5) == pytest.approx(0.5 * G)
    assert grip_limit_mps2(0.5, 0.6) == pytest.approx(0.3 * G)


def test_wheels_that_jump_slip_by_a_triangle():
    # The rims jump to v, the trolley follows at the limit: v^2 / (2 a) is lost.
    speed, limit, dt = 0.6, 3.0, 1e-4
    wheels = np.full(5000, speed)
    ground = grip(wheels, dt, limit)
    assert (wheels - ground).sum() * dt == pytest.approx(speed**2 / (2 * limit), rel=1e-3)
    assert np.abs(np.diff(ground)).max() / dt <= limit * (1 + 1e-9)
    assert ground[-1] == speed


def test_wheels_within_the_limit_do_not_slip():
    wheels = 0.3 * np.sin(np.arange(2000) * 0.001 * 2 * math.pi)  # at most 1.88 m/s^2
    assert np.allclose(grip(wheels, 0.001, 2.0), wheels, atol=1e-12)
    assert not np.allclose(grip(wheels, 0.001, 1.8), wheels, atol=1e-3)


def test_a_box_stands_below_the_limit_and_lifts_above():
    limit = tip_limit_mps2(0.05, 0.2)
    for sign in (1, -1):
        assert not tilt(np.full(1000, sign * 0.999 * limit), 0.001, 0.05, 0.2).any()
        lifted = tilt(np.full(1000, sign * 1.01 * limit), 0.001, 0.05, 0.2)
        # Against the acceleration: braking tips forward.
        assert sign * lifted[-1] < 0


@pytest.mark.parametrize("over", [1.2, 1.5, 2.0, 4.0])
def test_a_slender_box_falls_after_housners_time(over):
    """Housner 1963 (from memory): under `over` times the limit for t it falls if cosh(p t) >= 1 + 1 / (2 over (over - 1))."""
    base, height = 0.004, 0.2
    rate = math.sqrt(3 * G / (4 * math.hypot(base, height)))
    t = math.acosh(1 + 1 / (2 * over * (over - 1))) / rate
    dt = 1e-4

    def falls(seconds):
        brake = np.zeros(round(4 / dt))
        brake[: round(seconds / dt)] = -over * tip_limit_mps2(base, height)
        return tilt(brake, dt, base, height)[-1] == math.pi / 2

    assert falls(1.01 * t) and not falls(0.99 * t)


def test_an_impact_keeps_housners_share_of_the_energy():
    """r^2 with r = 1 - 1.5 sin(A)^2 (Housner 1963, from memory), read off two peaks of the tilt."""
    base, height, dt = 0.08, 0.2, 1e-4
    edge = math.atan2(base, height)
    accel = np.zeros(20000)
    accel[:1200] = -1.6 * tip_limit_mps2(base, height)
    angle = tilt(accel, dt, base, height)
    energy = [math.cos(edge - peak) - math.cos(edge) for peak in (angle.max(), -angle.min())]
    assert 0.02 < angle.max() < edge
    assert energy[1] / energy[0] == pytest.approx((1 - 1.5 * math.sin(edge) ** 2) ** 2, rel=0.01)
    assert angle[-1] == 0.0, "it comes to rest"


def test_shake_equals_scipys_linear_simulation():
    rng = np.random.default_rng(3)
    dt, mast, hertz, damping = 0.002, 0.3, 6.0, 0.08
    accel = rng.normal(size=400)
    w = 2 * math.pi * hertz
    # The transfer function of angle'' + 2 z w angle' + w^2 angle = -a / L; interp=False holds over each step.
    system = scipy.signal.lti([-1 / mast], [1, 2 * damping * w, w * w])
    _, angle, _ = scipy.signal.lsim(system, np.append(accel, 0.0), np.arange(401) * dt, interp=False)
    assert np.allclose(mast_vibration(accel, dt, mast, hertz, damping), angle[1:], rtol=1e-9, atol=1e-12)


def test_a_jump_of_acceleration_overshoots_by_the_textbook_share():
    # 1 + exp(-pi z / sqrt(1 - z^2)) times the steady angle: Ogata, Modern Control Engineering (from memory).
    damping, mast, hertz = 0.05, 0.25, 5.0
    angle = mast_vibration(np.full(4000, -1.0), 0.0005, mast, hertz, damping)
    steady = 1 / (mast * (2 * math.pi * hertz) ** 2)
    assert angle.max() / steady == pytest.approx(1 + math.exp(-math.pi * damping / math.sqrt(1 - damping**2)), rel=1e-4)


def test_an_acceleration_that_rises_over_one_swing_leaves_no_swing():
    """Harris, Shock and Vibration Handbook (from memory): what is left goes with |sin(pi f t) / (pi f t)|."""
    hertz, dt = 5.0, 0.0005
    times = (np.arange(6000) + 0.5) * dt

    def left_over(rise_s):
        angle = mast_vibration(np.minimum(times / rise_s, 1.0), dt, 0.25, hertz, damping=0.0)
        return np.ptp(angle[3000:])

    at_once = left_over(1e-6)
    for rise_s in (0.05, 0.1, 0.15, 0.27, 0.3):
        assert left_over(rise_s) / at_once == pytest.approx(abs(np.sinc(hertz * rise_s)), abs=1e-3)
    assert left_over(0.2) / at_once < 1e-3


@pytest.mark.parametrize(
    "call",
    [
        lambda: tip_limit_mps2(0.0, 0.2),
        lambda: grip_limit_mps2(0.5, 1.2),
        lambda: grip(np.array([0.1, math.nan]), 0.01, 1.0),
        lambda: grip(np.zeros((2, 2)), 0.01, 1.0),
        lambda: tilt(np.zeros(0), 0.01, 0.1, 0.2),
        lambda: tilt(np.zeros(3), 0.0, 0.1, 0.2),
        lambda: mast_vibration(np.zeros(3), 0.01, 0.2, 5.0, damping=1.0),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(MotionError, match="must be"):
        call()
