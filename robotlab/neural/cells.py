"""Training examples of the head fit: features of cells from many pictures, with their targets.

A picture has thousands of background cells and a few centers.  So a part of the
background is drawn at random and counts for the rest, and after a first fit the
background that fooled it most is added (Felzenszwalb et al., PAMI 32:1627-1645,
2010, "data-mining hard negatives").
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from robotlab.neural.augmentation import TrainingSample, augment
from robotlab.neural.box_coding import cell_targets
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.network_input import network_input
from robotlab.neural.onnxio import network_to_onnx
from robotlab.neural.session import open_session
from robotlab.neural.spec import BACKBONE, FEATURE_STRIDE

# Passes over the pictures; each shows them under other light and mirrored or not.
PASSES = 4
# Background cells drawn at random, and those that fooled the last fit, a picture.
RANDOM_CELLS = 120
HARD_CELLS = 60
# At most about so many cells are gathered in all (they take .8 GB in the fit): of
# larger sets each pass looks at other pictures, drawn at random.
MOST_CELLS = 400_000
# In the head fit, cells whose soft center is above this are an object too, by the
# square of the soft center: a small object then has more than one row to learn
# from.  .7 did nearly as well on greenhouses of other seeds.
ALSO_FROM = 0.5
# Background cells with a lower score than this fool no one.
HARD_FROM = 0.02


class FrozenBackbone:
    """The frozen backbone: features of a picture, with no learning.

    Parameters
    ----------
    weights : mapping of str to ndarray
        Of the feature network.

    Examples
    --------
    >>> from robotlab.neural.spec import first_weights
    >>> FrozenBackbone(first_weights(BACKBONE))(np.zeros((32, 48, 3), np.uint8)).shape[:2]
    (8, 12)
    """

    def __init__(self, weights: Mapping[str, np.ndarray]) -> None:
        # One thread: several calls run at once.
        self._session = open_session(network_to_onnx(BACKBONE, weights).SerializeToString(), 1)

    def __call__(self, picture: np.ndarray) -> np.ndarray:
        """Features of every cell.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue; padded to whole blocks.

        Returns
        -------
        (h, w, F) ndarray of float32
            One row of features for each cell.
        """
        return self._session.run(None, {"picture": network_input(picture)[None]})[0][0].transpose(1, 2, 0)


@dataclass
class Cells:
    """Cells taken from many pictures, one a row.

    Parameters
    ----------
    features : (M, F) ndarray of float32
        What the network says there.
    classes : (M,) ndarray of int
        0 background, 1 + label.
    weights : (M,) ndarray of float32
        How many cells this one counts for.
    boxes : (M, 4) ndarray of float32
        ``dx, dy, log w, log h``, cells.
    box_weights : (M,) ndarray of float32
        0 where no box is asked.
    pictures : (M,) ndarray of int
        Which picture the cell came from.
    """

    features: np.ndarray
    classes: np.ndarray
    weights: np.ndarray
    boxes: np.ndarray
    box_weights: np.ndarray
    pictures: np.ndarray

    def pick(self, rows: np.ndarray) -> Cells:
        """Some of the rows.

        Parameters
        ----------
        rows : (K,) ndarray of int or (M,) ndarray of bool
            Which.

        Returns
        -------
        Cells
            Those.
        """
        return Cells(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    @staticmethod
    def joined(parts: Sequence[Cells]) -> Cells:
        """All rows of several.

        Parameters
        ----------
        parts : sequence of Cells
            In this order.

        Returns
        -------
        Cells
            All rows.
        """
        return Cells(*(np.concatenate([getattr(p, name) for p in parts]) for name in Cells.__dataclass_fields__))


def channel_rows(features: np.ndarray) -> np.ndarray:
    """Features with a row for each channel: as the network gave them, so without a copy.

    Parameters
    ----------
    features : (h, w, F) ndarray
        Of one picture.

    Returns
    -------
    (F, h w) ndarray
        The same numbers.

    Examples
    --------
    >>> channel_rows(np.arange(6).reshape(1, 3, 2)).tolist()
    [[0, 2, 4], [1, 3, 5]]
    """
    return np.moveaxis(features, 2, 0).reshape(features.shape[2], -1)


def cells_of(
    features: np.ndarray, sample: TrainingSample, index: int, rng: np.random.Generator, scores: np.ndarray | None
) -> Cells:
    """The cells of one picture that the fit will see.

    Parameters
    ----------
    features : (h, w, F) ndarray
        Of the sample's picture.
    sample : TrainingSample
        Its truth.
    index : int
        Noted as the cells' picture.
    rng : numpy.random.Generator
        Draws the background.
    scores : (h, w) ndarray or None
        Highest class score of the last fit, to find what fools it.

    Returns
    -------
    Cells
        Every cell near a center, hard background, and some of the rest, which
        counts for all of the rest.

    Examples
    --------
    >>> picture = np.zeros((64, 96, 3), np.uint8)
    >>> sample = TrainingSample(picture, np.array([[32.0, 16, 56, 48]]), np.array([0]), np.zeros((0, 4)))
    >>> features = np.zeros((64 // FEATURE_STRIDE, 96 // FEATURE_STRIDE, 5), np.float32)
    >>> cells = cells_of(features, sample, 0, np.random.default_rng(0), None)
    >>> cells.features.shape[1], int(cells.classes.max())
    (5, 1)
    """
    height, width = sample.picture.shape[:2]
    padded = [FEATURE_STRIDE * cells for cells in features.shape[:2]]
    asked = cell_targets(sample.boxes, sample.labels, sample.ignored, *padded)
    also = (asked.box_weights > ALSO_FROM) & (asked.classes == 0)
    classes = np.where(also, asked.owners, asked.classes)
    weights = np.where(also, asked.box_weights**2, asked.weights)
    # The gray pixels added to fill the last block ask nothing.
    weights[-(-height // FEATURE_STRIDE) :] = 0
    weights[:, -(-width // FEATURE_STRIDE) :] = 0
    weights = weights.ravel()
    near = (asked.box_weights.ravel() > 0) | (classes.ravel() > 0)
    open_cells = np.flatnonzero(~near & (weights > 0))
    hard = open_cells[:0]
    if scores is not None:
        fools = open_cells[scores.ravel()[open_cells] > HARD_FROM]
        hard = fools[np.argsort(-scores.ravel()[fools], kind="stable")[:HARD_CELLS]]
        open_cells = open_cells[~np.isin(open_cells, hard, kind="table")]
    drawn = rng.choice(open_cells, min(RANDOM_CELLS, len(open_cells)), replace=False)
    weights[drawn] *= len(open_cells) / max(len(drawn), 1)
    rows = np.concatenate([np.flatnonzero(near), hard, drawn])
    return Cells(
        np.ascontiguousarray(channel_rows(features)[:, rows].T),
        classes.ravel()[rows],
        weights[rows].astype(np.float32),
        asked.boxes.reshape(4, -1).T[rows],
        asked.box_weights.ravel()[rows],
        np.full(len(rows), index),
    )


def gather_cells(
    source: Sequence[TrainingSample],
    features: Callable[[np.ndarray], np.ndarray],
    rough: Callable[[Cells], Callable[[np.ndarray], np.ndarray]],
    seed: int,
    pool: WorkerPool,
    passes: int = PASSES,
    step: Callable[[], object] = lambda: None,
    most: int | None = None,
) -> Cells:
    """Cells of all pictures, gathered in several passes.

    Parameters
    ----------
    source : sequence of TrainingSample
        The pictures.
    features : callable
        Gives (h, w, F) for a picture.
    rough : callable
        Fits a head on the cells so far; gives a function that rates the cells
        of a picture's (h, w, F) features by their highest class score.
    seed : int
        Same seed, same cells.
    pool : WorkerPool
        Who does the work.
    passes : int
        The first sees the pictures as they are; later ones mirrored and under
        other light, and look for background that fools the fit so far.
    step : callable
        Told of each picture done, for a progress bar.
    most : int, optional
        Pictures of a pass; where there are more, each pass draws its own.

    Returns
    -------
    Cells
        Ready to fit.
    """

    def draw(turn: int, places: np.ndarray, rate: Callable | None, drawn: list, n: int, worker: int) -> None:
        index = int(places[n])
        rng = np.random.default_rng([seed, turn, index])
        sample = source[index] if turn == 0 else augment(source[index], rng)
        found = features(sample.picture)
        drawn[n] = cells_of(found, sample, index, rng, None if rate is None else rate(found))
        step()

    parts: list[Cells] = []
    rate = None
    count = len(source)
    most = min(most or count, count)
    # Where some are left out, one order for all passes, each going on where the one before stopped.
    order = np.random.default_rng([seed, passes]).permutation(count) if most < count else np.arange(count)
    for turn in range(passes):
        places = np.roll(order, -turn * most)[:most]
        drawn: list[Cells | None] = [None] * len(places)
        pool.each(partial(draw, turn, places, rate, drawn), len(places))
        parts += [one for one in drawn if one is not None]
        if turn < passes - 1:
            rate = rough(Cells.joined(parts))
    return Cells.joined(parts)
