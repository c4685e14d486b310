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
import secrets
import shutil
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from robotlab.errors import InputError

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
    # These must be new.
    "picture": (),
    "film": (),
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
        _check_plain(file, path, most_bytes, what, error)
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


@contextmanager
def open_to_append(path: str | os.PathLike, most_bytes: int, what: str) -> Iterator[BinaryIO]:
    """Open a plain file of limited size to read what is there and to append more; it is made if it is missing.

    Parameters
    ----------
    path, most_bytes, what
        As in :func:`read_plain`.

    Yields
    ------
    file
        At its end.

    Raises
    ------
    InputError
        If a device, a pipe, a link or a file that is too large is there.

    Examples
    --------
    >>> with open_to_append("/dev/zero", 10, "parts of a sweep") as file:
    ...     pass
    Traceback (most recent call last):
    robotlab.errors.InputError: parts of a sweep must be a plain file, /dev/zero is a device or a pipe; check the path
    """
    if os.path.exists(path) and not os.path.isfile(path):  # one that cannot be sought in would not open
        raise InputError(f"{what} must be a plain file, {path} is a device or a pipe; check the path")
    if os.path.islink(path):  # where it leads is somebody's file, which must not grow
        raise InputError(f"{what} must be a plain file, {path} is a link to another; remove the link")
    with open(path, "a+b") as file:
        _check_plain(file, path, most_bytes, what, InputError)
        yield file


def _check_plain(file: BinaryIO, path: str | os.PathLike, most_bytes: int, what: str, error: type[InputError]) -> None:
    found = os.fstat(file.fileno())
    if not stat.S_ISREG(found.st_mode):
        raise error(f"{what} must be a plain file, {path} is a device or a pipe; check the path")
    if found.st_size > most_bytes:
        raise error(
            f"{what} must be at most {most_bytes / 2**20:.0f} MiB, {path} has {found.st_size / 2**20:.0f} MiB; is it the right file?"
        )


def check_output(path: str | os.PathLike, kind: str, inputs: Iterable[str | os.PathLike] = ()) -> None:
    """Refuse an output before the work, not after: nothing that anybody made may be lost.

    Parameters
    ----------
    path : path-like
        Where a file will be written.
    kind : {"report", "results file", "model", "run log", "training state", "table", "picture", "film"}
        What it will be; a file that is there already must be one too.  A picture or a film must be new.
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
        _check_parent(path)
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
                raise InputError(f"{path} is there already and is not a {kind}; choose another name, or move it away")
        folder = path.absolute().parent
        while not folder.exists():
            folder = folder.parent
        if not folder.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
        with beside(folder / path.name) as place:
            place.open("xb").close()
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        words = getattr(error, "strerror", None) or error
        raise InputError(
            f"a {kind} must be written where that is allowed, {path} is not ({words}); choose another place"
        ) from None


def _check_parent(path: Path) -> None:
    """Refuse a way back (..) from a folder that is not there: once that is made, the path may lead to a file that is."""
    if ".." in path.parts and not path.parent.exists():
        raise OSError(errno.ENOENT, "it goes back from a folder that does not exist", str(path))


def _same(a: str | os.PathLike, b: str | os.PathLike) -> bool:
    """Whether two paths mean one file, there or not."""
    if os.path.exists(a) and os.path.exists(b):
        return os.path.samefile(a, b)
    return os.path.realpath(a) == os.path.realpath(b)


@contextmanager
def beside(path: str | os.PathLike) -> Iterator[Path]:
    """A temporary place beside a path, to be filled and then renamed; removed at the end if it is still there.

    Parameters
    ----------
    path : path-like
        The name that it is to take.

    Yields
    ------
    Path
        A hidden name in the same folder; nothing is there yet, so a signal
        that comes while it is being made leaves nothing behind either.

    Examples
    --------
    >>> import tempfile
    >>> home = Path(tempfile.mkdtemp())
    >>> with beside(home / "note.txt") as place:
    ...     _ = place.write_text("ten crates")
    ...     _ = place.rename(home / "note.txt")
    >>> [found.name for found in home.iterdir()]
    ['note.txt']
    """
    path = Path(path)
    name = path.name if len(os.fsencode(path.name)) < 200 else path.name[:40]
    place = path.parent / f".{name}.{secrets.token_hex(8)}.part"
    try:
        yield place
    finally:
        try:
            _remove(place)
        except BaseException:  # a signal to end, while this removes files
            _remove(place)
            raise


def _remove(place: Path) -> None:
    if place.is_dir():
        shutil.rmtree(place, ignore_errors=True)
    else:
        place.unlink(missing_ok=True)


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
    _check_parent(path)
    if path.exists() and not (path.is_file() or path.is_dir()):
        # Renaming onto a device would take its place, for everyone where an administrator does it.
        raise OSError(errno.EEXIST, "a device or a pipe is never replaced", str(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    data = content.encode("utf-8") if isinstance(content, str) else content
    with beside(path) as place:
        with place.open("xb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(place, path)
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
