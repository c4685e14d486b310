"""Merge the blobs of a striped target.

A post with white stripes is, for a band of orange, several blobs one above the
other.  Pieces of about the same width, close above each other, are one thing.
"""

from __future__ import annotations

import numpy as np

from robotlab.color.components import Components

# How much of the wider piece's width both must share (common practice, no
# source): bands of one post share nearly all of it, neighbors do not.
LEAST_SHARED = 0.6


def join_stacked(blobs: Components, depths: np.ndarray, gap: float) -> tuple[Components, np.ndarray]:
    """Join blobs that stand close above each other.

    Parameters
    ----------
    blobs : Components
        The pieces.
    depths : (N,) ndarray
        A number for each piece, averaged over the pixels of those joined.
    gap : float
        Largest gap between two pieces, in widths of the narrower one; 0 joins
        nothing.

    Returns
    -------
    blobs : Components
        Joined: areas added, centroids averaged over pixels, boxes round all
        pieces.  Largest first, in the order of :class:`Components`.
    depths : (M,) ndarray
        Averages.

    Notes
    -----
    Two pieces join when the overlap of their x ranges is at least 0.6 of the
    wider one and the rows between them are at most ``gap`` times the narrower
    one's width.  Joining carries on: three bands become one.

    Examples
    --------
    >>> from robotlab.color.components import connected_components
    >>> mask = np.zeros((9, 5), bool)
    >>> mask[0:3, 1:4] = mask[5:8, 1:4] = True
    >>> join_stacked(connected_components(mask), np.ones(2), 1.0)[0].boxes.tolist()
    [[1.0, 0.0, 4.0, 8.0]]
    """
    if gap <= 0 or len(blobs) < 2:
        return blobs, depths
    x0, y0, x1, y1 = blobs.boxes.T
    width = x1 - x0
    # Pieces in order of their left edge: partners overlap in x, so each has
    # its partners in a stretch of the list.
    order = np.argsort(x0, kind="stable")
    until = np.searchsorted(x0[order], x1[order], side="left")
    count = until - np.arange(len(order)) - 1
    one = np.repeat(np.arange(len(order)), count)
    other = np.arange(len(one)) - np.repeat(np.cumsum(count) - count, count) + one + 1
    one, other = order[one], order[other]
    shared = np.minimum(x1[one], x1[other]) - np.maximum(x0[one], x0[other])
    between = np.maximum(y0[one], y0[other]) - np.minimum(y1[one], y1[other])
    close = between <= gap * np.minimum(width[one], width[other])
    pair = close & (shared >= LEAST_SHARED * np.maximum(width[one], width[other]))
    # Each piece takes the lowest number among its partners, and that one's, until nothing changes.
    group = np.arange(len(blobs))
    before: np.ndarray | None = None
    while before is None or not np.array_equal(group, before):
        before = group.copy()
        np.minimum.at(group, one[pair], before[other[pair]])
        np.minimum.at(group, other[pair], before[one[pair]])
        group = group[group]
    heads, group = np.unique(group, return_inverse=True)
    groups = len(heads)
    if groups == len(blobs):
        return blobs, depths

    areas = np.bincount(group, blobs.areas).astype(np.int64)
    centroids = np.column_stack([np.bincount(group, blobs.areas * axis) for axis in blobs.centroids.T]) / areas[:, None]
    boxes = np.tile([np.inf, np.inf, -np.inf, -np.inf], (groups, 1))
    np.minimum.at(boxes[:, :2], group, blobs.boxes[:, :2])
    np.maximum.at(boxes[:, 2:], group, blobs.boxes[:, 2:])
    # The first pixel in reading order among the pieces' first pixels.
    reading = np.lexsort((blobs.firsts[:, 0], blobs.firsts[:, 1]))
    firsts = np.empty((groups, 2), np.int64)
    firsts[group[reading[::-1]]] = blobs.firsts[reading[::-1]]
    depths = np.bincount(group, blobs.areas * depths) / areas
    order = np.lexsort((firsts[:, 0], firsts[:, 1], -areas))
    return Components(areas, centroids, boxes, firsts).pick(order), depths[order]
