"""Reading a swing: what a steering test at one gain says.

Raise the steering gain until the robot just keeps swinging.  That gain is the
limit, and a quarter of the swing's period is how late everything acts
together: camera, tracker, the frame's hold, motors.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.errors import MotionError
from robotlab.motion.checks import number


@dataclass(frozen=True)
class Swing:
    """What :func:`measure_swing` read off a test.

    Attributes
    ----------
    peaks : tuple of float
        Size of the swings to one side and the other, one after another,
        without the first approach.
    ratio : float
        By how much each swing is larger than the one before, on average
        (geometric mean); below 1 they die out.  0 with fewer than two swings.
    period_s : float
        Time of a full swing there and back; infinite with fewer than two.
    """

    peaks: tuple[float, ...]
    ratio: float
    period_s: float


def measure_swing(errors: Sequence[float], frame_s: float, least: float = 0.0) -> Swing:
    """Measure how a bearing swings about zero.

    Parameters
    ----------
    errors : sequence of float
        Bearing error in each frame of a test, positive to the left.
    frame_s : float
        Time between two frames.
    least : float
        Swings smaller than this, and all after them, are taken for noise.
        Same unit as `errors`.

    Returns
    -------
    Swing
        Its peaks, their ratio, its period.

    Raises
    ------
    MotionError
        If a number is not finite or there are fewer than three.

    Notes
    -----
    A swing reaches from one zero crossing to the next; crossings are placed
    between two frames by a straight line.  At the limit of the loop without
    motor lag the period is ``4 (d + 1/2)`` frames for a delay of ``d`` frames,
    and ``4 T`` without frames (Ziegler and Nichols, *Trans. ASME* 64:759-768,
    1942, use gain and period at the limit; cited from memory).

    Examples
    --------
    >>> from robotlab.motion import sampled_bearing
    >>> swing = measure_swing(sampled_bearing(1.0, 1, 60), frame_s=0.1)
    >>> round(swing.ratio, 6), round(swing.period_s, 6)
    (1.0, 0.6)
    """
    values = np.asarray(errors, float)
    frame = number(frame_s, "frame_s", 0, open_low=True)
    least = number(least, "least", 0)
    if values.ndim != 1 or len(values) < 3:
        raise MotionError(f"errors must be at least 3 numbers in a row, got shape {values.shape}; record for longer")
    if not np.isfinite(values).all():
        raise MotionError("errors must be finite, some are not; leave out frames without a target")
    # Zeros on the line take the side that they come from, so that each crossing counts once.
    side = np.sign(values)
    held = side[np.maximum.accumulate(np.where(side != 0, np.arange(len(side)), 0))]
    before = np.flatnonzero(held[1:] * held[:-1] < 0)
    crossings = before + values[before] / (values[before] - values[before + 1])
    peaks: list[float] = []
    for first, last in zip(before[:-1], before[1:], strict=True):
        peak = float(np.abs(values[first + 1 : last + 1]).max())
        if peak < least:
            break
        peaks.append(peak)
    if len(peaks) < 2:
        return Swing(tuple(peaks), 0.0, math.inf)
    ratio = (peaks[-1] / peaks[0]) ** (1 / (len(peaks) - 1))
    return Swing(tuple(peaks), ratio, float(2 * frame * (crossings[len(peaks)] - crossings[0]) / len(peaks)))
