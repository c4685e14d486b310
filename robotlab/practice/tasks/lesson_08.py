"""Lesson 08: judge it."""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import binom, chi2

from robotlab.metrics import curves, significance
from robotlab.metrics.matching import choose_coco
from robotlab.practice.task import Misconception, Task
from robotlab.practice.tasks import choosing


def match_boxes(overlaps, scores, iou_limit):
    """Index of the truth that each detection matches, -1 for none: (D,) array of int.

    overlaps: (D, G) array, IoU of each detection with each truth.  scores: (D,) array.
    The highest score chooses first; of equal scores the earlier.  It takes the truth
    with the highest IoU of those still free, if that IoU is at least iou_limit.
    """
    nothing = np.zeros(overlaps.shape[1], bool)
    return choose_coco(overlaps, np.argsort(-scores, kind="stable"), iou_limit, nothing, nothing)[0]


def _scene(rng):
    """Detections that lie on one truth and touch another; no two overlaps of a row alike, none near the limit."""
    truths, count = int(rng.integers(3, 5)), int(rng.integers(5, 8))
    while True:
        overlaps = np.round(rng.uniform(0.0, 0.35, (count, truths)), 2)
        own = rng.integers(0, truths, count)
        second = (own + rng.integers(1, truths, count)) % truths
        overlaps[np.arange(count), second] = np.round(rng.uniform(0.3, 0.75, count), 2)
        overlaps[np.arange(count), own] = np.round(rng.uniform(0.4, 0.95, count), 2)
        apart = all(len(set(row)) == truths for row in overlaps.tolist())
        if apart and np.abs(overlaps - 0.5).min() > 0.015:
            return overlaps, np.round(rng.permutation(count) * 0.1 + 0.2, 1), 0.5


MATCH_BOXES = Task(
    reference=match_boxes,
    lesson=8,
    statement="Write match_boxes(overlaps, scores, iou_limit): which truth does each detection match? overlaps (D, G) holds the IoU of each "
    "detection with each truth. The detection with the highest of the scores chooses first (of equal scores the earlier one): of the truths "
    "still free it takes the one it overlaps most, if that IoU is at least iou_limit. Return the truth's index for each detection, in the "
    "order the detections came, and -1 where there is none: an array (D,) of int.",
    unit="",
    fixed=(
        (np.array([[0.8, 0.0], [0.7, 0.1], [0.0, 0.4]]), np.array([0.6, 0.9, 0.8]), 0.5),
        (np.array([[0.9, 0.6], [0.8, 0.1], [0.7, 0.55]]), np.array([0.9, 0.7, 0.8]), 0.5),
        (
            np.array([[0.6, 0.85, 0.1], [0.1, 0.9, 0.3], [0.3, 0.2, 0.7], [0.2, 0.1, 0.45]]),
            np.array([0.5, 0.4, 0.3, 0.9]),
            0.5,
        ),
    ),
    draw=_scene,
    edges=(
        (np.array([[0.5, 0.2], [0.1, 0.75]]), np.array([0.9, 0.8]), 0.5),
        (np.array([[0.6], [0.9], [0.8]]), np.array([0.7, 0.7, 0.7]), 0.5),
        (np.array([[0.6, 0.1], [0.2, 0.7], [0.9, 0.3], [0.1, 0.8]]), np.array([0.3, 0.8, 0.3, 0.8]), 0.5),
        (np.zeros((2, 0)), np.array([0.9, 0.8]), 0.5),
        (np.zeros((0, 2)), np.zeros(0), 0.5),
    ),
    nudges=(
        "Which detection chooses first? Its row of overlaps says which truth it wants.",
        'Start with np.full(len(scores), -1) and go through np.argsort(-scores, kind="stable"). Keep a list of the truths that are taken.',
        "For one detection: of the truths not taken, the one with the largest overlap in its row; if that is at least iou_limit, note its index and take it.",
    ),
    misconceptions=(
        Misconception(
            "scores not sorted",
            "Your detections choose in the order they came. The highest score chooses first, wherever it stands.",
            lambda o, s, t: choosing.choose(o, s, t, range(len(s))),
        ),
        Misconception(
            "lowest first",
            "Your detection with the lowest score chooses first and takes the truth from a better one.",
            lambda o, s, t: choosing.choose(o, s, t, np.argsort(s, kind="stable")),
        ),
        Misconception(
            "order of equals",
            "Of equal scores you do not always take the earlier first. Reversing a sorted list reverses equals as well, "
            'and np.argsort keeps their order only with kind="stable".',
            lambda o, s, t: choosing.choose(o, s, t, np.argsort(s, kind="stable")[::-1]),
            also=(
                lambda o, s, t: choosing.choose(o, s, t, np.argsort(s)[::-1]),
                lambda o, s, t: choosing.choose(o, s, t, np.argsort(-s)),
            ),
        ),
        Misconception(
            "one truth matched twice",
            "You let several detections match the same truth. The first takes it; the next on the same thing is a duplicate, a false positive.",
            lambda o, s, t: choosing.choose(o, s, t, free=False),
        ),
        Misconception(
            "the best truth or none",
            "Where a detection's best truth is taken, you give -1 at once. It may still take another that is free, if the overlap will do.",
            lambda o, s, t: choosing.choose(o, s, t, forgiving=False),
        ),
        Misconception(
            "exactly the limit",
            "You refuse an overlap of exactly iou_limit. At least is asked for: >=, not >.",
            lambda o, s, t: choosing.choose(o, s, t, enough=lambda overlap: overlap > t),
        ),
        Misconception(
            "no limit",
            "You forgot iou_limit: a detection that barely touches a thing has not found it.",
            lambda o, s, t: choosing.choose(o, s, t, enough=lambda overlap: True),
        ),
        Misconception(
            "the first truth that will do",
            "The first truth with enough overlap is taken, or the truths had their turns one after the other. The detections "
            "choose, and each must take the truth it overlaps most.",
            lambda o, s, t: choosing.choose(o, s, t, best=False),
        ),
        Misconception(
            "the truths choose",
            "You let each truth take the detection that overlaps it most, and the scores play no part. A detector does not know "
            "its overlaps; it is the score that says whom to believe first.",
            lambda o, s, t: choosing.truths_choose(o, t),
        ),
        Misconception(
            "the largest overlap first",
            "Your largest overlap of all comes first, and the scores play no part. A detector does not know its overlaps; it is "
            "the score that says whom to believe first.",
            lambda o, s, t: choosing.pairs(o, t),
            also=(lambda o, s, t: choosing.by_largest(o, t),),
        ),
        Misconception(
            "one detection finds several",
            "Your detection goes on when it has found a truth, and takes others as well. Each detection finds one truth at most.",
            lambda o, s, t: choosing.several(o, s, t),
        ),
        Misconception(
            "taken but not found",
            "You call a truth taken before you look at iou_limit. A detection that overlaps it too little leaves it free for the next.",
            lambda o, s, t: choosing.taken_unfound(o, s, t),
        ),
        Misconception(
            "neither limit nor turn",
            "You gave each detection the truth it overlaps most, however little, and whoever has it already.",
            lambda o, s, t: choosing.choose(o, s, t, free=False, enough=lambda overlap: True),
        ),
        Misconception(
            "in the order of scores, and the best or none",
            "Two things at once. Your list is in the order of the scores, not as the detections came; "
            "and where a detection's best truth is taken, you give -1 though another may be free.",
            lambda o, s, t: choosing.choose(o, s, t, forgiving=False)[np.argsort(-s, kind="stable")],
        ),
        Misconception(
            "in the order of scores",
            "You have the right indices in the order of the scores. Give them in the order the detections came.",
            lambda o, s, t: match_boxes(o, s, t)[np.argsort(-s, kind="stable")],
        ),
        Misconception(
            "true or false positive",
            "Your result says 1 for a match and 0 for none. The truth's index is asked for, -1 for none: 0 is the first truth.",
            lambda o, s, t: (match_boxes(o, s, t) >= 0).astype(int),
        ),
        Misconception(
            "one number for each truth",
            "Your result has a number for each truth: who found it. One for each detection is asked for: what it found.",
            lambda o, s, t: choosing.by_truth(match_boxes(o, s, t), o.shape[1]),
        ),
        Misconception(
            "nothing is 0",
            "You give 0 where a detection found nothing, and 0 is the first truth. Begin with -1 everywhere.",
            lambda o, s, t: np.maximum(match_boxes(o, s, t), 0),
        ),
    ),
)


def precision_recall(hits, truths):
    """Precision and recall after each detection, (precision, recall): two arrays (D,).

    hits: (D,) array of bool, highest score first: is the detection a true positive?
    truths: number of ground-truth boxes, false negatives included; 1 or more.
    """
    return curves.precision_recall(hits, truths)


def _list(rng):
    """A ranked list that begins with a hit and holds misses, and some things nobody found."""
    count = int(rng.integers(6, 13))
    while True:
        hits = rng.random(count) < 0.6
        if (
            hits[0]
            and 2 <= hits.sum() < count
            and hits[-1] != hits[-2]
            and np.isin([0, 1], hits.astype(int)[1:-1]).all()
        ):
            return hits, int(hits.sum() + rng.integers(1, 5))


_PADILLA = np.array([int(mark) for mark in "101000000101110000000010"], bool)


def _counted(hits):
    return np.cumsum(hits).astype(float), np.arange(1.0, len(hits) + 1)


def _rates(hits, truths, change):
    """Precision and recall, changed."""
    right, seen = _counted(hits)
    return change(right, seen, float(truths))


PRECISION_RECALL = Task(
    reference=precision_recall,
    lesson=8,
    statement="Write precision_recall(hits, truths): hits (D,) says of each detection, highest score first, whether it is a true positive; truths is the "
    "number of ground-truth boxes, false negatives included. After each detection, counting from the best down to it: precision is the "
    "fraction of the detections so far that are true positives, recall the fraction of the truths that are matched. Return (precision, recall), two arrays (D,).",
    unit="",
    fixed=(
        (np.array([True, False, True]), 4),
        (np.array([True, True, False, True, False]), 5),
        (_PADILLA, 15),
        (np.array([False, True, True]), 2),
    ),
    draw=_list,
    edges=((np.array([True]), 1), (np.array([False, False]), 3), (np.zeros(0, bool), 2)),
    nudges=(
        "How many true positives are among the first one, the first two, the first three? np.cumsum(hits) counts that.",
        "How many detections are there so far? np.arange(1, len(hits) + 1) counts those.",
        "precision = TP so far / detections so far; recall = TP so far / truths. The false negatives are in truths and nowhere else.",
    ),
    misconceptions=(
        Misconception(
            "exchanged",
            "You return recall first. Precision first, then recall.",
            lambda h, n: precision_recall(h, n)[::-1],
        ),
        Misconception(
            "false negatives forgotten",
            "Your recall ends at 1 although there are false negatives: you divided by the true positives. What nobody found is in truths.",
            lambda h, n: _rates(h, n, lambda r, d, t: (r / d, r / max(1.0, float(h.sum())))),
        ),
        Misconception(
            "all detections at once",
            "You divided by the number of all detections. After the third detection only three have been made.",
            lambda h, n: _rates(h, n, lambda r, d, t: (r / len(h), r / t) if len(h) else (r, r)),
        ),
        Misconception(
            "recall of detections",
            "Your recall is divided by detections. It is the fraction of the truths that are matched, whatever was detected.",
            lambda h, n: _rates(h, n, lambda r, d, t: (r / d, r / len(h)) if len(h) else (r, r)),
            also=(lambda h, n: _rates(h, n, lambda r, d, t: (r / d, r / d)),),
        ),
        Misconception(
            "TP by FP",
            "You divided the true positives by the false positives. Precision is a fraction of all detections so far, TP + FP.",
            lambda h, n: _rates(h, n, lambda r, d, t: (r / (d - r), r / t)),
        ),
        Misconception(
            "TP by FN",
            "You divided the true positives by the false negatives. Recall is a fraction of all truths, TP + FN.",
            lambda h, n: _rates(h, n, lambda r, d, t: (r / d, r / (t - r))),
        ),
        Misconception(
            "counted from 0",
            "You counted the detections from 0, so the first precision is divided by nothing. After the first there is one.",
            lambda h, n: (np.cumsum(h) / np.arange(len(h)), np.cumsum(h) / n),
        ),
        Misconception(
            "one behind",
            "Your rates are those before each detection. The detection itself counts.",
            lambda h, n: _rates(h, n, lambda r, d, t: ((r - h) / d, (r - h) / t)),
        ),
        Misconception(
            "not added up",
            "You took each detection by itself. Count all from the best one down: np.cumsum.",
            lambda h, n: _rates(h, n, lambda r, d, t: (h / d, h / t)),
        ),
        Misconception(
            "false positives counted",
            "You counted the false positives. True in hits means true positive.",
            lambda h, n: _rates(~h, n, lambda r, d, t: (r / d, r / t)),
        ),
        Misconception(
            "whole numbers",
            "// throws the fractions away: nearly all your rates are 0.",
            lambda h, n: _rates(h, n, lambda r, d, t: (r // d, r // t)),
        ),
        Misconception(
            "smoothed",
            "Your precision never rises: it is the best that is still to come, which belongs to the next task. Give the plain fraction.",
            lambda h, n: _rates(h, n, lambda r, d, t: (np.maximum.accumulate((r / d)[::-1])[::-1], r / t)),
        ),
        Misconception(
            "the end only",
            "You give two numbers, those after the last detection. One pair after each detection is asked for.",
            lambda h, n: _rates(h, n, lambda r, d, t: (r[-1] / d[-1], r[-1] / t) if len(h) else (0.0, 0.0)),
        ),
    ),
)


def average_precision(hits, truths):
    """Average precision by all points: area under the precision-recall curve, 0 to 1.

    hits: (D,) array of bool, highest score first: is the detection a true positive?
    truths: number of ground-truth boxes, false negatives included; 1 or more.
    Where precision rises again at higher recall, the higher value counts before, too.
    """
    return curves.average_precision(hits, truths, "voc")


def _bumpy(rng):
    """A list with a dip of precision, so that the definitions differ."""
    while True:
        hits, truths = _list(rng)
        values = [curves.average_precision(hits, truths, method) for method in curves.AP_METHODS]
        if min(abs(a - b) for i, a in enumerate(values) for b in values[:i]) > 1e-3:
            return hits, truths


def _ap(hits, truths, area):
    """The area of some curve; 0 for an empty list."""
    if not len(hits):
        return 0.0
    precision, recall = curves.precision_recall(hits, truths)
    return float(area(precision, recall))


def _rising(precision):
    """The best precision at this recall or less: the envelope taken from the wrong side."""
    return np.maximum.accumulate(precision)


def _falling(precision):
    return np.maximum.accumulate(precision[::-1])[::-1]


def _gain(recall):
    return np.diff(recall, prepend=0)


AVERAGE_PRECISION = Task(
    reference=average_precision,
    lesson=8,
    statement="Write average_precision(hits, truths) by all points: the area under precision against recall. hits (D,) says of each detection, "
    "best score first, whether it was right; truths is how many things there are to find. First make precision fall: each value becomes "
    "the best of itself and all that come after. Then add up precision times the gain in recall, detection by detection. An empty list has 0.",
    unit="",
    fixed=(
        (np.array([True, False, True]), 2),
        (np.array([True, True, False, True, False]), 4),
        (_PADILLA, 15),
        (np.array([False, True]), 1),
        (np.array([True, False, False, True, True]), 4),
    ),
    draw=_bumpy,
    edges=((np.array([True, False]), 1), (np.array([True]), 2), (np.array([False, False]), 3), (np.zeros(0, bool), 2)),
    nudges=(
        "Draw the points for right, wrong, right of 2 things: recall 0.5, 0.5, 1.0 and precision 1, 1/2, 2/3. Which area lies under them?",
        "np.maximum.accumulate(precision[::-1])[::-1] makes precision fall: at each place the best of what is still to come.",
        "Recall rises by 1 / truths at each hit and by nothing at each miss: np.diff(recall, prepend=0). Multiply and add up.",
    ),
    misconceptions=(
        Misconception(
            "precision not made to fall",
            "You added up plain precision. Where it rises again further down the list, the better value counts from the left on.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(p * _gain(r))),
        ),
        Misconception(
            "false negatives forgotten",
            "You divided by the true positives, not by the truths. A detector that finds one of ten, and nothing else, would have 1.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(_falling(p)[h]) / max(1, h.sum())),
        ),
        Misconception(
            "the classifier's average precision",
            "You took the mean of the plain precision at the hits. That is the average precision of a classifier, "
            "which knows nothing of false negatives.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(p[h]) / max(1, h.sum())),
        ),
        Misconception(
            "mean over the list",
            "You took the mean of the precision over all detections. The area counts each value by its gain in recall.",
            lambda h, n: _ap(h, n, lambda p, r: np.mean(p)),
        ),
        Misconception(
            "mean of the falling precision",
            "You made precision fall and took its mean over all detections. The area counts each value by its gain in recall.",
            lambda h, n: _ap(h, n, lambda p, r: np.mean(_falling(p))),
        ),
        Misconception(
            "best from the wrong side",
            "Your precision holds the best that came before. The best of what is still to come is asked for.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(_rising(p) * _gain(r))),
        ),
        Misconception(
            "false positives counted",
            "You added up the precision at every detection. At a false positive recall does not grow, and no area is added.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(p) / n),
            also=(lambda h, n: _ap(h, n, lambda p, r: np.sum(_falling(p)) / n),),
        ),
        Misconception(
            "the value itself left out",
            "You took the best of what comes after, without the value itself. The last true positive then adds nothing.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(np.append(_falling(p)[1:], 0) * _gain(r))),
        ),
        Misconception(
            "slanting lines",
            "You joined the points by slanting lines, as np.trapezoid does. Between two points precision does not slant, it jumps.",
            lambda h, n: _ap(h, n, lambda p, r: np.trapezoid(p, r)),
            also=(lambda h, n: _ap(h, n, lambda p, r: np.trapezoid(np.append(1.0, p), np.append(0.0, r))),),
        ),
        Misconception(
            "the first gain lost",
            "np.diff(recall) by itself has no step from nothing to the first recall: your area begins too late. prepend=0 brings it in.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(_falling(p)[1:] * np.diff(r))),
            also=(
                lambda h, n: _ap(h, n, lambda p, r: np.sum(_falling(p)[:-1] * np.diff(r))),
                lambda h, n: _ap(h, n, lambda p, r: np.sum(_falling(p) * np.diff(r, append=0))),
            ),
        ),
        Misconception(
            "not turned back",
            "You turned precision round, took the best so far, and did not turn it back: [::-1] stands there twice.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(_falling(p)[::-1] * _gain(r))),
        ),
        Misconception(
            "recall for its gain",
            "You multiplied by recall itself. An area is height times width, and the width is how much recall has grown at that place.",
            lambda h, n: _ap(h, n, lambda p, r: np.sum(_falling(p) * r)),
        ),
        Misconception(
            "eleven levels",
            "You read precision at eleven levels of recall. That is the definition of 2007; all points are asked for.",
            lambda h, n: curves.average_precision(h, n, "voc11"),
            # np.arange(0, 1.1, 0.1)[3] is above 0.3, and a recall of exactly 0.3 does not reach it.
            also=(
                lambda h, n: _ap(
                    h,
                    n,
                    lambda p, r: np.mean(
                        [p[r >= level].max() if (r >= level).any() else 0 for level in np.arange(0, 1.1, 0.1)]
                    ),
                ),
            ),
        ),
        Misconception(
            "a hundred and one levels",
            "You read precision at 101 levels of recall. That is COCO's definition; all points are asked for.",
            lambda h, n: curves.average_precision(h, n, "coco"),
        ),
        Misconception(
            "precision at the end",
            "Your result is the precision of the whole list. One number at one place says nothing about the places above.",
            lambda h, n: _ap(h, n, lambda p, r: p[-1]),
        ),
        Misconception(
            "recall at the end",
            "Your result is the recall of the whole list. False positives would not matter at all.",
            lambda h, n: _ap(h, n, lambda p, r: r[-1]),
        ),
    ),
)


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

    only_a, only_b: how many things only detector A, and only detector B, found.
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
    return float(chi2.sf(max(abs(a - b) - less, 0) ** 2 / (a + b), 1)) if a + b else 1.0


MCNEMAR_P = Task(
    reference=mcnemar_p,
    lesson=8,
    statement="Write mcnemar_p(only_a, only_b): things that only one of two detectors found are like n = only_a + only_b tosses of a fair coin, if the "
    "detectors are equally good. How often does chance alone split n tosses at least as unevenly? Take the probability that the smaller count or "
    "less comes up, double it (either detector may be the better one), and limit it to 1. With no such thing at all it is 1.",
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
            lambda a, b: _tail(a, b, lambda few, many, n: binom.cdf(few, n, 0.5), 1),
        ),
        Misconception(
            "exactly this count",
            "You took the chance of exactly the smaller count, doubled. All more uneven ways belong to it.",
            lambda a, b: _tail(a, b, lambda few, many, n: binom.pmf(few, n, 0.5)),
        ),
        Misconception(
            "exactly this count, one side",
            "You took the chance of exactly the smaller count. All more uneven ways belong to it, on both sides.",
            lambda a, b: _tail(a, b, lambda few, many, n: binom.pmf(few, n, 0.5), 1),
        ),
        Misconception(
            "the smaller count left out",
            "You added up to one less than the smaller count, as Python's range does. It belongs to the sum.",
            lambda a, b: _tail(a, b, lambda few, many, n: binom.cdf(few - 1, n, 0.5)),
        ),
        Misconception(
            "no head left out",
            "You began to add at one head. That no toss at all shows heads is a way too, and the most uneven one.",
            lambda a, b: _tail(a, b, lambda few, many, n: binom.cdf(few, n, 0.5) - binom.pmf(0, n, 0.5)),
        ),
        Misconception(
            "the larger count",
            "You added up to the larger count, which is more than half of all ways. Take the smaller.",
            lambda a, b: _tail(a, b, lambda few, many, n: binom.cdf(many, n, 0.5), 1),
        ),
        Misconception(
            "the larger count, doubled",
            "Your result is 1 in every case: you added up to the larger count, more than half of all ways, and doubled that.",
            lambda a, b: _tail(a, b, lambda few, many, n: binom.cdf(many, n, 0.5)),
        ),
        Misconception(
            "always the first count",
            "You added up to only_a, whether it is the smaller or not. Which detector is called A must not matter.",
            lambda a, b: min(1.0, 2 * float(binom.cdf(a, a + b, 0.5))),
        ),
        Misconception(
            "not limited to 1",
            "Some of your probabilities are more than 1. Where both counts are nearly equal, the doubled sum counts the middle twice.",
            lambda a, b: _tail(a, b, lambda few, many, n: binom.cdf(few, n, 0.5), most=math.inf),
        ),
        Misconception(
            "chi-square",
            "You took the chi-square approximation, (a − b)²/(a + b). It needs many things; the exact sum is asked for.",
            lambda a, b: _chi(a, b, 0),
        ),
        Misconception(
            "chi-square, corrected",
            "You took the chi-square approximation with its correction. It needs many things; the exact sum is asked for.",
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

TASKS = (MATCH_BOXES, PRECISION_RECALL, AVERAGE_PRECISION, WILSON_INTERVAL, MCNEMAR_P)
