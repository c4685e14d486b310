"""Wilson's interval and McNemar's test; Student's for paired means is in `paired_means`, the bootstrap in `bootstrap`.

Frames of one recording look alike, so they are not independent trials.
:func:`wilson_interval` and :func:`mcnemar_test` do not know that and are overconfident
on films; the bootstrap over *recordings* in
:mod:`robotlab.metrics.bootstrap` does.
"""

from __future__ import annotations

import math

import scipy  # which imports its parts when they are first used

from robotlab.errors import InputError

# Two-sided 95 % point of the normal distribution (any table; scipy.stats.norm.ppf(.975)).
Z_95 = 1.959963984540054


def wilson_interval(hits: int, trials: int, z: float = Z_95) -> tuple[float, float]:
    """Wilson's interval for a proportion.

    Parameters
    ----------
    hits : int
        Successes, 0 to `trials`.
    trials : int
        At least 1.
    z : float
        1.96 for 95 %.

    Returns
    -------
    low, high : float
        Bounds, 0 to 1.

    Raises
    ------
    InputError
        If the counts make no sense.

    Notes
    -----
    ``(p + z²/2n ± z √(p(1-p)/n + z²/4n²)) / (1 + z²/n)`` (Wilson, J. Am. Stat.
    Assoc. 22:209-212, 1927).  This is not the textbook ``p ± z √(p(1-p)/n)``,
    which says "0 ± 0" after 20 misses.

    Examples
    --------
    >>> [round(bound, 4) for bound in wilson_interval(0, 20)]
    [0.0, 0.1611]
    """
    if trials < 1 or not 0 <= hits <= trials:
        raise InputError(
            f"hits must be from 0 to trials and trials at least 1, got {hits} of {trials}; check the counts"
        )
    p, spread = hits / trials, z * z / trials
    middle = p + spread / 2
    half = z * math.sqrt(p * (1 - p) / trials + spread / (4 * trials))
    low = 0.0 if hits == 0 else (middle - half) / (1 + spread)
    high = 1.0 if hits == trials else (middle + half) / (1 + spread)
    return low, high


def mcnemar_test(only_a: int, only_b: int, method: str = "exact") -> tuple[float, float]:
    """McNemar's test of two methods on the same objects.

    Parameters
    ----------
    only_a, only_b : int
        Objects that only A, and only B, got right.  Those that both or
        neither got right say nothing about the difference.
    method : {"exact", "corrected", "plain"}
        ``exact`` is the binomial test, good at any count; ``corrected`` and
        ``plain`` are chi-square with and without continuity correction.

    Returns
    -------
    statistic : float
        Chi-square; for ``exact`` the smaller of the two counts.
    p : float
        Probability of a difference at least this large by chance alone.

    Raises
    ------
    InputError
        If a count is negative or the method unknown.

    Notes
    -----
    ``(b - c)² / (b + c)``, corrected ``(|b - c| - 1)² / (b + c)`` (McNemar,
    Psychometrika 12:153-157, 1947; correction Edwards, ibid. 13:185-187, 1948).

    Examples
    --------
    >>> round(mcnemar_test(12, 4)[1], 6)
    0.076813
    """
    if min(only_a, only_b) < 0:
        raise InputError(f"counts must be 0 or more, got {only_a} and {only_b}; check the counts")
    total = only_a + only_b
    if method == "exact":
        smaller = min(only_a, only_b)
        return float(smaller), min(1.0, 2 * float(scipy.stats.binom.cdf(smaller, total, 0.5))) if total else 1.0
    if method not in ("corrected", "plain"):
        raise InputError(f"method must be exact, corrected or plain, got {method!r}; exact is good at any count")
    if not total:
        return 0.0, 1.0
    # Without the floor at 0 equal counts would give a difference of one (Edwards' correction of nothing).
    gap = abs(only_a - only_b) if method == "plain" else max(abs(only_a - only_b) - 1, 0)
    statistic = gap**2 / total
    return statistic, float(scipy.special.chdtrc(1, statistic))
