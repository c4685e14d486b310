"""Gain limits with motor lag and frames against python-control's discrete loops, and numbers at the ends of their range."""

import math
from fractions import Fraction

import numpy as np
import pytest
from continuous_loop_reference import continuous_bearing

from robotlab.control import find_ultimate_gain
from robotlab.control.gain_search import oscillation_growth
from robotlab.control.stability import growth_per_frame, margins, sampled_bearing, sampled_ultimate_gain, ultimate_gain
from robotlab.errors import MotionError


def loop_of_control(frame_s, delay_frames, lag_s):
    """Open loop from bearing to bearing at gain 1: hold, motor lag, integrator, delay; by python-control."""
    import control  # which takes a second: not at the start of every process of tests

    plant = control.c2d(
        control.tf([1.0], [lag_s, 1.0, 0.0]) if lag_s else control.tf([1.0], [1.0, 0.0]), frame_s, "zoh"
    )
    z = control.tf([1.0, 0.0], [1.0], frame_s)
    return plant / z**delay_frames if delay_frames else plant


@pytest.mark.parametrize("lag", [0.0, 0.05, 0.1, 0.4])
@pytest.mark.parametrize("d", [0, 1, 2, 3, 5, 10])
def test_limit_with_lag_and_frames_is_the_gain_margin_of_control(d, lag):
    import control  # which takes a second: not at the start of every process of tests

    frame = 0.1
    plant = loop_of_control(frame, d, lag)
    limit = ultimate_gain(frame, d * frame, lag)
    # The closed loop's largest pole lies inside the unit circle below the limit, outside above.
    sizes = []
    for share in (0.9, 1.0, 1.1):
        closed = control.feedback(share * limit * plant, 1)
        sizes.append(np.abs(closed.poles()).max())
        assert sizes[-1] == pytest.approx(growth_per_frame(share * limit, frame, d * frame, lag), abs=2e-6)
    assert sizes[0] < 1 < sizes[2] and sizes[1] == pytest.approx(1.0, abs=2e-6)


@pytest.mark.parametrize(("kt", "gain_margin", "phase_deg"), [(0.5, 3.14159, 61.352), (math.pi / 4, 2.0, 45.0)])
def test_margins_of_the_continuous_loop(kt, gain_margin, phase_deg):
    import control  # which takes a second: not at the start of every process of tests

    # Gain margin pi / (2 K T), phase margin pi / 2 - K T (textbook; recomputed with python-control).
    ours = margins(kt, 1.0)
    assert (ours[0], math.degrees(ours[1])) == pytest.approx((gain_margin, phase_deg), abs=1e-3)
    # A Pade approximation of high order, python-control's own way to a delay.
    plant = control.tf([kt], [1.0, 0.0]) * control.tf(*control.pade(1.0, 8))
    gm, pm, *_ = control.margin(plant)
    assert (gm, pm) == pytest.approx((gain_margin, phase_deg), rel=1e-4)


@pytest.mark.parametrize(("gain", "delay"), [(1.0, 1.0), (0.35, 1.0), (1.57, 1.0), (3.0, 0.5), (20.0, 0.05)])
def test_exact_step_response_far_from_the_start(gain, delay):
    # The series itself, in exact fractions: in floats it loses all its digits after thirty delays.
    for share in (0.0, 0.4, 1.0, 3.7, 31.2, 60.0, 100.0):
        t = share * delay
        late = [(n, Fraction(t) - (n - 1) * Fraction(delay)) for n in range(1, int(share) + 3)]
        exact = 1 + sum((-Fraction(gain) * passed) ** n / math.factorial(n) for n, passed in late if passed > 0)
        assert continuous_bearing(t, gain, delay) == pytest.approx(float(exact), abs=1e-9, rel=1e-7)


def test_shapes_and_ends_of_the_step_response():
    assert continuous_bearing([-1.0, 0.0], 2.0, 1.0).tolist() == [1.0, 1.0]
    assert continuous_bearing(0.5, 1.0, 1.0).shape == () and continuous_bearing([], 1.0, 1.0).shape == (0,)
    assert continuous_bearing([5.0], 0.0, 1.0).tolist() == [1.0]
    for times in ([1e9], [math.nan], [math.inf]):
        with pytest.raises(MotionError, match="t_s must be finite"):
            continuous_bearing(times, 1.0, 1.0)


def test_too_many_frames_of_delay_are_refused():
    with pytest.raises(MotionError, match="at most 200 frames"):
        ultimate_gain(1e-6, 0.1)
    assert ultimate_gain(0.1, 0.1 * 40) == pytest.approx(sampled_ultimate_gain(40) / 0.1, rel=1e-6)


def test_growth_of_swings_beyond_all_floats():
    assert oscillation_growth([1e200] * 12) == 1.0 and oscillation_growth([1e-200] * 12) == 1.0
    assert oscillation_growth(sampled_bearing(1.9, 2, 5000)) == math.inf
    assert oscillation_growth([0.0] * 12) == 0.0 and oscillation_growth([0.0] * 11 + [1.0]) == math.inf
    with pytest.raises(MotionError, match="leave out frames without a target"):
        oscillation_growth([1.0] * 11 + [math.nan])


@pytest.mark.parametrize("d", [0, 1, 2, 3, 5, 10])
def test_long_tests_find_the_limit_within_a_per_cent_from_any_start(d):
    # Levin and May, 1976 (from memory).
    for first in (0.011, 0.4):
        search = find_ultimate_gain(
            lambda a: sampled_bearing(a, d, 6000), first_gain=first * sampled_ultimate_gain(d), tolerance=1e-3
        )
        assert search.ultimate_gain == pytest.approx(sampled_ultimate_gain(d), rel=0.01)


def test_a_loop_that_never_swings_ends_the_search():
    with pytest.raises(MotionError, match="check that the loop uses the gain"):
        find_ultimate_gain(lambda a: sampled_bearing(0.2, 1, 100), first_gain=0.1)
