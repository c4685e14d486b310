"""Write a data set whole: beside, checked by opening it, then renamed into place."""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from robotlab import picture as pictures_io
from robotlab.boxes import check_boxes
from robotlab.dataset.coco import open_dataset
from robotlab.dataset.locate import PICTURE_FOLDERS
from robotlab.dataset.model import DataSet, Entry
from robotlab.errors import DataSetError
from robotlab.files import write_whole

# What operating systems drop into folders by themselves (common practice, no
# source); nobody misses it.
_LITTER = {".DS_Store", "Thumbs.db", "desktop.ini"}


@dataclass(frozen=True, eq=False)
class Sample:
    """One labelled picture, to be written.

    Parameters
    ----------
    name : str
        File name below ``pictures/``, ending in .png, .jpg or .jpeg; may have
        a folder, with ``/``.
    picture : (H, W, 3) ndarray of uint8, or bytes
        The picture, or the content of its file.
    boxes : (N, 4) array-like
        Corners, px.
    labels : (N,) array-like of int
        Index into the classes.
    recording : str
        The recording it was taken from.
    lamp : str or None
        The light, where known.
    distance_m : float or None
        Distance to the target, m, where known.
    areas, crowd, ignore, visibility, distances_m : (N,) array-like, optional
        As in :class:`Entry`.
    more : mapping
        Further keys for the picture's record.

    Examples
    --------
    >>> sample = Sample("a.png", np.zeros((6, 8, 3), np.uint8), [[1, 2, 5, 5]], [0], lamp="dusk")
    >>> sample.lamp
    'dusk'
    """

    name: str
    picture: np.ndarray | bytes
    boxes: Any = ()
    labels: Any = ()
    recording: str = "all"
    lamp: str | None = None
    distance_m: float | None = None
    areas: Any = None
    crowd: Any = None
    ignore: Any = None
    visibility: Any = None
    distances_m: Any = None
    more: Mapping[str, Any] = field(default_factory=dict)


def write_dataset(
    folder: str | os.PathLike,
    pictures: DataSet | Iterable[Sample],
    classes: Sequence[str] | None = None,
    *,
    card: str | None = None,
    info: Mapping[str, Any] | None = None,
    replace: bool = False,
    quality: int = 90,
) -> DataSet:
    """Write pictures, ``labels.json`` and ``card.md`` into one folder.

    Parameters
    ----------
    folder : path-like
        Where the data set goes.
    pictures : DataSet or iterable of Sample
        An opened data set (its picture files are copied byte for byte, keys
        that robotlab does not know are kept) or new pictures, which may come
        one by one from a generator.
    classes : sequence of str
        Class names; needed for samples, not for a data set.
    card : str, optional
        The data card, Markdown.  Without it the card of the given data set is
        kept, or a short one with the counts is written.
    info : mapping, optional
        Goes into the ``info`` of the labels file.
    replace : bool
        True allows to take the place of a data set that is already there; the
        folder must hold nothing else.
    quality : int, 1 to 95
        JPEG quality of new pictures.

    Returns
    -------
    DataSet
        The written data set, opened.

    Raises
    ------
    DataSetError
        If something is there already, or a sample breaks a rule of
        :func:`open_dataset`.  Nothing is left behind then.

    Notes
    -----
    All files are written to a hidden folder beside, flushed to the disk,
    opened again as a check, and renamed into place in one step, so a process
    that is killed leaves the old data set as it was.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp()) / "bench"
    >>> data = write_dataset(folder, [Sample("a.png", np.zeros((6, 8, 3), np.uint8), [[1, 2, 5, 5]], [0])], ["post"])
    >>> sorted(path.name for path in folder.iterdir()), data[0].boxes.tolist()
    (['card.md', 'labels.json', 'pictures'], [[1.0, 2.0, 5.0, 5.0]])
    """
    with whole_folder(folder, replace) as beside:
        if isinstance(pictures, DataSet):
            labels = _copy(beside, pictures)
            old_card = pictures.folder / "card.md"
            if card is None and old_card.is_file():
                card = old_card.read_text("utf-8")
        else:
            labels = _new(beside, pictures, classes, quality)
        if info:
            labels["info"] = {**labels.get("info", {}), **info}
        write_whole(beside / "labels.json", labels_text(labels))
        written = open_dataset(beside)
        write_whole(beside / "card.md", card if card is not None else usual_card(Path(folder).name, written))
    return open_dataset(folder)


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
    """
    folder = Path(os.path.realpath(folder))
    _check_place(folder, replace)
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}.", suffix=".part"))
    try:
        yield beside
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(beside, 0o777 & ~mask)
        _flush_folders(beside)
        _take_place(beside, folder)
    except BaseException as error:
        shutil.rmtree(beside, ignore_errors=True)
        if isinstance(error, DataSetError):
            raise DataSetError(str(error).replace(str(beside), str(folder))) from None
        raise


def _new(beside: Path, samples: Iterable[Sample], classes: Sequence[str] | None, quality: int) -> dict:
    if classes is None or isinstance(classes, str) or not list(classes):
        raise DataSetError(f"classes must be a list of class names, got {classes!r}; pass for instance ['post']")
    images, annotations = [], []
    for number, sample in enumerate(samples, 1):
        if not isinstance(sample, Sample):
            raise DataSetError(f"pictures must be a DataSet or Samples, number {number} is a {type(sample).__name__}; wrap it")
        where = f"sample {number} ({sample.name})"
        file_name = f"pictures/{_clean_name(sample.name, where)}"
        if (beside / file_name).exists():
            raise DataSetError(f"{where}: names must be unique, this one comes twice; number the pictures")
        if isinstance(sample.picture, bytes):
            content = sample.picture
            height, width = pictures_io.decode(content, where).shape[:2]
        else:
            height, width = pictures_io.check_picture(sample.picture, where).shape[:2]
            content = pictures_io.encode(sample.picture, Path(file_name).suffix, quality)
        entry = Entry(
            number, beside / file_name, width, height, str(sample.recording), sample.lamp, sample.distance_m,
            check_boxes(sample.boxes, f"boxes of {where}"), sample.labels, sample.areas, sample.crowd, sample.ignore,
            sample.visibility, sample.distances_m, range(len(annotations) + 1, len(annotations) + 1 + len(sample.boxes)),
            record=dict(sample.more),
        )  # fmt: skip
        if len(entry) and not 0 <= entry.labels.min() <= entry.labels.max() < len(classes):
            raise DataSetError(f"{where}: labels must be from 0 to {len(classes) - 1}, got {entry.labels.tolist()}; count from 0")
        write_whole(beside / file_name, content)
        images.append(_picture_record(entry, file_name))
        annotations += _annotation_records(entry, range(1, len(classes) + 1))
    categories = [{"id": place, "name": str(name)} for place, name in enumerate(classes, 1)]
    return {"images": images, "annotations": annotations, "categories": categories}


def _copy(beside: Path, data: DataSet) -> dict:
    images, annotations, used = [], [], set()
    for entry in data.pictures:
        file_name = f"pictures/{kept_name(entry, used)}"
        data.load(entry)  # a damaged picture is not copied on
        write_whole(beside / file_name, entry.path.read_bytes())
        images.append(_picture_record(entry, file_name))
        annotations += _annotation_records(entry, data.category_ids)
    known = data.categories or ({},) * len(data.classes)
    categories = [
        {**record, "id": id, "name": name}
        for record, id, name in zip(known, data.category_ids, data.classes, strict=True)
    ]
    return {**data.rest, "images": images, "annotations": annotations, "categories": categories}


def _picture_record(entry: Entry, file_name: str) -> dict:
    record = {"id": entry.id, "file_name": file_name, "width": entry.width_px, "height": entry.height_px}
    record = {**record, **entry.record, **record, "recording": entry.recording}
    for key, value in (("lamp", entry.lamp), ("distance_m", entry.distance_m)):
        if value is not None:
            record[key] = value if isinstance(value, str) else plain(value)
        else:
            record.pop(key, None)
    return record


def _annotation_records(entry: Entry, category_ids: Sequence) -> Iterator[dict]:
    old = {_as_key(note.get("id")): note for note in entry.annotations}
    for row, (x0, y0, x1, y1) in enumerate(entry.boxes.tolist()):
        id = entry.annotation_ids[row]
        id = id if isinstance(id, str) else int(id)
        note = dict(old.get(_as_key(id), {}))
        bbox = [plain(x0), plain(y0), plain(x1 - x0), plain(y1 - y0)]
        said = note.get("bbox")
        # Keep the file's own numbers where they mean this very box.
        if said and [said[0], said[1], said[0] + said[2], said[1] + said[3]] == [x0, y0, x1, y1]:
            bbox = said
        note |= {
            "id": id,
            "image_id": entry.id,
            "category_id": category_ids[int(entry.labels[row])],
            "bbox": bbox,
            "area": plain(entry.areas[row]),
            "iscrowd": int(entry.crowd[row]),
        }
        for key, value, usual in (
            ("ignore", int(entry.ignore[row]), 0),
            ("visibility", plain(entry.visibility[row]), 1),
            ("distance_m", plain(entry.distances_m[row]), None),
        ):
            if value != usual or key in note:
                note[key] = value
            if value is None:
                note.pop(key, None)
        yield note


def _as_key(id: object) -> tuple:
    """An id that tells 1 from "1"."""
    return (isinstance(id, str), id)


def plain(value: float) -> float | int | None:
    """A number as JSON should show it: whole ones without a point, NaN as none."""
    value = float(value)
    if np.isnan(value):
        return None
    return int(value) if value.is_integer() else value


def labels_text(labels: Mapping[str, Any]) -> str:
    """A labels file as text, one record a line, so that a change shows as one line.

    Parameters
    ----------
    labels : mapping
        The whole file.

    Returns
    -------
    str
        JSON.

    Raises
    ------
    DataSetError
        If it holds NaN or infinity.

    Examples
    --------
    >>> print(labels_text({"images": [{"id": 1}, {"id": 2}]}))
    {
    "images": [
    {"id": 1},
    {"id": 2}
    ]
    }
    <BLANKLINE>
    """

    def dump(value: Any) -> str:
        return json.dumps(value, allow_nan=False, ensure_ascii=False)

    parts = []
    try:
        for key, value in labels.items():
            if isinstance(value, list) and value and isinstance(value[0], dict):
                text = "[\n" + ",\n".join(map(dump, value)) + "\n]"
            else:
                text = dump(value)
            parts.append(f"{dump(key)}: {text}")
    except (ValueError, TypeError) as error:
        raise DataSetError(f"labels must hold text and finite numbers alone ({error}); correct or leave out that value") from None
    return "{\n" + ",\n".join(parts) + "\n}\n"


def usual_card(name: str, data: DataSet) -> str:
    """A data card with what can be counted, for its owner to complete.

    Parameters
    ----------
    name : str
        The data set's name.
    data : DataSet
        The data set.

    Returns
    -------
    str
        Markdown.
    """
    counts = ", ".join(
        f"{sum(int((entry.labels == place).sum()) for entry in data)} {label}" for place, label in enumerate(data.classes)
    )
    return (
        f"# {name}\n\n{len(data)} pictures in {len(data.recordings)} recordings ({', '.join(data.recordings)}); boxes: {counts}.\n\n"
        "- Taken by, where, when, with which camera: not stated\n- License: not stated\n"
        "- How it was labelled and checked: not stated\n- Limits: not stated\n"
    )


def _clean_name(name: str, where: str) -> str:
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or "\\" in name or ":" in name or not path.name:
        raise DataSetError(f"{where}: a name must be a file below pictures/, got {name!r}; give for instance 'walk1/0001.png'")
    if path.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise DataSetError(f"{where}: a picture's name must end in .png, .jpg or .jpeg, got {name!r}; rename it")
    return str(path)


def kept_name(entry: Entry, used: set[str]) -> str:
    """The picture's own name without a picture folder in front; made unique.

    Parameters
    ----------
    entry : Entry
        The picture.
    used : set of str
        Names that are taken, in lower case; the new one is added.

    Returns
    -------
    str
        A relative path with ``/``.
    """
    path = PurePosixPath(entry.name.replace("\\", "/"))
    parts = [part for part in path.parts if part not in (".", "..")]
    while len(parts) > 1 and parts[0] in PICTURE_FOLDERS:
        parts.pop(0)
    inside = not path.is_absolute() and ".." not in path.parts and ":" not in path.parts[0]
    path = PurePosixPath(*parts) if inside else PurePosixPath(path.name)
    name, number = path, 1
    while str(name).casefold() in used:
        number += 1
        name = path.with_name(f"{path.stem}-{number}{path.suffix}")
    used.add(str(name).casefold())
    return str(name)


def _check_place(folder: Path, replace: bool) -> None:
    """Refuse to write over anything that nobody offered up."""
    if not folder.exists():
        return
    if not folder.is_dir():
        raise DataSetError(f"a data set goes into a folder, {folder} is a file; choose another name")
    content = {path.name for path in folder.iterdir()} - _LITTER
    if not content:
        return
    if not replace:
        raise DataSetError(
            f"{folder} must be new or empty, it holds {', '.join(sorted(content)[:5])}; choose another folder, or say "
            "replace=True (--replace) to give up the data set in it"
        )
    foreign = content - {"labels.json", "card.md", "pictures"}
    if "labels.json" not in content:
        raise DataSetError(f"{folder} must hold a data set to be replaced, it has no labels.json; choose another folder")
    if not foreign:
        listed = {os.path.realpath(entry.path) for entry in open_dataset(folder, pictures=False)}
        listed |= {os.path.realpath(folder / "pictures" / entry.name) for entry in open_dataset(folder, pictures=False)}
        files = (Path(top, name) for top, _, names in os.walk(folder / "pictures") for name in names if name not in _LITTER)
        foreign = {str(path.relative_to(folder)) for path in files if os.path.realpath(path) not in listed}
    if foreign:
        raise DataSetError(
            f"{folder} may be replaced when it holds one data set and nothing else, it has also "
            f"{', '.join(sorted(foreign)[:5])}; move that away first, or choose another folder"
        )


def _flush_folders(top: Path) -> None:
    """Flush folder entries to the disk, where the system lets folders be opened."""
    if os.name != "posix":
        return
    for folder in (*(Path(found) for found, _, _ in os.walk(top)), top.parent):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _take_place(beside: Path, folder: Path) -> None:
    """Give `beside` the name `folder`; what was there goes."""
    if not folder.exists():
        os.rename(beside, folder)
    elif _exchange(beside, folder):
        shutil.rmtree(beside)
    else:
        # Two renames: a process killed just between them leaves the old set
        # beside, whole, under a name that open_dataset points to.
        old = beside.with_suffix(".old")
        os.rename(folder, old)
        try:
            os.rename(beside, folder)
        except BaseException:
            os.rename(old, folder)
            raise
        shutil.rmtree(old)


def _exchange(a: Path, b: Path) -> bool:
    """Swap two folders in one step; False where the system cannot."""
    if not sys.platform.startswith("linux"):
        return False
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if rename is None:
        return False
    # AT_FDCWD is -100 (linux/fcntl.h), RENAME_EXCHANGE is 2 (renameat2(2)).
    return rename(-100, os.fsencode(a), -100, os.fsencode(b), 2) == 0
