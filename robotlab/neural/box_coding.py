"""Encode ground-truth boxes as training targets of the cells, and decode the network's output to boxes.

The network gives one row of numbers for every cell, a square of
:data:`~robotlab.neural.spec.FEATURE_STRIDE` px: a score for the background
and for each class, and four numbers for a box.  Cell (row, column) has its
center at ``((column + 1/2) stride, (row + 1/2) stride)``.

The four numbers are ``(dx, dy, log w, log h)``: from the cell's center to the
box's center, in cells, and the logarithm of the box's size, in cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.boxes import nms
from robotlab.detections import Detections
from robotlab.neural.spec import FEATURE_STRIDE

# Width of the soft center as a fraction of the box's side: common practice is an
# eighth or so, no source; the ellipse follows the box's shape as in Liu et al.,
# "Training-Time-Friendly Network", AAAI 2020 (arXiv:1909.00700).
CENTER_SHARE = 0.12
# Smallest width in cells, so that the center of a small box still has neighbors.
CENTER_LEAST_CELLS = 0.6
# Cells whose soft center is above this also learn the box.
BOX_FROM = 0.4
# Background cells beside a center count less by (1 - soft center) to this power
# (Law & Deng, "CornerNet", ECCV 2018, arXiv:1808.01244, beta = 4).
BESIDE_POWER = 4
# Logarithm of a size is kept within this, so that a wild number cannot overflow.
LARGEST_LOG = 6.0


@dataclass(frozen=True)
class CellTargets:
    """Training targets of the cells of one picture.

    Parameters
    ----------
    classes : (h, w) ndarray of int
        0 for background, 1 + label for the cell(s) at a center.
    weights : (h, w) ndarray of float32
        How much the class counts: 1 at centers and in the open, less beside a
        center, 0 inside ignored boxes.
    boxes : (4, h, w) ndarray of float32
        ``dx, dy, log w, log h``, cells.
    box_weights : (h, w) ndarray of float32
        How much the box counts, 0 far from any center.
    owners : (h, w) ndarray of int
        1 + label of the object whose box that is, 0 where there is none.
    """

    classes: np.ndarray
    weights: np.ndarray
    boxes: np.ndarray
    box_weights: np.ndarray
    owners: np.ndarray


def cell_targets(
    boxes: np.ndarray, labels: np.ndarray, ignored: np.ndarray, height_px: int, width_px: int
) -> CellTargets:
    """Assign training targets to the cells of one picture.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Truth boxes, corners, px.
    labels : (N,) ndarray of int
        Their classes.
    ignored : (K, 4) ndarray
        Boxes in which nothing is asked (crowds, truths marked to be ignored).
    height_px, width_px : int
        Size of the picture, multiples of the stride.

    Returns
    -------
    CellTargets
        For ``(height_px / stride, width_px / stride)`` cells.

    Notes
    -----
    A box with center c and sides (w, h) gives each cell at x the soft center
    ``exp(-((x - c)_x^2 / s_x^2 + (x - c)_y^2 / s_y^2) / 2)`` with ``s = share *
    side``, divided by its largest value, so that the nearest cell has 1.  That
    cell is the class, the others are background with weight ``(1 - soft)^4``.
    Where soft centers meet, the higher wins, and of equals the smaller box.

    Examples
    --------
    >>> asked = cell_targets(np.array([[8, 8, 24, 24.0]]), np.array([0]), np.zeros((0, 4)), 32, 32)
    >>> int((asked.classes == 1).sum()), asked.classes.shape
    (4, (8, 8))
    """
    stride = FEATURE_STRIDE
    rows, columns = height_px // stride, width_px // stride
    classes, owners = np.zeros((2, rows, columns), np.int64)
    soft = np.zeros((rows, columns), np.float32)
    targets = np.zeros((4, rows, columns), np.float32)
    y = np.arange(rows) + 0.5
    x = np.arange(columns) + 0.5
    sides = (boxes[:, 2:] - boxes[:, :2]) / stride
    # Large boxes first, so that on equal soft centers a small box in front stays.
    for i in np.argsort(-sides.prod(axis=1), kind="stable"):
        w, h = sides[i]
        cx, cy = (boxes[i, :2] + boxes[i, 2:]) / 2 / stride
        if not (0 <= cx < columns and 0 <= cy < rows):
            continue
        sx, sy = (max(side * CENTER_SHARE, CENTER_LEAST_CELLS) for side in (w, h))
        # Beyond four widths the soft center is below 1e-3.
        near = tuple(slice(max(0, int(c - 4 * s)), int(c + 4 * s) + 1) for c, s in ((cy, sy), (cx, sx)))
        up, left = (cy - y[near[0]])[:, None], cx - x[near[1]]
        mine = np.exp(-(left**2) / (2 * sx**2)) * np.exp(-(up**2) / (2 * sy**2))
        mine /= mine.max()
        wins = (mine >= soft[near]) & (mine > 1e-3)
        np.copyto(soft[near], mine, where=wins)
        np.copyto(owners[near], labels[i] + 1, where=wins)
        # A hair below 1 admits the equals of the nearest cell.
        np.copyto(classes[near], np.where(mine > 0.999, labels[i] + 1, 0), where=wins)
        for target, numbers in zip(targets, (left, up, np.log(w), np.log(h)), strict=True):
            np.copyto(target[near], numbers, where=wins)
    weights = np.where(classes > 0, 1, (1 - soft) ** BESIDE_POWER).astype(np.float32)
    box_weights = np.where(soft > BOX_FROM, soft, 0).astype(np.float32)
    for x0, y0, x1, y1 in np.asarray(ignored, float).reshape(-1, 4) / stride:
        inside = ((x > x0) & (x < x1)) & ((y > y0) & (y < y1))[:, None]
        weights[inside & (classes == 0)] = 0
    return CellTargets(classes, weights, targets, box_weights, np.where(box_weights > 0, owners, 0))


def boxes_at(numbers: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Boxes in px from the four numbers of some cells.

    Parameters
    ----------
    numbers : (K, 4) ndarray
        ``dx, dy, log w, log h``, cells.
    rows, columns : (K,) ndarray of int
        Which cells.

    Returns
    -------
    (K, 4) ndarray of float64
        Corners, px.

    Examples
    --------
    >>> boxes_at(np.array([[0.5, 0.5, np.log(2), 0.0]]), np.array([1]), np.array([2])).round(6).tolist()
    [[8.0, 6.0, 16.0, 10.0]]
    """
    numbers = np.asarray(numbers, np.float64)
    center = np.stack([columns + 0.5, rows + 0.5], axis=1) + numbers[:, :2]
    half = np.exp(np.clip(numbers[:, 2:], -LARGEST_LOG, LARGEST_LOG)) / 2
    return np.concatenate([center - half, center + half], axis=1) * FEATURE_STRIDE


def decode(
    peaks: np.ndarray,
    numbers: np.ndarray,
    classes: tuple[str, ...],
    size_px: tuple[float, float],
    min_score: float,
    iou_limit: float,
    most: int,
) -> Detections:
    """Decode: detections from the network's output for one picture.

    Parameters
    ----------
    peaks : (C, h, w) ndarray
        Score of each class, 0 where a neighbor is higher.
    numbers : (4, h, w) ndarray
        ``dx, dy, log w, log h``, cells.
    classes : tuple of str
        The C class names.
    size_px : (float, float)
        Width and height that boxes are clipped to.
    min_score : float
        Lower scores are dropped.
    iou_limit : float
        Of NMS within a class.
    most : int
        At most so many are kept, the best.

    Returns
    -------
    Detections
        Best first.

    Examples
    --------
    >>> peaks = np.zeros((1, 4, 4)); peaks[0, 1, 2] = .9
    >>> decode(peaks, np.zeros((4, 4, 4)), ("post",), (16, 16), .5, .5, 100).boxes.tolist()
    [[8.0, 4.0, 12.0, 8.0]]
    """
    found = np.flatnonzero(peaks > min_score)
    scores = peaks.ravel()[found].astype(np.float64)
    # Twice as many as asked go into NMS: enough, and never slow.
    order = np.argsort(-scores, kind="stable")[: 2 * most]
    labels, rows, columns = np.unravel_index(found[order], peaks.shape)
    scores = scores[order]
    boxes = boxes_at(numbers[:, rows, columns].T, rows, columns).clip(0, [*size_px, *size_px])
    whole = (boxes[:, 2:] > boxes[:, :2]).all(axis=1)
    boxes, labels, scores = boxes[whole], labels[whole], scores[whole]
    kept = nms(boxes, scores, iou_limit, labels)[:most]
    return Detections(boxes[kept], scores[kept], labels[kept], classes)
