"""Suppression, written as one would explain it.

:mod:`robotlab.boxes` has the same function, faster; a test proves that both
give the same answers, bit for bit.
"""

from __future__ import annotations

import numpy as np

from robotlab.boxes import check_nms, iou


def nms_reference(
    boxes: np.ndarray, scores: np.ndarray, iou_limit: float = 0.5, labels: np.ndarray | None = None
) -> np.ndarray:
    """Non-maximum suppression, written as one would explain it.

    Parameters
    ----------
    boxes, scores, iou_limit, labels
        As in :func:`~robotlab.boxes.nms`.

    Returns
    -------
    (K,) ndarray of int
        The same as :func:`~robotlab.boxes.nms`.

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
