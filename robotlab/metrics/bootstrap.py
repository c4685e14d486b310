"""Bootstrap of AP over recordings.

Matching happens inside one picture, so it is done once; a resample only
changes how often each recording counts.
"""

from __future__ import annotations

import numpy as np

from robotlab.errors import InputError
from robotlab.metrics.coco import IOU_LIMITS, RECALL_LEVELS, Matches

# Numbers held at once, about 30 MB.
_CHUNK = 4_000_000


def percentile_interval(values: np.ndarray) -> tuple[float, float]:
    """Percentile interval, 95 %, of resampled values; NaN is left out.

    Parameters
    ----------
    values : (B,) ndarray
        One value for each resample.

    Returns
    -------
    low, high : float
        Percentiles 2.5 and 97.5 (Efron & Tibshirani, An Introduction to the
        Bootstrap, 1993, chapter 13; from memory).

    Examples
    --------
    >>> percentile_interval(np.arange(1001.0))
    (25.0, 975.0)
    """
    low, high = np.percentile(values[np.isfinite(values)], [2.5, 97.5])
    return float(low), float(high)


def resample_weights(groups: int, resamples: int, seed: int = 0) -> np.ndarray:
    """Bootstrap weights: how often each group is drawn in each resample.

    Parameters
    ----------
    groups : int
        Groups to draw from, with replacement, as many as there are.
    resamples : int
        How many times.
    seed : int
        Same seed, same draws.

    Returns
    -------
    (resamples, groups) ndarray of int
        Rows sum to `groups`.

    Raises
    ------
    InputError
        If there is nothing to draw.

    Notes
    -----
    Efron, Ann. Stat. 7:1-26, 1979.

    Examples
    --------
    >>> resample_weights(4, 2).sum(axis=1).tolist()
    [4, 4]
    """
    if groups < 1 or resamples < 1:
        raise InputError(f"groups and resamples must be at least 1, got {groups} and {resamples}; give more")
    return np.random.default_rng(seed).multinomial(groups, np.full(groups, 1 / groups), size=resamples)


def weighted_ap(
    matches: Matches,
    group_of_row: np.ndarray,
    truths_by_group: np.ndarray,
    weights: np.ndarray,
    limits: np.ndarray | None = None,
) -> np.ndarray:
    """COCO's AP of bootstrap resamples, in which group ``g`` counts ``weights[b, g]`` times.

    Parameters
    ----------
    matches : Matches
        From :func:`robotlab.metrics.coco.evaluate_coco`.
    group_of_row : (D,) ndarray of int
        Group (recording, picture) of each row of `matches`.
    truths_by_group : (K, R) ndarray of int
        Ground truths that count, by class and group.
    weights : (B, R) ndarray of int
        Resamples by group.
    limits : (T,) ndarray, optional
        Some of the ten IoU limits; all where not given.

    Returns
    -------
    (B, T) ndarray
        Mean over the classes that have truths in the resample; NaN where none
        has.  A repeated picture's detections rank directly after the first.

    Examples
    --------
    >>> from robotlab.metrics import DetectionTable, GroundTruthTable, evaluate_coco
    >>> truths = GroundTruthTable([0, 1], [0, 0], [[0, 0, 10, 10]] * 2, 2, ["post"])
    >>> found = DetectionTable([0], [0], [[0, 0, 10, 10]], [0.9])
    >>> ones = np.array([[1, 1], [2, 0], [0, 2]])
    >>> weighted_ap(evaluate_coco(truths, found).matches, np.array([0]), np.array([[1, 1]]), ones, [0.5]).round(3).tolist()
    [[0.505], [1.0], [0.0]]
    """
    limits = IOU_LIMITS if limits is None else np.asarray(limits)
    places = [int(np.abs(IOU_LIMITS - limit).argmin()) for limit in limits]
    classes, groups = truths_by_group.shape
    weights = np.asarray(weights, np.float64)
    total, seen = np.zeros((len(weights), len(places))), np.zeros((len(weights), 1))
    ends = np.searchsorted(matches.label, np.arange(classes + 1))
    for k in range(classes):
        part = slice(ends[k], ends[k + 1])
        truths = weights @ truths_by_group[k]
        seen[:, 0] += truths > 0
        group = group_of_row[part]
        for column, t in enumerate(places):
            bit = np.uint64(t * 4)
            hit = matches.hit[part] >> bit & np.uint64(1) > 0
            wrong = ~hit & (matches.ignored[part] >> bit & np.uint64(1) == 0)
            at = np.flatnonzero(hit)
            if len(at):
                true, false = _counts(hit, group, groups, at), _counts(wrong, group, groups, at)
                step = max(1, _CHUNK // len(at))
                for low in range(0, len(weights), step):
                    rows = slice(low, low + step)
                    total[rows, column] += _ap(weights[rows] @ true, weights[rows] @ false, truths[rows])
    return np.divide(total, seen, out=np.full_like(total, np.nan), where=seen > 0)


def _counts(flag: np.ndarray, group: np.ndarray, groups: int, at: np.ndarray) -> np.ndarray:
    """(R, n) how many flagged rows of each group stand at or before each place."""
    counts = np.zeros((groups, len(at)))
    rows = np.flatnonzero(flag)
    slot = np.searchsorted(at, rows)  # first of the places that counts this row
    inside = slot < len(at)
    np.add.at(counts, (group[rows[inside]], slot[inside]), 1)
    return np.cumsum(counts, axis=1)


def _ap(true: np.ndarray, false: np.ndarray, truths: np.ndarray) -> np.ndarray:
    """(B,) AP over the 101 levels from counts at the true positives."""
    precision = true / np.maximum(true + false, 1)
    precision = np.maximum.accumulate(precision[:, ::-1], axis=1)[:, ::-1]
    recall = true / np.maximum(truths, 1)[:, None]
    reached = np.where(true > 0, np.searchsorted(RECALL_LEVELS, recall, side="right"), 0)
    fresh = np.diff(reached, axis=1, prepend=0)
    return (precision * fresh).sum(axis=1) / len(RECALL_LEVELS)
