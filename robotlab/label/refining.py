"""Refine a detector's boxes, as learned from the boxes that a person drew or kept.

Two convex fits on features pooled over each box, as in detectors of two stages:

* *where are its edges*: ridge regression from the features in and around a box,
  and from where the picture changes across its edges, to the shifts of its four
  edges, in parts of its sides (bounding-box regression: Girshick et al., CVPR
  2014, arXiv:1311.2524, appendix C; profiles of change across an outline, each
  divided by its sum: Cootes et al., CVIU 61:38-59, 1995);
* *is it worth showing*: multinomial logistic regression to "wrong", "to be
  dragged" and "right" (all cited from memory).

Both learn from boxes that heads suggest for pictures *they have not learned
from* (cross-validation), since on known pictures a head is better than it will
be on new ones.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from robotlab.boxes import iou, nms
from robotlab.label.views import Views, mirrored
from robotlab.neural.head import fit_logistic, softmax

# Pooling, in parts of a box's sides, and how many principal components of the features are pooled: for the edges, and
# for the worth.  These and the numbers below were chosen on greenhouses of other seeds and on the end of the street
# camera's film, not on the sets that instructor/measure_labeling.py reports.
EDGE_GRID, EDGE_GROW, EDGE_CHANNELS = 5, 1.2, 32
WORTH_GRID, WORTH_GROW, WORTH_CHANNELS = 3, 1.4, 8
# The picture's change across an edge is read between so many places, this part of the side outward to as far inward,
# as the mean of so many places along the edge without its ends.  The features, in cells of 4 px, see no pixel.
ACROSS, REACH, ALONG, ENDS = 15, 0.35, 9, 0.1
# Added to each change, of 255, so that noise alone makes no profile.
LEVEL = 0.25
# Each truth is learned from so many boxes beside it, each edge off by about this part of the side, and from twice the
# boxes suggested for it: those that overlap by this.
BESIDE, OFF, TWICE, SUGGESTED_IOU = 8, 0.08, 2, 0.4
# Penalties tried, features brought to spread 1; the most rounds, each starting from the boxes of the one before.
PENALTIES, ROUNDS = (0.3, 1.0, 3.0), 3
# Penalty of the worth; the pooled features count as ten times as small, so they are penalized a hundred times as much.
WORTH_PENALTY, POOLED_SPREAD = 1e-3, 0.1
# A suggestion is right from this IoU with a box on, and wrong below that one: what the simulated annotator keeps and drags.
RIGHT_IOU, WRONG_IOU = 0.75, 0.25
# Boxes of a class that overlap more are of one object; before and after their edges have moved.
BEFORE_IOU, AFTER_IOU = 0.7, 0.45
# Boxes of two classes that overlap more are of one object, unless boxes of two classes in the labels overlap as much.
ACROSS_IOU = 0.7
# The least score to be considered, and the least to count when rounds and penalties are compared.
FLOOR, SURE = 0.02, 0.2


def principal_axes(features: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean of rows of features, and what takes them to their first principal components.

    Parameters
    ----------
    features : (M, F) ndarray
        Rows of features.
    count : int
        Components to keep.

    Returns
    -------
    mean : (F,) ndarray of float32
        To be taken off first.
    axes : (F, count) ndarray of float32
        Of the features with spread 1.

    Examples
    --------
    >>> mean, axes = principal_axes(np.array([[0.0, 1], [2, 1], [4, 1]]), 1)
    >>> mean.tolist(), abs(axes.astype(float)).round(3).tolist()
    ([2.0, 1.0], [[0.612], [0.0]])
    """
    mean, spread = features.mean(axis=0, dtype=np.float64), features.std(axis=0, dtype=np.float64) + 1e-6
    rows = (features - mean) / spread
    axes = np.linalg.eigh(rows.T @ rows)[1][:, ::-1][:, :count]
    return mean.astype(np.float32), (axes / spread[:, None]).astype(np.float32)


def pool(cells: np.ndarray, places: np.ndarray, grid: int, grow: float) -> np.ndarray:
    """Features at the points of a grid over each box, read between the cells (bilinear).

    Parameters
    ----------
    cells : (h, w, F) ndarray
        Features of a picture.
    places : (N, 4) ndarray
        Boxes, corners, cells.
    grid : int
        Points each way.
    grow : float
        The grid covers the box grown by this about its center.

    Returns
    -------
    (N, grid * grid * F) ndarray of float32
        One row a box.

    Examples
    --------
    >>> cells = np.arange(12, dtype=np.float32).reshape(3, 4, 1)
    >>> pool(cells, np.array([[0, 0, 4, 3.0]]), 1, 1.0).tolist()  # the middle of the picture
    [[5.5]]
    """
    center, sides = (places[:, :2] + places[:, 2:]) / 2, (places[:, 2:] - places[:, :2]) * grow
    steps = (np.arange(grid) + 0.5) / grid - 0.5
    x, y = (center[:, axis, None] + sides[:, axis, None] * steps for axis in (0, 1))
    return _read(cells, x, y).reshape(len(places), grid * grid * cells.shape[2])


def _read(cells: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Bilinear (N, rows, columns, F) at the columns `x` (N, columns) and rows `y` (N, rows) of a grid for each box."""
    corner, part = [], []
    for place, limit in ((x, cells.shape[1]), (y, cells.shape[0])):
        at = (place - 0.5).clip(0, max(limit - 1, 0))
        low = np.minimum(at.astype(int), max(limit - 2, 0))
        corner.append((low, np.minimum(low + 1, limit - 1)))
        part.append((at - low).astype(np.float32))
    (left, right), (top, bottom) = corner
    over, down = part[0][:, None, :, None], part[1][:, :, None, None]
    upper, lower = (
        cells[row[:, :, None], left[:, None, :]] * (1 - over) + cells[row[:, :, None], right[:, None, :]] * over
        for row in (top, bottom)
    )
    return (upper * (1 - down) + lower * down).astype(np.float32)


def changes_across(picture: np.ndarray, boxes: np.ndarray) -> np.ndarray:
    """Where a picture's color changes across each edge of each box.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    boxes : (N, 4) ndarray
        Corners, px.

    Returns
    -------
    (N, 4 * 14) ndarray of float32
        For the left, top, right and lower edge the profile across it, from
        left to right or from top to bottom: which part of all change lies
        there; the sum over an edge is 1.

    Examples
    --------
    >>> picture = np.zeros((60, 60, 3), np.uint8)
    >>> picture[20:40, 20:40] = 200
    >>> changes_across(picture, np.array([[22, 20, 42, 40.0]])).reshape(4, 14).argmax(axis=1).tolist()
    [4, 6, 4, 6]
    """
    across, along = np.linspace(-REACH, REACH, ACROSS), np.linspace(ENDS, 1 - ENDS, ALONG)
    sides, profiles = boxes[:, 2:] - boxes[:, :2], []
    for edge in range(4):
        axis = edge % 2
        at = boxes[:, edge, None] + across * sides[:, axis, None]
        beside = boxes[:, 1 - axis, None] + along * sides[:, 1 - axis, None]
        seen = _read(picture, *((at, beside) if axis == 0 else (beside, at)))
        change = np.sqrt((np.diff(seen, axis=2 - axis) ** 2).sum(axis=3)).mean(axis=1 + axis) + LEVEL
        profiles.append(change / change.sum(axis=1, keepdims=True))
    return np.concatenate(profiles, axis=1)


class PooledViews:
    """What is kept of a picture's views: the principal components of its features, and the picture as the network saw it.

    Parameters
    ----------
    views : Views
        Of the picture.
    mean, axes : ndarray
        From :func:`principal_axes`.
    """

    def __init__(self, views: Views, mean: np.ndarray, axes: np.ndarray) -> None:
        self.width_px, self.picture_px = views.width_px, np.multiply(views.size, views.ratio)
        self._cell_px = np.tile(views.cell_px, 2)
        self._seen_px = np.tile(views.ratio, 2)
        self._pair = [(cells - mean) @ axes for cells in views.pair]
        self._seen = [views.seen, views.seen[:, ::-1]]

    def pooled(self, boxes: np.ndarray, turned: bool, channels: int, grid: int, grow: float) -> np.ndarray:
        """Features pooled over boxes, in the picture or, mirrored with it, in its mirror image."""
        seen = mirrored(boxes, self.width_px) if turned else boxes
        return pool(self._pair[turned][..., :channels], seen / self._cell_px, grid, grow)

    def edges(self, boxes: np.ndarray, turned: bool) -> np.ndarray:
        """Rows from which shifts of edges are learned; the last column is 1."""
        rows = self.pooled(boxes, turned, EDGE_CHANNELS, EDGE_GRID, EDGE_GROW)
        seen = mirrored(boxes, self.width_px) if turned else boxes
        changes = changes_across(self._seen[turned], seen / self._seen_px)
        return np.concatenate([rows, changes, np.ones((len(rows), 1), np.float32)], axis=1)

    def moved(self, boxes: np.ndarray, weights: np.ndarray) -> np.ndarray:
        """Boxes after a round: the mean of what both views say, inside the picture; a stack for a stack of weights."""
        plain = boxes + self.edges(boxes, False) @ weights * _sides(boxes)
        seen = mirrored(boxes, self.width_px)
        turned = mirrored(seen + self.edges(boxes, True) @ weights * _sides(seen), self.width_px)
        low, high = np.split((plain + turned) / 2, 2, axis=-1)
        low = low.clip(0, self.picture_px - 1)
        return np.concatenate([low, high.clip(low + 1, self.picture_px)], axis=-1)


def _sides(boxes: np.ndarray) -> np.ndarray:
    return np.tile(boxes[:, 2:] - boxes[:, :2], 2)


class Refiner:
    """Moves the edges of a detector's boxes, and says how likely each is right.

    Parameters
    ----------
    known : sequence of PooledViews
        Labeled pictures.
    truths : sequence of ((N, 4) ndarray, (N,) ndarray)
        Their boxes, px, and labels.
    found : sequence of (N, 6) ndarray
        What heads that have not seen the picture find there: corners, label, score.
    folds : (P,) ndarray of int
        Pictures of one number were held out together.
    class_count : int
        Classes.
    seed : int
        Of the boxes beside the truths.

    Attributes
    ----------
    rounds : list of ndarray
        Weights of each round; empty where moving the edges did not help.
    """

    def __init__(
        self,
        known: Sequence[PooledViews],
        truths: Sequence[tuple[np.ndarray, np.ndarray]],
        found: Sequence[np.ndarray],
        folds: np.ndarray,
        class_count: int,
        seed: int = 0,
    ) -> None:
        self._classes = class_count
        self._across = max([ACROSS_IOU, *(_highest_across(*truth) for truth in truths)])
        self.rounds: list[np.ndarray] = []
        rng = np.random.default_rng(seed)
        now = [_apart(rows, BEFORE_IOU) for rows in found]
        right = self._right(now, truths)
        for _ in range(ROUNDS):
            options = _fit_edges(known, truths, now, folds, rng)
            if options is None:
                break
            weights, held_out = options
            moved = [views.moved(rows[:, :4], held_out[fold]) for views, rows, fold in zip(known, now, folds)]
            tried = [
                [np.column_stack([boxes[place], rows[:, 4:]]) for boxes, rows in zip(moved, now)]
                for place in range(len(weights))
            ]
            counts = [self._right(found, truths) for found in tried]
            best = int(np.argmax(counts))
            if counts[best] <= right:
                break
            right, now = counts[best], tried[best]
            self.rounds.append(weights[best])
        self._fit_worth(known, truths, now)

    @staticmethod
    def _right(found: Sequence[np.ndarray], truths: Sequence[tuple[np.ndarray, np.ndarray]]) -> int:
        """How many of the boxes that would be shown could be kept as they are."""
        sure = [rows[rows[:, 5] >= SURE] for rows in found]
        return sum(int((_overlap(rows, *truth) >= RIGHT_IOU).sum()) for rows, truth in zip(sure, truths))

    def _fit_worth(self, known, truths, found) -> None:
        overlaps = np.concatenate([_overlap(rows, *truth) for rows, truth in zip(found, truths)])
        self._worth: np.ndarray | None = None
        if not len(overlaps):
            return
        kinds = (overlaps >= WRONG_IOU).astype(int) + (overlaps >= RIGHT_IOU)
        each = [self._signs(views, rows, turned) for turned in (False, True) for views, rows in zip(known, found)]
        signs = np.concatenate(each)
        self._mean, spread = signs.mean(axis=0), signs.std(axis=0) + 1e-3
        pooled = np.arange(signs.shape[1]) >= signs.shape[1] - WORTH_CHANNELS * WORTH_GRID**2
        self._gain = np.where(pooled, POOLED_SPREAD, 1.0) / spread
        kinds = np.tile(kinds, 2)
        self._worth = fit_logistic(self._scaled(signs), kinds, np.ones(len(kinds)), 3, WORTH_PENALTY)

    def _scaled(self, signs: np.ndarray) -> np.ndarray:
        return np.column_stack([(signs - self._mean) * self._gain, np.ones(len(signs))]).astype(np.float32)

    def _signs(self, views: PooledViews, rows: np.ndarray, turned: bool) -> np.ndarray:
        """What tells right boxes from wrong ones: the head's logit, the box's size, its class, and what is in it."""
        score = rows[:, 5].clip(1e-4, 1 - 1e-4)
        size = np.log((rows[:, 2:4] - rows[:, :2]).clip(2, None))
        inside = views.pooled(rows[:, :4], turned, WORTH_CHANNELS, WORTH_GRID, WORTH_GROW)
        label = np.eye(self._classes)[rows[:, 4].astype(int)]
        return np.column_stack([np.log(score / (1 - score)), size, label, inside])

    def refine(self, views: PooledViews, rows: np.ndarray) -> np.ndarray:
        """Refinement of what the head finds in a picture.

        Parameters
        ----------
        views : PooledViews
            Of the picture.
        rows : (N, 6) ndarray
            Corners, px; label; the head's score.

        Returns
        -------
        (K, 6) ndarray
            Corners; label; the chance that the box is right, if it is either
            right or wrong.  Best first, one for each object, of its likeliest
            class.  The head's score where it has found nothing in the labeled
            pictures.
        """
        rows = _apart(rows, BEFORE_IOU)
        for weights in self.rounds:
            rows[:, :4] = views.moved(rows[:, :4], weights)
        if self._worth is None:
            return rows
        signs = (self._scaled(self._signs(views, rows, turned)) for turned in (False, True))
        one, other = (softmax(some @ self._worth) for some in signs)
        chances = one + other
        rows[:, 5] = chances[:, 2] / (chances[:, 2] + chances[:, 0])
        rows = _apart(rows, AFTER_IOU)
        return rows[nms(rows[:, :4], rows[:, 5], self._across)]


def _apart(rows: np.ndarray, iou_limit: float) -> np.ndarray:
    """Rows with a score, less those that overlap a better one of their class."""
    rows = rows[rows[:, 5] >= FLOOR]
    return rows[nms(rows[:, :4], rows[:, 5], iou_limit, rows[:, 4].astype(int))]


def _overlap(rows: np.ndarray, boxes: np.ndarray, labels: np.ndarray) -> np.ndarray:
    """IoU of each row with the box of its class that it overlaps most."""
    same = rows[:, 4:5] == labels
    return np.where(same, iou(rows[:, :4], boxes), 0).max(axis=1, initial=0)


def _highest_across(boxes: np.ndarray, labels: np.ndarray) -> float:
    """The highest IoU of two boxes of different classes."""
    return float(np.where(labels[:, None] != labels, iou(boxes, boxes), 0).max(initial=0))


def _fit_edges(known, truths, found, folds, rng) -> tuple[np.ndarray, dict[int, np.ndarray]] | None:
    """Weights learned from all pictures, and by fold from those of all others; a stack, one for each way to learn.

    Each penalty is tried with and without the changes across edges: where a
    person's boxes keep away from the edges of objects, those mislead.
    """
    pooled = EDGE_CHANNELS * EDGE_GRID**2
    size = pooled + 4 * (ACROSS - 1) + 1
    names = np.unique(folds).tolist()
    grams = {name: np.zeros((size, size)) for name in names}
    targets = {name: np.zeros((size, 4)) for name in names}
    for views, (boxes, _), rows, fold in zip(known, truths, found, folds.tolist()):
        if not len(boxes):
            continue
        start, aim = np.repeat(boxes, BESIDE, axis=0), np.repeat(boxes, BESIDE, axis=0)
        start = start + rng.normal(0, OFF, start.shape).clip(-2 * OFF, 2 * OFF) * _sides(start)
        overlaps = iou(rows[:, :4], boxes)
        near = overlaps.max(axis=1, initial=0) > SUGGESTED_IOU
        start = np.concatenate([start, *[rows[near, :4]] * TWICE])
        aim = np.concatenate([aim, *[boxes[overlaps[near].argmax(axis=1)]] * TWICE])
        for turned in (False, True):
            x = views.edges(start, turned).astype(np.float64)
            a, b = (mirrored(one, views.width_px) if turned else one for one in (start, aim))
            grams[fold] += x.T @ x
            targets[fold] += x.T @ ((b - a) / _sides(a))
    gram, target = sum(grams.values(), np.zeros((size, size))), sum(targets.values(), np.zeros((size, 4)))
    if not gram[-1, -1]:
        return None

    def solve(gram: np.ndarray, target: np.ndarray) -> np.ndarray:
        rows = max(gram[-1, -1], 1.0)
        # Features count as if their spread were 1; the last column, of ones, is free.
        spread = np.maximum(gram.diagonal() / rows - (gram[-1] / rows) ** 2, 0) + 1e-6
        spread[-1] = 1e-9
        ways = []
        for used in (np.arange(size), np.append(np.arange(pooled), size - 1)):
            for penalty in PENALTIES:
                weights = np.zeros((size, 4))
                some = gram[np.ix_(used, used)] + np.diag(rows * penalty * spread[used])
                weights[used] = np.linalg.solve(some, target[used])
                ways.append(weights)
        return np.stack(ways)

    return solve(gram, target), {name: solve(gram - grams[name], target - targets[name]) for name in names}
