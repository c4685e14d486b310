"""Detect a black picture or a covered lens, from a single picture."""

from __future__ import annotations

import numpy as np

from robotlab.image import check_picture

# Gray levels of 0 to 255; chosen on rendered scenes in all their lightings, and on noise (tests/robot/test_robot_camera.py).
_BLACK = 16.0
_NO_DETAIL = 6.0
# Blocks of a picture that are compared: about so many rows of them.
_ROWS = 12


def view_fault(picture: np.ndarray) -> str:
    """Whether a picture is black or shows nothing.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.

    Returns
    -------
    str
        What is wrong and the repair, or nothing.  A bare wall looks as a
        covered lens does: neither helps a robot.

    Raises
    ------
    PictureError
        If it is not a picture.

    Examples
    --------
    >>> view_fault(np.zeros((48, 64, 3), np.uint8))
    'the picture is black; take the cap off the lens, switch on the light'
    >>> view_fault(np.full((48, 64, 3), 120, np.uint8))
    'the picture shows no detail; uncover the lens, or turn it from the wall'
    """
    check_picture(picture)
    few = max(1, picture.shape[0] // (20 * _ROWS))
    picture = picture[::few, ::few]
    step = max(1, picture.shape[0] // _ROWS)
    rows, columns = picture.shape[0] // step, max(1, picture.shape[1] // step)
    # A mean of each block: noise of single pixels must not pass for detail.
    blocks = picture[: rows * step, : columns * step].reshape(rows, step, columns, -1).mean(axis=(1, 3))
    if np.percentile(blocks, 99) < _BLACK:
        return "the picture is black; take the cap off the lens, switch on the light"
    # Between blocks two apart, so that an edge cannot fall between.
    steps = [np.abs(blocks[2:] - blocks[:-2]).ravel(), np.abs(blocks[:, 2:] - blocks[:, :-2]).ravel()]
    changes = np.concatenate(steps)
    if changes.size and np.percentile(changes, 98) < _NO_DETAIL:
        return "the picture shows no detail; uncover the lens, or turn it from the wall"
    return ""
