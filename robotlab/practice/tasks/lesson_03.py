"""Lesson 03: follow a color."""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage

from robotlab.practice.task import Misconception, Task


def in_band(hue, low, high):
    """Mask (H, W) of bool: which pixels have a hue from low to high, both included.

    hue: (H, W) array of uint8, 0 to 179, two degrees a step.
    low, high: the thresholds; when low > high, the band goes through red:
    low to 179 and 0 to high.
    """
    if low <= high:
        return (hue >= low) & (hue <= high)
    return (hue >= low) | (hue <= high)


def _hues(rng):
    hue = rng.integers(0, 180, (4, 8)).astype(np.uint8)
    low, high = int(rng.integers(20, 150)), int(rng.integers(20, 150))
    hue[0, :4] = low, high, low - 1, high + 1
    return hue, low, high


# The whole circle, twelve rows of fifteen hues.
_CIRCLE = np.arange(180, dtype=np.uint8).reshape(12, 15)


def _within(hue, low, high):
    """Without the wrap: nothing lies above the higher and below the lower end."""
    return (hue >= low) & (hue <= high)


IN_BAND = Task(
    reference=in_band,
    lesson=3,
    statement="Write in_band(hue, low, high): a mask (H, W) of bool, True where the hue lies between the thresholds low and high, both "
    "included. Hue is an angle in bytes, 0 to 179 (two degrees a step), and 179 and 0 are neighbors: when low is larger than high, the "
    "band goes through red, from low up to 179 and on from 0 to high.",
    unit="",
    fixed=((_CIRCLE, 5, 18), (_CIRCLE, 170, 8), (_CIRCLE, 100, 100)),
    draw=_hues,
    nudges=(
        "Comparing an array with a number gives an array of bool. & is the element-wise and, | the element-wise or; each comparison needs parentheses.",
        "For low <= high a hue must be at least low and at most high. Try in_band with the thresholds 170 and 8: which hues should be True?",
        "Through red, a hue is in the band when it is at least low or at most high. Two cases, one if.",
    ),
    misconceptions=(
        Misconception(
            "no way through red",
            "A band from 170 to 8 comes out empty: no hue is at least 170 and at most 8. Hue is a circle.",
            _within,
        ),
        Misconception(
            "ends exchanged",
            "When low is larger than high, you exchanged them. From 8 to 170 is the rest of the circle, not the band.",
            lambda hue, low, high: _within(hue, min(low, high), max(low, high)),
        ),
        Misconception(
            "ends left out",
            "Your band leaves its two ends out. Both low and high belong to it.",
            lambda hue, low, high: (hue > low) & (hue < high) if low <= high else (hue > low) | (hue < high),
        ),
        Misconception(
            "upper end left out",
            "Your band stops short of high, as Python's range does. Both ends belong to it.",
            lambda hue, low, high: (hue >= low) & (hue < high) if low <= high else (hue >= low) | (hue < high),
        ),
        Misconception(
            "or for and",
            "Nearly every pixel is in your band: every hue is at least low or at most high, when low is the smaller one.",
            lambda hue, low, high: (hue >= low) | (hue <= high),
        ),
        Misconception(
            "bytes that overflow",
            "Somewhere a byte went below 0 and came out near 255, an overflow: hue - low is not safe in uint8. Compare, or convert hue to int first.",
            lambda hue, low, high: (hue - np.uint8(low)) % 180 <= (high - low) % 180,
        ),
        Misconception(
            "hue in degrees",
            "You took the thresholds for degrees. One step of hue is two degrees here: green is 60, not 120.",
            lambda hue, low, high: in_band(hue * 2.0, low, high),
        ),
    ),
)


def centroid(mask):
    """Centroid (x, y) of the True pixels, px from the top left corner; None if none.

    mask: (H, W) array of bool.  The middle of the first pixel is at (0.5, 0.5).
    """
    if not mask.any():
        return None
    rows, columns = np.nonzero(mask)
    return float(columns.mean()) + 0.5, float(rows.mean()) + 0.5


def _drawn(text):
    return np.array([[letter == "#" for letter in row] for row in text.split()])


def _speckle(rng):
    mask = rng.random((int(rng.integers(4, 6)), int(rng.integers(7, 10)))) < 0.3
    mask[0, 0] = mask[3, 5] = True
    return (mask,)


def _middle(mask, of, half=0.5, nothing=None):
    rows, columns = np.nonzero(mask)
    return (float(of(columns)) + half, float(of(rows)) + half) if len(rows) else nothing


_L = _drawn("........ .#...... .#...... .#...... .####...")

CENTROID = Task(
    reference=centroid,
    lesson=3,
    statement="Write centroid(mask): the centroid, which is the mean position (x, y) of the True pixels of a mask (H, W), in px, x to the right and y down from the "
    "top left corner of the picture. A pixel counts where its middle is, so a mask that is True in its first pixel alone gives (0.5, 0.5). "
    "With no True pixel the result is None.",
    unit="px",
    fixed=((_L,), (_drawn("#..... ......"),), (_drawn("...... .####. .####."),)),
    draw=_speckle,
    edges=((np.zeros((3, 4), bool),),),
    nudges=(
        "np.nonzero(mask) gives the places of the True pixels: first their rows, then their columns.",
        "x is across: the mean of the columns. y is down: the mean of the rows. Add what brings you from a pixel's corner to its middle.",
        "Ask first whether mask.any(); the mean of nothing is NaN.",
    ),
    misconceptions=(
        Misconception(
            "rows for columns",
            "You return the row first. x is across, so it is the mean of the columns.",
            lambda m: (lambda c: c and c[::-1])(centroid(m)),
        ),
        Misconception(
            "half a pixel",
            "You are half a pixel too far to the upper left, in both directions. Row 0 reaches from 0 to 1; its middle is 0.5.",
            lambda m: _middle(m, np.mean, 0.0),
        ),
        Misconception(
            "one pixel too far",
            "You are half a pixel too far to the lower right, in both directions. Counting from 1 gives the far edge of a pixel.",
            lambda m: _middle(m, np.mean, 1.0),
        ),
        Misconception(
            "middle of the box",
            "You took the middle of the bounding box. A long thin arm pulls that far off; take the mean of all pixels.",
            lambda m: _middle(m, lambda n: (n.min() + n.max()) / 2),
        ),
        Misconception(
            "median for mean",
            "You took the median. Pixels far out count no more there than near ones.",
            lambda m: _middle(m, np.median),
        ),
        Misconception(
            "nothing at the corner",
            "For a mask without True pixels you give a position. Nothing was found, so there is none: None.",
            lambda m: _middle(m, np.mean, nothing=(0.0, 0.0)),
        ),
        Misconception(
            "nothing in the middle",
            "For a mask without True pixels you give NaN. NaN goes through every sum unnoticed; None is asked for.",
            lambda m: _middle(m, np.mean, nothing=(math.nan, math.nan)),
        ),
        Misconception(
            "whole pixels",
            "Your result is cut off to whole pixels. The mean of many pixels is finer than one pixel; keep the fraction.",
            lambda m: (lambda c: c and (int(c[0]), int(c[1])))(centroid(m)),
        ),
        Misconception(
            "the whole picture",
            "Your result is the middle of the picture, whatever the mask says.",
            lambda m: (m.shape[1] / 2, m.shape[0] / 2) if m.any() else None,
        ),
    ),
)


# Pixels touch sideways, up and down, and by a corner.
_CORNERS = np.ones((3, 3), bool)


def largest_blob(mask):
    """The largest connected component, as a mask (H, W) of bool; all False without any.

    mask: (H, W) array of bool.  Pixels that touch, also by a corner, are connected.
    Of two of one size, the one whose first pixel comes first in reading order.
    """
    labels, count = ndimage.label(mask, _CORNERS)
    if count == 0:
        return np.zeros(mask.shape, bool)
    return labels == 1 + int(np.argmax(np.bincount(labels.ravel())[1:]))


def _blobs(rng):
    """A mask whose largest blob is larger than any other, joined with corners and without."""
    while True:
        mask = rng.random((7, 11)) < 0.35
        sizes = [
            np.sort(np.bincount(ndimage.label(mask, structure)[0].ravel())[1:])[-2:] for structure in (_CORNERS, None)
        ]
        if all(second < first for second, first in sizes):
            return (mask,)


def _pick(mask, choose, structure=_CORNERS):
    """The blob that `choose` names by its place in the list of (mask, size) in reading order."""
    labels, count = ndimage.label(mask, structure)
    blobs = [labels == n for n in range(1, count + 1)]
    return blobs[choose(blobs)] if blobs else np.zeros(mask.shape, bool)


def _widest(blobs):
    """By the area of the box around it."""
    return int(np.argmax([np.prod([np.ptp(n) + 1 for n in np.nonzero(blob)]) for blob in blobs]))


def _last_of_equals(blobs):
    sizes = [int(blob.sum()) for blob in blobs]
    return len(sizes) - 1 - int(np.argmax(sizes[::-1]))


LARGEST_BLOB = Task(
    reference=largest_blob,
    lesson=3,
    statement="Write largest_blob(mask): of the connected components of a mask (H, W), keep the one with the most pixels, as a mask (H, W) of bool. Pixels "
    "that touch sideways, up and down or by a corner are connected (8-connected). If two are equally large, keep the one whose first pixel comes first in "
    "reading order (row by row from the top). With no True pixel the result is all False.",
    unit="",
    fixed=(
        (_drawn("##....... ....###.. ....###.. #........ #...####."),),
        (_drawn("#......## .#.....## ..#...... ...#..... ....#...."),),
        (_drawn("#........ .#...###. ..#..###. ...#..... ....#...."),),
        (np.ones((2, 3), bool),),
    ),
    draw=_blobs,
    edges=(
        (_drawn("......... .....##.. .##..##.. .##......"),),
        (_drawn("##.....## ##.....## ......... ....##..."),),
        (np.zeros((3, 4), bool),),
    ),
    nudges=(
        "scipy.ndimage.label(mask) numbers the connected components: 0 is the background, then 1, 2, 3 ... in reading order.",
        "It is 4-connected, without corners, unless you give it structure=np.ones((3, 3)). np.bincount(labels.ravel()) counts the pixels of each number.",
        "Leave number 0 out; the background is not a component. The result is labels == the number of the largest.",
    ),
    misconceptions=(
        Misconception(
            "no corners",
            "Your components are 4-connected: sideways, up and down only. Pixels that touch by a corner belong together too.",
            lambda m: _pick(m, lambda blobs: int(np.argmax([blob.sum() for blob in blobs])), None),
        ),
        Misconception("all blobs", "Your result holds every component. Only the largest may stay.", lambda m: m.copy()),
        Misconception(
            "the background", "Your result is the background: in label's result it has number 0.", lambda m: ~m
        ),
        Misconception(
            "the background won",
            "Your largest component is the background: number 0 has the most pixels. Leave it out.",
            lambda m: (lambda labels: labels == np.bincount(labels.ravel()).argmax())(ndimage.label(m, _CORNERS)[0]),
        ),
        Misconception(
            "the first blob",
            "You keep the first component in reading order, whatever its size.",
            lambda m: _pick(m, lambda blobs: 0),
        ),
        Misconception(
            "the last blob",
            "You keep the component with the highest number. Numbers go by position, not by size.",
            lambda m: _pick(m, lambda blobs: -1),
        ),
        Misconception(
            "the smallest blob",
            "You keep the smallest component.",
            lambda m: _pick(m, lambda blobs: int(np.argmin([blob.sum() for blob in blobs]))),
        ),
        Misconception(
            "the largest box",
            "You keep the component with the largest bounding box. A thin diagonal has a large box and few pixels.",
            lambda m: _pick(m, _widest),
        ),
        Misconception(
            "the last of equals",
            "Of components of equal size you keep the last. The first in reading order is asked for; >= in a loop does this.",
            lambda m: _pick(m, _last_of_equals),
        ),
        Misconception(
            "one number too low",
            "You keep the component whose number is one too low. When the background is left out of the counts, index 0 is component 1.",
            lambda m: (lambda labels: labels == np.append(np.bincount(labels.ravel())[1:], 0).argmax())(
                ndimage.label(m, _CORNERS)[0]
            ),
        ),
    ),
)


def mean_hue(hues_deg):
    """Circular mean of hues, in degrees, from 0 up to but not including 360.

    hues_deg: (N,) array of hues, degrees.
    """
    angles = np.radians(hues_deg)
    # A tiny negative angle % 360 is rounded up to 360; the second % makes it 0.
    return float(np.degrees(np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())) % 360 % 360)


def _spread(rng):
    """Hues around a middle that is not near red, where 0 and 360 are one."""
    while True:
        hues = (rng.uniform(0, 360) + rng.uniform(-60, 60, int(rng.integers(3, 7)))) % 360
        if 2 < mean_hue(hues) < 358:
            return (np.round(hues, 1),)


def _on_circle(hues_deg, angle):
    a = np.radians(hues_deg)
    return float(angle(np.sin(a).mean(), np.cos(a).mean()))


MEAN_HUE = Task(
    reference=mean_hue,
    lesson=3,
    statement="Write mean_hue(hues_deg): the circular mean of hues given in degrees, as an angle from 0 up to but not including 360. Hue is a circle: "
    "the mean of 350° and 20° is 5°, not 185°.",
    unit="°",
    fixed=(
        (np.array([40.0, 60.0]),),
        (np.array([350.0, 20.0]),),
        (np.array([10.0, 20.0, 300.0, 340.0]),),
        (np.array([200.0, 210.0, 250.0]),),
    ),
    edges=((np.array([360.0, 360.0]),),),
    draw=_spread,
    nudges=(
        "Think of each hue as an arrow of length 1 from the middle of the circle. Where do the arrows point on average?",
        "The mean arrow has x = the mean of the cosines and y = the mean of the sines. Both want radians: np.radians.",
        "np.arctan2(y, x) gives the angle of an arrow, from -pi to pi. np.degrees and % 360 bring it where it is asked for.",
    ),
    misconceptions=(
        Misconception(
            "plain mean",
            "You took the plain mean of the numbers. For 350° and 20° that is 185°, on the other side of the circle.",
            lambda h: float(np.mean(h)),
        ),
        Misconception(
            "middle value",
            "You took the median of the numbers. It does not know either that 359° and 0° are neighbors.",
            lambda h: float(np.median(h)),
        ),
        Misconception(
            "degrees taken for radians",
            "You gave degrees to sin and cos. They take radians; np.radians turns one into the other.",
            lambda h: float(np.degrees(np.arctan2(np.sin(h).mean(), np.cos(h).mean())) % 360),
        ),
        Misconception(
            "in radians",
            "Your result is in radians. Degrees are asked for.",
            lambda h: _on_circle(h, np.arctan2) % (2 * math.pi),
        ),
        Misconception(
            "360 in place of 0",
            "One of your hues is 360, and the range ends before it. A tiny negative angle, + 360 or % 360, is rounded up to 360; "
            "one more % 360 makes it 0.",
            lambda h: math.degrees(_on_circle(h, np.arctan2)) % 360,
        ),
        Misconception(
            "negative angles",
            "Some of your hues are negative. arctan2 gives -180° to 180°; -10° and 350° are one hue, and 0 to 360 is asked for.",
            lambda h: math.degrees(_on_circle(h, np.arctan2)),
        ),
        Misconception(
            "x before y",
            "You gave arctan2 the cosine first. It takes y, the sine, before x.",
            lambda h: math.degrees(_on_circle(h, lambda y, x: np.arctan2(x, y))) % 360,
        ),
        Misconception(
            "half the circle",
            "You divided y by x and lost their signs: an arrow and its opposite have the same ratio. arctan2 takes both numbers.",
            lambda h: math.degrees(_on_circle(h, lambda y, x: np.arctan(y / x))) % 360,
        ),
        Misconception(
            "middle of the range",
            "You took the middle between the smallest and the largest number. One stray hue moves that, and the circle is forgotten.",
            lambda h: float((np.min(h) + np.max(h)) / 2),
        ),
    ),
)

TASKS = (IN_BAND, CENTROID, LARGEST_BLOB, MEAN_HUE)
