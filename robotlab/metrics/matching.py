"""Matching of detections to ground truth in one picture and one class: the reference.

Detections choose in the order of their scores, the highest score first; each object
can be found once.  COCO and VOC differ in the choice, see :func:`match_detections`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.boxes import area, check_boxes, check_scores, intersection, iou
from robotlab.errors import BoxError, InputError


@dataclass(frozen=True, eq=False)
class Matching:
    """Which ground truth each detection matches; rows as they were given.

    Parameters
    ----------
    truth : (D,) ndarray of int
        Row of the truth it found, or -1.
    ignored : (D,) ndarray of bool
        It met only a crowd or a truth that does not count: neither true nor
        false positive.
    order : (D,) ndarray of int
        Rows by falling score; equal scores keep their order.
    false_negatives : (M,) ndarray of int
        Rows of the truths that count and were not found.
    """

    truth: np.ndarray
    ignored: np.ndarray
    order: np.ndarray
    false_negatives: np.ndarray

    @property
    def hits(self) -> np.ndarray:
        """True or false positive, best score first; ignored detections are left out."""
        ranked = self.order[~self.ignored[self.order]]
        return self.truth[ranked] >= 0


def match_detections(
    boxes: np.ndarray,
    scores: np.ndarray,
    truths: np.ndarray,
    iou_limit: float = 0.5,
    crowd: np.ndarray | None = None,
    ignore: np.ndarray | None = None,
    rules: str = "coco",
) -> Matching:
    """Match detections to ground truth.

    Parameters
    ----------
    boxes : (D, 4) ndarray
        Found corners, px.
    scores : (D,) ndarray
        Higher is more confident.
    truths : (G, 4) ndarray
        True corners, px.
    iou_limit : float, above 0 to 1
        Overlap needed.
    crowd : (G,) ndarray of bool, optional
        Ground truths around many objects: any number of detections may lie inside,
        and none of them counts.
    ignore : (G,) ndarray of bool, optional
        Ground truths that do not count.
    rules : {"coco", "voc"}
        ``coco``: IoU of at least the limit; a detection takes the best truth
        that is *still free* (of equals the last), and one that does not count
        only when no counted one will do.  ``voc``: IoU above the limit; a
        detection looks at its best truth only, and if that is taken, it is a
        duplicate and wrong.

    Returns
    -------
    Matching
        Which detection found which truth.

    Raises
    ------
    BoxError, InputError
        If shapes disagree or a setting is out of range.

    Notes
    -----
    COCO: Lin et al., arXiv:1405.0312, and ``cocoeval.py``.  VOC: Everingham et
    al., IJCV 88:303-338, 2010, section 4.2; its boxes count the last pixel
    in, so add 1 to x1 and y1 of such boxes first.

    Examples
    --------
    >>> match_detections([[0, 0, 10, 10], [1, 0, 11, 10]], [.6, .9], [[0, 0, 10, 10]]).truth.tolist()
    [-1, 0]
    """
    boxes, truths = check_boxes(boxes), check_boxes(truths, "truths")
    scores = check_scores(scores, len(boxes))
    if not 0 < iou_limit <= 1:
        raise InputError(f"iou_limit must be above 0 and at most 1, got {iou_limit}; 0.5 is usual")
    if rules not in ("coco", "voc"):
        raise InputError(f"rules must be coco or voc, got {rules!r}; choose one of them")
    crowd = np.zeros(len(truths), bool) if crowd is None else np.asarray(crowd, bool)
    ignore = np.zeros(len(truths), bool) if ignore is None else np.asarray(ignore, bool)
    for name, flags in (("crowd", crowd), ("ignore", ignore)):
        if flags.shape != (len(truths),):
            raise BoxError(f"{name} must be ({len(truths)},), one for each truth, got {flags.shape}; pass one a truth")
    overlap = overlaps(boxes, truths, crowd)
    order = np.argsort(-scores, kind="stable")
    choose = choose_coco if rules == "coco" else choose_voc
    truth, ignored = choose(overlap, order, iou_limit, crowd, crowd | ignore)
    found = np.zeros(len(truths), bool)
    found[truth[truth >= 0]] = True
    return Matching(truth, ignored, order, np.flatnonzero(~found & ~crowd & ~ignore))


def overlaps(boxes: np.ndarray, truths: np.ndarray, crowd: np.ndarray) -> np.ndarray:
    """IoU, or for a crowd the fraction of the detection that lies inside it.

    Parameters
    ----------
    boxes : (D, 4) ndarray
        Found corners, px.
    truths : (G, 4) ndarray
        True corners, px.
    crowd : (G,) ndarray of bool
        Which truths are crowds.

    Returns
    -------
    (D, G) ndarray
        0 to 1.

    Examples
    --------
    >>> overlaps([[0, 0, 2, 2]], [[0, 0, 4, 4], [0, 0, 4, 4]], np.array([False, True])).tolist()
    [[0.25, 1.0]]
    """
    own = area(boxes)[:, None]
    inside = np.divide(intersection(boxes, truths), own, out=np.zeros((len(own), len(crowd))), where=own > 0)
    return np.where(crowd, inside, iou(boxes, truths))


def choose_coco(
    overlap: np.ndarray, order: np.ndarray, limit: float, crowd: np.ndarray, uncounted: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """COCO's rule: the best truth that is still free.

    Parameters
    ----------
    overlap : (D, G) ndarray
        Overlap of every detection with every truth.
    order : (D,) ndarray of int
        Detections by falling score.
    limit : float
        Overlap needed, itself included.
    crowd, uncounted : (G,) ndarray of bool
        Ground truths that can be found many times; truths that do not count.

    Returns
    -------
    truth : (D,) ndarray of int
        Counted truth found, or -1.
    ignored : (D,) ndarray of bool
        Found one that does not count.

    Examples
    --------
    >>> no = np.zeros(1, bool)
    >>> choose_coco(np.array([[0.5], [0.9]]), np.array([0, 1]), 0.5, no, no)[0].tolist()
    [0, -1]
    """
    truth, ignored = np.full(len(overlap), -1), np.zeros(len(overlap), bool)
    taken = np.zeros(overlap.shape[1], bool)
    for row in order:
        for group in (~uncounted, uncounted):
            free = np.flatnonzero(group & (~taken | crowd) & (overlap[row] >= limit))
            if free.size:
                best = free[overlap[row, free] == overlap[row, free].max()][-1]
                taken[best] = True
                if uncounted[best]:
                    ignored[row] = True
                else:
                    truth[row] = best
                break
    return truth, ignored


def choose_voc(
    overlap: np.ndarray, order: np.ndarray, limit: float, crowd: np.ndarray, uncounted: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """VOC's rule: the best truth, or none.

    Parameters
    ----------
    overlap, order, limit, crowd, uncounted
        As in :func:`choose_coco`; the limit itself is not enough, and
        `crowd` plays no part.

    Returns
    -------
    truth, ignored
        As in :func:`choose_coco`.

    Examples
    --------
    >>> no = np.zeros(1, bool)
    >>> choose_voc(np.array([[0.5], [0.9]]), np.array([0, 1]), 0.5, no, no)[0].tolist()
    [-1, 0]
    """
    truth, ignored = np.full(len(overlap), -1), np.zeros(len(overlap), bool)
    taken = np.zeros(overlap.shape[1], bool)
    for row in order if overlap.shape[1] else ():
        best = int(overlap[row].argmax())
        if overlap[row, best] > limit:
            ignored[row] = uncounted[best]
            if not uncounted[best] and not taken[best]:
                taken[best] = True
                truth[row] = best
    return truth, ignored
