"""The published numbers of steering, ramps, stopping and timing, through every route that gives them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from continuous_loop_reference import continuous_bearing, continuous_critical, move_speed_mps
from published import read

from robotlab.control import (
    DifferentialDrive,
    Motor,
    Ramp,
    advance,
    find_ultimate_gain,
    measure_oscillation,
    move_time_s,
    speed_change_time_s,
    stopping_distance_m,
)
from robotlab.control.ramp import JerkRamp
from robotlab.control.stability import (
    continuous_ultimate_gain,
    margins,
    sampled_bearing,
    sampled_critical,
    sampled_ultimate_gain,
    ultimate_gain,
)
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Settings, simulate
from robotlab.loop.timing import frame_times, percentile

MOTION = read("motion.json")


@pytest.mark.parametrize("delay", [0.1, 0.4, 1.0])
def test_continuous_loop(delay):
    row = MOTION["continuous"]
    assert continuous_critical(delay) * delay == pytest.approx(row["critical_KT"], abs=1e-6)
    assert continuous_ultimate_gain(delay) * delay == pytest.approx(row["limit_KT"], abs=1e-6)
    # The step response: no overshoot up to the critical gain, and growth beyond the limit.
    t = np.linspace(0, 60 * delay, 6001)
    assert continuous_bearing(t, 0.999 * row["critical_KT"] / delay, delay).min() >= -1e-9
    assert continuous_bearing(t, 1.1 * row["critical_KT"] / delay, delay).min() < -1e-4
    below, above = (np.abs(continuous_bearing(t, share * row["limit_KT"] / delay, delay)) for share in (0.98, 1.02))
    assert below[-1000:].max() < below[2000:3000].max() and above[-1000:].max() > above[2000:3000].max()


@pytest.mark.parametrize("row", MOTION["margins"], ids=lambda row: f"KT {row['KT']:.3f}")
def test_margins(row):
    gain_margin, phase = margins(row["KT"] / 0.2, 0.2)
    assert gain_margin == pytest.approx(row["gain_margin"], abs=1e-5)
    assert math.degrees(phase) == pytest.approx(row["phase_deg"], abs=1e-3)


@pytest.mark.parametrize("row", MOTION["step_peaks"], ids=lambda row: f"KT {row['KT']:.3f}")
def test_step_peaks(row):
    t = np.linspace(0, 40, 80_001)
    assert (1 - continuous_bearing(t, row["KT"], 1.0)).max() == pytest.approx(row["peak"], abs=2e-6)
    # The same from frames so short that the loop is nearly continuous.
    n = 1000
    assert 1 - min(sampled_bearing(row["KT"] / n, n, 12 * n)) == pytest.approx(row["peak"], abs=3e-3)


@pytest.mark.parametrize("row", MOTION["sampled"], ids=lambda row: f"{row['d']} frames")
def test_sampled_loop(row):
    d, frame = row["d"], 0.1
    assert sampled_ultimate_gain(d) == pytest.approx(row["limit"], abs=1e-6)
    assert sampled_critical(d) == pytest.approx(row["critical"], abs=1e-6)
    # Eigenvalues, and the search by trying.
    assert ultimate_gain(frame, d * frame) * frame == pytest.approx(row["limit"], abs=1e-6)
    assert Settings(frame_hz=10, delay_s=d / 10, motor=Motor(lag_s=0.0)).ultimate_gain * frame == pytest.approx(
        row["limit"], abs=1e-6
    )
    assert find_ultimate_gain(
        lambda a: sampled_bearing(a, d, 6000), 0.2 * row["limit"], 1e-3
    ).ultimate_gain == pytest.approx(row["limit"], rel=0.01)
    assert (
        min(sampled_bearing(0.999 * row["critical"], d, 2000))
        >= -1e-12
        > min(sampled_bearing(1.05 * row["critical"], d, 2000))
    )


def test_ultimate_gain_and_period():
    row = MOTION["ultimate"]
    t = np.arange(0, 60, 0.01)
    swing = measure_oscillation(continuous_bearing(t, row["Ku_T"], 1.0)[1000:], 0.01)
    assert swing.period_s == pytest.approx(row["Tu_over_T"], rel=1e-3) and swing.ratio == pytest.approx(1.0, abs=2e-3)
    # Half of it leaves a gain margin of 2 and a phase margin of 45 degrees.
    gain_margin, phase = margins(row["share_of_Ku"] * row["Ku_T"], 1.0)
    assert gain_margin == pytest.approx(2.0, rel=1e-6) and math.degrees(phase) == pytest.approx(45.0, abs=1e-4)


@pytest.mark.parametrize("row", MOTION["moves"], ids=lambda row: f"{row['distance_m']} m")
def test_moves(row):
    limits = row["max_mps"], row["max_accel_mps2"]
    assert move_time_s(row["distance_m"], *limits) == pytest.approx(row["seconds"], abs=1e-12)
    t = np.linspace(0, row["seconds"], 20_001)
    assert np.trapezoid([move_speed_mps(each, row["distance_m"], *limits) for each in t], t) == pytest.approx(
        row["distance_m"], rel=1e-6
    )


def test_jerk_limited_change():
    row = MOTION["jerk_limited_change"]
    assert speed_change_time_s(row["change_mps"], row["max_accel_mps2"], row["max_jerk_mps3"]) == pytest.approx(
        row["seconds"], abs=1e-12
    )
    ramp, steps = JerkRamp(row["max_accel_mps2"], row["max_jerk_mps3"]), 0
    while abs(ramp.speed - row["change_mps"]) > 1e-9:
        ramp.step(row["change_mps"], 0.001)
        steps += 1
    assert steps * 0.001 == pytest.approx(row["seconds"], abs=0.003)


@pytest.mark.parametrize("row", MOTION["stops"], ids=lambda row: f"{row['speed_mps']} m/s")
def test_stops(row):
    v, a, wait = row["speed_mps"], row["max_accel_mps2"], row["delay_s"]
    assert stopping_distance_m(v, a, wait) == pytest.approx(row["meters"], abs=1e-6)
    # Stepped: a ramp, and the way in the mean of each step.
    ramp, way, dt = Ramp(a, start=v), v * wait, 1e-4
    while ramp.speed:
        before = ramp.speed
        way += (before + ramp.step(0.0, dt)) / 2 * dt
    assert way == pytest.approx(row["meters"], rel=1e-4)


def test_differential_drive():
    row = MOTION["drive"]
    drive = DifferentialDrive(row["track_m"], row["wheel_radius_m"])
    wheels = drive.wheels_from_spin(row["left_radps"], row["right_radps"])
    assert drive.twist(*wheels) == pytest.approx((row["v_mps"], row["yaw_radps"]), abs=1e-12)
    assert drive.radius_m(*wheels) == pytest.approx(row["radius_m"], abs=1e-12)
    assert drive.wheels(row["v_mps"], row["yaw_radps"]) == pytest.approx(wheels, abs=1e-12)


def test_arc():
    row = MOTION["arc"]
    assert advance(0, 0, 0, 1, 1, math.pi / 2) == pytest.approx(row["end"], abs=1e-15)
    pose = (0.0, 0.0, 0.0)
    for _ in range(100):
        pose = advance(*pose, 1, 1, math.pi / 200)
    assert pose == pytest.approx(row["end"], abs=1e-13)
    for rule, share in (("euler_error", 0.0), ("midpoint_error", 0.5)):
        x = y = yaw = 0.0
        dt = math.pi / 200
        for _ in range(100):
            x, y, yaw = x + dt * math.cos(yaw + share * dt), y + dt * math.sin(yaw + share * dt), yaw + dt
        assert math.hypot(x - 1, y - 1) == pytest.approx(row[rule], rel=5e-3)


def test_timing():
    row = MOTION["timing"]
    settings = Settings(frame_hz=row["rate_hz"], delay_s=row["latency_s"])
    times = frame_times(
        simulate(GroundTruthDetector(), WALKS["straight"], settings=settings, duration_s=10, pictures=False)
    )
    assert times.in_flight == pytest.approx(row["in_flight"], rel=0.02)
    frames, seconds = row["broadcast_hz"]
    assert 1000 * Settings(frame_hz=frames / seconds).frame_s == pytest.approx(row["period_ms"], abs=1e-6)
    for method in ("linear", "nearest_rank"):
        assert percentile(row["values"], row["percent"], method) == pytest.approx(row[method], abs=1e-12)
