"""What counts as a picture: ``(height, width, 3)``, ``uint8``, red-green-blue, x to the right and y down."""

from __future__ import annotations

import numpy as np

from robotlab.errors import PictureError


def check_picture(picture: np.ndarray, name: str = "picture") -> np.ndarray:
    """Return `picture` if it is an RGB byte picture, or say what is wrong.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    name : str
        How the error message calls it.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The same array.

    Raises
    ------
    PictureError
        If it has another shape or type, or no pixels.

    Examples
    --------
    >>> check_picture(np.zeros((4, 6, 3), np.uint8)).shape
    (4, 6, 3)
    """
    if not isinstance(picture, np.ndarray):
        raise PictureError(
            f"{name} must be a NumPy array (H, W, 3) of uint8, got {type(picture).__name__}; "
            "for a file use robotlab.image.load(path)"
        )
    if picture.ndim != 3 or picture.shape[2] != 3 or 0 in picture.shape:
        hint = ""
        if picture.ndim == 2:
            hint = "; for a gray picture pass np.dstack([gray] * 3)"
        elif picture.ndim == 3 and picture.shape[2] == 4:
            hint = "; drop the transparency with picture[..., :3]"
        elif picture.ndim == 3 and picture.shape[0] == 3:
            hint = "; put the colors last with picture.transpose(1, 2, 0)"
        raise PictureError(f"{name} must be (H, W, 3) with H, W > 0, got {picture.shape}{hint}")
    if picture.dtype != np.uint8:
        raise PictureError(
            f"{name} must be uint8 (0 to 255), got {picture.dtype}; for values from 0 to 1 pass "
            "(picture * 255).round().astype(np.uint8)"
        )
    return picture
