"""Detect in several views of one picture, for boxes that fit more closely.

Mirrored and enlarged views of the same picture are looked at, and boxes that
agree are averaged (test-time augmentation; averaging boxes by their scores:
Solovyev et al., Image and Vision Computing 107:104117, 2021, cited from memory).
A labeler has that time, in the background; a robot does not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from robotlab.boxes import clip, iou
from robotlab.data import LabeledImage
from robotlab.detections import Detections, Detector
from robotlab.image import resize

# Boxes of one class that overlap by so much are of one thing.
SAME_IOU = 0.55
# Enlargements tried; each is looked at as it is and mirrored.
SCALES = ((1.0,), (1.0, 1.5))
# From this IoU on nobody corrects a box, and below the other one nobody drags it (as in `simulated`).
KEPT_IOU, DRAG_IOU = 0.75, 0.25
# What deleting a suggestion costs, a key, beside drawing or dragging a box, 1 (own choice).
DELETE_COST = 0.25


def detect_in_views(detector: Detector, picture: np.ndarray, scales: Sequence[float] = (1.0,)) -> Detections:
    """Detect in a picture, mirrored and enlarged, and average the boxes.

    Parameters
    ----------
    detector : Detector
        Any.
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    scales : sequence of float
        Enlargements.

    Returns
    -------
    Detections
        One for each thing that a view shows; its score is the mean over the
        views, of 0 where a view does not show it.

    Examples
    --------
    >>> from robotlab.detections import as_detector
    >>> always = as_detector(lambda picture: Detections([[1, 0, 3, 4]], [0.8], [0]))
    >>> detect_in_views(always, np.zeros((6, 4, 3), np.uint8)).boxes.round(9).tolist()  # mirrored, it is the same place
    [[1.0, 0.0, 3.0, 4.0]]
    """
    height, width = picture.shape[:2]
    views = []
    for scale in scales:
        size = (round(width * scale), round(height * scale))
        seen = picture if scale == 1 else resize(picture, size, "linear")
        for mirrored in (False, True):
            found = detector.detect(np.ascontiguousarray(seen[:, ::-1]) if mirrored else seen)
            boxes = found.boxes.copy()
            if mirrored:
                boxes[:, [0, 2]] = size[0] - boxes[:, [2, 0]]
            views.append((clip(boxes * np.tile([width / size[0], height / size[1]], 2), width, height), found))
    boxes = np.concatenate([some for some, _ in views])
    scores = np.concatenate([found.scores for _, found in views])
    labels = np.concatenate([found.labels for _, found in views])
    view = np.repeat(np.arange(len(views)), [len(found) for _, found in views])
    overlaps, free = iou(boxes, boxes), np.ones(len(boxes), bool)
    rows: list[tuple] = []
    for best in np.argsort(-scores, kind="stable"):
        if not free[best]:
            continue
        group = np.flatnonzero((overlaps[best] >= SAME_IOU) & (labels == labels[best]) & free)
        free[group] = False
        mean = np.average(boxes[group], axis=0, weights=scores[group])
        highest = [scores[group[view[group] == one]].max(initial=0.0) for one in range(len(views))]
        rows.append((mean, float(np.mean(highest)), labels[best]))
    classes = views[0][1].classes
    if not rows:
        return Detections.none(classes)
    mean, score, label = zip(*rows)
    return Detections(np.array(mean), np.array(score), np.array(label), classes)


def best_matches(boxes: np.ndarray, truths: np.ndarray, least: float) -> list[tuple[int, int]]:
    """Pairs of boxes and truths of one class that overlap enough, best first, each used once.

    Parameters
    ----------
    boxes, truths : (N, 4), (M, 4) ndarray
        Corners, px.
    least : float
        The least IoU.

    Returns
    -------
    list of (int, int)
        Rows of both.

    Examples
    --------
    >>> best_matches(np.array([[0, 0, 4, 4.0]]), np.array([[9, 9, 12, 12.0], [0, 0, 4, 5]]), 0.75)
    [(0, 1)]
    """
    overlaps = iou(boxes, truths)
    pairs = []
    while overlaps.size and overlaps.max() >= least:
        row, column = np.unravel_index(int(overlaps.argmax()), overlaps.shape)
        pairs.append((int(row), int(column)))
        overlaps[row, :] = overlaps[:, column] = -1
    return pairs


def labeling_cost(found: Detections, entry: LabeledImage, score: float) -> float:
    """What it costs to make the labels of a picture out of suggestions.

    Parameters
    ----------
    found : Detections
        Suggested from `score` on; its classes are the data set's.
    entry : LabeledImage
        The labels that were made.
    score : float
        The threshold.

    Returns
    -------
    float
        1 for a box to draw or drag, less for one to delete.

    Examples
    --------
    >>> from pathlib import Path
    >>> entry = LabeledImage(1, Path("a.png"), 8, 6, boxes=[[0, 0, 4, 4]])
    >>> labeling_cost(Detections([[0, 0, 4, 4], [4, 4, 6, 6]], [0.9, 0.5], [0, 0]), entry, 0.4)
    0.25
    """
    found, counted, cost = found.pick(found.scores >= score), ~(entry.ignore | entry.crowd), 0.0
    used = 0
    for place in range(len(found.classes)):
        boxes = found.boxes[found.labels == place]
        truths = entry.boxes[(entry.labels == place) & counted]
        pairs = best_matches(boxes, truths, DRAG_IOU)
        used += len(pairs)
        cost += len(truths) - sum(iou(boxes[[row]], truths[[column]])[0, 0] >= KEPT_IOU for row, column in pairs)
    return float(cost + DELETE_COST * (len(found) - used))
