"""Rows of a drawn plan, and those of many seeds, share parts: each is as if it were run alone."""

import numpy as np
import pytest

from robotlab.errors import MotionError
from robotlab.greenhouse import WALKS
from robotlab.loop import Settings, simulate_many
from robotlab.sweep import parse_plan, run_sweep
from robotlab.sweep.part_runner import RESULTS, TOGETHER, parts_of, run_part
from robotlab.sweep.running import TABLE

DRAWN = """
design = "latin_hypercube"
samples = 40
duration_s = 3
[vary]
turn_gain = { from = 0.5, to = 6 }
latency_s = { from = 0.0, to = 0.9 }
frame_hz = { from = 5, to = 60 }
hfov_deg = { from = 40, to = 110 }
lag_s = { from = 0, to = 0.4 }
max_accel_mps2 = { from = 0.2, to = 3 }
start_yaw_deg = { from = -30, to = 30 }
miss_rate = { from = 0, to = 0.8 }
seed = { from = 0, to = 4000000000 }
walk = ["weave", "straight"]
"""
SEEDS = "duration_s = 3\n[fixed]\nmiss_rate = 0.5\n[vary]\nseed = {from = 0, to = 59, steps = 60}\n"
CROSSED = (
    "duration_s = 3\n[fixed]\nmiss_rate = 0.3\n[vary]\nturn_gain = [1, 2, 3, 4, 5]\nframe_hz = [10, 12]\n"
    "latency_s = [0, 0.1, 0.4]\nseed = [0, 1]\n"
)


def _alone(part):
    """Each row of a part, in a part of its own."""
    return [
        run_part({**part, "numbers": [number], "rows": [row]})[0]
        for number, row in zip(part["numbers"], part["rows"], strict=True)
    ]


@pytest.mark.parametrize("text", [DRAWN, SEEDS, CROSSED], ids=["drawn", "seeds", "crossed"])
def test_a_row_that_shares_a_part_equals_the_row_alone(text, monkeypatch):
    monkeypatch.setattr("robotlab.sweep.part_runner.LEAST_PARTS", 1)
    parts = parts_of(parse_plan(text))
    assert max(len(part["rows"]) for part in parts) >= 5
    found = [row for part in parts for row in run_part(part)]
    assert found == [row for part in parts for row in _alone(part)]
    # And they do differ from each other.
    assert len({row["distance_error_m"] for row in found}) > 0.9 * len(found)


def test_timings_side_by_side_equal_the_settings_one_by_one():
    """Without chance: what varies in arrays is what the settings of one call say."""
    rng, count = np.random.default_rng(5), 12
    vary = {
        "frame_hz": rng.uniform(10.1, 12.4, count),
        "delay_s": rng.uniform(0, 0.6, count),
        "lag_s": np.append(0.0, rng.uniform(0, 0.4, count - 1)),
        "max_accel_mps2": rng.uniform(0.2, 3, count),
        "start_yaw_rad": rng.uniform(-0.5, 0.5, count),
    }
    many = simulate_many(WALKS["weave"], runs=count, duration_s=6, vary=vary)
    for run in range(count):
        frame_hz, delay_s, lag_s, accel, yaw = (float(values[run]) for values in vary.values())
        motor = type(Settings().motor)(lag_s=lag_s)
        settings = Settings(frame_hz=frame_hz, delay_s=delay_s, motor=motor, max_accel_mps2=accel)
        one = simulate_many(WALKS["weave"], settings, 1, duration_s=6, start=(0.0, 0.0, yaw))
        for name in (*RESULTS, "growth", "end_pose"):
            np.testing.assert_allclose(getattr(many, name)[run], getattr(one, name)[0], rtol=1e-9, atol=1e-12)


def test_a_run_can_be_one_of_many_of_its_seed():
    rng = np.random.default_rng(6)
    vary = {
        "turn_gain": rng.uniform(1, 4, 30),
        "miss_rate": rng.uniform(0, 0.8, 30),
        "distance_noise": np.full(30, 0.1),
    }
    many = simulate_many(WALKS["weave"], runs=30, seed=3, duration_s=5, vary=vary)
    some = [4, 29, 0, 11]
    part = {name: values[some] for name, values in vary.items()}
    again = simulate_many(WALKS["weave"], runs=4, seed=[(3, run, 30) for run in some], duration_s=5, vary=part)
    np.testing.assert_array_equal(again.distance_error_m, many.distance_error_m[some])


def test_many_rows_share_a_part_whatever_they_differ_in():
    """Thousands of runs are hundreds of parts at most: the loop over the ticks costs as much for 1 run as for 100."""
    drawn = parts_of(parse_plan(DRAWN.replace("samples = 40", "samples = 5000")))
    seeds = parts_of(parse_plan(SEEDS.replace("to = 59, steps = 60", "to = 9999, steps = 10000")))
    assert len(drawn) < 5000 / TOGETHER + 25 and len(seeds) == 10_000 / TOGETHER


def test_the_table_of_a_drawn_plan_does_not_depend_on_its_parts(tmp_path, monkeypatch):
    run_sweep(parse_plan(DRAWN), tmp_path / "a", jobs=1, progress=False)
    monkeypatch.setattr("robotlab.sweep.part_runner.LEAST_PARTS", 1)
    run_sweep(parse_plan(DRAWN), tmp_path / "b", jobs=1, progress=False)
    assert (tmp_path / "a" / TABLE).read_bytes() == (tmp_path / "b" / TABLE).read_bytes()


@pytest.mark.filterwarnings("error")
def test_noise_that_overflows_a_distance_stays_a_number(tmp_path):
    plan = parse_plan(
        "duration_s = 4\n[fixed]\nfollowing_distance_m = 10\nwidth_px = 64\nhfov_deg = 120\n"
        "[vary]\nedge_noise_px = [1, 10, 100, 200, 1000]\nseed = [1, 2, 3]\n"
    )
    table = run_sweep(plan, tmp_path, jobs=1, progress=False)
    assert len(table) == 15 and all(np.isfinite(table[name]).all() for name in RESULTS)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"seed": [(1, 0, 2), (1, 1, 2)]}, "seed must be one number, or"),
        ({"seed": [(1, 0, 2), (1, 2, 2), (1, 1, 2)]}, "seed must be one number, or"),
        ({"vary": {"frame_hz": np.array([5.0, 10.0, 10.0])}}, "as many steps of the ramp in all runs"),
        ({"vary": {"frame_hz": np.array([0.0, 10.0, 10.0])}}, "frame_hz must be more than 0"),
        ({"vary": {"lag_s": np.array([0.1, -0.1, 0.1])}}, "lag_s must be one number or"),
        ({"vary": {"start_yaw_rad": np.array([0.1, np.nan, 0.1])}}, "start_yaw_rad must be one number or"),
    ],
)
def test_bad_timings_and_seeds_are_refused(arguments, words):
    with pytest.raises(MotionError, match=words):
        simulate_many(WALKS["straight"], runs=3, **arguments)
