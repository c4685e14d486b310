"""Find the labels file of a folder, and the picture files of a labels file."""

from __future__ import annotations

import os
import re
from pathlib import Path, PureWindowsPath

from robotlab.errors import DataSetError
from robotlab.json_file import read_json

# Folders that people keep pictures in, beside or below the labels (common
# practice, no source).
PICTURE_FOLDERS = ("pictures", "images", "JPEGImages")
# The labels file of a data set that we write, and the name it had before.
LABELS_NAME, OLD_LABELS_NAME = "annotations.json", "labels.json"
# Folders that people keep labels files in (common practice, no source).
LABEL_FOLDERS = ("annotations", "labels", "Annotations")

# Linux opens no longer path, and so many of the last parts of another machine's path are looked for (a choice, no source).
LONGEST_NAME, MOST_PARTS = 4095, 16


def looks_like_labels(value: object) -> bool:
    """True if a JSON value has the two lists that every COCO-style file has.

    Parameters
    ----------
    value : object
        From :func:`robotlab.json_file.read_json`.

    Returns
    -------
    bool
        Whether it could be a labels file.

    Examples
    --------
    >>> looks_like_labels([]), looks_like_labels({"images": [], "annotations": []})
    (False, True)
    """
    return isinstance(value, dict) and all(isinstance(value.get(key), list) for key in ("images", "annotations"))


def find_labels(path: str | os.PathLike) -> Path | None:
    """The COCO-style labels file of a folder, or None if there is none.

    Parameters
    ----------
    path : path-like
        A ``.json`` file, or a folder.  In a folder ``annotations.json`` (or
        ``labels.json``) comes first, then the one JSON file, there or in
        ``annotations/`` or ``labels/``, that has ``images`` and
        ``annotations``.

    Returns
    -------
    Path or None
        The file.

    Raises
    ------
    DataSetError
        If the path is not there, or several files could be meant.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "walk.json").write_text('{"images": [], "annotations": []}')
    >>> find_labels(folder).name
    'walk.json'
    """
    path = Path(path)
    if path.is_file():
        return path
    if not path.is_dir():
        left = sorted(path.parent.glob(f".{path.name}.*.old")) if path.parent.is_dir() else []
        hint = f"; a write was interrupted, rename {left[0].name} to {path.name}" if left else "; check the path"
        raise DataSetError(f"a data set must be a folder or a .json file that exists, {path} is neither{hint}")
    usual = [path / name for name in (LABELS_NAME, OLD_LABELS_NAME) if (path / name).is_file()]
    if len(usual) == 1:
        return usual[0]
    found = [
        file
        for folder in (path, *(path / name for name in LABEL_FOLDERS))
        for file in sorted(folder.glob("*.json"))
        if _is_labels_file(file)
    ]
    # A file system that ignores case lists one folder under two names.
    found = list({os.path.realpath(file).casefold(): file for file in found}.values())
    if len(found) > 1:
        raise DataSetError(
            f"{path} must hold one labels file, it has {', '.join(str(f.relative_to(path)) for f in found[:9])}; "
            "give the path of the one you mean"
        )
    return found[0] if found else None


def _is_labels_file(path: Path) -> bool:
    try:
        return looks_like_labels(read_json(path, error=DataSetError))
    except DataSetError:
        return False


class PictureFinder:
    """Where the pictures of one labels file lie.

    A picture is looked for in the folder of the labels file, in picture
    folders below it, and in picture folders beside it (``pictures``,
    ``images``, and for ``instances_NAME.json`` a folder ``NAME``).  A file
    name that leads outside those folders, by ``..`` or as an absolute path, is
    refused, and so is one that leads outside by a link: labels that come from
    elsewhere must not reach other files.  An
    absolute path from another machine is looked for by its last parts.

    Parameters
    ----------
    labels : Path
        The labels file.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> (folder / "pictures" / "walk").mkdir(parents=True)
    >>> (folder / "pictures" / "walk" / "a.png").touch()
    >>> path, within = PictureFinder(folder / "annotations.json").find("walk\\\\a.png")
    >>> path.name, within
    ('a.png', 'walk')
    """

    def __init__(self, labels: Path):
        folder = Path(os.path.abspath(labels)).parent
        split = re.sub(r"^(instances|person_keypoints|annotations?|labels?)_", "", labels.stem)
        names = (*PICTURE_FOLDERS, split)
        roots = [folder, *(folder / name for name in names), *(folder.parent / name for name in names)]
        if folder.name in LABEL_FOLDERS:
            roots.insert(1, folder.parent)
        self.folder = folder
        self.roots = [folder] + [root for root in roots[1:] if root.is_dir()]
        # Where files may really lie: links that lead out of these are not followed.
        above = [root.parent.resolve() / root.name for root in self.roots if root.parent == folder.parent]
        self._homes = [folder.resolve(), *above] + [root.resolve() for root in self.roots if root == folder.parent]

    def find(self, name: str) -> tuple[Path | None, str]:
        """The path of a picture, and the folder part of its name.

        Parameters
        ----------
        name : str
            The ``file_name`` of the labels file; ``\\`` counts as ``/``.

        Returns
        -------
        path : Path or None
            Where it is; None if it is in none of the folders.
        within : str
            Its folder below the one it was found in, ``""`` for none.

        Raises
        ------
        DataSetError
            If the name leads outside the data set.
        """
        plain = name.replace("\\", "/")
        if len(name) > LONGEST_NAME:
            raise DataSetError(
                f"a picture's name must have at most {LONGEST_NAME} characters, {name[:40]!r}... has {len(name)}; rename it"
            )
        absolute = plain.startswith("/") or bool(PureWindowsPath(plain).drive)
        tails = [plain]
        if absolute:
            parts = [part for part in PureWindowsPath(plain).parts[1:] if part != ".."]
            tails += ["/".join(parts[first:]) for first in range(max(0, len(parts) - MOST_PARTS), len(parts))]
        rule = f"a picture must lie in the data set's folder {self.folder} or in a picture folder beside it, {name!r} leads"
        inside = False
        for tail in tails:
            for root in self.roots:
                path = os.path.abspath(os.path.join(root, tail))
                home = next((r for r in self.roots if path.startswith(os.path.join(r, ""))), None)
                if home is None:
                    continue
                inside = True
                if os.path.isfile(path):
                    real = Path(os.path.realpath(path))
                    if not any(real.is_relative_to(place) for place in self._homes):
                        raise DataSetError(f"{rule} to {real} by a link; copy the picture there")
                    return Path(path), _folder_part(path, home)
        if not inside:
            raise DataSetError(f"{rule} outside; copy the picture there and correct its file_name")
        return None, _folder_part(os.path.join(self.folder, tails[-1]), self.folder)


def _folder_part(path: str | os.PathLike, home: str | os.PathLike) -> str:
    parts = list(Path(os.path.relpath(path, home)).parts[:-1])
    while parts and parts[0] in (*PICTURE_FOLDERS, ".", ".."):
        parts.pop(0)
    return "/".join(parts)
