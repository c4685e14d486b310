"""Compare a learner's result with the expected one, and say what differs."""

from __future__ import annotations

import inspect
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Difference:
    """Why a result is not the right one.

    Parameters
    ----------
    kind : {"type", "shape", "nan", "value"}
        The first rule it breaks.
    says : str
        One or two sentences, without the answer.
    """

    kind: str
    says: str


def compare(expected: Any, got: Any, rtol: float, atol: float) -> Difference | None:
    """The first difference between a result and the expected one, or None.

    Parameters
    ----------
    expected : None, bool, int, float, str, tuple of these, or ndarray
        The right result.  Its type says what is asked for: an int wants a
        whole number, a float any real number, a tuple that many values in any
        sequence, an array an array of that shape and kind.
    got : object
        The learner's result.
    rtol, atol : float
        Tolerances, for numbers with fractions.

    Returns
    -------
    Difference or None
        None if it is right.

    Examples
    --------
    >>> compare(1.0, 1.0 + 1e-12, 1e-6, 0.0) is None
    True
    >>> compare(np.zeros(2), np.zeros(5), 1e-6, 0.0).says
    'The result must have shape (2,), yours has (5,).'
    """
    if expected is None:
        return None if got is None else Difference("value", f"Here the right result is None, yours is {_kind_of(got)}.")
    if got is None or got is ...:
        gave = "nothing (None)" if got is None else "..."
        return Difference("type", f"Your function gave {gave} for this case; it must return {wanted(expected)}.")
    if isinstance(expected, str):
        if not isinstance(got, str):
            return _wrong_type(expected, got)
        return None if got == expected else Difference("value", _other_text(expected, got))
    if isinstance(expected, tuple):
        return _compare_tuple(expected, got, rtol, atol)
    if isinstance(expected, np.ndarray) and not isinstance(got, np.ndarray):
        return _wrong_type(
            expected, got, "; np.array(...) makes an array of it" if isinstance(got, list | tuple) else ""
        )
    return _compare_numbers(expected, got, rtol, atol)


def _compare_tuple(expected: tuple, got: Any, rtol: float, atol: float) -> Difference | None:
    if isinstance(got, np.ndarray) and got.ndim == 1:
        got = tuple(got)
    if not isinstance(got, tuple | list):
        return _wrong_type(expected, got)
    if len(got) != len(expected):
        return Difference("shape", f"The result must hold {len(expected)} values, yours holds {len(got)}.")
    faults = [compare(one, other, rtol, atol) for one, other in zip(expected, got)]
    wrong = [(i, fault) for i, fault in enumerate(faults) if fault]
    if not wrong:
        return None
    first, fault = wrong[0]
    if fault.kind != "value":
        return fault
    if len(wrong) == len(expected) == 2:
        return Difference("value", "Neither value is right.")
    return Difference("value", f"Value {first + 1} of {len(expected)} is not right.")


def _compare_numbers(expected: Any, got: Any, rtol: float, atol: float) -> Difference | None:
    right = np.asarray(expected)
    numbers = as_numbers(got)
    if numbers is None or isinstance(got, list | tuple):
        return _wrong_type(expected, got, _type_hint(got))
    if numbers.shape != right.shape:
        if right.ndim == 0:
            taken = f" Their {together} would be right." if (together := _together(right, numbers, rtol, atol)) else ""
            says = f"The result must be {wanted(expected)}, yours is an array of shape {numbers.shape}.{taken}"
            return Difference("shape", says)
        swapped = numbers.ndim > 1 and agree(right, numbers.T, rtol, atol)
        why = " Rows and columns have changed places." if swapped else _missing(right, numbers)
        return Difference("shape", f"The result must have shape {right.shape}, yours has {numbers.shape}.{why}")
    if right.size == 0:  # np.array([]) holds floats, whatever would be in it.
        return None
    if numbers.dtype.kind == "f" and np.isnan(numbers).any():
        where = f"{int(np.isnan(numbers).sum())} of {numbers.size} numbers are" if numbers.ndim else "The result is"
        look = "look for 0 / 0, the mean of nothing, inf - inf, or the root of a negative number"
        return Difference("nan", f"{where} NaN (not a number): {look}.")
    if right.dtype.kind == "b" and numbers.dtype.kind != "b":
        return _wrong_type(expected, got, "; a comparison such as a > b gives bool")
    if right.dtype.kind in "iu" and numbers.dtype.kind not in "iu":
        between = numbers.ndim and ((numbers >= 0) & (numbers <= 1)).all() and (numbers % 1 != 0).any()
        hint = "; yours lie between 0 and 1, as parts of a whole do, and counts are asked for" if between else ""
        return _wrong_type(expected, got, hint or "; a count or an index is an int")
    if right.dtype.kind == "f" and numbers.dtype.kind == "b":
        return Difference("type", f"The result must be {wanted(expected)}, yours is True or False.")
    good = np.isclose(numbers, right, rtol=rtol, atol=atol) if right.dtype.kind == "f" else numbers == right
    if good.all():
        return None
    if right.ndim == 0:
        if right.dtype.kind == "b":
            return Difference("value", "Your result is the opposite of the right one.")
        return Difference("value", f"Your result is too {'large' if numbers > right else 'small'}.")
    first = tuple(int(n) for n in np.argwhere(~good)[0])
    place = f"[{', '.join(map(str, first))}]"
    return Difference("value", f"{int((~good).sum())} of {good.size} values are not right, the first at {place}.")


def _missing(right: np.ndarray, numbers: np.ndarray) -> str:
    """How many rows and columns are missing or too many, or which values are left out."""
    if right.dtype.kind == "b" and right.ndim > 1 and numbers.ndim == 1 and numbers.size == right.sum():
        return " x[mask] takes the values out of their places; the mask itself is asked for."
    if right.dtype.kind in "iu" and right.ndim == numbers.ndim == 1 and np.array_equal(right[right != -1], numbers):
        return " You leave out the places that should have -1."
    if right.ndim != numbers.ndim or not right.size:
        return ""
    names = [""] if right.ndim == 1 else [" rows", " columns"] if right.ndim == 2 else []
    for n, m, name in zip(numbers.shape, right.shape, names):
        if right.ndim > 1 and m > 1 and n > m and n % m == 0:
            return f" That is {n // m} times as many{name or ' values'}: has this axis been left as it was?"
        if n == 1 < m - 1 and name == " rows":
            return " Only one row comes out."
    gaps = [(n - m, name) for n, m, name in zip(numbers.shape, right.shape, names) if n != m]
    if not gaps or any(abs(gap) > 2 for gap, _ in gaps):
        return ""
    said = " and ".join(
        f"{abs(gap)}{name[: -1 if abs(gap) == 1 else None]} too {'many' if gap > 0 else 'few'}" for gap, name in gaps
    )
    return f" That is {said}: look at where you begin and end."


def _together(right: np.ndarray, numbers: np.ndarray, rtol: float, atol: float) -> str:
    """How many numbers would become the right one."""
    if numbers.size < 2 or numbers.dtype.kind == "b":
        return ""
    ways = (("mean", np.mean), ("sum", np.sum), ("maximum", np.max), ("minimum", np.min))
    return next((name for name, way in ways if np.isclose(way(numbers), right, rtol=rtol, atol=atol)), "")


def agree(a: Any, b: Any, rtol: float, atol: float) -> bool:
    """Whether two results are the same but for their types: list or array, int or float.

    Parameters
    ----------
    a, b : object
        Results, of a learner and of a misconception.
    rtol, atol : float
        Tolerances.

    Returns
    -------
    bool
        NaN agrees with NaN, None with None.

    Examples
    --------
    >>> agree((1, 2), np.array([1.0, 2.0]), 0, 0), agree(None, 0, 0, 0)
    (True, False)
    """
    if a is None or b is None or isinstance(a, str) or isinstance(b, str):
        return type(a) is type(b) and a == b
    one, other = as_numbers(a), as_numbers(b)
    if one is None or other is None or one.shape != other.shape:
        return False
    # Subtracting two large bytes or bools would not do; floats hold both.
    return bool(np.allclose(one.astype(float), other.astype(float), rtol=rtol, atol=atol, equal_nan=True))


def as_numbers(value: Any) -> np.ndarray | None:
    """A result as an array of real numbers or bools, or None where it is something else.

    Parameters
    ----------
    value : object
        A result.

    Returns
    -------
    ndarray or None
        Of kind b, i, u or f.

    Examples
    --------
    >>> as_numbers([1, 2.5]).dtype.name, as_numbers("post") is None
    ('float64', True)
    """
    if isinstance(value, str | bytes | dict | set):
        return None
    try:
        array = np.asarray(value)
    except Exception:  # A learner's object may do anything when asked to be an array.
        return None
    return array if array.dtype.kind in "biuf" else None


def by_value(right: Sequence[Any], got: Sequence[Any]) -> list[tuple[str, list[Any], list[Any]]]:
    """Results of several cases, or where they are tuples each of their values, with a name.

    Parameters
    ----------
    right : sequence of object
        Right results.
    got : sequence of object
        The learner's.

    Returns
    -------
    list of (str, list, list)
        Name, right ones and the learner's; empty where the learner's are not that many values.

    Examples
    --------
    >>> by_value([(1, 2), (3, 4)], [(1, 0), (3, 0)])
    [('value 1', [1, 3], [1, 3]), ('value 2', [2, 4], [0, 0])]
    """
    if not all(isinstance(one, tuple) for one in right):
        return [("the result", list(right), list(got))]
    count = len(right[0])
    if not all(isinstance(one, tuple | list | np.ndarray) and len(one) == count for one in got):
        return []
    return [(f"value {k + 1}", [r[k] for r in right], [g[k] for g in got]) for k in range(count)]


def wanted(expected: Any) -> str:
    """What is asked for, in words, without its value.

    Parameters
    ----------
    expected : object
        The right result.

    Returns
    -------
    str
        Such as "a whole number" or "an array of shape (2, 4) of float".

    Examples
    --------
    >>> wanted((1.5, 2.5)), wanted(np.zeros((2, 4)))
    ('2 values, each a number', 'an array of shape (2, 4) of float')
    """
    if isinstance(expected, np.ndarray):
        kind = {"b": "bool", "i": "int", "u": "int", "f": "float"}[expected.dtype.kind]
        return f"an array of shape {expected.shape} of {kind}"
    if isinstance(expected, tuple):
        return f"{len(expected)} values, each {wanted(expected[0])}"
    if isinstance(expected, bool | np.bool_):
        return "True or False"
    if isinstance(expected, str):
        return "a piece of text"
    return "a whole number (int)" if isinstance(expected, int | np.integer) else "a number"


def _wrong_type(expected: Any, got: Any, hint: str = "") -> Difference:
    return Difference("type", f"The result must be {wanted(expected)}, yours is {_kind_of(got)}{hint}.")


def _kind_of(value: Any) -> str:
    if isinstance(value, np.ndarray):
        return f"an array of shape {value.shape} of {value.dtype}"
    if isinstance(value, list | tuple):
        return f"a {type(value).__name__} of {len(value)}"
    name = type(value).__name__
    return f"{'an' if name[0] in 'aeiou' else 'a'} {name}"


def _other_text(expected: str, got: str) -> str:
    if got.strip() == expected.strip():
        return "Your result has the right letters and other spaces or line ends around them."
    if got.strip().casefold() == expected.strip().casefold():
        return "Your result is the right word with other capital letters; they count."
    return "Your result is another word than the right one."


def _type_hint(value: Any) -> str:
    if inspect.isgenerator(value):
        return "; a function with yield gives a generator, use return"
    if inspect.iscoroutine(value):
        value.close()  # Else Python warns that nobody awaited it.
        return "; write def, not async def"
    if callable(value):
        return "; perhaps the parentheses of a call are missing"
    return ""
