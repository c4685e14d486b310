"""Lesson 07: train a detector."""

from __future__ import annotations

import numpy as np

from robotlab.practice.task import Misconception, Task
from robotlab.practice.tasks.lesson_07_steps import CYCLE_RATE, RIDGE


def cross_entropy(logits, classes):
    """Mean over the cells of minus the log of the true class's probability: one number.

    logits: (N, K) array of float; a row for each cell, a column for each class.
    classes: (N,) array of int, the true class of each cell.
    """
    shifted = logits - logits.max(axis=1, keepdims=True)
    logs = shifted - np.log(np.exp(shifted).sum(axis=1, keepdims=True))
    return float(-logs[np.arange(len(logits)), classes].mean())


def _softmax(scores, axis=1):
    grown = np.exp(scores - scores.max(axis=axis, keepdims=True))
    return grown / grown.sum(axis=axis, keepdims=True)


def _true(table, classes):
    return table[np.arange(len(table)), classes]


def _plain_softmax(scores):
    """Without the shift: large scores overflow."""
    return np.exp(scores) / np.exp(scores).sum(axis=1, keepdims=True)


def _scored_cells(rng):
    rows, count = int(rng.integers(3, 6)), int(rng.integers(3, 5))
    return np.round(rng.normal(0, 2, (rows, count)), 2), rng.integers(0, count, rows)


def _error(probabilities, classes):
    return probabilities - np.eye(probabilities.shape[1])[classes]


def _table_softmax(scores, shift=True):
    """One whole for all cells together."""
    grown = np.exp(scores - scores.max() if shift else scores)
    return grown / grown.sum()


def _one_shift(scores):
    """Shifted by the largest score of the whole table: a row far below it is 0 everywhere."""
    grown = np.exp(scores - scores.max())
    return grown / grown.sum(axis=1, keepdims=True)


def _yes_or_no(scores, classes):
    probabilities, truth = _softmax(scores), np.eye(scores.shape[1])[classes]
    return -(np.log(probabilities[truth == 1]).sum() + np.log(1 - probabilities[truth == 0]).sum()) / len(scores)


# Small numbers that are seen in the wild, added or as a floor.
_CAPPED = (
    *(
        lambda s, c, e=e: -np.log(_true(_softmax(s), c) + e).mean()
        for e in (1e-6, 1e-7, 1e-8, 1e-9, 1e-10, 1e-15, 1e-16)
    ),
    *(
        lambda s, c, e=e: -np.log(np.maximum(_true(_softmax(s), c), e)).mean()
        for e in (1e-6, 1e-7, 1e-8, 1e-9, 1e-10, 1e-12, 1e-15)
    ),
)

CROSS_ENTROPY = Task(
    reference=cross_entropy,
    lesson=7,
    statement="Write cross_entropy(logits, classes): the loss of N cells. Softmax turns the K logits of a row into probabilities; the loss of a cell is "
    "minus the natural logarithm of its true class's probability; the result is the mean over the cells. Logits may be large, 1000 and more, or "
    "far apart: the result must stay finite.",
    unit="",
    fixed=(
        (np.array([[0.0, 0.0, 0.0, 0.0], [2.0, 0.0, 1.0, -1.0], [0.5, 3.0, 0.0, 1.0]]), np.array([2, 0, 3])),
        (
            np.array([[1.0, -1.0, 0.5], [-2.0, 0.0, 1.0], [0.3, 2.0, -1.0], [0.0, 1.0, 4.0], [1.5, 1.0, 0.0]]),
            np.array([1, 2, 0, 2, 1]),
        ),
    ),
    edges=(
        (np.array([[1000.0, 1001.0, 999.0]]), np.array([0])),
        (np.array([[0.0, 2000.0], [5.0, 0.0]]), np.array([0, 0])),
    ),
    draw=_scored_cells,
    nudges=(
        "Start with one row: its probabilities, then that of its true class, then minus the logarithm of that. Four equal logits must give log 4, 1.386.",
        "For all rows at once: table[np.arange(N), classes] takes one value of each row, the one in the column of its true class.",
        (
            "A probability of 0 has no logarithm. Take the logarithm on paper first: log p = logit - log(sum of exp(logits)), and a number subtracted from "
            "every logit of a row changes no probability."
        ),
    ),
    misconceptions=(
        Misconception(
            "large logits overflow",
            "Correct for small logits. np.exp(1000) is inf, and inf / inf is NaN. Subtract each row's largest logit first.",
            lambda s, c: -np.log(_true(_plain_softmax(s), c)).mean(),
            also=(lambda s, c: (np.log(np.exp(s).sum(axis=1)) - _true(s, c)).mean(),),
        ),
        Misconception(
            "logarithm of a probability of 0",
            "Correct for most logits. Where one is far below the others its probability is rounded to 0, which has no "
            "logarithm. Work with the logarithm of the probability: it is the logit minus the logarithm of a sum.",
            lambda s, c: -np.log(_true(_softmax(s), c)).mean(),
        ),
        Misconception(
            "sum for mean",
            "You added up the cells. Their mean is asked for, so that a loss does not grow with the number of cells.",
            lambda s, c: len(s) * cross_entropy(s, c),
        ),
        Misconception(
            "no minus sign",
            "Your loss is negative. A probability is at most 1, so its logarithm is at most 0; the loss is minus that.",
            lambda s, c: -cross_entropy(s, c),
        ),
        Misconception(
            "probability without logarithm",
            "You gave 1 minus the true class's probability. That hardly grows for a cell that is sure and wrong; the logarithm does.",
            lambda s, c: (1 - _true(_softmax(s), c)).mean(),
        ),
        Misconception(
            "mean before logarithm",
            "You took the mean of the probabilities, then one logarithm. Each cell has its own logarithm; the mean comes last.",
            lambda s, c: -np.log(_true(_softmax(s), c).mean()),
        ),
        Misconception(
            "best class for true class",
            "You took the probability of the best class. A cell that is sure and wrong then costs nothing; classes says which is true.",
            lambda s, c: -np.log(_softmax(s).max(axis=1)).mean(),
        ),
        Misconception(
            "all classes",
            "You took the logarithms of all probabilities of a row. Only the true class's counts; it holds down the others, for all add up to 1.",
            lambda s, c: -np.log(_softmax(s)).mean(),
            also=(lambda s, c: -np.log(_softmax(s)).sum(axis=1).mean(),),
        ),
        Misconception(
            "columns for rows",
            "Your columns add up to 1. The classes of one cell stand in a row.",
            lambda s, c: -np.log(_true(_softmax(s, axis=0), c)).mean(),
        ),
        Misconception(
            "all pairs",
            "You took every true class from every row, N times N values. table[:, classes] does that; table[np.arange(N), classes] takes one a row.",
            lambda s, c: -np.log(_softmax(s)[:, c]).mean(),
        ),
        Misconception(
            "each class for itself",
            "You squashed every logit by itself, 1 / (1 + exp(-logit)), the sigmoid. Softmax lets the classes of a row compete for one whole.",
            lambda s, c: -np.log(_true(1 / (1 + np.exp(-s)), c)).mean(),
        ),
        Misconception(
            "a small number added",
            "You keep the logarithm finite with a small number. That caps the price of being sure and wrong. The logarithm of the "
            "probability can be had without the probability: logit minus logarithm of a sum.",
            lambda s, c: -np.log(_true(_softmax(s), c) + 1e-12).mean(),
            also=_CAPPED,
        ),
        Misconception(
            "yes or no for each class",
            "You added a second part, the logarithm of 1 minus the probability, for the classes that are not true. Softmax has these in it already.",
            lambda s, c: _yes_or_no(s, c),
        ),
        Misconception(
            "divided by all entries",
            "You divided by cells times classes, as np.mean of the whole table does. Divide by the number of cells.",
            lambda s, c: cross_entropy(s, c) / s.shape[1],
        ),
        Misconception(
            "squared error",
            "You squared the distance between probabilities and truth. Then being sure and wrong costs 2 at most; the logarithm has no ceiling.",
            lambda s, c: (_error(_softmax(s), c) ** 2).sum(axis=1).mean(),
            also=(lambda s, c: (_error(_softmax(s), c) ** 2).mean(),),
        ),
        Misconception(
            "one whole for all cells",
            "You divided by one sum over the whole table. Each cell has a whole of its own: sum along the row, axis=1.",
            lambda s, c: -np.log(_true(_table_softmax(s), c)).mean(),
            also=(lambda s, c: -np.log(_true(_table_softmax(s, shift=False), c)).mean(),),
        ),
        Misconception(
            "one shift for all cells",
            "Correct for most logits. You subtracted the largest logit of the whole table from every row; in a row far below it "
            "nothing but zeros is left. Subtract each row's own largest.",
            lambda s, c: -np.log(_true(_one_shift(s), c)).mean(),
            also=(lambda s, c: (np.log(np.exp(s - s.max()).sum(axis=1)) - _true(s - s.max(), c)).mean(),),
        ),
        Misconception(
            "classes counted from 1",
            "You looked one column too far to the left. Classes count from 0, as the columns do.",
            lambda s, c: cross_entropy(s, c - 1),
        ),
        Misconception(
            "raw logits",
            "You took minus the true class's logit. A logit means nothing by itself: softmax compares it with the others first.",
            lambda s, c: -_true(s, c).mean(),
        ),
        Misconception(
            "logarithm to base 2",
            "You took the logarithm to base 2. The natural one is asked for, np.log.",
            lambda s, c: cross_entropy(s, c) / np.log(2),
        ),
        Misconception(
            "logarithm to base 10",
            "You took the logarithm to base 10. The natural one is asked for, np.log.",
            lambda s, c: cross_entropy(s, c) / np.log(10),
        ),
    ),
)


def head_gradient(x, probabilities, classes):
    """Gradient of the mean cross-entropy with respect to the weights: (F, K).

    x: (N, F) array, the features of N cells; their logits are x @ weights.
    probabilities: (N, K) array, the softmax of the logits.
    classes: (N,) array of int, the true class of each cell.
    """
    error = probabilities - np.eye(probabilities.shape[1])[classes]
    return x.T @ error / len(x)


def _less_one(probabilities, where):
    error = probabilities.copy()
    error[where] -= 1
    return error


def _shared_cells(rng):
    rows, features, count = int(rng.integers(4, 7)), 2, 3
    return (
        np.round(rng.normal(0, 1, (rows, features)), 2),
        rng.dirichlet([1.0] * count, rows).round(3),
        rng.integers(0, count, rows),
    )


HEAD_GRADIENT = Task(
    reference=head_gradient,
    lesson=7,
    statement="Write head_gradient(x, probabilities, classes): how the mean cross-entropy of N cells changes with each weight. The logits are x @ weights, "
    "probabilities is their softmax, classes holds the true classes. Per cell, the derivative of the loss by the logit of class k is the probability "
    "of k, minus 1 where k is the true class. The result has the shape of the weights, (F, K): a row for each feature, a column for each class. Leave the inputs unchanged.",
    unit="",
    fixed=(
        (
            np.array([[1.0, 0.0], [0.0, 2.0], [1.0, 1.0]]),
            np.array([[0.5, 0.25, 0.25], [0.2, 0.2, 0.6], [0.7, 0.2, 0.1]]),
            np.array([0, 1, 2]),
        ),
        (np.array([[0.5, -1.0], [2.0, 1.0]]), np.array([[0.1, 0.6, 0.3], [0.3, 0.3, 0.4]]), np.array([0, 2])),
    ),
    edges=((np.array([[3.0, -2.0]]), np.array([[0.0, 1.0, 0.0]]), np.array([1])),),
    draw=_shared_cells,
    nudges=(
        "First the error of each cell and class, (N, K): predicted minus true probability. np.eye(K)[classes] is 1 at the true class and 0 elsewhere.",
        "A weight of feature f and class k meets every cell once: its derivative is the mean over the cells of x[n, f] times error[n, k].",
        "A sum over n of x[n, f] error[n, k] is a matrix product of x transposed (F, N) with the error (N, K).",
    ),
    misconceptions=(
        Misconception(
            "truth left out",
            "You used the probabilities alone. From that of the true class 1 must be subtracted: that is the part that teaches.",
            lambda x, p, c: x.T @ p / len(x),
        ),
        Misconception(
            "sum for mean",
            "You added up the cells. The loss is a mean over the cells, so the gradient is too.",
            lambda x, p, c: x.T @ _error(p, c),
        ),
        Misconception(
            "truth minus probability",
            "All your signs are reversed: you took true minus predicted. The gradient points to where the loss grows.",
            lambda x, p, c: -x.T @ _error(p, c) / len(x),
        ),
        Misconception(
            "transposed",
            "Your result has a row for each class. The weights have a row for each feature.",
            lambda x, p, c: _error(p, c).T @ x / len(x),
        ),
        Misconception(
            "divided by all entries",
            "You divided by cells times classes, as np.mean of the whole table would. Divide by the number of cells.",
            lambda x, p, c: x.T @ _error(p, c) / p.size,
        ),
        Misconception(
            "true class alone",
            "Only the true classes' columns learn in yours. The other classes' probabilities must go down as well.",
            lambda x, p, c: x.T @ (_error(p, c) * np.eye(p.shape[1])[c]) / len(x),
        ),
        Misconception(
            "means multiplied",
            "You took the means of features and errors, then multiplied. Multiply cell by cell, the mean comes last.",
            lambda x, p, c: np.outer(x.mean(axis=0), _error(p, c).mean(axis=0)),
        ),
        Misconception(
            "derivative of a squared error",
            "There is a factor p * (1 - p) too many. It belongs to a squared error; the logarithm has cancelled it.",
            lambda x, p, c: x.T @ (_error(p, c) * p * (1 - p)) / len(x),
        ),
        Misconception(
            "one minus probability",
            "At the true class you have 1 minus its probability. It is its probability minus 1, so below 0: there the loss falls when the logit grows.",
            lambda x, p, c: x.T @ np.where(np.eye(p.shape[1])[c] == 1, 1 - p, p) / len(x),
        ),
        Misconception(
            "best class for true class",
            "You subtracted 1 from the best class. classes says which is true; a cell that is wrong has to learn from that.",
            lambda x, p, c: x.T @ _error(p, p.argmax(axis=1)) / len(x),
        ),
        Misconception(
            "whole rows",
            "error[classes] takes whole rows, by number. One entry a row is meant: error[np.arange(N), classes].",
            lambda x, p, c: x.T @ _less_one(p, c) / len(x),
        ),
        Misconception(
            "whole columns",
            "error[:, classes] takes whole columns, in every row. One entry a row is meant: error[np.arange(N), classes].",
            lambda x, p, c: x.T @ _less_one(p, (slice(None), c)) / len(x),
        ),
        Misconception(
            "number of the class subtracted",
            "You subtracted the number of the class from the probabilities. A class is a name, not an amount: np.eye(K)[classes] has 1 in its column.",
            lambda x, p, c: x.T @ (p - c[:, None]) / len(x),
        ),
        Misconception(
            "derivative by the probability",
            "You stopped at the derivative by the probability, minus 1 over it. The logits come before the probabilities: their derivative is predicted minus true.",
            lambda x, p, c: x.T @ (-np.eye(p.shape[1])[c] / np.maximum(p, 1e-300)) / len(x),
        ),
        Misconception(
            "features left out",
            "You gave the mean error of each class, the same for every feature. A weight's derivative is the error times its own feature.",
            lambda x, p, c: np.tile(_error(p, c).mean(axis=0), (x.shape[1], 1)),
            also=(lambda x, p, c: _error(p, c).mean(axis=0),),
        ),
    ),
)


TASKS = (CROSS_ENTROPY, HEAD_GRADIENT, RIDGE, CYCLE_RATE)
