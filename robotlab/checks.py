"""Checks of what is passed in: each gives the value in its right form, or says the rule, what came and the repair."""

from __future__ import annotations

import math

import numpy as np

from robotlab.errors import BoxError, InputError


def check_boxes(boxes: np.ndarray, name: str = "boxes", ordered: bool = True) -> np.ndarray:
    """Return `boxes` as an (N, 4) float array, or say what is wrong.

    Parameters
    ----------
    boxes : (N, 4) array-like
        Corners ``[x0, y0, x1, y1]``, px.
    name : str
        How the error message calls them.
    ordered : bool
        Also require ``x0 <= x1`` and ``y0 <= y1``.

    Returns
    -------
    (N, 4) ndarray of float64
        The boxes; an empty list gives ``(0, 4)``.

    Raises
    ------
    BoxError
        If the shape is wrong, a number is not finite, or the corners are
        in the wrong order.

    Examples
    --------
    >>> check_boxes([]).shape
    (0, 4)
    """
    try:
        boxes = np.asarray(boxes, dtype=np.float64)
    except (TypeError, ValueError):
        raise BoxError(
            f"{name} must be numbers in an (N, 4) array, got {type(boxes).__name__}; check its rows"
        ) from None
    if boxes.size == 0 and boxes.ndim <= 2:
        return boxes.reshape(0, 4)
    if boxes.ndim != 2 or boxes.shape[1] != 4:
        hint = f"; for one box pass {name}[None, :]" if boxes.shape == (4,) else "; one row per box, four numbers a row"
        raise BoxError(f"{name} must be (N, 4), got {boxes.shape}{hint}")
    finite = np.isfinite(boxes)
    if not finite.all():
        row = int(np.flatnonzero(~finite.all(axis=1))[0])
        raise BoxError(f"{name} must be finite, row {row} is {boxes[row].tolist()}; leave such boxes out")
    if ordered:
        bad = (boxes[:, 2] < boxes[:, 0]) | (boxes[:, 3] < boxes[:, 1])
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            raise BoxError(
                f"{name} must have x0 <= x1 and y0 <= y1, row {row} is {boxes[row].tolist()}; "
                "if it holds x, y, width, height, convert it with corners_from_xywh"
            )
    return boxes


def check_scores(scores: np.ndarray, count: int) -> np.ndarray:
    """Return `scores` as a (count,) float array, or say what is wrong.

    Parameters
    ----------
    scores : (N,) array-like
        One score for each box.
    count : int
        How many there must be.

    Returns
    -------
    (N,) ndarray of float64
        The scores.

    Raises
    ------
    BoxError
        If there are more or fewer, or one is not finite.

    Examples
    --------
    >>> check_scores([0.5, 1], 2).tolist()
    [0.5, 1.0]
    """
    try:
        scores = np.asarray(scores, dtype=np.float64)
    except (TypeError, ValueError):
        raise BoxError("scores must be numbers, one for each box; check for text or nested lists") from None
    if scores.shape != (count,):
        raise BoxError(f"scores must be ({count},), one for each box, got {scores.shape}; pass one score a box")
    if not np.isfinite(scores).all():
        row = int(np.flatnonzero(~np.isfinite(scores))[0])
        raise BoxError(f"scores must be finite, row {row} is {scores[row]}; leave such boxes out")
    return scores


def positive(name: str, value: float, unit: str) -> float:
    """Return `value` as a float above 0, or say what is wrong.

    Parameters
    ----------
    name : str
        How the error message calls it.
    value : float
        The number.
    unit : str
        Its unit, for the message.

    Returns
    -------
    float
        The number.

    Raises
    ------
    InputError
        If it is not finite or not above 0.

    Examples
    --------
    >>> positive("width_m", 2, "m")
    2.0
    """
    value = float(value)
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"{name} must be more than 0 {unit}, got {value}; give a positive finite number")
    return value


def view_angle(name: str, value: float) -> float:
    """Return a field of view as a float between 0 and pi, or say what is wrong.

    Parameters
    ----------
    name : str
        How the error message calls it.
    value : float
        The angle, rad.

    Returns
    -------
    float
        The angle.

    Raises
    ------
    InputError
        If it lies outside; degrees are recognized.

    Examples
    --------
    >>> view_angle("hfov_rad", 1)
    1.0
    """
    value = float(value)
    if not 0 < value < math.pi:
        hint = f"; {value} degrees is math.radians({value})" if math.pi <= value < 180 else ""
        raise InputError(
            f"{name} must lie between 0 and pi rad, got {value}; a flat picture sees less than half a turn{hint}"
        )
    return value
