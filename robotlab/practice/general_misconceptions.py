"""Misconceptions common to all tasks, as changes of the right result.

A task's own misconceptions are tried first.  These take the right results of all cases
and give what a learner would have who made one common mistake more, or alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from robotlab.practice.comparing import as_numbers


@dataclass(frozen=True)
class ResultChange:
    """A misconception that is a change of the right result.

    Parameters
    ----------
    name : str
        A few words.
    says : str
        The sentence that helps.
    change : callable
        From the right result to the wrong one; ``None`` where it cannot be applied.
    units : tuple of str
        Only for tasks with one of these units, if given; the empty one is for fractions and counts.
    """

    name: str
    says: str
    change: Callable[[np.ndarray], np.ndarray | None]
    units: tuple[str, ...] = ()

    def may_be_in(self, unit: str) -> bool:
        """Whether it can be made in a task with this unit.

        Parameters
        ----------
        unit : str
            The task's.

        Returns
        -------
        bool
            True for most.

        Examples
        --------
        >>> GENERAL[1].name, GENERAL[1].may_be_in("rad"), GENERAL[1].may_be_in("m")
        ('degrees for radians', True, False)
        """
        return not self.units or unit in self.units


def _numbers(change: Callable[[np.ndarray], Any]) -> Callable[[np.ndarray], Any]:
    """For results that are numbers, not bools."""
    return lambda right: None if right.dtype.kind == "b" else change(right.astype(float))


def _fractions(change: Callable[[np.ndarray], Any]) -> Callable[[np.ndarray], Any]:
    """For results with fractions, not counts or places."""
    return lambda right: change(right) if right.dtype.kind == "f" else None


_LENGTHS = ("m", "m/s")

GENERAL = (
    ResultChange("sign", "Your results have the right size and the wrong sign.", _numbers(np.negative)),
    ResultChange(
        "degrees for radians", "Your results are in degrees; rad is asked for.", _numbers(np.degrees), ("rad",)
    ),
    ResultChange(
        "radians twice",
        "Your results are too small by 180/pi: something was turned from degrees to radians that was in radians already.",
        _numbers(np.radians),
        ("rad",),
    ),
    ResultChange(
        "radians for degrees", "Your results are in radians; degrees are asked for.", _numbers(np.radians), ("°",)
    ),
    ResultChange(
        "twice", "Each of your results is exactly twice as large as it should be.", _numbers(lambda right: right * 2)
    ),
    ResultChange(
        "half", "Each of your results is exactly half of what it should be.", _numbers(lambda right: right / 2)
    ),
    ResultChange(
        "thousand",
        "Each of your results is 1000 times too large: look at mm and m.",
        _numbers(lambda right: right * 1000),
        _LENGTHS,
    ),
    ResultChange(
        "thousandth",
        "Each of your results is 1000 times too small: look at mm and m.",
        _numbers(lambda right: right / 1000),
        _LENGTHS,
    ),
    ResultChange(
        "percent",
        "Each of your results is 100 times too large: a fraction goes from 0 to 1, a percentage to 100.",
        _numbers(lambda right: right * 100),
        ("",),
    ),
    ResultChange(
        "centimeters",
        "Each of your results is 100 times too large: look at cm and m.",
        _numbers(lambda right: right * 100),
        _LENGTHS,
    ),
    ResultChange(
        "hundredth",
        "Each of your results is 100 times too small: look at cm and m.",
        _numbers(lambda right: right / 100),
        _LENGTHS,
    ),
    ResultChange("one too many", "Each of your results is larger by exactly 1.", _numbers(lambda right: right + 1)),
    ResultChange("one too few", "Each of your results is smaller by exactly 1.", _numbers(lambda right: right - 1)),
    ResultChange(
        "cut to whole numbers",
        "Your results are cut off to whole numbers; fractions count here. Look for int(...) or //.",
        _fractions(np.trunc),
    ),
    *(
        ResultChange(
            f"rounded to {n} decimals",
            f"Your results are rounded to {n} decimals. Return the full number, round only what you print.",
            _fractions(partial(np.round, decimals=n)),
        )
        for n in (0, 1, 2, 3, 4)
    ),
    ResultChange(
        "inverted mask",
        "Your mask is True where it should be False, and the other way around.",
        lambda right: ~right if right.dtype.kind == "b" else None,
    ),
    ResultChange(
        "other way round",
        "You have the right values in the opposite order.",
        lambda right: right[::-1] if right.ndim == 1 and right.size > 1 else None,
    ),
    ResultChange(
        "rows for columns",
        "Rows and columns have changed places in your result.",
        lambda right: right.T if right.ndim == 2 else None,
    ),
)

# Tried after the others, and not together with a second mistake: such pairs fit by chance.
ALONE = (
    ResultChange(
        "without its sign",
        "Your results have the right size and are never negative: abs() has thrown away which side it is.",
        _numbers(np.abs),
    ),
    ResultChange(
        "held at 0",
        "Your results are right where they are positive, and 0 where they should be negative.",
        _numbers(lambda right: np.maximum(right, 0)),
    ),
    ResultChange("1 minus", "Each of your results is 1 minus what is asked for.", _fractions(lambda right: 1 - right)),
    ResultChange(
        "upside down", "Each of your results is 1 divided by what is asked for.", _fractions(lambda right: 1 / right)
    ),
    ResultChange("squared", "Each of your results is the square of what is asked for.", _fractions(np.square)),
    ResultChange(
        "root",
        "Each of your results is the square root of what is asked for.",
        _fractions(lambda right: np.sqrt(np.abs(right))),
    ),
)


def changed(general: ResultChange, right: Any) -> Any:
    """Apply a change to a right result.

    Parameters
    ----------
    general : ResultChange
        The misconception.
    right : object
        A right result, or that of a task's misconception.

    Returns
    -------
    object
        The wrong one; the same where the misconception cannot be applied.

    Examples
    --------
    >>> float(changed(GENERAL[4], 90))
    180.0
    """
    numbers = as_numbers(right)
    if numbers is None:
        return right
    with np.errstate(all="ignore"):
        wrong = general.change(numbers)
    return right if wrong is None else wrong
