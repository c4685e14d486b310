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
# Found by trial on 5000 boxes, scattered and in clusters: kept boxes before a
# look at what is left; the part left that shows boxes lie apart; the number
# that is not worth sorting; kept boxes between two counts of those gone.
_HANDFUL, _WORTH, _FEW, _LOOK = 12, 0.8, 300, 64


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
    In a crowd around few things a handful of kept boxes clears most away, so
    each is compared with all that wait.  When a handful clears little, the
    rest lie apart, and are compared with their neighbours only: IoU can only
    exceed t when the shared width is more than t times either width, so the
    left edges of two such boxes are less than (1 - t) widths apart.  With the
    boxes sorted along x (or y), those are a short run.
    """
    stays = np.zeros(len(boxes), bool)
    waiting = np.arange(len(boxes))
    with np.errstate(invalid="ignore"):  # two boxes without area: 0 / 0, which exceeds nothing
        apart = False
        while len(waiting):
            some = boxes[waiting]
            kept, left = _among_neighbours(some, limit) if apart else _among_all(some, limit)
            stays[waiting[kept]] = True
            apart = len(left) > _FEW and (apart or len(left) > _WORTH * len(waiting))
            waiting = waiting[left]
    return stays


def _edges(boxes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Far edges and negated near ones, (4, N): one minimum gives both ends of an overlap; and areas."""
    edges = np.empty((4, len(boxes)))
    edges[:2], edges[2:] = boxes[:, 2:].T, -boxes[:, :2].T
    return edges, (edges[0] + edges[2]) * (edges[1] + edges[3])


def _over(edges: np.ndarray, area: np.ndarray, one: int, run: slice, limit: float) -> np.ndarray:
    """Whether the IoU of one box with each of a run exceeds the limit."""
    ends = np.minimum(edges[:, run], edges[:, one, None])
    sides = ends[:2]
    sides += ends[2:]
    np.maximum(sides, 0.0, out=sides)
    shared = sides[0]
    shared *= sides[1]
    joint = area[run] + area[one]
    joint -= shared
    shared /= joint
    return shared > limit


def _among_all(boxes: np.ndarray, limit: float) -> tuple[list[int], np.ndarray]:
    """Keep a handful, each compared with all that wait; rows kept, rows that still wait."""
    edges, area = _edges(boxes)
    gone = np.zeros(len(boxes), bool)
    kept, row = [], 0
    while row < len(boxes) and len(kept) < _HANDFUL:
        if not gone[row]:
            kept.append(row)
            rest = gone[row + 1 :]
            np.logical_or(rest, _over(edges, area, row, slice(row + 1, None), limit), out=rest)
        row += 1
    return kept, row + np.flatnonzero(~gone[row:])


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
        np.logical_or(rest, _over(edges, area, at, run, limit), out=rest)
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
