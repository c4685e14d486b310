"""Lesson 08: judge it."""

from __future__ import annotations

import numpy as np

from robotlab.metrics.matching import choose_coco
from robotlab.practice.task import Misconception, Task
from robotlab.practice.tasks import choosing
from robotlab.practice.tasks.lesson_08_chance import MCNEMAR_P, WILSON_INTERVAL
from robotlab.practice.tasks.lesson_08_curves import AVERAGE_PRECISION, PRECISION_RECALL


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
            "You let several detections match the same truth. The first takes it; the next on the same object is a duplicate, a false positive.",
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
            "You forgot iou_limit: a detection that barely touches an object has not found it.",
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


TASKS = (MATCH_BOXES, PRECISION_RECALL, AVERAGE_PRECISION, WILSON_INTERVAL, MCNEMAR_P)
