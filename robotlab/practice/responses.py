"""Sensitivity: how results respond to a change of one input, beside how the right ones do."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np

from robotlab.practice.comparing import as_numbers, by_value
from robotlab.practice.patterns import exchanged, with_input
from robotlab.practice.plain_source import plain_copy
from robotlab.practice.running import outcome_of, run_cases
from robotlab.practice.task import Task

# Cases that are tried with each change; more would say the same.
_MOST_CASES = 6
_LIMIT_S = 4.0


def _ratio(ratio: float) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    return lambda a, b: np.isclose(b, ratio * a, rtol=1e-6, atol=1e-12)


# What a result may do, in each case: exactly, or in direction.
_RULES: tuple[tuple[str, Callable[[np.ndarray, np.ndarray], np.ndarray]], ...] = (
    ("stay", _ratio(1.0)),
    ("double", _ratio(2.0)),
    ("become half", _ratio(0.5)),
    ("become four times as large", _ratio(4.0)),
    ("become a quarter", _ratio(0.25)),
    ("change sign", _ratio(-1.0)),
    ("grow", lambda a, b: np.abs(b) > np.abs(a) * (1 + 1e-9)),
    ("fall", lambda a, b: np.abs(b) < np.abs(a) * (1 - 1e-9)),
)


def responses(task: Task, function: Callable, cases: Sequence[tuple]) -> str:
    """In which inputs the learner's results answer otherwise than the right ones.

    Parameters
    ----------
    task : Task
        The task.
    function : callable
        The learner's; a copy is run, if it does nothing but compute.
    cases : sequence of tuple
        Its plain cases.

    Returns
    -------
    str
        A sentence or two; empty where nothing can be said.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("bearing")
    >>> responses(task, len, task.cases())
    ''
    """
    copied = plain_copy(function)
    if copied is None:
        return ""
    cases = list(cases)[:_MOST_CASES]
    said: list[str] = []
    for words, change in _changes(task, cases[0]):
        changed = [change(case) for case in cases]
        outcomes = run_cases(copied[0], [*cases, *changed], _LIMIT_S)
        if len(outcomes) < 2 * len(cases) or any(one.kind != "value" for one in outcomes):
            continue
        theirs = [one.value for one in outcomes]
        ours = [outcome_of(task.reference, case).value for case in (*cases, *changed)]
        for name, right, got in by_value(ours, theirs):
            said.append(_sentence(words, name, _numbers(right), _numbers(got), len(cases)))
    said = list(filter(None, said))
    return " ".join(said[:2]) if len(said) <= 4 else said[0]


def _numbers(results: Sequence[Any]) -> np.ndarray | None:
    found = [as_numbers(one) for one in results]
    if any(one is None or one.ndim or one.dtype.kind == "b" for one in found):
        return None
    numbers = np.array([float(one) for one in found if one is not None])
    return numbers if np.isfinite(numbers).all() else None


def _sentence(words: str, name: str, ours: np.ndarray | None, theirs: np.ndarray | None, half: int) -> str:
    if ours is None or theirs is None:
        return ""
    right, got = (ours[:half], ours[half:]), (theirs[:half], theirs[half:])
    if not right[0].any() or not got[0].any():
        return ""
    for rule, holds in _RULES:
        if holds(*right).all():
            broken = ~holds(*got)
            own = next((other for other, test in _RULES if test(*got).all()), "")
            in_proportion = own not in ("", "grow", "fall", "stay", "change sign")
            if rule in ("grow", "fall") and in_proportion and not broken.any():
                return f"When {words}, {name} must {rule}, but not in proportion; yours {_third(own)}."
            yours = f"yours {_third(own)}" if own else "yours does not" if broken.all() else "yours does not always"
            return f"When {words}, {name} must {rule}; {yours}." if broken.any() else ""
    still = _ratio(1.0)(*right)
    if still.any() and not _ratio(1.0)(*got)[still].any():
        return f"There are cases in which {name} must stay when {words}; yours does not."
    return ""


def _third(words: str) -> str:
    first, _, rest = words.partition(" ")
    return " ".join(filter(None, [f"{first}s", rest]))


def _changes(task: Task, case: tuple) -> Iterator[tuple[str, Callable[[tuple], tuple]]]:
    for i, (name, value) in enumerate(zip(task.inputs, case)):
        numbers = as_numbers(value)
        if numbers is None or isinstance(value, bool) or numbers.dtype.kind == "b":
            continue
        if numbers.dtype.kind == "f" or numbers.ndim == 0:
            yield f"{name} is doubled", with_input(i, lambda x: x * 2)
        if numbers.ndim:
            yield f"{name} comes in the opposite order", with_input(i, lambda x: np.asarray(x)[::-1].copy())
    for i, j in itertools.combinations(range(len(case)), 2):
        a, b = as_numbers(case[i]), as_numbers(case[j])
        if a is not None and b is not None and a.shape == b.shape and a.ndim:
            yield f"{task.inputs[i]} and {task.inputs[j]} change places", exchanged(i, j)
