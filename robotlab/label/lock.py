"""One writer a data set: a lock that ends with its process, however that ends."""

from __future__ import annotations

import os
from pathlib import Path


class FolderLock:
    """A lock on a folder, held or not.

    Parameters
    ----------
    folder : path-like
        The folder of a data set.

    Notes
    -----
    POSIX: ``flock`` on the folder itself, which leaves no file behind.
    Windows: a hidden file that only one program can have made, and that the
    system removes when it is closed, also by force.  Both end with the process.
    On a file system without locks it counts as held.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> first, second = FolderLock(folder), FolderLock(folder)
    >>> first.take(), second.take()
    (True, False)
    >>> first.release(), second.take()
    (None, True)
    >>> second.release()
    """

    def __init__(self, folder: str | os.PathLike) -> None:
        self._folder = Path(folder)
        self._handle: int | None = None

    @property
    def held(self) -> bool:
        """Whether this program may write."""
        return self._handle is not None

    def take(self) -> bool:
        """Take the lock if it is free; whether it is held now."""
        if self._handle is None:
            self._handle = _take_windows(self._folder) if os.name == "nt" else _take_posix(self._folder)
        return self.held

    def release(self) -> None:
        """Give the lock back."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def _take_posix(folder: Path) -> int | None:
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        return None
    except OSError:  # a network drive without locks
        pass
    return handle


def _take_windows(folder: Path) -> int | None:
    flags = os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_TEMPORARY", 0)
    try:
        return os.open(folder / ".labeling.lock", flags)
    except FileExistsError:
        return None
