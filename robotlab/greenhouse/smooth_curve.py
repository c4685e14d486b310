"""A smooth curve through points that never swings past them.

SciPy has the same as ``PchipInterpolator``; importing it took a quarter of a second, more than all else
that a walk needs.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np


def _slopes(steps: np.ndarray, rises: np.ndarray) -> np.ndarray:
    """Slope at each point of the pieces' widths and mean slopes, so that no piece has a turn inside.

    Inside: the weighted harmonic mean of both sides, 0 at a turn (Fritsch and Butland, SIAM J. Sci. Stat.
    Comput. 5:300-304, 1984).  At the ends: that of the parabola through three points, limited (Moler, Numerical
    Computing with MATLAB, 2004, section 3.6).
    """
    if len(rises) == 1:
        return np.array([rises[0], rises[0]])
    slopes = np.zeros(len(rises) + 1)
    left, right = rises[:-1], rises[1:]
    same = np.sign(left) * np.sign(right) > 0
    near, far = 2 * steps[1:] + steps[:-1], steps[1:] + 2 * steps[:-1]
    slopes[1:-1][same] = 1 / (((near[same] / left[same]) + far[same] / right[same]) / (near + far)[same])
    for end, one, two in ((0, 0, 1), (-1, -1, -2)):
        slope = ((2 * steps[one] + steps[two]) * rises[one] - steps[one] * rises[two]) / (steps[one] + steps[two])
        if np.sign(slope) != np.sign(rises[one]):
            slope = 0.0
        elif np.sign(rises[one]) != np.sign(rises[two]) and abs(slope) > 3 * abs(rises[one]):
            slope = 3 * rises[one]
        slopes[end] = slope
    return slopes


class SmoothCurve:
    """A cubic between each two points, smooth at the points, and between two of them never beyond either.

    Parameters
    ----------
    times_s : numpy.ndarray
        Rising, N of at least 2.
    values : numpy.ndarray
        N values.

    Examples
    --------
    >>> SmoothCurve(np.array([0.0, 1.0, 2.0]), np.array([0.0, 3.0, 3.0])).at(1.5)
    3.0
    """

    def __init__(self, times_s: np.ndarray, values: np.ndarray) -> None:
        steps = np.diff(times_s)
        rises = np.diff(values) / steps
        slopes = _slopes(steps, rises)
        bend = (slopes[:-1] + slopes[1:] - 2 * rises) / steps
        square = (rises - slopes[:-1]) / steps - bend
        # Plain floats: a curve is asked for one time at a time.
        self._times: list[float] = times_s.tolist()
        self._pieces = list(
            zip(*(part.tolist() for part in (values[:-1], slopes[:-1], square, bend / steps)), strict=True)
        )

    def _piece(self, t_s: float) -> tuple[float, tuple[float, float, float, float]]:
        piece = min(max(bisect_right(self._times, t_s) - 1, 0), len(self._pieces) - 1)
        return t_s - self._times[piece], self._pieces[piece]

    def at(self, t_s: float) -> float:
        """Value of the curve.

        Parameters
        ----------
        t_s : float
            Between the first time and the last.

        Returns
        -------
        float
            The value.
        """
        s, (value, slope, square, cube) = self._piece(t_s)
        return value + slope * s + square * (s * s) + cube * (s * s * s)

    def slope_at(self, t_s: float) -> float:
        """Slope of the curve, per s.

        Parameters
        ----------
        t_s : float
            Between the first time and the last.

        Returns
        -------
        float
            The slope.
        """
        s, (_, slope, square, cube) = self._piece(t_s)
        return slope + square * s * 2 + cube * (s * s) * 3
