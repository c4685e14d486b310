"""Frozen groups of numbers whose fields say what values they take."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, dataclass, field, fields
from functools import partial
from typing import Any

from robotlab.checks import number
from robotlab.errors import MotionError

# No trolley has a larger number, nor one above 0 that is smaller: sums of squares would overflow, and quotients.
MOST, LEAST = 1e12, 1e-12


def checked(check: Callable[[Any, str], Any], default: Any = MISSING) -> Any:
    """A field that holds what `check` makes of its value and its name."""
    return field(default=default, metadata={"check": check})


def required(check: Callable[..., Any] = number, **limits: Any) -> Any:
    """A field without a default, so whoever makes the group must give it.

    ``capacity_ah: float = required(low=0)`` is not a default, though it stands where one would:
    it says how the field is checked.  `check` gets the value, its name and the `limits`.
    """
    return checked(partial(check, **limits))


def limited(default: float, **limits: Any) -> Any:
    """A field for a number, with a default; `limits` as for :func:`robotlab.checks.number`."""
    return checked(partial(number, **limits), default)


def positive(default: float | None, optional: bool = False) -> Any:
    """A field for a number above 0; `optional`: or ``None``."""

    def check(value: Any, name: str) -> float | None:
        if value is None and optional:
            return None
        return number(number(value, name, 0, open_low=True), name, LEAST, MOST)

    return checked(check, default)


def not_negative(default: float) -> Any:
    """A field for a number of 0 or more."""
    return checked(lambda value, name: number(number(value, name, 0), name, 0, MOST), default)


def one_of(default: Any, choices: tuple) -> Any:
    """A field for one of a few values."""

    def check(value: Any, name: str) -> Any:
        if value not in choices:
            raise MotionError(
                f"{name} must be one of {', '.join(map(str, choices))}, got {value!r}; choose one of them"
            )
        return value

    return checked(check, default)


@dataclass(frozen=True, kw_only=True)
class CheckedFields:
    """What such groups inherit: each field is checked as it was declared."""

    def __post_init__(self) -> None:
        for item in fields(self):
            if "check" in item.metadata:
                object.__setattr__(self, item.name, item.metadata["check"](getattr(self, item.name), item.name))
