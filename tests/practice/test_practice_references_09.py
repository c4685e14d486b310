"""References of lesson 09's tasks against Little's law, frames simulated one by one, and numbers of the trade."""

import numpy as np
import pytest

from robotlab.budget import Pack, running_time_min, simulate_frames
from robotlab.practice import task_named


def reference(name):
    return task_named(name).reference


def named(stages_s):
    return {f"stage {place}": float(time_s) for place, time_s in enumerate(stages_s)}


def test_throughput_is_what_frames_one_by_one_reach():
    for stages, hz, own in task_named("throughput").cases():
        line = simulate_frames(named(stages), hz, own, duration_s=max(2.0, 60 / hz))
        assert reference("throughput")(stages, hz, own) == pytest.approx(line.throughput_hz, rel=0.03)


def test_latency_is_what_frames_one_by_one_take():
    for stages, waiting, own in task_named("latency").cases():
        # The slowest stage first, so that the row forms in front of it; a camera so fast that the row is always full.
        slowest_first = np.sort(stages)[::-1]
        line = simulate_frames(named(slowest_first), 5000, own, buffer=waiting, duration_s=3.0)
        assert reference("latency")(stages, waiting, own) == pytest.approx(line.latency_s[-1], abs=0.0005)


def test_frames_in_flight_of_the_papers_example():
    # Little, Operations Research 9:383-387, 1961: L = lambda W; 30 frames a second, .1 s each, are 3.
    taken = np.arange(300) / 30
    assert reference("frames_in_flight")(taken, taken + 0.1, 10.0) == pytest.approx(3.0)


def test_frames_in_flight_is_the_mean_of_the_count_at_every_moment():
    rng = np.random.default_rng(0)
    for taken, acted, duration_s in task_named("frames_in_flight").cases():
        at = rng.uniform(0, duration_s, 20_000)
        counted = ((taken <= at[:, None]) & (acted > at[:, None])).sum(axis=1).mean()
        assert reference("frames_in_flight")(taken, acted, duration_s) == pytest.approx(counted, abs=0.05)


def test_running_time_of_the_trade():
    # 2.2 Ah at 2 A to 80 % are 52.8 min (recomputed by hand); three cells of 3.7 V are 11.1 V (common practice, no source).
    assert reference("running_time")(2.2, 3, 3.7, 2 * 11.1, 0.8) == pytest.approx(52.8)
    for ah, cells, volt, watt, share in task_named("running_time").cases():
        pack = Pack(cells=cells, capacity_ah=ah, nominal_v=volt, stop_v=3.0, discharge_c=1e3)
        assert reference("running_time")(ah, cells, volt, watt, share) == pytest.approx(
            float(running_time_min(pack, watt, depth_of_discharge=share))
        )


def test_cells_state_agrees_with_the_pack():
    for volts, stop_v, most in task_named("cells_state").cases():
        pack = Pack(cells=len(volts), capacity_ah=1.0, empty_v=stop_v, stop_v=stop_v, cell_v=tuple(volts))
        said = reference("cells_state")(volts, stop_v, most)
        assert (said == "go on") == (pack.cell_problems() == [])
        # 3.7 + 3.7 + 2.8 = 10.2 V, as three cells of 3.4 V: the sum cannot tell.
    assert reference("cells_state")(np.array([3.7, 3.7, 2.8]), 3.0, 0.05) == "stop"
