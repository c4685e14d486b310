"""One part of a sweep: some rows of the plan, run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from typing import Any

import numpy as np

from robotlab.color import ColorDetector
from robotlab.course.resources import shipped
from robotlab.data import DataSet, open_dataset
from robotlab.face_off import threshold
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Settings, simulate, simulate_many
from robotlab.loop.vectorized import steps_per_frame
from robotlab.neural import NeuralDetector
from robotlab.sweep.parameters import camera_of, noise_of, settings_of
from robotlab.sweep.plan import NOISE, Plan

# Columns that both kinds of runs give.
RESULTS = (
    "time_in_view",
    "time_following",
    "distance_error_m",
    "bearing_error_rad",
    "last_bearing_rad",
    "losses",
    "closest_m",
)
# Runs that go in step, as arrays: more no longer saves time, and less is lost when killed.
TOGETHER = 400
# Plans of fewer runs are cut into so many parts, for the same two reasons and for the other cores.
LEAST_PARTS = 20
_GAINS = ("turn_gain", "drive_gain", "following_distance_m", "max_mps")
# Rows that differ in these only are runs of one seed, at most so many: every fast row rests on both, so they stay.
_ONE_SEED = {*_GAINS, *NOISE, "hfov_deg", "width_px", "input_px", "detector", "lighting"}
_RUNS_OF_A_SEED = 400


def parts_of(plan: Plan) -> list[dict[str, Any]]:
    """Cut a plan into parts, always in the same way.

    Parameters
    ----------
    plan : Plan
        What is run.

    Returns
    -------
    list of dict
        For :func:`run_part`.  Fast runs of one walk go together if a frame is cut
        into as many steps of the ramp; each rendered run is a part.
    """
    rows = plan.rows()
    parts = []
    if plan.rendered:
        return [_part(plan, True, [number]) for number in range(len(rows))]
    chances = _chances(rows)
    groups: dict[tuple[str, int], list[int]] = {}
    for number in chances:
        groups.setdefault((rows[number]["walk"], _steps(rows[number]["frame_hz"])), []).append(number)
    size = min(TOGETHER, math.ceil(len(rows) / LEAST_PARTS))
    for numbers in groups.values():
        # Runs of about as many ticks end together.
        numbers.sort(key=lambda number: rows[number]["frame_hz"])
        for at in range(0, len(numbers), size):
            some = numbers[at : at + size]
            parts.append(_part(plan, False, some) | {"chances": {number: chances[number] for number in some}})
    if plan.chosen:
        spread = np.linspace(0, len(rows) - 1, plan.chosen).round().astype(int).tolist()
        parts += [_part(plan, True, [number]) for number in dict.fromkeys(spread)]
    return parts


def _chances(rows: Sequence[Mapping[str, Any]]) -> dict[int, tuple[int, int, int]]:
    """Noise of each row, as :func:`simulate_many` takes it: of the plan alone, whatever the parts; rows of one seed in a row."""
    groups: dict[tuple, list[int]] = {}
    for number, row in enumerate(rows):
        key = tuple(
            latency_ticks(value, row["frame_hz"]) if name == "latency_s" else value
            for name, value in row.items()
            if name not in _ONE_SEED
        )
        groups.setdefault(key, []).append(number)
    chances: dict[int, tuple[int, int, int]] = {}
    for numbers in groups.values():
        for at in range(0, len(numbers), _RUNS_OF_A_SEED):
            some = numbers[at : at + _RUNS_OF_A_SEED]
            # The row numbers keep rows of one seed apart.
            seed = int(np.random.SeedSequence([rows[some[0]]["seed"], some[0]]).generate_state(1)[0])
            chances.update({number: (seed, k, len(some)) for k, number in enumerate(some)})
    return chances


@cache
def latency_ticks(latency_s: float, frame_hz: float) -> int:
    """Ticks of the loop that the latency lasts: the loop rounds it to them.

    Parameters
    ----------
    latency_s, frame_hz : float
        From the picture to the command; pictures a second.

    Returns
    -------
    int
        How many.

    Examples
    --------
    >>> latency_ticks(0.05, 10.0), latency_ticks(0.1, 10.0)
    (2, 5)
    """
    return round(latency_s * _steps(frame_hz) / (1 / frame_hz))


@cache
def _steps(frame_hz: float) -> int:
    return int(steps_per_frame(frame_hz, Settings().ramp_hz))


def _part(plan: Plan, rendered: bool, numbers: list[int]) -> dict[str, Any]:
    rows = plan.rows()
    return {
        "rendered": rendered,
        "numbers": numbers,
        "rows": [rows[number] for number in numbers],
        "duration_s": plan.duration_s,
        "files": {name: known["file"] for name, known in plan.detectors.items() if "file" in known},
    }


def training_recordings() -> DataSet:
    """The shipped recordings that are meant to learn from.

    Returns
    -------
    DataSet
        Of the greenhouse.
    """
    data = open_dataset(shipped("datasets/greenhouse"))
    uses = data.rest["info"]["uses"]
    return data.only(recordings=[name for name in data.recordings if uses[name] == "train"])


def run_part(part: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Run the rows of a part.

    Parameters
    ----------
    part : mapping
        From :func:`parts_of`.

    Returns
    -------
    list of dict
        For each row its number, ``rendered``, and the columns ``RESULTS``.
    """
    if part["rendered"]:
        numbered = zip(part["numbers"], part["rows"], strict=True)
        return [{"run": number, "rendered": True, **_rendered(row, part)} for number, row in numbered]
    chances = [part["chances"][number] for number in part["numbers"]]
    return _fast(part["rows"], part["numbers"], chances, part["duration_s"])


def _fast(
    rows: Sequence[Mapping[str, Any]],
    numbers: Sequence[int],
    chances: Sequence[tuple[int, int, int]],
    duration_s: float | None,
) -> list[dict[str, Any]]:
    first = rows[0]
    names = (*_GAINS, "frame_hz", "lag_s", "max_accel_mps2")
    vary: dict[str, Any] = {name: np.array([row[name] for row in rows]) for name in names}
    vary["delay_s"] = np.array([row["latency_s"] for row in rows])
    vary["hfov_rad"] = np.radians([row["hfov_deg"] for row in rows])
    vary["start_yaw_rad"] = np.radians([row["start_yaw_deg"] for row in rows])
    noises = [noise_of(row) for row in rows]
    vary |= {name: np.array([noise[name] for noise in noises]) for name in noises[0]}
    many = simulate_many(WALKS[first["walk"]], settings_of(first), len(rows), chances, duration_s=duration_s, vary=vary)
    return [
        {"run": number, "rendered": False, **{name: round(float(getattr(many, name)[k]), 6) for name in RESULTS}}
        for k, number in enumerate(numbers)
    ]


def _rendered(row: Mapping[str, Any], part: Mapping[str, Any]) -> dict[str, Any]:
    detector, min_score = _detector(row["detector"], part["files"].get(row["detector"]))
    settings = settings_of(row)
    run = simulate(
        detector,
        WALKS[row["walk"]],
        camera_of(row),
        settings if min_score is None else settings.but(min_score=min_score),
        row["seed"],
        lighting=row["lighting"],
        duration_s=part["duration_s"],
        start=(0.0, 0.0, math.radians(row["start_yaw_deg"])),
    )
    last = run.true_bearings_rad[-max(1, len(run.true_bearings_rad) // 3) :]
    scores = {**run.scores(), "last_bearing_rad": np.sqrt(np.mean(last**2))}
    return {name: round(float(scores[name]), 6) for name in RESULTS}


@lru_cache(maxsize=8)
def _detector(name: str, file: str | None) -> tuple[Any, float | None]:
    """A detector and the score from which it is believed."""
    if name == "ground_truth":
        return GroundTruthDetector(), None
    if file is not None:
        detector = NeuralDetector.load(file, threads=1)
        return detector, detector.facts.get("best_score")
    data = training_recordings()
    color = ColorDetector.from_dataset(data)
    return color, threshold(color, data)
