"""Parse ids, numbers and boxes from JSON values and XML text; None for anything else."""

from __future__ import annotations

import math
import re
from collections.abc import Container
from typing import TypeGuard

from robotlab.errors import printable

# Longer words are not ids; every message names one.
LONGEST_ID = 500
# Plain decimal digits: Python itself would also take 1_000, and digits of other scripts.
_NUMBER = re.compile(r"[+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[eE][+-]?\d{1,3})?", re.ASCII)
_WHOLE = re.compile(r"-?\d{1,18}", re.ASCII)


def as_id(value: object) -> int | str | None:
    """A whole number (of 64 bits) or a printable word as an id; None for anything else."""
    if isinstance(value, bool):
        return None
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        return None
    if isinstance(value, str):
        return value if value and len(value) <= LONGEST_ID and printable(value) == value else None
    return value if isinstance(value, int) else None


def is_word(value: object) -> TypeGuard[str]:
    """True for text with something to read in it, all of it printable."""
    return isinstance(value, str) and bool(value.strip()) and printable(value) == value


def number(value: object) -> float | None:
    """A JSON number as a float; None for anything else, or past the floats."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        return float(value)
    except OverflowError:
        return None


def number_in(text: str) -> float | None:
    """The number that a text says in plain decimal digits; None for anything else."""
    return float(text) if _NUMBER.fullmatch(text) else None


def four_numbers(value: object) -> tuple[float, ...] | None:
    """Four floats from a list of four numbers; None for anything else."""
    if not isinstance(value, list) or len(value) != 4:
        return None
    numbers = tuple(found for found in map(number, value) if found is not None)
    return numbers if len(numbers) == 4 else None


def has_nan(value: object) -> bool:
    """True if a JSON value holds NaN or infinity anywhere."""
    if isinstance(value, float):
        return not math.isfinite(value)
    if isinstance(value, dict):
        return any(map(has_nan, value.values()))
    return isinstance(value, list) and any(map(has_nan, value))


def typed(value: object, known: Container[object]) -> str:
    """A hint when an id is there as the other type: 3 for "3"."""
    if isinstance(value, str) and _WHOLE.fullmatch(value) and int(value) in known:
        return f" (there is {int(value)}, a number: write it without the quotes)"
    if isinstance(value, int) and abs(value) < 10**18 and str(value) in known:
        return f' (there is "{value}", a word: write it with quotes)'
    return ""
