"""The pictures of a real drive, kept beside its log."""

from __future__ import annotations

import os
import queue
import threading
from pathlib import Path

from robotlab.checks import error_message
from robotlab.errors import InputError
from robotlab.files import read_plain, write_whole
from robotlab.image import encode
from robotlab.loop import Run, read_log
from robotlab.loop.viewers import ViewerFrame

# So many pictures may wait for the disk; what comes on top is left out, for the loop waits for nobody.
_WAITING = 8
# The disk may take so long for what waits, s (common practice, no source).
_PATIENCE_S = 10.0
# More than any JPEG of a robot's camera, bytes; all of one drive, in memory at once.
_LARGEST, _ALL = 5_000_000, 500_000_000


def pictures_folder(log: str | os.PathLike) -> Path:
    """Where the pictures of a run log are.

    Parameters
    ----------
    log : path-like
        The log.

    Returns
    -------
    Path
        A folder beside it.

    Examples
    --------
    >>> pictures_folder("drive-2.jsonl").name
    'drive-2-pictures'
    """
    log = Path(log)
    return log.with_name(f"{log.stem}-pictures")


class PictureRecorder:
    """Write the pictures of a drive as JPEG, in a thread of its own.

    Parameters
    ----------
    folder : path-like
        Made anew; one that is there already is refused, and stays.

    Attributes
    ----------
    left_out : int
        Pictures that the disk was too slow for.
    error : str
        Why it broke off; empty if it did not.

    Raises
    ------
    InputError
        If the folder is there, or cannot be made.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp()) / "drive-pictures"
    >>> with PictureRecorder(folder) as recorder:
    ...     recorder.left_out
    0
    """

    def __init__(self, folder: str | os.PathLike) -> None:
        self._folder = Path(folder)
        try:
            self._folder.mkdir(parents=True)
        except OSError as error:
            raise InputError(
                f"the folder for the pictures must be new, {self._folder} cannot be made ({error.strerror}); choose another name for the log"
            ) from None
        self._queue: queue.Queue[ViewerFrame | None] = queue.Queue(_WAITING)
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._next, self.left_out, self.error = 0, 0, ""

    def __enter__(self) -> PictureRecorder:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._queue.put(None, timeout=_PATIENCE_S)
        except queue.Full:
            pass
        self._thread.join(_PATIENCE_S)
        if self._thread.is_alive():  # the motors stand; a disk that hangs must not keep the person from knowing
            self.error = self.error or "the disk must take pictures, it hangs; check it"

    def show(self, seen: ViewerFrame) -> None:
        """Take one: pass this to :func:`robotlab.loop.drive`.

        Parameters
        ----------
        seen : ViewerFrame
            The picture.
        """
        # The one who shows them has been too slow for those between.
        self.left_out += seen.index - self._next
        self._next = seen.index + 1
        try:
            self._queue.put_nowait(seen)
        except queue.Full:
            self.left_out += 1

    def _run(self) -> None:
        while (seen := self._queue.get()) is not None:
            try:
                if not self.error:
                    write_whole(self._folder / f"{seen.index:06d}.jpg", encode(seen.picture, "jpg", quality=80))
            except (OSError, InputError) as error:  # a full disk must not end the drive
                self.error = error_message(error)


def load_run(log: str | os.PathLike) -> Run:
    """The run of a log, with its pictures where they were recorded.

    Parameters
    ----------
    log : path-like
        As :func:`robotlab.loop.drive` wrote it.

    Returns
    -------
    Run
        For :func:`robotlab.report.drive_page`, say.

    Raises
    ------
    InputError
        If the log is none, or a picture is damaged beyond its size.

    Examples
    --------
    >>> load_run("nothing.jsonl")
    Traceback (most recent call last):
    robotlab.errors.InputError: ...
    """
    pictures, total = {}, 0
    for path in sorted(pictures_folder(log).glob("[0-9]" * 6 + ".jpg")):
        content = read_plain(path, _LARGEST, "a picture of a drive")
        total += len(content)
        if total > _ALL:
            break
        pictures[int(path.stem)] = content
    return Run.from_records(read_log(log).records, pictures)
