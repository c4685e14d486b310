"""The blobs of a band in a picture or a part of it, with their depth in the band."""

from __future__ import annotations

import numpy as np

from robotlab.color.balance import apply_gains
from robotlab.color.bands import Band, LabBand
from robotlab.color.blobs import Blobs, Runs, blobs_of_runs, runs_of_pixels
from robotlab.color.cleanup import clean, reach_px
from robotlab.color.fast import pixels_in_band
from robotlab.color.hsv import hsv_of_bytes


def pieces_in_band(
    picture: np.ndarray,
    band: Band | LabBand,
    open_px: int = 0,
    close_px: int = 0,
    region: tuple[int, int, int, int] | None = None,
    gains: np.ndarray | None = None,
) -> tuple[Blobs, np.ndarray]:
    """All blobs of a band, after clean-up, with their mean depth.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    band : Band or LabBand
        The band.
    open_px, close_px : int
        Clean-up of the mask.
    region : (int, int, int, int), optional
        Left, top, right and bottom edge of the part to look at, inside the
        picture; without it all.
    gains : (3,) ndarray, optional
        White balance to apply first.

    Returns
    -------
    blobs : Blobs
        Largest first, in the pixels of the whole picture.  The clean-up has
        seen what lies around the region, so a blob inside it is the same, to
        the last bit, as that blob of the whole picture.
    depths : (N,) ndarray of float64
        Mean depth in the band of each, 0 to 1; pixels that clean-up filled in
        count 0.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Examples
    --------
    >>> picture = np.zeros((6, 8, 3), np.uint8)
    >>> picture[1:4, 2:4] = 230, 110, 20
    >>> blobs, depths = pieces_in_band(picture, Band(hue=(8, 18)), region=(1, 0, 8, 6))
    >>> blobs.boxes.tolist(), depths.tolist()
    ([[2.0, 1.0, 4.0, 4.0]], [1.0])
    """
    height, width = picture.shape[:2]
    left, top, right, bottom = (0, 0, width, height) if region is None else region
    around = reach_px(open_px, close_px)
    x0, y0 = max(left - around, 0), max(top - around, 0)
    part = picture[y0 : bottom + around, x0 : right + around]
    if gains is not None:
        part = apply_gains(part, gains)
    pixels, colors = pixels_in_band(part, band)
    if around:
        mask = np.zeros(part.shape[:2], bool)
        mask.reshape(-1)[pixels] = True
        inner = slice(top - y0, bottom - y0), slice(left - x0, right - x0)
        part = part[inner]
        pixels, colors = np.flatnonzero(clean(mask, open_px, close_px)[inner]), None
    runs = runs_of_pixels(pixels, right - left)
    # In the whole picture's pixels before anything is summed.
    runs = Runs(runs.rows + top, runs.starts + left, runs.stops + left, width)
    blobs, owners = blobs_of_runs(runs)
    if not len(blobs):
        return blobs, np.zeros(0)
    lengths = runs.stops - runs.starts
    per_run = np.add.reduceat(_depth(part, band, pixels, colors), np.cumsum(lengths) - lengths)
    # A mean of numbers up to 1 can round to a hair above it.
    return blobs, np.minimum(np.bincount(owners, per_run) / blobs.areas, 1.0)


def _depth(picture: np.ndarray, band: Band | LabBand, pixels: np.ndarray, colors) -> np.ndarray:
    """How deep in the band each pixel is, 0 to 1."""
    if colors is None:
        some = picture[np.unravel_index(pixels, picture.shape[:2])]
        if isinstance(band, LabBand):
            return np.clip(1 - band.distance(some[None])[0] / band.radius, 0, 1)
        colors = hsv_of_bytes(*some.T)
    return band.depth(*colors)
