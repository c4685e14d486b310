"""TOML that comes in: plans of sweeps, files of parts, marking keys.

The rule: a plain file of at most 1 MiB, in UTF-8, whose tables and lists nest
no deeper than Python reads.  Nothing else in robotlab parses TOML.
"""

from __future__ import annotations

import os
import tomllib
from typing import Any

from robotlab.errors import InputError
from robotlab.files import read_plain

# Plans and keys take a few kB.
LARGEST_TOML_BYTES = 2**20


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
        If it is not TOML, or nested too deep.

    Examples
    --------
    >>> parse_toml("a = ", "plan.toml")
    Traceback (most recent call last):
    robotlab.errors.InputError: plan.toml must be TOML, it is not (Invalid value (at end of document)); mend that place
    """
    try:
        return tomllib.loads(content.decode("utf-8") if isinstance(content, bytes) else content)
    except (ValueError, RecursionError) as problem:  # no UTF-8 is a ValueError too, and so is a number of 5000 digits
        raise InputError(f"{name} must be TOML, it is not ({problem}); mend that place") from None
