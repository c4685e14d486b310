"""Inputs and results as data: plain JSON, nothing that runs when it is read.

A number is text or raw little-endian bytes with a dtype of a short list; the
size that dtype and shape ask for is checked against the bytes that are there
before an array is made.  Both sides use this module, and the outer side trusts
nothing of what the inner one wrote.
"""

from __future__ import annotations

import base64
import binascii
import json
from typing import Any

import numpy as np

from robotlab.errors import InputError

# One result; the largest right one is a picture of some hundred pixels a side.
LARGEST_VALUE_BYTES = 2**22
# Values of one tuple or list.
MOST_VALUES = 4096
# Digits of a whole number; Python itself refuses to read more than 4300.
MOST_DIGITS = 4000
_DEEPEST = 6
_DTYPES = {np.dtype(name).newbyteorder("<").str for name in ("?", "i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8")}
_DTYPES |= {np.dtype(name).newbyteorder("<").str for name in ("f2", "f4", "f8", "c8", "c16")}


def encode(value: Any, deep: int = 0) -> Any:
    """A value as JSON; what is not a number, text or row of them is named by its type alone.

    Parameters
    ----------
    value : object
        Anything.
    deep : int
        How many tuples it lies in.

    Returns
    -------
    object
        For :func:`json.dumps`.

    Examples
    --------
    >>> encode((1, 0.5))
    ['tuple', [['int', '1'], ['float', '0x1.0000000000000p-1']]]
    """
    kind = type(value)
    if value is None or kind is bool:
        return value
    if kind is str:
        return ["str", value[:LARGEST_VALUE_BYTES].encode("utf-8", "replace").decode()]
    if kind is int:
        return ["int", str(value)] if value.bit_length() < 3 * MOST_DIGITS else ["other", "int of very many digits", ""]
    if kind is float:
        return ["float", value.hex()]
    if value is ...:
        return ["ellipsis"]
    if isinstance(value, tuple | list) and deep < _DEEPEST and len(value) <= MOST_VALUES:
        return ["tuple" if isinstance(value, tuple) else "list", [encode(one, deep + 1) for one in value]]
    if isinstance(value, np.ndarray | np.generic):
        array = np.asarray(value)
        array = np.ascontiguousarray(array.astype(array.dtype.newbyteorder("<"))).reshape(array.shape)
        if array.dtype.str in _DTYPES and array.nbytes <= LARGEST_VALUE_BYTES:
            form = "array" if isinstance(value, np.ndarray) else "scalar"
            return [form, array.dtype.str, list(array.shape), base64.b64encode(array.tobytes()).decode()]
        return ["other", f"ndarray of {array.dtype}" if array.dtype.str not in _DTYPES else "ndarray too large", ""]
    hint = "generator" if hasattr(kind, "gi_frame") else "function" if callable(value) else ""
    return ["other", kind.__name__, hint]


class StandIn:
    """Placeholder for a value that cannot be sent, such as a dict or a learner's own object."""

    def __repr__(self) -> str:
        return f"a {type(self).__name__}"


class _Callable(StandIn):
    def __call__(self) -> None:
        """Is there so that callable() says so."""


def decode(data: Any, deep: int = 0) -> Any:
    """The value that :func:`encode` wrote, or an error: the writer may be hostile.

    Parameters
    ----------
    data : object
        Parsed JSON.
    deep : int
        How many tuples it lies in.

    Returns
    -------
    object
        None, bool, int, float, str, tuple, list, array, NumPy scalar, ``...``,
        or a :class:`StandIn`.

    Raises
    ------
    InputError
        If it is anything else.

    Examples
    --------
    >>> decode(encode(np.eye(2))).tolist()
    [[1.0, 0.0], [0.0, 1.0]]
    >>> decode(["array", "<f8", [1000000, 1000000], ""])
    Traceback (most recent call last):
    robotlab.errors.InputError: a result must be data of known form and size, it is not (array); it is not read
    """
    if data is None or isinstance(data, bool):
        return data
    form = data[0] if isinstance(data, list) and data and isinstance(data[0], str) else ""
    rest = data[1:] if form else []
    try:
        if form == "ellipsis" and not rest:
            return ...
        if form in ("tuple", "list") and deep < _DEEPEST:
            (values,) = rest
            if isinstance(values, list) and len(values) <= MOST_VALUES:
                found = [decode(one, deep + 1) for one in values]
                return tuple(found) if form == "tuple" else found
        elif form in ("array", "scalar"):
            return _array(form, *rest)
        elif all(isinstance(word, str) for word in rest):
            if form == "str":
                (text,) = rest
                return text
            if form == "int" and len(rest[0]) <= MOST_DIGITS:
                return int(*rest)
            if form == "float" and len(rest[0]) <= 40:
                return float.fromhex(*rest)
            if form == "other":
                name, hint = rest
                return _stand_in(name, hint)
    except (ValueError, TypeError, IndexError, OverflowError, binascii.Error):
        pass
    raise InputError(
        f"a result must be data of known form and size, it is not ({form[:20] or 'no form'}); it is not read"
    )


def _array(form: str, dtype: Any, shape: Any, text: Any) -> Any:
    if dtype not in _DTYPES or not isinstance(text, str) or not isinstance(shape, list) or len(shape) > 8:
        raise ValueError
    size = np.dtype(dtype).itemsize
    for side in shape:
        if type(side) is not int or not 0 <= side <= LARGEST_VALUE_BYTES:
            raise ValueError
        size *= side  # Python's whole numbers do not overflow.
    if size > LARGEST_VALUE_BYTES or len(text) > LARGEST_VALUE_BYTES * 4 // 3 + 4:
        raise ValueError
    raw = base64.b64decode(text, validate=True)
    if len(raw) != size or (form == "scalar" and shape):
        raise ValueError
    array = np.frombuffer(raw, dtype).reshape(shape).copy()
    if array.dtype.kind == "b":
        array = np.frombuffer(raw, np.uint8).reshape(shape) != 0  # Bytes other than 0 and 1 are not bools.
    return array[()] if form == "scalar" else array


def _stand_in(name: str, hint: str) -> Any:
    if hint == "generator":
        nothing: tuple[Any, ...] = ()
        return (one for one in nothing)
    name = "".join(sign for sign in name[:60] if sign.isalnum() or sign in " _") or "thing"
    return type(name, (_Callable if hint == "function" else StandIn,), {})()


def text_of(value: Any) -> str:
    """A value's encoding as text, equal for equal values.

    Parameters
    ----------
    value : object
        Anything.

    Returns
    -------
    str
        One line.

    Examples
    --------
    >>> text_of(np.array([1, 2])) == text_of(np.array([1, 2])), text_of(1) == text_of(1.0)
    (True, False)
    """
    return json.dumps(encode(value), separators=(",", ":"))
