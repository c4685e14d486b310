"""Lesson 06: gather, label, check, split."""

from __future__ import annotations

import numpy as np

from robotlab.boxes import iou
from robotlab.practice.task import Misconception, Task
from robotlab.practice.tasks.lesson_06_split import LEAKED_PART


def distance_counts(heights_px, height_m, focal_px, edges_m):
    """How many labels of an object lie in each range of distance, as an array of int.

    heights_px: (N,) array, heights of its boxes.  height_m: how tall it is.
    focal_px: the focal length.  edges_m: (K + 1,) array, rising; range k goes from
    edges_m[k], included, to edges_m[k + 1], not included.  Others are not counted.
    """
    distances = focal_px * height_m / np.asarray(heights_px, float)
    bins = np.searchsorted(edges_m, distances, side="right") - 1
    inside = (bins >= 0) & (bins < len(edges_m) - 1)
    return np.bincount(bins[inside], minlength=len(edges_m) - 1)


def _count(distances, edges, low=np.greater_equal, high=np.less):
    """Counts with both comparisons free."""
    return np.array([int((low(distances, a) & high(distances, b)).sum()) for a, b in zip(edges[:-1], edges[1:])], int)


def _heights(rng):
    # Distances well inside of their ranges, and one nearer and one farther than all.
    edges = np.array([0.5, 1.0, 2.0, 4.0, 6.0])
    distances = np.append(rng.choice([0.7, 0.8, 1.3, 1.6, 2.6, 3.1, 4.6, 5.3], 9), [0.3, 9.0])
    return 300.0 * 0.5 / rng.permutation(distances), 0.5, 300.0, edges


_EDGES = np.array([0.5, 1.0, 2.0, 4.0])

DISTANCE_COUNTS = Task(
    reference=distance_counts,
    lesson=6,
    statement="Write distance_counts(heights_px, height_m, focal_px, edges_m): how many labels of an object lie in each range of distance. An object of height_m that "
    "is heights_px tall in the picture is focal_px * height_m / heights_px away. Range k goes from edges_m[k], included, to edges_m[k + 1], not "
    "included; labels outside of all ranges are not counted. Give an array of int, one number a range.",
    unit="",
    fixed=(
        (np.array([200.0, 100.0, 100.0, 60.0]), 0.5, 300.0, _EDGES),
        (np.array([700.0, 20.0, 50.0]), 0.5, 300.0, _EDGES),
        (np.array([40.0, 90.0, 250.0, 45.0]), 0.3, 600.0, np.array([0.6, 1.5, 3.0, 5.0])),
        # Heights in px that would be distances in m as well.
        (np.array([12.0, 31.0, 15.0]), 2.0, 150.0, np.array([10.0, 22.0, 60.0])),
    ),
    draw=_heights,
    edges=(
        # Exactly 1 m and exactly 4 m.
        (np.array([150.0, 37.5, 100.0]), 0.5, 300.0, _EDGES),
        (np.zeros(0), 0.5, 300.0, _EDGES),
    ),
    nudges=(
        "First the distances, one for each height. A box half as tall means what for the distance?",
        "distance = focal_px * height_m / height_px. Then ask each range how many distances lie in it.",
        "For one range: (distances >= low) & (distances < high), and the sum of that.",
    ),
    misconceptions=(
        Misconception(
            "taller is farther",
            "Your distances grow with the height in px. A nearer object is taller in the picture: divide by the height.",
            lambda h, m, f, e: _count(np.asarray(h) * m / f, e),
            also=(
                lambda h, m, f, e: _count(np.asarray(h) / f / m, e),
                lambda h, m, f, e: _count(f * np.asarray(h) / m, e),
            ),
        ),
        Misconception(
            "heights counted",
            "You compare heights in px with edges in m. Turn each height into a distance first.",
            lambda h, m, f, e: _count(np.asarray(h), e),
        ),
        Misconception(
            "twice too far",
            "Your distances are twice as large: the whole height of the object belongs to the whole height of its box, no half angle is needed.",
            lambda h, m, f, e: _count(2 * f * m / np.asarray(h), e),
        ),
        Misconception(
            "half too near",
            "Your distances are half as large: the whole height of the object belongs to the whole height of its box.",
            lambda h, m, f, e: _count(0.5 * f * m / np.asarray(h), e),
        ),
        Misconception(
            "size of the object left out",
            "Your distances do not depend on how tall the object is. An object twice as tall looks the same from twice as far.",
            lambda h, m, f, e: _count(f / np.asarray(h), e),
        ),
        Misconception(
            "upper edge included",
            "A label exactly at an upper edge belongs to the next range. np.histogram includes the last upper edge, for one.",
            lambda h, m, f, e: _count(f * m / np.asarray(h), e, high=np.less_equal),
            also=(
                lambda h, m, f, e: _count(f * m / np.asarray(h), e, low=np.greater, high=np.less_equal),
                lambda h, m, f, e: np.histogram(f * m / np.asarray(h), e)[0],
            ),
        ),
        Misconception(
            "outside counted at the ends",
            "You count labels nearer or farther than all ranges in the first and in the last one. They belong to none.",
            lambda h, m, f, e: _count(np.clip(f * m / np.asarray(h), e[0], np.nextafter(e[-1], 0)), e),
        ),
        Misconception(
            "cumulative",
            "Your numbers only grow: each also counts the ranges before. Count each range by itself.",
            lambda h, m, f, e: np.cumsum(distance_counts(h, m, f, e)),
            also=(lambda h, m, f, e: np.array([int((f * m / np.asarray(h) < b).sum()) for b in e[1:]], int),),
        ),
    ),
)


def blur_measure(gray):
    """Variance of the Laplacian of a gray picture: low where it is blurred.

    gray: (H, W) array of float, H and W at least 3.  The Laplacian of a pixel is its
    upper + lower + left + right neighbor - 4 times itself; pixels at the picture's
    edge have none.
    """
    laplacian = gray[:-2, 1:-1] + gray[2:, 1:-1] + gray[1:-1, :-2] + gray[1:-1, 2:] - 4.0 * gray[1:-1, 1:-1]
    return float(laplacian.var())


def _laplacian(gray, corners=0.0, center=-4.0):
    inner = gray[:-2, 1:-1] + gray[2:, 1:-1] + gray[1:-1, :-2] + gray[1:-1, 2:] + center * gray[1:-1, 1:-1]
    return inner + corners * (gray[:-2, :-2] + gray[:-2, 2:] + gray[2:, :-2] + gray[2:, 2:])


def _padded(gray, mode):
    return _laplacian(np.pad(gray, 1, mode=mode))


_STEP = np.repeat([[0.0, 0, 0, 8, 8, 8]], 5, axis=0)
_DOT = np.zeros((5, 6))
_DOT[2, 2] = 10.0

BLUR_MEASURE = Task(
    reference=blur_measure,
    lesson=6,
    statement="Write blur_measure(gray): the variance of the Laplacian of a gray picture, (H, W) float. The Laplacian of a pixel is the sum of its upper, lower, left and right "
    "neighbor minus 4 times the pixel itself. Pixels at the edge of the picture lack a neighbor and are left out, so the Laplacian has 2 rows and 2 "
    "columns fewer. Give its variance: the mean of its squares minus the square of its mean.",
    unit="",
    fixed=((_DOT,), (_STEP,)),
    draw=lambda rng: (rng.integers(0, 256, (6, 7)).astype(float),),
    edges=((np.full((4, 4), 90.0),), (np.arange(20.0).reshape(4, 5) ** 2,)),
    nudges=(
        "Where in the array is the upper neighbor of gray[1:-1, 1:-1], for all pixels at once?",
        "gray[:-2, 1:-1] holds all upper neighbors, gray[1:-1, :-2] all left ones.",
        "Sum of the four neighbors, minus 4 times the middle; then .var() of that array.",
    ),
    misconceptions=(
        Misconception(
            "mean for variance",
            "You give the mean of the Laplacian. Bright and dark sides of each edge cancel in it: sharp or not, it is near 0.",
            lambda g: float(_laplacian(g).mean()),
        ),
        Misconception(
            "standard deviation",
            "You give the standard deviation, the square root of the variance.",
            lambda g: float(_laplacian(g).std()),
        ),
        Misconception(
            "contrast of the picture",
            "You give the variance of the picture itself. A blurred picture of a dark and a bright half has much of that.",
            lambda g: float(g.var()),
            also=(lambda g: float(g[1:-1, 1:-1].var()),),
        ),
        Misconception(
            "eight neighbors",
            "Your Laplacian also takes the four neighbors at the corners. Here it is up, down, left and right.",
            lambda g: float(_laplacian(g, 1.0, -8.0).var()),
        ),
        Misconception(
            "once the middle",
            "You subtract the pixel itself once. There are four neighbors, so it counts four times: an even area must give 0.",
            lambda g: float(_laplacian(g, 0.0, -1.0).var()),
            also=(lambda g: float(_laplacian(g, 0.0, 0.0).var()), lambda g: float(_laplacian(g, 0.0, 4.0).var())),
        ),
        Misconception(
            "edges of the picture",
            "You also count the pixels at the picture's edge, with neighbors made up. They have no Laplacian here: leave them out.",
            lambda g: float(_padded(g, "edge").var()),
            also=(
                lambda g: float(_padded(g, "constant").var()),
                lambda g: float(_padded(g, "wrap").var()),
                lambda g: float(_padded(g, "reflect").var()),
            ),
        ),
        Misconception(
            "mean not taken off",
            "You give the mean of the squares. The variance takes the square of the mean off: slow changes of the light do not count.",
            lambda g: float((_laplacian(g) ** 2).mean()),
        ),
        Misconception(
            "mean size",
            "You give the mean of the absolute values. The variance takes squares, so that few strong edges count much.",
            lambda g: float(np.abs(_laplacian(g)).mean()),
        ),
        Misconception(
            "one fewer in the divisor",
            "Your variance divides by n - 1. Here it is the mean of the squared differences: divide by n.",
            lambda g: float(_laplacian(g).var(ddof=1)),
        ),
        Misconception(
            "in one direction",
            "You use neighbors in one direction alone. Blur by motion in the other one would go unseen.",
            lambda g: float((g[1:-1, :-2] + g[1:-1, 2:] - 2 * g[1:-1, 1:-1]).var()),
            also=(lambda g: float((g[:-2, 1:-1] + g[2:, 1:-1] - 2 * g[1:-1, 1:-1]).var()),),
        ),
    ),
)


def label_agreement(first, second, least_iou):
    """How far two people's boxes of one picture agree, 0 to 1: 2 * pairs / (N + M).

    first: (N, 4) array, second: (M, 4) array, corners x0 y0 x1 y1, px.  The boxes with
    the highest IoU become a pair, then the next of those left over, for as long as
    it is at least least_iou.  Two people who both see nothing agree: 1.0.
    """
    if len(first) + len(second) == 0:
        return 1.0
    return 2.0 * _pairs(first, second, least_iou) / (len(first) + len(second))


def _pairs(first, second, least, strict=False):
    overlaps = iou(first, second)
    count = 0
    while overlaps.size and (overlaps.max() > least if strict else overlaps.max() >= least):
        row, column = np.unravel_index(int(overlaps.argmax()), overlaps.shape)
        overlaps[row, :] = overlaps[:, column] = -1.0
        count += 1
    return count


def _two_people(rng):
    """Boxes of one person on a grid; the other's are moved, and some are missing."""
    places = rng.permutation(9)[: int(rng.integers(3, 6))]
    first = np.array([[40.0 * (p % 3), 40.0 * (p // 3), 40.0 * (p % 3) + 20, 40.0 * (p // 3) + 20] for p in places])
    keep = rng.random(len(first)) < 0.8
    keep[0] = True
    second = first[keep] + rng.choice([0.0, 2.0, 12.0], (int(keep.sum()), 1)) * [1, 0, 1, 0]
    more = [[200.0, 0, 220, 20]] * int(rng.integers(0, 3))
    return first, np.concatenate([second, np.array(more).reshape(-1, 4) + 40.0 * np.arange(len(more))[:, None]]), 0.5


_NONE = np.zeros((0, 4))
_A = np.array([[0.0, 0, 10, 10], [20, 0, 30, 10], [40, 0, 50, 10]])
# One box of the second person lies on two of the first.
_TWICE = np.array([[0.0, 0, 10, 10], [1, 0, 11, 10]])

LABEL_AGREEMENT = Task(
    reference=label_agreement,
    lesson=6,
    statement="Write label_agreement(first, second, least_iou): how far two people's boxes of one picture agree, from 0 to 1. The two boxes with the highest IoU, one of each person, "
    "become a pair; then the next of those that are left, and so on, as long as the IoU is at least least_iou. The agreement is 2 * pairs / (N + M). "
    "If both have no box, it is 1.0. iou(a[None], b[None])[0, 0] of robotlab.boxes, or your own of lesson 05, gives an IoU.",
    unit="",
    fixed=((_A, _A[:2] + 1.0, 0.5), (_TWICE, _TWICE[:1], 0.5), (_A[:1], _A + [2, 0, 2, 0], 0.5), (_A[:2], _NONE, 0.5)),
    draw=_two_people,
    edges=(
        (_NONE, _NONE, 0.5),
        # Exactly half.
        (_A[:1], np.array([[0.0, 0, 10, 5]]), 0.5),
        (_A, _A, 1.0),
    ),
    draws=8,
    nudges=(
        "Two people, three boxes and two boxes, two pairs: of how many boxes does each person find the other's?",
        "Make a table of all IoUs, take its largest, then strike out its row and its column, for each box may be used once.",
        "Stop when the largest that is left is below least_iou. Then 2 * pairs / (N + M); before that, both empty is 1.0.",
    ),
    misconceptions=(
        Misconception(
            "of the first person's boxes",
            "You divide by the boxes of the first person. A second person who boxes everything would agree fully.",
            lambda a, b, t: _pairs(a, b, t) / len(a) if len(a) else float(len(b) == 0),
        ),
        Misconception(
            "of the second person's boxes",
            "You divide by the boxes of the second person. Whoever boxes one object alone would agree fully.",
            lambda a, b, t: _pairs(a, b, t) / len(b) if len(b) else float(len(a) == 0),
        ),
        Misconception(
            "pairs over all boxes",
            "Two equal pictures of labels give a half: each pair holds two boxes, one of each person.",
            lambda a, b, t: _pairs(a, b, t) / (len(a) + len(b)) if len(a) + len(b) else 1.0,
        ),
        Misconception(
            "a box used twice",
            "A box of one person makes pairs with two boxes of the other. Strike out the row and the column of each pair.",
            lambda a, b, t: min(2.0 * int((iou(a, b) >= t).sum()) / (len(a) + len(b)), 9.0) if len(a) + len(b) else 1.0,
            also=(
                lambda a, b, t: (
                    2.0 * int((iou(a, b) >= t).any(axis=1).sum() if len(b) else 0) / (len(a) + len(b))
                    if len(a) + len(b)
                    else 1.0
                ),
            ),
        ),
        Misconception(
            "exactly the least",
            "You leave out a pair whose IoU is exactly least_iou. At least means >=.",
            lambda a, b, t: 2.0 * _pairs(a, b, t, strict=True) / (len(a) + len(b)) if len(a) + len(b) else 1.0,
        ),
        Misconception(
            "nothing seen by both",
            "Where neither has a box you say 0. Both say that nothing is there: they agree.",
            lambda a, b, t: 2.0 * _pairs(a, b, t) / max(1, len(a) + len(b)),
        ),
        Misconception(
            "over the larger number",
            "You divide by the larger of both numbers. Here it is twice the pairs over the sum of both.",
            lambda a, b, t: _pairs(a, b, t) / max(len(a), len(b)) if len(a) + len(b) else 1.0,
        ),
        Misconception(
            "over the union",
            "You divide by all different objects seen, N + M - pairs, which is the Jaccard index. Here it is twice the pairs over N + M.",
            lambda a, b, t: _pairs(a, b, t) / (len(a) + len(b) - _pairs(a, b, t)) if len(a) + len(b) else 1.0,
        ),
    ),
)


TASKS = (DISTANCE_COUNTS, BLUR_MEASURE, LABEL_AGREEMENT, LEAKED_PART)
