"""Faults on purpose: does the trolley still stop in time?

Each fault begins at a given time and stays.  :func:`campaign` puts a trolley
through all of them and measures how far it drove without knowing where the
post is, beside the distance promised by :func:`promise_m`.

A promise that holds in simulation is a computed figure; on the floor, measure
it.  Software is not a safety function.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.follow.decide import STATES
from robotlab.follow.hooks import NoFaults, Shot
from robotlab.follow.run import Run
from robotlab.follow.settings import Settings
from robotlab.follow.simulate import simulate
from robotlab.greenhouse import Walk
from robotlab.motion import promised_stop_m
from robotlab.trackers import Detections, Tracker

# Slower than this is standing still, m/s.
_STILL_MPS = 1e-3


@dataclass
class Dropped(NoFaults):
    """Pictures get lost at random: a share of them, or all.

    Parameters
    ----------
    from_s : float
        When it begins.
    share : float
        Share of the pictures that is lost.
    seed : int
        Which ones.
    """

    from_s: float
    share: float = 1.0
    seed: int = 0

    def shots(self, index: int, t_s: float, shot: Shot) -> list[tuple[Shot, float]]:
        """Nothing, or the picture."""
        lost = t_s >= self.from_s and np.random.default_rng([self.seed, index]).random() < self.share
        return [] if lost else [(shot, 0.0)]


@dataclass
class Frozen(NoFaults):
    """The camera hangs: the same picture comes again and again.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    from_s: float
    _held: Shot | None = None

    def shots(self, index: int, t_s: float, shot: Shot) -> list[tuple[Shot, float]]:
        """The picture, or the one held."""
        if t_s < self.from_s or self._held is None:
            self._held = shot
        return [(self._held, 0.0)]


@dataclass
class Late(NoFaults):
    """Pictures arrive later than they should.

    Parameters
    ----------
    from_s : float
        When it begins.
    extra_s : float
        How much later.
    """

    from_s: float
    extra_s: float = 1.0

    def shots(self, index: int, t_s: float, shot: Shot) -> list[tuple[Shot, float]]:
        """The picture, later."""
        return [(shot, self.extra_s if t_s >= self.from_s else 0.0)]


@dataclass
class Duplicated(NoFaults):
    """Each picture arrives twice, the second time half a second later.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    from_s: float

    def shots(self, index: int, t_s: float, shot: Shot) -> list[tuple[Shot, float]]:
        """The picture, twice."""
        return [(shot, 0.0), (shot, 0.5)] if t_s >= self.from_s else [(shot, 0.0)]


@dataclass
class Corrupted(NoFaults):
    """Pictures arrive cut short, so that they cannot be read.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    from_s: float

    def shots(self, index: int, t_s: float, shot: Shot) -> list[tuple[Shot, float]]:
        """Half a row of pixels, and no true box."""
        if t_s < self.from_s:
            return [(shot, 0.0)]
        half = None if shot.picture is None else shot.picture[0, : shot.picture.shape[1] // 2]
        return [(Shot(half, np.full(4, math.nan), 1.0), 0.0)]


@dataclass
class TrackerRaises(NoFaults):
    """The tracker raises an error for every picture.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    from_s: float

    def found(self, index: int, t_s: float, found: Detections) -> Detections:
        """An error, or what was found."""
        if t_s >= self.from_s:
            raise RuntimeError("the tracker broke, on purpose")
        return found


@dataclass
class TrackerNaN(NoFaults):
    """The tracker gives boxes of NaN.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    from_s: float

    def found(self, index: int, t_s: float, found: Detections) -> Detections:
        """NaN, or what was found."""
        return found if t_s < self.from_s else Detections(np.full((1, 4), math.nan), [1.0], [0], found.classes)


@dataclass
class TrackerSlow(NoFaults):
    """The tracker takes longer.

    Parameters
    ----------
    from_s : float
        When it begins.
    extra_s : float
        How much longer for each picture.
    """

    from_s: float
    extra_s: float = 0.9

    def tracker_extra_s(self, t_s: float) -> float:
        """The extra time."""
        return self.extra_s if t_s >= self.from_s else 0.0


@dataclass
class ClockJumps(NoFaults):
    """The computer's clock jumps.

    Parameters
    ----------
    from_s : float
        When.
    by_s : float
        How far; negative is backwards.
    """

    from_s: float
    by_s: float

    def clock(self, t_s: float) -> float:
        """The wrong time."""
        return t_s + (self.by_s if t_s >= self.from_s else 0.0)


@dataclass
class LinkLost(NoFaults):
    """The motor link is cut.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    from_s: float

    def link(self, t_s: float) -> bool:
        """False from then on."""
        return t_s < self.from_s


# Name, fault from its time, and whether the trolley must be at rest in the end.
FAULTS: tuple[tuple[str, Callable[[float], NoFaults], bool], ...] = (
    ("every second picture dropped", lambda t: Dropped(t, 0.5), False),
    ("no picture", Dropped, True),
    ("frozen picture", Frozen, True),
    ("pictures a second late", Late, True),
    ("pictures twice", Duplicated, False),
    ("pictures cut short", Corrupted, True),
    ("tracker raises", TrackerRaises, True),
    ("tracker gives NaN", TrackerNaN, True),
    ("tracker ten times too slow", TrackerSlow, False),
    ("clock jumps forward", lambda t: ClockJumps(t, 5.0), True),
    ("clock jumps back", lambda t: ClockJumps(t, -5.0), True),
    ("motor link cut", LinkLost, True),
)


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
        waits: until the last sight is given up (frame, delays, coasting),
        until the watchdog trips, or until the motors time out; and two ticks.

    Examples
    --------
    >>> 0.5 < promise_m(Settings()) < 1.0
    True
    """
    s = settings
    under_way = s.delay_s + s.tracker_s
    wait = max(under_way + s.frame_s + s.coast_s, under_way + s.silence_s, s.link_timeout_s)
    # Without a limit the wheels stop as fast as the motors can.
    accel = s.max_accel if s.max_accel is not None else 1e9
    top = min(s.max_mps, s.motor.max_mps)
    return promised_stop_m(
        top, accel, silence_s=wait, check_s=2 / s.ramp_hz, motor_lag_s=s.motor.lag_s, max_jerk=s.max_jerk
    )


def blind_way_m(run: Run) -> float:
    """The longest way driven on one sight of the post.

    Parameters
    ----------
    run : Run
        Any run.

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
    tick = float(run.facts["tick_s"])
    way = np.concatenate([[0.0], np.cumsum(np.abs(run.speeds_mps)) * tick])
    sights = [record for record in run._records if record["kind"] == "sight" and record["box"] is not None]
    taken = [round(float(run.picture_t_s[record["i"]]) / tick) for record in sights]
    acted = [round(record["t"] / tick) for record in sights][1:] + [len(run.t_s)]
    return float(max((way[b] - way[a] for a, b in zip(taken, acted, strict=True)), default=0.0))


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
