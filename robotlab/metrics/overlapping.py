"""Pairs of a detection and a ground truth that overlap, found without visiting all others."""

from __future__ import annotations

import numpy as np

from robotlab.metrics.tables import DetectionTable, GroundTruthTable

# Pairs looked at in one go: bounds the memory to about 100 MB.
_CHUNK = 1_000_000


def overlapping_pairs(
    truths: GroundTruthTable,
    found: DetectionTable,
    rows: np.ndarray,
    group_of_truth: np.ndarray,
    group_of_row: np.ndarray,
    least: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of one group whose overlap is at least `least`.

    Parameters
    ----------
    truths : GroundTruthTable
        The labeled boxes.
    found : DetectionTable
        The detections.
    rows : (D,) ndarray of int
        Rows of `found` to look at, sorted by group.
    group_of_truth : (G,) ndarray of int
        Group of each truth: its picture, or its picture and class.
    group_of_row : (D,) ndarray of int
        Group of each row, rising.
    least : float
        Smallest IoU kept, above 0.

    Returns
    -------
    place : (P,) ndarray of int
        Place in `rows`, rising.
    truth : (P,) ndarray of int
        Row of `truths`.
    overlap : (P,) ndarray
        IoU; in a crowd, the part of the detection that lies inside it.

    Examples
    --------
    >>> truths = GroundTruthTable([0], [0], [[0, 0, 10, 10]], 1, ["post"])
    >>> found = DetectionTable([0, 0], [0, 0], [[0, 0, 10, 8], [50, 0, 9, 9]], [0.9, 0.8])
    >>> [part.tolist() for part in overlapping_pairs(truths, found, np.arange(2), np.zeros(1), np.zeros(2), 0.5)]
    [[0], [0], [0.8]]
    """
    order = np.argsort(group_of_truth, kind="stable")
    sorted_groups = group_of_truth[order]
    first = np.searchsorted(sorted_groups, group_of_row, side="left")
    count = np.searchsorted(sorted_groups, group_of_row, side="right") - first
    ends = np.cumsum(count)
    kept = [(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))]
    start = 0
    while start < len(rows):
        done = ends[start - 1] if start else 0
        stop = max(start + 1, int(np.searchsorted(ends, done + _CHUNK, side="right")))
        n = count[start:stop]
        place = np.repeat(np.arange(start, stop), n)
        offset = np.arange(len(place)) - np.repeat(np.cumsum(n) - n, n)
        truth = order[first[place] + offset]
        a, b = found.xywh[rows[place]], truths.xywh[truth]
        width = np.minimum(a[:, 0] + a[:, 2], b[:, 0] + b[:, 2]) - np.maximum(a[:, 0], b[:, 0])
        height = np.minimum(a[:, 1] + a[:, 3], b[:, 1] + b[:, 3]) - np.maximum(a[:, 1], b[:, 1])
        meet = np.flatnonzero((width > 0) & (height > 0))
        place, truth, a, b = place[meet], truth[meet], a[meet], b[meet]
        shared = width[meet] * height[meet]
        own = a[:, 2] * a[:, 3]
        joint = np.where(truths.crowd[truth], own, own + b[:, 2] * b[:, 3] - shared)
        overlap = shared / joint
        near = overlap >= least
        kept.append((place[near], truth[near], overlap[near]))
        start = stop
    places, truth, overlap = zip(*kept, strict=True)
    return np.concatenate(places), np.concatenate(truth), np.concatenate(overlap)
