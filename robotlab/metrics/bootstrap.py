"""Bootstrap of AP over recordings.

Matching happens inside one picture, so it is done once; a resample only
changes how often each recording counts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from robotlab.errors import InputError
from robotlab.metrics.coco import IOU_LIMITS, RECALL_LEVELS, Matches

# Numbers held at once, about 30 MB.
_CHUNK = 4_000_000
# Up to so many groups, their counts are added by a product of matrices, whose size grows with groups times rows; with
# more, row by row in each resample.  Both add whole numbers, so they agree to the last bit (own choice, near where both
# take as long).
MOST_TOGETHER = 50
Counts = Callable[[np.ndarray], np.ndarray]


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


def bootstrap_weights(groups: int, resamples: int, seed: int = 0) -> np.ndarray:
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
    >>> bootstrap_weights(4, 2).sum(axis=1).tolist()
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
    limits: Sequence[float] | np.ndarray | None = None,
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
    weights, truths_by_group = np.asarray(weights), np.asarray(truths_by_group)
    groups = truths_by_group.shape[1]
    count = _counts_together if groups <= MOST_TOGETHER else _counts_apart
    total, seen = np.zeros((len(weights), len(places))), np.zeros((len(weights), 1))
    ends = np.searchsorted(matches.label, np.arange(len(truths_by_group) + 1))
    for k, own in enumerate(truths_by_group):
        part = slice(ends[k], ends[k + 1])
        truths = (weights @ own.astype(weights.dtype)).astype(np.float64)
        seen[:, 0] += truths > 0
        group = group_of_row[part]
        for column, t in enumerate(places):
            bit = np.uint64(t * 4)
            hit = matches.hit[part] >> bit & np.uint64(1) > 0
            wrong = ~hit & (matches.ignored[part] >> bit & np.uint64(1) == 0)
            at = np.flatnonzero(hit)
            if len(at):
                true, false = count(group, at, at, groups), count(group, np.flatnonzero(wrong), at, groups)
                step = max(1, _CHUNK // len(hit))
                for low in range(0, len(weights), step):
                    rows = slice(low, low + step)
                    chosen = weights[rows].astype(np.float64)
                    total[rows, column] += _ap(true(chosen), false(chosen), truths[rows])
    return np.divide(total, seen, out=np.full_like(total, np.nan), where=seen > 0)


def _counts_together(group: np.ndarray, rows: np.ndarray, at: np.ndarray, groups: int) -> Counts:
    """How many of the rows stand at or before each place, from (B, R) weights: (B, n)."""
    counts = np.zeros((groups, len(at)))
    slot = np.searchsorted(at, rows)  # first of the places that counts this row
    inside = slot < len(at)
    np.add.at(counts, (group[rows[inside]], slot[inside]), 1)
    counts = np.cumsum(counts, axis=1)
    return lambda weights: weights @ counts


def _counts_apart(group: np.ndarray, rows: np.ndarray, at: np.ndarray, groups: int) -> Counts:
    """The same, in memory and time that do not grow with the groups."""
    upto = np.searchsorted(rows, at, side="right")  # of the rows, those that each place counts

    def count(weights: np.ndarray) -> np.ndarray:
        running = np.zeros((len(weights), len(rows) + 1))
        np.cumsum(weights[:, group[rows]], axis=1, out=running[:, 1:])
        return running[:, upto]

    return count


def _ap(true: np.ndarray, false: np.ndarray, truths: np.ndarray) -> np.ndarray:
    """(B,) AP over the 101 levels from counts at the true positives."""
    precision = true / np.maximum(true + false, 1)
    precision = np.maximum.accumulate(precision[:, ::-1], axis=1)[:, ::-1]
    recall = true / np.maximum(truths, 1)[:, None]
    reached = np.where(true > 0, np.searchsorted(RECALL_LEVELS, recall, side="right"), 0)
    fresh = np.diff(reached, axis=1, prepend=0)
    return (precision * fresh).sum(axis=1) / len(RECALL_LEVELS)
