"""Measure the map of lesson 12: color or trained detector?  ``python instructor/measure_decision.py``.

Fast runs (bearing, distance and noise in place of pictures) on the six walks: a detector
that answers at once and misses some pictures, against one that misses few and takes
longer, and steers with the safe gain of its latency where that is smaller than the usual
gain.  Each cell is the mean improvement over the walks, with its 95 % interval; a walk
counts once, as in the lesson.  Writes ``robotlab/course/measurements/decision.json``.
"""

import tempfile

import numpy as np

from robotlab.course import shipped
from robotlab.files import write_json
from robotlab.greenhouse import WALKS
from robotlab.loop import Settings
from robotlab.metrics import paired_mean
from robotlab.sweep import SweepTable, parse_plan, run_sweep

MISSED = (0.0, 0.2, 0.4, 0.5, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95)
LATENCY_S = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
# Of the detector that answers at once, and of the one that misses few.
FAST_S, FEW = 0.1, 0.05
SEEDS = 5
PLAN = "duration_s = 8\n[fixed]\n{fixed}\n[vary]\n{name} = {values}\nwalk = {walks}\nseed = {seeds}\n"


def runs(name: str, values: tuple[float, ...], fixed: str) -> SweepTable:
    """All walks and seeds for each value."""
    text = PLAN.format(fixed=fixed, name=name, values=list(values), walks=list(WALKS), seeds=list(range(SEEDS)))
    return run_sweep(parse_plan(text), tempfile.mkdtemp(), progress=False)


def by_walk(table: SweepTable, name: str, value: float) -> np.ndarray:
    """Distance error of each walk, mean over its seeds, m."""
    rows = table.where(**{name: value})
    return np.array([rows.where(walk=walk)["distance_error_m"].mean() for walk in WALKS])


def main() -> None:
    """Run both, compare walk by walk, write."""
    simple = runs("miss_rate", MISSED, f"latency_s = {FAST_S}")
    # Nobody drives with a gain above the safe one: a slow detector has to steer more gently.
    gains = [round(min(Settings().turn_gain, Settings(delay_s=late).safe_gain), 3) for late in LATENCY_S]
    others = [
        runs("latency_s", (late,), f"miss_rate = {FEW}\nturn_gain = {gain}")
        for late, gain in zip(LATENCY_S, gains, strict=True)
    ]
    found = [
        [paired_mean(by_walk(simple, "miss_rate", miss), by_walk(other, "latency_s", late)) for miss in MISSED]
        for late, other in zip(LATENCY_S, others, strict=True)
    ]
    numbers = {
        name: [[round(getattr(cell, name), 4) for cell in row] for row in found] for name in ("mean", "low", "high")
    }
    facts = {"missed": MISSED, "latency_s": LATENCY_S, "fast_s": FAST_S, "few": FEW, "seeds": SEEDS}
    facts |= {"walks": list(WALKS), "runs": len(simple) + sum(map(len, others)), "gains": gains}
    write_json(shipped("robotlab/course/resources.py").parent / "measurements" / "decision.json", facts | numbers)


if __name__ == "__main__":
    main()
