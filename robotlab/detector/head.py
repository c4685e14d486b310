"""Stage one, the head fit: seconds, on frozen features.

The feature network stays as it is shipped; what is learned is how to read it.
Every cell gives one row of features x.  Two convex fits follow, each with one
best answer, so the same pictures and seed give the same head:

* *what is here*: multinomial logistic regression, the softmax of ``W x + b``
  over the background and the classes, with cross-entropy (Bishop, "Pattern
  Recognition and Machine Learning", 2006, section 4.3.4);
* *where is its box*: ridge regression to ``dx, dy, log w, log h`` (Hoerl &
  Kennard, Technometrics 12:55-67, 1970).

A picture has thousands of background cells and a few centers.  So a part of the
background is drawn at random and counts for the rest, and after a first fit the
background that fooled it most is added (Felzenszwalb et al., PAMI 32:1627-1645,
2010, "data-mining hard negatives").
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import onnxruntime
from scipy.optimize import minimize

from robotlab.detector import augment
from robotlab.detector.augment import Sample
from robotlab.detector.engine.crew import Crew
from robotlab.detector.file import network_input
from robotlab.detector.grid import cell_targets
from robotlab.detector.onnxio import network_to_onnx
from robotlab.detector.spec import FEATURES, Layer

# Passes over the pictures; each shows them under other light and mirrored or not.
PASSES = 4
# Background cells drawn at random, and those that fooled the last fit, a picture.
RANDOM_CELLS = 120
HARD_CELLS = 60
# Background cells with a lower score than this fool no one.
HARD_FROM = 0.02
# Penalty on the squared weights (features in standard deviations), chosen on the
# greenhouse pictures; small, since there are far more cells than weights.
LOGISTIC_PENALTY = 1e-5
RIDGE_PENALTY = 1e-3
# The most steps of the minimiser, in the last fit and in those that only look for
# hard background; it stops earlier when the gradient is flat.
STEPS = 150
STEPS_BETWEEN = 30


class FrozenFeatures:
    """The feature network, only to be read.

    Parameters
    ----------
    weights : mapping of str to ndarray
        Of the feature network.
    layers : tuple of Layer
        The feature network.
    threads : int
        Processor threads of one call; several calls may run at once.

    Examples
    --------
    >>> from robotlab.detector.spec import first_weights
    >>> FrozenFeatures(first_weights(FEATURES))(np.zeros((32, 48, 3), np.uint8)).shape[:2]
    (8, 12)
    """

    def __init__(
        self, weights: Mapping[str, np.ndarray], layers: tuple[Layer, ...] = FEATURES, threads: int = 1
    ) -> None:
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        options.log_severity_level = 4
        content = network_to_onnx(layers, weights).SerializeToString()
        self._session = onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])

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
        """Some of the rows."""
        return Cells(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    @staticmethod
    def joined(parts: Sequence[Cells]) -> Cells:
        """All rows of several."""
        return Cells(*(np.concatenate([getattr(p, name) for p in parts]) for name in Cells.__dataclass_fields__))


def draw_sample(sample: Sample, rng: np.random.Generator, plain: bool) -> Sample:
    """The sample as one pass sees it: as it is, or mirrored and under another light.

    Parameters
    ----------
    sample : Sample
        Picture and truth.
    rng : numpy.random.Generator
        Where chance comes from.
    plain : bool
        Leave it as it is.

    Returns
    -------
    Sample
        What to learn from.
    """
    if plain:
        return sample
    if rng.random() < 0.5:
        sample = augment.mirror(sample)
    return Sample(augment.change_light(sample.picture, rng), sample.boxes, sample.labels, sample.ignored)


def cells_of(
    features: np.ndarray, sample: Sample, index: int, rng: np.random.Generator, scores: np.ndarray | None
) -> Cells:
    """The cells of one picture that the fit will see.

    Parameters
    ----------
    features : (h, w, F) ndarray
        Of the sample's picture.
    sample : Sample
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
    """
    height, width = sample.picture.shape[:2]
    asked = cell_targets(sample.boxes, sample.labels, sample.ignored, features.shape[0] * 4, features.shape[1] * 4)
    weights = asked.weights.copy()
    # The gray pixels added to fill the last block ask nothing.
    weights[-(-height // 4) :] = 0
    weights[:, -(-width // 4) :] = 0
    weights = weights.ravel()
    near = (asked.box_weights.ravel() > 0) | (asked.classes.ravel() > 0)
    open_cells = np.flatnonzero(~near & (weights > 0))
    hard = open_cells[:0]
    if scores is not None:
        by_score = open_cells[np.argsort(-scores.ravel()[open_cells], kind="stable")[:HARD_CELLS]]
        hard = by_score[scores.ravel()[by_score] > HARD_FROM]
        open_cells = np.setdiff1d(open_cells, hard)
    drawn = rng.choice(open_cells, min(RANDOM_CELLS, len(open_cells)), replace=False)
    weights[drawn] *= len(open_cells) / max(len(drawn), 1)
    rows = np.concatenate([np.flatnonzero(near), hard, drawn])
    return Cells(
        features.reshape(-1, features.shape[2])[rows],
        asked.classes.ravel()[rows],
        weights[rows].astype(np.float32),
        asked.boxes.reshape(4, -1).T[rows],
        asked.box_weights.ravel()[rows],
        np.full(len(rows), index),
    )


def softmax(scores: np.ndarray, axis: int = -1) -> np.ndarray:
    """Shares that add up to one: ``exp(s_k) / sum_j exp(s_j)``.

    Parameters
    ----------
    scores : ndarray
        Any numbers.
    axis : int
        Along which the classes lie.

    Returns
    -------
    ndarray
        Shares; taking the largest score off first keeps the exponentials finite.

    Examples
    --------
    >>> softmax(np.array([0.0, 0.0])).tolist()
    [0.5, 0.5]
    """
    grown = scores - scores.max(axis=axis, keepdims=True)
    np.exp(grown, out=grown)
    grown /= grown.sum(axis=axis, keepdims=True)
    return grown


def fit_logistic(
    x: np.ndarray,
    classes: np.ndarray,
    weights: np.ndarray,
    count: int,
    penalty: float = LOGISTIC_PENALTY,
    start: np.ndarray | None = None,
    steps: int = STEPS,
) -> np.ndarray:
    """Multinomial logistic regression.

    Parameters
    ----------
    x : (M, F) ndarray of float32
        Rows of features; the last column is 1, for the bias.
    classes : (M,) ndarray of int
        0 to `count` - 1.
    weights : (M,) ndarray
        How much each row counts.
    count : int
        Number of classes, the background included.
    penalty : float
        Times half the squared weights is added to the loss.
    start : (F, count) ndarray, optional
        Where to start; given time, the answer does not depend on it.
    steps : int
        The most steps of the minimiser.

    Returns
    -------
    (F, count) ndarray of float64
        Column k gives the score of class k.

    Notes
    -----
    Minimises ``-sum_i w_i log p_i / sum_i w_i + penalty |W|^2 / 2`` where p_i is
    the share of the true class; the gradient is ``X^T (w (P - Y)) / sum w +
    penalty W`` (Bishop 2006, equation 4.109).  L-BFGS (Liu & Nocedal, Math.
    Programming 45:503-528, 1989).

    Examples
    --------
    >>> x = np.array([[-1, 1], [1, 1]], np.float32)
    >>> w = fit_logistic(x, np.array([0, 1]), np.ones(2), 2, penalty=0.1)
    >>> (x @ w).argmax(axis=1).tolist()
    [0, 1]
    """
    rows = np.arange(len(x))
    share = (weights / weights.sum()).astype(np.float32)

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        w = flat.reshape(count, -1)
        # One row a class: sums over so few classes are quick along that axis.
        p = softmax(w.astype(np.float32) @ x.T, axis=0)
        likely = np.maximum(p[classes, rows], 1e-30)
        value = -float(np.dot(share, np.log(likely))) + penalty / 2 * float((w**2).sum())
        p[classes, rows] -= 1
        p *= share
        return value, ((p @ x).astype(np.float64) + penalty * w).ravel()

    first = np.zeros((count, x.shape[1])) if start is None else start.T
    found = minimize(loss, first.ravel(), jac=True, method="L-BFGS-B", options={"maxiter": steps, "gtol": 1e-6})
    return found.x.reshape(count, -1).T


def fit_ridge(x: np.ndarray, targets: np.ndarray, weights: np.ndarray, penalty: float = RIDGE_PENALTY) -> np.ndarray:
    """Weighted ridge regression, one answer in closed form.

    Parameters
    ----------
    x : (M, F) ndarray
        Rows of features; the last column is 1.
    targets : (M, T) ndarray
        What to predict.
    weights : (M, T) ndarray
        How much each row counts for each target.
    penalty : float
        As a share of the rows' total weight.

    Returns
    -------
    (F, T) ndarray of float64
        Columns ``(X^T D X + penalty I)^-1 X^T D y``, D the weights divided by
        their sum.

    Examples
    --------
    >>> x = np.array([[0, 1], [1, 1], [2, 1.0]])
    >>> fit_ridge(x, 2 * x[:, :1] + 1, np.ones((3, 1)), 1e-9).round(3).ravel().tolist()
    [2.0, 1.0]
    """
    x = np.asarray(x, np.float64)
    columns = []
    for target, weight in zip(targets.T, weights.T, strict=True):
        weighted = x * (weight / weight.sum())[:, None]
        columns.append(np.linalg.solve(weighted.T @ x + penalty * np.eye(x.shape[1]), weighted.T @ target))
    return np.stack(columns, axis=1)


def fit_linear_head(
    cells: Cells, class_count: int, start: Mapping[str, np.ndarray] | None = None, last: bool = True
) -> dict[str, np.ndarray]:
    """Weights of the layer ``head`` from cells.

    Parameters
    ----------
    cells : Cells
        What was gathered.
    class_count : int
        Classes without the background.
    start : mapping of str to ndarray, optional
        The head so far, for a quicker start.
    last : bool
        ``False``: a rough fit that only has to find hard background.

    Returns
    -------
    dict of str to ndarray of float32
        ``head.kernel`` (class_count + 5, F, 1, 1) and ``head.bias``.

    Notes
    -----
    Features are first brought to mean 0 and spread 1, so that the penalty
    treats all alike; the head returned undoes that, and works on raw features.
    """
    mean = cells.features.mean(axis=0, dtype=np.float64)
    spread = cells.features.std(axis=0, dtype=np.float64) + 1e-6
    x = np.ones((len(cells.features), len(mean) + 1), np.float32)
    np.subtract(cells.features, mean.astype(np.float32), out=x[:, :-1])
    x[:, :-1] /= spread.astype(np.float32)
    first = None
    if start is not None:
        kernel = start["head.kernel"][: class_count + 1, :, 0, 0].T.astype(np.float64)
        first = np.vstack([kernel * spread[:, None], start["head.bias"][: class_count + 1] + mean @ kernel])
    steps = STEPS if last else STEPS_BETWEEN
    scores = fit_logistic(x, cells.classes, cells.weights, class_count + 1, start=first, steps=steps)
    boxes = np.zeros((len(x[0]), 4))
    if last:
        boxed = cells.box_weights > 0
        # An error of the center counts by its share of the box, like one of log size.
        sides = np.exp(cells.boxes[boxed][:, 2:])
        weights = cells.box_weights[boxed][:, None] * np.concatenate([1 / sides**2, np.ones_like(sides)], axis=1)
        boxes = fit_ridge(x[boxed], cells.boxes[boxed], weights)
    both = np.concatenate([scores, boxes], axis=1)
    kernel = both[:-1] / spread[:, None]
    bias = both[-1] - mean @ kernel
    return {
        "head.kernel": np.ascontiguousarray(kernel.T[:, :, None, None], np.float32),
        "head.bias": bias.astype(np.float32),
    }


def head_scores(features: np.ndarray, head: Mapping[str, np.ndarray], class_count: int) -> np.ndarray:
    """Highest class score of every cell.

    Parameters
    ----------
    features : (h, w, F) ndarray
        Of one picture.
    head : mapping of str to ndarray
        From :func:`fit_linear_head`.
    class_count : int
        Classes without the background.

    Returns
    -------
    (h, w) ndarray
        From 0 to 1.
    """
    kernel = head["head.kernel"][: class_count + 1, :, 0, 0]
    return softmax(features @ kernel.T + head["head.bias"][: class_count + 1])[..., 1:].max(axis=-1)


def gather_cells(
    source: Sequence[Sample],
    features: Callable[[np.ndarray], np.ndarray],
    class_count: int,
    seed: int,
    crew: Crew,
    passes: int = PASSES,
    step: Callable[[], object] = lambda: None,
) -> Cells:
    """Cells of all pictures, gathered in several passes.

    Parameters
    ----------
    source : sequence of Sample
        The pictures.
    features : callable
        Gives (h, w, F) for a picture.
    class_count : int
        Classes without the background.
    seed : int
        Same seed, same cells.
    crew : Crew
        Who does the work.
    passes : int
        The first sees the pictures as they are; later ones mirrored and under
        other light, and look for background that fools the fit so far.
    step : callable
        Told of each picture done, for a progress bar.

    Returns
    -------
    Cells
        Ready to fit.
    """
    parts: list[Cells] = []
    head = None
    for turn in range(passes):
        drawn: list[Cells | None] = [None] * len(source)

        def draw(index: int, worker: int, turn: int = turn, head: dict | None = head, drawn: list = drawn) -> None:
            rng = np.random.default_rng([seed, turn, index])
            sample = draw_sample(source[index], rng, plain=turn == 0)
            found = features(sample.picture)
            scores = None if head is None else head_scores(found, head, class_count)
            drawn[index] = cells_of(found, sample, index, rng, scores)
            step()

        crew.each(draw, len(source))
        parts += drawn
        if turn < passes - 1:
            head = fit_linear_head(Cells.joined(parts), class_count, head, last=False)
    return Cells.joined(parts)
