"""The run log: one JSON record a line, only ever appended to.

A record is written whole and handed to the operating system at once, so a
killed program leaves every record before the last; a record cut in half is
left out when reading.
"""

from __future__ import annotations

import errno
import json
import os
import select
import sys
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from robotlab.checks import number
from robotlab.errors import InputError
from robotlab.files import read_plain
from robotlab.json_file import parse_json

# Five hours at 50 records of 300 bytes a second.
LARGEST_LOG_BYTES = 256 * 2**20
# How long to wait before a full pipe is tried again.
FULL_PIPE_S = 0.005


class RunLog:
    """Append records to a file.

    Parameters
    ----------
    path : path-like
        The file; where one of that name is, a new name is taken: the log of
        ``run.jsonl`` then is ``run-2.jsonl``, and so on.
    sync_s : float or None
        Also force the disk to take the records, at most this often; 0 does it
        after each.  ``None`` leaves it to the operating system: then a killed
        program loses nothing, but a power cut may.

    Attributes
    ----------
    path : Path
        The file that is written.

    Raises
    ------
    InputError
        If the file cannot be made.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "run.jsonl"
    >>> for word in ("hello", "again"):
    ...     with RunLog(path) as log:
    ...         log.write({"kind": "event", "t": 0.0, "what": word})
    >>> read_log(path).records[0]["what"], log.path.name
    ('hello', 'run-2.jsonl')
    """

    def __init__(self, path: str | os.PathLike, sync_s: float | None = None) -> None:
        self._sync = None if sync_s is None else number(sync_s, "sync_s", 0)
        self._broken = ""
        self._synced = time.monotonic()
        self.path, count = Path(path), 1
        while True:
            try:
                # A pipe or a device holds no log that could be lost.
                other = self.path.exists() and not self.path.is_file()
                # Unbuffered: each write goes to the operating system as it is.
                self._file = open(self.path, "wb" if other else "xb", 0, opener=_open_at_once if other else None)  # noqa: SIM115 - closed in close()
                break
            except ValueError:
                raise InputError(
                    f"the path of a run log must be one that a file can have, {str(path)!r:.80} has a character that none may; leave it out"
                ) from None
            except FileExistsError:
                count += 1
                self.path = Path(path).with_stem(f"{Path(path).stem}-{count}")
            except OSError as error:
                if error.errno == errno.ENXIO:
                    raise InputError(
                        f"a run log that goes into a pipe must have a reader, {path} has none; start the reader first"
                    ) from None
                raise InputError(
                    f"a run log must go to a file that can be written, {path} cannot ({error.strerror}); check its folder"
                ) from None
        self._whole_bytes = sys.maxsize
        if other:
            self._sync = None  # a pipe cannot be forced
            self._whole_bytes = getattr(select, "PIPE_BUF", 512)  # what a pipe takes whole or not at all (POSIX write)

    def __enter__(self) -> RunLog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def write(self, record: dict) -> None:
        """Append one record.

        Parameters
        ----------
        record : dict
            Anything JSON can hold; NaN is refused.

        Raises
        ------
        InputError
            If it holds NaN, infinity or something that JSON cannot hold; then
            nothing is written.  Or if the disk does not take it, or Ctrl-C has
            cut a record for a pipe in two; then nothing more is written, so that
            the log ends with this half record.
        """
        try:
            line = json.dumps(record, allow_nan=False, separators=(",", ":")).encode() + b"\n"
        except (TypeError, ValueError) as error:
            raise InputError(
                f"a record of a run log must be plain JSON, {record!r:.200} is not ({error}); write finite numbers and text"
            ) from None
        if self._broken:
            raise InputError(f"a run log must be whole, this one broke off earlier ({self._broken}); start a new one")
        size = len(line)
        try:
            while line:
                taken = self._file.write(line)
                if taken is None:
                    time.sleep(FULL_PIPE_S)
                else:
                    line = line[taken:]
            if self._sync is not None and time.monotonic() - self._synced >= self._sync:
                os.fsync(self._file.fileno())
                self._synced = time.monotonic()
        except BrokenPipeError:
            self._broken = "its reader has gone"
            raise InputError(
                f"a run log that goes into a pipe must have a reader, that of {self._file.name} has gone; start one, then a new run"
            ) from None
        except OSError as error:
            self._broken = error.strerror or str(error)
            raise InputError(
                f"a run log must go to a disk with room, {self._file.name} cannot grow ({self._broken}); make room"
            ) from None
        except BaseException:
            if size > self._whole_bytes or 0 < len(line) < size:
                self._broken = "interrupted within a record"
            raise

    def close(self) -> None:
        """Force everything to the disk and close the file."""
        if not self._file.closed:
            # A pipe or a full disk cannot be forced; what could be written is.
            with suppress(OSError):
                os.fsync(self._file.fileno())
            self._file.close()


def _open_at_once(path: str, flags: int) -> int:
    """Open a pipe that has a reader; without one it would wait for one, for good.

    A full pipe gives None at once: a signal that comes just before a write that waits would not be seen until it ends.
    """
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


@dataclass(frozen=True)
class LogContent:
    """What a run log holds.

    Attributes
    ----------
    records : tuple of dict
        In order.
    complete : bool
        The run wrote its last record; False when it was cut off.
    """

    records: tuple[dict, ...]
    complete: bool


def read_log(path: str | os.PathLike) -> LogContent:
    """Read a run log up to its last full record.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    LogContent
        All full records.

    Raises
    ------
    InputError
        If the file is missing, holds no full record, or is damaged before its
        last line.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "run.jsonl"
    >>> _ = path.write_text('{"kind": "event"}' + chr(10) + '{"kind": "ev')
    >>> content = read_log(path)
    >>> len(content.records), content.complete
    (1, False)
    """
    path = Path(path)
    lines = read_plain(path, LARGEST_LOG_BYTES, "a run log").split(b"\n")
    # What follows the last line feed was being written when the run ended.
    records = []
    for place, line in enumerate(lines[:-1], start=1):
        try:
            record = parse_json(line, "a record", refuse_nan=True)
        except InputError:
            record = None
        if not isinstance(record, dict) or not isinstance(record.get("kind"), str):
            raise InputError(
                f"each line of a run log must be a JSON record with a kind, line {place} of {path} is not; copy the log again"
            )
        records.append(record)
    if not records:
        raise InputError(f"a run log must hold at least one full record, {path} holds none; run again")
    return LogContent(tuple(records), records[-1]["kind"] == "end")
