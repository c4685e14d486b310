"""Checks of what is passed in: each gives the value in its right form, or says the rule, what came and the repair."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from robotlab.errors import BoxError, InputError, MotionError, PictureError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


def check_boxes(boxes: ArrayLike, name: str = "boxes", ordered: bool = True) -> np.ndarray:
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


def check_scores(scores: ArrayLike, count: int) -> np.ndarray:
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


def number(
    value: float,
    name: str,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    open_low: bool = False,
    repair: str = "give a plain number in that range",
) -> float:
    """Return `value` as a float between `low` and `high`, or say what is wrong.

    Parameters
    ----------
    value : float
        The number.
    name : str
        How the error message calls it; its unit is its suffix.
    low, high : float
        Allowed range, both ends included.
    open_low : bool
        `low` itself is refused.
    repair : str
        What the message tells the reader to do.

    Returns
    -------
    float
        The number.

    Raises
    ------
    MotionError
        If it is not a finite number or lies outside.

    Examples
    --------
    >>> number(3, "frame_hz", 0, open_low=True)
    3.0
    """
    try:
        result = float(value)
    except (TypeError, ValueError, OverflowError):
        raise MotionError(f"{name} must be a number, got {type(value).__name__} {value!r}; {repair}") from None
    too_low = result <= low if open_low else result < low
    if not math.isfinite(result) or too_low or result > high:
        if math.isfinite(low) and math.isfinite(high):
            rule = f"from {low:g} to {high:g}"
        elif math.isfinite(low):
            rule = f"more than {low:g}" if open_low else f"{low:g} or more"
        else:
            rule = "finite" if not math.isfinite(high) else f"{high:g} or less"
        raise MotionError(f"{name} must be {rule}, got {value!r}; {repair}")
    return result


def error_message(error: BaseException | None) -> str:
    """The message of an error, or its class name where it has none or cannot give it.

    Parameters
    ----------
    error : BaseException or None
        Any error: one that fails to be written must not keep a HALT back.

    Returns
    -------
    str
        Never empty.

    Examples
    --------
    >>> error_message(ValueError("too fast")), error_message(KeyboardInterrupt())
    ('too fast', 'KeyboardInterrupt')
    """
    try:
        return str(error) or type(error).__name__
    except Exception:
        return type(error).__name__


def whole(value: float, name: str, low: int = 0) -> int:
    """Return `value` as an int of at least `low`, or say what is wrong.

    Parameters
    ----------
    value : float
        The number; 3.0 is taken as 3.
    name : str
        How the error message calls it.
    low : int
        Smallest allowed value.

    Returns
    -------
    int
        The number.

    Raises
    ------
    MotionError
        If it is not a whole number or is too small.

    Examples
    --------
    >>> whole(3.0, "delay_frames")
    3
    """
    result = number(value, name, low, repair=f"give a whole number of at least {low}")
    if result != int(result):
        raise MotionError(f"{name} must be a whole number, got {value!r}; round it yourself, up to be safe")
    return int(result)


def whole_between(value: int, name: str, low: int, high: int) -> int:
    """Return `value` as an int from `low` to `high`, or say what is wrong.

    Parameters
    ----------
    value : int
        The number.
    name : str
        How the error message calls it.
    low, high : int
        Allowed range, both ends included.

    Returns
    -------
    int
        The number.

    Raises
    ------
    InputError
        If it is not a whole number or lies outside.

    Examples
    --------
    >>> whole_between(100, "pictures", 20, 10_000)
    100
    """
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or not low <= value <= high:
        raise InputError(f"{name} must be a whole number from {low} to {high}, got {value!r}; choose one in between")
    return int(value)


def pose(start: tuple[float, float, float]) -> tuple[float, float, float]:
    """Return a pose as three floats, or say what is wrong.

    Parameters
    ----------
    start : (float, float, float)
        x and y, m, and yaw, rad.

    Returns
    -------
    (x_m, y_m, yaw_rad) : tuple of float
        The pose.

    Raises
    ------
    MotionError
        If it is not three finite numbers.

    Examples
    --------
    >>> pose((1, 2, 0))
    (1.0, 2.0, 0.0)
    """
    try:
        values = tuple(start)
    except TypeError:
        values = ()
    if len(values) != 3 or isinstance(start, str):
        raise MotionError(f"start must be x and y, m, and yaw, rad, got {start!r}; give three numbers")
    x, y, yaw = (number(value, f"start {part}") for value, part in zip(values, ("x_m", "y_m", "yaw_rad"), strict=True))
    return x, y, yaw


def check_picture(picture: object, name: str = "picture") -> np.ndarray:
    """Return `picture` if it is an RGB byte picture, or say what is wrong.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red, green, blue; x to the right and y down.
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
