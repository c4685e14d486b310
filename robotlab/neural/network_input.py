"""The working size: resize and pad a picture for the network (letterboxing)."""

from __future__ import annotations

import numpy as np

from robotlab.image import resize
from robotlab.neural.spec import PICTURE_MEAN, STRIDE_MULTIPLE

# The network sees no more pixels than this: looking then takes at most .4 GB and about a second (measured).
# 2560 x 1440 px, the largest that web cameras commonly give (common practice, no source), are fewer.
MOST_SEEN_PX = 4_000_000


def network_input(picture: np.ndarray) -> np.ndarray:
    """A picture as the network takes it, padded to whole blocks.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.

    Returns
    -------
    (3, H', W') ndarray of float32
        0 to 255; H' and W' are multiples of 16.  The pixels added on the right
        and below are the middle gray that the network sees as zero.

    Examples
    --------
    >>> network_input(np.zeros((60, 90, 3), np.uint8)).shape
    (3, 64, 96)
    """
    height, width = picture.shape[:2]
    block = STRIDE_MULTIPLE
    padded = np.empty((3, -(-height // block) * block, -(-width // block) * block), np.float32)
    padded[:, :height, :width] = picture.transpose(2, 0, 1)
    padded[:, height:] = PICTURE_MEAN
    padded[:, :height, width:] = PICTURE_MEAN
    return padded


def working_size(width: int, height: int, longest_px: int | None, scale: float) -> tuple[int, int]:
    """Size at which the network sees a picture.

    Parameters
    ----------
    width, height : int
        Of the picture, px.
    longest_px : int or None
        The longer side is at most this.
    scale : float
        Wanted enlargement.

    Returns
    -------
    (int, int)
        Width and height, px; together at most about :data:`MOST_SEEN_PX`.

    Examples
    --------
    >>> working_size(1280, 720, 640, 1.0)
    (640, 360)
    >>> working_size(4000, 3000, None, 1.0)
    (2309, 1732)
    """
    factor = min(scale, (MOST_SEEN_PX / (width * height)) ** 0.5)
    if longest_px is not None:
        factor = min(factor, longest_px / max(width, height))
    return max(1, round(width * factor)), max(1, round(height * factor))


def to_size(picture: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Resize a picture to its working size, averaging when it shrinks.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    size : (int, int)
        Width and height, px.

    Returns
    -------
    (height, width, 3) ndarray of uint8
        The resized picture.
    """
    return resize(picture, size, "area" if size[0] < picture.shape[1] else "linear")
