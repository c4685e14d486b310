"""Control runs: all in step with NumPy, beside a plain Python loop over them."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
from timing import growth_row, side_by_side

from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, simulate
from robotlab.loop.vectorized import simulate_many

sys.path.insert(0, str(Path(__file__).parents[1]))
from simulate_many_reference import simulate_many_reference

# Long enough that the setting up does not count, short enough for a loop.
_SECONDS = 6.0


def _vary(runs: int) -> dict:
    rng = np.random.default_rng(1)
    return {
        "turn_gain": rng.uniform(0.5, 4, runs),
        "miss_rate": rng.uniform(0, 0.5, runs),
        "bearing_noise_rad": 0.02,
        "distance_noise": 0.05,
    }


def _same(ours, theirs) -> None:
    for name in ("distance_error_m", "bearing_error_rad", "losses", "end_pose"):
        np.testing.assert_allclose(getattr(ours, name), getattr(theirs, name), atol=1e-9)


def rows() -> list[dict]:
    """1000 runs at once, and one run, each beside the plain loop."""
    many, walk = _vary(1000), WALKS["weave"]
    timed = side_by_side(
        lambda: simulate_many(walk, runs=1000, vary=many, duration_s=_SECONDS),
        lambda: simulate_many_reference(walk, runs=1000, vary=many, duration_s=_SECONDS),
        repeats=3,
        check=_same,
    )
    out = [timed.row("1000 control runs of 6 s", reference="plain Python loop", aim=1 / 15)]
    # For one run plain numbers are the faster way: shown, not aimed at.
    one = {"turn_gain": 2.0}
    timed = side_by_side(
        lambda: simulate_many_reference(walk, runs=1, vary=one, duration_s=_SECONDS),
        lambda: simulate_many(walk, runs=1, vary=one, duration_s=_SECONDS),
        repeats=9,
        check=_same,
    )
    out.append(timed.row("1 control run of 6 s, plain numbers", reference="the same with NumPy arrays of one"))
    return out


def growth() -> list[dict]:
    """Time against the number of runs, and against the length of one."""
    walk = WALKS["weave"]
    return [
        growth_row(
            "control runs at once",
            [250, 1000, 4000, 16000],
            _vary,
            lambda vary: simulate_many(walk, runs=len(vary["miss_rate"]), vary=vary, duration_s=2.0),
            3,
        ),
        growth_row(
            "one simulated run, s",
            [5, 10, 20],
            float,
            lambda s: simulate(GroundTruthDetector(), walk, duration_s=s, pictures=False),
            3,
        ),
    ]


if __name__ == "__main__":
    for row in rows():
        print(
            row["name"], {key: value for key, value in row.items() if isinstance(value, float) and math.isfinite(value)}
        )
