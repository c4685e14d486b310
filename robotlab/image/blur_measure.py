"""How sharp a picture is."""

from __future__ import annotations

import numpy as np

from robotlab.checks import check_picture
from robotlab.image.color_spaces import luminance


def sharpness(picture: np.ndarray) -> float:
    """Variance of the Laplacian of a picture's luminance.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.

    Returns
    -------
    float
        In squared gray levels; 0 for a picture of fewer than 3 px a side.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Notes
    -----
    The Laplacian of a pixel is its upper, lower, left and right neighbor added
    up, less four times itself; the pixels along the edge are left out.  Blur
    takes fine contrast away, and with it the variance (Pech-Pacheco et al.,
    "Diatom autofocusing in brightfield microscopy: a comparative study", ICPR
    2000).  This is not a measure that two different scenes share: a plain wall
    in focus has less of it than leaves out of focus.

    Examples
    --------
    >>> checks = np.indices((9, 9)).sum(axis=0).astype(np.uint8)[..., None] % 2 * np.full(3, 200, np.uint8)
    >>> sharpness(checks) > sharpness(np.full((9, 9, 3), 100, np.uint8))
    True
    """
    check_picture(picture)
    if min(picture.shape[:2]) < 3:
        return 0.0
    # Whole numbers: sixteen bits hold 4 x 255, and are several times as fast as floats.
    gray = luminance(picture).round().astype(np.int16)
    around = gray[:-2, 1:-1] + gray[2:, 1:-1] + gray[1:-1, :-2] + gray[1:-1, 2:]
    return float((around - 4 * gray[1:-1, 1:-1]).var(dtype=np.float64))
