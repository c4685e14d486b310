"""Hue, saturation and value: the reference in floating point, and exact in integers.

Three scales for one color are in use, and mixing them up is the most common
mistake with color detectors:

=====================  ==============  ===========  ===========
where                  hue             saturation   value
=====================  ==============  ===========  ===========
standard ``colorsys``  0 to 1          0 to 1       0 to 1
in words               0° to 360°      0 to 100 %   0 to 100 %
bytes, here            0 to 179        0 to 255     0 to 255
=====================  ==============  ===========  ===========

A byte cannot hold 360, so in the byte scale one step of hue is two degrees:
green is 120°, a third of the circle, and 60.  Pillow packs the circle into 0 to
255 instead (green is 85 there), so its bytes are *not* these bytes.

Hue is an angle: 179 and 0 are neighbors, and both are red.  Gray has no hue;
it is given hue 0 and saturation 0.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from robotlab.errors import InputError
from robotlab.image import check_picture

# One step of hue is two degrees, so that the circle fits into a byte
# (OpenCV documentation of cvtColor, "RGB to HSV", 8-bit pictures).
HUES = 180

# Fixed-point fractions of 12 bits, as in OpenCV's 8-bit conversion
# (modules/imgproc/src/color_hsv); with other tables a few colors round
# differently.
_BITS = 12
_HALF = 1 << (_BITS - 1)

# The most that bytes differ from exact hue and saturation: half a step, and
# what the 12-bit tables add (measured over all 2**24 colors: .640 and .522).
HUE_ERROR = 0.65
SATURATION_ERROR = 0.53


def _fractions(top: float) -> np.ndarray:
    """``top / n`` for each byte n, in 12-bit fixed point, rounded; 0 for n = 0."""
    table = np.zeros(256, np.int32)
    table[1:] = np.rint(top * (1 << _BITS) / np.arange(1, 256)).astype(np.int32)
    return table


_PER_VALUE = _fractions(255)
_PER_SPREAD = _fractions(HUES / 6)


def hsv_of_bytes(red: np.ndarray, green: np.ndarray, blue: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Byte hue, saturation and value from three arrays of bytes.

    Parameters
    ----------
    red, green, blue : (...) ndarray of uint8
        The colors, all of one shape.

    Returns
    -------
    hue, saturation, value : (...) ndarray of uint8
        Hue 0 to 179 (two degrees a step), saturation and value 0 to 255.

    Notes
    -----
    With V = max, m = min and C = V - m::

        S = 255 C / V
        H = 30 (G - B) / C          where red is the largest
        H = 30 (B - R) / C + 60     where green is
        H = 30 (R - G) / C + 120    where blue is,   plus 180 if negative

    (Smith, SIGGRAPH 1978).  The divisions are products with fixed-point
    tables, which makes every one of the 2²⁴ colors equal OpenCV's.

    Examples
    --------
    >>> orange = [np.array([n], np.uint8) for n in (255, 165, 0)]
    >>> [int(n[0]) for n in hsv_of_bytes(*orange)]
    [19, 255, 255]
    """
    value = np.maximum(np.maximum(red, green), blue)
    spread = value - np.minimum(np.minimum(red, green), blue)
    saturation = (spread * _PER_VALUE[value] + _HALF) >> _BITS
    r, g, b = (channel.astype(np.int32) for channel in (red, green, blue))
    c = spread.astype(np.int32)
    sixth = np.where(value == red, g - b, np.where(value == green, b - r + 2 * c, r - g + 4 * c))
    hue = (sixth * _PER_SPREAD[spread] + _HALF) >> _BITS
    hue += HUES * (hue < 0)
    return hue.astype(np.uint8), saturation.astype(np.uint8), value


def hsv(picture: np.ndarray) -> np.ndarray:
    """Byte hue, saturation and value of each pixel.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        Hue 0 to 179 (two degrees a step), saturation and value 0 to 255.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Notes
    -----
    Equal to OpenCV's ``cvtColor(picture, COLOR_RGB2HSV)`` for all 2²⁴ colors.
    This is not Pillow's HSV, whose hue runs to 255.

    Examples
    --------
    >>> hsv(np.array([[[0, 255, 0], [90, 90, 90]]], np.uint8))[0].tolist()
    [[60, 255, 255], [0, 0, 90]]
    """
    check_picture(picture)
    channels = np.ascontiguousarray(picture.transpose(2, 0, 1))
    return np.stack(hsv_of_bytes(*channels), axis=-1)


def histogram(picture: np.ndarray, scale: str = "hue") -> np.ndarray:
    """How many pixels have each hue, saturation or value.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    scale : {"hue", "saturation", "value"}
        What to count.  Hues are weighted by saturation / 255, so that grays,
        whose hue is noise, do not show.

    Returns
    -------
    (180,) or (256,) ndarray of float64
        Pixels, by byte value.

    Raises
    ------
    PictureError
        If the picture is wrong.
    InputError
        If the scale is none of the three.

    Examples
    --------
    >>> green = np.full((2, 2, 3), [0, 255, 0], np.uint8)
    >>> float(histogram(green)[60]), float(histogram(green, "value")[255])
    (4.0, 4.0)
    """
    tops = {"hue": HUES, "saturation": 256, "value": 256}
    if scale not in tops:
        raise InputError(f"scale must be one of {', '.join(tops)}, got {scale!r}; choose one of them")
    colors = hsv(picture).reshape(-1, 3)
    weights = colors[:, 1] / 255 if scale == "hue" else None
    return np.bincount(colors[:, list(tops).index(scale)], weights, minlength=tops[scale]).astype(np.float64)


def hue_step(a: np.ndarray | float, b: np.ndarray | float) -> np.ndarray | float:
    """Signed difference from hue `b` to hue `a`, the short way around the circle.

    Parameters
    ----------
    a, b : float or (N,) ndarray
        Hues on the byte scale.

    Returns
    -------
    float or (N,) ndarray
        From -90 up to, but not including, 90.

    Notes
    -----
    This is not the plain difference: from 175 to 5 is +10, not -170.

    Examples
    --------
    >>> float(hue_step(5, 175)), float(hue_step(175, 5))
    (10.0, -10.0)
    """
    return (np.asarray(a, np.float64) - b + HUES / 2) % HUES - HUES / 2


def mean_hue(hues: Iterable[float], weights: Iterable[float] | None = None) -> float:
    """Circular mean of hues.

    Parameters
    ----------
    hues : (N,) array-like
        Hues on the byte scale, 0 to 180.
    weights : (N,) array-like, optional
        How much each counts; saturation is a good choice, for the hue of a
        nearly gray pixel is mostly noise.

    Returns
    -------
    float
        From 0 up to, but not including, 180.

    Raises
    ------
    InputError
        If there are no hues, a number is not finite, or the hues cancel
        each other (opposite colors have no mean).

    Notes
    -----
    The direction of the mean unit vector (Fisher, *Statistical Analysis of
    Circular Data*, 1993, sec. 2.3; cited from memory).

    Examples
    --------
    >>> round(mean_hue([170, 20]), 6)  # 340 and 40 degrees: the mean is 10
    5.0
    """
    hues = np.atleast_1d(np.asarray(hues, np.float64))
    weights = np.ones_like(hues) if weights is None else np.atleast_1d(np.asarray(weights, np.float64))
    if hues.ndim != 1 or not hues.size or weights.shape != hues.shape:
        raise InputError(
            f"hues and weights must be (N,) with N > 0, got {hues.shape} and {weights.shape}; pass one weight a hue"
        )
    if not (np.isfinite(hues).all() and np.isfinite(weights).all()):
        raise InputError("hues and weights must be finite, one is not; leave such pixels out")
    arrow = (weights * np.exp(2j * np.pi * hues / HUES)).sum()
    # Rounding alone leaves about 1e-16 of each unit arrow.
    if abs(arrow) <= 1e-9 * np.abs(weights).sum():
        raise InputError("hues must not cancel each other, these have no mean; pick pixels of one color")
    mean = float(np.angle(arrow)) * HUES / (2 * np.pi) % HUES
    return 0.0 if mean >= HUES else mean
