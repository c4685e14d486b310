"""Pictures made larger, smaller or blurred."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageFilter

from robotlab.checks import check_picture
from robotlab.errors import PictureError

_RESAMPLE = {"nearest": Image.Resampling.NEAREST, "linear": Image.Resampling.BILINEAR, "area": Image.Resampling.BOX}


def resize(picture: np.ndarray, size_px: tuple[int, int], method: str = "area") -> np.ndarray:
    """Make a picture larger or smaller.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    size_px : (int, int)
        New width and height.
    method : {"area", "linear", "nearest"}
        ``area`` averages all the pixels under a new pixel; ``linear`` is
        bilinear, with anti-aliasing when shrinking; ``nearest`` picks one
        pixel and drops the others, so small far things can vanish.

    Returns
    -------
    (height, width, 3) ndarray of uint8
        The resized picture.

    Raises
    ------
    PictureError
        If the picture, the size or the method is wrong.

    Examples
    --------
    >>> resize(np.zeros((4, 6, 3), np.uint8), (3, 2)).shape
    (2, 3, 3)
    """
    check_picture(picture)
    if method not in _RESAMPLE:
        raise PictureError(f"method must be one of {', '.join(_RESAMPLE)}, got {method!r}; choose one of them")
    width, height = (int(n) for n in size_px)
    if width < 1 or height < 1:
        raise PictureError(f"size_px must be (width, height) of at least 1 px, got {size_px}; give whole numbers > 0")
    return np.asarray(Image.fromarray(picture).resize((width, height), _RESAMPLE[method]))


def blur(picture: np.ndarray, radius_px: float) -> np.ndarray:
    """Blur a picture with a Gaussian.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    radius_px : float
        Standard deviation of the Gaussian; 0 changes nothing.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The blurred picture.

    Raises
    ------
    PictureError
        If the picture is wrong or the radius negative.

    Examples
    --------
    >>> blur(np.zeros((4, 6, 3), np.uint8), 1.0).shape
    (4, 6, 3)
    """
    check_picture(picture)
    if not radius_px >= 0:
        raise PictureError(f"radius_px must be 0 or more, got {radius_px}; give a number >= 0")
    if radius_px == 0:
        return picture
    return np.asarray(Image.fromarray(picture).filter(ImageFilter.GaussianBlur(radius_px)))
