"""Lesson 13: onto your robot."""

from __future__ import annotations

import math

import numpy as np

from robotlab.practice.task import Misconception, Task
from robotlab.practice.tasks.lesson_13_wheels import HALTS_AT, WHEEL_COMMANDS


def hfov_from_sheet(sheet_m, distance_m, sheet_px, width_px):
    """Horizontal field of view of a camera, rad, from a sheet of paper that faces it.

    sheet_m: width of the sheet, m.  distance_m: from the lens to the sheet, m.
    sheet_px: width of the sheet in the picture, px.  width_px: width of the picture, px.
    """
    focal_px = sheet_px * distance_m / sheet_m
    return float(2 * math.atan(width_px / 2 / focal_px))


def _sheet(rng):
    """A sheet that is seen whole, by a camera of some field of view."""
    width = int(rng.choice([160, 320, 640]))
    focal = width / 2 / math.tan(float(rng.uniform(0.35, 0.9)))
    sheet = float(rng.choice([0.21, 0.297, 0.42]))
    share = float(rng.uniform(0.3, 0.8))
    distance = round(focal * sheet / (share * width), 3)
    return sheet, distance, round(focal * sheet / distance, 1), width


HFOV_FROM_SHEET = Task(
    reference=hfov_from_sheet,
    lesson=13,
    statement="Write hfov_from_sheet(sheet_m, distance_m, sheet_px, width_px): the horizontal field of view in rad of a camera that sees a sheet of sheet_m, "
    "distance_m away, sheet_px wide in a picture width_px wide. It is the whole angle, from the left edge of the picture to the right one.",
    unit="rad",
    fixed=((0.297, 0.5, 160.0, 320), (0.5, 1.0, 160.0, 640), (0.21, 0.3, 110.0, 160)),
    draw=_sheet,
    edges=((1.0, 0.5, 320.0, 320), (0.001, 10.0, 0.1, 320)),
    nudges=(
        "Draw it from above: lens, sheet, and the two rays to the edges of the picture. The sheet is a part of what they enclose.",
        "How wide is the strip that the whole picture shows at the sheet's distance? Half of it and the distance make a right triangle.",
        "focal length = sheet_px * distance / sheet_m, px; the angle is 2 atan(width / 2 / focal length).",
    ),
    misconceptions=(
        Misconception(
            "half the angle",
            "Your result is half of it: from the middle of the picture to one edge.",
            lambda s, d, p, w: math.atan(w * s / p / 2 / d),
        ),
        Misconception(
            "degrees",
            "Your result is in degrees; asked is rad.",
            lambda s, d, p, w: math.degrees(hfov_from_sheet(s, d, p, w)),
        ),
        Misconception(
            "the sheet's angle",
            "You measured the angle that the sheet takes up. Asked is that of the whole picture.",
            lambda s, d, p, w: 2 * math.atan(s / 2 / d),
        ),
        Misconception(
            "angle shared out by pixels",
            "You took the sheet's angle as many times as its pixels go into the width. On a flat sensor pixels share out the tangent, not the angle.",
            lambda s, d, p, w: 2 * math.atan(s / 2 / d) * w / p,
        ),
        Misconception(
            "the whole strip in the half triangle",
            "Your right triangle has the whole strip as one side. From the middle to the edge it is half of it.",
            lambda s, d, p, w: 2 * math.atan(w * s / p / d),
            also=(lambda s, d, p, w: math.atan(w * s / p / d),),
        ),
        Misconception(
            "tangent not undone",
            "Your result is a ratio of two lengths. The angle is its arc tangent.",
            lambda s, d, p, w: w * s / p / d,
            also=(lambda s, d, p, w: w * s / p / 2 / d,),
        ),
        Misconception(
            "focal length",
            "Your result is the focal length in pixels: the way to the angle, and not yet the angle.",
            lambda s, d, p, w: p * d / s,
        ),
        Misconception(
            "strip",
            "Your result is how wide the strip is that the picture shows, m. Which angle does it take up, so far away?",
            lambda s, d, p, w: w * s / p,
        ),
        Misconception(
            "sheet and picture exchanged",
            "Pixels of the sheet and of the picture have changed places.",
            lambda s, d, p, w: hfov_from_sheet(s, d, w, p),
        ),
        Misconception(
            "distance and size exchanged",
            "Size and distance of the sheet have changed places: farther away it must be fewer pixels.",
            lambda s, d, p, w: hfov_from_sheet(d, s, p, w),
        ),
        Misconception(
            "sine for tangent",
            "You took the arc sine, as if the distance ran along the slanted ray. It is measured straight ahead: arc tangent.",
            lambda s, d, p, w: 2 * math.asin(min(1.0, w * s / p / 2 / d)),
        ),
    ),
)


def camera_delay(seen_s, switched_s):
    """Delay of a camera that films a blinking light, s: the median over the changes that it saw.

    seen_s: (N,) array, when a picture came that was the first to show a change, s.
    switched_s: (M,) array, when the light was switched, s.  Some changes were not
    seen, so N may be smaller than M.  Each was seen, if at all, before the next.
    """
    last = np.searchsorted(switched_s, seen_s) - 1
    return float(np.median(seen_s - switched_s[last]))


def _last(seen, switched):
    return seen - switched[np.searchsorted(switched, seen) - 1]


def _blinks(rng):
    count = int(rng.integers(6, 12))
    switched = np.round(np.cumsum(rng.uniform(0.30, 0.42, count)), 3)
    delay = np.round(rng.uniform(0.08, 0.2) + np.abs(rng.normal(0, 0.02, count)), 3)
    delay[int(rng.integers(count // 2, count))] = 0.28  # a picture that was held up
    seen = np.ones(count, bool)
    seen[int(rng.integers(1, 3))] = False
    return (switched + delay)[seen], switched


_EACH_SECOND = np.array([1.0, 2.0, 3.0, 4.0, 5.0])

CAMERA_DELAY = Task(
    reference=camera_delay,
    lesson=13,
    statement="Write camera_delay(seen_s, switched_s): the delay of a camera in s. Each picture in seen_s shows a change of the light for the first time; it belongs to the "
    "last time in switched_s before it. Some changes were missed. The answer is the median of the delays, which one late picture hardly moves.",
    unit="s",
    fixed=(
        (np.array([1.1, 2.1, 3.1, 4.1, 5.4]), _EACH_SECOND),
        (np.array([1.1, 3.1, 4.1, 5.4]), _EACH_SECOND),
        (np.array([1.7, 3.65, 4.7, 5.72]), _EACH_SECOND),
        (np.array([2.10, 3.14, 4.30, 5.12]), _EACH_SECOND),
    ),
    draw=_blinks,
    edges=((np.array([1.25]), np.array([1.0])), (np.array([3.5]), np.array([1.0, 2.0, 3.0, 4.0]))),
    nudges=(
        "Take one picture: which change of the light does it show? One that came before it, and no other came between.",
        "For each seen time look for the last switched time before it; np.searchsorted finds its place in one go. Their difference is one delay.",
        "median of (seen - last switched before it).",
    ),
    misconceptions=(
        Misconception(
            "paired by place",
            "You took the first with the first, the second with the second, and so on. After a change that was missed, all pairs are wrong.",
            lambda seen, sw: float(np.median(seen - sw[: len(seen)])),
            also=(
                lambda seen, sw: float(np.mean(seen - sw[: len(seen)])),
                lambda seen, sw: float(np.median(seen - sw[-len(seen) :])),
            ),
        ),
        Misconception(
            "mean",
            "You took the mean. One picture that was held up moves it; the median hardly feels it.",
            lambda seen, sw: float(np.mean(_last(seen, sw))),
        ),
        Misconception(
            "nearest change",
            "You took the change nearest in time. A picture cannot show what is still to come.",
            lambda seen, sw: float(np.median(np.abs(seen[:, None] - sw).min(axis=1))),
            also=(
                lambda seen, sw: float(np.mean(np.abs(seen[:, None] - sw).min(axis=1))),
                lambda seen, sw: float(np.median(seen - sw[np.abs(seen[:, None] - sw).argmin(axis=1)])),
            ),
        ),
        Misconception(
            "time to the next change",
            "You measured up to the next change. Asked is the time since the last one.",
            lambda seen, sw: float(np.median(np.append(sw, sw[-1] + 1)[np.searchsorted(sw, seen)] - seen)),
            also=(
                lambda seen, sw: float(np.median(seen - sw[np.searchsorted(sw, seen) % len(sw)])),
                lambda seen, sw: float(np.median(seen - sw[np.minimum(np.searchsorted(sw, seen), len(sw) - 1)])),
            ),
        ),
        Misconception(
            "shortest",
            "You took the shortest delay. The robot has to live with the usual one.",
            lambda seen, sw: float(np.min(_last(seen, sw))),
        ),
        Misconception(
            "longest",
            "You took the longest delay. One picture that was held up decides then.",
            lambda seen, sw: float(np.max(_last(seen, sw))),
        ),
        Misconception(
            "first change only",
            "You used one change alone. One delay is wrong by up to a frame.",
            lambda seen, sw: float(_last(seen, sw)[0]),
        ),
        Misconception(
            "last change only",
            "You used the last change alone. One delay is wrong by up to a frame.",
            lambda seen, sw: float(_last(seen, sw)[-1]),
        ),
        Misconception(
            "back in time",
            "Your delay is negative: a picture comes after the change that it shows.",
            lambda seen, sw: -camera_delay(seen, sw),
        ),
        Misconception(
            "milliseconds", "Your result is in ms; asked is s.", lambda seen, sw: 1e3 * camera_delay(seen, sw)
        ),
        Misconception(
            "lower of the two in the middle",
            "Of an even number of delays you took one of the two in the middle. The median is their mean.",
            lambda seen, sw: float(np.sort(_last(seen, sw))[(len(seen) - 1) // 2]),
            also=(lambda seen, sw: float(np.sort(_last(seen, sw))[len(seen) // 2]),),
        ),
        Misconception(
            "difference of the medians",
            "You took the median of each list and subtracted. Times of day have no meaningful middle; delays do: subtract first.",
            lambda seen, sw: float(np.median(seen) - np.median(sw)),
            also=(lambda seen, sw: float(np.mean(seen) - np.mean(sw)),),
        ),
    ),
)

TASKS = (HFOV_FROM_SHEET, CAMERA_DELAY, WHEEL_COMMANDS, HALTS_AT)
