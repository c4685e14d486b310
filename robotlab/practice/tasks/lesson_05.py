"""Lesson 05: boxes."""

from __future__ import annotations

import numpy as np

from robotlab import boxes as known
from robotlab.boxes import nms_reference
from robotlab.practice.task import Misconception, Task


def corners_from_xywh(boxes):
    """Corners (N, 4), x0 y0 x1 y1, of boxes given as corner and size; a new array.

    boxes: (N, 4) array, x y width height, px; x y is the top left corner.
    N may be 0: then give (0, 4).
    """
    return np.column_stack([boxes[:, :2], boxes[:, :2] + boxes[:, 2:]])


def _boxes(rng, most=4):
    count = int(rng.integers(2, most + 1))
    return np.column_stack([rng.integers(0, 40, (count, 2)), rng.integers(3, 30, (count, 2))]).astype(float)


def _corners(boxes, dx0=0.0, dy0=0.0, dx1=0.0, dy1=0.0):
    """The right corners, moved by shares of the width and height."""
    x, y, w, h = boxes.T
    return np.column_stack([x + dx0 * w, y + dy0 * h, x + w + dx1 * w, y + h + dy1 * h])


CORNERS_FROM_XYWH = Task(
    reference=corners_from_xywh,
    lesson=5,
    statement="Write corners_from_xywh(boxes): turn bounding boxes (N, 4) from corner and size, x, y, width, height, into corner format, x0, y0, x1, y1, all in px. x, y is the "
    "top left corner; edges are counted, not pixels, so a box from 10 with width 5 ends at 15. N may be 0. Leave the input as it is.",
    unit="px",
    fixed=((np.array([[10.0, 20.0, 5.0, 4.0]]),), (np.array([[0.0, 0.0, 1.0, 1.0], [100.0, 50.0, 16.5, 80.0]]),)),
    draw=lambda rng: (_boxes(rng),),
    edges=((np.zeros((0, 4)),),),
    nudges=(
        "boxes[:, 0] is every box's x. How do you write its right edge?",
        "x1 = x + width and y1 = y + height. np.column_stack puts four columns side by side.",
        "boxes is the caller's array: start with boxes.copy(), or build a new array.",
    ),
    misconceptions=(
        Misconception("unchanged", "You give the boxes back as they came.", lambda b: b.copy()),
        Misconception(
            "one pixel short",
            "Your boxes end one pixel early: x + width - 1 is the last pixel, not the edge. Edges are counted here.",
            lambda b: _corners(b) - [0, 0, 1, 1],
        ),
        Misconception(
            "one pixel long",
            "Your boxes end one pixel late. Edges are counted here: a box from 10 with width 5 ends at 15.",
            lambda b: _corners(b) + [0, 0, 1, 1],
        ),
        Misconception(
            "middle for corner",
            "You read x, y as the middle of the box, the center format. It is the top left corner.",
            lambda b: _corners(b, -0.5, -0.5, -0.5, -0.5),
        ),
        Misconception(
            "width and height exchanged",
            "You added the height to x and the width to y.",
            lambda b: np.column_stack([b[:, 0], b[:, 1], b[:, 0] + b[:, 3], b[:, 1] + b[:, 2]]),
        ),
        Misconception(
            "corners taken for sizes",
            "You subtracted: that is the conversion back, from corners to width and height.",
            lambda b: np.column_stack([b[:, :2], b[:, 2:] - b[:, :2]]),
        ),
        Misconception(
            "corners in pairs of x and y",
            "Your columns are x0, x1, y0, y1. The order here is x0, y0, x1, y1.",
            lambda b: _corners(b)[:, [0, 2, 1, 3]],
        ),
        Misconception(
            "rows for columns",
            "Your columns are y0, x0, y1, x1. x comes first in a box.",
            lambda b: _corners(b)[:, [1, 0, 3, 2]],
        ),
        Misconception(
            "only the right edge",
            "x1 is right, y1 is still the height.",
            lambda b: np.column_stack([b[:, :2], b[:, 0] + b[:, 2], b[:, 3]]),
        ),
    ),
)


def iou(a, b):
    """Intersection over union of two boxes: a number from 0 to 1.

    a, b: (4,) arrays, corners x0 y0 x1 y1, px.  Two boxes without area have 0.
    """
    return float(known.iou(a[None, :], b[None, :])[0, 0])


def _pair(rng):
    """Two boxes that overlap, in most cases."""
    x, y = rng.integers(0, 20, (2, 2))
    return tuple(np.array([u, v, u + w, v + h], float) for u, v, w, h in zip(x, y, *rng.integers(8, 30, (2, 2))))


def _parts(a, b, more=0.0):
    """Width and height of the shared part, not clipped, and both areas."""
    w, h = min(a[2], b[2]) - max(a[0], b[0]) + more, min(a[3], b[3]) - max(a[1], b[1]) + more
    return w, h, (a[2] - a[0] + more) * (a[3] - a[1] + more), (b[2] - b[0] + more) * (b[3] - b[1] + more)


def _share(a, b, of, more=0.0):
    w, h, first, second = _parts(a, b, more)
    shared = max(0.0, w) * max(0.0, h)
    whole = of(shared, first, second)
    return float(shared / whole) if whole > 0 else 0.0


def _unclipped(a, b):
    w, h, first, second = _parts(a, b)
    whole = first + second - w * h
    return float(w * h / whole) if whole else 0.0


def _share_clipped(a, b, side):
    """With one side of the intersection kept at 0 or more, and not the other."""
    parts = list(_parts(a, b))
    parts[side] = max(0.0, parts[side])
    whole = parts[2] + parts[3] - parts[0] * parts[1]
    return float(parts[0] * parts[1] / whole) if whole else 0.0


def _around(a, b):
    return (max(a[2], b[2]) - min(a[0], b[0])) * (max(a[3], b[3]) - min(a[1], b[1]))


def _of_sizes(box):
    return np.array([box[0], box[1], box[0] + box[2], box[1] + box[3]])


IOU = Task(
    reference=iou,
    lesson=5,
    statement="Write iou(a, b): intersection over union: the area that two boxes share, divided by the area that they cover together, from 0 to 1. Each box "
    "is an array of 4 corners x0, y0, x1, y1 in px. Boxes that lie apart or only touch have 0, and so have two boxes without any area.",
    unit="",
    fixed=(
        (np.array([0.0, 0, 10, 10]), np.array([5.0, 5, 15, 15])),
        (np.array([0.0, 0, 100, 100]), np.array([0.0, 0, 50, 50])),
        (np.array([0.0, 0, 10, 10]), np.array([20.0, 30, 40, 50])),
        (np.array([0.0, 0, 10, 10]), np.array([20.0, 2, 40, 8])),
        # Apart in y alone, and corners that are not whole.
        (np.array([0.0, 0, 10, 10]), np.array([2.0, 20, 8, 40])),
        (np.array([0.5, 0.25, 2.75, 3.5]), np.array([1.25, 1.5, 4.5, 4.75])),
    ),
    draw=_pair,
    edges=(
        (np.array([0.0, 0, 10, 10]), np.array([10.0, 0, 20, 10])),
        (np.array([3.0, 4, 3, 4]), np.array([3.0, 4, 3, 4])),
    ),
    nudges=(
        "Draw both boxes. Where does the intersection begin on the left, and where does it end on the right?",
        "It begins at the larger x0 and ends at the smaller x1. If it ends before it begins, it is empty: max(0, ...).",
        "The union is area of a + area of b - intersection, since the intersection was counted twice. Avoid a division by 0.",
    ),
    misconceptions=(
        Misconception(
            "negative sides",
            "For boxes that lie apart you multiply two negative lengths, or one. A side of the intersection is never less than 0.",
            _unclipped,
        ),
        Misconception(
            "only one side clipped",
            "For boxes apart in one direction only you get a negative number. Both sides of the intersection need max(0, ...).",
            lambda a, b: _share_clipped(a, b, 0),
            also=(lambda a, b: _share_clipped(a, b, 1),),
        ),
        Misconception(
            "sum for union",
            "You divided by the sum of both areas. The intersection is in it twice; the union has it once.",
            lambda a, b: _share(a, b, lambda s, f, g: f + g),
        ),
        Misconception(
            "twice the shared part",
            "You divided twice the intersection by the sum of both. That is another measure, the Dice coefficient, larger than IoU.",
            lambda a, b: _share(a, b, lambda s, f, g: (f + g) / 2),
        ),
        Misconception(
            "over the smaller box",
            "You divided by the smaller box. A small box inside a large one would count as a perfect match.",
            lambda a, b: _share(a, b, lambda s, f, g: min(f, g)),
        ),
        Misconception(
            "over the larger box",
            "You divided by the larger box. The union is larger still, unless one box contains the other.",
            lambda a, b: _share(a, b, lambda s, f, g: max(f, g)),
        ),
        Misconception(
            "over the first box",
            "You divided by the first box. IoU does not change when a and b change places.",
            lambda a, b: _share(a, b, lambda s, f, g: f),
        ),
        Misconception(
            "one pixel added",
            "You added 1 to every side, as for boxes that name their last pixel. Corners here are edges: the width is x1 - x0.",
            lambda a, b: _share(a, b, lambda s, f, g: f + g - s, 1.0),
        ),
        Misconception(
            "over the box around both",
            "You divided by the box around both. It also contains corners that neither box covers.",
            lambda a, b: _share(a, b, lambda s, f, g: _around(a, b)),
        ),
        Misconception(
            "corners read as sizes",
            "You read the last two numbers as width and height. They are the lower right corner.",
            lambda a, b: iou(_of_sizes(a), _of_sizes(b)),
        ),
        Misconception(
            "the shared area itself",
            "Your result is the intersection in px². Divide it by the union.",
            lambda a, b: _share(a, b, lambda s, f, g: 1.0),
        ),
    ),
)


def nms(boxes, scores, iou_limit):
    """Non-maximum suppression: indices of the boxes that stay, best score first.

    boxes: (N, 4) array of corners x0 y0 x1 y1, px.  scores: (N,) array.
    A box goes when its IoU with a better one that stays exceeds iou_limit.
    Equal scores keep their order.  The result is an array of int.
    """
    return nms_reference(boxes, scores, iou_limit)


def _crowd(rng):
    """Boxes in heaps, the scores in no order."""
    middles = rng.integers(10, 90, (3, 2))
    at = middles[rng.integers(0, 3, 9)] + rng.integers(-6, 7, (9, 2))
    size = rng.integers(16, 24, (9, 2))
    return np.column_stack([at, at + size]).astype(float), np.round(rng.permutation(9) * 0.1 + 0.1, 1), 0.4


def _greedy(boxes, scores, limit, order=None, goes=None, against_all=False, last_only=False):
    """NMS with its steps to be spoiled one by one."""
    goes = goes or (lambda overlap: overlap > limit)
    kept, seen = [], []
    for row in np.argsort(-scores, kind="stable") if order is None else order:
        rivals = seen if against_all else kept[-1:] if last_only else kept
        if not any(goes(iou(boxes[row], boxes[other])) for other in rivals):
            kept.append(int(row))
        seen.append(row)
    return np.array(kept, int)


# A row of boxes, each moved on by 3: neighbors overlap by 7 / 13 = .54, the next but one by 4 / 16 = .25.
_ROW = np.array([[x, 0.0, x + 10.0, 10.0] for x in (0, 3, 6, 30, 9)])
# The second is exactly half of the first.
_HALF = np.array([[0.0, 0, 10, 10], [0, 0, 10, 5], [40, 0, 50, 10]])

NMS = Task(
    reference=nms,
    lesson=5,
    statement="Write nms(boxes, scores, iou_limit), non-maximum suppression: of boxes (N, 4) that may lie on the same object, keep the best. Take the box with "
    "the highest score, drop every other whose IoU with it exceeds iou_limit, and go on with the best that is left. Give the indices of "
    "the boxes that stay, best first, as an array of int. Of equal scores the earlier goes first. Your iou from the task before will help.",
    unit="",
    fixed=(
        (np.array([[0.0, 0, 10, 10], [1, 0, 11, 10], [50, 0, 60, 10]]), np.array([0.8, 0.9, 0.7]), 0.5),
        (_ROW, np.array([0.7, 0.9, 0.8, 0.6, 0.5]), 0.5),
    ),
    draw=_crowd,
    edges=(
        (_HALF, np.array([0.9, 0.8, 0.7]), 0.5),
        (_ROW[:2], np.array([0.5, 0.5]), 0.5),
        (_ROW, np.array([0.5, 0.5, 0.7, 0.7, 0.5]), 0.3),
        (np.zeros((0, 4)), np.zeros(0), 0.5),
    ),
    draws=8,
    nudges=(
        "Which box is certainly kept? Begin there.",
        'Go through the indices in the order np.argsort(-scores, kind="stable"), with a list of those kept so far.',
        "A box is kept when its IoU with each box kept so far is at most iou_limit. Boxes that were dropped drop no others.",
    ),
    misconceptions=(
        Misconception(
            "scores not sorted",
            "You took the boxes as they came. A weak box that comes first drops a better one.",
            lambda b, s, t: _greedy(b, s, t, range(len(s))),
        ),
        Misconception(
            "lowest first",
            "You began with the lowest score: the weakest box of each cluster stays.",
            lambda b, s, t: _greedy(b, s, t, np.argsort(s, kind="stable")),
        ),
        Misconception(
            "order of equals",
            "Of equal scores you do not always take the earlier box first. Reversing a sorted list reverses equals "
            'as well, and np.argsort keeps their order only with kind="stable".',
            lambda b, s, t: _greedy(b, s, t, np.argsort(s, kind="stable")[::-1]),
            also=(
                lambda b, s, t: _greedy(b, s, t, np.argsort(s)[::-1]),
                lambda b, s, t: _greedy(b, s, t, np.argsort(-s)),
            ),
        ),
        Misconception(
            "exactly the limit",
            "You drop a box whose IoU is exactly iou_limit. It goes only when the IoU exceeds it: >, not >=.",
            lambda b, s, t: _greedy(b, s, t, goes=lambda overlap: overlap >= t),
        ),
        Misconception(
            "dropped boxes drop others",
            "You compare with boxes that were dropped themselves. Only a box that stays may drop another.",
            lambda b, s, t: _greedy(b, s, t, against_all=True),
        ),
        Misconception(
            "compared with the last only",
            "You compare each box with the one kept last. Any box kept before may overlap it.",
            lambda b, s, t: _greedy(b, s, t, last_only=True),
        ),
        Misconception(
            "in order of place",
            "You keep the right boxes, ordered by index. The best must come first.",
            lambda b, s, t: np.sort(_greedy(b, s, t)),
        ),
        Misconception(
            "nothing dropped", "You sorted the boxes and dropped none.", lambda b, s, t: np.argsort(-s, kind="stable")
        ),
        Misconception(
            "only one box stays",
            "You keep only the best box. There may be several objects in a picture.",
            lambda b, s, t: np.argsort(-s, kind="stable")[:1],
        ),
        Misconception(
            "far boxes dropped",
            "You drop the boxes that overlap little and keep those on the same object: the comparison is the wrong way round.",
            lambda b, s, t: _greedy(b, s, t, goes=lambda overlap: overlap < t),
        ),
        Misconception(
            "boxes for places",
            "You give the boxes themselves. Their indices are asked for, so that scores and labels can be picked too.",
            lambda b, s, t: b[_greedy(b, s, t)],
        ),
        Misconception(
            "places in the sorted list",
            "You give indices into the sorted list. Convert them back: order[...] has the indices into the boxes you were given.",
            lambda b, s, t: (lambda order: np.flatnonzero(np.isin(order, _greedy(b, s, t))))(
                np.argsort(-s, kind="stable")
            ),
        ),
    ),
)

TASKS = (CORNERS_FROM_XYWH, IOU, NMS)
