"""Connected components: blobs of pixels that touch, sideways or by a corner (8-connectivity).

The plain way floods out from one pixel after another (the tests do).  This one
looks at *runs* instead, the unbroken stretches of a row: a picture of 300 000
pixels has a few hundred.  Runs of neighboring rows that touch belong
together; which ones do is settled by letting every run point at an earlier run
that it touches, and following the pointers up to the top.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.errors import InputError
from robotlab.image.morphology import check_mask


@dataclass(frozen=True, eq=False)
class Components:
    """The blobs of one picture, largest first.

    Equal areas are ordered by their first pixel in reading order: the higher
    top row first, then the one further left in that row.

    Parameters
    ----------
    areas : (N,) ndarray of int64
        Pixels in each.
    centroids : (N, 2) ndarray of float64
        Mean x and y of the pixels' indices: whole numbers are pixel centers,
        so add .5 to compare with the edges of a box.
    boxes : (N, 4) ndarray of float64
        Corners ``[x0, y0, x1, y1]``, edges, px.
    firsts : (N, 2) ndarray of int64
        x and y of the first pixel in reading order.
    """

    areas: np.ndarray
    centroids: np.ndarray
    boxes: np.ndarray
    firsts: np.ndarray

    def __len__(self) -> int:
        return len(self.areas)

    @property
    def fills(self) -> np.ndarray:
        """(N,) fraction of its box that each blob fills, above 0 and up to 1."""
        return self.areas / ((self.boxes[:, 2] - self.boxes[:, 0]) * (self.boxes[:, 3] - self.boxes[:, 1]))

    @property
    def aspects(self) -> np.ndarray:
        """(N,) width divided by height of each box."""
        return (self.boxes[:, 2] - self.boxes[:, 0]) / (self.boxes[:, 3] - self.boxes[:, 1])

    def pick(self, rows: np.ndarray | slice) -> Components:
        """Some of the blobs.

        Parameters
        ----------
        rows : (K,) ndarray of int, (N,) ndarray of bool, or slice
            Which, in which order.

        Returns
        -------
        Components
            Those.

        Examples
        --------
        >>> len(connected_components(np.eye(3, dtype=bool)).pick(slice(0, 0)))
        0
        """
        return Components(self.areas[rows], self.centroids[rows], self.boxes[rows], self.firsts[rows])


@dataclass(frozen=True, eq=False)
class Runs:
    """Run-length encoding of a mask, row by row.

    Parameters
    ----------
    rows : (K,) ndarray of int64
        y of each run.
    starts, stops : (K,) ndarray of int64
        First x, and one past the last x.
    width_px : int
        Of the picture.
    """

    rows: np.ndarray
    starts: np.ndarray
    stops: np.ndarray
    width_px: int

    def __len__(self) -> int:
        return len(self.rows)


def runs_of_pixels(pixels: np.ndarray, width_px: int) -> Runs:
    """Runs from the places of pixels.

    Parameters
    ----------
    pixels : (N,) ndarray of int
        Places in the flattened picture, ``y * width_px + x``, ascending.
    width_px : int
        Width of the picture.

    Returns
    -------
    Runs
        In reading order.

    Examples
    --------
    >>> runs_of_pixels(np.array([0, 1, 3, 4]), 4).stops.tolist()  # 3 and 4 are in two rows
    [2, 4, 1]
    """
    if not len(pixels):
        nothing = np.zeros(0, np.int64)
        return Runs(nothing, nothing, nothing, width_px)
    breaks = np.flatnonzero(pixels[1:] != pixels[:-1] + 1)
    first = pixels[np.concatenate(([0], breaks + 1))].astype(np.int64)
    last = pixels[np.concatenate((breaks, [len(pixels) - 1]))].astype(np.int64)
    top, bottom = first // width_px, last // width_px
    # A stretch that reaches over the edge of the picture is one run in each row.
    parts = bottom - top + 1
    if parts.max() == 1:
        return Runs(top, first - top * width_px, last - top * width_px + 1, width_px)
    ends = np.cumsum(parts)
    part = np.arange(ends[-1]) - np.repeat(ends - parts, parts)
    rows = np.repeat(top, parts) + part
    starts = np.where(part == 0, np.repeat(first - top * width_px, parts), 0)
    stops = np.full(len(rows), width_px)
    stops[ends - 1] = last - bottom * width_px + 1
    return Runs(rows, starts, stops, width_px)


def heads_of_runs(runs: Runs) -> np.ndarray:
    """For each run, the first run of its blob.

    Parameters
    ----------
    runs : Runs
        In reading order.

    Returns
    -------
    (K,) ndarray of int64
        Place of that first run; runs with equal heads are one blob.

    Notes
    -----
    Union-find without a loop over runs.  Runs in the next row that touch run i
    are neighbors in the list, so two binary searches give them all.  Each run
    first points at the first one above it that it touches, which makes a
    forest; the few links left over join whole trees.  Each round hooks a tree
    onto the earliest one linked to it, and at least every second round halves
    the trees that still have links.

    Examples
    --------
    >>> heads_of_runs(runs_of_pixels(np.array([0, 2, 4, 5, 6]), 4)).tolist()  # a U and a row
    [0, 0, 0]
    """
    # One key per place, with a gap of two between rows so that they stay apart.
    row_key = runs.rows * (runs.width_px + 2)
    start_keys, stop_keys = row_key + runs.starts, row_key + runs.stops
    # Touching, corners included: start <= other's stop and stop >= other's start.
    below_from = np.searchsorted(stop_keys, start_keys + (runs.width_px + 2), side="left")
    below_to = np.searchsorted(start_keys, stop_keys + (runs.width_px + 2), side="right")
    count = below_to - below_from
    upper = np.repeat(np.arange(len(runs)), count)
    lower = np.arange(len(upper)) + np.repeat(below_from - (np.cumsum(count) - count), count)

    heads = np.arange(len(runs))
    # Written last to first, so that the first of several stays.
    heads[lower[::-1]] = upper[::-1]
    heads = _follow(heads)
    left = np.flatnonzero(heads[upper] != heads[lower])
    while left.size:
        upper, lower = heads[upper[left]], heads[lower[left]]
        np.minimum.at(heads, np.maximum(upper, lower), np.minimum(upper, lower))
        heads = _follow(heads)
        left = np.flatnonzero(heads[upper] != heads[lower])
    return heads


def _follow(heads: np.ndarray) -> np.ndarray:
    """Follow pointers to their ends, twice as far at each step."""
    while True:
        further = heads[heads]
        if np.array_equal(further, heads):
            return heads
        heads = further


def blobs_of_runs(runs: Runs, min_area_px: int = 1, most: int | None = None) -> tuple[Components, np.ndarray]:
    """Put runs together into blobs.

    Parameters
    ----------
    runs : Runs
        In reading order.
    min_area_px : int
        Smaller blobs are left out.
    most : int, optional
        Only this many of the largest.

    Returns
    -------
    blobs : Components
        Largest first.
    owners : (K,) ndarray of int64
        For each run the place of its blob in `blobs`, or -1.

    Examples
    --------
    >>> blobs, owners = blobs_of_runs(runs_of_pixels(np.array([0, 2, 3]), 4))
    >>> blobs.areas.tolist(), owners.tolist()
    ([2, 1], [1, 0])
    """
    heads = heads_of_runs(runs)
    tops = np.flatnonzero(heads == np.arange(len(runs)))
    place = np.empty(len(runs), np.int64)
    place[tops] = np.arange(len(tops))
    place = place[heads]
    lengths = runs.stops - runs.starts

    # Sums of whole numbers below 2**53 are exact in float64.
    areas = np.bincount(place, lengths).astype(np.int64)
    # Tops are in reading order and the sort keeps it among equals.
    order = np.argsort(-areas, kind="stable")
    order = order[: np.searchsorted(-areas[order], -min_area_px, side="right")][:most]
    rank = np.full(len(tops), -1)
    rank[order] = np.arange(len(order))
    owners = rank[place]

    kept = owners >= 0
    own, rows, starts, stops, lengths = (each[kept] for each in (owners, runs.rows, runs.starts, runs.stops, lengths))
    areas, tops = areas[order], tops[order]
    sum_x = np.bincount(own, lengths * (starts + stops - 1), len(order)) / 2
    sum_y = np.bincount(own, lengths * rows, len(order))
    first_x, top = runs.starts[tops], runs.rows[tops]
    # Whole numbers into whole numbers: with mixed types ufunc.at is 40 times slower.
    left, right, bottom = first_x.copy(), runs.stops[tops], np.empty_like(top)
    np.minimum.at(left, own, starts)
    np.maximum.at(right, own, stops)
    # Runs are in reading order, so the last to be written is the lowest.
    bottom[own] = rows + 1
    blobs = Components(
        areas,
        np.column_stack([sum_x / areas, sum_y / areas]),
        np.column_stack([left, top, right, bottom]).astype(np.float64),
        np.column_stack([first_x, top]),
    )
    return blobs, owners


def connected_components(mask: np.ndarray, min_area_px: int = 1) -> Components:
    """All blobs of a mask, largest first (8-connectivity).

    Parameters
    ----------
    mask : (H, W) ndarray of bool
        True where the color fits.
    min_area_px : int
        Smaller blobs are left out.

    Returns
    -------
    Components
        Equal areas in reading order of their first pixels.

    Raises
    ------
    InputError
        If the mask is not (H, W) of bool or the area is below 1.

    Notes
    -----
    Areas, boxes and centroids equal those of OpenCV's
    ``connectedComponentsWithStats`` with connectivity 8, to the last bit; that
    function states no order.

    Examples
    --------
    >>> mask = np.zeros((5, 9), bool)
    >>> mask[1:4, 2:8] = True
    >>> blobs = connected_components(mask)
    >>> blobs.areas.tolist(), blobs.centroids.tolist(), blobs.boxes.tolist()
    ([18], [[4.5, 2.0]], [[2.0, 1.0, 8.0, 4.0]])
    """
    mask = check_mask(mask)
    check_min_area(min_area_px)
    return blobs_of_runs(runs_of_pixels(np.flatnonzero(mask), mask.shape[1]), min_area_px)[0]


def check_min_area(min_area_px: int) -> None:
    """Say what is wrong with a smallest area, if anything is.

    Parameters
    ----------
    min_area_px : int
        The area.

    Raises
    ------
    InputError
        If it is below 1 or not finite.

    Examples
    --------
    >>> check_min_area(20)
    """
    one = np.isscalar(min_area_px)
    if not (one and 1 <= min_area_px < np.inf):
        raise InputError(f"min_area_px must be 1 or more, got {min_area_px}; 1 keeps every blob")
