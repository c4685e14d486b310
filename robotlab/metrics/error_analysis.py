"""Kinds of false positives, and the confusion matrix."""

from __future__ import annotations

import numpy as np

from robotlab.metrics.coco import Matches
from robotlab.metrics.overlapping import overlapping_pairs
from robotlab.metrics.tables import DetectionTable, GroundTruthTable

ERROR_KINDS = ("true positive", "wrong class", "poor overlap", "duplicate", "background")

# Overlap from which a detection was aimed at an object, and from which it found
# it: Hoiem et al., ECCV 2012 ("Diagnosing error in object detectors"); the same
# in Bolya et al., ECCV 2020 (arXiv:2008.08115).
AIMED_IOU, FOUND_IOU = 0.1, 0.5


def error_kinds(
    truths: GroundTruthTable, found: DetectionTable, matches: Matches, score: float
) -> tuple[np.ndarray, np.ndarray]:
    """Classify each detection of at least `score`: true positive, or kind of false positive.

    Parameters
    ----------
    truths : GroundTruthTable
        The labeled boxes.
    found : DetectionTable
        The detections.
    matches : Matches
        From :func:`robotlab.metrics.coco.evaluate_coco`.
    score : float
        Confidence threshold.

    Returns
    -------
    place : (N,) ndarray of int
        Rows of `matches`: those that count and reach the score.
    kind : (N,) ndarray of int
        Place in :data:`ERROR_KINDS`.

    Notes
    -----
    *True positive* (TP): matched at IoU .5.  All others are false positives
    (FP), of four kinds.  *Wrong class*: IoU of at least .5 with an object
    of another class.  *Duplicate*: IoU of at least .5 with an object of its own
    class that a detection of higher score has taken (where both hold, the larger IoU
    decides).  *Poor overlap*: IoU of .1 to .5 with an object of its own class.
    *Background*: all else.  False negatives (FN), truths that no detection
    matches, are counted apart.

    Examples
    --------
    >>> from robotlab.metrics import evaluate_coco
    >>> truths = GroundTruthTable([0], [0], [[0, 0, 10, 10]], 1, ["post", "crate"])
    >>> found = DetectionTable([0, 0], [0, 1], [[0, 0, 10, 4], [0, 0, 10, 9]], [0.9, 0.8])
    >>> kinds = error_kinds(truths, found, evaluate_coco(truths, found).matches, 0.5)[1]
    >>> [ERROR_KINDS[kind] for kind in kinds]
    ['poor overlap', 'wrong class']
    """
    one = np.uint64(1)
    place = np.flatnonzero((matches.ignored & one == 0) & (found.score[matches.row] >= score))
    right = matches.hit[place] & one > 0
    order = np.argsort(found.picture[matches.row[place]], kind="stable")
    rows = matches.row[place[order]]
    d, g, overlap = overlapping_pairs(truths, found, rows, truths.picture, found.picture[rows], AIMED_IOU)
    real = ~truths.crowd[g] & (matches.counted[g] & one > 0)
    d, g, overlap = d[real], g[real], overlap[real]
    same = truths.label[g] == found.label[rows[d]]
    own, other = np.zeros(len(rows)), np.zeros(len(rows))
    np.maximum.at(own, d[same], overlap[same])
    np.maximum.at(other, d[~same], overlap[~same])
    kind = np.full(len(rows), ERROR_KINDS.index("background"))
    kind[own >= AIMED_IOU] = ERROR_KINDS.index("poor overlap")
    kind[own >= FOUND_IOU] = ERROR_KINDS.index("duplicate")
    kind[(other >= FOUND_IOU) & ((other > own) | (own < FOUND_IOU))] = ERROR_KINDS.index("wrong class")
    kinds = np.empty(len(rows), np.int64)
    kinds[order] = kind
    kinds[right] = ERROR_KINDS.index("true positive")
    return place, kinds


def confusion(truths: GroundTruthTable, found: DetectionTable, matches: Matches, score: float) -> np.ndarray:
    """Confusion matrix with a row and a column for background.

    Parameters
    ----------
    truths : GroundTruthTable
        The labeled boxes.
    found : DetectionTable
        The detections.
    matches : Matches
        From :func:`robotlab.metrics.coco.evaluate_coco`.
    score : float
        Confidence threshold.

    Returns
    -------
    (K + 1, K + 1) ndarray of int
        Row: what it is; column: what it was taken for; the last row is
        background that was taken for something, the last column are objects
        that were not found.  The corner is 0: there is no true negative.

    Notes
    -----
    True positives come first; the others then take, highest score first,
    the object of another class that overlaps most, still free, with IoU of at
    least .5.  So the entries off the diagonal are fewer than the *wrong
    class* errors of :func:`error_kinds`, which also counts those on an object
    that was found as well.

    Examples
    --------
    >>> from robotlab.metrics import evaluate_coco
    >>> truths = GroundTruthTable([0], [0], [[0, 0, 10, 10]], 1, ["post", "crate"])
    >>> found = DetectionTable([0], [1], [[0, 0, 10, 9]], [0.8])
    >>> confusion(truths, found, evaluate_coco(truths, found).matches, 0.5).tolist()
    [[0, 1, 0], [0, 0, 0], [0, 0, 0]]
    """
    one = np.uint64(1)
    classes = len(truths.classes)
    table = np.zeros((classes + 1, classes + 1), np.int64)
    used = (matches.ignored & one == 0) & (found.score[matches.row] >= score)
    right = used & (matches.hit & one > 0)
    taken = matches.counted & one == 0
    taken[matches.truth[right]] = True
    np.add.at(table, (matches.label[right], matches.label[right]), 1)
    left = np.flatnonzero(used & ~right)
    rows = matches.row[left]
    rows = rows[np.argsort(found.picture[rows], kind="stable")]
    d, g, overlap = overlapping_pairs(truths, found, rows, truths.picture, found.picture[rows], FOUND_IOU)
    free = ~taken[g] & ~truths.crowd[g] & (truths.label[g] != found.label[rows[d]])
    d, g, overlap = d[free], g[free], overlap[free]
    met = np.zeros(len(rows), bool)
    for pair in np.lexsort((-overlap, -found.score[rows[d]])):
        if not met[d[pair]] and not taken[g[pair]]:
            met[d[pair]] = taken[g[pair]] = True
            table[truths.label[g[pair]], found.label[rows[d[pair]]]] += 1
    np.add.at(table, (classes, found.label[rows[~met]]), 1)
    np.add.at(table, (truths.label[~taken], classes), 1)
    return table
