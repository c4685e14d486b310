"""Search for the ultimate gain: raise the gain until the loop oscillates."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import bisect

from robotlab.checks import number
from robotlab.errors import MotionError


def oscillation_growth(errors: Sequence[float] | np.ndarray) -> float:
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


# 1.5 to this power is more than 10^8: who starts that far below the limit?
_MOST_RAISES = 48


@dataclass(frozen=True)
class GainSearch:
    """What :func:`find_ultimate_gain` found.

    Attributes
    ----------
    ultimate_gain : float
        Largest gain whose oscillation still died out, 1/s.
    tried : tuple of (gain, growth)
        Every test, in order.
    """

    ultimate_gain: float
    tried: tuple[tuple[float, float], ...]


def find_ultimate_gain(
    loop: Callable[[float], Sequence[float] | np.ndarray],
    first_gain: float,
    tolerance: float = 0.005,
    most_gain: float = math.inf,
    dies_out: float = 0.9,
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
        Width of the last bracket, as a fraction of the limit.
    most_gain : float
        Never try more than this (a limit that the robot must not pass).
    dies_out : float
        Growth below which the oscillation counts as dying out.

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
    hold an unstable oscillation it does not grow, it stays as wide, give or take
    a few percent (measured on simulated trolleys).  A linear loop's ultimate
    gain comes out 1 % low for that from tests of 200 frames, 3 % at ten frames
    of delay: on the safe side.

    Simulate first.  On a real robot: wheels off the ground for the first
    test, then a clear floor, a low speed limit and a hand on the power switch.

    Examples
    --------
    >>> from robotlab.control.stability import sampled_bearing
    >>> search = find_ultimate_gain(lambda a: sampled_bearing(a, 2, 2000), first_gain=0.1)
    >>> round(search.ultimate_gain, 2)
    0.62
    """
    gain = number(first_gain, "first_gain", 0, open_low=True)
    number(tolerance, "tolerance", 0, open_low=True)
    tried: dict[float, float] = {}

    def excess(gain: float) -> float:
        """0 or more where the oscillation does not die out."""
        if gain not in tried:
            tried[gain] = oscillation_growth(loop(gain))
        return tried[gain] - dies_out

    if excess(gain) >= 0:
        raise MotionError(
            f"first_gain must be stable, {gain:g} swings {tried[gain]:.3g} times wider; start with a smaller one"
        )
    while gain < most_gain:
        if len(tried) > _MOST_RAISES:
            raise MotionError(
                f"some gain must swing wider and wider, up to {gain:.3g} none did; check that the loop uses the gain"
            )
        raised = min(1.5 * gain, most_gain)
        if excess(raised) >= 0:
            bisect(excess, gain, raised, xtol=tolerance * gain)
            break
        gain = raised
    return GainSearch(max(gain for gain, growth in tried.items() if growth < dies_out), tuple(tried.items()))
