"""Color spaces: luminance and CIE L*a*b* (hue, saturation and value: :func:`robotlab.color.hsv`)."""

from __future__ import annotations

import numpy as np

from robotlab.checks import check_picture


def luminance(picture: np.ndarray) -> np.ndarray:
    """Gray value of each pixel as the eye weighs the colors.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.

    Returns
    -------
    (H, W) ndarray of float64
        0.299 R + 0.587 G + 0.114 B, from 0 to 255 (ITU-R BT.601 luma).

    Raises
    ------
    PictureError
        If the picture is wrong.

    Notes
    -----
    This is not the mean of the three colors, and other standards weigh them
    differently (scikit-image's ``rgb2gray`` uses ITU-R BT.709).

    Examples
    --------
    >>> float(luminance(np.array([[[255, 0, 0]]], np.uint8))[0, 0].round(3))
    76.245
    """
    check_picture(picture)
    return picture @ np.array([0.299, 0.587, 0.114])


def lab(picture: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of each pixel (D65, 2 degree observer).

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        sRGB picture.

    Returns
    -------
    (H, W, 3) ndarray of float64
        L* from 0 to 100, a* (green to red), b* (blue to yellow).

    Raises
    ------
    PictureError
        If the picture is wrong.

    Examples
    --------
    >>> float(lab(np.full((1, 1, 3), 255, np.uint8))[0, 0, 0].round(2))
    100.0
    """
    from skimage.color import rgb2lab  # slow to import, needed here alone

    return rgb2lab(check_picture(picture))
