"""Lesson 08: how much of a figure is chance."""

from __future__ import annotations

import math

import scipy  # which imports its parts when they are first used

from robotlab.metrics import significance
from robotlab.practice.task import Misconception, Task


def wilson_interval(hits, trials):
    """Wilson's 95 % interval for the proportion hits / trials: (low, high), 0 to 1.

    hits: number of successes.  trials: how many there were, 1 or more.  z is 1.96.
    """
    return significance.wilson_interval(hits, trials, 1.96)


def _trials(rng):
    trials = int(rng.integers(8, 200))
    return int(rng.integers(1, trials)), trials


def _around(hits, trials, middle=None, half=None, z=1.96, scale=None):
    """An interval with its parts to be spoiled."""
    p, n = hits / trials, float(trials)
    center = p + z * z / (2 * n) if middle is None else middle(p, n)
    spread = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) if half is None else half(p, n)
    below = 1 + z * z / n if scale is None else scale(n)
    return (center - spread) / below, (center + spread) / below


def _plain(hits, trials, z=1.96):
    return _around(hits, trials, lambda p, n: p, lambda p, n: z * math.sqrt(p * (1 - p) / n), scale=lambda n: 1.0)


WILSON_INTERVAL = Task(
    reference=wilson_interval,
    lesson=8,
    statement="Write wilson_interval(hits, trials): the 95 % interval of Wilson for a proportion, (low, high). With p = hits / trials, n = trials and "
    "z = 1.96 its ends are (p + z²/(2n) ± z·√(p(1 − p)/n + z²/(4n²))) / (1 + z²/n). Low first.",
    unit="",
    # Newcombe's published examples; a plain one in front.
    fixed=((8, 10), (81, 263), (15, 148), (1, 29)),
    draw=_trials,
    edges=((0, 20), (20, 20), (1, 1), (500000, 1000000)),
    # With z = 1.959964, as libraries have it, ends differ by up to 3e-5 of themselves from those with 1.96.
    rtol=5e-5,
    atol=1e-8,
    nudges=(
        "Compute p first, then the three parts by name: the middle, the half width, and what both are divided by.",
        "The middle is p + z²/(2n): a little nearer to one half than p is. Mind the parentheses: z * z / (2 * n).",
        "The half width is z · √(p(1 − p)/n + z²/(4n²)). Low is (middle − half) / (1 + z²/n), high is (middle + half) / (1 + z²/n).",
    ),
    misconceptions=(
        Misconception(
            "the textbook's interval",
            "Your interval is p ± z·√(p(1 − p)/n). With 0 of 20 it says 0 ± 0, as if twenty trials had proved it.",
            _plain,
            also=(lambda h, n: tuple(min(1.0, max(0.0, end)) for end in _plain(h, n)),),
        ),
        Misconception(
            "no z",
            "Your interval is too narrow: z is 1 in it, as for two thirds of all cases. For 95 % it is 1.96.",
            lambda h, n: _around(h, n, z=1.0),
        ),
        Misconception(
            "z of 90 %",
            "Your z is that of a 90 % interval, 1.645. For 95 % it is 1.96.",
            lambda h, n: _around(h, n, z=1.645),
        ),
        Misconception(
            "z of 99 %",
            "Your z is that of a 99 % interval, 2.576. For 95 % it is 1.96.",
            lambda h, n: _around(h, n, z=2.576),
        ),
        Misconception(
            "middle not moved",
            "The middle of your interval is p before the division. Wilson's is p + z²/(2n).",
            lambda h, n: _around(h, n, lambda p, m: p),
        ),
        Misconception(
            "not divided",
            "You forgot to divide by 1 + z²/n: your interval reaches past 1.",
            lambda h, n: _around(h, n, scale=lambda m: 1.0),
        ),
        Misconception(
            "no second part under the root",
            "Under your root is p(1 − p)/n alone. Without z²/(4n²) an interval at 0 hits has no width.",
            lambda h, n: _around(h, n, half=lambda p, m: 1.96 * math.sqrt(p * (1 - p) / m)),
        ),
        Misconception(
            "no root",
            "You forgot the root: what stands under it is a square.",
            lambda h, n: _around(h, n, half=lambda p, m: 1.96 * (p * (1 - p) / m + 1.96**2 / (4 * m * m))),
        ),
        Misconception(
            "n for its square",
            "The second part under your root is divided by 4n. It is z²/(4n²).",
            lambda h, n: _around(h, n, half=lambda p, m: 1.96 * math.sqrt(p * (1 - p) / m + 1.96**2 / (4 * m))),
        ),
        Misconception(
            "no z before the root",
            "You left out the z before the root: your interval is about half as wide as it should be.",
            lambda h, n: _around(h, n, half=lambda p, m: math.sqrt(p * (1 - p) / m + 1.96**2 / (4 * m * m))),
        ),
        Misconception(
            "four squared as well",
            "Under your root stands z² over the square of 4n. Only n is squared: z²/(4n²).",
            lambda h, n: _around(h, n, half=lambda p, m: 1.96 * math.sqrt(p * (1 - p) / m + 1.96**2 / (4 * m) ** 2)),
        ),
        Misconception(
            "order of operations",
            "Python reads z * z / 2 * n as (z · z / 2) · n. Put what stands below the line into parentheses.",
            lambda h, n: _around(h, n, lambda p, m: p + 1.96**2 / 2 * m),
            also=(
                lambda h, n: _around(h, n, half=lambda p, m: 1.96 * math.sqrt(p * (1 - p) / m + 1.96**2 / 4 * m**2)),
                lambda h, n: _around(
                    h,
                    n,
                    lambda p, m: p + 1.96**2 / 2 * m,
                    lambda p, m: 1.96 * math.sqrt(p * (1 - p) / m + 1.96**2 / 4 * m**2),
                ),
            ),
        ),
        Misconception(
            "z for its square",
            "You have z where z² stands: in the middle, under the root and below the line.",
            lambda h, n: _around(
                h,
                n,
                lambda p, m: p + 1.96 / (2 * m),
                lambda p, m: 1.96 * math.sqrt(p * (1 - p) / m + 1.96 / (4 * m * m)),
                scale=lambda m: 1 + 1.96 / m,
            ),
        ),
        Misconception(
            "only the half width divided",
            "You divided only the half width by 1 + z²/n. The middle is divided as well: put both into parentheses.",
            lambda h, n: _around(
                h,
                n,
                half=lambda p, m: 1.96 * math.sqrt(p * (1 - p) / m + 1.96**2 / (4 * m * m)) / (1 + 1.96**2 / m),
                scale=lambda m: 1.0,
            ),
        ),
        Misconception(
            "middle and half width",
            "You return the middle and the half width. The two ends are asked for.",
            lambda h, n: (lambda low, high: ((low + high) / 2, (high - low) / 2))(*wilson_interval(h, n)),
        ),
        Misconception(
            "high before low",
            "You return the upper end first. Low first, then high.",
            lambda h, n: wilson_interval(h, n)[::-1],
        ),
        Misconception(
            "counts for proportions",
            "Your ends are counts. Proportions are asked for, from 0 to 1.",
            lambda h, n: tuple(n * end for end in wilson_interval(h, n)),
        ),
    ),
)


def mcnemar_p(only_a, only_b):
    """Exact two-sided p of McNemar's test: how often chance splits as unevenly or more.

    only_a, only_b: how many objects only detector A, and only detector B, found.
    """
    return significance.mcnemar_test(only_a, only_b)[1]


def _split(rng):
    """Uneven counts, and A is the larger as often as B."""
    few = int(rng.integers(1, 10))
    return tuple(int(n) for n in rng.permutation([few, few + int(rng.integers(2, 14))]))


def _tail(a, b, tail, times=2, most=1.0):
    """A fraction of the ways that coins can fall."""
    n = a + b
    return min(most, times * float(tail(min(a, b), max(a, b), n))) if n else 1.0


def _chi(a, b, less):
    return float(scipy.stats.chi2.sf(max(abs(a - b) - less, 0) ** 2 / (a + b), 1)) if a + b else 1.0


MCNEMAR_P = Task(
    reference=mcnemar_p,
    lesson=8,
    statement="Write mcnemar_p(only_a, only_b): objects that only one of two detectors found are like n = only_a + only_b tosses of a fair coin, if the "
    "detectors are equally good. How often does chance alone split n tosses at least as unevenly? Take the probability that the smaller count or "
    "less comes up, double it (either detector may be the better one), and limit it to 1. With no such object at all it is 1.",
    unit="",
    fixed=((12, 4), (4, 12), (1, 6), (7, 7), (6, 5), (3, 20)),
    draw=_split,
    edges=((0, 0), (0, 1), (0, 9), (150, 86), (2000, 2200)),
    nudges=(
        "With n tosses there are 2ⁿ ways, all equally likely. math.comb(n, k) of them show k heads.",
        (
            "Add up math.comb(n, k) for k from 0 to the smaller of the two counts, that one included, and divide by 2 ** n. Sum and divisor are whole numbers, however large; "
            "0.5 ** n is not, and comes out as 0 for many tosses."
        ),
        "Double it, and limit it to 1 with min(1, ...). scipy.stats.binom.cdf(k, n, 0.5) does the adding for you.",
    ),
    misconceptions=(
        Misconception(
            "one side only",
            "You did not double. Before the test nobody knew which detector would be the better one, so both sides count.",
            lambda a, b: _tail(a, b, lambda few, many, n: scipy.stats.binom.cdf(few, n, 0.5), 1),
        ),
        Misconception(
            "exactly this count",
            "You took the chance of exactly the smaller count, doubled. All more uneven ways belong to it.",
            lambda a, b: _tail(a, b, lambda few, many, n: scipy.stats.binom.pmf(few, n, 0.5)),
        ),
        Misconception(
            "exactly this count, one side",
            "You took the chance of exactly the smaller count. All more uneven ways belong to it, on both sides.",
            lambda a, b: _tail(a, b, lambda few, many, n: scipy.stats.binom.pmf(few, n, 0.5), 1),
        ),
        Misconception(
            "the smaller count left out",
            "You added up to one less than the smaller count, as Python's range does. It belongs to the sum.",
            lambda a, b: _tail(a, b, lambda few, many, n: scipy.stats.binom.cdf(few - 1, n, 0.5)),
        ),
        Misconception(
            "no head left out",
            "You began to add at one head. That no toss at all shows heads is a way too, and the most uneven one.",
            lambda a, b: _tail(
                a, b, lambda few, many, n: scipy.stats.binom.cdf(few, n, 0.5) - scipy.stats.binom.pmf(0, n, 0.5)
            ),
        ),
        Misconception(
            "the larger count",
            "You added up to the larger count, which is more than half of all ways. Take the smaller.",
            lambda a, b: _tail(a, b, lambda few, many, n: scipy.stats.binom.cdf(many, n, 0.5), 1),
        ),
        Misconception(
            "the larger count, doubled",
            "Your result is 1 in every case, as where you add up to the larger count: more than half of all ways, and that doubled. Only the limit of 1 is left.",
            lambda a, b: _tail(a, b, lambda few, many, n: scipy.stats.binom.cdf(many, n, 0.5)),
        ),
        Misconception(
            "always the first count",
            "You added up to only_a, whether it is the smaller or not. Which detector is called A must not matter.",
            lambda a, b: min(1.0, 2 * float(scipy.stats.binom.cdf(a, a + b, 0.5))),
        ),
        Misconception(
            "not limited to 1",
            "Some of your probabilities are more than 1. Where both counts are nearly equal, the doubled sum counts the middle twice.",
            lambda a, b: _tail(a, b, lambda few, many, n: scipy.stats.binom.cdf(few, n, 0.5), most=math.inf),
        ),
        Misconception(
            "chi-square",
            "You took the chi-square approximation, (a − b)²/(a + b). It needs many objects; the exact sum is asked for.",
            lambda a, b: _chi(a, b, 0),
        ),
        Misconception(
            "chi-square, corrected",
            "You took the chi-square approximation with its correction. It needs many objects; the exact sum is asked for.",
            lambda a, b: _chi(a, b, 1),
        ),
        Misconception(
            "the statistic",
            "Your result is a statistic of the chi-square kind, which grows with the difference. How often chance does that is asked for.",
            lambda a, b: (a - b) ** 2 / (a + b) if a + b else 0.0,
            also=(lambda a, b: max(abs(a - b) - 1, 0) ** 2 / (a + b) if a + b else 0.0,),
        ),
        Misconception(
            "a proportion, no probability",
            "Your result is the smaller count's part of both. It does not know that 2 of 10 may be chance and 200 of 1000 not.",
            lambda a, b: _tail(a, b, lambda few, many, n: few / n, 1),
        ),
        Misconception(
            "the other way round",
            "Your result is near 1 where the detectors differ most: it is 1 minus the chance that is asked for.",
            lambda a, b: 1 - mcnemar_p(a, b),
        ),
    ),
)
