"""Fault campaigns: whether the trolley still stops in time, whatever breaks.

:func:`fault_campaign` puts a trolley through faults and measures how far it drove
without knowing where the post is, beside the stopping
distance of :func:`robotlab.loop.worst_stopping_distance_m`.

That is a computed figure; on the floor, measure it.  What no loop can notice is a detector that answers in time and wrongly:
judge it before you trust it.  Software is not a safety function.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.detections import Detector
from robotlab.greenhouse import Walk
from robotlab.loop.decide import STATES
from robotlab.loop.fault_model import FaultModel
from robotlab.loop.faults import FAULTS
from robotlab.loop.limits import worst_stopping_distance_m
from robotlab.loop.run import Run
from robotlab.loop.settings import Settings
from robotlab.loop.simulation import simulate

# Slower than this is standing still, m/s.
_STILL_MPS = 1e-3


def blind_distance_m(run: Run) -> float:
    """The longest distance driven on one observation of the post.

    Parameters
    ----------
    run : Run
        Any simulated run.

    Returns
    -------
    float
        Largest way between the moment a picture with the post was taken and
        the moment the next observation was acted on, or the end, m.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector
    >>> from robotlab.greenhouse import WALKS
    >>> 0 < blind_distance_m(simulate(GroundTruthDetector(), WALKS["straight"], duration_s=5, pictures=False)) < 0.2
    True
    """
    run.must_be_simulated("the distance driven on one observation")
    tick = float(run.facts["tick_s"])
    way = np.concatenate([[0.0], np.cumsum(np.abs(run.speeds_mps)) * tick])
    observations = [record for record in run._records if record["kind"] == "observation" and record["box"] is not None]
    taken = [round(float(run.picture_t_s[record["i"]]) / tick) for record in observations]
    acted = [round(record["t"] / tick) for record in observations] + [len(run.t_s)]
    return float(max((way[b] - way[a] for a, b in zip(taken, acted[1:], strict=True)), default=0.0))


@dataclass(frozen=True)
class FaultReport:
    """What one fault led to.

    Attributes
    ----------
    name : str
        The fault.
    blind_m : float
        Longest distance driven on one observation.
    driven_m : float
        Way from the fault until the trolley first stood; NaN if it never did.
    stopping_m : float
        How far it may go: :func:`robotlab.loop.worst_stopping_distance_m`.
    at_rest : bool
        It stood at the end.
    must_rest : bool
        It had to.
    state : str
        Last state.
    run : Run
        The run.
    """

    name: str
    blind_m: float
    driven_m: float
    stopping_m: float
    at_rest: bool
    must_rest: bool
    state: str
    run: Run

    @property
    def kept(self) -> bool:
        """Whether it stood, where it had to, within the stopping distance."""
        way = max(self.blind_m, self.driven_m) if self.must_rest else self.blind_m
        return way <= self.stopping_m and (self.at_rest or not self.must_rest)


def fault_campaign(
    detector: Detector,
    walk: Walk,
    camera: Camera | None = None,
    settings: Settings | None = None,
    seed: int = 0,
    *,
    at_s: float = 5.0,
    after_s: float = 5.0,
    pictures: bool = True,
    faults: Sequence[tuple[str, Callable[[float], FaultModel], bool]] = FAULTS,
) -> list[FaultReport]:
    """Put a trolley through every fault.

    Parameters
    ----------
    detector, walk, camera, settings, seed
        As for :func:`robotlab.loop.simulate`.
    at_s : float
        When each fault begins.
    after_s : float
        How long each run goes on.
    pictures : bool
        As for :func:`robotlab.loop.simulate`.
    faults : sequence of (name, fault, must_rest)
        By default :data:`FAULTS`.

    Returns
    -------
    list of FaultReport
        One for each fault.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector
    >>> from robotlab.greenhouse import WALKS
    >>> reports = fault_campaign(GroundTruthDetector(), WALKS["straight"], pictures=False)
    >>> all(report.kept for report in reports)
    True
    """
    reports = []
    for name, fault, must_rest in faults:
        run = simulate(
            detector,
            walk,
            camera,
            settings,
            seed,
            pictures=pictures,
            duration_s=at_s + after_s,
            faults=fault(at_s),
            strict=False,
        )
        speeds = np.abs(run.speeds_mps)
        begin = int(np.searchsorted(run.t_s, at_s - 1e-6))
        still = np.flatnonzero(speeds[begin:] < _STILL_MPS)
        driven_m = float(speeds[begin : begin + still[0]].sum() * run.facts["tick_s"]) if len(still) else math.nan
        blind_m, limit_m, at_rest = (
            blind_distance_m(run),
            worst_stopping_distance_m(run.settings),
            bool(speeds[-1] < _STILL_MPS),
        )
        state = STATES[run.states[-1]]
        reports.append(FaultReport(name, blind_m, driven_m, limit_m, at_rest, must_rest, state, run))
    return reports
