"""Text on pictures."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from robotlab.checks import check_picture


def write_text(
    picture: np.ndarray,
    corner_px: tuple[int, int],
    text: str,
    color: tuple[int, int, int] = (255, 255, 255),
    size_px: int = 12,
) -> np.ndarray:
    """Write one line of text on a picture.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    corner_px : (int, int)
        Top left corner of the text, x and y.
    text : str
        The line; what does not fit is cut off.
    color : (int, int, int)
        Red, green, blue, 0 to 255.
    size_px : int
        Height of the letters.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        A new picture with the text.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Examples
    --------
    >>> bool(write_text(np.zeros((20, 60, 3), np.uint8), (2, 2), "post").any())
    True
    """
    image = Image.fromarray(check_picture(picture))
    ImageDraw.Draw(image).text(corner_px, text, fill=tuple(color), font=ImageFont.load_default(size_px))
    return np.asarray(image)
