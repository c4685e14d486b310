"""From a data set and detections to an :class:`Evaluation`."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from robotlab.boxes import xywh_from_corners
from robotlab.detections import Detections
from robotlab.errors import DataSetError, InputError, short
from robotlab.json_file import read_json
from robotlab.metrics.coco import evaluate_coco
from robotlab.metrics.evaluation import Evaluation, curve_of
from robotlab.metrics.tables import DetectionTable, GroundTruthTable, detection_table, detections_from_results

if TYPE_CHECKING:
    from robotlab.data import DataSet


def ground_truth_table(data: DataSet) -> tuple[GroundTruthTable, list]:
    """The truths of a data set as one table.

    Parameters
    ----------
    data : DataSet
        From :func:`robotlab.data.open_dataset`.

    Returns
    -------
    truths : GroundTruthTable
        Pictures and classes in the order of their ids; boxes as the labels
        file gives them.
    entries : list of LabeledImage
        The pictures in that order.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import DataSet, LabeledImage
    >>> data = DataSet(Path("annotations.json"), ("post",), (3,), (LabeledImage(7, Path("a.png"), 64, 48, boxes=[[0, 0, 9, 9]], labels=[0]),))
    >>> truths, entries = ground_truth_table(data)
    >>> truths.xywh.tolist(), [entry.id for entry in entries]
    ([[0.0, 0.0, 9.0, 9.0]], [7])
    """
    entries = sorted(data.pictures, key=lambda entry: _id_order(entry.id))
    order = sorted(range(len(data.classes)), key=lambda k: _id_order(data.category_ids[k]))
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    boxes = []
    for entry in entries:
        # The file's own numbers where there are some: corners and back would round.
        if len(entry.annotations) == len(entry.boxes):
            boxes += [[float(number) for number in note["bbox"]] for note in entry.annotations]
        else:
            boxes += xywh_from_corners(entry.boxes).tolist()

    def column(name: str, kind: type) -> np.ndarray:
        return np.concatenate([np.zeros(0, kind), *(getattr(entry, name) for entry in entries)])

    truths = GroundTruthTable(
        np.repeat(np.arange(len(entries)), [len(entry.boxes) for entry in entries]),
        place[column("labels", np.int64)],
        np.array(boxes, float).reshape(-1, 4),
        len(entries),
        tuple(data.classes[k] for k in order),
        column("areas", np.float64),
        column("crowd", bool),
        column("ignore", bool),
    )
    return truths, entries


def _id_order(number: int | str) -> tuple:
    return (isinstance(number, str), number)


def evaluate(
    data: DataSet,
    detections: Sequence[Detections] | DetectionTable,
    name: str = "detector",
    score: float | None = None,
    use_ignore: bool = False,
) -> Evaluation:
    """Evaluate a detector on a data set.

    Parameters
    ----------
    data : DataSet
        Labeled pictures.
    detections : sequence of Detections
        One for each picture, in the order of ``data.pictures``; or a table
        whose pictures and classes are in the order of :func:`ground_truth_table`.
    name : str
        How tables call the detector.
    score : float, optional
        Confidence threshold; where not given, the one with the best F1 over all
        classes at IoU .5 (chosen on this very data set, so optimistic).
    use_ignore : bool
        Leave out truths marked ``ignore``.  Off by default, because COCO's
        program overwrites that flag and its numbers are the ones compared.

    Returns
    -------
    Evaluation
        All numbers.

    Raises
    ------
    DataSetError
        If there are more or fewer detections than pictures, or a class that
        the data set does not have.
    InputError
        If the score is not finite, or `data` or `detections` are something else.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import DataSet, LabeledImage
    >>> entry = LabeledImage(7, Path("a.png"), 64, 48, boxes=[[0, 0, 10, 10]], labels=[0])
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (entry,))
    >>> evaluate(data, [Detections([[0, 0, 10, 10]], [0.9], [0], ["post"])]).AP.__round__(6)
    1.0
    """
    if score is not None and not math.isfinite(score):
        raise InputError(f"score must be a finite number, got {score}; leave it out to take the best F1")
    from robotlab.data.dataset import check_data_set

    truths, entries = ground_truth_table(check_data_set(data))
    if isinstance(detections, DetectionTable):
        found = detections
    else:
        if isinstance(detections, Detections) or not isinstance(detections, Iterable):
            raise InputError(
                f"detections must be one Detections for each picture, or a table, got {short(detections)}; "
                "pass [detector.detect(data.load(entry)) for entry in data]"
            )
        detections = list(detections)
        if len(detections) != len(entries):
            raise DataSetError(
                f"detections must be {len(entries)}, one for each picture, got {len(detections)}; "
                "pass [detector.detect(data.load(entry)) for entry in data]"
            )
        by_id = {entry.id: found for entry, found in zip(data.pictures, detections, strict=True)}
        found = detection_table([by_id[entry.id] for entry in entries], truths.classes)
    table = evaluate_coco(truths, found, use_ignore)
    best_f1_here = score is None
    if best_f1_here:
        best = curve_of(table, found, None).best()
        score = best["score"] if best else None
    distances = [_distances(entry) for entry in entries]
    return Evaluation(
        name,
        truths,
        found,
        table,
        score,
        tuple(entry.recording for entry in entries),
        tuple(entry.lighting for entry in entries),
        np.concatenate([np.zeros(0), *distances]),
        use_ignore,
        best_f1_here,
    )


def _distances(entry: Any) -> np.ndarray:
    """A picture's own distance stands in where it has one object without one."""
    if len(entry.boxes) == 1 and entry.distance_m is not None and np.isnan(entry.distances_m[0]):
        return np.array([float(entry.distance_m)])
    return entry.distances_m


def results_table(data: DataSet, results: Sequence[Mapping[str, Any]], name: str = "results") -> DetectionTable:
    """A COCO-style results list as a table for :func:`evaluate`.

    Parameters
    ----------
    data : DataSet
        The pictures that it speaks of; rows for pictures that
        ``data.only(...)`` left out are passed over.
    results : sequence of mapping
        As :mod:`json` reads them.
    name : str
        How error messages call the list.

    Returns
    -------
    DetectionTable
        In the order of :func:`ground_truth_table`.

    Raises
    ------
    DataSetError
        If an entry breaks a rule.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import DataSet, LabeledImage
    >>> data = DataSet(Path("annotations.json"), ("post",), (3,), (LabeledImage(7, Path("a.png"), 64, 48),))
    >>> results_table(data, [{"image_id": 7, "category_id": 3, "bbox": [0, 0, 9, 9], "score": 0.5}]).score.tolist()
    [0.5]
    """
    here = {entry.id for entry in data.pictures}
    if isinstance(results, list) and data.known_ids - here:
        results = [
            row
            for row in results
            if not isinstance(row, Mapping) or row.get("image_id") in here or row.get("image_id") not in data.known_ids
        ]
    return detections_from_results(results, sorted(here, key=_id_order), sorted(data.category_ids, key=_id_order), name)


def read_results_table(data: DataSet, results_path: str | os.PathLike) -> DetectionTable:
    """Read a COCO-style results file into a table for :func:`evaluate`.

    Parameters
    ----------
    data : DataSet
        The pictures that it speaks of.
    results_path : path-like
        A JSON list of ``image_id, category_id, bbox, score``.

    Returns
    -------
    DetectionTable
        Numbers as the file has them, unrounded.

    Raises
    ------
    DataSetError
        If the file is missing or no such list, or an entry breaks a rule.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import DataSet, LabeledImage
    >>> data = DataSet(Path("annotations.json"), ("post",), (3,), (LabeledImage(7, Path("a.png"), 64, 48),))
    >>> import tempfile
    >>> from robotlab.files import write_json
    >>> rows = [{"image_id": 7, "category_id": 3, "bbox": [0, 0, 9, 9], "score": 0.5}]
    >>> path = write_json(Path(tempfile.mkdtemp()) / "results.json", rows)
    >>> len(read_results_table(data, path))
    1
    """
    return results_table(data, read_json(results_path, "a results file", DataSetError), str(results_path))
