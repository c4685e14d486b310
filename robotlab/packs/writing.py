"""Write a pack as a folder, or as a zip file where the name ends in ``.zip``; whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from robotlab.data.atomic_folder import whole_folder
from robotlab.errors import InputError
from robotlab.files import beside
from robotlab.packs.archive import write_zip


@dataclass(frozen=True)
class WrittenPack:
    """A pack that has been written.

    Parameters
    ----------
    kind : str
        ``"class"``, ``"offline"`` or ``"robot"``.
    path : Path
        The folder or zip file.
    files : int
        How many files are in it.
    size_bytes : int
        On the disk: of the zip file, or of the files in the folder.
    then : str
        What to do with it.

    Examples
    --------
    >>> print(WrittenPack("class", Path("class.zip"), 700, 21_000_000, "unpack it").text())
    class pack: 700 files, 21.0 MB, in class.zip
    next: unpack it
    """

    kind: str
    path: Path
    files: int
    size_bytes: int
    then: str

    def text(self) -> str:
        """What was written, where, how large, and what next.

        Returns
        -------
        str
            Two lines.
        """
        return (
            f"{self.kind} pack: {self.files} files, {self.size_bytes / 1e6:.1f} MB, in {self.path}\nnext: {self.then}"
        )


def check_new_output(output: str | os.PathLike) -> Path:
    """Refuse to write over anything, before the work.

    Parameters
    ----------
    output : path-like
        A folder, new or empty, or a new zip file.

    Returns
    -------
    Path
        The place.

    Raises
    ------
    InputError
        If something is there.

    Examples
    --------
    >>> import tempfile
    >>> check_new_output(tempfile.mkdtemp()).is_dir()
    True
    """
    path = Path(output)
    try:
        there = os.path.lexists(path)
        if there and (path.suffix.lower() == ".zip" or not path.is_dir() or any(path.iterdir())):
            raise InputError(
                f"a pack must go to a new zip file or a new or empty folder, {path} is there already; choose another name, or move it away"
            )
    except OSError as error:
        raise InputError(
            f"a pack must be written where that is allowed, {path} is not ({error.strerror}); choose another place"
        ) from None
    return path


def put(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder; ``.sh`` files can be run.

    Parameters
    ----------
    folder : Path
        Where they go.
    files : mapping of str to bytes
        By name with forward slashes.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> put(folder, {"a/note.txt": b"ten crates"})
    >>> (folder / "a" / "note.txt").read_text()
    'ten crates'
    """
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        if name.endswith(".sh"):
            path.chmod(path.stat().st_mode | 0o111)


@contextmanager
def new_pack(output: Path) -> Iterator[Path]:
    """A folder to fill, which becomes the pack when the block ends and goes when it fails.

    Parameters
    ----------
    output : Path
        As from :func:`check_new_output`.

    Yields
    ------
    Path
        Hidden, beside the place of the pack.

    Raises
    ------
    InputError
        If something has come to be there meanwhile.

    Examples
    --------
    >>> import tempfile
    >>> home = Path(tempfile.mkdtemp())
    >>> with new_pack(home / "p.zip") as folder:
    ...     put(folder, {"note.txt": b"ten crates"})
    >>> [path.name for path in home.iterdir()]
    ['p.zip']
    """
    output = Path(os.path.abspath(output))
    if output.suffix.lower() != ".zip":
        with whole_folder(output) as folder:
            yield folder
            for name in files_of(folder):
                with open(folder / name, "rb+") as file:
                    os.fsync(file.fileno())
        return
    output.parent.mkdir(parents=True, exist_ok=True)
    with beside(output) as place:
        (place / "pack").mkdir(parents=True)
        yield place / "pack"
        with open(place / "zip", "wb") as out:
            # One folder of the pack's name, so that unpacking fills no one's home.
            names = files_of(place / "pack")
            write_zip(out, ((f"{output.stem}/{name}", (place / "pack" / name).read_bytes()) for name in names))
            out.flush()
            os.fsync(out.fileno())
        check_new_output(output)
        os.replace(place / "zip", output)


def files_of(folder: Path) -> list[str]:
    """Names of all files in a folder, with forward slashes, in order.

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    list of str
        Relative to it.

    Examples
    --------
    >>> import tempfile
    >>> files_of(Path(tempfile.mkdtemp()))
    []
    """
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def size_of(path: Path) -> int:
    """Bytes of a file, or of all files in a folder.

    Parameters
    ----------
    path : Path
        Either.

    Returns
    -------
    int
        Without what the file system adds.

    Examples
    --------
    >>> import tempfile
    >>> size_of(Path(tempfile.mkdtemp()))
    0
    """
    return sum((path / name).stat().st_size for name in files_of(path)) if path.is_dir() else path.stat().st_size
