"""Write a data set whole or not at all: in a temporary folder, checked by opening it, then renamed."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from robotlab import image as pictures_io
from robotlab.boxes import check_boxes
from robotlab.data.atomic_folder import whole_folder
from robotlab.data.coco import read_labels
from robotlab.data.dataset import DataSet
from robotlab.data.labeled_image import LabeledImage
from robotlab.data.labels_text import labels_text
from robotlab.data.locating import LABELS_NAME, PICTURE_FOLDERS
from robotlab.errors import DataSetError, counted, some
from robotlab.files import read_plain, write_whole


@dataclass(frozen=True, eq=False)
class Sample:
    """One labeled picture, to be written.

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
    lighting : str or None
        The light, where known.
    distance_m : float or None
        Distance to the target, m, where known.
    areas, crowd, ignore, visibility, distances_m : (N,) array-like, optional
        As in :class:`LabeledImage`.
    more : mapping
        Further keys for the picture's record.

    Examples
    --------
    >>> sample = Sample("a.png", np.zeros((6, 8, 3), np.uint8), [[1, 2, 5, 5]], [0], lighting="dusk")
    >>> sample.lighting
    'dusk'
    """

    name: str
    picture: np.ndarray | bytes
    boxes: Any = ()
    labels: Any = ()
    recording: str = "all"
    lighting: str | None = None
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
    card: str | bytes | None = None,
    info: Mapping[str, Any] | None = None,
    replace: bool = False,
    quality: int = 90,
) -> DataSet:
    """Write pictures, ``annotations.json`` and ``card.md`` into one folder.

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
    card : str or bytes, optional
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
        :func:`robotlab.data.open_dataset`.  Nothing is left behind then.

    Notes
    -----
    All files are written to a hidden folder beside, flushed to the disk,
    opened again as a check, and renamed into place in one step, so a process
    that is killed leaves the old data set as it was.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp()) / "bench"
    >>> data = write_dataset(folder, [Sample("a.png", np.zeros((6, 8, 3), np.uint8), [[1, 2, 5, 5]], [0])], ["post"])
    >>> sorted(path.name for path in folder.iterdir()), data[0].boxes.tolist()
    (['annotations.json', 'card.md', 'pictures'], [[1.0, 2.0, 5.0, 5.0]])
    """
    with whole_folder(folder, replace) as beside:
        if isinstance(pictures, DataSet):
            labels, categories, entries = dict(pictures.rest), pictures.category_records, _copied(pictures)
            old_card = pictures.folder / "card.md"
            if card is None and old_card.is_file():
                card = read_plain(old_card, 2**24, "a data card", DataSetError)
        else:
            if classes is None or isinstance(classes, str) or not list(classes):
                raise DataSetError(
                    f"classes must be a list of class names, got {classes!r}; pass for instance ['post']"
                )
            labels, categories = {}, [{"id": place, "name": str(name)} for place, name in enumerate(classes, 1)]
            entries = _new(beside, pictures, len(classes), quality)
        labels |= {"images": [], "annotations": [], "categories": categories}
        category_ids = [record["id"] for record in categories]
        for entry, file_name, content in entries:
            write_whole(beside / file_name, content)
            labels["images"].append(picture_record(entry, file_name))
            labels["annotations"] += annotation_records(entry, category_ids)
        if info:
            labels["info"] = {**labels.get("info", {}), **info}
        write_whole(beside / LABELS_NAME, labels_text(labels))
        written = read_labels(beside / LABELS_NAME)
        write_whole(beside / "card.md", card if card is not None else usual_card(Path(folder).name, written))
    return read_labels(Path(folder) / LABELS_NAME)


def _new(
    beside: Path, samples: Iterable[Sample], class_count: int, quality: int
) -> Iterator[tuple[LabeledImage, str, bytes]]:
    """Each sample as an entry, its file name, and what goes into the file."""
    boxes = 0
    for number, sample in enumerate(samples, 1):
        if not isinstance(sample, Sample):
            raise DataSetError(
                f"pictures must be a DataSet or Samples, number {number} is a {type(sample).__name__}; wrap it"
            )
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
        entry = LabeledImage(
            number,
            beside / file_name,
            width,
            height,
            recording=str(sample.recording),
            lighting=sample.lighting,
            distance_m=sample.distance_m,
            boxes=check_boxes(sample.boxes, f"boxes of {where}"),
            labels=sample.labels,
            areas=sample.areas,
            crowd=sample.crowd,
            ignore=sample.ignore,
            visibility=sample.visibility,
            distances_m=sample.distances_m,
            annotation_ids=np.arange(boxes + 1, boxes + 1 + len(sample.boxes)),
            record=dict(sample.more),
        )
        if len(entry) and not 0 <= entry.labels.min() <= entry.labels.max() < class_count:
            came = entry.labels.tolist()
            raise DataSetError(f"{where}: labels must be from 0 to {class_count - 1}, got {came}; count from 0")
        boxes += len(entry)
        yield entry, file_name, content


def _copied(data: DataSet) -> Iterator[tuple[LabeledImage, str, bytes]]:
    """Each entry, its new file name, and what goes into the file."""
    used: set[str] = set()
    for entry in data.pictures:
        data.load(entry)  # a damaged picture is not copied on
        yield entry, f"pictures/{kept_name(entry, used)}", entry.path.read_bytes()


def picture_record(entry: LabeledImage, file_name: str) -> dict:
    """A picture's record as it stands in a labels file."""
    record: dict[str, Any] = {
        "id": entry.id,
        "file_name": file_name,
        "width": entry.width_px,
        "height": entry.height_px,
    }
    record = {**record, **entry.record, **record, "recording": entry.recording}
    for key, value in (("lighting", entry.lighting), ("distance_m", entry.distance_m)):
        if value is not None:
            record[key] = value if isinstance(value, str) else plain(value)
        else:
            record.pop(key, None)
    return record


def annotation_records(entry: LabeledImage, category_ids: Sequence) -> Iterator[dict]:
    """The records of a picture's boxes as they stand in a labels file."""
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

    Examples
    --------
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (LabeledImage(7, Path("a.png"), 8, 6, boxes=[[0, 0, 4, 4]]),))
    >>> print(usual_card("bench", data).splitlines()[2])
    1 picture in 1 recording (all); boxes: 1 post.
    """
    counts = ", ".join(
        f"{sum(int((entry.labels == place).sum()) for entry in data)} {label}"
        for place, label in enumerate(data.classes)
    )
    return (
        f"# {name}\n\n{counted(len(data), 'picture')} in {counted(len(data.recordings), 'recording')} "
        f"({some(data.recordings)}); boxes: {counts}.\n\n"
        "- Taken by, where, when, with which camera: not stated\n- License: not stated\n"
        "- How it was labeled and checked: not stated\n- Limits: not stated\n"
    )


def _clean_name(name: str, where: str) -> str:
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or "\\" in name or ":" in name or not path.name:
        raise DataSetError(
            f"{where}: a name must be a file below pictures/, got {name!r}; give for instance 'walk1/0001.png'"
        )
    if path.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise DataSetError(f"{where}: a picture's name must end in .png, .jpg or .jpeg, got {name!r}; rename it")
    return str(path)


def kept_name(entry: LabeledImage, used: set[str]) -> str:
    """The picture's own name without a picture folder in front; made unique.

    Parameters
    ----------
    entry : LabeledImage
        The picture.
    used : set of str
        Names that are taken, in lower case; the new one is added.

    Returns
    -------
    str
        A relative path with ``/``.

    Examples
    --------
    >>> used = set()
    >>> [kept_name(LabeledImage(n, Path("images/a.png"), 8, 6), used) for n in range(2)]
    ['a.png', 'a-2.png']
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
