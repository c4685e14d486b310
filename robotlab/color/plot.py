"""Show a band: as a histogram, and on the picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from robotlab.color.bands import Band, LabBand, overlay
from robotlab.color.hsv import HUES, hsv
from robotlab.errors import InputError
from robotlab.picture import check_picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_TOPS = {"hue": HUES, "saturation": 256, "value": 256}


def histogram(picture: np.ndarray, scale: str = "hue") -> np.ndarray:
    """How many pixels have each hue, saturation or value.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    scale : {"hue", "saturation", "value"}
        What to count.  Hues are weighted by saturation / 255, so that greys,
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
    check_picture(picture)
    top = _check_scale(scale)
    colors = hsv(picture).reshape(-1, 3)
    weights = colors[:, 1] / 255 if scale == "hue" else None
    return np.bincount(colors[:, list(_TOPS).index(scale)], weights, minlength=top).astype(np.float64)


def plot_histogram(ax: Axes, picture: np.ndarray, band: Band | None = None, scale: str = "hue") -> Axes:
    """Draw a histogram in its own colours, with a band's range shaded.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    band : Band, optional
        Shown as a grey area; two of them where hue wraps around.
    scale : {"hue", "saturation", "value"}
        What to count.

    Returns
    -------
    Axes
        The same.

    Raises
    ------
    InputError
        If the picture or the scale is wrong.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> green = np.full((2, 2, 3), [0, 255, 0], np.uint8)
    >>> plot_histogram(Figure().subplots(), green).get_xlabel()
    'hue (two degrees a step)'
    """
    counts = histogram(picture, scale)
    top = _check_scale(scale)
    places = np.arange(top)
    ax.bar(places, counts, width=1.0, color=_colors(places / (top - 1 if scale != "hue" else top), scale))
    if band is not None:
        low, high = getattr(band, scale)
        for start, stop in [(low, high)] if low <= high else [(low, top - 1), (0, high)]:
            ax.axvspan(start - 0.5, stop + 0.5, color="black", alpha=0.15, lw=0, zorder=0)
    ax.set_xlim(-0.5, top - 0.5)
    ax.set_xlabel("hue (two degrees a step)" if scale == "hue" else scale)
    ax.set_ylabel("pixels, weighted by saturation" if scale == "hue" else "pixels")
    return ax


def plot_mask(ax: Axes, picture: np.ndarray, band: Band | LabBand) -> Axes:
    """Draw a picture with everything outside a band grey and dark.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    band : Band or LabBand
        The band.

    Returns
    -------
    Axes
        The same.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> plot_mask(Figure().subplots(), np.zeros((2, 2, 3), np.uint8), Band()).get_title()
    '100.0 % in the band'
    """
    mask = band.mask(picture)
    height, width = mask.shape
    # Edges of pixels, as in boxes: (0, 0) is the corner of the picture.
    ax.imshow(overlay(picture, mask), extent=(0, width, height, 0), interpolation="nearest")
    ax.set_title(f"{100 * mask.mean():.1f} % in the band")
    return ax


def _colors(share: np.ndarray, scale: str) -> np.ndarray:
    """A colour for each bar: the hue itself, or grey up to strong or bright."""
    if scale == "value":
        return np.repeat(share[:, None] * 0.85, 3, axis=1)
    if scale == "saturation":
        return np.stack([0.75 + 0.15 * share, 0.75 - 0.35 * share, 0.75 - 0.65 * share], axis=1)
    away = np.abs((share[:, None] * 6 - np.array([0, 2, 4]) + 3) % 6 - 3)
    return np.clip(2 - away, 0, 1) * 0.9


def _check_scale(scale: str) -> int:
    if scale not in _TOPS:
        raise InputError(f"scale must be one of {', '.join(_TOPS)}, got {scale!r}; choose one of them")
    return _TOPS[scale]
