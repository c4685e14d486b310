"""Precision, recall, AP, F1 and calibration of a ranked list of detections.

A list of hits says, highest score first, which detections are true positives
(TP); how that is decided is :mod:`robotlab.metrics.matching`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from robotlab.errors import InputError
from robotlab.metrics.significance import wilson_interval

AP_METHODS = ("coco", "voc", "voc11", "step")


def _ranked(hits: np.ndarray, truths: int) -> np.ndarray:
    hits = np.asarray(hits)
    if hits.ndim != 1 or (hits.size and not np.isin(hits, (0, 1)).all()):
        raise InputError(
            f"hits must be one row of true and false, best score first, got {hits.dtype} {hits.shape}; use match"
        )
    hits = hits.astype(bool)
    if truths < hits.sum():
        raise InputError(f"truths must be at least the {hits.sum()} hits, got {truths}; count the false negatives too")
    return hits


def precision_recall(hits: np.ndarray, truths: int) -> tuple[np.ndarray, np.ndarray]:
    """Precision and recall after each detection, best score first.

    Parameters
    ----------
    hits : (D,) array of bool
        Whether each detection is a true positive.
    truths : int
        Number of ground-truth boxes, the false negatives included.

    Returns
    -------
    precision, recall : (D,) ndarray
        ``hits so far / detections so far`` and ``hits so far / truths``;
        recall is NaN without truths.

    Raises
    ------
    InputError
        If there are more hits than truths.

    Examples
    --------
    >>> precision, recall = precision_recall([True, False, True], 4)
    >>> precision.round(2).tolist(), recall.tolist()
    ([1.0, 0.5, 0.67], [0.25, 0.25, 0.5])
    """
    hits = _ranked(hits, truths)
    true = np.cumsum(hits)
    recall = true / truths if truths else np.full(len(hits), np.nan)
    return true / np.arange(1, len(hits) + 1), recall


def average_precision(hits: np.ndarray, truths: int, method: str = "coco") -> float:
    """Average precision of a ranked list.

    Parameters
    ----------
    hits : (D,) array of bool
        Whether each detection is a true positive, highest score first.
    truths : int
        Number of ground-truth boxes, the false negatives included; at least 1.
    method : {"coco", "voc", "voc11", "step"}
        ``coco``: mean over 101 recall levels; ``voc``: area under the
        falling envelope; ``voc11``: mean over 11 levels; ``step``: sum of
        precision times gain in recall, without envelope.

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    InputError
        If there are no truths, or fewer than hits, or the method is unknown.

    Notes
    -----
    The envelope at recall r is the best precision at recall r or more.
    ``voc11``: Everingham et al., IJCV 88:303-338, 2010; ``voc``: ibid.
    111:98-136, 2015; ``coco``: Lin et al., arXiv:1405.0312.  This is not the
    average precision of a classifier, which knows no false negatives.

    Examples
    --------
    >>> [round(average_precision([1, 0, 1], 2, method), 4) for method in AP_METHODS]
    [0.835, 0.8333, 0.8485, 0.8333]
    """
    if method not in AP_METHODS:
        raise InputError(f"method must be one of {', '.join(AP_METHODS)}, got {method!r}; choose one of them")
    if truths < 1:
        raise InputError(f"truths must be at least 1, got {truths}; without anything to find there is no AP")
    precision, recall = precision_recall(hits, truths)
    if method == "step":
        return float(np.sum(precision * np.diff(recall, prepend=0)))
    envelope = np.maximum.accumulate(precision[::-1])[::-1]
    if method == "voc":
        return float(np.sum(envelope * np.diff(recall, prepend=0)))
    if method == "voc11":
        # Whole numbers: .3 is not a binary fraction, and 3 of 10 must reach level .3.
        first = np.searchsorted(10 * np.cumsum(np.asarray(hits, bool)), np.arange(11) * truths)
    else:
        first = np.searchsorted(recall, np.linspace(0, 1, 101))
    return float(np.mean([envelope[place] if place < len(envelope) else 0.0 for place in first]))


@dataclass(frozen=True, eq=False)
class Curve:
    """Precision-recall curve: both as the confidence threshold falls.

    Parameters
    ----------
    score : (D,) ndarray
        Falling.
    hit : (D,) ndarray of bool
        Whether each detection is a true positive.
    truths : int
        Number of ground-truth boxes.

    Examples
    --------
    >>> curve = Curve(np.array([.9, .8, .7]), np.array([True, False, True]), 2)
    >>> curve.best()["score"], curve.best()["F1"].__round__(2)
    (0.7, 0.8)
    """

    score: np.ndarray
    hit: np.ndarray
    truths: int

    @property
    def precision(self) -> np.ndarray:
        """(D,) TP / (TP + FP) down to each detection."""
        return precision_recall(self.hit, self.truths)[0]

    @property
    def recall(self) -> np.ndarray:
        """(D,) TP / (TP + FN) down to each detection; NaN without truths."""
        return precision_recall(self.hit, self.truths)[1]

    def at(self, score: float) -> dict[str, Any]:
        """Counts and rates when only detections of at least `score` are used.

        Parameters
        ----------
        score : float
            The threshold.

        Returns
        -------
        dict
            ``score, found, TP, FP, FN, precision, recall, F1``, where ``found``
            is TP + FP; a rate without anything to divide by is None.
        """
        n = int(np.searchsorted(-self.score, -score, side="right"))
        hits = int(np.count_nonzero(self.hit[:n]))
        return {
            "score": float(score),
            "found": n,
            "TP": hits,
            "FP": n - hits,
            "FN": self.truths - hits,
            "precision": hits / n if n else None,
            "recall": hits / self.truths if self.truths else None,
            "F1": 2 * hits / (n + self.truths) if self.truths else None,
        }

    def best(self) -> dict[str, Any] | None:
        """The threshold with the highest F1; of equals the highest threshold.

        Returns
        -------
        dict or None
            As :meth:`at`; None when nothing was found or to be found.

        Notes
        -----
        ``F1 = 2 P R / (P + R) = 2 TP / (2 TP + FP + FN)`` (van
        Rijsbergen, Information Retrieval, 1979).
        """
        if not len(self.score) or not self.truths:
            return None
        f1 = 2 * np.cumsum(self.hit) / (np.arange(1, len(self.hit) + 1) + self.truths)
        # A threshold takes all of equal scores or none: only their last row is a choice.
        last = np.append(self.score[1:] != self.score[:-1], True)
        return self.at(float(self.score[np.argmax(np.where(last, f1, -1))]))


def calibration(score: np.ndarray, hit: np.ndarray, bins: int = 10) -> dict | None:
    """Calibration error and the bins of a reliability diagram.

    Parameters
    ----------
    score : (D,) ndarray
        0 to 1.
    hit : (D,) ndarray of bool
        Whether each detection is a true positive.
    bins : int
        Equal parts of 0 to 1.

    Returns
    -------
    dict or None
        ``error`` (expected calibration error, 0 to 1) and ``bins``, each with
        ``low, high, count, mean_score, precision, precision_interval``
        (Wilson, 95 %); None without detections or when a score is outside
        0 to 1.

    Raises
    ------
    InputError
        If there is less than one bin, or not one hit for each score.

    Notes
    -----
    ``ECE = Σ (n_b / n) |precision_b - mean score_b|`` (Guo et al., ICML 2017,
    arXiv:1706.04599).  A score of exactly 1 belongs to the last bin.

    Examples
    --------
    >>> round(calibration(np.array([.9, .9]), np.array([True, False]))["error"], 2)
    0.4
    """
    if bins < 1:
        raise InputError(f"bins must be at least 1, got {bins}; 10 is usual")
    score, hit = np.asarray(score, np.float64), np.asarray(hit, bool)
    if score.ndim != 1 or hit.shape != score.shape:
        raise InputError(
            f"score and hit must be rows of the same length, got shapes {score.shape} and {hit.shape}; give one hit for each score"
        )
    if not len(score) or score.min() < 0 or score.max() > 1:
        return None
    place = np.minimum((score * bins).astype(int), bins - 1)
    count = np.bincount(place, minlength=bins)
    sums, rights = np.bincount(place, score, bins), np.bincount(place, hit, bins)
    rows = [
        {
            "low": b / bins,
            "high": (b + 1) / bins,
            "count": int(count[b]),
            "mean_score": float(sums[b] / count[b]) if count[b] else None,
            "precision": float(rights[b] / count[b]) if count[b] else None,
            "precision_interval": list(wilson_interval(int(rights[b]), int(count[b]))) if count[b] else None,
        }
        for b in range(bins)
    ]
    return {"error": float(np.abs(rights - sums).sum() / len(score)), "bins": rows}
