"""Functions of a plain number or of an array: with them a formula of motion is written once and serves both.

One trolley is stepped in plain numbers, thousands in arrays
(:mod:`robotlab.loop.vectorized`).  A plain number goes through :mod:`math` and
stays one: that is faster than NumPy, and the same to the last bit as a formula
without these functions.  Each function decides by its own arguments, so the
two may be mixed.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

# A float, or an array of them: what goes in comes out.
Numbers = Any
# Below this the sine equals its argument to double precision:
# x - sin x is x**3 / 6, which is under 1e-24 for x = 1e-8.
_STRAIGHT_RAD = 1e-8
# Below 0.05 rad the series up to x**6 leaves out less than x**8 / 362880 = 1.1e-16, half of the last bit.
_SERIES_RAD2 = 0.05**2


def every(condition: Numbers) -> bool:
    """Whether a condition holds, for an array in each of its rows."""
    return bool(condition.all()) if isinstance(condition, np.ndarray) else bool(condition)


def has_nan(value: Numbers) -> bool:
    """Whether a value, or one of an array, is not a number."""
    return bool(np.isnan(value).any()) if isinstance(value, np.ndarray) else math.isnan(value)


def choose(condition: Numbers, yes: Numbers, no: Numbers) -> Numbers:
    """`yes` where the condition holds, `no` elsewhere."""
    if isinstance(condition, np.ndarray):
        return np.where(condition, yes, no)
    return yes if condition else no


def larger(a: Numbers, b: Numbers) -> Numbers:
    """The larger of two; NaN if the first is."""
    if isinstance(a, np.ndarray) or isinstance(b, np.ndarray):
        return np.maximum(a, b)
    return max(a, b)


def clip(value: Numbers, low: Numbers, high: Numbers) -> Numbers:
    """`value`, but at least `low` and at most `high`; NaN if it is."""
    if isinstance(value, np.ndarray):
        return np.minimum(np.maximum(value, low), high)
    return min(max(value, low), high)


def cos(angle_rad: Numbers) -> Numbers:
    """The cosine."""
    return np.cos(angle_rad) if isinstance(angle_rad, np.ndarray) else math.cos(angle_rad)


def sin(angle_rad: Numbers) -> Numbers:
    """The sine."""
    return np.sin(angle_rad) if isinstance(angle_rad, np.ndarray) else math.sin(angle_rad)


def sine_ratio(angle_rad: Numbers) -> Numbers:
    """``sin(x) / x``, and 1 at 0.

    Parameters
    ----------
    angle_rad : float or ndarray
        The angle x.

    Returns
    -------
    float or ndarray
        For arrays of small angles from the series, which is faster.

    Examples
    --------
    >>> sine_ratio(0.0), round(sine_ratio(math.pi / 2), 6)
    (1.0, 0.63662)
    """
    if not isinstance(angle_rad, np.ndarray):
        return math.sin(angle_rad) / angle_rad if abs(angle_rad) > _STRAIGHT_RAD else 1.0
    square = angle_rad * angle_rad
    if every(square < _SERIES_RAD2):
        return 1 - square * (1 / 6 - square * (1 / 120 - square * (1 / 5040)))
    return np.sinc(angle_rad / math.pi)
