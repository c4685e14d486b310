"""Detect in a picture and in its mirror image, for boxes that fit more closely; and which boxes belong together.

Averaging what several views of a picture give is called test-time augmentation;
averaging boxes by their scores: Solovyev et al., Image and Vision Computing
107:104117, 2021 (cited from memory).  A labeler has that time, in the
background; a robot does not.
"""

from __future__ import annotations

import numpy as np

from robotlab.boxes import iou
from robotlab.detections import Detections, Detector

# Boxes of one class that overlap by so much are of one thing.
SAME_IOU = 0.55


def detect_mirrored(detector: Detector, picture: np.ndarray) -> Detections:
    """Detect in a picture and in its mirror image, and average the boxes.

    Parameters
    ----------
    detector : Detector
        Any.
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.

    Returns
    -------
    Detections
        One for each thing that either shows; its score is the mean of both, of
        0 where one does not show it.

    Examples
    --------
    >>> from robotlab.detections import as_detector
    >>> left = as_detector(lambda picture: Detections([[0, 0, 6, 4]], [0.8], [0]))
    >>> detect_mirrored(left, np.zeros((6, 7, 3), np.uint8)).boxes.round(9).tolist()
    [[0.5, 0.0, 6.5, 4.0]]
    """
    plain, mirrored = detector.detect(picture), detector.detect(np.ascontiguousarray(picture[:, ::-1]))
    turned = mirrored.boxes.copy()
    turned[:, [0, 2]] = picture.shape[1] - turned[:, [2, 0]]
    boxes = np.concatenate([plain.boxes, turned])
    scores, labels = np.concatenate([plain.scores, mirrored.scores]), np.concatenate([plain.labels, mirrored.labels])
    first = np.arange(len(boxes)) < len(plain)
    overlaps, free = iou(boxes, boxes), np.ones(len(boxes), bool)
    rows: list[tuple] = []
    for best in np.argsort(-scores, kind="stable"):
        if not free[best]:
            continue
        group = np.flatnonzero((overlaps[best] >= SAME_IOU) & (labels == labels[best]) & free)
        free[group] = False
        mean = np.average(boxes[group], axis=0, weights=scores[group])
        score = sum(scores[group[first[group] == one]].max(initial=0.0) for one in (True, False)) / 2
        rows.append((mean, score, labels[best]))
    if not rows:
        return Detections.none(plain.classes)
    mean, score, label = zip(*rows)
    return Detections(np.array(mean), np.array(score), np.array(label), plain.classes)


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
