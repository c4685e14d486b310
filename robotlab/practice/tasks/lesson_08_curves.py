"""Lesson 08: precision, recall, and the area under their curve."""

from __future__ import annotations

import numpy as np

from robotlab.metrics import curves
from robotlab.practice.task import Misconception, Task


def precision_recall(hits, truths):
    """Precision and recall after each detection, (precision, recall): two arrays (D,).

    hits: (D,) array of bool, highest score first: is the detection a true positive?
    truths: number of ground-truth boxes, false negatives included; 1 or more.
    """
    return curves.precision_recall(hits, truths)


def _list(rng):
    """A ranked list that begins with a hit and holds misses, and some objects nobody found."""
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
    "best score first, whether it was right; truths is how many objects there are to find. First make precision fall: each value becomes "
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
        "Draw the points for right, wrong, right of 2 objects: recall 0.5, 0.5, 1.0 and precision 1, 1/2, 2/3. Which area lies under them?",
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
