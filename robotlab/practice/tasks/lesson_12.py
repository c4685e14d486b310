"""Lesson 12: the face-off."""

from __future__ import annotations

import math

import numpy as np

from robotlab.practice.task import Misconception, Task


def usable_distance(distances_m, recalls, least_recall):
    """The farthest distance up to which the detector is usable, m; 0.0 if it never is.

    distances_m: (N,) array, rising.  recalls: (N,) array, recall at each.
    Usable up to a distance: there, and at every nearer one, the recall is at least
    least_recall.
    """
    good = recalls >= least_recall
    first_bad = len(good) if good.all() else int(np.argmin(good))
    return float(distances_m[first_bad - 1]) if first_bad else 0.0


def _curve(rng):
    """Falling recalls with a hole near the middle and a good place behind it."""
    distances = np.round(np.cumsum(rng.uniform(0.3, 0.9, 8)), 2)
    recalls = np.round(np.array([0.99, 0.97, 0.93, 0.90, 0.62, 0.86, 0.5, 0.2]) - rng.uniform(0, 0.02, 8), 3)
    return distances, recalls, float(rng.choice([0.8, 0.82]))


def _last_good(d, s, least):
    return float(d[np.flatnonzero(s >= least)[-1]]) if (s >= least).any() else 0.0


def _first_bad(d, s, least):
    return float(d[np.flatnonzero(s < least)[0]]) if (s < least).any() else float(d[-1])


def _between(d, s, least):
    """A straight line between the last good and the first bad one."""
    bad = np.flatnonzero(s < least)
    if not len(bad):
        return float(d[-1])
    k = int(bad[0])
    return 0.0 if k == 0 else float(d[k - 1] + (s[k - 1] - least) / (s[k - 1] - s[k]) * (d[k] - d[k - 1]))


USABLE_DISTANCE = Task(
    reference=usable_distance,
    lesson=12,
    statement="Write usable_distance(distances_m, recalls, least_recall): how far a detector can be used, in m, from its measured curve. recalls[i] is "
    "the fraction of the pictures in which it found the post at distances_m[i]; the distances rise. Give the farthest measured distance such that "
    "there and at every nearer one the recall is at least least_recall, and 0.0 if it is too low at the nearest already.",
    unit="m",
    fixed=(
        (np.array([1.0, 2.0, 3.0, 4.0]), np.array([1.0, 0.95, 0.85, 0.4]), 0.8),
        (np.array([1.0, 2.0, 3.0, 4.0, 5.0]), np.array([1.0, 0.9, 0.6, 0.9, 0.3]), 0.8),
        (np.array([0.5, 1.5, 4.0]), np.array([0.99, 0.97, 0.95]), 0.9),
    ),
    draw=_curve,
    edges=(
        (np.array([1.0, 2.0, 3.0]), np.array([0.9, 0.8, 0.7]), 0.8),
        (np.array([1.0, 2.0, 3.0]), np.array([0.5, 0.9, 0.9]), 0.8),
        (np.array([2.5]), np.array([0.9]), 0.8),
    ),
    nudges=(
        "Walk away from the post in thought. Where must you stop?",
        "At the first distance whose recall is below least_recall. The one before it is the answer.",
        "Loop over both arrays together and break at the first recall below least_recall; remember the last distance that was good, 0.0 at the start.",
    ),
    misconceptions=(
        Misconception(
            "the last good one",
            "You took the farthest distance with a good recall. Before it there is a distance where the detector fails, and the trolley must pass there.",
            _last_good,
        ),
        Misconception(
            "the first bad one",
            "Your distance is the first at which the recall is too low. The one before it is the last that is usable.",
            _first_bad,
        ),
        Misconception(
            "all or nothing",
            "One recall that is too low and you give 0. The detector can be used up to the distance before it.",
            lambda d, r, least: float(d[-1]) if (r >= least).all() else 0.0,
        ),
        Misconception(
            "a line in between",
            "You went on along a line to where the recall would reach the limit. Asked is a distance that was measured.",
            _between,
        ),
        Misconception(
            "a place for a distance",
            "Your result is a place in the list. The distance that stands there is asked for.",
            lambda d, s, least: float(np.argmin(s >= least)) if not (s >= least).all() else float(len(s) - 1),
        ),
        Misconception(
            "exactly the limit",
            "You count a recall of exactly least_recall as too low. At least means >=.",
            lambda d, s, least: usable_distance(d, np.where(s == least, least - 1, s), least),
        ),
        Misconception(
            "round the back",
            "Right, except where not even the nearest distance is good enough: there your answer comes from the far end of the list. Index -1 is the last one.",
            lambda d, s, least: float(d[int(np.argmin(s >= least)) - 1]),
        ),
        Misconception(
            "how many are good",
            "You counted the good places. Asked is a distance, and one behind a bad one does not count.",
            lambda d, s, least: float((s >= least).sum()),
        ),
        Misconception(
            "on the average",
            "You took the mean of the recalls so far. A mean hides the place where the detector fails.",
            lambda d, s, least: usable_distance(d, np.cumsum(s) / np.arange(1, len(s) + 1), least),
        ),
        Misconception(
            "from the far end",
            "You started at the far end, or looked for recalls that are too low. Begin near and stop at the first bad one.",
            lambda d, s, least: float(d[np.flatnonzero(s < least)[-1]]) if (s < least).any() else float(d[-1]),
        ),
    ),
)


def paired_interval(simple_m, other_m, factor):
    """Ends (low, high) of the interval for the mean improvement over the simple one, m.

    simple_m, other_m: (N,) arrays, errors of the two on the same N walks;
    smaller is better.  The interval: the mean of the N improvements, minus and
    plus factor times its standard error.
    """
    better = simple_m - other_m
    half = factor * better.std(ddof=1) / math.sqrt(len(better))
    return float(better.mean() - half), float(better.mean() + half)


def _walks(rng):
    """Walks differ much, the two detectors on one walk little."""
    count = int(rng.integers(5, 9))
    hard = rng.uniform(0.2, 0.9, count)
    return np.round(hard + rng.normal(0.06, 0.05, count), 3), np.round(hard, 3), float(rng.choice([2.0, 2.57]))


def _interval(mean, half):
    return float(mean - half), float(mean + half)


def _apart(a, b, factor):
    return _interval(a.mean() - b.mean(), factor * math.sqrt(a.var(ddof=1) / len(a) + b.var(ddof=1) / len(b)))


PAIRED_INTERVAL = Task(
    reference=paired_interval,
    lesson=12,
    statement="Write paired_interval(simple_m, other_m, factor): by how much is the other detector better, and how sure is that? Both arrays hold one "
    "error in m for each walk, smaller is better, the same walk at the same place. Take the improvement on each walk (simple less other), its mean m, "
    "its standard deviation s with N - 1 in the denominator, and give (m - factor · s / √N, m + factor · s / √N).",
    unit="m",
    fixed=(
        (np.array([0.50, 0.30, 0.90, 0.42]), np.array([0.40, 0.25, 0.70, 0.37]), 2.0),
        (np.array([0.31, 0.52, 0.44, 0.80, 0.27]), np.array([0.33, 0.50, 0.47, 0.78, 0.30]), 2.776),
    ),
    draw=_walks,
    edges=(
        (np.array([0.5, 0.75, 0.25]), np.array([0.25, 0.5, 0.0]), 2.0),
        (np.array([0.4, 0.6]), np.array([0.6, 0.2]), 12.706),
    ),
    nudges=(
        "Each walk gives one number: how much less the other detector was off there. First make that array.",
        "A hard walk is hard for both. In the difference that cancels, so do not look at the two spreads apart.",
        "m = d.mean(); s = d.std(ddof=1); the half width is factor * s / sqrt(len(d)).",
    ),
    misconceptions=(
        Misconception(
            "not paired",
            "You added the spreads of the two lists. They hold how hard the walks are; on one walk that is the same for both, and in the difference it cancels.",
            _apart,
        ),
        Misconception(
            "the other way round",
            "You took other less simple. Errors are better when smaller, so the improvement is simple less other.",
            lambda a, b, f: paired_interval(b, a, f),
        ),
        Misconception(
            "N for N - 1",
            "Your standard deviation has N in the denominator. From a sample take N - 1: std(ddof=1).",
            lambda a, b, f: _interval((a - b).mean(), f * (a - b).std() / math.sqrt(len(a))),
        ),
        Misconception(
            "spread for standard error",
            "You gave the spread of single walks. The mean of N walks is surer: divide by √N.",
            lambda a, b, f: _interval((a - b).mean(), f * (a - b).std(ddof=1)),
        ),
        Misconception(
            "divided by N",
            "You divided the spread by N. The mean's spread goes with √N.",
            lambda a, b, f: _interval((a - b).mean(), f * (a - b).std(ddof=1) / len(a)),
        ),
        Misconception(
            "variance for spread",
            "You used the variance. Its unit is m²; take the root.",
            lambda a, b, f: _interval((a - b).mean(), f * (a - b).var(ddof=1) / math.sqrt(len(a))),
        ),
        Misconception(
            "one standard error",
            "You left factor out: one standard error each way holds the truth two times in three only.",
            lambda a, b, f: paired_interval(a, b, 1.0),
        ),
        Misconception(
            "always 1.96",
            "You used 1.96, which holds for many walks. With few the factor is larger; use the one that is given.",
            lambda a, b, f: paired_interval(a, b, 1.96),
        ),
        Misconception(
            "middle and half",
            "You gave the middle of the interval and half its width. Asked are its two ends.",
            lambda a, b, f: (float((a - b).mean()), f * float((a - b).std(ddof=1)) / math.sqrt(len(a))),
        ),
        Misconception(
            "without its sign",
            "You took the size of each improvement. Where the other detector is worse the improvement is negative, and that must count against it.",
            lambda a, b, f: _interval(abs(a - b).mean(), f * abs(a - b).std(ddof=1) / math.sqrt(len(a))),
        ),
        Misconception(
            "spread of the simple one",
            "Your spread is that of the simple detector's errors. It tells how unlike the walks are; asked is how unlike the improvements are.",
            lambda a, b, f: _interval((a - b).mean(), f * a.std(ddof=1) / math.sqrt(len(a))),
        ),
        Misconception(
            "difference of spreads",
            "You took one spread from the other. Spreads do not subtract; make the differences first and take their spread.",
            lambda a, b, f: _interval((a - b).mean(), f * (a.std(ddof=1) - b.std(ddof=1)) / math.sqrt(len(a))),
        ),
        Misconception(
            "minus 1 twice",
            "N - 1 stands under the variance alone. The mean of N walks is surer by √N.",
            lambda a, b, f: _interval((a - b).mean(), f * (a - b).std(ddof=1) / math.sqrt(len(a) - 1)),
        ),
        Misconception(
            "half to each side",
            "Your interval is half as wide. The whole of factor · s / √N goes to each side.",
            lambda a, b, f: paired_interval(a, b, f / 2),
        ),
        Misconception(
            "smallest and largest",
            "You gave the smallest and the largest improvement. With more walks that range grows; what is known of the mean gets surer.",
            lambda a, b, f: (float((a - b).min()), float((a - b).max())),
        ),
    ),
)


def choose(low_m, high_m, matters_m):
    """The decision, from the improvement's interval: "other", "simple" or "more walks".

    low_m, high_m: ends of the interval for the other detector's mean improvement, m.
    matters_m: the least improvement that is worth its price, m.
    The whole interval at least that: "other".  The whole interval below it: "simple".
    Anything else is not decided yet: "more walks".
    """
    if low_m >= matters_m:
        return "other"
    return "simple" if high_m < matters_m else "more walks"


def _ends(rng):
    """An interval above, across or below what matters, some with 0 inside and some without."""
    matters = float(rng.choice([0.05, 0.1, 0.2]))
    kind = int(rng.integers(6))
    a, b = np.round(rng.uniform(0.1, 0.4, 2) * matters, 4)
    low, high = (
        (matters + a, matters + a + b),
        (matters - a, matters + 2 * a + b),
        (matters - 2 * a - b, matters + a),
        (0.1 * matters, 0.1 * matters + a),
        (-a, b),
        (-a - b, -b),
    )[kind]
    return float(round(low, 4)), float(round(high, 4)), matters


def _by(value, limit, otherwise="simple"):
    return "other" if value >= limit else otherwise


CHOOSE = Task(
    reference=choose,
    lesson=12,
    statement="Write choose(low_m, high_m, matters_m): the decision, as one of three words. The improvement of the other detector lies between low_m and "
    'high_m; anything under matters_m is not worth its price. The whole interval at least matters_m: "other". The whole interval below matters_m: "simple". '
    'Otherwise the walks do not decide it: "more walks".',
    unit="",
    fixed=(
        (0.15, 0.30, 0.10),
        (-0.04, 0.03, 0.10),
        (0.02, 0.06, 0.10),
        (0.06, 0.25, 0.10),
        (-0.05, 0.16, 0.10),
        (-0.30, -0.10, 0.10),
        (0.02, 0.14, 0.10),
    ),
    draw=_ends,
    edges=((0.10, 0.10, 0.10), (0.10, 0.20, 0.10), (0.0, 0.10, 0.10), (-0.1, 0.0, 0.0)),
    nudges=(
        "Draw a line, mark matters_m on it, and lay the interval across it, beside it, on either side.",
        "Two tests are enough: one on the low end, one on the high end. What passes neither is not decided.",
        "low_m >= matters_m says other; high_m < matters_m says simple.",
    ),
    misconceptions=(
        Misconception(
            "by the middle",
            'You decided by the middle of the interval. An interval across matters_m says "more walks", wherever its middle is.',
            lambda low, high, m: _by((low + high) / 2, m),
        ),
        Misconception(
            "zero for what matters",
            "You compared with 0. Surely better is not yet better by enough: the price is matters_m.",
            lambda low, high, m: "other" if low >= 0 else "simple" if high < 0 else "more walks",
        ),
        Misconception(
            "low end above zero is enough",
            'You gave "other" as soon as it is surely better at all, and asked what matters only of the rest.',
            lambda low, high, m: "other" if low > 0 else "simple" if high < m else "more walks",
        ),
        Misconception(
            "the hopeful end",
            'You gave "other" when the high end reaches matters_m. It may be that good; the low end says whether it is.',
            lambda low, high, m: _by(high, m),
        ),
        Misconception(
            "simple when in doubt",
            'You never answer "more walks". Not decided is an answer of its own.',
            lambda low, high, m: _by(low, m),
        ),
        Misconception(
            "doubt when zero is inside",
            'You answered "more walks" whenever 0 lies in the interval. Where even the high end is below matters_m it is decided: simple.',
            lambda low, high, m: "more walks" if low < 0 < high else choose(low, high, m),
        ),
        Misconception(
            "capital letters",
            "The right decision, spelled otherwise. The three words have small letters only.",
            lambda low, high, m: choose(low, high, m).capitalize(),
        ),
        Misconception(
            "another third word",
            'The third answer is spelled "more walks".',
            lambda low, high, m: choose(low, high, m).split()[0],
        ),
        Misconception(
            "exactly enough is not enough",
            "An improvement of exactly matters_m is worth its price: at least means >=.",
            lambda low, high, m: "other" if low > m else "simple" if high < m else "more walks",
        ),
        Misconception(
            "exactly enough is too little",
            'A high end of exactly matters_m could still be worth it. Below means <, and only then it is "simple".',
            lambda low, high, m: "other" if low >= m else "simple" if high <= m else "more walks",
        ),
        Misconception(
            "by the width",
            "You decided by the width of the interval. It says how sure one is, not how much better the other detector is.",
            lambda low, high, m: _by(high - low, m),
        ),
        Misconception(
            "simple only when it is better",
            'You ask that the other detector be worse before you say "simple". Being better by less than matters_m is not enough either.',
            lambda low, high, m: "other" if low >= m else "simple" if high < 0 else "more walks",
        ),
        Misconception(
            "simple when it may be better",
            'You said "simple" as soon as the low end is below 0. A wide interval can begin below 0 and end above matters_m: that is not decided.',
            lambda low, high, m: "other" if low >= m else "simple" if low < 0 else "more walks",
        ),
        Misconception(
            "names exchanged",
            "Other and simple have changed places.",
            lambda low, high, m: {"other": "simple", "simple": "other"}.get(choose(low, high, m), "more walks"),
        ),
        Misconception(
            "worse counts as far apart",
            "You took the size of the improvement without its sign. Another detector that is surely worse is not a gain.",
            lambda low, high, m: choose(min(abs(low), abs(high)), max(abs(low), abs(high)), m),
        ),
    ),
)

TASKS = (USABLE_DISTANCE, PAIRED_INTERVAL, CHOOSE)
