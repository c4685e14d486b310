"""Small checks of numbers that a robot is driven with."""

from __future__ import annotations

import math

from robotlab.errors import MotionError


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
        If it is no finite number or lies outside.

    Examples
    --------
    >>> number(3, "frame_hz", 0, open_low=True)
    3.0
    """
    try:
        result = float(value)
    except (TypeError, ValueError):
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


def said(error: BaseException | None) -> str:
    """What an error says, or its name; also when it cannot say it.

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
    >>> said(ValueError("too fast")), said(KeyboardInterrupt())
    ('too fast', 'KeyboardInterrupt')
    """
    try:
        return str(error) or type(error).__name__
    except Exception:
        return type(error).__name__


def whole(value: int, name: str, low: int = 0) -> int:
    """Return `value` as an int of at least `low`, or say what is wrong.

    Parameters
    ----------
    value : int
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
        If it is no whole number or is too small.

    Examples
    --------
    >>> whole(3.0, "delay_frames")
    3
    """
    result = number(value, name, low, repair=f"give a whole number of at least {low}")
    if result != int(result):
        raise MotionError(f"{name} must be a whole number, got {value!r}; round it yourself, up to be safe")
    return int(result)


def pose(start: tuple[float, float, float], name: str = "start") -> tuple[float, float, float]:
    """Return a pose as three floats, or say what is wrong.

    Parameters
    ----------
    start : (float, float, float)
        x and y, m, and yaw, rad.
    name : str
        How the error message calls it.

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
        raise MotionError(f"{name} must be x and y, m, and yaw, rad, got {start!r}; give three numbers")
    x, y, yaw = (number(value, f"{name} {part}") for value, part in zip(values, ("x_m", "y_m", "yaw_rad"), strict=True))
    return x, y, yaw
