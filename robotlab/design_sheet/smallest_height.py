"""How tall a thing must be for a detector to find it: from labeled pictures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import isotonic_regression

from robotlab.checks import number
from robotlab.data import DataSet
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.metrics.matching import match_detections

# Recall that still lets a robot follow: at ten pictures a second and 0.8, three
# misses in a row come about once in twelve seconds.
USABLE_RECALL = 0.8


def usable_height_px(heights_px: Sequence[float], found: Sequence[bool], recall: float = USABLE_RECALL) -> float | None:
    """From which height on a detector finds things often enough.

    Parameters
    ----------
    heights_px : (N,) array-like
        Heights of true boxes, px of the picture that the detector got.
    found : (N,) array-like of bool
        Whether each was found, in pictures that it has not learned from.
    recall : float
        What is often enough.

    Returns
    -------
    float or None
        px; ``None`` if not even the tallest are found so often.

    Raises
    ------
    InputError
        If the two are not equally long, empty, or not finite, or `found`
        holds anything but true and false.

    Notes
    -----
    The recall is taken to rise with the height, and fitted under no other
    assumption: monotone least squares (Barlow, Bartholomew, Bremner & Brunk,
    1972; cited from memory), by ``scipy.optimize.isotonic_regression``.

    Examples
    --------
    >>> usable_height_px([4, 8, 12, 16, 20, 24], [False, False, True, True, True, True])
    12.0
    """
    heights, hits = np.asarray(heights_px, float), np.asarray(found, float)
    if heights.ndim != 1 or heights.shape != hits.shape or not len(heights) or not np.isfinite(heights).all():
        raise InputError(
            f"heights_px and found must be two equally long rows, got {heights.shape} and {hits.shape}; one of each a true box"
        )
    if not np.isin(hits, (0, 1)).all():
        raise InputError(
            "found must hold True or False for each true box, got another value; compare before you hand it over"
        )
    recall = number(recall, "recall", 0, 1)
    order = np.argsort(heights, kind="stable")
    good = isotonic_regression(hits[order]).x >= recall - 1e-9
    return float(heights[order][good.argmax()]) if good.any() else None


def heights_found(
    data: DataSet,
    detections: Sequence[Detections],
    target: str = "post",
    min_score: float = 0.3,
    least_visible: float = 0.9,
) -> tuple[np.ndarray, np.ndarray]:
    """Heights of a data set's true boxes, and which of them a detector found.

    Parameters
    ----------
    data : DataSet
        Labeled pictures that the detector has not learned from.
    detections : sequence of Detections
        One a picture.
    target : str
        Class that counts.
    min_score : float
        Detections with a lower score are dropped.
    least_visible : float
        So are truths of which a smaller fraction shows: this is about size.

    Returns
    -------
    heights_px : (N,) ndarray
        px.
    found : (N,) ndarray of bool
        For :func:`usable_height_px`.

    Raises
    ------
    InputError
        If the data set has no such class.

    Examples
    --------
    >>> from robotlab.data import LabeledImage
    >>> entry = LabeledImage(1, "a.png", 64, 48, boxes=np.array([[0, 0, 8, 30.0]]), labels=np.array([0]))
    >>> data = DataSet("annotations.json", ("post",), (1,), (entry,))
    >>> heights, found = heights_found(data, [Detections([[0, 0, 8, 28]], [0.9], [0], ["post"])])
    >>> heights.tolist(), found.tolist()
    ([30.0], [True])
    """
    if target not in data.classes:
        raise InputError(
            f"target must be a class of the data set ({', '.join(data.classes)}), got {target!r}; choose one of them"
        )
    heights, found = [], []
    for entry, seen in zip(data.pictures, detections, strict=True):
        mine = entry.labels == data.classes.index(target)
        boxes, crowd, ignore = entry.boxes[mine], entry.crowd[mine], entry.ignore[mine]
        seen = seen.pick(seen.scores >= min_score).of_class(target)
        missed = match_detections(seen.boxes, seen.scores, boxes, crowd=crowd, ignore=ignore).false_negatives
        counted = ~(crowd | ignore) & (entry.visibility[mine] >= least_visible)
        heights.append((boxes[:, 3] - boxes[:, 1])[counted])
        found.append(~np.isin(np.arange(len(boxes)), missed)[counted])
    return np.concatenate(heights), np.concatenate(found)
