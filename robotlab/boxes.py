"""Boxes: formats, intersection over union (IoU), non-maximum suppression (NMS).

A box is four numbers, the corners ``x0, y0, x1, y1`` in px: edges, not pixel
centers, x to the right and y down, so that a box around one pixel in the top
left corner is ``0, 0, 1, 1`` and width is plainly ``x1 - x0``.  Every function
takes and gives boxes as ``(N, 4)`` arrays of float64.

:func:`nms` compares many boxes in one go; :func:`nms_reference` is the same,
written to be read, and a test proves them equal bit for bit.
"""

from __future__ import annotations

import numpy as np

from robotlab.checks import check_boxes, check_scores
from robotlab.errors import BoxError

# The best boxes compared in one go: enough to spare Python steps, few enough
# not to compare many that a better box has already suppressed (found by trial).
_BEST = 32


def corners_from_xywh(boxes: np.ndarray) -> np.ndarray:
    """Corners from top-left corner, width and height (the COCO form).

    Parameters
    ----------
    boxes : (N, 4) ndarray
        ``[x, y, width, height]``, px.

    Returns
    -------
    (N, 4) ndarray of float64
        ``[x0, y0, x1, y1]``, px.

    Raises
    ------
    BoxError
        If the shape is wrong, a number is not finite, or a side is negative.

    Examples
    --------
    >>> corners_from_xywh([[10, 20, 5, 4]]).tolist()
    [[10.0, 20.0, 15.0, 24.0]]
    """
    boxes = check_boxes(boxes, ordered=False)
    return check_boxes(np.column_stack([boxes[:, :2], boxes[:, :2] + boxes[:, 2:]]))


def xywh_from_corners(boxes: np.ndarray) -> np.ndarray:
    """Top-left corner, width and height from corners.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        ``[x0, y0, x1, y1]``, px.

    Returns
    -------
    (N, 4) ndarray of float64
        ``[x, y, width, height]``, px.

    Raises
    ------
    BoxError
        If the boxes are wrong.

    Examples
    --------
    >>> xywh_from_corners([[10, 20, 15, 24]]).tolist()
    [[10.0, 20.0, 5.0, 4.0]]
    """
    boxes = check_boxes(boxes)
    return np.column_stack([boxes[:, :2], boxes[:, 2:] - boxes[:, :2]])


def corners_from_center(boxes: np.ndarray) -> np.ndarray:
    """Corners from center, width and height.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        ``[cx, cy, width, height]``, px.

    Returns
    -------
    (N, 4) ndarray of float64
        ``[x0, y0, x1, y1]``, px.

    Raises
    ------
    BoxError
        If the shape is wrong, a number is not finite, or a side is negative.

    Examples
    --------
    >>> corners_from_center([[10, 20, 4, 2]]).tolist()
    [[8.0, 19.0, 12.0, 21.0]]
    """
    boxes = check_boxes(boxes, ordered=False)
    half = boxes[:, 2:] / 2
    return check_boxes(np.column_stack([boxes[:, :2] - half, boxes[:, :2] + half]))


def area(boxes: np.ndarray) -> np.ndarray:
    """Area of each box.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Corners, px.

    Returns
    -------
    (N,) ndarray of float64
        Width times height, px².

    Raises
    ------
    BoxError
        If the boxes are wrong.

    Examples
    --------
    >>> area([[0, 0, 10, 5]]).tolist()
    [50.0]
    """
    return _area(check_boxes(boxes))


def clip(boxes: np.ndarray, width_px: float, height_px: float) -> np.ndarray:
    """Cut boxes off at the edges of a picture.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Corners, px.
    width_px, height_px : float
        Size of the picture.

    Returns
    -------
    (N, 4) ndarray of float64
        Boxes inside the picture; one that lay wholly outside has no area.

    Raises
    ------
    BoxError
        If the boxes are wrong.

    Examples
    --------
    >>> clip([[-5, 2, 12, 30]], 10, 20).tolist()
    [[0.0, 2.0, 10.0, 20.0]]
    """
    limit = np.array([width_px, height_px, width_px, height_px], dtype=np.float64)
    return np.clip(check_boxes(boxes), 0, limit)


def intersection(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Area shared by every box in `a` with every box in `b`.

    Parameters
    ----------
    a : (N, 4) ndarray
        Corners, px.
    b : (M, 4) ndarray
        Corners, px.

    Returns
    -------
    (N, M) ndarray of float64
        px²; 0 where they only touch or lie apart.

    Raises
    ------
    BoxError
        If the boxes are wrong.

    Examples
    --------
    >>> intersection([[0, 0, 10, 10]], [[5, 5, 15, 15]]).tolist()
    [[25.0]]
    """
    return _intersection(check_boxes(a, "a"), check_boxes(b, "b"))


def _intersection(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    width = np.minimum(a[:, None, 2], b[:, 2]) - np.maximum(a[:, None, 0], b[:, 0])
    height = np.minimum(a[:, None, 3], b[:, 3]) - np.maximum(a[:, None, 1], b[:, 1])
    return np.maximum(width, 0) * np.maximum(height, 0)


def _area(boxes: np.ndarray) -> np.ndarray:
    return (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])


def iou(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Intersection over union of every box in `a` with every box in `b`.

    Parameters
    ----------
    a : (N, 4) ndarray
        Corners, px.
    b : (M, 4) ndarray
        Corners, px.

    Returns
    -------
    (N, M) ndarray of float64
        Shared area divided by joint area, 0 to 1; two boxes without area
        share nothing and get 0.

    Raises
    ------
    BoxError
        If the boxes are wrong.

    Notes
    -----
    ``IoU = |A ∩ B| / |A ∪ B|`` (Jaccard, 1912; in detection since Everingham
    et al., IJCV 88:303-338, 2010).  Sides are plain differences: this is not
    the inclusive-pixel form of the VOC tools, which adds 1 to each side (add 1
    to x1 and y1 of such boxes first).

    Examples
    --------
    >>> float(iou([[0, 0, 10, 10]], [[5, 5, 15, 15]])[0, 0].round(6))
    0.142857
    """
    return _iou(check_boxes(a, "a"), check_boxes(b, "b"))


def _iou(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    shared = _intersection(a, b)
    joint = _area(a)[:, None] + _area(b) - shared
    return np.divide(shared, joint, out=np.zeros_like(shared), where=joint > 0)


def nms(boxes: np.ndarray, scores: np.ndarray, iou_limit: float = 0.5, labels: np.ndarray | None = None) -> np.ndarray:
    """Non-maximum suppression: keep the best of boxes that overlap too much.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Corners, px.
    scores : (N,) ndarray
        Higher is better; equal scores keep their order.
    iou_limit : float, 0 to 1
        A box goes when its IoU with a kept one *exceeds* this.
    labels : (N,) ndarray of int, optional
        With labels, only boxes of the same class suppress each other.

    Returns
    -------
    (K,) ndarray of int
        Rows kept, best first.

    Raises
    ------
    BoxError
        If shapes disagree, a number is not finite, or the limit is outside
        0 to 1.

    Examples
    --------
    >>> nms([[0, 0, 10, 10], [1, 0, 11, 10], [50, 0, 60, 10]], [.8, .9, .7]).tolist()
    [1, 2]
    """
    boxes, scores, group = check_nms(boxes, scores, iou_limit, labels)
    order = np.argsort(-scores, kind="stable")
    boxes, group = boxes[order], group[order]
    kept: list[int] = []
    waiting = np.arange(len(boxes))
    while waiting.size:
        best = waiting[:_BEST]
        rivals = _iou(boxes[best], boxes[waiting]) > iou_limit
        if labels is not None:
            rivals &= group[best][:, None] == group[waiting]
        gone = np.zeros(len(waiting), bool)
        for place, row in enumerate(best.tolist()):
            if not gone[place]:
                kept.append(row)
                gone |= rivals[place]
        gone[: len(best)] = True
        waiting = waiting[~gone]
    return order[np.array(kept, int)]


def nms_reference(
    boxes: np.ndarray, scores: np.ndarray, iou_limit: float = 0.5, labels: np.ndarray | None = None
) -> np.ndarray:
    """Non-maximum suppression, written as one would explain it.

    Parameters
    ----------
    boxes, scores, iou_limit, labels
        As in :func:`nms`.

    Returns
    -------
    (K,) ndarray of int
        The same as :func:`nms`.

    Raises
    ------
    BoxError
        If shapes disagree, a number is not finite, or the limit is outside
        0 to 1.

    Examples
    --------
    >>> nms_reference([[0, 0, 10, 10], [1, 0, 11, 10]], [.8, .9], labels=[0, 1]).tolist()
    [1, 0]
    """
    boxes, scores, group = check_nms(boxes, scores, iou_limit, labels)
    waiting = np.argsort(-scores, kind="stable")
    kept = []
    while waiting.size:
        best, waiting = waiting[0], waiting[1:]
        kept.append(best)
        rival = group[waiting] == group[best]
        rival[rival] = iou(boxes[best][None], boxes[waiting[rival]])[0] > iou_limit
        waiting = waiting[~rival]
    return np.array(kept, dtype=int)


def check_nms(
    boxes: np.ndarray, scores: np.ndarray, iou_limit: float, labels: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what NMS is given as arrays, or say what is wrong.

    Parameters
    ----------
    boxes, scores, iou_limit, labels
        As in :func:`nms`.

    Returns
    -------
    boxes : (N, 4) ndarray of float64
    scores : (N,) ndarray of float64
    group : (N,) ndarray of int
        The labels; zeros where there are none.

    Raises
    ------
    BoxError
        If shapes disagree, a number is not finite, or the limit is outside
        0 to 1.

    Examples
    --------
    >>> check_nms([[0, 0, 4, 9]], [0.5], 0.5, None)[2].tolist()
    [0]
    """
    boxes = check_boxes(boxes)
    scores = check_scores(scores, len(boxes))
    if not 0 <= iou_limit <= 1:
        raise BoxError(f"iou_limit must be from 0 to 1, got {iou_limit}; 0.5 is usual")
    group = np.zeros(len(boxes), int) if labels is None else np.asarray(labels)
    if group.shape != (len(boxes),):
        raise BoxError(f"labels must be ({len(boxes)},), one for each box, got {group.shape}; pass one label a box")
    return boxes, scores, group
