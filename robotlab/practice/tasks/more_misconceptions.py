"""Misconceptions found in answers that learners gave later, and cases that tell them apart; added to the tasks by name."""

from __future__ import annotations

import math

import numpy as np

from robotlab.practice.task import Misconception


def _ratio(first, second):
    return first / second if second else 0


def _sides(a, b):
    return min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])


def _area(box):
    return (box[2] - box[0]) * (box[3] - box[1])


def _over_union(shared, a, b):
    return _ratio(shared, _area(a) + _area(b) - shared)


def _both_negative(a, b):
    w, h = _sides(a, b)
    return 0 if w < 0 and h < 0 else _over_union(w * h, a, b)


def _guarded(a, b, apart):
    w, h = _sides(a, b)
    return 0 if apart else _over_union(w * max(0, h), a, b)


def _hull_sides(a, b):
    return (max(a[2], b[2]) - min(a[0], b[0])) * (max(a[3], b[3]) - min(a[1], b[1]))


def _blocks(gray, step):
    return gray.reshape(gray.shape[0] // step, step, gray.shape[1] // step, step)


def _resultant(hues):
    a = np.radians(hues)
    return math.degrees(math.atan2(np.sin(a).mean(), np.cos(a).mean()))


def _filled(mask):
    from robotlab.practice.tasks.lesson_03 import largest_blob

    out, (rows, columns) = np.zeros_like(mask), np.nonzero(largest_blob(mask))
    if len(rows):
        out[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1] = True
    return out


def _mean_place(mask, count):
    rows, columns = np.nonzero(mask)
    return ((columns + 0.5).sum() / count, (rows + 0.5).sum() / count) if len(rows) else None


_PARENTHESES = "Python reads a / 2 * b as (a / 2) · b. Put what stands below the line into parentheses."

MORE: dict[str, tuple[Misconception, ...]] = {
    "luminance": (
        Misconception(
            "one channel alone",
            "You took one channel and left out the others. Gray is a weighted sum of all three.",
            lambda p: p[..., 1].astype(float),
            also=(lambda p: p[..., 0].astype(float), lambda p: p[..., 2].astype(float)),
        ),
        Misconception(
            "one color left out",
            "You left one color out of the sum: white does not come out as 255.",
            lambda p: p @ np.array([0.299, 0.587, 0.0]),
            also=(lambda p: p @ np.array([0.299, 0.0, 0.114]), lambda p: p @ np.array([0.0, 0.587, 0.114])),
        ),
        Misconception(
            "plain sum",
            "You added the channels without weights: white comes out as 765. The three weights add up to 1.",
            lambda p: p.astype(float).sum(axis=2),
        ),
        Misconception(
            "weights in another order",
            "You have the right weights at the wrong colors. The channels are red, green, blue; green counts most, blue least.",
            lambda p: p @ np.array([0.299, 0.114, 0.587]),
            also=(
                lambda p: p @ np.array([0.587, 0.299, 0.114]),
                lambda p: p @ np.array([0.587, 0.114, 0.299]),
                lambda p: p @ np.array([0.114, 0.299, 0.587]),
            ),
        ),
        Misconception(
            "middle of largest and smallest",
            "You took the middle of the largest and the smallest color, the lightness of HSL. Here all three colors count, with weights.",
            lambda p: (p.max(axis=2).astype(float) + p.min(axis=2)) / 2,
        ),
        Misconception(
            "whole weights that overflow",
            "Bytes times whole numbers stay bytes, and beyond 255 they start again at 0. Convert to float before you multiply.",
            lambda p: (p[..., 0] * 30 + p[..., 1] * 59 + p[..., 2] * 11) / 100,
            also=(lambda p: (p[..., 0] * 30 + p[..., 1] * 59 + p[..., 2] * 11) // 100,),
        ),
    ),
    "scaled_size": (
        Misconception(
            "divided by a whole factor",
            "You cut the factor to a whole number before you divide by it. 1920 to 300 is 6.4 times, not 6.",
            lambda w, h, n: (max(1, round(w / max(1, max(w, h) // n))), max(1, round(h / max(1, max(w, h) // n)))),
            also=(lambda w, h, n: tuple(max(1, round(one / (max(w, h) // n))) for one in (w, h)),),
        ),
        Misconception(
            "rounded up",
            "Your sizes are rounded up. Round to the nearest px.",
            lambda w, h, n: tuple(max(1, math.ceil(one * n / max(w, h))) for one in (w, h)),
            also=(lambda w, h, n: tuple(max(1, math.ceil(one * (n / max(w, h)))) for one in (w, h)),),
        ),
    ),
    "shrink": (
        Misconception(
            "axes of the blocks",
            "You took the mean over the wrong axes: over the blocks, not over the pixels of a block. After the reshape axis 0 counts "
            "blocks down, axis 1 pixels down, axis 2 blocks across, axis 3 pixels across.",
            lambda g, n: _blocks(g, n).mean(axis=(0, 2)),
            also=(lambda g, n: _blocks(g, n).mean(axis=(0, 3)), lambda g, n: _blocks(g, n).mean(axis=(1, 2))),
        ),
        Misconception(
            "pixels that lie apart",
            "Your reshape puts pixels that lie far apart into one block. The number of blocks comes first, then step: "
            "neighbors must stay neighbors.",
            lambda g, n: g.reshape(n, g.shape[0] // n, n, g.shape[1] // n).mean(axis=(0, 2)),
        ),
        Misconception(
            "median for mean",
            "You took the median of each block. A far post that covers less than half of it is gone; the mean keeps its share.",
            lambda g, n: np.median(_blocks(g, n), axis=(1, 3)),
        ),
    ),
    "alias_frequency": (
        Misconception(
            "always 1 minus",
            "You fold every frequency. Only what is left above 0.5 folds back; below it stays.",
            lambda f, n: 1 - f * n % 1,
        ),
        Misconception(
            "folded once",
            "You fold once. f · step can be many whole cycles: take those away first.",
            lambda f, n: 1 - f * n if f * n > 0.5 else f * n,
            also=(lambda f, n: abs(1 - f * n) if f * n > 0.5 else f * n,),
        ),
    ),
    "field_of_view": (
        Misconception(
            "sine for tangent",
            "You took the inverse of the sine. The focal length is the adjacent side, not the slanting one: tangent.",
            lambda s, f: 2 * math.asin(min(1, s / (2 * f))),
        ),
    ),
    "pixels_on_target": (
        Misconception("order of operations", _PARENTHESES, lambda s, z, a, w: s * w / 2 * z * math.tan(a / 2)),
    ),
    "bearing": (
        Misconception(
            "tangent for its inverse",
            "You took the tangent of a ratio. The ratio is the tangent already; the angle is its inverse.",
            lambda x, w, a: math.tan((w / 2 - x) / (w / 2 / math.tan(a / 2))),
        ),
    ),
    "in_band": (
        Misconception(
            "bytes that wrap at 256",
            "hue is an array of bytes: below 0 it starts again at 255, and hue goes round at 180. Make it int before you subtract.",
            lambda h, low, high: (h - np.uint8(low)) <= (high - low) % 180,
        ),
        Misconception(
            "one hue taken for all",
            "Where low and high are equal your mask is True everywhere. Such a band is one hue wide; only low > high goes through red.",
            lambda h, low, high: ((h >= low) & (h <= high)) if low < high else ((h >= low) | (h <= high)),
        ),
    ),
    "centroid": (
        Misconception(
            "divided by all pixels",
            "You divided by the number of all pixels. Divide by the number of True ones.",
            lambda m: _mean_place(m, m.size),
        ),
    ),
    "largest_blob": (
        Misconception(
            "its whole box",
            "You fill the whole bounding box of the component. Only its own pixels belong to the mask.",
            _filled,
        ),
    ),
    "mean_hue": (
        Misconception(
            "angles averaged after all",
            "You turn each hue into sine and cosine and back into an angle, and take the mean of the angles. Take the means of "
            "sines and cosines first, then one angle.",
            lambda h: math.degrees(np.arctan2(np.sin(np.radians(h)), np.cos(np.radians(h))).mean()) % 360,
        ),
        Misconception(
            "around at 180",
            "Your hues start again at 180. In degrees the circle goes round at 360.",
            lambda h: _resultant(h) % 180,
        ),
        Misconception(
            "without its sign",
            "You took abs() of a negative angle: -10° became 10°, which is another hue. -10° is 350°.",
            lambda h: abs(_resultant(h)),
        ),
    ),
    "top_k": (
        Misconception(
            "the best again and again",
            "You give the best index k times. After the best comes the next best.",
            lambda s, k: np.full(min(k, len(s)), s.argmax() if len(s) else 0),
        ),
        Misconception(
            "k of 0",
            "Right but for k = 0: [-0:] is the whole array, for -0 is 0. Sort the best to the front and cut with [:k].",
            lambda s, k: np.argsort(s[::-1], kind="stable")[-k:][::-1] * -1 + len(s) - 1,
        ),
        Misconception(
            "the best left out",
            "You left out the best: counting begins at 0.",
            lambda s, k: np.argsort(-s, kind="stable")[1 : k + 1],
        ),
        Misconception(
            "by size without sign",
            "You sort by size, and a score of -9 is called better than one of 5.",
            lambda s, k: np.argsort(-abs(s), kind="stable")[:k],
        ),
    ),
    "softmax": (
        Misconception(
            "squares for exp",
            "You squared the logits. Then -3 counts as much as 3; exp keeps their order.",
            lambda z: z**2 / (z**2).sum(axis=1, keepdims=True),
        ),
    ),
    "abstain": (
        Misconception(
            "the first that is enough",
            "You give the first class that reaches least. Two classes may; the surest is asked for.",
            lambda p, t: np.array([next((i for i, v in enumerate(row) if v >= t), -1) for row in p], int),
        ),
        Misconception(
            "mean for largest",
            "You compare the row's mean with least. The mean of probabilities is always 1 / K; the largest says how sure it is.",
            lambda p, t: np.where(p.mean(axis=1) >= t, p.argmax(axis=1), -1),
        ),
    ),
    "corners_from_xywh": (
        Misconception(
            "the whole size to each side",
            "Your boxes are twice as wide and high as they should be.",
            lambda b: np.column_stack([b[:, :2], b[:, :2] + 2 * b[:, 2:]]),
            also=(lambda b: np.column_stack([b[:, :2] - b[:, 2:], b[:, :2] + b[:, 2:]]),),
        ),
    ),
    "iou": (
        Misconception(
            "lengths for areas",
            "You add width and height. Areas are meant: width times height.",
            lambda a, b: _ratio(
                max(0, _sides(a, b)[0]) + max(0, _sides(a, b)[1]),
                sum(one[2] - one[0] + one[3] - one[1] for one in (a, b))
                - max(0, _sides(a, b)[0])
                - max(0, _sides(a, b)[1]),
            ),
        ),
        Misconception(
            "min and max exchanged",
            "You took the larger right edge and the smaller left one: that is the box around both. The intersection begins at the "
            "larger x0 and ends at the smaller x1.",
            lambda a, b: _over_union(_hull_sides(a, b), a, b),
        ),
        Misconception(
            "order of operations",
            "Python reads i / a + b - i as (i / a) + b - i. Put the union into parentheses.",
            lambda a, b: (
                _ratio(max(0, _sides(a, b)[0]) * max(0, _sides(a, b)[1]), _area(a))
                + _area(b)
                - max(0, _sides(a, b)[0]) * max(0, _sides(a, b)[1])
            ),
        ),
        Misconception(
            "sides without their sign",
            "Boxes that lie apart get an overlap: abs() makes a gap into a side. A side of the intersection is never less than 0.",
            lambda a, b: _over_union(abs(_sides(a, b)[0] * _sides(a, b)[1]), a, b),
        ),
        Misconception(
            "only their product clipped",
            "Two negative sides have a positive product. Clip each side at 0, not the area.",
            lambda a, b: _over_union(max(0, _sides(a, b)[0] * _sides(a, b)[1]), a, b),
        ),
        Misconception(
            "apart in both directions only",
            "You notice boxes that lie apart in both directions. Apart in one direction is enough: or, not and.",
            _both_negative,
        ),
        Misconception(
            "a gap on one side only",
            "You notice that one box ends before the other begins in one order alone: b may also lie on the other side of a. max(0, ...) for both sides needs no such test.",
            lambda a, b: _guarded(a, b, a[2] < b[0]),
            also=(lambda a, b: _guarded(a, b, b[2] < a[0]),),
        ),
    ),
}

# More cases at the border, for what passed or was taken for something else.
EDGES: dict[str, tuple[tuple, ...]] = {
    "iou": (
        # b to the left of a, and above it; a to the right and below.
        (np.array([20.0, 2, 40, 8]), np.array([0.0, 0, 10, 10])),
        (np.array([2.0, 20, 8, 40]), np.array([0.0, 0, 10, 10])),
        (np.array([20.0, 20, 40, 40]), np.array([0.0, 0, 10, 10])),
    ),
    "top_k": ((np.array([-9.0, 5, 1, -2]), 2), (np.array([-1.0, -3, -2]), 2)),
    "head_gradient": (
        (
            np.arange(15.0).reshape(5, 3) / 10,
            np.array([[0.5, 0.5], [0.2, 0.8], [0.9, 0.1], [0.25, 0.75], [0.6, 0.4]]),
            np.array([0, 1, 1, 0, 1]),
        ),
    ),
}
