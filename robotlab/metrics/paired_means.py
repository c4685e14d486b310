"""Paired comparison of two methods: whether one is better by enough to matter.

Pictures or walks differ in how hard they are, for both methods alike; in the
differences that cancels.  What counts is the number of *cases that are
independent*: recordings or walks, not pictures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy  # which imports its parts when they are first used

from robotlab.errors import InputError


@dataclass(frozen=True)
class PairedMean:
    """Mean reduction in error of the second method against the first, with its interval.

    Attributes
    ----------
    mean, low, high : float
        Mean improvement and the ends of its interval; positive is better.
    cases : int
        How many differences.
    confidence : float
        Of the interval.
    """

    mean: float
    low: float
    high: float
    cases: int
    confidence: float

    def decide(self, matters: float) -> str:
        """Decide whether the improvement is large enough to be worth its price.

        Parameters
        ----------
        matters : float
            The least improvement that is.

        Returns
        -------
        str
            ``"other"``: the whole interval is at least that; ``"simple"``: all
            of it is below; ``"more"``: these cases do not decide it.

        Raises
        ------
        InputError
            If `matters` is negative or not finite.

        Examples
        --------
        >>> paired_mean([0.5, 0.3, 0.9], [0.49, 0.31, 0.9]).decide(0.1)
        'simple'
        """
        if not (math.isfinite(matters) and matters >= 0):
            raise InputError(
                f"matters must be 0 or more, got {matters}; give the least improvement that is worth its price"
            )
        if self.low >= matters:
            return "other"
        return "simple" if self.high < matters else "more"

    def sentence(self, simple: str, other: str, matters: float, unit: str = "m", cases: str = "walks") -> str:
        """The conclusion in words, with the numbers that it follows from.

        Parameters
        ----------
        simple, other : str
            Names of the two methods, the simple one first.
        matters : float
            As in :meth:`decide`.
        unit : str
            Of the errors.
        cases : str
            What was compared on.

        Returns
        -------
        str
            One sentence.

        Examples
        --------
        >>> paired_mean([0.5, 0.3, 0.9], [0.3, 0.11, 0.7]).sentence("color", "detector", 0.1)
        'Over 3 walks detector was 0.20 m better than color (95 % interval 0.18 to 0.21 m; 0.10 m matters): detector is worth its price here.'
        """
        ends = {
            "other": f"{other} is worth its price here",
            "simple": f"the simple one, {simple}, is enough here",
            "more": f"these {cases} do not decide it, and until more do the simple one, {simple}, has the lower price",
        }
        way = f"{abs(self.mean):.2f} {unit} {'better' if self.mean >= 0 else 'worse'} than {simple}"
        return (
            f"Over {self.cases} {cases} {other} was {way} ({100 * self.confidence:g} % interval {self.low:.2f} to {self.high:.2f} {unit}; "
            f"{matters:.2f} {unit} matters): {ends[self.decide(matters)]}."
        )


def paired_mean(first: Sequence[float], second: Sequence[float], confidence: float = 0.95) -> PairedMean:
    """Mean improvement of the second method over the first, with its interval.

    Parameters
    ----------
    first, second : (N,) array-like
        Errors on the same N cases in the same order; smaller is better.
    confidence : float
        Of the interval, between 0 and 1.

    Returns
    -------
    PairedMean
        ``d = first - second``; ``mean(d) -+ t s / sqrt(N)`` with the standard
        deviation s (N - 1) and Student's t for N - 1 degrees of freedom.

    Raises
    ------
    InputError
        If the two differ in length, hold fewer than two cases, or hold NaN.

    Notes
    -----
    Student, Biometrika 6:1-25, 1908.  It takes the differences for roughly
    normal and independent; two pictures of one recording are not.

    Examples
    --------
    >>> result = paired_mean([1.9, 0.8, 1.1, 0.1], [0.7, -1.6, -0.2, -1.2])
    >>> round(result.mean, 3), round(result.low, 3), round(result.high, 3)
    (1.55, 0.645, 2.455)
    """
    a, b = np.asarray(first, float), np.asarray(second, float)
    if a.ndim != 1 or a.shape != b.shape or len(a) < 2:
        raise InputError(
            f"first and second must be two equally long rows of 2 or more, got {a.shape} and {b.shape}; one error of each for each case"
        )
    if not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise InputError("errors must be finite, some are not; leave out cases that one of the two has no error for")
    if not 0 < confidence < 1:
        raise InputError(f"confidence must lie between 0 and 1, got {confidence}; 0.95 is usual")
    better = a - b
    half = (
        float(scipy.special.stdtrit(len(better) - 1, (1 + confidence) / 2))
        * better.std(ddof=1)
        / math.sqrt(len(better))
    )
    mean = float(better.mean())
    return PairedMean(mean, float(mean - half), float(mean + half), len(better), confidence)
