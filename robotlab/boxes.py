"""Boxes: formats, overlap, suppression.

A box is four numbers, the corners ``x0, y0, x1, y1`` in px: edges, not pixel
centres, x to the right and y down, so that a box around one pixel in the top
left corner is ``0, 0, 1, 1`` and width is plainly ``x1 - x0``.  Every function
takes and gives boxes as ``(N, 4)`` arrays of float64.

:func:`iou` and :func:`suppress` are the fast ones; :mod:`robotlab.boxes_clear`
has the same two written to be read, and a test proves them equal bit for bit.
"""

from __future__ import annotations

import numpy as np

from robotlab._box_speed import FEW, best_first, iou_blocks, suppress_few, suppress_sorted
from robotlab.errors import BoxError


def check_boxes(boxes: np.ndarray, name: str = "boxes", ordered: bool = True) -> np.ndarray:
    """Return `boxes` as an (N, 4) float array, or say what is wrong.

    Parameters
    ----------
    boxes : (N, 4) array-like
        Corners ``[x0, y0, x1, y1]``, px.
    name : str
        How the error message calls them.
    ordered : bool
        Also require ``x0 <= x1`` and ``y0 <= y1``.

    Returns
    -------
    (N, 4) ndarray of float64
        The boxes; an empty list gives ``(0, 4)``.

    Raises
    ------
    BoxError
        If the shape is wrong, a number is not finite, or the corners are
        in the wrong order.

    Examples
    --------
    >>> check_boxes([]).shape
    (0, 4)
    """
    try:
        boxes = np.asarray(boxes, dtype=np.float64)
    except (TypeError, ValueError):
        raise BoxError(f"{name} must be numbers in an (N, 4) array, got {type(boxes).__name__}; check its rows") from None
    if boxes.size == 0 and boxes.ndim <= 2:
        return boxes.reshape(0, 4)
    if boxes.ndim != 2 or boxes.shape[1] != 4:
        hint = f"; for one box pass {name}[None, :]" if boxes.shape == (4,) else "; one row per box, four numbers a row"
        raise BoxError(f"{name} must be (N, 4), got {boxes.shape}{hint}")
    finite = np.isfinite(boxes)
    if not finite.all():
        row = int(np.flatnonzero(~finite.all(axis=1))[0])
        raise BoxError(f"{name} must be finite, row {row} is {boxes[row].tolist()}; leave such boxes out")
    if ordered:
        bad = (boxes[:, 2] < boxes[:, 0]) | (boxes[:, 3] < boxes[:, 1])
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            raise BoxError(
                f"{name} must have x0 <= x1 and y0 <= y1, row {row} is {boxes[row].tolist()}; "
                "if it holds x, y, width, height, convert it with corners_from_xywh"
            )
    return boxes


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
    """Corners from centre, width and height.

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


def center_from_corners(boxes: np.ndarray) -> np.ndarray:
    """Centre, width and height from corners.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        ``[x0, y0, x1, y1]``, px.

    Returns
    -------
    (N, 4) ndarray of float64
        ``[cx, cy, width, height]``, px.

    Raises
    ------
    BoxError
        If the boxes are wrong.

    Examples
    --------
    >>> center_from_corners([[8, 19, 12, 21]]).tolist()
    [[10.0, 20.0, 4.0, 2.0]]
    """
    boxes = check_boxes(boxes)
    return np.column_stack([(boxes[:, :2] + boxes[:, 2:]) / 2, boxes[:, 2:] - boxes[:, :2]])


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
    boxes = check_boxes(boxes)
    return (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])


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
    a, b = check_boxes(a, "a"), check_boxes(b, "b")
    x0 = np.maximum(a[:, None, 0], b[None, :, 0])
    y0 = np.maximum(a[:, None, 1], b[None, :, 1])
    x1 = np.minimum(a[:, None, 2], b[None, :, 2])
    y1 = np.minimum(a[:, None, 3], b[None, :, 3])
    return np.clip(x1 - x0, 0, None) * np.clip(y1 - y0, 0, None)


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
    return iou_blocks(check_boxes(a, "a"), check_boxes(b, "b"))


def giou(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Generalized IoU of every pair: also says how far apart two boxes are.

    Parameters
    ----------
    a : (N, 4) ndarray
        Corners, px.
    b : (M, 4) ndarray
        Corners, px.

    Returns
    -------
    (N, M) ndarray of float64
        -1 to 1: IoU less the part of the smallest enclosing box that neither
        fills; 0 when the enclosing box has no area.

    Raises
    ------
    BoxError
        If the boxes are wrong.

    Notes
    -----
    ``GIoU = IoU - |C \\ (A ∪ B)| / |C|`` with C the enclosing box (Rezatofighi
    et al., CVPR 2019, arXiv:1902.09630).

    Examples
    --------
    >>> giou([[0, 0, 1, 1]], [[2, 0, 3, 1]]).round(4).tolist()
    [[-0.3333]]
    """
    a, b = check_boxes(a, "a"), check_boxes(b, "b")
    shared = intersection(a, b)
    joint = area(a)[:, None] + area(b)[None, :] - shared
    width = np.maximum(a[:, None, 2], b[None, :, 2]) - np.minimum(a[:, None, 0], b[None, :, 0])
    height = np.maximum(a[:, None, 3], b[None, :, 3]) - np.minimum(a[:, None, 1], b[None, :, 1])
    around = width * height
    empty = np.divide(around - joint, around, out=np.zeros_like(around), where=around > 0)
    return np.divide(shared, joint, out=np.zeros_like(shared), where=joint > 0) - empty


def suppress(boxes: np.ndarray, scores: np.ndarray, iou_limit: float = 0.5, labels: np.ndarray | None = None) -> np.ndarray:
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
    >>> suppress([[0, 0, 10, 10], [1, 0, 11, 10], [50, 0, 60, 10]], [.8, .9, .7]).tolist()
    [1, 2]
    """
    boxes, scores, group = check_suppress(boxes, scores, iou_limit, labels)
    order = best_first(scores)
    if len(boxes) <= FEW:
        return order[suppress_few(boxes[order], group[order], iou_limit)]
    if labels is None:
        return order[suppress_sorted(boxes[order], iou_limit)]
    stays = np.zeros(len(boxes), bool)
    for one in np.unique(group):
        rows = order[group[order] == one]
        stays[rows] = suppress_sorted(boxes[rows], iou_limit)
    return order[stays[order]]


def check_suppress(
    boxes: np.ndarray, scores: np.ndarray, iou_limit: float, labels: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what suppression is given as arrays, or say what is wrong.

    Parameters
    ----------
    boxes, scores, iou_limit, labels
        As in :func:`suppress`.

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
    >>> check_suppress([[0, 0, 4, 9]], [0.5], 0.5, None)[2].tolist()
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


def check_scores(scores: np.ndarray, count: int) -> np.ndarray:
    """Return `scores` as a (count,) float array, or say what is wrong.

    Parameters
    ----------
    scores : (N,) array-like
        One score for each box.
    count : int
        How many there must be.

    Returns
    -------
    (N,) ndarray of float64
        The scores.

    Raises
    ------
    BoxError
        If there are more or fewer, or one is not finite.

    Examples
    --------
    >>> check_scores([0.5, 1], 2).tolist()
    [0.5, 1.0]
    """
    try:
        scores = np.asarray(scores, dtype=np.float64)
    except (TypeError, ValueError):
        raise BoxError("scores must be numbers, one for each box; check for text or nested lists") from None
    if scores.shape != (count,):
        raise BoxError(f"scores must be ({count},), one for each box, got {scores.shape}; pass one score a box")
    if not np.isfinite(scores).all():
        row = int(np.flatnonzero(~np.isfinite(scores))[0])
        raise BoxError(f"scores must be finite, row {row} is {scores[row]}; leave such boxes out")
    return scores
