"""Frozen groups of settings whose fields say what values they take."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from robotlab.checks import number
from robotlab.errors import MotionError

# No trolley has a larger number, nor one above 0 that is smaller: sums of squares would overflow, and quotients.
MOST, LEAST = 1e12, 1e-12


def positive(default: float | None, optional: bool = False) -> Any:
    """A field for a number above 0; `optional`: or ``None``."""
    return field(default=default, metadata={"open_low": True, "optional": optional})


def not_negative(default: float) -> Any:
    """A field for a number of 0 or more."""
    return field(default=default, metadata={"open_low": False})


def one_of(default: Any, choices: tuple) -> Any:
    """A field for one of a few values."""
    return field(default=default, metadata={"choices": choices})


@dataclass(frozen=True, kw_only=True)
class CheckedFields:
    """What groups of settings inherit: each field is checked as it was declared."""

    def __post_init__(self) -> None:
        for item in fields(self):
            rule, value = item.metadata, getattr(self, item.name)
            if "choices" in rule and value not in rule["choices"]:
                raise MotionError(
                    f"{item.name} must be one of {', '.join(map(str, rule['choices']))}, got {value!r}; choose one of them"
                )
            if "open_low" in rule and not (value is None and rule.get("optional")):
                value = number(value, item.name, 0, open_low=rule["open_low"])
                least = LEAST if rule["open_low"] else 0
                object.__setattr__(self, item.name, number(value, item.name, least, MOST))
