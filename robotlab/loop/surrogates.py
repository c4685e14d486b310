"""A quick stand-in for a detector, with that detector's own mistakes.

A surrogate misses the post as often as the detector did at that size, errs as
much on each edge of the box, and now and then sees a post where none is.  It
needs no pictures, so thousands of runs become possible; what it does not know
is that a detector which errs on one picture mostly errs on the next as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from robotlab.boxes import iou
from robotlab.data import DataSet
from robotlab.detections import Detections
from robotlab.errors import InputError

# A detection with less overlap is not of this thing (the usual threshold of
# the VOC challenge, Everingham et al., 2010).
_SAME = 0.5
# Spread of the prior on the weights of the logistic fit, so that it stays
# finite when a detector never (or always) misses (a weak, common choice).
_PRIOR = 4.0
# Few truths say little: below this the fit is refused.
_LEAST = 20


@dataclass
class Surrogate:
    """Finds the post from the truth, with fitted mistakes.

    Parameters
    ----------
    weights : (3,) ndarray
        Logistic model: log odds of finding the post are
        ``w0 + w1 log2(height / 16 px) + w2 (visible - 1)``.
    bias : (4,) ndarray
        Mean error of each edge, as a fraction of the box's height.
    spread_px, spread_share : (4,) ndarray
        Standard deviation of each edge: ``spread_px + spread_share * height``.
    false_rate : float
        Mean number of false posts in a picture.
    false_boxes : (K, 4) ndarray
        Where they were, px of a picture of `size_px`.
    size_px : (int, int)
        Size of the pictures it was fitted on.
    classes : tuple of str
        Class names; what it finds is of the first.

    Examples
    --------
    >>> sure = Surrogate(np.array([9.0, 0, 0]), np.zeros(4), np.zeros(4), np.zeros(4), 0.0, np.zeros((0, 4)), (320, 240))
    >>> sure.detect_ground_truth(np.array([10.0, 20, 18, 80]), 1.0).boxes.tolist()
    [[10.0, 20.0, 18.0, 80.0]]
    """

    weights: np.ndarray
    bias: np.ndarray
    spread_px: np.ndarray
    spread_share: np.ndarray
    false_rate: float
    false_boxes: np.ndarray
    size_px: tuple[int, int]
    classes: tuple[str, ...] = ("post",)
    _rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0), repr=False)

    def begin(self, seed: int) -> None:
        """Start a run.

        Parameters
        ----------
        seed : int
            Same seed, same run.
        """
        self._rng = np.random.default_rng(seed)

    def recall(self, height_px: float, visible: float = 1.0) -> float:
        """How often a post of this size is found.

        Parameters
        ----------
        height_px : float
            Height of its box.
        visible : float
            Fraction of it that shows.

        Returns
        -------
        float
            0 to 1.

        Examples
        --------
        >>> sure = Surrogate(np.array([0.0, 1, 0]), np.zeros(4), np.zeros(4), np.zeros(4), 0.0, np.zeros((0, 4)), (320, 240))
        >>> sure.recall(16.0)
        0.5
        """
        return float(expit(_features(height_px, visible) @ self.weights))

    def detect_ground_truth(self, box: np.ndarray | None, visible: float) -> Detections:
        """What the detector might have found.

        Parameters
        ----------
        box : (4,) ndarray or None
            True box, px.
        visible : float
            Share that shows.

        Returns
        -------
        Detections
            Scores of 1 for the post and .5 for false ones.
        """
        rng = self._rng
        boxes, scores = [], []
        chance, noise = rng.random(), rng.standard_normal(4)
        if box is not None and box[3] - box[1] > 0 and chance < self.recall(box[3] - box[1], visible):
            height = box[3] - box[1]
            edges = box + self.bias * height + noise * (self.spread_px + self.spread_share * height)
            boxes.append([*np.minimum(edges[:2], edges[2:]), *np.maximum(edges[:2], edges[2:])])
            scores.append(1.0)
        for _ in range(rng.poisson(self.false_rate) if len(self.false_boxes) else 0):
            boxes.append(list(self.false_boxes[rng.integers(len(self.false_boxes))]))
            scores.append(0.5)
        if not boxes:
            return Detections.none(self.classes)
        return Detections(boxes, scores, np.zeros(len(boxes), int), self.classes)


def fit_surrogate(
    truths: Sequence[np.ndarray],
    visible: Sequence[np.ndarray],
    found: Sequence[Detections],
    size_px: tuple[int, int],
    target: str = "post",
    min_score: float = 0.3,
) -> Surrogate:
    """Fit a surrogate to what a detector found in labeled pictures.

    Parameters
    ----------
    truths : sequence of (N, 4) ndarray
        True boxes of the target in each picture, px.
    visible : sequence of (N,) ndarray
        Fraction of each that shows, 0 to 1.
    found : sequence of Detections
        What the detector found in each picture: pictures that it was not
        trained on.
    size_px : (int, int)
        Width and height of the pictures.
    target : str
        Class of the target.
    min_score : float
        Detections with a lower score do not count.

    Returns
    -------
    Surrogate
        Ready for :func:`robotlab.loop.simulate`.

    Raises
    ------
    InputError
        If the lists differ in length or hold too few truths.

    Notes
    -----
    The share found is a logistic regression with a weak normal prior, solved
    by ``scipy.optimize.minimize``; the spread of each edge is a straight line in the
    height, fitted by least squares to the absolute errors (times
    ``sqrt(pi / 2)``, which turns a mean absolute error into a standard
    deviation for normal errors).

    Examples
    --------
    >>> truth = [np.array([[10.0, 20, 18, 60 + i]]) for i in range(30)]
    >>> found = [Detections(box, [0.9], [0], ["post"]) for box in truth]
    >>> fit_surrogate(truth, [np.ones(1)] * 30, found, (320, 240)).recall(60) > 0.95
    True
    """
    if not len(truths) == len(visible) == len(found):
        raise InputError(
            f"truths, visible and found must be equally long, got {len(truths)}, {len(visible)}, {len(found)}; one of each a picture"
        )
    rows, hits, errors, heights, false = [], [], [], [], []
    for boxes, shows, seen in zip(truths, visible, found, strict=True):
        seen = seen.of_class(target)
        seen = seen.pick(seen.scores >= min_score)
        overlap = iou(np.asarray(boxes, float).reshape(-1, 4), seen.boxes)
        used = np.zeros(len(seen), bool)
        for i, (box, share) in enumerate(zip(boxes, shows, strict=True)):
            best = int(np.argmax(np.where(used, -1.0, overlap[i]))) if len(seen) else -1
            hit = best >= 0 and not used[best] and overlap[i, best] >= _SAME
            rows.append(_features(box[3] - box[1], share))
            hits.append(hit)
            if hit:
                used[best] = True
                errors.append(seen.boxes[best] - box)
                heights.append(box[3] - box[1])
        false += list(seen.boxes[~used])
    if len(rows) < _LEAST or not heights:
        raise InputError(
            f"a surrogate needs at least {_LEAST} true boxes and one found, got {len(rows)} and {len(heights)}; judge more pictures"
        )
    errors, heights = np.array(errors), np.array(heights)
    bias = (errors / heights[:, None]).mean(axis=0)
    rest = np.abs(errors - bias * heights[:, None]) * math.sqrt(math.pi / 2)
    spread = (
        np.linalg.lstsq(np.column_stack([np.ones_like(heights), heights]), rest, rcond=None)[0]
        if len(heights) > 2
        else np.zeros((2, 4))
    )
    # A line may dip below 0 at one end; a spread may not.
    flat = (spread < 0).any(axis=0)
    spread[:, flat] = np.stack([rest.mean(axis=0), np.zeros(4)])[:, flat]
    return Surrogate(
        _logistic(np.array(rows), np.array(hits, float)),
        bias,
        spread[0],
        spread[1],
        len(false) / len(found),
        np.array(false).reshape(-1, 4),
        tuple(size_px),
        (target,),
    )


def surrogate_of(
    data: DataSet, detections: Sequence[Detections], target: str = "post", min_score: float = 0.3
) -> Surrogate:
    """Fit a surrogate to a detector's own judging.

    Parameters
    ----------
    data : DataSet
        Labeled pictures of one size that the detector was not trained on.
    detections : sequence of Detections
        What it found in each, in order: the two arguments of
        :func:`robotlab.metrics.evaluate_coco`.
    target : str
        Class of the target.
    min_score : float
        Detections with a lower score do not count; take the loop's.

    Returns
    -------
    Surrogate
        Ready for :func:`robotlab.loop.simulate`, with a camera of that size.

    Raises
    ------
    InputError
        If the pictures differ in size, the class is unknown, or there are too
        few truths.

    Notes
    -----
    Labels to be ignored count as neither found nor missed, and what lies on
    them is not false.

    Examples
    --------
    >>> from robotlab.course.resources import shipped
    >>> from robotlab.data import open_dataset
    >>> data = open_dataset(shipped("datasets/greenhouse")).only(recordings=["day1", "day2"])
    >>> perfect = [Detections(entry.boxes, np.ones(len(entry.boxes)), entry.labels, data.classes) for entry in data.pictures]
    >>> surrogate_of(data, perfect).recall(60) > 0.95
    True
    """
    if len(data) != len(detections):
        raise InputError(
            f"detections must be one for each of the {len(data)} pictures, got {len(detections)}; judge the same data set"
        )
    if target not in data.classes:
        raise InputError(f"target must be one of {', '.join(data.classes)}, got {target!r}; choose one of them")
    sizes = {(entry.width_px, entry.height_px) for entry in data.pictures}
    if len(sizes) != 1:
        raise InputError(
            f"the pictures must be of one size, as a camera's are, got {sorted(sizes)}; take those of one size"
        )
    truths, visible, found = [], [], []
    for entry, seen in zip(data.pictures, detections, strict=True):
        unclear = entry.ignore | entry.crowd
        mine = (entry.labels == data.classes.index(target)) & ~unclear
        seen = seen.of_class(target)
        aside = iou(seen.boxes, entry.boxes[unclear]).max(axis=1, initial=0.0) >= _SAME
        on_truth = iou(seen.boxes, entry.boxes[mine]).max(axis=1, initial=0.0) >= _SAME
        truths.append(entry.boxes[mine])
        visible.append(entry.visibility[mine])
        found.append(seen.pick(on_truth | ~aside))
    return fit_surrogate(truths, visible, found, sizes.pop(), target, min_score)


def _features(height_px: float, visible: float) -> np.ndarray:
    return np.array([1.0, math.log2(max(height_px, 1e-3) / 16), visible - 1])


def _logistic(rows: np.ndarray, hits: np.ndarray) -> np.ndarray:
    """Most probable weights of the logistic regression with its normal prior."""

    def loss(weights: np.ndarray) -> tuple[float, np.ndarray]:
        odds = rows @ weights
        value = np.logaddexp(0, odds).sum() - hits @ odds + weights @ weights / (2 * _PRIOR**2)
        return value, rows.T @ (expit(odds) - hits) + weights / _PRIOR**2

    return minimize(loss, np.zeros(rows.shape[1]), jac=True, method="BFGS", options={"gtol": 1e-8}).x
