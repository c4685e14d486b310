"""The ultimate gain by trying: a sweep, and a guided search."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.checks import number
from robotlab.errors import MotionError


def oscillation_growth(errors: Sequence[float]) -> float:
    """Factor by which a measured oscillation grows from its middle to its end.

    Parameters
    ----------
    errors : sequence of float
        Bearing errors of a test, one for each frame, at least 12.

    Returns
    -------
    float
        Root mean square of the last third over that of the middle third;
        below 1 the oscillation dies out.  0 if both are all zero; infinite if it
        grew too large for a float.

    Raises
    ------
    MotionError
        If there are too few, or a number is not finite.

    Examples
    --------
    >>> oscillation_growth([0.5**k for k in range(12)])
    0.0625
    """
    values = np.asarray(errors, float)
    if values.ndim != 1 or len(values) < 12:
        raise MotionError(f"errors must be at least 12 numbers in a row, got shape {values.shape}; record for longer")
    bad = np.flatnonzero(~np.isfinite(values))
    # What is not finite after an infinite one comes of it: the swing grew beyond all numbers.
    if len(bad) and np.isinf(values[bad[0]]):
        return math.inf
    if len(bad):
        raise MotionError("errors must be finite, some are not; leave out frames without a target")
    third = len(values) // 3
    # By the largest, so that no square is too large for a float; what is too
    # small for one has died out.
    values = values / (np.abs(values).max() or 1.0)
    values[np.abs(values) < 1e-150] = 0.0
    middle, last = values[-2 * third : -third], values[-third:]
    size = math.sqrt(float(np.mean(middle**2)))
    if not size:
        return math.inf if last.any() else 0.0
    return math.sqrt(float(np.mean(last**2))) / size


def gain_sweep(loop: Callable[[float], Sequence[float]], gains: Sequence[float]) -> list[tuple[float, float]]:
    """Growth of the oscillation for each of several gains.

    Parameters
    ----------
    loop : callable
        Takes a gain, runs the loop and returns the bearing errors.
    gains : sequence of float
        Gains to try, 1/s.

    Returns
    -------
    list of (gain, growth) : list of tuple of float
        As :func:`oscillation_growth` measures it.

    Examples
    --------
    >>> from robotlab.control.stability import sampled_bearing
    >>> rows = gain_sweep(lambda a: sampled_bearing(a, 1, 300), [0.5, 1.5])
    >>> [growth < 1 for _, growth in rows]
    [True, False]
    """
    return [(float(gain), oscillation_growth(loop(gain))) for gain in gains]


# A swing that the motors' limits hold is as wide in the last third as in the
# middle one, give or take a few per cent (measured on simulated trolleys), and
# must not count as dying out.  It makes a linear loop's limit come out 1 % low
# from tests of 200 frames, 3 % at ten frames of delay: on the safe side.
_DIES_OUT = 0.9
# 1.5 to this power is more than 10^8: who starts that far below the limit?
_MOST_RAISES = 48


@dataclass(frozen=True)
class GainSearch:
    """What :func:`find_gain_limit` found.

    Attributes
    ----------
    limit : float
        Largest gain whose swing still died out.
    tried : tuple of (gain, growth)
        Every test, in order.
    """

    limit: float
    tried: tuple[tuple[float, float], ...]


def find_gain_limit(
    loop: Callable[[float], Sequence[float]], first_gain: float, tolerance: float = 0.005, most_gain: float = math.inf
) -> GainSearch:
    """Find the ultimate gain by trying, as one does with a robot.

    Start with a gain that is surely small.  Jump the target aside and watch:
    if the oscillation dies out, raise the gain by half; if it grows or stays, you
    have passed the limit, so halve the bracket until it is narrow enough.

    Parameters
    ----------
    loop : callable
        Takes a gain, runs the test and returns the bearing errors.
    first_gain : float
        Where to start, 1/s; its swing must die out.
    tolerance : float
        Width of the last bracket, as a share of the limit.
    most_gain : float
        Never try more than this (a limit that the robot must not pass).

    Returns
    -------
    GainSearch
        The limit and every test.

    Raises
    ------
    MotionError
        If the first gain already swings wider and wider, or no gain does.

    Notes
    -----
    "Dies out" means that the last third of the test swings less than .9 times
    as wide as the middle one (:func:`oscillation_growth`): where motors or limits
    hold an unstable swing it does not grow, it stays.

    Simulate first.  On a real robot: wheels off the ground for the first
    test, then a clear floor, a low speed limit and a hand on the power switch.

    Examples
    --------
    >>> from robotlab.control.stability import sampled_bearing
    >>> search = find_gain_limit(lambda a: sampled_bearing(a, 2, 2000), first_gain=0.1)
    >>> round(search.limit, 2)
    0.62
    """
    gain = number(first_gain, "first_gain", 0, open_low=True)
    number(tolerance, "tolerance", 0, open_low=True)
    tried = [(gain, oscillation_growth(loop(gain)))]
    if tried[0][1] >= _DIES_OUT:
        raise MotionError(
            f"first_gain must be stable, {gain:g} swings {tried[0][1]:.3g} times wider; start with a smaller one"
        )
    low, high = gain, None
    while high is None and gain < most_gain:
        if len(tried) > _MOST_RAISES:
            raise MotionError(
                f"some gain must swing wider and wider, up to {gain:.3g} none did; check that the loop uses the gain"
            )
        gain = min(1.5 * gain, most_gain)
        tried.append((gain, oscillation_growth(loop(gain))))
        if tried[-1][1] >= _DIES_OUT:
            high = gain
        else:
            low = gain
    while high is not None and high - low > tolerance * high:
        gain = (low + high) / 2
        tried.append((gain, oscillation_growth(loop(gain))))
        if tried[-1][1] >= _DIES_OUT:
            high = gain
        else:
            low = gain
    return GainSearch(low, tuple(tried))
