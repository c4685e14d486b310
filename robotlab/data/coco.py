"""COCO-style JSON: open a labels file, checking every record.

The format is the one of Lin et al., "Microsoft COCO", ECCV 2014
(arXiv:1405.0312): ``images``, ``annotations`` with ``bbox`` as x, y, width,
height in px, and ``categories``.  Polygons and masks are not used.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import repeat
from pathlib import Path
from typing import Any

import numpy as np

from robotlab import image as pictures_io
from robotlab.data.dataset import DataSet, size_problem
from robotlab.data.labeled_image import LabeledImage
from robotlab.data.locating import PictureFinder, looks_like_labels
from robotlab.data.values import as_id, four_numbers, has_nan, is_word, number, typed
from robotlab.errors import DataSetError, PictureError, printable, short
from robotlab.json_file import read_json

# A box may reach this far outside its picture and is then cut off at the
# edge; one that reaches further is a mistake.  Labels rounded to whole pixels,
# or counted from 1, are off by up to this much (common practice, no source).
HAIR_PX = 1.0
Complain = Callable[[str], None] | None


def read_labels(labels: Path, pictures: bool = True, complain: Complain = None, unlabeled: bool = False) -> DataSet:
    """Open one COCO-style file.

    Parameters
    ----------
    labels : Path
        The file.
    pictures : bool
        As in :func:`robotlab.data.open_dataset`.
    complain : callable, optional
        Gets the sentence for each record that breaks a rule; the record is
        then left out.  Without it the first one is raised.
    unlabeled : bool
        As in :func:`robotlab.data.open_dataset`.

    Returns
    -------
    DataSet
        What could be read.

    Raises
    ------
    DataSetError
        At the first broken rule, or when nothing is left to open.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.files import write_json
    >>> labels = write_json(Path(tempfile.mkdtemp()) / "annotations.json", {
    ...     "images": [{"id": 1, "file_name": "a.png", "width": 8, "height": 6}],
    ...     "annotations": [{"id": 1, "image_id": 1, "category_id": 3, "bbox": [1, 2, 40, 3]}],
    ...     "categories": [{"id": 3, "name": "post"}]})
    >>> said = []
    >>> read_labels(labels, pictures=False, complain=said.append).box_count, len(said)
    (0, 1)
    """
    value = read_json(labels, "a labels file", DataSetError)
    return Reader(labels, PictureFinder(labels), pictures, complain, unlabeled).read(value)


@dataclass
class Reader:
    """Turns the records of one labels file into entries, checking each.

    Parameters
    ----------
    labels : Path
        The labels file, for messages.
    finder : PictureFinder
        Knows where pictures lie.
    pictures, complain, unlabeled
        As in :func:`read_labels`.
    """

    labels: Path
    finder: PictureFinder
    pictures: bool = True
    complain: Complain = None
    unlabeled: bool = False
    # The entry being read, for messages.
    where: str = field(default="", init=False)

    def tell(self, sentence: object) -> None:
        """Tell of a broken rule, naming file and entry."""
        (self.complain or _raise)(f"{self.labels}: {self.where}: {sentence}")

    def read(self, value: Any) -> DataSet:
        """Read a whole labels file, parsed.

        Parameters
        ----------
        value : object
            With the lists ``images``, ``annotations`` and ``categories``.

        Returns
        -------
        DataSet
            The records that keep the rules.

        Raises
        ------
        DataSetError
            If a list is missing, no picture or no class is left, or by the default `complain`.
        """
        if not looks_like_labels(value) or not isinstance(value.get("categories"), list):
            keys = ", ".join(sorted(value)[:9]) if isinstance(value, dict) else ""
            has = f"the keys {keys}" if keys else f"a {type(value).__name__} without them"
            raise DataSetError(
                f"{self.labels} must have the lists images, annotations and categories, it has {has}; "
                "export it as COCO-style JSON (a results file goes with --results)"
            )
        rest = {key: item for key, item in value.items() if key not in ("images", "annotations", "categories")}
        for key, item in rest.items():
            if has_nan(item):
                self.where = f"key {key}"
                self.tell("numbers must be finite, it holds NaN or infinity; put a number or leave it out")
        names, ids, kept = self._categories(value["categories"])
        rows = self._pictures(value["images"])
        # What was refused has been told of once; boxes in it are not further problems.
        listed = {
            key: {as_id(r.get("id")) for r in value[key] if isinstance(r, dict)} - {None}
            for key in ("images", "categories")
        }
        self.refused_pictures, self.refused_classes = listed["images"] - set(rows), listed["categories"] - set(ids)
        boxes = self._annotations(value["annotations"], rows, {id: place for place, id in enumerate(ids)}, names)
        # Boxes of classes that are not listed are broken records, whatever else the set lacks.
        if not rows or not (names or (self.unlabeled and not value["categories"] and not value["annotations"])):
            lacks = "picture (images)" if not rows else "class (categories)"
            raise DataSetError(
                f"{self.labels}: a data set must have at least one {lacks}, it has none; label some first"
            )
        entries = [self._entry(id, row, boxes[id]) for id, row in rows.items()]
        return DataSet(self.labels, tuple(names), tuple(ids), tuple(entries), tuple(kept), rest)

    def _each(self, key: str, records: list, needed: tuple[str, ...], take: Callable[[Any, dict], None]) -> None:
        """Take in each record that keeps the rules, with its id; tell of the others."""
        seen: dict = {}
        # Annotations without an id get one after the largest that is used.
        used = [as_id(record.get("id")) for record in records if isinstance(record, dict)]
        spare = 1 + max((id for id in used if isinstance(id, int)), default=0)
        for place, record in enumerate(records):
            self.where = f"{key}[{place}]"
            try:
                id = self._id(record, needed, spare + place if key == "annotations" else None)
                if id in seen:
                    raise DataSetError(
                        f"ids must be unique, {short(id)} is also that of {key}[{seen[id]}]; give each its own"
                    )
                if has_nan({k: v for k, v in record.items() if k not in ("bbox", "segmentation")}):
                    raise DataSetError(
                        "numbers must be finite, it holds NaN or infinity; put a number or leave the key out"
                    )
                seen[id] = place
                take(id, record)
            except (DataSetError, PictureError) as problem:
                self.tell(problem)

    def _id(self, record: object, needed: tuple[str, ...], spare: int | None) -> int | str:
        """The id of a record that is an object with the needed keys; `spare` if it may lack one."""
        if not isinstance(record, dict):
            raise DataSetError(f"each entry must be an object, it is a {type(record).__name__}; export the file again")
        if "id" in record:
            self.where += f" (id {short(record['id'])})"
        missing = ["id"] if "id" not in record and spare is None else []
        missing += [name for name in needed if name not in record]
        if missing:
            raise DataSetError(f"it must have {', '.join((*needed, 'id'))}, it lacks {', '.join(missing)}; add it")
        id = as_id(record["id"]) if "id" in record else spare
        if id is None:
            raise DataSetError(
                f"id must be a whole number or a printable word, got {short(record['id'])}; number the entries"
            )
        return id

    def _categories(self, records: list) -> tuple[list[str], list, list[dict]]:
        names: dict[str, None] = {}
        ids: list[int | str] = []
        kept: list[dict] = []

        def take(id: int | str, record: dict) -> None:
            name = record["name"]
            if not is_word(name):
                raise DataSetError(f"a class must have a printable name, got {short(name)}; write one word for it")
            if name in names:
                raise DataSetError(f"class names must be unique, {short(name)} comes twice; join the two or rename one")
            names[name] = None
            ids.append(id)
            kept.append(record)

        self._each("categories", records, ("name",), take)
        return list(names), ids, kept

    def _pictures(self, records: list) -> dict:
        """Picture id -> (record, path, width, height, recording, where)."""
        rows: dict = {}
        paths: dict = {}

        def take(id: int | str, record: dict) -> None:
            name = record["file_name"]
            if not is_word(name):
                raise DataSetError(
                    f"file_name must be the printable name of a file, got {short(name)}; write the picture's name"
                )
            self.where = f"{self.where.split(' ')[0]} (id {short(id)}, {name})"
            path, within = self.finder.find(name)
            if path is None and self.pictures:
                raise DataSetError(
                    "the picture file must exist, it is not in "
                    f"{', '.join(str(root) for root in self.finder.roots)}; copy it there, or take the entry out"
                )
            path = path or self.finder.folder / name.replace("\\", "/")
            foreign = [key for key in ("recording", "lighting") if printable(record.get(key)) != str(record.get(key))]
            if foreign:
                raise DataSetError(
                    f"{foreign[0]} must be printable, got {short(record[foreign[0]])}; write a plain word"
                )
            twin = paths.setdefault(os.path.realpath(path) if self.pictures else str(path), id)
            if twin != id:
                raise DataSetError(
                    f"each picture must be listed once, this file is also picture id {short(twin)}; join the two"
                )
            size = self._size(id, record, path)
            recording = str(record["recording"]) if record.get("recording") not in (None, "") else within or "all"
            rows[id] = (record, path, *size, recording, self.where)

        self._each("images", records, ("file_name",), take)
        return rows

    def _size(self, id: int | str, record: dict, path: Path) -> tuple[int, int]:
        label: tuple[int, int] | None = None
        if "width" in record or "height" in record or not self.pictures:
            width, height = as_id(record.get("width")), as_id(record.get("height"))
            if not (isinstance(width, int) and isinstance(height, int) and min(width, height) > 0):
                raise DataSetError(
                    f"width and height must be whole numbers of px > 0, got {short(record.get('width'))} and "
                    f"{short(record.get('height'))}; write the picture's size"
                )
            label = width, height
        if label is not None and not self.pictures:
            return label
        real = pictures_io.size_of(path)
        if label not in (None, real):
            self.where = f"picture id {id} ({record['file_name']})"
            raise DataSetError(size_problem(label, real))
        return real

    def _annotations(self, records: list, rows: dict, places: dict, names: list[str]) -> dict:
        """Picture id -> list of (annotation id, record, box, class place)."""
        found: dict = {id: [] for id in rows}

        def take(id: int | str, record: dict) -> None:
            picture, category = as_id(record["image_id"]), as_id(record["category_id"])
            if picture in self.refused_pictures:
                return
            if picture not in rows:
                raise DataSetError(
                    f"image_id must be the id of a picture in images, {short(record['image_id'])} is none; "
                    "correct it, or take the entry out" + typed(record["image_id"], rows)
                )
            shown, _, width, height, *_ = rows[picture]
            self.where += f" in {shown['file_name']}"
            if category in self.refused_classes:
                return
            if category not in places:
                listed = ", ".join(f"{short(id)} {name}" for id, name in zip(places, names[:20], strict=False))
                raise DataSetError(
                    f"category_id must be one of {listed or 'those in categories'}, got {short(record['category_id'])}; "
                    "correct it, or add the class to categories" + typed(record["category_id"], places)
                )
            box = _box(record["bbox"], width, height)
            _check_numbers(record)
            found[picture].append((id, record, box, places[category]))

        self._each("annotations", records, ("image_id", "category_id", "bbox"), take)
        return found

    def _entry(self, id: int | str, row: tuple, found: list) -> LabeledImage:
        record, path, width, height, recording, self.where = row
        distance = number(record.get("distance_m"))
        if record.get("distance_m") is not None and not (distance is not None and distance > 0):
            came = short(record["distance_m"])
            self.tell(f"distance_m must be a number of m > 0, got {came}; correct it, or leave the key out")
            distance = None
        ids, notes, boxes, labels = zip(*found, strict=True) if found else ((), (), (), ())

        def column(key: str, usual: Iterable[float]) -> np.ndarray:
            return np.array([one if note.get(key) is None else float(note[key]) for note, one in zip(notes, usual)])

        return LabeledImage(
            id=id,
            path=path,
            width_px=width,
            height_px=height,
            recording=recording,
            lighting=None if record.get("lighting") is None else str(record["lighting"]),
            distance_m=distance,
            boxes=np.array(boxes),
            labels=np.array(labels, np.int64),
            areas=column("area", ((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in boxes)),
            crowd=column("iscrowd", repeat(0)),
            ignore=column("ignore", repeat(0)),
            visibility=column("visibility", repeat(1)),
            distances_m=column("distance_m", repeat(np.nan)),
            annotation_ids=np.array(ids, dtype=np.int64 if all(isinstance(id, int) for id in ids) else object),
            record=record,
            annotations=notes,
        )


def _box(bbox: object, width: int, height: int) -> tuple[float, ...]:
    """Corners of a box in its picture, cut off at the edge."""
    numbers = four_numbers(bbox)
    if numbers is None:
        raise DataSetError(f"bbox must be four numbers x, y, width, height, got {short(bbox)}; label the box again")
    if not all(map(math.isfinite, numbers)):
        raise DataSetError(f"bbox must be finite, got {short(bbox)}; label the box again, or take the entry out")
    x, y, w, h = numbers
    if w <= 0 or h <= 0:
        raise DataSetError(
            f"bbox must have an area, width and height > 0, got {short(bbox)}; draw the box again, or take the entry out"
        )
    x1, y1 = x + w, y + h
    clipped = (max(x, 0.0), max(y, 0.0), min(x1, width), min(y1, height))
    outside = max(-x, -y, x1 - width, y1 - height)
    if outside > HAIR_PX or clipped[2] <= clipped[0] or clipped[3] <= clipped[1]:
        raise DataSetError(
            f"bbox must lie inside its picture ({width} x {height} px, to within {HAIR_PX:g} px), got {short(bbox)} "
            f"(x, y, width, height), {outside:.4g} px outside; cut it off at the edge, or check that it is not "
            "corners, fractions, or of another picture size"
        )
    return clipped


def _check_numbers(record: dict) -> None:
    for key, low, high, text in (
        ("area", 0, math.inf, "a number of px² >= 0"),
        ("visibility", 0, 1, "a number from 0 to 1"),
        ("distance_m", 0, math.inf, "a number of m > 0"),
    ):
        value = number(record.get(key))
        if record.get(key) is not None and (value is None or not low <= value <= high):
            raise DataSetError(f"{key} must be {text}, got {short(record[key])}; correct it, or leave the key out")
    for key in ("iscrowd", "ignore"):
        if record.get(key) not in (None, 0, 1):
            raise DataSetError(f"{key} must be 0 or 1, got {short(record[key])}; correct it, or leave the key out")


def _raise(sentence: str) -> None:
    raise DataSetError(sentence) from None
