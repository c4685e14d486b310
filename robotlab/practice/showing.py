"""Text for values: shape and unit, a mask as a drawing, large arrays in one line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

# Numbers of an array written out in full; more become one line.
MOST_NUMBERS = 64
# Widest mask that is drawn, in pixels; fits a narrow notebook.
WIDEST_MASK = 60
MOST_LETTERS = 300


def show(value: Any, unit: str = "") -> str:
    """A value as text, with its unit and, for arrays, its shape.

    Parameters
    ----------
    value : object
        An input, or a learner's result: it may be anything.
    unit : str
        Written behind numbers.

    Returns
    -------
    str
        One or more lines.

    Examples
    --------
    >>> show(0.9561, "rad")
    '0.9561 rad'
    >>> print(show(np.eye(3, dtype=bool)))
    (3, 3) bool, # is True
    #..
    .#.
    ..#
    """
    behind = f" {unit}" if unit and unit != "°" else unit
    try:
        if isinstance(value, np.ndarray) and value.ndim:
            return _array(value, behind)
        if isinstance(value, np.ndarray):
            value = value[()]
        if isinstance(value, bool | np.bool_):
            return str(bool(value))
        if isinstance(value, int | float | np.number):
            return _number(value) + behind
        if isinstance(value, tuple | list):
            many = "" if len(value) <= MOST_NUMBERS else f", ... ({len(value)} values)"
            inner = ", ".join(show(one) for one in value[:MOST_NUMBERS])
            return _short(f"({inner}{many}){behind}" if isinstance(value, tuple) else f"[{inner}{many}]{behind}")
        return _short(repr(value))
    except Exception:  # A learner's object may fail when asked for its text.
        return f"a {type(value).__name__} that cannot be shown"


def listed(words: Sequence[str]) -> str:
    """Words as a list in a sentence.

    Parameters
    ----------
    words : sequence of str
        One or more.

    Returns
    -------
    str
        With commas, and "and" before the last one.

    Examples
    --------
    >>> listed(["red"]), listed(["red", "green", "blue"])
    ('red', 'red, green and blue')
    """
    return " and ".join(filter(None, [", ".join(words[:-1]), words[-1]]))


def _number(value: Any) -> str:
    if isinstance(value, int | np.integer):
        return str(int(value)) if abs(int(value)) < 10**12 else f"{float(value):.6g}"
    return f"{complex(value):.6g}" if np.iscomplexobj(value) else f"{float(value):.6g}"


def _array(value: np.ndarray, behind: str) -> str:
    head = f"{value.shape} {value.dtype}"
    if value.dtype.kind == "b" and value.ndim == 2 and value.size and max(value.shape) <= WIDEST_MASK:
        return "\n".join([f"{head}, # is True", *("".join(".#"[int(on)] for on in row) for row in value)])
    if value.size <= MOST_NUMBERS:
        text = np.array2string(value, precision=4, suppress_small=True, separator=", ", threshold=MOST_NUMBERS)
        return f"{head}{',' + behind if behind else ''}\n{_short(text, 1500)}"
    if value.dtype.kind in "iuf":
        low, high = np.nanmin(value), np.nanmax(value)
        return f"{head}, from {_number(low)} to {_number(high)}{behind}"
    if value.dtype.kind == "b":
        return f"{head}, {int(value.sum())} of {value.size} True"
    return head


def _short(text: str, most: int = MOST_LETTERS) -> str:
    return text if len(text) <= most else text[:most] + " ..."
