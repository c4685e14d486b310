"""One program at a time writes into a data set; the others learn of it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from robotlab.errors import DataSetError

# On Windows, where a folder cannot be locked: a file that the system removes with its process.
LOCK_NAME = ".labeling.lock"


@contextlib.contextmanager
def one_writer(folder: str | os.PathLike) -> Iterator[None]:
    """Hold a data set for writing; the labeler holds it the same way.

    Parameters
    ----------
    folder : path-like
        The data set's folder; it must be there.

    Yields
    ------
    None
        While the set is held.  The operating system lets go of it when the
        process ends, however it ends.  A file system without locks counts as
        held.

    Raises
    ------
    DataSetError
        If another program, or another part of this one, holds the set.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> with one_writer(folder):
    ...     try:
    ...         with one_writer(folder):
    ...             pass
    ...     except DataSetError as error:
    ...         print("one program at a time" in str(error))
    True
    """
    handle = _take(Path(folder))
    try:
        yield
    finally:
        os.close(handle)


def _take(folder: Path) -> int:
    taken = (
        f"{folder} must be written by one program at a time, a labeler or another gather has it; close that, or wait"
    )
    try:
        if os.name == "nt":
            flags = os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_TEMPORARY", 0)
            return os.open(folder / LOCK_NAME, flags)
        handle = os.open(folder, os.O_RDONLY)
    except FileExistsError:
        raise DataSetError(taken) from None
    except OSError as error:
        raise DataSetError(
            f"{folder} must be a folder that can be written, it is not ({error.strerror}); check the path and the rights"
        ) from None
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise DataSetError(taken) from None
    except OSError:  # a network drive without locks
        pass
    return handle
