"""The rows of the design sheet: what each figure is, its formula, source, and how it is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

from robotlab.control.stability import GAIN_MARGIN

_PINHOLE = "pinhole camera, Hartley & Zisserman, Multiple View Geometry, 2nd ed., chapter 6"
_STOP = (
    "speed times reaction and stopping time (ISO 13855, from memory), uniform deceleration (Biagiotti & Melchiorri, 2008, chapter 3); "
    "a first-order lag adds v lag"
)
_GAIN = "Levin & May, Theoretical Population Biology 9:178-187, 1976; with motor lag the eigenvalues of the same sampled loop"


@dataclass(frozen=True)
class Row:
    """One figure, predicted and measured.

    Attributes
    ----------
    key : str
        Short name.
    name : str
        What it is.
    unit : str
        Its unit.
    predicted : float
        By formula; may be infinite ("never").
    measured : float or None
        In simulation; ``None`` where it was not measured or no limit was found.
    within_percent : float or None
        How far apart the two may be for the sheet to be trusted.
    formula, source : str
        What predicts it, and where that is published.
    how : str
        What was done to measure it.
    """

    key: str
    name: str
    unit: str
    predicted: float
    measured: float | None
    within_percent: float | None
    formula: str
    source: str
    how: str

    @property
    def difference_percent(self) -> float | None:
        """Measured less predicted, in percent of predicted."""
        if self.measured is None or not math.isfinite(self.predicted) or self.predicted == 0:
            return None
        return 100 * (self.measured - self.predicted) / self.predicted


# key, name, unit, within %, formula, source, how measured
LINES: tuple[tuple[str, str, str, float | None, str, str, str], ...] = (
    (
        "near",
        "near limit",
        "m",
        10,
        "where an edge of the picture meets the foot or the top of the target, and half its width more",
        _PINHOLE,
        "rendered at distances from 0.12 to 20 m, the detector asked: nearest with the target whole and rightly boxed in 8 of 10 pictures",
    ),
    (
        "far",
        "far limit",
        "m",
        10,
        "f H / smallest px for a level camera",
        _PINHOLE,
        "the same: farthest with the target whole and rightly boxed in 8 of 10 pictures",
    ),
    (
        "object",
        "height of the smallest usable object, {at:.2f} m away",
        "m",
        None,
        "smallest px · Z / f for a level camera",
        _PINHOLE,
        "the target is rendered smaller and smaller at that distance: smallest rightly boxed in 8 of 10 pictures",
    ),
    (
        "ultimate_gain",
        "ultimate gain",
        "1/s",
        5,
        "2 sin(π / (2 (2 d + 1))) / frame time for d frames of delay and no lag",
        _GAIN,
        "the stepped simulated loop, one gain after another: the first whose oscillation grows",
    ),
    (
        "safe_gain",
        f"largest safe gain, gain margin {GAIN_MARGIN:g}",
        "1/s",
        5,
        f"ultimate gain / {GAIN_MARGIN:g} (6 dB)",
        "common practice, no source",
        f"measured ultimate gain / {GAIN_MARGIN:g}",
    ),
    (
        "stop",
        "stopping distance at top speed",
        "m",
        15,
        "v t + v² / (2 a), with t = latency + watchdog time-out + two ramp steps + command time-out + lag",
        _STOP,
        "simulated: distance from the last good picture to rest, the longest of target gone or camera hung, each with a computer that goes on or hangs",
    ),
    (
        "safe_speed",
        "largest safe speed",
        "m/s",
        15,
        "stopping distance = distance kept - radius - half the target",
        _STOP,
        "simulated drives at a standing target, all lost at the distance kept: the fastest that stops before contact",
    ),
)
