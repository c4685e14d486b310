"""COCO-style results files: what some detector found, in and out."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from contextlib import suppress
from itertools import chain
from pathlib import Path

import numpy as np

from robotlab.data.dataset import DataSet
from robotlab.data.values import as_id, four_numbers, number, typed
from robotlab.detections import Detections
from robotlab.errors import DataSetError, short
from robotlab.files import check_output, write_json
from robotlab.json_file import read_json


def read_results(path: str | os.PathLike, data: DataSet) -> list[Detections]:
    """Read a COCO-style results file: what some detector found.

    Parameters
    ----------
    path : path-like
        A JSON list of ``{"image_id", "category_id", "bbox": [x, y, width,
        height], "score"}``.
    data : DataSet
        The pictures and classes it speaks of.

    Returns
    -------
    list of Detections
        One for each picture of `data`, in its order; rows in the order of the
        file, scores as given.  Rows for pictures that :meth:`DataSet.only`
        left out, and for classes that :meth:`DataSet.of_classes` left out, are
        passed over.

    Raises
    ------
    DataSetError
        If the file is not such a list, or an entry breaks a rule.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.data import LabeledImage
    >>> data = DataSet(Path("annotations.json"), ("post",), (3,), (LabeledImage(7, Path("a.png"), 8, 6),))
    >>> path = write_json(Path(tempfile.mkdtemp()) / "results.json",
    ...                   [{"image_id": 7, "category_id": 3, "bbox": [1, 2, 4, 3], "score": 0.5}])
    >>> read_results(path, data)[0].boxes.tolist()
    [[1.0, 2.0, 5.0, 5.0]]
    """
    path = Path(path)
    value = read_json(path, "a results file", DataSetError)
    if not isinstance(value, list):
        raise DataSetError(
            f"{path} must be a list of results with image_id, category_id, bbox and score, it is "
            f"{'an object' if isinstance(value, dict) else 'a ' + type(value).__name__}; write the bare list"
        )
    columns = None
    with suppress(KeyError, TypeError, ValueError, OverflowError):
        columns = _columns(value, data)
    if columns is None:
        raise DataSetError(_first_flaw(path, value, data))
    pictures, boxes, scores, labels = columns
    pictures = np.where(labels < 0, -1, pictures)
    order = np.argsort(pictures, kind="stable")
    order = order[np.searchsorted(pictures[order], 0) :]  # those at -1 were left out
    ends = np.searchsorted(pictures[order], np.arange(1, len(data)))
    return [Detections(boxes[rows], scores[rows], labels[rows], data.classes) for rows in np.split(order, ends)]


def _places(data: DataSet) -> tuple[dict, dict]:
    """Picture id -> place in `data`, category id -> label; -1 for what was left out."""
    pictures = dict.fromkeys(data.known_ids, -1) | {entry.id: place for place, entry in enumerate(data.pictures)}
    labels = dict.fromkeys(data.known_category_ids, -1) | {id: label for label, id in enumerate(data.category_ids)}
    return pictures, labels


def _columns(value: list, data: DataSet) -> tuple[np.ndarray, ...]:
    """Picture, corners, score and label of each result; any error when one has a flaw."""
    pictures, labels = _places(data)
    boxes, scores = [record["bbox"] for record in value], [record["score"] for record in value]
    ids, kinds = [record["image_id"] for record in value], [record["category_id"] for record in value]
    plain = (
        set(map(type, boxes)) <= {list}
        and set(map(len, boxes)) <= {4}
        and set(map(type, chain(scores, chain.from_iterable(boxes)))) <= {int, float}
        and set(map(type, chain(ids, kinds))) <= {int, float, str}
    )
    xywh = np.array(boxes, dtype=np.float64).reshape(-1, 4)
    with np.errstate(over="ignore"):
        corners = np.column_stack([xywh[:, :2], xywh[:, :2] + xywh[:, 2:]])
    chances = np.array(scores, dtype=np.float64)
    if not (plain and np.isfinite(corners).all() and np.isfinite(chances).all() and (xywh[:, 2:] >= 0).all()):
        raise ValueError
    rows = np.array([pictures[id] for id in ids], dtype=np.int64)
    return rows, corners, chances, np.array([labels[id] for id in kinds], dtype=np.int64)


def _first_flaw(path: Path, value: list, data: DataSet) -> str:
    """What is wrong with the first result that has a flaw."""
    pictures, places = _places(data)
    needed = ("image_id", "category_id", "bbox", "score")
    for place, record in enumerate(value):
        where = f"{path}: results[{place}]"
        if not isinstance(record, dict):
            return f"{where} must be an object, it is a {type(record).__name__}; write the file again"
        missing = [key for key in needed if key not in record]
        if missing:
            return f"{where} must have {', '.join(needed)}, it lacks {', '.join(missing)}; add it"
        if as_id(record["image_id"]) not in pictures:
            return (
                f"{where}: image_id must be the id of a picture in {data.labels_path}, {short(record['image_id'])} is none; "
                "are the results for other labels?" + typed(record["image_id"], data.known_ids)
            )
        if as_id(record["category_id"]) not in places:
            listed = ", ".join(f"{id!r} {name}" for id, name in zip(data.category_ids[:20], data.classes, strict=False))
            return (
                f"{where}: category_id must be one of {listed}, got {short(record['category_id'])}; "
                "are the results for other classes?" + typed(record["category_id"], places)
            )
        x, y, w, h = four_numbers(record["bbox"]) or (math.nan,) * 4
        if not all(map(math.isfinite, (x, y, x + w, y + h))) or w < 0 or h < 0:
            return (
                f"{where}: bbox must be four finite numbers x, y, width >= 0, height >= 0, got {short(record['bbox'])}; "
                "leave such boxes out"
            )
        score = number(record["score"])
        if score is None or not math.isfinite(score):
            return f"{where}: score must be a finite number, got {short(record['score'])}; leave such boxes out"
    return f"{path} must hold plain numbers and words, it does not; write the file again"


def write_results(path: str | os.PathLike, data: DataSet, detections: Sequence[Detections]) -> Path:
    """Write what a detector found as a COCO-style results file.

    Parameters
    ----------
    path : path-like
        Where the file goes.
    data : DataSet
        The pictures looked at.
    detections : sequence of Detections
        One for each picture, in the order of `data`.

    Returns
    -------
    Path
        The path written.

    Raises
    ------
    DataSetError
        If there are more or fewer, or one names a class `data` has not.
    InputError
        If the path is that of the labels or of a picture, or a file of another
        kind is there.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.data import LabeledImage
    >>> data = DataSet(Path("annotations.json"), ("post",), (3,), (LabeledImage(7, Path("a.png"), 8, 6),))
    >>> found = Detections([[1, 2, 5, 5]], [0.5], [0], ["post"])
    >>> path = write_results(Path(tempfile.mkdtemp()) / "results.json", data, [found])
    >>> read_results(path, data)[0].scores.tolist()
    [0.5]
    """
    if len(detections) != len(data):
        raise DataSetError(
            f"detections must be {len(data)}, one for each picture, got {len(detections)}; pass one a picture"
        )
    ids = dict(zip(data.classes, data.category_ids, strict=True))
    rows = []
    for entry, found in zip(data.pictures, detections, strict=True):
        for box, score, label in zip(found.boxes.tolist(), found.scores.tolist(), found.labels.tolist(), strict=True):
            name = found.classes[label]
            if name not in ids:
                raise DataSetError(
                    f"the class of a detection must be one of {', '.join(data.classes)}, picture {entry.name} has {name!r}; "
                    "use a detector that was made for these classes"
                )
            bbox = [box[0], box[1], box[2] - box[0], box[3] - box[1]]
            rows.append({"image_id": entry.id, "category_id": ids[name], "bbox": bbox, "score": score})
    check_output(path, "results file", [data.labels_path, *(entry.path for entry in data.pictures)])
    return write_json(path, rows, indent=None)
