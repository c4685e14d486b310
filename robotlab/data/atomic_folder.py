"""Write a folder whole or not at all: fill a temporary one, flush it to the disk, rename it."""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from robotlab.data.coco import read_labels
from robotlab.data.locating import LABELS_NAME, OLD_LABELS_NAME
from robotlab.errors import DataSetError
from robotlab.files import beside

# What operating systems drop into folders by themselves (common practice, no
# source); nobody misses it.
LITTER = {".DS_Store", "Thumbs.db", "desktop.ini"}


@contextlib.contextmanager
def whole_folder(folder: str | os.PathLike, replace: bool = False) -> Iterator[Path]:
    """Fill a folder whole or not at all.

    Parameters
    ----------
    folder : path-like
        The folder; new or empty.
    replace : bool
        True allows to take the place of a data set, if it holds nothing else.

    Yields
    ------
    Path
        A hidden folder beside, to be filled; it takes the name when the block
        ends, and goes when the block fails.

    Raises
    ------
    DataSetError
        If something is there already.

    Examples
    --------
    >>> import tempfile
    >>> home = Path(tempfile.mkdtemp())
    >>> with whole_folder(home / "notes") as beside:
    ...     _ = (beside / "a.txt").write_text("ten crates")
    >>> (home / "notes" / "a.txt").read_text()
    'ten crates'
    """
    folder = Path(os.path.realpath(folder))
    _check_replaceable(folder, replace)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with beside(folder) as place:
        place.mkdir()
        try:
            yield place
        except DataSetError as error:
            raise DataSetError(str(error).replace(str(place), str(folder))) from None
        for inside, _, _ in os.walk(place):
            flush_folder(inside)
        flush_folder(place.parent)
        _rename_into_place(place, folder)


def _check_replaceable(folder: Path, replace: bool) -> None:
    """Refuse to write over anything that nobody offered up."""
    if not folder.exists():
        return
    if not folder.is_dir():
        raise DataSetError(f"a data set goes into a folder, {folder} is a file; choose another name")
    content = {path.name for path in folder.iterdir()} - LITTER
    if not content:
        return
    if not replace:
        raise DataSetError(
            f"{folder} must be new or empty, it holds {', '.join(sorted(content)[:5])}; choose another folder "
            "(from Python, replace=True gives up the data set in it)"
        )
    foreign = content - {LABELS_NAME, OLD_LABELS_NAME, "card.md", "pictures"}
    labels = [name for name in (LABELS_NAME, OLD_LABELS_NAME) if name in content]
    if len(labels) != 1:
        has = " and ".join(labels) or f"no {LABELS_NAME}"
        raise DataSetError(f"{folder} must hold one data set to be replaced, it has {has}; choose another folder")
    if not foreign:
        old = read_labels(folder / labels[0], pictures=False)
        listed = {os.path.realpath(path) for entry in old for path in (entry.path, folder / "pictures" / entry.name)}
        walked = os.walk(folder / "pictures")
        files = (Path(top, name) for top, _, names in walked for name in names if name not in LITTER)
        foreign = {str(path.relative_to(folder)) for path in files if os.path.realpath(path) not in listed}
    if foreign:
        raise DataSetError(
            f"{folder} may be replaced when it holds one data set and nothing else, it has also "
            f"{', '.join(sorted(foreign)[:5])}; move that away first, or choose another folder"
        )


def _rename_into_place(place: Path, folder: Path) -> None:
    """Give `place` the name `folder`; what was there gets the name `place`."""
    if not folder.exists():
        os.rename(place, folder)
    elif not _exchange(place, folder):
        # Two renames: a process killed just between them leaves the old set
        # beside, whole, under a name that open_dataset points to.
        old = place.with_suffix(".old")
        try:
            os.rename(folder, old)
            os.rename(place, folder)
        finally:
            if old.exists():
                os.rename(old, place if folder.exists() else folder)


def _exchange(a: Path, b: Path) -> bool:
    """Swap two folders in one step; False where the system cannot."""
    if not sys.platform.startswith("linux"):
        return False
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if rename is None:
        return False
    # AT_FDCWD is -100 (linux/fcntl.h), RENAME_EXCHANGE is 2 (renameat2(2)).
    return rename(-100, os.fsencode(a), -100, os.fsencode(b), 2) == 0


def flush_folder(folder: str | os.PathLike) -> None:
    """Flush a folder, so that a rename in it is on the disk, where the system lets folders be opened.

    Parameters
    ----------
    folder : path-like
        It must be there.

    Examples
    --------
    >>> flush_folder(".")
    """
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
