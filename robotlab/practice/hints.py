"""Hints: common errors of Python and NumPy explained in a sentence."""

from __future__ import annotations

import builtins
import difflib
import re
import sys
import traceback
from types import ModuleType

import numpy as np

# Patterns of messages of Python 3.11 to 3.14 and NumPy 2, from memory.
_HINTS = (
    (
        r"truth value of an array",
        "An array has no single True or False: use & and | in place of and, or, and write (a <= x) & (x <= b) for a <= x <= b.",
    ),
    (
        r"zero-size array to reduction|attempt to get arg(max|min) of an empty|arg is an empty sequence|argument is empty",
        "There is nothing in it to take the largest or smallest of: return early for an empty input, or say what default is right.",
    ),
    (
        r"division by zero",
        "What stands below the fraction bar is 0 here: this input is empty or has no size. Handle that case first.",
    ),
    (
        r"cannot reshape array",
        "The product of the new shape must equal the number of values. Print a.size and a.shape; one side may be -1.",
    ),
    (
        r"axis -?\d+ is out of bounds for array",
        "The array has fewer axes than that. In two dimensions axis=0 runs down the rows and axis=1 along the columns.",
    ),
    (
        r"only integers, slices|indices must be integers|cannot be interpreted as an integer|expected a sequence of integers",
        "An index, a size or a count must be a whole number; / always gives a fraction. Use // or int(...).",
    ),
    (
        r"could not be broadcast together",
        "These two shapes do not fit together: side by side from the right, sizes must be equal or 1. Print both; keepdims=True keeps an axis that was summed.",
    ),
    (
        r"core dimension|shapes .* not aligned",
        "The inner sizes of a @ b must agree: (N, F).T @ (N, K) gives (F, K). Print both shapes; one of them wants .T.",
    ),
    (
        r"dimensional arrays can be converted|length-1 arrays can be converted",
        "The functions of math take one number; np.sin and the like take arrays.",
    ),
    (
        r"index (\d+) is out of bounds for axis \d+ with size 0",
        "It is empty here, so it has no such place. Handle that case first.",
    ),
    (
        r"index (\d+) is out of bounds for axis \d+ with size \1|list index out of range|tuple index out of range",
        "Counting begins at 0, so the last place is one less than the length: the index runs past the end.",
    ),
    (r"out of bounds for axis 0", "The first place in an index counts rows, and counting begins at 0."),
    (
        r"out of bounds for axis|index out of range",
        "Counting begins at 0, so the last place is one less than the length.",
    ),
    (r"too many indices", "The array has fewer axes than the index has places. Print its shape."),
    (
        r"ufunc '.*' not supported|not supported for the input types",
        "NumPy cannot do this with this type. Print the dtype.",
    ),
    (r"unsupported operand type\(s\) for \^", "^ is not a power in Python; ** is."),
    (
        r"unsupported operand type\(s\) for .*'list'",
        "A list is not an array: np.array(...) makes one of it, then + and * work number by number.",
    ),
    (r"'NoneType'", "Something is None where a value was expected: perhaps a function that returns nothing."),
    (r"is not defined", "Python does not know this name here. Look at its spelling, or import what it comes from."),
    (
        r"cannot access local variable",
        "This name gets its value in some paths through the function only, or after it is used.",
    ),
    (
        r"values to unpack",
        "The number of names on the left is not the number of values on the right. An array is unpacked along its first axis, its rows: print its shape.",
    ),
    (r"object is not callable", "Parentheses behind something that is not a function; an index has square brackets."),
    (r"maximum recursion depth", "The function calls itself without end."),
    (
        r"output from dtype\('float64'\) to dtype\('u?int",
        "A whole-number array cannot take fractions in place: make a new array, or astype(float) first.",
    ),
)

# What has no names but those of Python and NumPy.
_COMMON = (np.ndarray, list, tuple, dict, set, str)


def hint(message: str) -> str:
    """Explain an error message, if it is a common one.

    Parameters
    ----------
    message : str
        Class and message of the error.

    Returns
    -------
    str
        A sentence, or nothing.

    Examples
    --------
    >>> hint("NameError: name 'mth' is not defined")
    'Python does not know this name here. Look at its spelling, or import what it comes from.'
    >>> hint("OSError: the lighting is off")
    ''
    """
    return next((says for pattern, says in _HINTS if re.search(pattern, message)), "")


def did_you_mean(error: BaseException) -> str:
    """The name that is spelled most like one that Python does not know.

    Parameters
    ----------
    error : BaseException
        What was raised; names are looked up where that was.

    Returns
    -------
    str
        A question; empty for other errors, and where no name is near.

    Examples
    --------
    >>> try:
    ...     np.arctn(1.0)
    ... except AttributeError as error:
    ...     did_you_mean(error)
    'Did you mean arctan?'
    """
    name, known = getattr(error, "name", None), []
    if isinstance(error, UnboundLocalError) or name in sys.stdlib_module_names:
        return ""
    if isinstance(error, AttributeError):
        owner = getattr(error, "obj", None)
        known = [dir(owner)] if isinstance(owner, ModuleType) or type(owner) in _COMMON else []
    elif isinstance(error, NameError):
        frames = [frame for frame, _ in traceback.walk_tb(error.__traceback__)]
        known = [list(frames[-1].f_code.co_varnames), [*frames[-1].f_globals, *dir(builtins)]] if frames else []
    for names in known:
        near = difflib.get_close_matches(str(name), [one for one in names if not one.startswith("_")], 1, 0.7)
        if near:
            return f"Did you mean {near[0]}?"
    return ""
