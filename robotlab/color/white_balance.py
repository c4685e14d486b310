"""White balance: remove the color of the light from a picture, approximately.

Each channel is multiplied by one number.  That undoes lighting that scales the
channels (the assumption of von Kries, 1902); it cannot bring back a color the
lamp has none of: under magenta LEDs there is hardly any green to multiply.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from robotlab.errors import InputError
from robotlab.image import check_picture

# Beyond this a channel is nearly dark and multiplying it shows only noise
# (common practice, no source).
LARGEST_GAIN = 8.0


def gray_world(picture: np.ndarray) -> np.ndarray:
    """Gains that make the mean of the picture gray.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.

    Returns
    -------
    (3,) ndarray of float64
        For red, green and blue, from 1/8 to 8.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Notes
    -----
    The world is gray on average (Buchsbaum, J. Franklin Inst. 310:1-26, 1980;
    cited from memory).  A greenhouse is not, it is green; so this takes out
    some of the leaves' green as well.  Gains average to 1 over the channel
    means, so the brightness stays.

    Examples
    --------
    >>> gray_world(np.full((2, 2, 3), [200, 100, 150], np.uint8)).round(3).tolist()
    [0.75, 1.5, 1.0]
    """
    # Row upon row first: several times faster than pixel upon pixel, and exact.
    sums = check_picture(picture).sum(axis=0, dtype=np.uint32).sum(axis=0, dtype=np.uint64)
    means = sums / (picture.shape[0] * picture.shape[1])
    common = means.mean()
    if common == 0:
        return np.ones(3)
    return np.clip(common / np.maximum(means, common / LARGEST_GAIN), 1 / LARGEST_GAIN, LARGEST_GAIN)


def apply_gains(picture: np.ndarray, gains: np.ndarray) -> np.ndarray:
    """Multiply the channels of a picture.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    gains : (3,) array-like
        For red, green and blue.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        Rounded, and cut off at 255.

    Raises
    ------
    InputError
        If the gains are not three finite numbers above 0.

    Examples
    --------
    >>> apply_gains(np.full((1, 1, 3), 100, np.uint8), (0.5, 1, 3)).tolist()
    [[[50, 100, 255]]]
    """
    check_picture(picture)
    gains = check_gains(gains)
    tables = np.minimum(np.rint(np.arange(256) * gains[:, None]), 255).astype(np.uint8)
    out = np.empty_like(picture)
    for channel in range(3):
        out[..., channel] = tables[channel][picture[..., channel]]
    return out


def check_gains(gains: Sequence[float] | np.ndarray) -> np.ndarray:
    """Return gains as (3,) floats, or say what is wrong.

    Parameters
    ----------
    gains : (3,) array-like
        For red, green and blue.

    Returns
    -------
    (3,) ndarray of float64
        The gains.

    Raises
    ------
    InputError
        If they are not three finite numbers above 0.

    Examples
    --------
    >>> check_gains((1, 2, 1)).tolist()
    [1.0, 2.0, 1.0]
    """
    try:
        values = np.asarray(gains, np.float64)
    except (TypeError, ValueError, OverflowError):
        values = np.zeros(0)
    if values.shape != (3,) or not np.isfinite(values).all() or values.min() <= 0:
        raise InputError(
            f"gains must be three finite numbers above 0 (red, green, blue), got {gains}; 1, 1, 1 changes nothing"
        )
    return values
