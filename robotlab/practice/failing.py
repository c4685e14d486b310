"""What the failing cases have in common: in their results, and in the lines that they run."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Sequence
from types import FrameType
from typing import Any

import numpy as np

from robotlab.practice.comparing import as_numbers, by_value
from robotlab.practice.plain_source import plain_copy
from robotlab.practice.running import Outcome, run_cases
from robotlab.practice.showing import listed
from robotlab.practice.task import Task

# A change of the right number, and words for it.
_CHANGES = (
    ("has the right size and the wrong sign", np.negative),
    ("has the right size and lost its sign", np.abs),
    ("is 1 too large", lambda x: x + 1),
    ("is 1 too small", lambda x: x - 1),
    ("is 360 too large", lambda x: x + 360),
    ("is 360 too small", lambda x: x - 360),
    ("points the opposite way, 180 from the right one", lambda x: (x + 180) % 360),
    ("is twice the right one", lambda x: 2 * x),
    ("is half of the right one", lambda x: x / 2),
)
_CONSTANTS = (0, 1, -1)
# For the second run, in which the lines are noted; the first ended within its own limit.
_LIMIT_S = 4.0


def in_failing(
    task: Task, cases: Sequence[tuple], right: Sequence[Any], got: Sequence[Outcome], failing: Sequence[int]
) -> str:
    """How the results of the failing cases alone differ from the right ones.

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
    failing : sequence of int
        Which fail.

    Returns
    -------
    str
        A sentence; empty where they have nothing in common.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> got = [Outcome("value", 1.0), Outcome("value", -2.0), Outcome("value", -4.0)]
    >>> in_failing(task_named("safe_speed"), [(1, 1, 1)] * 3, [1.0, 2.0, 4.0], got, [1, 2])
    'Where it fails, your result has the right size and the wrong sign.'
    """
    if any(got[i].kind != "value" for i in failing):
        return ""
    rights, results = [right[i] for i in failing], [got[i].value for i in failing]
    if all(isinstance(one, str) for one in (*rights, *results)):
        return _words(sorted({one for one in right if isinstance(one, str)}), rights, results)
    name, some = "your result", len(failing) < len(cases)
    if all(isinstance(one, tuple) for one in rights):
        wrong = [one for one in by_value(rights, results) if not all(map(task.agree, one[1], one[2]))]
        if len(wrong) != 1:
            return ""
        name, rights, results = wrong[0]
    return _of_numbers(task, [cases[i] for i in failing], rights, results, name, some)


def _words(asked: list[str], rights: Sequence[str], results: Sequence[str]) -> str:
    own = sorted(set(results) - set(asked))
    if own and not {one.strip().casefold() for one in own} & {one.casefold() for one in asked}:
        return f"{_quoted(own)} {'is' if len(own) == 1 else 'are'} none of the answers asked for: {_quoted(asked)}."
    pairs = Counter(zip(rights, results))
    if own or len(pairs) > 2:
        return ""
    said = [f'"{g}" where "{r}" is right ({times} times)' for (r, g), times in sorted(pairs.items())]
    return f"You answer {' and '.join(said).replace('(1 times)', '(once)')}."


def _quoted(words: Sequence[str]) -> str:
    return listed([f'"{one}"' for one in words])


def _of_numbers(
    task: Task, cases: Sequence[tuple], rights: Sequence[Any], results: Sequence[Any], name: str, some: bool
) -> str:
    ours, theirs = [as_numbers(one) for one in rights], [as_numbers(one) for one in results]
    if any(r is None or g is None or r.ndim or g.ndim or r.dtype.kind == "b" for r, g in zip(ours, theirs)):
        return ""
    a, b = (np.array([float(one) for one in side if one is not None]) for side in (ours, theirs))
    begins = "Where it fails, " if some else ""
    text = name if begins else name[0].upper() + name[1:]
    if np.isnan(b).all():
        return ""
    for i, given in enumerate(task.inputs):
        if all(isinstance(case[i], int | float) for case in cases):
            values = np.array([float(case[i]) for case in cases])
            if np.allclose(values, b, rtol=1e-9, atol=0) and len(np.unique(values)) > 1:
                return f"{begins}{text} is {given} as it came in."
    for number in _CONSTANTS:
        if len(b) > 1 and (b == number).all() and len(np.unique(a)) > 1:
            return f"{begins}{text} is {number} every time."
    if begins and not b.any():
        return f"{begins}{text} is 0."
    if len(b) > 1:
        for words, change in _CHANGES:
            if np.allclose(change(a), b, rtol=task.rtol, atol=max(task.atol, 1e-9)):
                return f"{begins}{text} {words}."
    if name == "your result":  # The verdict says that already.
        return ""
    if len(b) > 2 and (b > a).all():
        return f"{begins}{text} is too large every time."
    if len(b) > 2 and (b < a).all():
        return f"{begins}{text} is too small every time."
    return ""


def lines_of_failing(function: Callable, cases: Sequence[tuple], failing: Sequence[int]) -> str:
    """A line of the learner's that is run in all failing cases and in no other.

    Parameters
    ----------
    function : callable
        The learner's; a copy is run, if it does nothing but compute.
    cases : sequence of tuple
        All cases.
    failing : sequence of int
        Which fail.

    Returns
    -------
    str
        A sentence; empty where there is no such line.

    Examples
    --------
    >>> lines_of_failing(len, [], [])
    ''
    """
    if not 0 < len(failing) < len(cases) or sys.gettrace() is not None:
        return ""
    plain = plain_copy(function)
    if plain is None:
        return ""
    copied, source = plain
    seen: list[set[int]] = [set() for _ in cases]
    place = [0]

    def note(frame: FrameType, event: str, _: Any) -> Any:
        if frame.f_code is not copied.__code__:
            return None
        if event == "line":
            seen[place[0]].add(frame.f_lineno)
        return note

    def traced(*inputs: Any) -> Any:
        sys.settrace(note)
        try:
            return copied(*inputs)
        finally:
            sys.settrace(None)
            place[0] += 1

    if any(one.kind in ("hang", "flood") for one in run_cases(traced, cases, _LIMIT_S)):
        return ""
    elsewhere = set().union(*(lines for i, lines in enumerate(seen) if i not in failing))
    only = sorted(set.intersection(*(seen[i] for i in failing)) - elsewhere)
    if not only:
        return ""
    line = source.splitlines()[only[0] - 1].strip()
    return f"All cases that fail, and no others, go through line {only[0]}, `{line}`."
