"""Learn a band from pixels: from clicks, from boxes, from a labeled set."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from robotlab.boxes import check_boxes
from robotlab.color.bands import Band, LabBand
from robotlab.color.hsv_conversion import HUES, hsv_of_bytes, hue_step, mean_hue
from robotlab.errors import BoxError, InputError
from robotlab.image import check_picture, lab

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

# Below this saturation (of 255) hue is mostly noise: a step of one byte in one
# channel of a pixel of value 128 turns its hue by 6 degrees or more
# (60 degrees / C, with C = 20 * 128 / 255 = 10).
GRAY_SATURATION = 20

# Fraction of the pixels a band leaves out at each end, in percent: room for
# highlights, gaps and edge pixels (common practice, no source).
OUTSIDE_PERCENT = 5.0

# Paler than this fraction of the most colorful fifth's saturation is something
# else, such as the white of a banded post (common practice, no source).
PALE = 0.4

# Added at each end afterward, for lighting and noise not seen yet (common
# practice, no source): steps of hue, of saturation and value.
HUE_SLACK = 3
OTHER_SLACK = 20

# The middle fraction of a box's width and height that is surely target: labeled
# boxes are drawn round the outside (common practice, no source).
CORE = 0.6

# A picture, or the boxes of one; or those of several.
OneOrMore = np.ndarray | Sequence[np.ndarray]


def core_pixels(picture: np.ndarray, boxes: np.ndarray, core: float = CORE) -> list[np.ndarray]:
    """The colors in the middle of each box.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    boxes : (N, 4) array-like
        Corners ``[x0, y0, x1, y1]``, px.
    core : float, above 0 to 1
        Fraction of the width and of the height that is taken.

    Returns
    -------
    list of (K, 3) ndarray of uint8
        One array a box; at least the pixel at its center.

    Raises
    ------
    BoxError
        If a box has its center outside the picture.

    Examples
    --------
    >>> picture = np.arange(48, dtype=np.uint8).reshape(4, 4, 3)
    >>> core_pixels(picture, [[0, 0, 4, 4]], core=0.5)[0][:, 0].tolist()
    [15, 18, 27, 30]
    """
    check_picture(picture)
    if not 0 < core <= 1:
        raise InputError(f"core must be above 0 and at most 1, got {core}; 0.6 takes the middle of a box")
    height, width = picture.shape[:2]
    found = []
    for row, (x0, y0, x1, y1) in enumerate(check_boxes(boxes)):
        x, y = (x0 + x1) / 2, (y0 + y1) / 2
        if not (0 <= x < width and 0 <= y < height):
            raise BoxError(
                f"boxes must have their center in the picture ({width}×{height} px), row {row} is at ({x:g}, {y:g}); clip it"
            )
        columns = _around(x, (x1 - x0) / 2 * core, width)
        rows = _around(y, (y1 - y0) / 2 * core, height)
        found.append(picture[rows, columns].reshape(-1, 3))
    return found


def _around(middle: float, half: float, size_px: int) -> slice:
    """The pixels so far to both sides of a place, at least one."""
    first, last = max(int(np.rint(middle - half)), 0), min(int(np.rint(middle + half)), size_px)
    return slice(first, last) if first < last else slice(int(middle), int(middle) + 1)


def click_boxes(points: ArrayLike, radius_px: float = 2.0) -> np.ndarray:
    """Small boxes around clicks.

    Parameters
    ----------
    points : (N, 2) array-like
        x and y of each click, px.
    radius_px : float
        Half the side of a box.

    Returns
    -------
    (N, 4) ndarray of float64
        Corners.

    Raises
    ------
    InputError
        If the points are not (N, 2) finite numbers or the radius not above 0.

    Examples
    --------
    >>> click_boxes([[10, 20]], 2).tolist()
    [[8.0, 18.0, 12.0, 22.0]]
    """
    try:
        points = np.asarray(points, np.float64)
    except (TypeError, ValueError):
        points = np.zeros(0)
    if points.ndim != 2 or points.shape[1] != 2 or not np.isfinite(points).all():
        raise InputError(f"points must be (N, 2) finite numbers, got {points.shape}; one row (x, y) a click")
    if not (np.isfinite(radius_px) and radius_px > 0):
        raise InputError(f"radius_px must be above 0, got {radius_px}; 2 is usual")
    return np.hstack([points - radius_px, points + radius_px])


def learn_band(pixels: np.ndarray, outside_percent: float = OUTSIDE_PERCENT) -> Band:
    """A band of hue, saturation and value around some colors.

    Parameters
    ----------
    pixels : (N, 3) ndarray of uint8
        Red-green-blue, mostly of the target.
    outside_percent : float, 0 to below 50
        How many pixels may fall off at each end, per scale.

    Returns
    -------
    Band
        Percentiles and some slack.  Saturation has no upper end, and value
        none unless the colors are dark or gray: a lit target is the same
        target.

    Raises
    ------
    InputError
        If there are no pixels or the shape is wrong.

    Notes
    -----
    Pixels much paler than the most colorful fifth are stripes, gaps and
    glints, and are left out.  The mean hue of the others is a circular one,
    weighted with C = max - min.  Pixels more than a sixth of the circle from
    it go as well; then percentiles of the *turn* from the mean hue are taken,
    which do not care where red wraps.  When even the most colorful fifth is
    gray, the band takes all hues and bounds saturation from above.

    Examples
    --------
    >>> learn_band(np.array([[230, 110, 20]] * 9, np.uint8))
    Band(hue=(10, 16), saturation=(213, 255), value=(210, 255))
    """
    pixels = _checked(pixels, outside_percent)
    ends = (outside_percent, 100 - outside_percent)
    hue, saturation, value = hsv_of_bytes(*pixels.T)
    if np.percentile(saturation, 80) < GRAY_SATURATION:
        s1 = int(np.ceil(np.percentile(saturation, ends[1]))) + OTHER_SLACK
        v0, v1 = np.percentile(value, ends)
        return Band(
            (0, HUES - 1), (0, min(s1, 255)), (max(int(v0) - OTHER_SLACK, 0), min(int(np.ceil(v1)) + OTHER_SLACK, 255))
        )
    weight = saturation.astype(np.float64) * value * colorful(pixels)
    for _ in range(2):
        middle = mean_hue(hue, weight)
        weight = weight * (np.abs(hue_step(hue, middle)) <= HUES / 6)
    near = weight > 0
    turn = np.percentile(hue_step(hue[near], middle), ends)
    # 1e-6 is for the arithmetic of the circular mean, not to cost a step.
    low = np.floor(middle + turn[0] + 1e-6) - HUE_SLACK
    high = np.ceil(middle + turn[1] - 1e-6) + HUE_SLACK
    if high - low >= HUES - 1:
        low, high = 0, HUES - 1
    s0 = int(np.percentile(saturation[near], ends[0])) - OTHER_SLACK
    v0, v1 = np.percentile(value[near], ends)
    top = 255 if v1 >= 64 else int(np.ceil(v1)) + OTHER_SLACK
    return Band((int(low) % HUES, int(high) % HUES), (max(s0, 0), 255), (max(int(v0) - OTHER_SLACK, 0), top))


def _checked(pixels: np.ndarray, outside_percent: float) -> np.ndarray:
    pixels = np.asarray(pixels)
    if pixels.ndim != 2 or pixels.shape[1:] != (3,) or not len(pixels) or pixels.dtype != np.uint8:
        raise InputError(
            f"pixels must be (N, 3) of uint8 with N > 0, got {pixels.shape} of {pixels.dtype}; use picture[mask]"
        )
    if not 0 <= outside_percent < 50:
        raise InputError(f"outside_percent must be from 0 to below 50, got {outside_percent}; 5 is usual")
    return pixels


def colorful(pixels: np.ndarray) -> np.ndarray:
    """Which colors are not much paler than the most colorful fifth.

    Parameters
    ----------
    pixels : (N, 3) ndarray of uint8
        Red-green-blue, N > 0.

    Returns
    -------
    (N,) ndarray of bool
        False for white stripes, gaps and glints; all true where all is gray.

    Examples
    --------
    >>> colorful(np.array([[230, 110, 20]] * 5 + [[200, 190, 180]], np.uint8)).tolist()
    [True, True, True, True, True, False]
    """
    _, saturation, _ = hsv_of_bytes(*pixels.T)
    most = np.percentile(saturation, 80)
    return saturation >= PALE * most if most >= GRAY_SATURATION else np.ones(len(pixels), bool)


def learn_lab_band(
    pixels: np.ndarray, outside_percent: float = OUTSIDE_PERCENT, lightness_weight: float = 0.5
) -> LabBand:
    """A band in CIE L*a*b*: a ball around the median of some colors.

    Parameters
    ----------
    pixels : (N, 3) ndarray of uint8
        Red-green-blue, mostly of the target.
    outside_percent : float, 0 to below 50
        Twice this fraction of the pixels may be further out than the radius.
    lightness_weight : float, 0 to 1
        How much a difference of L* counts.

    Returns
    -------
    LabBand
        Around the median color, without what is much paler than the rest.

    Raises
    ------
    InputError
        If there are no pixels or the shape is wrong.

    Examples
    --------
    >>> learn_lab_band(np.array([[255, 255, 255]], np.uint8)).radius
    5.0
    """
    pixels = _checked(pixels, outside_percent)
    pixels = pixels[colorful(pixels)]
    colors = lab(pixels[None])
    center = tuple(np.median(colors[0], axis=0))
    away = LabBand(center, 1.0, lightness_weight).distance(pixels[None])[0]
    # Two just noticeable differences, for noise (2.3 each: Mahy et al., Color
    # Res. Appl. 19:105-121, 1994; cited from memory).
    return LabBand(center, float(np.percentile(away, 100 - 2 * outside_percent)) + 5.0, lightness_weight)


def learn_from_boxes(pictures: OneOrMore, boxes: OneOrMore, core: float = CORE, kind: str = "hsv") -> Band | LabBand:
    """A band from boxes on pictures.

    Parameters
    ----------
    pictures : (H, W, 3) ndarray of uint8, or a sequence of them
        Red-green-blue.
    boxes : (N, 4) array-like, or one such array for each picture
        Corners, px.
    core : float
        Middle fraction of each box that is taken.
    kind : {"hsv", "lab"}
        Which sort of band.

    Returns
    -------
    Band or LabBand
        Every box counts the same, near or far.

    Raises
    ------
    InputError
        If there are no boxes, or not one array of boxes a picture.

    Examples
    --------
    >>> picture = np.full((9, 9, 3), [230, 110, 20], np.uint8)
    >>> learn_from_boxes(picture, [[2, 2, 7, 7]]).hue
    (10, 16)
    """
    pictures, boxes = paired(pictures, boxes)
    per_box = [colors for picture, some in zip(pictures, boxes) for colors in core_pixels(picture, some, core)]
    if not per_box:
        raise InputError("learning a band needs at least one box, got none; draw one round the target")
    if kind not in ("hsv", "lab"):
        raise InputError(f"kind must be hsv or lab, got {kind!r}; choose one of them")
    pixels = np.concatenate([thin(colors) for colors in per_box])
    return learn_band(pixels) if kind == "hsv" else learn_lab_band(pixels)


def thin(colors: np.ndarray, most: int = 256) -> np.ndarray:
    """At most so many of some colors, evenly spread.

    Parameters
    ----------
    colors : (N, 3) ndarray
        The colors.
    most : int
        How many at most.

    Returns
    -------
    (K, 3) ndarray
        Every n-th.

    Examples
    --------
    >>> thin(np.arange(30).reshape(10, 3), 3)[:, 0].tolist()
    [0, 9, 18]
    """
    if len(colors) <= most:
        return colors
    return colors[np.arange(most) * len(colors) // most]


def paired(pictures, boxes) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """One picture or many, with boxes for each, as two equal lists.

    Parameters
    ----------
    pictures : (H, W, 3) ndarray of uint8, or a sequence of them
        Red-green-blue.
    boxes : (N, 4) array-like, or one such array for each picture
        Corners, px.

    Returns
    -------
    pictures : list of ndarray
        Checked.
    boxes : list of (N, 4) ndarray
        Checked.

    Raises
    ------
    InputError
        If there is not one array of boxes for each picture.

    Examples
    --------
    >>> len(paired(np.zeros((4, 4, 3), np.uint8), [[0, 0, 2, 2]])[1][0])
    1
    """
    if isinstance(pictures, np.ndarray) and pictures.ndim == 3:
        pictures, boxes = [pictures], [boxes]
    pictures, boxes = list(pictures), list(boxes)
    if len(pictures) != len(boxes):
        raise InputError(
            f"there must be one array of boxes for each picture, got {len(boxes)} for {len(pictures)}; pass [] where there is none"
        )
    pictures = [check_picture(picture, f"picture {n}") for n, picture in enumerate(pictures)]
    return pictures, [check_boxes(some, f"boxes of picture {n}") for n, some in enumerate(boxes)]
