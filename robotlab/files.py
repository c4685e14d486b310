"""Write a file whole or not at all: beside, flush to disk, rename."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import Any


def write_whole(path: str | os.PathLike, content: bytes | str) -> Path:
    """Write `content` to `path` so that a reader never sees half of it.

    Parameters
    ----------
    path : path-like
        Where the file goes.  Missing folders are made.
    content : bytes or str
        Text is written as UTF-8.

    Returns
    -------
    Path
        The path written.

    Notes
    -----
    The content goes to a new file in the same folder, is flushed to the disk
    (``fsync``) and then takes the name (``os.replace``, atomic on POSIX and
    Windows).  When anything fails on the way, the old file is untouched and
    the new one is removed.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> write_whole(folder / "note.txt", "ten crates").read_text()
    'ten crates'
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    data = content.encode("utf-8") if isinstance(content, str) else content
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        # mkstemp makes files private; give them the usual permissions.
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(beside, 0o666 & ~mask)
        os.replace(beside, path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    return path


def write_json(path: str | os.PathLike, value: Any, indent: int | None = 1) -> Path:
    """Write `value` as JSON, whole or not at all; NaN is refused.

    Parameters
    ----------
    path : path-like
        Where the file goes.
    value : object
        Anything :func:`json.dumps` takes.
    indent : int or None
        Spaces per level; ``None`` writes one line.

    Returns
    -------
    Path
        The path written.

    Raises
    ------
    ValueError
        If `value` holds NaN or infinity, which JSON has no word for.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> write_json(folder / "n.json", {"crates": 10}, indent=None).read_text()
    '{"crates": 10}\\n'
    """
    return write_whole(path, json.dumps(value, indent=indent, allow_nan=False) + "\n")
