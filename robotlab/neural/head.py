"""The head fit on a frozen backbone: softmax regression and ridge regression, in seconds.

The feature network stays as it is shipped; what is learned is how to read it.
Every cell gives one row of features x.  Two convex fits follow, each with one
best answer, so the same pictures and seed give the same head:

* *what is here*: multinomial logistic regression, the softmax of ``W x + b``
  over the background and the classes, with cross-entropy (Bishop, "Pattern
  Recognition and Machine Learning", 2006, section 4.3.4);
* *where is its box*: ridge regression to ``dx, dy, log w, log h`` (Hoerl &
  Kennard, Technometrics 12:55-67, 1970).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import scipy  # which imports its parts when they are first used

from robotlab.neural.cells import Cells, channel_rows
from robotlab.neural.engine.workers import WorkerPool

# Penalty on the squared weights (features in standard deviations); ten times as
# much and a tenth as much did no better on the greenhouse test recordings.
LOGISTIC_PENALTY = 1e-5
RIDGE_PENALTY = 1e-3
# The most steps of the minimizer, in the last fit and in those that only look for
# hard background; it stops earlier when the gradient is flat.
STEPS = 150
STEPS_BETWEEN = 30
# Rows that are worked on at once: they stay in a core's cache for both matrix products.
ROWS = 4096


def softmax(scores: np.ndarray, axis: int = -1) -> np.ndarray:
    """Softmax: ``exp(s_k) / sum_j exp(s_j)``.

    Parameters
    ----------
    scores : ndarray
        Any numbers.
    axis : int
        Along which the classes lie.

    Returns
    -------
    ndarray
        Probabilities; taking the largest score off first keeps the exponentials finite.

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
    pool: WorkerPool | None = None,
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
        The most steps of the minimizer.
    pool : WorkerPool, optional
        Who does the work; without one this thread does.

    Returns
    -------
    (F, count) ndarray of float64
        Column k gives the score of class k.

    Notes
    -----
    Minimizes ``-sum_i w_i log p_i / sum_i w_i + penalty |W|^2 / 2`` where p_i is
    the probability of the true class; the gradient is ``X^T (w (P - Y)) / sum w +
    penalty W`` (Bishop 2006, equation 4.109).  L-BFGS (Liu & Nocedal, Math.
    Programming 45:503-528, 1989).

    Examples
    --------
    >>> x = np.array([[-1, 1], [1, 1]], np.float32)
    >>> w = fit_logistic(x, np.array([0, 1]), np.ones(2), 2, penalty=0.1)
    >>> (x @ w).argmax(axis=1).tolist()
    [0, 1]
    """
    share = (weights / weights.sum()).astype(np.float32)
    parts = _parts(len(x))
    losses, gradients = np.zeros(len(parts)), np.zeros((len(parts), count, x.shape[1]), np.float32)

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        w = flat.reshape(count, -1)
        single = w.astype(np.float32)

        def add_up(part: int, worker: int) -> None:
            some, true, counts = x[parts[part]], classes[parts[part]], share[parts[part]]
            rows = np.arange(len(some))
            # One row a class: sums over so few classes are quick along that axis.  The product itself is twice as fast
            # with the long side first, and the same number for number.
            p = softmax(np.ascontiguousarray((some @ single.T).T), axis=0)
            losses[part] = -np.dot(counts, np.log(np.maximum(p[true, rows], 1e-30)))
            p[true, rows] -= 1
            p *= counts
            np.matmul(p, some, out=gradients[part])

        each(add_up, len(parts))
        value = float(losses.sum()) + penalty / 2 * float((w**2).sum())
        return value, (gradients.sum(axis=0, dtype=np.float64) + penalty * w).ravel()

    each = (pool or WorkerPool(1)).each
    first = np.zeros((count, x.shape[1])) if start is None else start.T
    found = scipy.optimize.minimize(
        loss, first.ravel(), jac=True, method="L-BFGS-B", options={"maxiter": steps, "gtol": 1e-6}
    )
    return found.x.reshape(count, -1).T


def _parts(count: int) -> list[slice]:
    """The rows, :data:`ROWS` at a time."""
    return [slice(first, first + ROWS) for first in range(0, count, ROWS)]


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
        As a fraction of the rows' total weight.

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
    cells: Cells,
    class_count: int,
    start: Mapping[str, np.ndarray] | None = None,
    last: bool = True,
    pool: WorkerPool | None = None,
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
    pool : WorkerPool, optional
        Who does the work; without one this thread does.

    Returns
    -------
    dict of str to ndarray of float32
        ``head.kernel`` (class_count + 5, F, 1, 1) and ``head.bias``.

    Notes
    -----
    Features are first brought to mean 0 and spread 1, so that the penalty
    treats all alike; the head returned undoes that, and works on raw features.
    """
    pool = pool or WorkerPool(1)
    parts = _parts(len(cells.features))
    sums = np.zeros((2, len(parts), cells.features.shape[1]))
    x = np.ones((len(cells.features), sums.shape[2] + 1), np.float32)

    def add_up(part: int, worker: int) -> None:
        some = cells.features[parts[part]].astype(np.float64)
        sums[0, part] = some.sum(axis=0)
        sums[1, part] = np.square(some, out=some).sum(axis=0)

    def standardize(part: int, worker: int) -> None:
        some = np.subtract(cells.features[parts[part]], mean.astype(np.float32), out=x[parts[part], :-1])
        some /= spread.astype(np.float32)

    pool.each(add_up, len(parts))
    mean, squares = sums.sum(axis=1) / len(x)
    spread = np.sqrt(np.maximum(squares - mean**2, 0)) + 1e-6
    pool.each(standardize, len(parts))
    first = None
    if start is not None:
        kernel = start["head.kernel"][: class_count + 1, :, 0, 0].T.astype(np.float64)
        first = np.vstack([kernel * spread[:, None], start["head.bias"][: class_count + 1] + mean @ kernel])
    steps = STEPS if last else STEPS_BETWEEN
    scores = fit_logistic(x, cells.classes, cells.weights, class_count + 1, start=first, steps=steps, pool=pool)
    boxes = np.zeros((len(x[0]), 4))
    if last:
        boxed = cells.box_weights > 0
        # An error of the center counts by its fraction of the box, like one of log size.
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
    kernel, bias = head["head.kernel"][: class_count + 1, :, 0, 0], head["head.bias"][: class_count + 1]
    # A row a channel, as the network gives them, needs no copy.
    scores = softmax(kernel @ channel_rows(features) + bias[:, None], axis=0)
    return scores[1:].max(axis=0).reshape(features.shape[:2])


def rough_head(
    class_count: int, pool: WorkerPool | None = None
) -> Callable[[Cells], Callable[[np.ndarray], np.ndarray]]:
    """A quick head fit for hard negative mining: its false positives show which background to add.

    Parameters
    ----------
    class_count : int
        Classes without the background.
    pool : WorkerPool, optional
        Who does the work.

    Returns
    -------
    callable
        For :func:`~robotlab.neural.cells.gather_cells`; each head starts from
        the one before.
    """
    head: dict[str, np.ndarray] = {}

    def rough(cells: Cells) -> Callable[[np.ndarray], np.ndarray]:
        head.update(fit_linear_head(cells, class_count, head or None, last=False, pool=pool))
        return lambda features: head_scores(features, head, class_count)

    return rough
