"""Misconceptions common to all tasks, as changes of the right result.

A task's own misconceptions are tried first.  These take the right results of all cases
and give what a learner would have who made one common mistake more, or alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from robotlab.practice.comparing import as_numbers
from robotlab.practice.task import Task


def _rounded(decimals: int, result: np.ndarray) -> np.ndarray:
    return np.round(result, decimals)


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
        From the right result to the wrong one.
    units : tuple of str
        Only for tasks with one of these units, if given; the empty one is for fractions and counts.
    kinds : str
        Kinds of results that it changes, as NumPy writes them.
    """

    name: str
    says: str
    change: Callable[[np.ndarray], np.ndarray]
    units: tuple[str, ...] = ()
    kinds: str = "iuf"

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


_LENGTHS = ("m", "m/s")
# Results with fractions, not counts or places.
_FRACTIONS = "f"
_FACTORS = (
    ("twice", 2, "exactly twice as large as it should be", ()),
    ("half", 1 / 2, "exactly half of what it should be", ()),
    ("thousand", 1000, "1000 times too large: look at mm and m", _LENGTHS),
    ("thousandth", 1 / 1000, "1000 times too small: look at mm and m", _LENGTHS),
    ("percent", 100, "100 times too large: a fraction goes from 0 to 1, a percentage to 100", ("",)),
    ("centimeters", 100, "100 times too large: look at cm and m", _LENGTHS),
    ("hundredth", 1 / 100, "100 times too small: look at cm and m", _LENGTHS),
)

GENERAL = (
    ResultChange("sign", "Your results have the right size and the wrong sign.", np.negative),
    ResultChange("degrees for radians", "Your results are in degrees; rad is asked for.", np.degrees, ("rad",)),
    ResultChange(
        "radians twice",
        "Your results are too small by 180/pi: something was turned from degrees to radians that was in radians already.",
        np.radians,
        ("rad",),
    ),
    ResultChange("radians for degrees", "Your results are in radians; degrees are asked for.", np.radians, ("°",)),
    *(
        ResultChange(name, f"Each of your results is {words}.", partial(np.multiply, factor), units)
        for name, factor, words, units in _FACTORS
    ),
    ResultChange("one too many", "Each of your results is larger by exactly 1.", lambda right: right + 1),
    ResultChange("one too few", "Each of your results is smaller by exactly 1.", lambda right: right - 1),
    ResultChange(
        "cut to whole numbers",
        "Your results are cut off to whole numbers; fractions count here. Look for int(...) or //.",
        np.trunc,
        kinds=_FRACTIONS,
    ),
    *(
        ResultChange(
            f"rounded to {n} decimals",
            f"Your results are rounded to {n} decimals. Return the full number, round only what you print.",
            partial(_rounded, n),
            kinds=_FRACTIONS,
        )
        for n in (0, 1, 2, 3, 4)
    ),
    ResultChange(
        "inverted mask", "Your mask is True where it should be False, and the other way around.", np.invert, kinds="b"
    ),
    ResultChange(
        "other way round",
        "You have the right values in the opposite order.",
        lambda right: right[::-1] if right.ndim == 1 else right,
        kinds="biuf",
    ),
    ResultChange(
        "rows for columns",
        "Rows and columns have changed places in your result.",
        lambda right: right.T if right.ndim == 2 else right,
        kinds="biuf",
    ),
)

# Tried after the others, and not together with a second mistake: such pairs fit by chance.
ALONE = (
    ResultChange(
        "without its sign",
        "Your results have the right size and are never negative: abs() has thrown away which side it is.",
        np.abs,
    ),
    ResultChange(
        "held at 0",
        "Your results are right where they are positive, and 0 where they should be negative.",
        partial(np.maximum, 0),
    ),
    *(
        ResultChange(name, f"Each of your results is {words} what is asked for.", change, kinds=_FRACTIONS)
        for name, words, change in (
            ("1 minus", "1 minus", partial(np.subtract, 1)),
            ("upside down", "1 divided by", partial(np.divide, 1)),
            ("squared", "the square of", np.square),
            ("root", "the square root of", lambda right: np.sqrt(np.abs(right))),
        )
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
    if numbers is None or numbers.dtype.kind not in general.kinds:
        return right
    with np.errstate(all="ignore"):
        return general.change(numbers if numbers.dtype.kind == "b" else numbers.astype(float))


def makes(general: ResultChange, task: Task, right: Sequence[Any], got: Sequence[Any]) -> bool:
    """Whether a change of the right results gives the learner's.

    Parameters
    ----------
    general : ResultChange
        The misconception.
    task : Task
        The task.
    right : sequence of object
        Right results.
    got : sequence of object
        The learner's.

    Returns
    -------
    bool
        True if it does so in all cases.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> makes(GENERAL[4], task_named("bearing"), [1.0, 2.0], [2.0, 4.0])
    True
    """
    return all(task.agree(changed(general, r), g) for r, g in zip(right, got))
