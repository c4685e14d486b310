"""Reference implementations of what robotlab.color does fast: slow, and what its tests compare with."""

import colorsys

import numpy as np

from robotlab.color.components import Components, check_mask, check_min_area
from robotlab.color.hsv_conversion import HUES
from robotlab.image import check_picture


def hsv_reference(picture: np.ndarray) -> np.ndarray:
    """Hue, saturation and value pixel by pixel, with the standard library.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.

    Returns
    -------
    (H, W, 3) ndarray of float64
        On the byte scale but not rounded: hue 0 to 180 (the 0 to 1 of
        ``colorsys`` times 180), saturation and value 0 to 255.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Notes
    -----
    The way to read, not the way to run: about 1 µs a pixel.  :func:`hsv` gives
    these numbers rounded, on the circle: value is the same, saturation within
    .53, and hue within .65, for its 12-bit tables add a little to the half
    step of rounding.

    Examples
    --------
    >>> hsv_reference(np.array([[[200, 100, 50]]], np.uint8))[0, 0].round(3).tolist()
    [10.0, 191.25, 200.0]
    """
    check_picture(picture)
    out = np.empty(picture.shape)
    for y, row in enumerate(picture.tolist()):
        for x, (red, green, blue) in enumerate(row):
            hue, saturation, value = colorsys.rgb_to_hsv(red / 255, green / 255, blue / 255)
            out[y, x] = hue * HUES, saturation * 255, value * 255
    return out


def connected_components_reference(mask: np.ndarray, min_area_px: int = 1) -> Components:
    """What :func:`connected_components` gives, by flooding from pixel to pixel.

    Parameters
    ----------
    mask : (H, W) ndarray of bool
        True where the color fits.
    min_area_px : int
        Smaller blobs are left out.

    Returns
    -------
    Blobs
        Largest first; equal areas in reading order of their first pixels.

    Raises
    ------
    InputError
        If the mask is not (H, W) of bool or the area is below 1.

    Notes
    -----
    The way to read, not the way to run: about 2 µs a pixel.

    Examples
    --------
    >>> connected_components_reference(np.eye(3, dtype=bool)).areas.tolist()  # corners touch
    [3]
    """
    mask = check_mask(mask)
    check_min_area(min_area_px)
    height, width = mask.shape
    waiting = mask.copy()
    found = []
    for y, x in np.argwhere(mask).tolist():
        if not waiting[y, x]:
            continue
        waiting[y, x] = False
        blob, edge = [], [(y, x)]
        while edge:
            row, column = edge.pop()
            blob.append((row, column))
            for near_y in range(max(row - 1, 0), min(row + 2, height)):
                for near_x in range(max(column - 1, 0), min(column + 2, width)):
                    if waiting[near_y, near_x]:
                        waiting[near_y, near_x] = False
                        edge.append((near_y, near_x))
        found.append((blob, (x, y)))
    found.sort(key=lambda one: -len(one[0]))
    found = [one for one in found if len(one[0]) >= min_area_px]
    ys = [np.array([pixel[0] for pixel in blob]) for blob, _ in found]
    xs = [np.array([pixel[1] for pixel in blob]) for blob, _ in found]
    return Components(
        np.array([len(y) for y in ys], np.int64),
        np.array([[x.sum() / len(x), y.sum() / len(y)] for x, y in zip(xs, ys)]).reshape(-1, 2),
        np.array([[x.min(), y.min(), x.max() + 1, y.max() + 1] for x, y in zip(xs, ys)], np.float64).reshape(-1, 4),
        np.array([first for _, first in found], np.int64).reshape(-1, 2),
    )
