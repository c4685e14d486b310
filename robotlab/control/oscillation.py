"""Measure the steering loop: its oscillation at one gain, and its latency from a slow-motion film.

Raise the proportional gain until the robot just keeps oscillating.  That gain
is the ultimate gain, and a quarter of the oscillation's period is the whole
delay of the loop: latency, the frame's zero-order hold, motor lag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.checks import number
from robotlab.errors import MotionError


@dataclass(frozen=True)
class Oscillation:
    """What :func:`measure_oscillation` read off a test.

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


def measure_oscillation(errors: Sequence[float], frame_s: float, least: float = 0.0) -> Oscillation:
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
    Oscillation
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
    >>> from robotlab.control.stability import sampled_bearing
    >>> swing = measure_oscillation(sampled_bearing(1.0, 1, 60), frame_s=0.1)
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
        return Oscillation(tuple(peaks), 0.0, math.inf)
    ratio = (peaks[-1] / peaks[0]) ** (1 / (len(peaks) - 1))
    return Oscillation(tuple(peaks), ratio, float(2 * frame * (crossings[len(peaks)] - crossings[0]) / len(peaks)))


def latency_from_film_s(frames: Sequence[int], film_hz: float, loop_hz: float) -> float:
    """Latency of the loop, target to wheel, from a slow-motion film.

    Parameters
    ----------
    frames : (N,) sequence of int
        Frames of the film from the one in which the target has moved to the
        one in which a wheel begins to change, one number for each test.
    film_hz : float
        Frame rate of the film.
    loop_hz : float
        Frame rate of the robot's own loop.

    Returns
    -------
    float
        Mean time less half a frame of the loop, s, and at least 0: a jerk
        falls between two frames, so on average half a frame passes before it
        is seen.  It is from exposure to the command's first effect on a wheel:
        ``delay_s + detector_s`` of :class:`robotlab.loop.Settings`.

    Raises
    ------
    MotionError
        If there is no test, or a number is out of range.

    Notes
    -----
    This is not the delay from camera to screen, which leaves out the detector
    and the motor link.

    Examples
    --------
    >>> round(latency_from_film_s([84, 84], film_hz=240, loop_hz=10), 3)
    0.3
    """
    counts = [number(count, "frames", 0) for count in frames]
    if not counts:
        raise MotionError("frames must hold at least one test, got none; film the target and a wheel together")
    seen = float(np.mean(counts)) / number(film_hz, "film_hz", 0, open_low=True)
    return max(seen - 0.5 / number(loop_hz, "loop_hz", 0, open_low=True), 0.0)
