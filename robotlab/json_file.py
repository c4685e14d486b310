"""Read JSON files: labels, results, settings, logs, metadata.

The rule: a plain file of at most 128 MiB that takes at most 1 GiB once read, in UTF-8 (16 and 32 are read too),
nested at most 40 deep, without text that cannot be written again (lone surrogates).  Nothing else in robotlab
parses JSON.
"""

from __future__ import annotations

import json
import os
import re
import sys
from typing import Any, NoReturn

from robotlab.errors import InputError
from robotlab.files import read_plain

# Labels of a hundred thousand pictures take less.
LARGEST_JSON_BYTES = 128 * 2**20
MOST_MEMORY_BYTES = 2**30
# What Python makes of each comma, colon and opening bracket, at most: 184 for the three of {"":0}, 64 for that of "ab",
# (measured, Python 3.11 on x86-64).
BYTES_A_SIGN = 64
# COCO-style polygons nest 5 deep, notebooks 7.
DEEPEST = 40
_SURROGATE = re.compile(r"\\u[dD][89a-fA-F]")


def read_json(path: str | os.PathLike, what: str = "a JSON file", error: type[InputError] = InputError) -> Any:
    """Read a JSON file; NaN and infinity come through as floats.

    Parameters
    ----------
    path : path-like
        The file.
    what : str
        What it should be, for messages.
    error : type
        Class of the errors raised.

    Returns
    -------
    object
        What it holds.

    Raises
    ------
    InputError
        Of the class `error`: if it is missing, no plain file, too large, or
        breaks a rule of :func:`parse_json`.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "a.json"
    >>> _ = path.write_text('{"a": [1]}')
    >>> read_json(path)
    {'a': [1]}
    """
    return parse_json(read_plain(path, LARGEST_JSON_BYTES, what, error), str(path), error)


def parse_json(content: bytes | str, name: str, error: type[InputError] = InputError, refuse_nan: bool = False) -> Any:
    """Parse JSON text.

    Parameters
    ----------
    content : bytes or str
        UTF-8 where it is bytes.
    name : str
        How messages call it.
    error : type
        Class of the errors raised.
    refuse_nan : bool
        NaN and infinity, which standard JSON does not have, are errors too.

    Returns
    -------
    object
        What it holds.

    Raises
    ------
    InputError
        Of the class `error`: if it is not JSON (with line and column), too large
        once read, nested too deep, has a number too long to read, or lone surrogates.

    Examples
    --------
    >>> parse_json("[" * 99 + "]" * 99, "a.json")
    Traceback (most recent call last):
    robotlab.errors.InputError: a.json must be JSON nested at most 40 deep, it is nested deeper; export the file again
    """
    deep = f"{name} must be JSON nested at most {DEEPEST} deep, it is nested deeper; export the file again"
    try:
        text = content.decode(json.detect_encoding(content)) if isinstance(content, bytes) else content
        # The text, and once more as words.
        if 2 * sys.getsizeof(text) + BYTES_A_SIGN * sum(map(text.count, ",:[{")) > MOST_MEMORY_BYTES:
            raise error(
                f"{name} must take at most {MOST_MEMORY_BYTES >> 20} MiB of memory once it is read, it holds too many values; "
                "split it"
            )
        value = json.loads(text, parse_constant=_refuse, parse_float=_finite) if refuse_nan else json.loads(text)
        if _SURROGATE.search(text):
            json.dumps(value, ensure_ascii=False).encode()
    except error:
        raise
    except json.JSONDecodeError as problem:
        raise error(
            f"{name} must be JSON, it breaks off at line {problem.lineno}, column {problem.colno} ({problem.msg}); "
            "correct that line, or export the file again"
        ) from None
    except RecursionError:
        raise error(deep) from None
    except UnicodeEncodeError:
        raise error(
            f"{name} must hold text that can be written again, it holds half a character (a lone surrogate); export the file again"
        ) from None
    except (UnicodeDecodeError, ValueError) as problem:
        raise error(f"{name} must be JSON text in UTF-8, it is not ({problem}); export the file again") from None
    level = [value]
    for _ in range(DEEPEST + 1):
        level = [
            child
            for node in level
            for child in (node.values() if type(node) is dict else node if type(node) is list else ())
            if type(child) in (dict, list)
        ]
        if not level:
            return value
    raise error(deep)


def _finite(word: str) -> float:
    value = float(word)
    return value if abs(value) < float("inf") else _refuse(word)


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a JSON number")
