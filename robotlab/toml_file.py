"""Read TOML files: plans of sweeps, lists of parts, marking keys.

The rule: a plain file of at most 1 MiB, in UTF-8, with keys of at most 32 parts (``a.b.c``), tables and lists
nested at most 40 deep, and whole numbers of 64 bits, as TOML 1.0 has them.
Nothing else in robotlab parses TOML.
"""

from __future__ import annotations

import os
import re
import tomllib
from typing import Any

from robotlab.errors import InputError
from robotlab.files import read_plain

# Plans and keys take a few kB.
LARGEST_TOML_BYTES = 2**20
# Ours have 3; the time that Python's parser takes grows with their square.
MOST_PARTS = 32
DEEPEST = 40
# Strings, closed or not, and comments: what else has dots is a key, or a number.
_TEXT = re.compile(
    r'''"""(?:[^"\\]+|\\.|"(?!""))*(?:"""|\\?\Z)|\'{3}.*?(?:\'{3}|\Z)|"(?:[^"\\\n]+|\\.)*(?:"|\\?$)|'[^'\n]*(?:'|$)|\#[^\n]*''',
    re.MULTILINE | re.DOTALL,
)
_LONG_KEY = re.compile(rf"(?<![\w-])(?:[\w-]+[ \t]*\.[ \t]*){{{MOST_PARTS}}}")


def read_toml(path: str | os.PathLike, what: str) -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path : path-like
        The file.
    what : str
        What it should be, for messages, such as ``"a plan"``.

    Returns
    -------
    dict
        As :mod:`tomllib` gives it.

    Raises
    ------
    InputError
        If it breaks a rule above, or is not TOML.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "plan.toml"
    >>> _ = path.write_text("duration_s = 12")
    >>> read_toml(path, "a plan")
    {'duration_s': 12}
    """
    return parse_toml(read_plain(path, LARGEST_TOML_BYTES, what), str(path))


def parse_toml(content: str | bytes, name: str) -> dict[str, Any]:
    """Parse TOML.

    Parameters
    ----------
    content : str or bytes
        UTF-8.
    name : str
        Where it comes from, for messages.

    Returns
    -------
    dict
        As :mod:`tomllib` gives it.

    Raises
    ------
    InputError
        If it breaks a rule above, or is not TOML.

    Examples
    --------
    >>> parse_toml("a = ", "plan.toml")
    Traceback (most recent call last):
    robotlab.errors.InputError: plan.toml must be TOML, it is not (Invalid value (at end of document)); fix that place
    """
    try:
        text = content.decode("utf-8") if isinstance(content, bytes) else content
        if _LONG_KEY.search(_TEXT.sub("q", text)):
            raise InputError(f"{name} must have keys of at most {MOST_PARTS} parts, one has more; fix that key")
        found = tomllib.loads(text)
    except InputError:
        raise
    except (ValueError, RecursionError) as problem:  # no UTF-8 is a ValueError too, and so is a number of 5000 digits
        raise InputError(f"{name} must be TOML, it is not ({problem}); fix that place") from None
    level: list[Any] = [found]
    for _ in range(DEEPEST + 1):
        inside = [one for node in level for one in (node.values() if type(node) is dict else node)]
        if any(type(one) is int and not -(2**63) <= one < 2**63 for one in inside):
            raise InputError(f"{name} must have whole numbers of 64 bits, one is larger; correct it")
        level = [one for one in inside if type(one) in (dict, list)]
        if not level:
            return found
    raise InputError(f"{name} must be TOML nested at most {DEEPEST} deep, it is nested deeper; fix that place")
