"""Patterns over all cases of a wrong answer, where no misconception fits.

Three things are looked for, in this order:

- the results of a right answer for *other* inputs: two exchanged, one cut to whole numbers, without its
  sign, half a pixel off (:func:`other_inputs`);
- one value of several changed, or words exchanged (:func:`one_value`, :func:`swapped_words`);
- right results but for a constant factor or difference, or one made of the inputs
  (:func:`robotlab.practice.scales.scale`).

From the function's code itself: an input that is never used (:func:`unused_inputs`).
"""

from __future__ import annotations

import dis
import itertools
from collections.abc import Callable, Container, Iterator, Sequence
from functools import partial
from types import FunctionType
from typing import Any

import numpy as np

from robotlab.practice.comparing import agree, as_numbers, by_value
from robotlab.practice.general_misconceptions import ALONE, GENERAL, makes
from robotlab.practice.running import outcome_of
from robotlab.practice.scales import pairs_with_fractions, scale
from robotlab.practice.task import Task

Found = tuple[str, str]

PIXEL_CENTERS = (
    "The center of pixel 0 lies at 0.5, half a pixel from the picture's edge. Places are measured from that edge, "
    "0 to the width, so a place needs no 0.5 and the middle is width / 2, not (width - 1) / 2."
)
_WHY_CLOSE = (
    "Is something rounded on the way, is a constant too short, does a search go in steps that are too wide, or is it a "
    "rule that holds only nearly?"
)
# Words for a changed input, and the change: for numbers and arrays, for numbers alone, for arrays alone.
_CHANGES: tuple[tuple[str, Callable[[Any], Any]], ...] = (
    ("smaller by 1", lambda x: x - 1),
    ("larger by 1", lambda x: x + 1),
    ("half as large", lambda x: x / 2),
    ("twice as large", lambda x: x * 2),
    ("turned to degrees", np.degrees),
    ("turned to radians", np.radians),
)
_NUMBER_CHANGES: tuple[tuple[str, Callable[[Any], Any]], ...] = (
    ("cut off to a whole number (int or //)", np.trunc),
    ("rounded to a whole number", np.round),
    ("without its sign (abs)", np.abs),
    ("with the other sign", np.negative),
    ("never below 0", lambda x: np.maximum(x, 0)),
    *_CHANGES,
    ("squared", lambda x: x * x),
    ("0 or left out", lambda x: x * 0),
    ("1 or left out", lambda x: x * 0 + 1),
)
_ARRAY_CHANGES: tuple[tuple[str, Callable[[Any], Any]], ...] = (
    ("cut off to whole numbers (int or //)", np.trunc),
    ("without signs (abs)", np.abs),
    ("with all signs changed", np.negative),
    *_CHANGES,
    ("divided by 255", lambda x: x / 255),
    ("in the opposite order", lambda x: x[::-1].copy()),
    ("sorted", lambda x: np.sort(x, axis=0)),
)


def other_inputs(task: Task, cases: Sequence[tuple], got: Sequence[Any]) -> Found | None:
    """Changed inputs for which the learner's results would be right.

    Parameters
    ----------
    task : Task
        The task.
    cases : sequence of tuple
        Its plain cases.
    got : sequence of object
        The learner's, of these.

    Returns
    -------
    tuple of (str, str) or None
        A name and a sentence.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("field_of_view")
    >>> cases = task.cases()[: task.plain]
    >>> got = [task.reference(focal_mm, sensor_mm) for sensor_mm, focal_mm in cases]
    >>> other_inputs(task, cases, got)[0]
    'inputs exchanged'
    """
    if any(isinstance(one, str) for one in got):
        return None
    for name, says, change in _input_changes(task, cases[0]):
        for case, one in zip(cases, got):
            try:
                other = outcome_of(task.reference, change(case))
            except Exception:  # A change that this kind of input cannot take.
                break
            if other.kind != "value" or not task.agree(other.value, one):
                break
        else:
            return name, says
    return None


def _input_changes(task: Task, case: tuple) -> Iterator[tuple[str, str, Callable[[tuple], tuple]]]:
    as_if = "Your results would be right if"
    for i, j in itertools.combinations(range(len(case)), 2):
        if np.shape(case[i]) == np.shape(case[j]):
            says = f"{as_if} {task.inputs[i]} and {task.inputs[j]} had changed places."
            yield "inputs exchanged", says, exchanged(i, j)
    numbers = [i for i, value in enumerate(case) if as_numbers(value) is not None]
    for i in numbers:
        name = task.inputs[i]
        if np.ndim(case[i]) == 0 and name.endswith("px"):
            for half, change in ((0.5, lambda x: x + 0.5), (-0.5, lambda x: x - 0.5)):
                says = f"{as_if} {name} were {'larger' if half > 0 else 'smaller'} by half a pixel. {PIXEL_CENTERS}"
                yield "pixel centers", says, with_input(i, change)
        for words, change in _NUMBER_CHANGES if np.ndim(case[i]) == 0 else _ARRAY_CHANGES:
            says = f"{as_if} {name} were {words}."
            yield f"{name} changed", says, with_input(i, change)
    cut = {i: task.inputs[i] for i in numbers if np.asarray(case[i]).dtype.kind == "f"}
    if len(cut) > 1:
        says = f"{as_if} {' and '.join(cut.values())} held whole numbers only. Look for int(...) or //."
        yield ("inputs cut to whole numbers", says, partial(_cut, cut))


def with_input(place: int, change: Callable[[Any], Any]) -> Callable[[tuple], tuple]:
    """Cases with one input changed.

    Parameters
    ----------
    place : int
        Which input.
    change : callable
        From its value to another.

    Returns
    -------
    callable
        From a case to the changed one.

    Examples
    --------
    >>> with_input(1, np.negative)((1, 2, 3))
    (1, -2, 3)
    """

    def changed(case: tuple) -> tuple:
        value = change(case[place])
        return (*case[:place], value.item() if isinstance(value, np.generic) else value, *case[place + 1 :])

    return changed


def exchanged(i: int, j: int) -> Callable[[tuple], tuple]:
    """Cases with two inputs in each other's place.

    Parameters
    ----------
    i, j : int
        Which inputs.

    Returns
    -------
    callable
        From a case to the changed one.

    Examples
    --------
    >>> exchanged(0, 2)(("a", "b", "c"))
    ('c', 'b', 'a')
    """
    return lambda case: tuple(case[{i: j, j: i}.get(place, place)] for place in range(len(case)))


def _cut(places: Container[int], case: tuple) -> tuple:
    return tuple(np.trunc(one) if i in places else one for i, one in enumerate(case))


def one_value(task: Task, cases: Sequence[tuple], right: Sequence[Any], got: Sequence[Any]) -> Found | None:
    """How one value of several is changed, when all the others are right.

    Parameters
    ----------
    task : Task
        The task.
    cases : sequence of tuple
        Its plain cases.
    right : sequence of object
        Their right results.
    got : sequence of object
        The learner's.

    Returns
    -------
    tuple of (str, str) or None
        A name and a sentence.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> one_value(task_named("p_law"), [(0.5,) * 7] * 2, [(1.0, 2.0), (3.0, -4.0)], [(1.0, -2.0), (3.0, 4.0)])[0]
    'sign of value 2'
    """
    places = [k for k, (r, one) in enumerate(zip(right, got)) if not (r is None and one is None)]
    cases, right, got = ([all_of[k] for k in places] for all_of in (cases, right, got))
    columns = by_value(right, got) if right and isinstance(right[0], tuple) else []
    wrong = [i for i, (_, ours, theirs) in enumerate(columns) if not all(map(task.agree, ours, theirs))]
    if len(wrong) != 1:
        return None
    name, ours, theirs = columns[wrong[0]]
    for place, given in enumerate(task.inputs):
        if all(agree(case[place], one, 0, 0) for case, one in zip(cases, theirs)):
            says = f"{name.capitalize()} of {len(columns)} is {given} as it came in. Something must be done to it."
            return f"{name} unchanged", says
    only = f"Only {name} of {len(columns)} is not right. There:"
    for general in (*GENERAL, *ALONE):
        if makes(general, task, ours, theirs):
            return f"{general.name} of {name}", f"{only} {general.says}"
    found = scale(task, cases, ours, theirs)
    return (f"{found[0]} in {name}", f"{only} {found[1]}") if found else None


def nearly_right(right: Sequence[Any], got: Sequence[Any]) -> Found | None:
    """Whether all results lie close to the right ones.

    Parameters
    ----------
    right : sequence of object
        Right results of the plain cases.
    got : sequence of object
        The learner's, of these.

    Returns
    -------
    tuple of (str, str) or None
        A name and a sentence.

    Examples
    --------
    >>> nearly_right([1.0, 2.0, 3.0], [1.004, 2.004, 3.004])[0]
    'close, and not equal'
    """
    pairs = pairs_with_fractions(right, got)
    if pairs is None:
        return None
    a, b = (np.concatenate([np.ravel(pair[k]) for pair in pairs]).astype(float) for k in (0, 1))
    spread = float(np.ptp(a)) if a.size else 0.0
    gap = float(np.abs(a - b).max()) if a.size else 0.0
    some_right = any(np.allclose(r, g, rtol=1e-9, atol=0) for r, g in pairs)
    if not (spread > 0 and np.isfinite(b).all() and gap < 0.02 * spread) or some_right:
        return None
    says = f"Your results are close to the right ones, at most {gap:.2g} off, and not equal. {_WHY_CLOSE}"
    return "close, and not equal", says


def swapped_words(right: Sequence[Any], got: Sequence[Any]) -> Found | None:
    """Whether the answer decides rightly and gives one word for another throughout.

    Parameters
    ----------
    right : sequence of object
        Right results of the plain cases.
    got : sequence of object
        The learner's.

    Returns
    -------
    tuple of (str, str) or None
        A name and a sentence.

    Examples
    --------
    >>> swapped_words(["go", "stop", "go"], ["stop", "go", "stop"])[0]
    'words exchanged'
    """
    if not all(isinstance(r, str) and isinstance(g, str) for r, g in zip(right, got)):
        return None
    pairs = set(zip(right, got))
    asked, given = {r for r, _ in pairs}, {g for _, g in pairs}
    if asked != given or len(pairs) != len(asked):
        return None
    wrong = sorted(f'"{g}" for "{r}"' for r, g in pairs if r != g)
    return "words exchanged", f"You tell the cases apart rightly and give {', '.join(wrong)}."


def unused_inputs(task: Task, function: Callable) -> Found | None:
    """Inputs that a function never reads, and the names from outside that it reads in their place.

    Parameters
    ----------
    task : Task
        The task.
    function : callable
        The learner's.

    Returns
    -------
    tuple of (str, str) or None
        A name and a sentence; None where all inputs are used, or where that cannot be told.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> unused_inputs(task_named("field_of_view"), lambda sensor_mm, focal_mm: sensor_mm / 3.04)[1]
    'Your function never uses focal_mm. The result depends on it.'
    """
    if not isinstance(function, FunctionType):
        return None
    code = function.__code__
    names = code.co_varnames[: code.co_argcount]
    used = {name for step in dis.get_instructions(code) if "LOAD" in step.opname for name in _several(step.argval)}
    missing = [name for name in names if name not in used and name not in code.co_cellvars]
    if not missing or missing == list(names) or len(names) != len(task.inputs):
        return None
    data = int | float | np.ndarray | list | tuple
    outside = [name for name in code.co_names if isinstance(function.__globals__.get(name), data)]
    taken = f" It reads {' and '.join(outside)} from outside in place of it." if outside else ""
    one = "it" if len(missing) == 1 else "them"
    says = f"Your function never uses {' and '.join(missing)}.{taken} The result depends on {one}."
    return "an input that is not used", says


def _several(argument: Any) -> tuple:
    """Python 3.13 loads two names in one step."""
    return argument if isinstance(argument, tuple) else (argument,)
