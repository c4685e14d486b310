"""One program at a time writes into a folder; what it adds line by line is on the disk at once."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from robotlab.errors import InputError

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]  # a module has no type to be None

# On Windows, where a folder cannot be locked: a file that the system removes with its process.
LOCK_NAME = ".one_writer.lock"


@contextmanager
def one_writer(folder: str | os.PathLike, who: str, error: type[InputError] = InputError) -> Iterator[None]:
    """Hold a folder for writing, alone.

    Parameters
    ----------
    folder : path-like
        It must be there.
    who : str
        Who else may hold it, for the message, such as ``"another sweep"``.
    error : type
        Class of the errors raised.

    Yields
    ------
    None
        While it is held.  The operating system lets go of it when the process
        ends, however it ends.  A file system without locks counts as held.

    Raises
    ------
    InputError
        Of the class `error`: if another program, or another part of this one,
        holds the folder, or it cannot be opened.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> with one_writer(folder, "another gather"):
    ...     try:
    ...         with one_writer(folder, "another gather"):
    ...             pass
    ...     except InputError as error:
    ...         print("one program at a time" in str(error))
    True
    """
    folder = Path(folder)
    taken = error(f"{folder} must be written by one program at a time, {who} has it; close that, or wait for it")
    alone = os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_TEMPORARY", 0)
    try:
        handle = os.open(folder, os.O_RDONLY) if fcntl else os.open(folder / LOCK_NAME, alone)
    except FileExistsError:
        raise taken from None
    except OSError as problem:
        raise error(
            f"{folder} must be a folder that can be written, it is not ({problem.strerror}); check the path and the rights"
        ) from None
    try:
        if fcntl:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise taken from None
            except OSError:  # a network drive without locks
                pass
        yield
    finally:
        os.close(handle)


def append_line(file: BinaryIO, value: Any) -> None:
    """Append `value` as one line of JSON that is on the disk when this returns.

    Parameters
    ----------
    file : file
        Open to append bytes.
    value : object
        Anything :func:`json.dumps` takes; NaN and infinity stay as it writes them.

    Raises
    ------
    OSError
        If the disk is full.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryFile() as file:
    ...     append_line(file, {"crates": 10})
    ...     _ = file.seek(0)
    ...     file.read()
    b'{"crates":10}\\n'
    """
    file.write(json.dumps(value, separators=(",", ":")).encode() + b"\n")
    file.flush()
    os.fsync(file.fileno())
