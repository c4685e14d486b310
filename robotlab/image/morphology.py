"""Morphology of masks: dilation, erosion, opening and closing."""

from __future__ import annotations

import numpy as np

from robotlab.errors import InputError


def check_mask(mask: np.ndarray) -> np.ndarray:
    """Return `mask` if it is a mask, or say what is wrong.

    Parameters
    ----------
    mask : (H, W) ndarray of bool
        The mask.

    Returns
    -------
    (H, W) ndarray of bool
        The same.

    Raises
    ------
    InputError
        If it has another shape or type, or no pixels.

    Examples
    --------
    >>> check_mask(np.zeros((2, 3), bool)).shape
    (2, 3)
    """
    if not isinstance(mask, np.ndarray) or mask.ndim != 2 or mask.dtype != bool or 0 in mask.shape:
        came = f"{mask.shape} of {mask.dtype}" if isinstance(mask, np.ndarray) else type(mask).__name__
        raise InputError(
            f"a mask must be (H, W) of bool with H, W > 0, got {came}; compare to get one, as in gray > 90"
        )
    return mask


def dilate(mask: np.ndarray, radius_px: int) -> np.ndarray:
    """Grow the true part by a square (dilation).

    Parameters
    ----------
    mask : (H, W) ndarray of bool
        The mask.
    radius_px : int
        Half the side of the square: 1 is 3×3.

    Returns
    -------
    (H, W) ndarray of bool
        True where any pixel of the square around it is.

    Raises
    ------
    InputError
        If the mask or the radius is wrong.

    Examples
    --------
    >>> dilate(np.array([[True, False, False, False]]), 1).astype(int).tolist()
    [[1, 1, 0, 0]]
    """
    mask, radius = check_mask(mask), _check_radius(radius_px, "radius_px")
    # A square is a row of a column, and a stretch of 2r + 1 is r steps of 1.
    for _ in range(min(radius, max(mask.shape))):
        wide = mask.copy()
        wide[:, 1:] |= mask[:, :-1]
        wide[:, :-1] |= mask[:, 1:]
        mask = wide.copy()
        mask[1:] |= wide[:-1]
        mask[:-1] |= wide[1:]
    return mask


def erode(mask: np.ndarray, radius_px: int) -> np.ndarray:
    """Shrink the true part by a square (erosion).

    Parameters
    ----------
    mask : (H, W) ndarray of bool
        The mask.
    radius_px : int
        Half the side of the square: 1 is 3×3.

    Returns
    -------
    (H, W) ndarray of bool
        True where all pixels of the square around it are.  What lies outside
        the picture does not count, so nothing is lost at its edges.

    Raises
    ------
    InputError
        If the mask or the radius is wrong.

    Examples
    --------
    >>> erode(np.array([[True, True, True, False]]), 1).astype(int).tolist()
    [[1, 1, 0, 0]]
    """
    return ~dilate(~check_mask(mask), radius_px)


def open_close(mask: np.ndarray, open_px: int = 0, close_px: int = 0) -> np.ndarray:
    """Open a mask, then close it.

    Parameters
    ----------
    mask : (H, W) ndarray of bool
        The mask.
    open_px : int
        Shrink, then grow, by this much: parts that hold no square of side
        ``2 open_px + 1`` go.  It costs small far targets too.
    close_px : int
        Grow, then shrink, by this much: gaps that hold no such square fill.
        It can join neighbors.

    Returns
    -------
    (H, W) ndarray of bool
        The tidied mask.

    Raises
    ------
    InputError
        If the mask or a radius is wrong.

    Notes
    -----
    Opening and closing by a square (Serra, *Image Analysis and Mathematical
    Morphology*, 1982), equal to OpenCV's ``morphologyEx``.

    Examples
    --------
    >>> open_close(np.array([[True, False, True, False, False]]), close_px=1).astype(int).tolist()
    [[1, 1, 1, 0, 0]]
    """
    mask = check_mask(mask)
    open_px, close_px = _check_radius(open_px, "open_px"), _check_radius(close_px, "close_px")
    if open_px:
        mask = dilate(erode(mask, open_px), open_px)
    if close_px:
        mask = erode(dilate(mask, close_px), close_px)
    return mask


def _check_radius(radius_px: int, name: str) -> int:
    if isinstance(radius_px, bool) or not isinstance(radius_px, (int, np.integer)) or radius_px < 0:
        raise InputError(f"{name} must be a whole number, 0 or more, got {radius_px!r}; 1 means a square of 3 px")
    return int(radius_px)
