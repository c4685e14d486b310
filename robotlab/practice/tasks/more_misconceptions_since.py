"""Misconceptions found since in answers of learners, and cases that tell them apart; added to the tasks by name."""

from __future__ import annotations

import math
import operator

import numpy as np

from robotlab.practice.task import Misconception


def _pairs(first, second, least, order):
    """Pairs made in an order of the candidates that is not that of their IoU."""
    from robotlab.boxes import iou

    if len(first) + len(second) == 0:
        return 1.0
    table = iou(first, second) if len(first) and len(second) else np.zeros((len(first), len(second)))
    rows, columns, count = set(), set(), 0
    for i, j in sorted(np.ndindex(*table.shape), key=lambda place: order(table, *place)):
        if table[i, j] >= least and i not in rows and j not in columns:
            rows.add(i)
            columns.add(j)
            count += 1
    return 2.0 * count / (len(first) + len(second))


def _by_place(first, second, least):
    from robotlab.boxes import iou

    count = sum(float(iou(a[None], b[None])[0, 0]) >= least for a, b in zip(first, second))
    return 2.0 * count / (len(first) + len(second)) if len(first) + len(second) else 1.0


def _cell_by_cell(cells, stop, most):
    for one in cells:
        if one < stop:
            return "stop"
        if cells.max() - one > most:
            return "balance"
    return "go on"


def _since(last, line_s, good, timeout, until, too_long=operator.gt):
    for time, fine in zip(line_s, good):
        if too_long(time - last, timeout):
            break
        last = time if fine else last
    return min(last + timeout, until)


def _half_cosine(done, first, second, peak):
    a, b, t = (peak / 25, peak, first(done)) if done < 0.25 else (peak, peak / 1000, second(done))
    return a + (b - a) * (1 - math.cos(math.pi * t)) / 2


def _resultant(hues):
    a = np.radians(hues)
    return math.degrees(math.atan2(np.sin(a).mean(), np.cos(a).mean()))


def _cut_softmax(most):
    def softmax(scores):
        powers = np.exp(np.minimum(scores, most))
        return powers / powers.sum(axis=1, keepdims=True)

    return softmax


def _zeros_around(gray):
    table = np.zeros(gray.shape)
    table[1:-1, 1:-1] = gray[:-2, 1:-1] + gray[2:, 1:-1] + gray[1:-1, :-2] + gray[1:-1, 2:] - 4 * gray[1:-1, 1:-1]
    return float(table.var())


def _edge_angles(box, width, hfov):
    f = width / 2 / math.tan(hfov / 2)
    return (math.atan((width / 2 - box[0]) / f) + math.atan((width / 2 - box[2]) / f)) / 2


def _ends(low, high, matters):
    return "more walks" if high - low >= matters else "other" if low > 0 else "simple"


def _apart(a, b, known):
    if known:
        return 0.0
    w, h = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    union = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - w * h
    return w * h / union if union > 0 else 0.0


def _gap(line_s, good, timeout, until):
    gaps = np.diff(np.append(line_s[good], until))
    return float(gaps[gaps > timeout][0]) if (gaps > timeout).any() else until


def _clipped(hits, trials, z=1.96):
    p = hits / trials
    half = z * math.sqrt(p * (1 - p) / trials + z * z / (4 * trials**2))
    return max(0.0, p + z * z / (2 * trials) - half), min(1.0, p + z * z / (2 * trials) + half)


def _equals_too(mask):
    from scipy import ndimage

    numbers, count = ndimage.label(mask, structure=np.ones((3, 3)))
    sizes = np.bincount(numbers.ravel())
    sizes[0] = 0
    return (sizes[numbers] == sizes.max()) & mask if count else np.zeros(mask.shape, bool)


def _next_only(boxes, scores, limit):
    from robotlab.boxes import iou

    order, kept = list(np.argsort(-scores, kind="stable")), []
    while order:
        kept.append(order.pop(0))
        if order and iou(boxes[kept[-1:]], boxes[order[:1]])[0, 0] > limit:
            order.pop(0)
    return np.array(kept, dtype=int)


def _shifted_counts(heights, height, focal, edges):
    counts = np.bincount(np.digitize(focal * height / heights, edges), minlength=len(edges) + 1)
    return counts[: len(edges) - 1]


def _corners(g):
    return float((g[:-2, :-2] + g[2:, 2:] + g[:-2, 2:] + g[2:, :-2] - 4 * g[1:-1, 1:-1]).var())


def _centered_ridge(x, y, penalty):
    x = x - x.mean(axis=0)
    return np.linalg.solve(x.T @ x + penalty * np.eye(x.shape[1]), x.T @ (y - y.mean()))


def _each_row_once(mask):
    rows, columns = np.nonzero(mask)
    return (np.unique(columns).mean() + 0.5, np.unique(rows).mean() + 0.5) if len(rows) else None


SINCE: dict[str, tuple[Misconception, ...]] = {
    "luminance": (
        Misconception(
            "one weight for all",
            "You give all three channels one and the same weight. There are three, and they add up to 1.",
            lambda p: 0.299 * p.astype(float).sum(axis=2),
            also=(lambda p: 0.587 * p.astype(float).sum(axis=2), lambda p: 0.114 * p.astype(float).sum(axis=2)),
        ),
    ),
    "bearing": (
        Misconception(
            "angle for its tangent",
            "The edge of the picture lies at half the field of view, and you took that angle for its tangent.",
            lambda x, w, h: math.atan((1 - 2 * x / w) * h / 2),
        ),
    ),
    "centroid": (
        Misconception(
            "each row and column once",
            "You count each column and each row once, however many True pixels it has. Every pixel counts.",
            _each_row_once,
        ),
    ),
    "largest_blob": (
        Misconception(
            "all of the largest size",
            "Where two components are equally large you keep both. Only the one that comes first is asked for.",
            _equals_too,
        ),
    ),
    "nms": (
        Misconception(
            "only the next box",
            "You compare each box that stays with the next one only. A box further down the list may overlap it as well.",
            _next_only,
        ),
    ),
    "distance_counts": (
        Misconception(
            "one range too far",
            "Your counts are shifted by one range: np.digitize gives 0 for what lies before the first edge, and 1 for the first range.",
            _shifted_counts,
        ),
    ),
    "leaked_part": (
        Misconception(
            "between the first and the last",
            "You ask whether a test frame lies between the first and the last training frame. A gap between may be wide: compare it with each of them.",
            lambda a, b, n: float(((b >= a.min() - n) & (b <= a.max() + n)).mean()) if len(a) else 0.0,
        ),
        Misconception(
            "frames compared place by place",
            "You compare the first test frame with the first training frame, and so on. Each test frame is to be compared with all training frames.",
            lambda a, b, n: (
                float((np.abs(a[: min(len(a), len(b))] - b[: min(len(a), len(b))]) <= n).mean()) if len(a) else 0.0
            ),
        ),
    ),
    "ridge": (
        Misconception(
            "means taken off first",
            "You took the means off x and y first, which is a fit with an intercept. Here x @ w alone must come near y.",
            _centered_ridge,
        ),
    ),
    "mean_hue": (
        Misconception(
            "half a turn away",
            "Your hues lie on the other side of the circle: 180° were added or taken off. Adding a whole turn, 360°, changes no hue.",
            lambda h: (_resultant(h) + 180) % 360,
            also=(lambda h: _resultant(h) + 180,),
        ),
        Misconception(
            "the extremes alone",
            "You took the mean of the smallest and the largest hue. All of them count.",
            lambda h: _resultant([np.min(h), np.max(h)]) % 360,
        ),
    ),
    "softmax": (
        Misconception(
            "cut before exp",
            "You cut large logits off before exp. Logits beyond the limit become equal, and their difference is lost. Subtract the row's largest instead.",
            _cut_softmax(500.0),
            also=(_cut_softmax(100.0), _cut_softmax(700.0), _cut_softmax(50.0)),
        ),
    ),
    "abstain": (
        Misconception(
            "the class's number compared",
            "You compare the number of the best class with least. It is its probability that must reach least.",
            lambda p, t: np.where(p.argmax(axis=1) >= t, p.argmax(axis=1), -1),
        ),
    ),
    "iou": (
        Misconception(
            "a gap on one side only",
            "You notice that one box ends before the other begins in one order alone: b may also lie on the other side of a. max(0, ...) for both sides needs no such test.",
            lambda a, b: _apart(a, b, a[2] <= b[0] or a[3] <= b[1]),
            also=(lambda a, b: _apart(a, b, b[2] <= a[0] or b[3] <= a[1]),),
        ),
    ),
    "blur_measure": (
        Misconception("edges of the picture", "You also count the pixels at the picture's edge.", _zeros_around),
        Misconception(
            "the corners for the sides",
            "You take the four neighbors at the corners. The Laplacian takes those above, below, left and right.",
            _corners,
        ),
        Misconception(
            "in one direction",
            "You use neighbors in one direction alone.",
            lambda g: float((2 * (g[:-2, 1:-1] + g[2:, 1:-1]) - 4 * g[1:-1, 1:-1]).var()),
            also=(lambda g: float((2 * (g[1:-1, :-2] + g[1:-1, 2:]) - 4 * g[1:-1, 1:-1]).var()),),
        ),
    ),
    "label_agreement": (
        Misconception(
            "in the order of the lists",
            "A box takes its partner when its turn comes in the list. The pair with the highest IoU of all comes first, wherever its boxes stand.",
            lambda a, b, t: _pairs(a, b, t, lambda table, i, j: (i, j)),
            also=(
                lambda a, b, t: _pairs(a, b, t, lambda table, i, j: (i, -table[i, j], j)),
                lambda a, b, t: _pairs(a, b, t, lambda table, i, j: (j, -table[i, j], i)),
                lambda a, b, t: _pairs(a, b, t, lambda table, i, j: (table[i, j], i, j)),
            ),
        ),
        Misconception(
            "paired by place",
            "You compare the first box with the first, the second with the second, and so on. Two people box things in different orders.",
            _by_place,
        ),
    ),
    "cycle_rate": (
        Misconception(
            "the fall not stretched",
            "In the second part your t does not go from 0 to 1. The part is three quarters of the way long: begin at 0 and divide by its length.",
            lambda n, m, p: _half_cosine(n / (m - 1), lambda d: 4 * d, lambda d: d - 0.25, p),
            also=(lambda n, m, p: _half_cosine(n / (m - 1), lambda d: 4 * d, lambda d: d, p),),
        ),
    ),
    "wilson_interval": (Misconception("not divided", "You forgot to divide.", _clipped),),
    "throughput": (
        Misconception(
            "rates added",
            "In one thread the stages follow one another: their times add up, not their rates.",
            lambda s, hz, own: min(hz, 1 / max(s) if own else sum(1 / one for one in s)),
        ),
        Misconception(
            "as if the stages were equal",
            "You shared the work evenly among the threads. A stage is not divided: the slowest decides.",
            lambda s, hz, own: min(hz, len(s) / sum(s) if own else 1 / sum(s)),
        ),
    ),
    "latency": (
        Misconception(
            "another stage for the slowest",
            "With threads you let each picture in front cost the time of one fixed stage, the first or the last. The slowest decides, wherever it stands.",
            lambda s, n, own: n * (s[0] if own else sum(s)) + sum(s),
            also=(lambda s, n, own: n * (s[-1] if own else sum(s)) + sum(s),),
        ),
        Misconception(
            "the mean stage in front",
            "With threads you let each picture in front cost the mean of the stages. They are not equal: the slowest decides.",
            lambda s, n, own: n * (sum(s) / len(s) if own else sum(s)) + sum(s),
        ),
    ),
    "frames_in_flight": (
        Misconception(
            "from the first to the last",
            "You took the time from the first picture to the last action. Each picture is under way from its own taken to its own acted: add those up.",
            lambda t, a, d: float(a[-1] - t[0]) / d if len(t) else 0.0,
        ),
    ),
    "cells_state": (
        Misconception(
            "cell by cell",
            'You decide at the first cell that is odd. A later one may be below stop_v, and "stop" comes first: ask that of all cells before the difference.',
            _cell_by_cell,
        ),
    ),
    "bearing_error": (
        Misconception(
            "mean of two angles",
            "You took the mean of the angles to both edges of the box. The box's middle lies at another angle, since columns share the strip evenly and not the angle.",
            _edge_angles,
        ),
    ),
    "safe_speed": (
        Misconception(
            "delay taken off the way",
            "You took seconds off meters. In the delay the robot drives speed times delay, and the speed is what is asked for.",
            lambda s, a, t: math.sqrt(2 * a * max(0.0, s - t)),
        ),
    ),
    "choose": (Misconception("by its width", "You ask how wide the interval is.", _ends),),
    "camera_delay": (
        Misconception(
            "the next change",
            "You took the change after the picture, and behind the last one there is none. A picture shows the last change before it.",
            lambda seen, on: float(np.median(on[np.searchsorted(on, seen)] - seen)),
        ),
    ),
    "halts_at": (
        Misconception(
            "from time 0",
            "You let the first time-out run from 0. The record may begin later: the first line starts it.",
            lambda t, g, s, u: _since(0.0, t, g, s, u),
        ),
        Misconception(
            "exactly the time-out",
            "Your board halts at a gap of exactly timeout_s. That is the longest one allowed: more than timeout_s halts it.",
            lambda t, g, s, u: _since(t[0], t, g, s, u, operator.ge),
        ),
        Misconception(
            "the gap for the time", "Your result is how long the gap lasted. Asked is when the board halted.", _gap
        ),
    ),
}

_BESIDE = np.array([[0.0, 0, 10, 10], [3, 0, 13, 10]])
_IN_TURN = np.array([[0.0, 0, 10, 10], [4, 0, 14, 10]])
SINCE_EDGES: dict[str, tuple[tuple, ...]] = {
    "label_agreement": (
        # The surest pair leaves the other two boxes without a partner; any other order makes two pairs.
        (_BESIDE, np.array([[-2.0, 0, 8, 10], [1, 0, 11, 10]]), 0.5),
        (_BESIDE * [1, 1, 1, 2], np.array([[1.0, 0, 11, 20], [-2, 0, 8, 20]]), 0.5),
        # Each in turn its best partner makes two pairs; the surest pair leaves two boxes that hardly overlap.
        (_IN_TURN, _IN_TURN + [3, 0, 3, 0], 0.5),
        (_IN_TURN + [3, 0, 3, 0], _IN_TURN, 0.5),
        # The same boxes in another order.
        (_BESIDE + [0, 0, 0, 4], _BESIDE[::-1] + [0, 0, 0, 4], 0.6),
    ),
    # One wholly inside of the other, which touches no side of it.
    "iou": ((np.array([0.0, 0, 10, 10]), np.array([2.0, 3, 7, 6])),),
    # Narrow, and just below what matters.
    "choose": ((0.098, 0.099, 0.1),),
    # Before, between and beside the training frames.
    "leaked_part": ((np.array([10, 100]), np.array([2, 50, 11]), 2),),
    # The cell that differs stands before the one that is too low.
    "cells_state": ((np.array([4.0, 3.8, 3.3]), 3.4, 0.05),),
    # The record does not begin at 0.
    # And a gap may be exactly as long as the time-out.
    "halts_at": (
        (np.array([0.0, 0.25, 0.5]), np.array([True, True, True]), 0.25, 1.0),
        (np.array([5.0, 5.125, 5.25]), np.array([True, True, True]), 0.5, 9.0),
    ),
}
