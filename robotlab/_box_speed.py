"""The fast paths below :mod:`robotlab.boxes`: same answers, bit for bit, sooner.

Nothing is checked here; ``boxes`` does that.  ``boxes_clear`` says what is meant.
"""

from __future__ import annotations

import numpy as np

# Rows of one block: three blocks of 1000 columns stay in a core's own cache.
_ROWS = 32
# Far above the rounding of a few float64 operations (1e-16 each) and far below
# a pixel: a neighbour too many costs nothing, one too few would be wrong.
_SLACK = 1e-9
# Found by trial on 5000 boxes, scattered and in clusters: the best boxes compared
# with each other in one go; boxes compared with those in one go (the two make
# tables below 128 KiB, which need no fresh pages); the part left that shows
# boxes lie apart; the number that is not worth sorting; kept boxes between two
# counts of those gone.
_BEST, _BLOCK, _WORTH, _FEW, _LOOK = 64, 2048, 0.8, 300, 64
# Up to so many, comparing each with each costs less than finding out which meet: about what a detector finds.
FEW = 64


def iou_blocks(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """IoU of every pair, a few rows at a time.

    Parameters
    ----------
    a : (N, 4) ndarray
        Corners, px.
    b : (M, 4) ndarray
        Corners, px.

    Returns
    -------
    (N, M) ndarray of float64
        As :func:`robotlab.boxes_clear.iou_clear`.

    Notes
    -----
    Two habits of NumPy's loops: a minimum of two rows of numbers is faster than
    that of a row and one number, so each number is spread over its row first;
    and what stays in a core's own cache is faster than what does not.
    """
    out = np.empty((len(a), len(b)))
    x0, y0, x1, y1 = np.ascontiguousarray(b.T)
    area, zero = (x1 - x0) * (y1 - y0), np.zeros(len(b))
    memory = np.empty((3, _ROWS, len(b)))
    for start in range(0, len(a), _ROWS):
        rows = a[start : start + _ROWS]
        width, height, other = memory[:, : len(rows)]
        left, top, right, bottom = rows.T[:, :, None]
        for side, low, high, near, far in ((width, left, right, x0, x1), (height, top, bottom, y0, y1)):
            side[...] = high
            np.minimum(side, far, out=side)
            other[...] = low
            np.maximum(other, near, out=other)
            np.subtract(side, other, out=side)
            np.maximum(side, zero, out=side)
        shared = np.multiply(width, height, out=width)
        joint = np.add((right - left) * (bottom - top), area, out=other)
        np.subtract(joint, shared, out=joint)
        with np.errstate(invalid="ignore"):
            np.divide(shared, joint, out=out[start : start + _ROWS])
        if not joint.all():
            out[start : start + _ROWS][joint == 0] = 0.0  # two boxes without area
    return out


def suppress_sorted(boxes: np.ndarray, limit: float) -> np.ndarray:
    """Which boxes stay, given best first.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Corners, px, best first.
    limit : float, 0 to 1
        A box goes when its IoU with a kept one exceeds this.

    Returns
    -------
    (N,) ndarray of bool
        True for those that stay.

    Notes
    -----
    The best boxes that wait are compared with each other, and those of them
    that stay with all that wait: in a crowd around few things that clears most
    away.  When it clears little, the rest lie apart, and each is compared with
    its neighbours only: IoU can only exceed t when the shared width is more
    than t times either width, so the left edges of two such boxes are less than
    (1 - t) widths apart.  With the boxes sorted along x (or y), those are a
    short run.
    """
    stays = np.zeros(len(boxes), bool)
    waiting = np.arange(len(boxes))
    apart = False
    with np.errstate(invalid="ignore"):  # two boxes without area: 0 / 0, which exceeds nothing
        edges, area = _edges(boxes)
        near, far = _shrunk(edges, limit)
        while len(waiting):
            if apart:
                kept, left = _among_neighbours(boxes[waiting], limit)
            else:
                kept, left = _among_best(*(part.take(waiting, axis=-1) for part in (edges, area, near, far)), limit)
            stays[waiting[kept]] = True
            apart = len(left) > _FEW and (apart or len(left) > _WORTH * len(waiting))
            waiting = waiting[left]
    return stays


def suppress_few(boxes: np.ndarray, group: np.ndarray, limit: float) -> np.ndarray:
    """Which boxes stay, given best first, by comparing each with each at once.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Corners, px, best first; at most :data:`FEW`.
    group : (N,) ndarray
        Only boxes of one group suppress each other.
    limit : float, 0 to 1
        A box goes when its IoU with a kept one exceeds this.

    Returns
    -------
    (N,) ndarray of bool
        True for those that stay.
    """
    edges, area = _edges(boxes)
    with np.errstate(invalid="ignore"):  # two boxes without area: 0 / 0, which exceeds nothing
        over = _over(edges[:, :, None], area[:, None], edges[:, None], area, limit)
    over &= group[:, None] == group
    stays = np.ones(len(boxes), bool)
    for row in np.flatnonzero(over.sum(axis=1) > 1).tolist():
        if stays[row]:
            stays[row + 1 :] &= ~over[row, row + 1 :]
    return stays


def best_first(scores: np.ndarray) -> np.ndarray:
    """Order by falling score; equal scores as they come.

    Parameters
    ----------
    scores : (N,) ndarray
        Finite.

    Returns
    -------
    (N,) ndarray of int
        The answer of a stable sort, sooner where no two scores are equal.
    """
    falling = -scores
    order = np.argsort(falling)
    ranked = falling[order]
    return np.argsort(falling, kind="stable") if (ranked[1:] == ranked[:-1]).any() else order


def _edges(boxes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Far edges and negated near ones, (4, N): one minimum gives both ends of an overlap; and areas."""
    edges = np.empty((4, len(boxes)))
    edges[:2], edges[2:] = boxes[:, 2:].T, -boxes[:, :2].T
    return edges, (edges[0] + edges[2]) * (edges[1] + edges[3])


def _shrunk(edges: np.ndarray, limit: float) -> tuple[np.ndarray, np.ndarray]:
    """Boxes whose sides are cut to (1 - limit) at their far ends, (2, N) near and far, in whole steps.

    Where two of them do not meet, the IoU does not exceed the limit (see
    :func:`suppress_sorted`).  A step's number never falls as x grows, so what
    meets in px meets in steps; and 16 bits compare fastest.
    """
    near = -edges[2:]
    if not near.size:
        return near.astype(np.int16), near.astype(np.int16)
    far = edges[:2] - near
    far *= 1 - limit
    far += near
    far += _SLACK * max(1.0, float(np.abs(edges).max()))
    start = near.min(axis=1, keepdims=True)
    spread = far.max(axis=1, keepdims=True) - start
    if not np.isfinite(spread).all():
        return np.zeros(near.shape, np.int16), np.zeros(near.shape, np.int16)
    return tuple(((part - start) * (32766 / spread)).astype(np.int16) for part in (near, far))


def _over(edges: np.ndarray, area: np.ndarray, others: np.ndarray, other_area: np.ndarray, limit: float) -> np.ndarray:
    """Whether the IoU of boxes with others, in any shapes that fit, exceeds the limit."""
    ends = np.minimum(edges, others)
    sides = ends[:2]
    sides += ends[2:]
    np.maximum(sides, 0.0, out=sides)
    shared = sides[0]
    shared *= sides[1]
    joint = area + other_area
    joint -= shared
    shared /= joint
    return shared > limit


def _among_best(edges: np.ndarray, area: np.ndarray, near: np.ndarray, far: np.ndarray, limit: float) -> tuple[list[int], np.ndarray]:
    """Keep some of the best, each compared with all that wait; rows kept, rows that still wait."""
    best = min(len(area), _BEST)
    over = np.zeros((best, best), bool)
    over[_rivals(edges, area, near, far, np.arange(best), slice(best), limit)] = True
    gone = np.zeros(len(area), bool)
    among, kept = gone[:best], []
    for row, rivals in enumerate(over):
        if not among[row]:
            kept.append(row)
            among |= rivals
    among[:] = True
    rows = np.array(kept)
    for start in range(best, len(area), _BLOCK):
        gone[start + _rivals(edges, area, near, far, rows, slice(start, start + _BLOCK), limit)[1]] = True
    return kept, np.flatnonzero(~gone)


def _rivals(
    edges: np.ndarray, area: np.ndarray, near: np.ndarray, far: np.ndarray, rows: np.ndarray, block: slice, limit: float
) -> tuple[np.ndarray, np.ndarray]:
    """Pairs whose IoU exceeds the limit: which of the rows, and which box of a block."""
    row_near, row_far, near, far = near[:, rows, None], far[:, rows, None], near[:, block], far[:, block]
    meet = row_near[0] <= far[0]
    part = np.empty_like(meet)
    for one, other in ((near[0], row_far[0]), (row_near[1], far[1]), (near[1], row_far[1])):
        meet &= np.less_equal(one, other, out=part)
    pairs = np.flatnonzero(meet)
    row = pairs // meet.shape[1]
    at = pairs - row * meet.shape[1]
    own = rows[row]
    over = _over(edges[:, block].take(at, axis=1), area[block].take(at), edges.take(own, axis=1), area.take(own), limit)
    return row[over], at[over]


def _among_neighbours(boxes: np.ndarray, limit: float) -> tuple[list[int], np.ndarray]:
    """Each kept box compared with its run; stops when half are gone, so that runs get shorter."""
    order, first, last = _runs(boxes, limit)
    edges, area = _edges(boxes[order])
    place = np.empty(len(boxes), np.int64)
    place[order] = np.arange(len(boxes))
    gone = np.zeros(len(boxes), bool)
    kept, first, last = [], first.tolist(), last.tolist()
    for row, at in enumerate(place.tolist()):
        if gone[at]:
            continue
        kept.append(row)
        run = slice(first[at], last[at])
        rest = gone[run]
        np.logical_or(rest, _over(edges[:, run], area[run], edges[:, at, None], area[at], limit), out=rest)
        if len(kept) % _LOOK == 0 and 2 * np.count_nonzero(gone) > len(gone):
            break
    return kept, row + 1 + np.flatnonzero(~gone[place[row + 1 :]])


def _runs(boxes: np.ndarray, limit: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Order along an axis, and for each box in it the run of its possible rivals."""
    sides = boxes[:, 2:] - boxes[:, :2]
    start = boxes[:, :2].min(axis=0)
    spread = boxes[:, :2].max(axis=0) - start
    axis = 0 if sides[:, 0].sum() * spread[1] <= sides[:, 1].sum() * spread[0] else 1
    near, side = boxes[:, axis], sides[:, axis]
    # Into slots of equal width; a slot's number never falls as x grows.
    slots = min(len(boxes) // 4 + 1, 32767)  # 16 bits sort fastest
    scale = slots / spread[axis] if spread[axis] > 0 else 0.0
    slack = _SLACK * max(1.0, float(np.abs(boxes).max()))

    def slot(x: np.ndarray) -> np.ndarray:
        return np.clip((x - start[axis]) * scale, 0, slots - 1).astype(np.int16)

    own = slot(near)
    order = np.argsort(own, kind="stable")
    ends = np.cumsum(np.bincount(own, minlength=slots))
    near, side = near[order], side[order]
    # A rival to the left may itself be wider: by 1 / t at most.
    longest = np.minimum(side / limit, side.max()) if limit > 0 else side.max()
    first = np.concatenate([[0], ends])[slot(near - (1 - limit) * longest - slack)]
    last = ends[slot(near + (1 - limit) * side + slack)]
    return order, first, last
