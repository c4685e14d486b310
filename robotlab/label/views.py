"""A picture and its mirror image as the frozen network sees them, and what a head reads in both.

Averaging what several views of a picture give is called test-time augmentation;
averaging boxes by their scores: Solovyev et al., Image and Vision Computing
107:104117, 2021 (cited from memory).  A labeler has that time, in the
background; a robot does not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from robotlab.boxes import iou
from robotlab.neural.box_coding import decode
from robotlab.neural.detector import IOU_LIMIT, MIN_SCORE, MOST
from robotlab.neural.graph import LEAST_SCORE
from robotlab.neural.head import softmax
from robotlab.neural.network_input import to_size, working_size
from robotlab.neural.spec import FEATURE_STRIDE

# Boxes of one class that overlap by so much are of one thing.
SAME_IOU = 0.55


def mirrored(boxes: np.ndarray, width_px: float) -> np.ndarray:
    """Boxes where the mirror image of their picture shows them.

    Parameters
    ----------
    boxes : (..., 4) ndarray
        Corners, px.
    width_px : float
        The picture's width.

    Returns
    -------
    (..., 4) ndarray
        Corners, px.

    Examples
    --------
    >>> mirrored(np.array([[1, 2, 5, 8]]), 20).tolist()
    [[15, 2, 19, 8]]
    """
    return np.stack([width_px - boxes[..., 2], boxes[..., 1], width_px - boxes[..., 0], boxes[..., 3]], axis=-1)


class Views:
    """Features of a picture and of its mirror image.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    features : callable
        Gives (h, w, F) for a picture: :class:`~robotlab.neural.FrozenBackbone`.
    working_px : int or None
        Longest side that the network sees.
    scale : float
        Enlargement.

    Attributes
    ----------
    width_px : int
        The picture's.
    size : (int, int)
        Width and height that the network sees, px.
    ratio, cell_px : (2,) ndarray
        Pixels of the picture in one of those, and in a cell, each way.
    seen : (h, w, 3) ndarray of uint8
        The picture at that size.
    pair : list of (h, w, F) ndarray
        Features of the picture, and of its mirror image.
    """

    def __init__(
        self, picture: np.ndarray, features: Callable[[np.ndarray], np.ndarray], working_px: int | None, scale: float
    ) -> None:
        height, self.width_px = picture.shape[:2]
        self.size = working_size(self.width_px, height, working_px, scale)
        self.ratio = np.array([self.width_px / self.size[0], height / self.size[1]])
        self.seen = picture if self.size == (self.width_px, height) else to_size(picture, self.size)
        self.cell_px = FEATURE_STRIDE * self.ratio
        self.pair = [features(view) for view in (self.seen, np.ascontiguousarray(self.seen[:, ::-1]))]

    def detect(self, head: Mapping[str, np.ndarray], classes: tuple[str, ...]) -> np.ndarray:
        """What a head finds, averaged over both views.

        Parameters
        ----------
        head : mapping of str to ndarray
            From :func:`~robotlab.neural.head.fit_linear_head`.
        classes : tuple of str
            Class names.

        Returns
        -------
        (N, 6) ndarray
            Corners, px of the picture; label; score, the mean of both views.
        """
        found = []
        for features in self.pair:
            peaks, numbers = read_head(features, head, len(classes))
            one = decode(peaks, numbers, classes, self.size, MIN_SCORE, IOU_LIMIT, MOST)
            found.append(np.column_stack([one.boxes * np.tile(self.ratio, 2), one.labels, one.scores]))
        found[1][:, :4] = mirrored(found[1], self.width_px)
        return merged(*found)


def read_head(features: np.ndarray, head: Mapping[str, np.ndarray], class_count: int) -> tuple[np.ndarray, np.ndarray]:
    """Peaks and boxes as the detector's graph gives them, from features that are there already.

    Parameters
    ----------
    features : (h, w, F) ndarray
        Of one picture.
    head : mapping of str to ndarray
        From :func:`~robotlab.neural.head.fit_linear_head`.
    class_count : int
        Classes without the background.

    Returns
    -------
    peaks : (C, h, w) ndarray
        Score of each class where none of the 3x3 cells around has a higher one, 0 elsewhere.
    numbers : (4, h, w) ndarray
        ``dx, dy, log w, log h`` of these cells, averaged by score, cells.
    """
    said = features @ head["head.kernel"][:, :, 0, 0].T + head["head.bias"]
    scores = softmax(said[..., : class_count + 1])[..., 1:]
    thing = scores.sum(axis=-1, keepdims=True)
    cells = np.concatenate([thing * said[..., class_count + 1 :], thing, scores], axis=-1)
    around = np.pad(cells, [(1, 1), (1, 1), (0, 0)])
    sums, highest = np.zeros((*features.shape[:2], 5), np.float32), np.zeros_like(scores)
    for row in range(3):
        for column in range(3):
            one = around[row : row + len(features), column : column + features.shape[1]]
            sums += one[..., :5]
            # A neighbor's center is one cell away, so its offset is seen from here.
            sums[..., 0] += (column - 1) * one[..., 4]
            sums[..., 1] += (row - 1) * one[..., 4]
            np.maximum(highest, one[..., 5:], out=highest)
    numbers = sums[..., :4] / (sums[..., 4:] + LEAST_SCORE)
    return np.where(scores == highest, scores, 0).transpose(2, 0, 1), numbers.transpose(2, 0, 1)


def merged(plain: np.ndarray, turned: np.ndarray) -> np.ndarray:
    """One row for each thing that either view shows.

    Parameters
    ----------
    plain, turned : (N, 6), (M, 6) ndarray
        Corners, label and score of what each view shows, in the same pixels.

    Returns
    -------
    (K, 6) ndarray
        Boxes averaged by their scores; the score is the mean of both views, of
        0 where one does not show the thing.

    Examples
    --------
    >>> merged(np.array([[0, 0, 6, 4, 0, 0.8]]), np.array([[1, 0, 7, 4, 0, 0.8]])).round(9).tolist()
    [[0.5, 0.0, 6.5, 4.0, 0.0, 0.8]]
    """
    rows = np.concatenate([plain, turned])
    boxes, labels, scores = rows[:, :4], rows[:, 4], rows[:, 5]
    first = np.arange(len(rows)) < len(plain)
    overlaps, free = iou(boxes, boxes), np.ones(len(rows), bool)
    things = [np.zeros((0, 6))]
    for best in np.argsort(-scores, kind="stable"):
        if not free[best]:
            continue
        group = np.flatnonzero((overlaps[best] >= SAME_IOU) & (labels == labels[best]) & free)
        free[group] = False
        mean = np.average(boxes[group], axis=0, weights=scores[group])
        score = sum(scores[group[first[group] == one]].max(initial=0.0) for one in (True, False)) / 2
        things.append(np.array([[*mean, labels[best], score]]))
    return np.concatenate(things)


def best_matches(boxes: np.ndarray, truths: np.ndarray, least: float) -> list[tuple[int, int]]:
    """Pairs of boxes and truths of one class that overlap enough, best first, each used once.

    Parameters
    ----------
    boxes, truths : (N, 4), (M, 4) ndarray
        Corners, px.
    least : float
        The least IoU.

    Returns
    -------
    list of (int, int)
        Rows of both.

    Examples
    --------
    >>> best_matches(np.array([[0, 0, 4, 4.0]]), np.array([[9, 9, 12, 12.0], [0, 0, 4, 5]]), 0.75)
    [(0, 1)]
    """
    overlaps = iou(boxes, truths)
    pairs = []
    while overlaps.size and overlaps.max() >= least:
        row, column = np.unravel_index(int(overlaps.argmax()), overlaps.shape)
        pairs.append((int(row), int(column)))
        overlaps[row, :] = overlaps[:, column] = -1
    return pairs
