"""Gain and period at the limit, measured on a swing, against the published ones."""

import math

import numpy as np
import pytest
from continuous_loop_reference import continuous_bearing

from robotlab.control import measure_oscillation
from robotlab.control.stability import sampled_bearing, sampled_ultimate_gain, ultimate_gain
from robotlab.errors import MotionError


@pytest.mark.parametrize("d", [1, 2, 3, 5, 10])
def test_period_at_the_limit_is_four_delays_and_a_half_frame(d):
    # Root of z^(d+1) - z^d + a on the unit circle: exp(i pi / (2 d + 1)), so 4 d + 2 frames.
    root = np.exp(1j * math.pi / (2 * d + 1))
    assert abs(root ** (d + 1) - root**d + sampled_ultimate_gain(d)) < 1e-12
    swing = measure_oscillation(sampled_bearing(sampled_ultimate_gain(d), d, 40 * (d + 1)), 0.1)
    assert swing.period_s == pytest.approx(0.1 * (4 * d + 2), rel=0.01)
    assert swing.ratio == pytest.approx(1.0, abs=0.01)


def test_ultimate_gain_and_period_of_the_continuous_loop():
    # Ziegler and Nichols 1942 (from memory) for the delayed integrator: Ku = pi / (2 T), Tu = 4 T.
    frame, delay = 0.01, 0.5
    t = np.arange(0, 14, frame)
    swing = measure_oscillation(continuous_bearing(t, math.pi / (2 * delay), delay)[200:], frame)
    assert swing.period_s == pytest.approx(4 * delay, rel=1e-3)
    assert swing.ratio == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize(("share", "grows"), [(0.8, False), (0.97, False), (1.03, True), (1.3, True)])
def test_the_ratio_tells_the_two_sides_of_the_limit(share, grows):
    swing = measure_oscillation(sampled_bearing(share * sampled_ultimate_gain(3), 3, 120), 0.1)
    assert (swing.ratio > 1) == grows


def test_a_damped_cosine_gives_back_what_it_was_made_of():
    t = np.arange(0, 6, 0.02)
    swing = measure_oscillation(np.exp(-0.5 * t) * np.cos(2 * math.pi * t / 1.6), 0.02)
    assert swing.period_s == pytest.approx(1.6, rel=1e-3)
    assert swing.ratio == pytest.approx(math.exp(-0.5 * 0.8), rel=0.01)
    # Below a tenth they count as noise: exp(-.5 t) falls there after 4.6 s.
    short = measure_oscillation(np.exp(-0.5 * t) * np.cos(2 * math.pi * t / 1.6), 0.02, least=0.1)
    assert 2 <= len(short.peaks) < len(swing.peaks) and min(short.peaks) >= 0.1


def test_no_swing_is_no_ratio():
    swing = measure_oscillation([0.5**k for k in range(20)], 0.1)
    assert (swing.peaks, swing.ratio, swing.period_s) == ((), 0.0, math.inf)
    assert measure_oscillation([1.0, 0.0, -0.2, 0.0, 0.1, 0.0], 0.1).peaks == (0.2,)


def test_the_simulated_trolley_swings_at_the_limit_of_its_loop():
    """Frames, delay, motor lag, ramp and exact arcs together, against the eigenvalues."""
    from robotlab.greenhouse import WALKS, Walk
    from robotlab.loop import GroundTruthDetector, Settings, simulate

    still = Walk("still", "The post stands.", (0.0, 60.0), ((2.0, 0.0), (2.0, 0.0)), WALKS["straight"].scene)
    settings = Settings(delay_s=0.3, drive_gain=0.0)
    limit = ultimate_gain(0.1, 0.3, settings.motor.lag_s)

    def ratio(gain):
        run = simulate(
            GroundTruthDetector(),
            still,
            settings=settings.but(turn_gain=gain),
            duration_s=10,
            start=(0, 0, -0.02),
            pictures=False,
        )
        return measure_oscillation(run.bearings_rad[:90], 0.1).ratio

    assert ratio(0.97 * limit) < 1 < ratio(1.03 * limit)


def test_bad_tests_are_refused():
    with pytest.raises(MotionError, match="at least 3 numbers"):
        measure_oscillation([1.0, 2.0], 0.1)
    with pytest.raises(MotionError, match="errors must be finite"):
        measure_oscillation([1.0, math.nan, 2.0], 0.1)
    with pytest.raises(MotionError, match="frame_s must be more than 0"):
        measure_oscillation([1.0, -1.0, 1.0], 0.0)
