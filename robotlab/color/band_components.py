"""Connected components of a band in a picture, with their depth in the band."""

from __future__ import annotations

import numpy as np

from robotlab.color.bands import Band, LabBand
from robotlab.color.components import Components, blobs_of_runs, runs_of_pixels
from robotlab.color.fast_threshold import pixels_in_band
from robotlab.color.hsv_conversion import hsv_of_bytes
from robotlab.image.morphology import open_close


def pieces_in_band(
    picture: np.ndarray, band: Band | LabBand, open_px: int = 0, close_px: int = 0, mask: np.ndarray | None = None
) -> tuple[Components, np.ndarray]:
    """All blobs of a band, after clean-up, with their mean depth.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    band : Band or LabBand
        The band.
    open_px, close_px : int
        Clean-up of the mask.
    mask : (H, W) ndarray of bool, optional
        The pixels in the band, where they are known already.

    Returns
    -------
    blobs : Components
        Largest first.
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
    >>> blobs, depths = pieces_in_band(picture, Band(hue=(8, 18)))
    >>> blobs.boxes.tolist(), depths.tolist()
    ([[2.0, 1.0, 4.0, 4.0]], [1.0])
    """
    if mask is None:
        pixels, colors = pixels_in_band(picture, band)
    if mask is None and (open_px or close_px):
        mask = np.zeros(picture.shape[:2], bool)
        mask.reshape(-1)[pixels] = True
    if mask is not None:
        pixels, colors = np.flatnonzero(open_close(mask, open_px, close_px)), None
    runs = runs_of_pixels(pixels, picture.shape[1])
    blobs, owners = blobs_of_runs(runs)
    if not len(blobs):
        return blobs, np.zeros(0)
    lengths = runs.stops - runs.starts
    per_run = np.add.reduceat(_depth(picture, band, pixels, colors), np.cumsum(lengths) - lengths)
    # A mean of numbers up to 1 can round to a hair above it.
    return blobs, np.minimum(np.bincount(owners, per_run) / blobs.areas, 1.0)


def _depth(picture: np.ndarray, band: Band | LabBand, pixels: np.ndarray, colors) -> np.ndarray:
    """How deep in the band each pixel is, 0 to 1."""
    if colors is None or isinstance(band, LabBand):
        some = picture[np.unravel_index(pixels, picture.shape[:2])]
        if isinstance(band, LabBand):
            return np.clip(1 - band.distance(some[None])[0] / band.radius, 0, 1)
        colors = hsv_of_bytes(*some.T)
    return band.depth(*colors)
