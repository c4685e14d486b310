"""One program at a time writes into a data set; the others learn of it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from robotlab.errors import DataSetError, printable

LOCK_NAME = ".robotlab.lock"


@contextlib.contextmanager
def one_writer(folder: str | os.PathLike, who: str) -> Iterator[None]:
    """Hold a data set for writing.

    Parameters
    ----------
    folder : path-like
        The data set's folder; it must be there.
    who : str
        What is writing, for the message that others get.

    Yields
    ------
    None
        While the set is held.  The operating system lets go of it when the
        process ends, however it ends.

    Raises
    ------
    DataSetError
        If another program, or another part of this one, holds the set; it
        says which.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> with one_writer(folder, "a labeler"):
    ...     try:
    ...         with one_writer(folder, "robotlab gather"):
    ...             pass
    ...     except DataSetError as error:
    ...         print("a labeler (process" in str(error))
    True
    """
    path = Path(folder) / LOCK_NAME
    with _opened(path) as file:
        if not _lock(file):
            holder = printable(path.read_bytes()[:200].decode("utf-8", "replace")) or "another program"
            raise DataSetError(
                f"{folder} must be written by one program at a time, {holder} has it; wait until that ends, or close it"
            )
        try:
            file.truncate(0)
            file.write(f"{printable(who)[:100]} (process {os.getpid()})".encode())
            file.flush()
            yield
        finally:
            with contextlib.suppress(OSError):
                file.truncate(0)


def _opened(path: Path) -> BinaryIO:
    # A link here could empty a file elsewhere, and a pipe could wait for ever.
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        return os.fdopen(os.open(path, flags, 0o666), "r+b", buffering=0)
    except OSError as error:
        raise DataSetError(
            f"{path.parent} must be a folder that can be written, it is not ({error.strerror}); check the path and the rights"
        ) from None


def _lock(file: BinaryIO) -> bool:
    """Take the lock if it is free."""
    try:
        if os.name == "posix":
            import fcntl

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            import msvcrt

            # The byte far behind the note, so that others can read who it is.
            file.seek(2**20)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
            file.seek(0)
    except OSError:
        return False
    return True
