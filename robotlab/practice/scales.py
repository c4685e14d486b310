"""Whether results differ from the right ones by a factor or an offset, constant or made of the inputs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from robotlab.practice.comparing import as_numbers
from robotlab.practice.task import Task

# Factors that have a name; 57.3 and 3600 are the likeliest of all.
_NAMED = {
    math.pi: "π",
    2 * math.pi: "2π",
    180 / math.pi: "180/π, as between degrees and radians",
    math.sqrt(2): "√2",
    3.0: "3",
    4.0: "4 = 2², as where a half or a double is used twice or squared",
    10.0: "10",
    60.0: "60, as between seconds, minutes and hours",
    100.0: "100",
    255.0: "255, as between bytes and parts",
    1000.0: "1000",
    3600.0: "3600, as between seconds and hours",
    1e6: "1 000 000 = 1000²",
}
# How an input multiplies or divides a result, and the question that follows.
_FACTORS = {"times": ("{}", "used once too often, or missing below"), "over": ("1/{}", "missing, or too much below")}
# Powers of an input that may be missing or too much, plain ones first.
_POWERS = {1.0: "{}", -1.0: "{}", 2.0: "{}²", -2.0: "{}²", 0.5: "√{}", -0.5: "√{}"}

# "times" or "over", what is made of the inputs, and its value for each number of the results.
_Made = tuple[str, str, np.ndarray]


def scale(task: Task, cases: Sequence[tuple], right: Sequence[Any], got: Sequence[Any]) -> tuple[str, str] | None:
    """A factor or difference between the learner's results and the right ones.

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
    >>> task = task_named("safe_speed")
    >>> cases = [(n, 2.0, n / 7) for n in (1.0, 2.0, 3.0, 4.0)]
    >>> scale(task, cases, [1.0, 2.0, 3.0, 4.0], [3.5, 7.0, 10.5, 14.0])[0]
    'a constant factor'
    >>> scale(task, cases, [1.0, 2.0, 3.0, 4.0], [1, 4, 9, 16])[1]
    'Each of your results is the right one times clear_m: is it used once too often, or missing below a fraction bar?'
    """
    pairs = pairs_with_fractions(right, got)
    if pairs is None:
        return None
    a, b = (np.concatenate([np.ravel(pair[k]) for pair in pairs]).astype(float) for k in (0, 1))
    sizes = [np.size(r) for r, _ in pairs]
    if not np.isfinite(b).all() or len(np.unique(np.round(a, 6))) < 3:
        return None
    made = list(_made_of_inputs(task, cases, sizes))
    return _factor(a, b, made) or _difference(a, b, made, max(task.atol, 1e-9))


def pairs_with_fractions(right: Sequence[Any], got: Sequence[Any]) -> list[tuple[np.ndarray, np.ndarray]] | None:
    """Right results with fractions beside the learner's, where all have the same shape.

    Parameters
    ----------
    right : sequence of object
        Right results.
    got : sequence of object
        The learner's.

    Returns
    -------
    list of (ndarray, ndarray) or None
        None where any is something else.

    Examples
    --------
    >>> pairs_with_fractions([1, 2], [1, 2]) is None
    True
    """
    pairs = []
    for one, other in zip(right, got):
        r, g = as_numbers(one), as_numbers(other)
        if r is None or g is None or r.shape != g.shape or r.dtype.kind != "f":
            return None
        pairs.append((r, g))
    return pairs


def _factor(a: np.ndarray, b: np.ndarray, made: list[_Made]) -> tuple[str, str] | None:
    used = np.abs(a) > 1e-9
    if used.sum() < 3 or b[~used].any() or not b[used].all():
        return None
    ratio = b[used] / a[used]
    factor = float(np.median(ratio))
    if np.allclose(ratio, factor, rtol=1e-6, atol=0):
        size = abs(factor)
        for value, words in _NAMED.items():
            if np.isclose(size, value, rtol=1e-4) or np.isclose(size, 1 / value, rtol=1e-4):
                more = "too large" if size > 1 else "too small"
                return "a constant factor", f"Each of your results is {more} by the factor {words}."
        too = "a constant factor is missing or too much"
        return "a constant factor", f"Each of your results is {factor:.4g} times what it should be: {too}."
    for kind, shown, values in made:
        with np.errstate(all="ignore"):
            rest = ratio / values[used]
        for times, before in ((1.0, ""), (2.0, "2·"), (0.5, "½·")):
            if np.allclose(rest, times, rtol=1e-6, atol=0):
                form, why = _FACTORS[kind]
                says = f"Each of your results is the right one times {before}{form.format(shown)}: is it {why} a fraction bar?"
                return "a factor of the inputs", says
    return None


def _difference(a: np.ndarray, b: np.ndarray, made: list[_Made], atol: float) -> tuple[str, str] | None:
    gap = b - a
    difference = float(np.median(gap))
    if np.allclose(gap, difference, rtol=1e-6, atol=atol):
        more = "more" if difference > 0 else "less"
        return "a constant difference", f"Each of your results is {abs(difference):.4g} {more} than it should be."
    for kind, shown, values in made:
        for sign, more in ((1, "more"), (-1, "less")):
            if kind == "times" and np.allclose(gap, sign * values, rtol=1e-6, atol=atol):
                says = f"Each of your results is {more} than the right one by exactly {shown}: a term is missing or too much."
                return "a term of the inputs", says
    return None


def _made_of_inputs(task: Task, cases: Sequence[tuple], sizes: list[int]) -> Iterator[_Made]:
    """Powers of one input, and products and quotients of two; lengths of arrays count too."""
    columns: dict[str, np.ndarray] = {}
    for i, name in enumerate(task.inputs):
        shapes = [np.shape(case[i]) for case in cases]
        if all(isinstance(case[i], int | float) for case in cases):
            columns[name] = np.array([float(case[i]) for case in cases])
        elif all(shapes):
            columns[f"len({name})"] = np.array([float(shape[0]) for shape in shapes])
            if all(len(shape) == 2 for shape in shapes):
                columns[f"{name}.shape[1]"] = np.array([float(shape[1]) for shape in shapes])
    columns = {name: values for name, values in columns.items() if len(np.unique(values)) > 2 and values.all()}
    for name, values in columns.items():
        for power, words in _POWERS.items():
            if power in (0.5, -0.5) and (values < 0).any():
                continue
            yield "times" if power > 0 else "over", words.format(name), np.repeat(values**power, sizes)
    for (one, x), (other, y) in itertools.permutations(columns.items(), 2):
        if one < other:
            yield "times", f"{one}·{other}", np.repeat(x * y, sizes)
            yield "over", f"({one}·{other})", np.repeat(1 / (x * y), sizes)
        yield "times", f"{one}/{other}", np.repeat(x / y, sizes)
