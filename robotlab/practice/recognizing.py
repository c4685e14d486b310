"""Recognize the misconception behind a learner's results: a known one, a general one, or changed inputs."""

from __future__ import annotations

import copy
from collections import deque
from collections.abc import Sequence
from typing import Any

import numpy as np

from robotlab.practice.comparing import as_numbers
from robotlab.practice.general_misconceptions import ALONE, GENERAL, changed, makes
from robotlab.practice.one_edit import Known
from robotlab.practice.patterns import one_value, other_inputs, swapped_words
from robotlab.practice.running import Outcome, outcomes_of
from robotlab.practice.scales import scale
from robotlab.practice.task import Misconception, Task

_ZEROS = (
    "Every number in your results is 0, whatever the inputs. Is a value computed and not used, or an array made and "
    "never filled?"
)

# What the words of an input say all of.
_PLAIN = (int, float, complex, str, bytes, type(None), np.generic)
# What the misconceptions of the last tasks give: they, the cases, and their outcomes.
_kept: deque[tuple[tuple[Misconception, ...], list, list[tuple[Misconception, list[Outcome]]]]] = deque(maxlen=4)


def recognize(
    task: Task, cases: Sequence[tuple], right: Sequence[Any], got: Sequence[Outcome]
) -> tuple[str, str, bool] | None:
    """Name and sentence of the misconception that gives the learner's results, if there is one.

    In every case at best; else in all but those edges where the learner's
    function fails in its own way; else in all plain cases.

    Parameters
    ----------
    task : Task
        The task.
    cases : sequence of tuple
        All cases.
    right : sequence of object
        Their right results.
    got : sequence of Outcome
        The learner's.

    Returns
    -------
    tuple of (str, str, bool) or None
        The name, the sentence, and whether it holds for inputs at the border too.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("field_of_view")
    >>> cases, right = task.cases(), [task.reference(*case) for case in task.cases()]
    >>> got = [Outcome("value", one / 2) for one in right]
    >>> recognize(task, cases, right, got)[0]
    'half the angle'
    """
    spellings = _given(task, cases)
    plain = range(task.plain)
    everywhere = range(len(cases))
    usable = [i for i in everywhere if i < task.plain or (got[i].kind == "value" and not _has_nan(got[i].value))]
    for places in (everywhere, usable, plain):
        if _is_right(task, right, got, places):
            return None
        for misconception, outcomes in spellings:
            if all(_alike(task, outcomes[i], got[i]) for i in places):
                return misconception.name, misconception.says, places is not plain
    if any(got[i].kind != "value" for i in plain):
        return None
    ours, theirs = right[: task.plain], [one.value for one in got[: task.plain]]
    alike = _all_alike(ours, theirs)
    if alike:
        return *alike, True
    general_misconceptions = [general for general in GENERAL if general.may_be_in(task.unit)]
    for general in general_misconceptions:
        if makes(general, task, ours, theirs):
            return general.name, general.says, True
    for misconception, outcomes in spellings:  # Two mistakes at once.
        if any(outcomes[i].kind != "value" for i in plain) or _is_right(task, right, outcomes, plain):
            continue
        for general in general_misconceptions:
            if makes(general, task, [outcomes[i].value for i in plain], theirs):
                name = f"{misconception.name}, and {general.name}"
                says = f"Two things at once. {misconception.says} When that is fixed, look at this: {general.says}"
                return name, says, False
    return None


def _given(task: Task, cases: Sequence[tuple]) -> list[tuple[Misconception, list[Outcome]]]:
    """What each spelling of each misconception gives; a learner tries the same task again and again, so it is kept."""
    for misconceptions, old, given in tuple(_kept):
        if misconceptions is task.misconceptions and _same(old, list(cases)):
            return given
    given = _outcomes(task.misconceptions, cases)
    _kept.append((task.misconceptions, copy.deepcopy(list(cases)), given))
    return given


def _same(old: Any, new: Any) -> bool:
    """Whether inputs are the same to the last bit, and of one type."""
    if type(old) is not type(new):
        return False
    if isinstance(old, np.ndarray):
        return (old.shape, old.dtype, old.tobytes()) == (new.shape, new.dtype, new.tobytes())
    if isinstance(old, list | tuple):
        return len(old) == len(new) and all(map(_same, old, new))
    if isinstance(old, dict):
        return list(old) == list(new) and all(map(_same, old.values(), new.values()))
    # Of other objects the words need not say all: their misconceptions are tried again.
    return isinstance(old, _PLAIN) and repr(old) == repr(new)


def _outcomes(
    misconceptions: Sequence[Misconception], cases: Sequence[tuple]
) -> list[tuple[Misconception, list[Outcome]]]:
    return [
        (misconception, outcomes_of(function, cases))
        for misconception in misconceptions
        for function in (misconception.function, *misconception.also)
    ]


def _all_alike(right: Sequence[Any], got: Sequence[Any]) -> tuple[str, str] | None:
    """Results of one value, empty ones, or zeros, whatever the inputs."""
    results = [as_numbers(one) for one in got]
    numbers = _together(results)
    shaped = all(
        one is not None and r is not None and one.shape == r.shape for one, r in zip(results, map(as_numbers, right))
    )
    if shaped and numbers.dtype.kind != "b" and numbers.any() and (numbers == numbers[0]).all():
        return "the same for all inputs", f"Every number in your results is {numbers[0]:.6g}, whatever the inputs."
    if not numbers.size and all(one is not None for one in results) and any(map(np.size, right)):
        return "nothing in it", "Your result is empty every time: what drops or leaves out everything?"
    # Rounding makes some zeros.
    if all(one is not None and one.dtype.kind != "b" and not one.any() for one in results):
        return "nothing but zeros", _ZEROS
    return None


def pattern(task: Task, cases: Sequence[tuple], right: Sequence[Any], got: Sequence[Outcome]) -> tuple[str, str] | None:
    """Name and sentence of what the results of the plain cases have in common.

    Parameters
    ----------
    task : Task
        The task.
    cases : sequence of tuple
        All cases.
    right : sequence of object
        Their right results.
    got : sequence of Outcome
        The learner's.

    Returns
    -------
    tuple of (str, str) or None
        The name and the sentence.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("field_of_view")
    >>> cases, right = task.cases(), [task.reference(*case) for case in task.cases()]
    >>> got = [Outcome("value", one + 0.7) for one in right]
    >>> pattern(task, cases, right, got)[0]
    'a constant difference'
    """
    plain = range(task.plain)
    if _is_right(task, right, got, plain) or any(got[i].kind != "value" for i in plain):
        return None
    ours, theirs = right[: task.plain], [one.value for one in got[: task.plain]]
    cases = cases[: task.plain]
    alone = next((one for one in ALONE if makes(one, task, ours, theirs)), None)
    return (
        one_value(task, cases, ours, theirs)
        or swapped_words(ours, theirs)
        or other_inputs(task, cases, theirs)
        or (alone and (alone.name, alone.says))
        or scale(task, cases, ours, theirs)
    )


def known_mistakes(task: Task, cases: Sequence[tuple], right: Sequence[Any], order: Sequence[int]) -> list[Known]:
    """What each known mistake gives, in the plain cases that it gets wrong mostly.

    Parameters
    ----------
    task : Task
        The task.
    cases : sequence of tuple
        All cases.
    right : sequence of object
        Their right results.
    order : sequence of int
        The order in which they will be tried.

    Returns
    -------
    list of (str, sequence, bool)
        As :func:`robotlab.practice.one_edit.one_edit` takes them.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("field_of_view")
    >>> cases, right = task.cases(), [task.reference(*case) for case in task.cases()]
    >>> known_mistakes(task, cases, right, range(len(cases)))[0][0]
    'Your results have the right size and the wrong sign.'
    """
    found: list[Known] = []
    for general in GENERAL:
        if general.may_be_in(task.unit) and right[order[0]] is not None:
            wrong = [changed(general, right[i]) if i < task.plain else None for i in order]
            found.append((general.says, wrong, True))
    spellings = _given(task, cases)
    for misconception in task.misconceptions:
        given = next(outcomes for one, outcomes in spellings if one is misconception)
        outcomes = [given[i] for i in order]
        if all(one.kind == "value" for one, i in zip(outcomes, order) if i < task.plain):
            wrong = [one.value if i < task.plain else None for one, i in zip(outcomes, order)]
            found.append((misconception.says, wrong, False))

    def is_mostly_wrong(wrong: Sequence[Any]) -> bool:
        pairs = [(right[i], result) for result, i in zip(wrong, order) if result is not None]
        return sum(not task.agree(one, result) for one, result in pairs) > task.plain / 2

    return [
        (says, wrong, common)
        for says, wrong, common in found
        if wrong[0] is not None and _tells_apart(wrong, common) and is_mostly_wrong(wrong)
    ]


def _tells_apart(results: Sequence[Any], common: bool) -> bool:
    """Whether results differ enough that another answer does not give them by chance."""
    known = [one for one in results if one is not None]
    if any(isinstance(one, str) for one in known):
        return common and len(set(known)) > 1
    numbers = _together([as_numbers(one) for one in known])
    if numbers.dtype.kind != "f":  # Counts and masks agree by chance.
        return common and len(np.unique(numbers)) > 1
    return len(np.unique(numbers)) > 3


def _together(results: Sequence[np.ndarray | None]) -> np.ndarray:
    return np.concatenate([np.ravel(one) for one in results if one is not None] or [np.zeros(0)])


def _is_right(task: Task, right: Sequence[Any], got: Sequence[Outcome], places: Sequence[int]) -> bool:
    """Whether results are right in these cases, but perhaps for their type."""
    return all(got[i].kind == "value" and task.agree(right[i], got[i].value) for i in places)


def _has_nan(value: Any) -> bool:
    numbers = as_numbers(value)
    return numbers is not None and numbers.dtype.kind == "f" and bool(np.isnan(numbers).any())


def _alike(task: Task, misconception: Outcome, got: Outcome) -> bool:
    if misconception.kind == "raised" or got.kind == "raised":
        return misconception.kind == got.kind and type(misconception.error) is type(got.error)
    return task.agree(misconception.value, got.value)
