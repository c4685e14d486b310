"""COCO's numbers as one would explain them, slow, and tables from COCO's own JSON: reference implementations for the tests of the metrics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from robotlab.metrics.coco import AREA_RANGES, DETECTION_LIMITS, IOU_LIMITS, RECALL_LEVELS
from robotlab.metrics.matching import choose_coco
from robotlab.metrics.tables import DetectionTable, GroundTruthTable, check_tables, detections_from_results


def _levels(hit: np.ndarray, there: int) -> np.ndarray:
    """(101,) best precision at each level of recall or beyond; 0 where it is not reached."""
    true, false = np.cumsum(hit), np.cumsum(~hit)
    recall = true / there
    # The tiny addend is cocoeval.py's guard against 0 / 0, kept for equality.
    precision = true / ((false + true) + np.spacing(1))
    values = []
    for level in RECALL_LEVELS:
        reached = precision[recall >= level]
        values.append(reached.max() if reached.size else 0.0)
    return np.array(values)


def _ranked(
    truths: GroundTruthTable,
    found: DetectionTable,
    k: int,
    limit: float,
    uncounted: np.ndarray,
    size: tuple[float, float],
):
    """Score, hit and rank in its picture of every detection that counts, best first."""
    scores, hits, ranks = [], [], []
    for picture in range(truths.pictures):
        there = np.flatnonzero((truths.picture == picture) & (truths.label == k))
        here = np.flatnonzero((found.picture == picture) & (found.label == k))
        here = here[np.argsort(-found.score[here], kind="stable")][: DETECTION_LIMITS[-1]]
        table = np.array([[overlap(found.xywh[d], truths.xywh[g], truths.crowd[g]) for g in there] for d in here])
        table = table.reshape(len(here), len(there))
        truth, void = choose_coco(table, np.arange(len(here)), limit, truths.crowd[there], uncounted[there])
        # One without a match, of another size than is asked for, is not held against the detector.
        void |= (truth < 0) & ((found.area[here] < size[0]) | (found.area[here] > size[1]))
        scores += found.score[here][~void].tolist()
        hits += (truth >= 0)[~void].tolist()
        ranks += np.flatnonzero(~void).tolist()
    order = np.argsort(-np.array(scores), kind="stable")
    return np.array(scores)[order], np.array(hits, dtype=bool)[order], np.array(ranks)[order]


def coco_tables_reference(
    truths: GroundTruthTable, found: DetectionTable, use_ignore: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Precision and recall in every setting.

    Parameters
    ----------
    truths : GroundTruthTable
        The labeled boxes.
    found : DetectionTable
        The detections.
    use_ignore : bool
        Also leave out truths marked ``ignore``.

    Returns
    -------
    precision : (10, 101, K, 4) ndarray
        By IoU limit, recall level, class, area range; -1 where a class has
        no truths of that size.
    recall : (10, K, 4, 3) ndarray
        By IoU limit, class, area range, detections a picture.

    Raises
    ------
    BoxError
        If a detection is in no known picture or of no known class.

    Examples
    --------
    >>> truths = GroundTruthTable([0], [0], [[0, 0, 10, 10]], 1, ["post"])
    >>> found = DetectionTable([0], [0], [[0, 0, 10, 8]], [0.9])
    >>> coco_tables_reference(truths, found)[1][:, 0, 0, 2].tolist()
    [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0]
    """
    check_tables(truths, found)
    classes, areas = len(truths.classes), list(AREA_RANGES.values())
    precision = -np.ones((len(IOU_LIMITS), len(RECALL_LEVELS), classes, len(areas)))
    recall = -np.ones((len(IOU_LIMITS), classes, len(areas), len(DETECTION_LIMITS)))
    for k in range(classes):
        for a, (low, high) in enumerate(areas):
            uncounted = truths.crowd | (truths.area < low) | (truths.area > high)
            if use_ignore:
                uncounted = uncounted | truths.ignore
            there = int(np.count_nonzero((truths.label == k) & ~uncounted))
            if there == 0:
                continue
            for t, limit in enumerate(IOU_LIMITS):
                score, hit, rank = _ranked(truths, found, k, limit, uncounted, (low, high))
                for m, most in enumerate(DETECTION_LIMITS):
                    recall[t, k, a, m] = np.count_nonzero(hit[rank < most]) / there
                precision[t, :, k, a] = _levels(hit, there)
    return precision, recall


def overlap(box: np.ndarray, truth: np.ndarray, crowd: bool) -> float:
    """Overlap of two boxes given as x, y, width, height.

    Parameters
    ----------
    box : (4,) ndarray
        The detection, px.
    truth : (4,) ndarray
        The truth, px.
    crowd : bool
        Whether the truth is a crowd.

    Returns
    -------
    float
        IoU; for a crowd the part of the detection that lies inside.

    Examples
    --------
    >>> overlap(np.array([0, 0, 10, 10]), np.array([0, 0, 10, 5]), False)
    0.5
    """
    width = min(box[0] + box[2], truth[0] + truth[2]) - max(box[0], truth[0])
    height = min(box[1] + box[3], truth[1] + truth[3]) - max(box[1], truth[1])
    if width <= 0 or height <= 0:
        return 0.0
    shared, own = width * height, box[2] * box[3]
    joint = own if crowd else own + truth[2] * truth[3] - shared
    return float(shared / joint)


def tables_from_coco(
    labels: Mapping[str, Any], results: Sequence[Mapping[str, Any]]
) -> tuple[GroundTruthTable, DetectionTable]:
    """Both tables from COCO-style labels and results; pictures and classes in the order of their ids."""
    images = sorted(image["id"] for image in labels["images"])
    categories = sorted((category["id"], str(category["name"])) for category in labels["categories"])
    picture = {number: place for place, number in enumerate(images)}
    label = {number: place for place, (number, _) in enumerate(categories)}
    rows = labels["annotations"]
    truths = GroundTruthTable(
        [picture[row["image_id"]] for row in rows],
        [label[row["category_id"]] for row in rows],
        [row["bbox"] for row in rows],
        len(images),
        [name for _, name in categories],
        [row["area"] for row in rows],
        [bool(row.get("iscrowd", 0)) for row in rows],
        [bool(row.get("ignore", 0)) for row in rows],
    )
    return truths, detections_from_results(results, images, list(label))
