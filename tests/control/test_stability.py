"""Gain limits against theory, python-control, and stepped loops."""

import math

import numpy as np
import pytest
from continuous_loop_reference import continuous_bearing, continuous_critical
from some_long import some_long

from robotlab.control import find_ultimate_gain
from robotlab.control.gain_search import oscillation_growth
from robotlab.control.stability import (
    continuous_ultimate_gain,
    growth_per_frame,
    margins,
    sampled_bearing,
    sampled_critical,
    sampled_ultimate_gain,
    ultimate_gain,
)
from robotlab.errors import MotionError

# Levin and May, Theor. Popul. Biol. 9:178-187, 1976 (from memory; recomputed
# from the eigenvalues with NumPy): limit and largest gain without overshoot.
SAMPLED = {
    0: (2.0, 1.0),
    1: (1.0, 0.25),
    2: (0.618034, 0.148148),
    3: (0.445042, 0.105469),
    5: (0.284630, 0.066980),
    10: (0.149460, 0.035049),
}


@pytest.mark.parametrize(("d", "numbers"), SAMPLED.items())
def test_sampled_limits_published(d, numbers):
    assert (sampled_ultimate_gain(d), sampled_critical(d)) == pytest.approx(numbers, abs=1e-6)


@pytest.mark.parametrize("d", SAMPLED)
def test_simulated_limit_is_the_formula(d):
    found = find_ultimate_gain(
        lambda a: sampled_bearing(a, d, 4000), first_gain=0.3 * sampled_ultimate_gain(d), tolerance=1e-3
    )
    assert found.ultimate_gain == pytest.approx(sampled_ultimate_gain(d), rel=0.01)


@pytest.mark.parametrize("d", [1, 2, 3, 5, 10])
def test_continuous_formula_promises_too_much_for_frames(d):
    # The hold adds half a frame: K T = pi / 2 with T = d frames is up to 36 % off.
    excess = (math.pi / (2 * d)) / sampled_ultimate_gain(d) - 1
    assert (0.01 if d == 10 else 0.09) < excess < 0.58
    assert 1 - sampled_ultimate_gain(1) / (math.pi / 2) == pytest.approx(0.36, abs=0.005)


@pytest.mark.parametrize("d", SAMPLED)
def test_critical_gain_is_the_edge_of_overshoot(d):
    a = sampled_critical(d)
    assert min(sampled_bearing(a, d, 3000)) >= -1e-9
    assert min(sampled_bearing(1.05 * a, d, 3000)) < -1e-9


@pytest.mark.parametrize(("kt", "gain_margin", "phase_deg"), [(0.5, 3.14159, 61.352), (math.pi / 4, 2.0, 45.0)])
def test_margins_against_published_and_control(kt, gain_margin, phase_deg):
    import control  # which takes a second: not at the start of every process of tests

    ours = margins(kt, 1.0)
    assert ours[0] == pytest.approx(gain_margin, abs=1e-5)
    assert math.degrees(ours[1]) == pytest.approx(phase_deg, abs=1e-3)
    # python-control on the frequency response itself: no Pade approximation.
    omega = np.linspace(0.05, 4, 2_001)
    response = kt / (1j * omega) * np.exp(-1j * omega)
    gm, pm, *_ = control.margin(control.FRD(response, omega, smooth=True))
    assert gm == pytest.approx(ours[0], rel=1e-4)
    assert pm == pytest.approx(math.degrees(ours[1]), rel=1e-4)


@pytest.mark.parametrize(
    ("kt", "peak"),
    # Textbook values, recomputed: heading after a step of 1.
    [
        (1 / math.e, 1.0),
        (0.4, 1.000707),
        (0.5, 1.040520),
        (math.pi / 4, 1.287387),
        (1.0, 1.5),
        (1.3, 1.8),
        (1.55, 2.05),
    ],
)
def test_step_peaks(kt, peak):
    t = np.linspace(0, 30, 60_001)
    heading = 1 - continuous_bearing(t, kt, 1.0)
    assert heading.max() == pytest.approx(peak, abs=2e-6)


def test_continuous_bearing_equals_small_steps():
    # A sampled loop with very short frames is the continuous one.
    n = 2000
    stepped = np.array(sampled_bearing(0.9 / n, n, 5 * n))
    exact = continuous_bearing(np.arange(5 * n) / n, 0.9, 1.0)
    np.testing.assert_allclose(stepped, exact, atol=2e-3)


def test_limits_of_the_continuous_loop():
    assert continuous_ultimate_gain(0.25) == pytest.approx(2 * math.pi)
    assert continuous_critical(0.25) == pytest.approx(4 / math.e)
    assert continuous_ultimate_gain(0) == math.inf


@pytest.mark.parametrize("d", SAMPLED)
def test_ultimate_gain_without_lag_is_the_sampled_limit(d):
    assert ultimate_gain(0.05, d * 0.05) == pytest.approx(sampled_ultimate_gain(d) / 0.05, rel=1e-6)


@pytest.mark.parametrize("delay", [0.2, 0.5])
def test_ultimate_gain_with_short_frames_is_the_continuous_limit(delay):
    assert ultimate_gain(0.005, delay) == pytest.approx(continuous_ultimate_gain(delay + 0.0025), rel=1e-3)


@pytest.mark.parametrize(("delay", "lag"), [(0.2, 0.1), (0.1, 0.3)])
def test_ultimate_gain_with_lag_agrees_with_control(delay, lag):
    import control  # which takes a second: not at the start of every process of tests

    # python-control: gain margin of exp(-T s) / (s (1 + lag s)), whose frames
    # are short here, so that their half frame of delay is added by hand.
    frame = 0.004
    omega = np.linspace(0.3, 30, 4_001)
    response = np.exp(-1j * omega * (delay + frame / 2)) / (1j * omega * (1 + 1j * omega * lag))
    gm, *_ = control.margin(control.FRD(response, omega, smooth=True))
    assert ultimate_gain(frame, delay, lag) == pytest.approx(gm, rel=2e-3)


@pytest.mark.parametrize(
    ("frame", "delay", "lag"), [(0.1, 0.13, 0.0), (0.1, 0.25, 0.12), (0.05, 0.02, 0.2), (0.2, 0.0, 0.1)]
)
def test_ultimate_gain_agrees_with_a_finely_stepped_loop(frame, delay, lag):
    def loop(gain, fine=200, frames=600):
        dt = frame / fine
        late = round(delay / dt)
        seen = [1.0] * (frames + 50)
        bearing, rate, errors = 1.0, 0.0, []
        kept = math.exp(-dt / lag) if lag else 0.0
        for k in range(frames * fine):
            if k % fine == 0:
                seen[k // fine] = bearing
                errors.append(bearing)
            done = (k - late) // fine
            command = gain * (seen[done] if done >= 0 else 0.0)
            bearing -= (command * dt + (rate - command) * lag * (1 - kept)) if lag else command * dt
            rate = command + (rate - command) * kept
        return errors

    limit = ultimate_gain(frame, delay, lag)
    assert oscillation_growth(loop(0.98 * limit)) < 1 < oscillation_growth(loop(1.02 * limit))


def test_growth_is_the_root_of_the_characteristic_equation():
    # z^(d+1) - z^d + a = 0, by NumPy's polynomial roots.
    for d, a in ((1, 0.7), (4, 0.2), (6, 0.4)):
        roots = np.roots([1, -1, *[0] * (d - 1), a])
        assert growth_per_frame(a / 0.1, 0.1, d * 0.1) == pytest.approx(np.abs(roots).max(), rel=1e-9)


def test_search_refuses_a_bad_start():
    with pytest.raises(MotionError, match="first_gain must be stable, 3 swings"):
        find_ultimate_gain(lambda a: sampled_bearing(a, 1, 100), first_gain=3)
    search = find_ultimate_gain(lambda a: sampled_bearing(a, 1, 200), first_gain=0.1, most_gain=0.3)
    assert search.ultimate_gain == 0.3


@pytest.mark.parametrize("delay_s", some_long([0.1, 0.3], every=2))
def test_search_finds_the_limit_of_a_trolley_whose_limits_hold_the_swing(delay_s):
    """Past the limit the ramp and the yaw limit keep the swing from growing; theory: the eigenvalues."""
    from robotlab.greenhouse import WALKS, Walk
    from robotlab.loop import GroundTruthDetector, Settings, simulate

    still = Walk("still", "The post stands.", (0.0, 60.0), ((2.0, 0.0), (2.0, 0.0)), WALKS["straight"].scene)
    settings = Settings(delay_s=delay_s, drive_gain=0.0)

    def loop(gain):
        run = simulate(
            GroundTruthDetector(),
            still,
            settings=settings.but(turn_gain=gain),
            duration_s=20,
            start=(0, 0, -0.02),
            pictures=False,
        )
        return run.true_bearings_rad[::5]

    found = find_ultimate_gain(loop, first_gain=1.0, tolerance=0.01)
    assert found.ultimate_gain == pytest.approx(ultimate_gain(0.1, delay_s, settings.motor.lag_s), rel=0.02)


def test_bad_delays_are_refused():
    with pytest.raises(MotionError, match="delay_frames must be a whole number, got 1.5"):
        sampled_ultimate_gain(1.5)
    with pytest.raises(MotionError, match="delay_s must be 0 or more"):
        continuous_ultimate_gain(-1)
