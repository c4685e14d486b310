"""Files in and out: only plain ones are read, and one is written whole or not at all.

The rule for reading: a plain file (no device, pipe or folder, whatever link
leads there) of at most so many bytes.  The rule for writing: beside, flush to
the disk, rename; never on top of an input, or of a file of another kind; one
program at a time in a folder that several could write.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import stat
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from robotlab.errors import InputError

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None

# On Windows, where a folder cannot be locked: a file that the system removes with its process.
LOCK_NAME = ".one_writer.lock"

# How a file of each kind of output begins; a file that begins otherwise is not replaced.
_BEGINNINGS = {
    "report": (b"<!doctype html", b"<html"),
    "results file": (b"[",),
    # ONNX (protobuf): field 1, the version of the format, an integer.
    "model": (b"\x08",),
    "run log": (b"{",),
    # A zip archive of arrays.
    "training state": (b"pk",),
    "table": (b"picture,",),
}


def read_plain(path: str | os.PathLike, most_bytes: int, what: str, error: type[InputError] = InputError) -> bytes:
    """The content of a plain file of limited size.

    Parameters
    ----------
    path : path-like
        The file.
    most_bytes : int
        A larger file is refused before it is read.
    what : str
        What it should be, for the message, such as ``"a picture"``.
    error : type
        Class of the errors raised.

    Returns
    -------
    bytes
        All of it.

    Raises
    ------
    InputError
        Of the class `error`: if the file is missing, is a folder, a device or a
        pipe, cannot be read, or is too large.

    Examples
    --------
    >>> read_plain("nowhere.png", 100, "a picture")
    Traceback (most recent call last):
    robotlab.errors.InputError: a picture must exist to be read, nowhere.png does not; check its name and folder
    """
    with open_plain(path, most_bytes, what, error) as file:
        try:
            # A file that grows meanwhile is not followed.
            return file.read(os.fstat(file.fileno()).st_size)
        except OSError as problem:
            raise error(f"{what} must be a readable file, {path} is not ({problem.strerror}); check the path") from None


@contextmanager
def open_plain(
    path: str | os.PathLike, most_bytes: int, what: str, error: type[InputError] = InputError
) -> Iterator[BinaryIO]:
    """Open a plain file of limited size to read; the errors are those of :func:`read_plain`.

    Parameters
    ----------
    path, most_bytes, what, error
        As in :func:`read_plain`.

    Yields
    ------
    file
        At its beginning.

    Examples
    --------
    >>> import robotlab.files
    >>> with open_plain(robotlab.files.__file__, 2**20, "a module") as file:
    ...     file.read(3) == b'"' * 3
    True
    """
    try:
        # Without O_NONBLOCK, opening a pipe waits for someone to write.
        file = open(path, "rb", opener=lambda name, flags: os.open(name, flags | getattr(os, "O_NONBLOCK", 0)))  # noqa: SIM115 (closed below)
    except FileNotFoundError:
        raise error(f"{what} must exist to be read, {path} does not; check its name and folder") from None
    except (OSError, ValueError) as problem:  # ValueError: a zero byte in the name
        words = getattr(problem, "strerror", None) or problem
        raise error(f"{what} must be a readable file, {path} is not ({words}); check the path") from None
    with file:
        found = os.fstat(file.fileno())
        if not stat.S_ISREG(found.st_mode):
            raise error(f"{what} must be a plain file, {path} is a device or a pipe; check the path")
        if found.st_size > most_bytes:
            raise error(
                f"{what} must be at most {most_bytes / 2**20:.0f} MiB, {path} has {found.st_size / 2**20:.0f} MiB; is it the right file?"
            )
        yield file


def free_disk(path: str | os.PathLike) -> tuple[Path, int]:
    """How much a disk still holds, before anything is written on it.

    Parameters
    ----------
    path : path-like
        A file or folder that will be there.

    Returns
    -------
    place : Path
        The nearest folder above that is there already.
    free_bytes : int
        Free for this user.

    Examples
    --------
    >>> import tempfile
    >>> home = Path(tempfile.mkdtemp())
    >>> place, free_bytes = free_disk(home / "new" / "pictures")
    >>> place == home, free_bytes > 0
    (True, True)
    """
    place = Path(path).absolute()
    while not place.exists():
        place = place.parent
    return place, shutil.disk_usage(place).free


def check_output(path: str | os.PathLike, kind: str, inputs: Iterable[str | os.PathLike] = ()) -> None:
    """Refuse an output before the work, not after: nothing that anybody made may be lost.

    Parameters
    ----------
    path : path-like
        Where a file will be written.
    kind : {"report", "results file", "model", "run log", "training state", "table"}
        What it will be; a file that is there already must be one too.
    inputs : iterable of path-like
        Files that are read, or written too, and must not be replaced.

    Raises
    ------
    InputError
        If it is an input, a folder, a file of another kind, or cannot be
        written there.

    Examples
    --------
    >>> check_output(".", "report")
    Traceback (most recent call last):
    robotlab.errors.InputError: a report must be written to a file, . is a folder; add a file name
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise InputError(f"a {kind} must be written to a file, {path} is a folder; add a file name")
        if any(_same(path, one) for one in inputs):
            raise InputError(
                f"an output must not replace an input or another output, {path} is one; choose another name"
            )
        if path.exists():
            if not path.is_file():
                raise InputError(
                    f"a {kind} must be written to a plain file, {path} is a device or a pipe; choose another name"
                )
            with path.open("rb") as file:
                begin = file.read(512)
            if begin and not begin.lstrip().lower().startswith(_BEGINNINGS[kind]):
                raise InputError(f"{path} is there already and is no {kind}; choose another name, or move it away")
        folder = path.absolute().parent
        while not folder.exists():
            folder = folder.parent
        if not folder.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
        handle, beside = tempfile.mkstemp(dir=folder, prefix=f".{path.name[:40]}.", suffix=".part")
        os.close(handle)
        os.unlink(beside)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        words = getattr(error, "strerror", None) or error
        raise InputError(
            f"a {kind} must be written where that is allowed, {path} is not ({words}); choose another place"
        ) from None


def _same(a: str | os.PathLike, b: str | os.PathLike) -> bool:
    """Whether two paths mean one file, there or not."""
    if os.path.exists(a) and os.path.exists(b):
        return os.path.samefile(a, b)
    return os.path.realpath(a) == os.path.realpath(b)


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

    Raises
    ------
    OSError
        If it cannot be written there, or a device or a pipe is there.

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
    if path.exists() and not (path.is_file() or path.is_dir()):
        # Renaming onto a device would take its place, for everyone where an administrator does it.
        raise OSError(errno.EEXIST, "a device or a pipe is never replaced", str(path))
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
