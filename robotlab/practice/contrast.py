"""Say in words in which cases a wrong answer fails and in which it does not."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from robotlab.practice.comparing import as_numbers
from robotlab.practice.task import Task


def where_it_fails(task: Task, cases: Sequence[tuple], right: Sequence[Any], failing: Sequence[int], tried: int) -> str:
    """What the failing cases have in common that the others have not.

    Parameters
    ----------
    task : Task
        The task.
    cases : sequence of tuple
        All cases.
    right : sequence of object
        Their right results.
    failing : sequence of int
        Which of them fail.
    tried : int
        How many were tried, from the first on.

    Returns
    -------
    str
        A sentence; empty where all fail or nothing tells them apart.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("choose")
    >>> cases = [(1.0, 2.0, 0.5), (-1.0, 2.0, 0.5), (0.6, 0.7, 0.5), (-3.0, -2.0, 0.5)]
    >>> where_it_fails(task, cases, [task.reference(*case) for case in cases], [1], 4)
    'It fails in 1 of 4 cases: wherever low_m has another sign than high_m, and nowhere else.'
    """
    if not 0 < len(failing) < tried:
        return ""
    with np.errstate(invalid="ignore"):  # NaN is a case like any other.
        table = [_properties(task, case, result) for case, result in zip(cases[:tried], right)]
    count = f"It fails in {len(failing)} of {tried} cases"
    words = list(dict.fromkeys(itertools.chain.from_iterable(table)))
    words.sort(key=lambda word: word.startswith("all of"))  # Last: it holds by chance more often.
    # Drawn numbers are mostly fractions, so where most cases fail that says nothing.
    if len(failing) > tried / 2:
        words = [
            word for word in words if not re.search("fractions|whole number|odd|large numbers|not square|^all of", word)
        ]
    having = {word: [i for i, row in enumerate(table) if word in row] for word in words}
    passing = [i for i in range(tried) if i not in failing]
    for word, where in having.items():
        if where == list(failing):
            return f"{count}: wherever {word}, and nowhere else."
    for word, where in having.items():
        if where == passing and 1 < len(passing) < tried / 2:
            return f"{count}: it is right only where {word}."
    for word, where in having.items():
        if set(failing) < set(where) and len(where) <= tried / 2:
            return f"{count}, and only where {word}."
    return f"{count}; the others are right."


def _properties(task: Task, case: tuple, result: Any) -> list[str]:
    """What is true of one case, in words."""
    found = []
    named = [(name, value) for name, value in zip(task.inputs, case) if as_numbers(value) is not None]
    for name, value in named:
        numbers = np.asarray(value)
        if isinstance(value, bool | np.bool_):
            found.append(f"{name} is {bool(value)}")
            continue
        if numbers.ndim == 0:
            tests = {
                "is 0": numbers == 0,
                "is negative": numbers < 0,
                "is not a number (NaN)": numbers != numbers,
                "is not a whole number": numbers % 1 != 0,
                "is odd": numbers % 2 == 1,
                "is 1": numbers == 1 and numbers.dtype.kind in "iu",
                "is 2": numbers == 2 and numbers.dtype.kind in "iu",
            }
        else:
            tests = {
                "is empty": numbers.size == 0,
                "has one row only": len(numbers) == 1,
                "holds large numbers, above 500 or below -500": bool((np.abs(numbers.astype(float)) > 500).any()),
                "holds negative numbers": bool((numbers < 0).any()) if numbers.dtype.kind != "b" else False,
                "holds equal values": numbers.ndim == 1
                and name not in ("a", "b", "box")
                and len(np.unique(numbers)) < numbers.size,
                "holds fractions": bool((numbers % 1 != 0).any()) if numbers.dtype.kind == "f" else False,
                "is not square": numbers.ndim == 2 and numbers.shape[0] != numbers.shape[1],
                "is a box without area": name in ("a", "b", "box") and numbers.shape == (4,) and _has_no_area(numbers),
                "is all False": numbers.dtype.kind == "b" and not numbers.any(),
            }
        found += [f"{name} {words}" for words, holds in tests.items() if holds]
    for (first, a), (second, b) in itertools.combinations(named, 2):
        if np.ndim(a) == np.ndim(b) == 0:
            found += [f"{first} equals {second}"] if a == b else []
            if _unit(first) == _unit(second):
                found += [f"{first} is larger than {second}"] if a > b else []
                found += [f"{first} is smaller than {second}"] if a < b else []
            found += [f"{first} has another sign than {second}"] if a * b < 0 else []
        elif np.ndim(a) and np.ndim(b) and np.shape(a) == np.shape(b) and np.size(a):
            found += [f"{first} and {second} are the same"] if np.array_equal(a, b) else []
        elif np.ndim(a) == 2 and np.ndim(b) == 1 and np.asarray(b).dtype.kind in "iu" and len(a) == len(b) > 0:
            found += [f"no value of {second} is the last column of {first}"] if np.max(b) + 1 < np.shape(a)[1] else []
        elif np.ndim(a) == 0 or np.ndim(b) == 0:
            (one, number), (many, array) = ((first, a), (second, b)) if np.ndim(a) == 0 else ((second, b), (first, a))
            found += [f"{one} is one of the values of {many}"] if (np.asarray(array) == number).any() else []
            found += [f"{one} is more than {many} is long"] if number > len(array) else []
            if np.ndim(array) == 1 and len(array) and not isinstance(number, bool):
                found += [f"all of {many} are at least {one}"] if np.min(array) >= number else []
                found += [f"all of {many} are below {one}"] if np.max(array) < number else []
    return found + _properties_of_result(result)


def _unit(name: str) -> str:
    return name.rpartition("_")[2] if "_" in name else ""


def _has_no_area(box: np.ndarray) -> bool:
    return bool(box[0] == box[2] or box[1] == box[3])


def _properties_of_result(result: Any) -> list[str]:
    if result is None or isinstance(result, str):
        return [f'the right result is "{result}"' if result is not None else "the right result is None"]
    if isinstance(result, tuple):
        values = [(f"value {i + 1} of the right result", np.asarray(one)) for i, one in enumerate(result)]
        return [said for name, value in values if value.ndim == 0 for said in _properties_of_number(name, value)]
    numbers = np.asarray(result)
    if numbers.ndim == 0:
        return _properties_of_number("the right result", numbers)
    tests = {
        "is empty": numbers.size == 0,
        "holds -1": bool((numbers == -1).any()),
        "holds nothing but 0": not numbers.any(),
    }
    return [f"the right result {words}" for words, holds in tests.items() if holds]


def _properties_of_number(name: str, number: np.ndarray) -> list[str]:
    tests = {"is 0": number == 0, "is negative": number < 0, "is 1": number == 1}
    return [f"{name} {words}" for words, holds in tests.items() if holds]
