"""Ground truth and detections of a whole data set as flat tables.

Row by row: which picture, which class, which box.  Boxes are kept as ``x, y,
width, height``, the form of COCO-style files, so that nothing is rounded on
the way from a file to its numbers.  Pictures are numbered in the order of
their ids and classes in the order of theirs: equal scores are ranked in that
order, so it is part of the result.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from operator import itemgetter
from typing import Any

import numpy as np

from robotlab.boxes import xywh_from_corners
from robotlab.detections import Detections
from robotlab.errors import BoxError, DataSetError

# Of a column that is worked out where it is not given: no instance keeps it.
_LEFT_OUT: Any = None


def _column(value: Any, count: int, kind: Any, name: str) -> np.ndarray:
    column = np.array(value, dtype=kind)
    if column.shape != (count,):
        raise BoxError(f"{name} must be ({count},), one for each box, got {column.shape}; pass one value a box")
    column.flags.writeable = False
    return column


def _sides(xywh: Any, name: str) -> np.ndarray:
    try:
        xywh = np.array(xywh, dtype=np.float64)
    except (TypeError, ValueError):
        raise BoxError(f"{name} must hold four numbers a box, x, y, width, height; check its rows") from None
    xywh = xywh.reshape(0, 4) if xywh.size == 0 else xywh
    if xywh.ndim != 2 or xywh.shape[1] != 4:
        raise BoxError(f"{name} must be (N, 4), got {xywh.shape}; one row per box, x, y, width, height")
    bad = ~np.isfinite(xywh).all(axis=1) | (xywh[:, 2:] < 0).any(axis=1)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise BoxError(
            f"{name} must be finite with width and height of 0 or more, row {row} is {xywh[row].tolist()}; "
            "correct or remove that box"
        )
    xywh.flags.writeable = False
    return xywh


def _within(column: np.ndarray, count: int, name: str, of: str) -> None:
    if column.size and (column.min() < 0 or column.max() >= count):
        raise BoxError(
            f"{name} must be from 0 to {count - 1}, got {column.min()} to {column.max()}; it is a place in {of}"
        )


@dataclass(frozen=True, eq=False)
class GroundTruthTable:
    """Every labeled box of a data set.

    Parameters
    ----------
    picture : (G,) ndarray of int
        Place of the box's picture, 0 to ``pictures - 1``.
    label : (G,) ndarray of int
        Place of its class in `classes`.
    xywh : (G, 4) ndarray
        ``[x, y, width, height]``, px.
    pictures : int
        How many pictures there are, those without boxes included.
    classes : sequence of str
        Class names.
    area : (G,) ndarray, optional
        px²; in COCO-style files it is the area of the object, not of its box.
        Width times height where not given.
    crowd : (G,) ndarray of bool, optional
        A box around many objects at once: detections inside it count neither
        for nor against.
    ignore : (G,) ndarray of bool, optional
        Marked by the labeler as not to be counted.  COCO's own evaluation
        overwrites this flag, see :func:`robotlab.metrics.evaluate_coco`.

    Raises
    ------
    BoxError
        If shapes disagree or a value is outside its range.

    Examples
    --------
    >>> truths = GroundTruthTable([0, 0], [0, 1], [[0, 0, 10, 10], [5, 5, 4, 2]], 1, ["post", "crate"])
    >>> truths.area.tolist()
    [100.0, 8.0]
    """

    picture: np.ndarray
    label: np.ndarray
    xywh: np.ndarray
    pictures: int
    classes: tuple[str, ...]
    area: np.ndarray = _LEFT_OUT
    crowd: np.ndarray = _LEFT_OUT
    ignore: np.ndarray = _LEFT_OUT

    def __post_init__(self) -> None:
        xywh = _sides(self.xywh, "truth boxes")
        given = {name: value for name, value in vars(self).items() if value is not None}
        none = np.zeros(len(xywh), bool)
        given = {"area": xywh[:, 2] * xywh[:, 3], "crowd": none, "ignore": none, **given}
        kinds = {"picture": np.int64, "label": np.int64, "area": np.float64, "crowd": bool, "ignore": bool}
        columns = {name: _column(given[name], len(xywh), kind, name) for name, kind in kinds.items()}
        classes = tuple(str(name) for name in self.classes)
        _within(columns["picture"], self.pictures, "picture", "the pictures")
        _within(columns["label"], len(classes), "label", "the classes")
        if not np.isfinite(columns["area"]).all():
            raise BoxError("area must be finite, a row is not; leave area out to take width times height")
        for name, value in {**columns, "xywh": xywh, "classes": classes}.items():
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.xywh)


@dataclass(frozen=True, eq=False)
class DetectionTable:
    """Every detection in a data set, picture after picture.

    Parameters
    ----------
    picture : (D,) ndarray of int
        Place of the picture.
    label : (D,) ndarray of int
        Place of the class.
    xywh : (D, 4) ndarray
        ``[x, y, width, height]``, px.
    score : (D,) ndarray
        Higher is more confident; finite.

    Raises
    ------
    BoxError
        If shapes disagree or a number is not finite.

    Examples
    --------
    >>> len(DetectionTable([0], [0], [[0, 0, 9, 10]], [0.8]))
    1
    """

    picture: np.ndarray
    label: np.ndarray
    xywh: np.ndarray
    score: np.ndarray
    area: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        xywh = _sides(self.xywh, "found boxes")
        kinds = {"score": np.float64, "picture": np.int64, "label": np.int64}
        columns = {name: _column(getattr(self, name), len(xywh), kind, name) for name, kind in kinds.items()}
        score = columns["score"]
        if not np.isfinite(score).all():
            row = int(np.flatnonzero(~np.isfinite(score))[0])
            raise BoxError(f"scores must be finite, row {row} is {score[row]}; leave such detections out")
        for name, value in {**columns, "xywh": xywh, "area": xywh[:, 2] * xywh[:, 3]}.items():
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.xywh)


def check_tables(truths: GroundTruthTable, found: DetectionTable) -> None:
    """Refuse detections in pictures or of classes that the truths do not have.

    Parameters
    ----------
    truths : GroundTruthTable
        The labeled boxes.
    found : DetectionTable
        The detections.

    Raises
    ------
    BoxError
        If a picture or a class is out of range.

    Examples
    --------
    >>> check_tables(GroundTruthTable([], [], [], 1, ["post"]), DetectionTable([], [], [], []))
    """
    _within(found.picture, truths.pictures, "picture", "the pictures")
    _within(found.label, len(truths.classes), "label", "the classes")


def detection_table(detections: Sequence[Detections], classes: Sequence[str]) -> DetectionTable:
    """One table from a list of :class:`Detections`, one a picture.

    Parameters
    ----------
    detections : sequence of Detections
        In the order of the pictures.
    classes : sequence of str
        Class names of the data set; a detector may know them in another order,
        or know only some of them.

    Returns
    -------
    DetectionTable
        With labels as places in `classes`.

    Raises
    ------
    DataSetError
        If an entry is not a :class:`Detections`, or of a class that the data set
        does not have.

    Examples
    --------
    >>> found = Detections([[0, 0, 4, 9]], [0.9], [0], ["crate"])
    >>> detection_table([found], ["post", "crate"]).label.tolist()
    [1]
    """
    place = {name: row for row, name in enumerate(classes)}
    pictures, labels, boxes, scores = [], [], [np.zeros((0, 4))], [np.zeros(0)]
    for row, found in enumerate(detections):
        if not isinstance(found, Detections):
            raise DataSetError(
                f"detections must hold one Detections a picture, entry {row} is {type(found).__name__}; "
                "pass [detector.detect(picture) for each picture]"
            )
        used = np.unique(found.labels)
        unknown = [found.classes[label] for label in used if found.classes[label] not in place]
        if unknown:
            raise DataSetError(
                f"a detection's class must be one of {', '.join(classes)}, entry {row} has {unknown[0]!r}; "
                "rename the class or leave those detections out with of_class"
            )
        to = np.array([place.get(name, -1) for name in found.classes], dtype=np.int64)
        pictures.append(np.full(len(found), row))
        labels.append(to[found.labels])
        boxes.append(found.boxes)
        scores.append(found.scores)
    return DetectionTable(
        np.concatenate([np.zeros(0, np.int64), *pictures]),
        np.concatenate([np.zeros(0, np.int64), *labels]),
        xywh_from_corners(np.concatenate(boxes)),
        np.concatenate(scores),
    )


def detections_from_results(
    results: Sequence[Mapping[str, Any]],
    picture_ids: Sequence[int | str],
    category_ids: Sequence[int | str],
    name: str = "results",
) -> DetectionTable:
    """Detection table of a COCO-style results list.

    Parameters
    ----------
    results : sequence of mapping
        Each with ``image_id``, ``category_id``, ``bbox``, ``score``.
    picture_ids, category_ids : sequence of int
        Ids in the order of the truth table.
    name : str
        How error messages call the list.

    Returns
    -------
    DetectionTable
        Rows in the order of the list.

    Raises
    ------
    DataSetError
        If an entry lacks a key, names an unknown picture or class, or holds a
        number that is not finite.

    Examples
    --------
    >>> rows = [{"image_id": 7, "category_id": 3, "bbox": [0, 0, 9, 9], "score": 0.5}]
    >>> detections_from_results(rows, [7], [3]).picture.tolist()
    [0]
    """
    if not isinstance(results, Sequence) or isinstance(results, (str, bytes)):
        raise DataSetError(
            f"{name} must be a list of detections, got {type(results).__name__}; see the COCO results form"
        )
    pictures, classes, boxes, scores = _columns(results, ("image_id", "category_id", "bbox", "score"), name)
    try:
        return DetectionTable(
            _places(pictures, picture_ids, "image_id", name),
            _places(classes, category_ids, "category_id", name),
            _four(boxes, name),
            _numbers(scores, lambda row: scores[row], f"{name}: a score must be a number"),
        )
    except BoxError as error:
        raise DataSetError(f"{name}: {error}") from None


def _columns(rows: Sequence[Mapping[str, Any]], keys: tuple[str, ...], name: str) -> list[list]:
    """One list a key, from a list of dicts, in one pass over it."""
    try:
        flat = list(chain.from_iterable(map(itemgetter(*keys), rows)))
        return [flat[place :: len(keys)] for place in range(len(keys))]
    except (KeyError, TypeError):
        for number, row in enumerate(rows):
            for key in keys:
                if not isinstance(row, Mapping) or key not in row:
                    raise DataSetError(f"{name}: every entry must have {key}, entry {number} has not; add it") from None
        raise


def _four(boxes: Sequence[Sequence[float]], name: str) -> np.ndarray:
    """(N, 4) from a list of lists, checked to be four numbers each."""
    rule = f"{name}: a bbox must be four numbers, x, y, width, height"
    sound = {*map(type, boxes)} <= {list, tuple} and {*map(len, boxes)} <= {4}
    for row, box in () if sound else enumerate(boxes):
        if type(box) not in (list, tuple) or len(box) != 4:
            raise DataSetError(f"{rule}, entry {row} is {box!r}; correct it")
    return _numbers(chain.from_iterable(boxes), lambda place: boxes[place // 4], rule, 4).reshape(-1, 4)


def _numbers(values: Iterable, at: Callable[[int], Any], rule: str, each: int = 1) -> np.ndarray:
    """Floats from numbers; text and null refused."""
    values = list(values)
    numbers = np.array(values or np.zeros(0))
    if numbers.dtype.kind in "fiu":
        return numbers.astype(np.float64, copy=False)
    for place, value in enumerate(values):
        if isinstance(value, bool) or not isinstance(value, (int, float, np.integer, np.floating)):
            raise DataSetError(f"{rule}, entry {place // each} has {at(place)!r}; check for text or null")
    return np.array(values, dtype=np.float64)


def _places(values: Sequence[int], known: Sequence[int | str], key: str, name: str) -> np.ndarray:
    place = {number: row for row, number in enumerate(known)}
    try:
        return np.fromiter(map(place.__getitem__, values), np.int64, len(values))
    except (KeyError, TypeError):
        row = next(n for n, value in enumerate(values) if not isinstance(value, int) or value not in place)
        raise DataSetError(
            f"{name}: entry {row} must have a known {key}, got {values[row]!r}; correct it or add that {key.split('_')[0]}"
        ) from None
