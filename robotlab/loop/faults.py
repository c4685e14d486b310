"""Fault injection: what can go wrong in a simulated loop.

Each fault begins at a given time and stays.  Write your own by inheriting from
:class:`robotlab.loop.FaultModel`; :func:`robotlab.loop.fault_campaign` puts a
trolley through all of :data:`FAULTS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from robotlab.detections import Detections
from robotlab.loop.fault_model import CameraFrame, FaultModel


@dataclass
class _Beginning(FaultModel):
    """A fault that begins at a given time."""

    from_s: float

    def begun(self, t_s: float) -> bool:
        return t_s >= self.from_s


@dataclass
class Dropped(_Beginning):
    """Pictures get lost at random: some of them, or all.

    Parameters
    ----------
    from_s : float
        When it begins.
    probability : float
        Of each picture to be lost.
    seed : int
        Which ones.
    """

    probability: float = 1.0
    seed: int = 0

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        """Nothing, or the picture."""
        lost = self.begun(t_s) and np.random.default_rng([self.seed, index]).random() < self.probability
        return [] if lost else [(frame, 0.0)]


@dataclass
class Frozen(_Beginning):
    """The camera hangs: the same picture comes again and again.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    _held: CameraFrame | None = None

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        """The picture, or the one held."""
        if not self.begun(t_s) or self._held is None:
            self._held = frame
        return [(self._held, 0.0)]


@dataclass
class Late(_Beginning):
    """Pictures arrive later than they should.

    Parameters
    ----------
    from_s : float
        When it begins.
    extra_s : float
        How much later.
    """

    extra_s: float = 1.0

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        """The picture, later."""
        return [(frame, self.extra_s if self.begun(t_s) else 0.0)]


class Duplicated(_Beginning):
    """Each picture arrives twice, the second time half a second later.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        """The picture, twice."""
        return [(frame, 0.0), (frame, 0.5)] if self.begun(t_s) else [(frame, 0.0)]


class Corrupted(_Beginning):
    """Pictures arrive cut short, so that they cannot be read.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        """Half a row of pixels, and no true box."""
        if not self.begun(t_s):
            return [(frame, 0.0)]
        half = None if frame.picture is None else frame.picture[0, : frame.picture.shape[1] // 2]
        return [(CameraFrame(half, np.full(4, math.nan), 1.0), 0.0)]


class DetectorRaises(_Beginning):
    """The detector raises an error for every picture.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    def found(self, index: int, t_s: float, found: Detections) -> Detections:
        """An error, or what was found."""
        if self.begun(t_s):
            raise RuntimeError("the detector broke, on purpose")
        return found


class DetectorNaN(_Beginning):
    """The detector gives boxes of NaN.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    def found(self, index: int, t_s: float, found: Detections) -> Detections:
        """NaN, or what was found."""
        if not self.begun(t_s):
            return found
        return Detections(np.full((1, 4), math.nan), np.ones(1), np.zeros(1, int), found.classes)


@dataclass
class DetectorSlow(_Beginning):
    """The detector takes longer.

    Parameters
    ----------
    from_s : float
        When it begins.
    extra_s : float
        How much longer for each picture.
    """

    extra_s: float = 0.9

    def detector_extra_s(self, t_s: float) -> float:
        """The extra time."""
        return self.extra_s if self.begun(t_s) else 0.0


@dataclass
class ClockJumps(_Beginning):
    """The computer's clock jumps.

    Parameters
    ----------
    from_s : float
        When.
    by_s : float
        How far; negative is backward.
    for_s : float
        For how long.
    """

    by_s: float
    for_s: float = math.inf

    def clock(self, t_s: float) -> float:
        """The wrong time."""
        return t_s + (self.by_s if 0 <= t_s - self.from_s < self.for_s else 0.0)


@dataclass
class ClockRate(_Beginning):
    """The computer's clock runs at another rate, or stands still.

    Parameters
    ----------
    from_s : float
        When it begins.
    rate : float
        Seconds on the clock for each true one; 0 stands still.
    """

    rate: float = 0.0

    def clock(self, t_s: float) -> float:
        """The wrong time."""
        return min(t_s, self.from_s) + self.rate * max(t_s - self.from_s, 0.0)


class WrongSign(_Beginning):
    """The two motors are swapped: the trolley turns the wrong way.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    def motors(self, t_s: float, left_mps: float, right_mps: float) -> tuple[float, float]:
        """Left for right."""
        return (right_mps, left_mps) if self.begun(t_s) else (left_mps, right_mps)


class LinkLost(_Beginning):
    """The motor link is cut.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    def link(self, t_s: float) -> bool:
        """False from then on."""
        return not self.begun(t_s)


class NearlyFrozen(Frozen):
    """The camera hangs, but a clock is drawn over its last picture.

    Parameters
    ----------
    from_s : float
        When it begins.
    """

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        """The picture, or the one held with a few other pixels."""
        [(held, late_s)] = super().frames(index, t_s, frame)
        if not self.begun(t_s) or held.picture is None:
            return [(held, late_s)]
        picture = held.picture.copy()
        picture[: picture.shape[0] // 12, : picture.shape[1] // 6] = index * 37 % 256
        return [(CameraFrame(picture, held.truth, held.visible), late_s)]


@dataclass
class Recycled(_Beginning):
    """The driver hands out its last buffers again and again, with new times.

    Parameters
    ----------
    from_s : float
        When it begins.
    buffers : int
        How many there are.
    """

    buffers: int = 2
    _held: tuple[CameraFrame, ...] = ()

    def frames(self, index: int, t_s: float, frame: CameraFrame) -> list[tuple[CameraFrame, float]]:
        """The picture, or an old one."""
        if not self.begun(t_s):
            self._held = (*self._held, frame)[-self.buffers :]
            return [(frame, 0.0)]
        return [(self._held[index % len(self._held)], 0.0)] if self._held else []


# Name, fault from its time, and whether the trolley must be at rest in the end.
FAULTS: tuple[tuple[str, Callable[[float], FaultModel], bool], ...] = (
    ("half of the pictures dropped", lambda t: Dropped(t, 0.5), False),
    ("no picture", Dropped, True),
    ("frozen picture", Frozen, True),
    ("pictures a second late", Late, True),
    ("frozen with a clock", NearlyFrozen, True),
    ("old pictures in turn", Recycled, True),
    ("pictures of a queue", lambda t: Late(t, 1.5), True),
    ("pictures twice", Duplicated, False),
    ("pictures cut short", Corrupted, True),
    ("detector raises", DetectorRaises, True),
    ("detector gives NaN", DetectorNaN, True),
    ("detector ten times too slow", DetectorSlow, False),
    ("clock jumps forward", lambda t: ClockJumps(t, 5.0), True),
    ("clock jumps back", lambda t: ClockJumps(t, -5.0), True),
    # For a little longer than a tick, so that one of them sees it.
    ("clock jumps once", lambda t: ClockJumps(t, 5.0, 0.025), True),
    ("clock stands still", ClockRate, True),
    ("clock half as fast", lambda t: ClockRate(t, 0.5), True),
    ("motor link cut", LinkLost, True),
    ("steering the wrong way", WrongSign, False),
)
