"""Frame times of a run: how often, how old, how many at once.

Throughput is how many pictures are worked on each second; latency is how old
a picture is when its result is acted on.  A slow stage limits the first, all
stages together make the second, and the two are bound by Little's law.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from robotlab.checks import number
from robotlab.errors import InputError
from robotlab.loop.run import Run

# As NumPy calls them.
_METHODS: dict[str, Literal["linear", "inverted_cdf"]] = {"linear": "linear", "nearest_rank": "inverted_cdf"}


def percentile(values: Sequence[float] | np.ndarray, percent: float, method: str = "linear") -> float:
    """The value that a fraction of the values does not exceed.

    Parameters
    ----------
    values : (N,) sequence of float
        Any order, at least one.
    percent : float
        0 to 100.
    method : {"linear", "nearest_rank"}
        ``linear`` goes straight between the two values at the place
        ``(N - 1) percent / 100``; ``nearest_rank`` takes the value of rank
        ``ceil(N percent / 100)``, one that was really measured (types 7 and 1
        of Hyndman and Fan, *The American Statistician* 50:361-365, 1996).

    Returns
    -------
    float
        In the unit of the values.

    Raises
    ------
    InputError
        If there is no value, one is not finite, or the method is unknown.

    Examples
    --------
    >>> [percentile([15, 20, 35, 40, 50], 40, method) for method in ("linear", "nearest_rank")]
    [29.0, 20.0]
    """
    numbers = np.asarray(values, float).ravel()
    if not len(numbers) or not np.isfinite(numbers).all():
        raise InputError(
            f"values must be at least one number, all finite, got {len(numbers)}; leave out what was not measured"
        )
    if method not in _METHODS:
        raise InputError(f"method must be linear or nearest_rank, got {method!r}; name one of them, they differ")
    return float(np.percentile(numbers, number(percent, "percent", 0, 100), method=_METHODS[method]))


@dataclass(frozen=True)
class FrameTimes:
    """Frame times of a run.

    Attributes
    ----------
    taken, used : int
        Pictures taken, and pictures whose result was acted on.
    throughput_hz : float
        Pictures acted on in each second of the run.
    latency_mean_s, latency_p50_s, latency_p95_s, latency_worst_s : float
        Age of a picture when it is acted on; percentiles by the nearest rank,
        so each is a latency that occurred.
    in_flight : float
        Mean number of pictures under way, of those that were used: counted
        along the run, not computed from the others.
    """

    taken: int
    used: int
    throughput_hz: float
    latency_mean_s: float
    latency_p50_s: float
    latency_p95_s: float
    latency_worst_s: float
    in_flight: float


def frame_times(run: Run) -> FrameTimes:
    """Measure the frame times of a run.

    Parameters
    ----------
    run : Run
        Any run in which a picture was acted on, simulated or real.

    Returns
    -------
    FrameTimes
        From the times in its log.

    Raises
    ------
    InputError
        If no picture was acted on.

    Notes
    -----
    Little's law (*Operations Research* 9:383-387, 1961): pictures in flight =
    throughput times mean latency, whatever happens on the way.  It holds here
    up to the pictures still under way at the end.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, Settings, simulate
    >>> from robotlab.greenhouse import WALKS
    >>> run = simulate(GroundTruthDetector(), WALKS["straight"], settings=Settings(frame_hz=10, delay_s=0.3), duration_s=10, pictures=False)
    >>> round(frame_times(run).latency_mean_s, 3), round(frame_times(run).in_flight, 1)
    (0.3, 2.9)
    """
    observations = [record for record in run._records if record["kind"] == "observation"]
    if not observations:
        raise InputError("frame times need a picture that was acted on, this run has none; let it run longer")
    taken = run.picture_t_s[[record["i"] for record in observations]]
    acted = np.array([record["t"] for record in observations])
    ages = acted - taken
    # The log says when a tick begins; the last one lasts as long as the others.
    # On a real trolley they are uneven.
    gaps = np.diff(run.t_s)
    held = np.append(gaps, gaps.mean() if len(gaps) else 1.0)
    # Under way in a tick: taken at its beginning or before, acted on later.
    ticks = run.t_s[:, None] + 1e-6
    under_way = ((taken[None] <= ticks) & (acted[None] > ticks)).sum(axis=1)
    return FrameTimes(
        len(run.picture_t_s),
        len(observations),
        len(observations) / float(held.sum()),
        float(ages.mean()),
        percentile(ages, 50, "nearest_rank"),
        percentile(ages, 95, "nearest_rank"),
        float(ages.max()),
        float(np.average(under_way, weights=held)),
    )
