"""Does the trolley still stop in time, whatever breaks?

:func:`campaign` puts a trolley through faults and measures how far it drove
without knowing where the post is, beside the distance promised by
:func:`promise_m`.

A promise that holds in simulation is a computed figure; on the floor, measure
it.  What no loop can notice is a tracker that answers in time and wrongly:
judge it before you trust it.  Software is not a safety function.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.follow.decide import STATES
from robotlab.follow.faults import FAULTS
from robotlab.follow.hooks import NoFaults
from robotlab.follow.run import Run
from robotlab.follow.settings import Settings
from robotlab.follow.simulate import simulate
from robotlab.greenhouse import Walk
from robotlab.motion import promised_stop_m
from robotlab.trackers import Tracker

# Slower than this is standing still, m/s.
_STILL_MPS = 1e-3


def promise_m(settings: Settings) -> float:
    """The longest way the trolley should drive without a fresh sight.

    Parameters
    ----------
    settings : Settings
        All the numbers.

    Returns
    -------
    float
        Stopping distance from the highest speed, m, after the longest of the
        waits: until the last sight is given up (frame, delays, coasting), or
        until the watchdog trips; two ticks; and the board's time-out, for a
        computer that hangs just then.

    Examples
    --------
    >>> 0.5 < promise_m(Settings()) < 1.0
    True
    """
    s = settings
    under_way = s.delay_s + s.tracker_s
    wait = max(s.frame_s + s.coast_s, s.silence_s)
    # Without a limit the wheels stop as fast as the motors can.
    accel = s.max_accel if s.max_accel is not None else 1e9
    top = min(s.max_mps, s.motor.max_mps)
    return promised_stop_m(
        top, accel, silence_s=wait, check_s=2 / s.ramp_hz, delay_s=under_way, motor_lag_s=s.motor.lag_s, max_jerk=s.max_jerk,
        board_timeout_s=s.link_timeout_s,
    )  # fmt: skip


def blind_way_m(run: Run) -> float:
    """The longest way driven on one sight of the post.

    Parameters
    ----------
    run : Run
        Any simulated run.

    Returns
    -------
    float
        Largest way between the moment a picture with the post was taken and
        the moment the next sight was acted on, or the end, m.

    Examples
    --------
    >>> from robotlab.follow import Oracle
    >>> from robotlab.greenhouse import WALKS
    >>> 0 < blind_way_m(simulate(Oracle(), WALKS["straight"], duration_s=5, pictures=False)) < 0.2
    True
    """
    run.must_be_simulated("the way driven on one sight")
    tick = float(run.facts["tick_s"])
    way = np.concatenate([[0.0], np.cumsum(np.abs(run.speeds_mps)) * tick])
    sights = [record for record in run._records if record["kind"] == "sight" and record["box"] is not None]
    taken = [round(float(run.picture_t_s[record["i"]]) / tick) for record in sights]
    acted = [round(record["t"] / tick) for record in sights] + [len(run.t_s)]
    return float(max((way[b] - way[a] for a, b in zip(taken, acted[1:], strict=True)), default=0.0))


@dataclass(frozen=True)
class FaultReport:
    """What one fault led to.

    Attributes
    ----------
    name : str
        The fault.
    blind_m : float
        Longest way driven on one sight.
    stop_m : float
        Way from the fault until the trolley first stood; NaN if it never did.
    promise_m : float
        The promise.
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
    stop_m: float
    promise_m: float
    at_rest: bool
    must_rest: bool
    state: str
    run: Run

    @property
    def kept(self) -> bool:
        """Whether the promise was kept."""
        way = max(self.blind_m, self.stop_m) if self.must_rest else self.blind_m
        return way <= self.promise_m and (self.at_rest or not self.must_rest)


def campaign(
    tracker: Tracker,
    walk: Walk,
    camera: Camera | None = None,
    settings: Settings | None = None,
    seed: int = 0,
    *,
    at_s: float = 5.0,
    after_s: float = 5.0,
    pictures: bool = True,
    faults: Sequence[tuple[str, Callable[[float], NoFaults], bool]] = FAULTS,
) -> list[FaultReport]:
    """Put a trolley through every fault.

    Parameters
    ----------
    tracker, walk, camera, settings, seed
        As for :func:`robotlab.follow.simulate`.
    at_s : float
        When each fault begins.
    after_s : float
        How long each run goes on.
    pictures : bool
        As for :func:`robotlab.follow.simulate`.
    faults : sequence of (name, fault, must_rest)
        By default :data:`FAULTS`.

    Returns
    -------
    list of FaultReport
        One for each fault.

    Examples
    --------
    >>> from robotlab.follow import Oracle
    >>> from robotlab.greenhouse import WALKS
    >>> reports = campaign(Oracle(), WALKS["straight"], pictures=False)
    >>> all(report.kept for report in reports)
    True
    """
    reports = []
    for name, fault, must_rest in faults:
        run = simulate(tracker, walk, camera, settings, seed, pictures=pictures, duration_s=at_s + after_s, faults=fault(at_s), strict=False)
        moving = np.abs(run.speeds_mps) >= _STILL_MPS
        begin = int(np.searchsorted(run.t_s, at_s - 1e-6))
        still = np.flatnonzero(~moving[begin:])
        stop = float(np.abs(run.speeds_mps[begin : begin + still[0]]).sum() * run.facts["tick_s"]) if len(still) else math.nan
        reports.append(
            FaultReport(name, blind_way_m(run), stop, promise_m(run.settings), bool(not moving[-1]), must_rest, STATES[run.states[-1]], run)
        )
    return reports
