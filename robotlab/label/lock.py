"""The lock on a data set: one program writes at a time."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from robotlab.errors import DataSetError
from robotlab.one_writer import one_writer


class FolderLock:
    """A lock on a folder, held or not; it ends with its process, however that ends.

    Parameters
    ----------
    folder : path-like
        The folder of a data set.

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
        self._stack = contextlib.ExitStack()
        self.held = False

    def take(self) -> bool:
        """Take the lock if it is free; whether it is held now."""
        if not self.held:
            with contextlib.suppress(DataSetError):
                self._stack.enter_context(one_writer(self._folder, "a gather or another labeler", DataSetError))
                self.held = True
        return self.held

    def release(self) -> None:
        """Give the lock back."""
        self._stack.close()
        self.held = False
