"""Lesson 04: what versus where."""

from __future__ import annotations

import numpy as np

from robotlab.practice.task import Misconception, Task


def softmax(scores):
    """Probabilities (N, K) from logits: each row is positive and adds up to 1.

    scores: (N, K) array of logits; a row for each picture, a column for each class.
    """
    shifted = np.exp(scores - scores.max(axis=1, keepdims=True))
    return shifted / shifted.sum(axis=1, keepdims=True)


def _unshifted(scores):
    """Without the shift: large scores overflow."""
    return np.exp(scores) / np.exp(scores).sum(axis=1, keepdims=True)


def _shifted(scores, shift):
    return np.exp(scores - shift) / np.exp(scores - shift).sum(axis=1, keepdims=True)


SOFTMAX = Task(
    reference=softmax,
    lesson=4,
    statement="Write softmax(scores): turn scores (N, K), the logits of N pictures (rows) for K classes (columns), into probabilities of the same "
    "shape. Each logit becomes exp(logit), divided by the sum of its row. Logits may be large, 1000 and more, or far apart: no result may be NaN.",
    unit="",
    fixed=((np.array([[1.0, 2.0, 3.0], [0.0, 0.0, 0.0]]),), (np.array([[-1.0, 0.5, 2.5, -2.0]]),)),
    edges=(
        (np.array([[1000.0, 1001.0, 999.0]]),),
        (np.array([[1000.0, 1001.0], [-1000.0, -999.0]]),),
        # Far apart: the row's mean taken off is not enough.
        (np.array([[0.0, 2000.0]]),),
    ),
    draw=lambda rng: (np.round(rng.normal(0, 2, (int(rng.integers(2, 4)), int(rng.integers(4, 6)))), 2),),
    nudges=(
        "Start with one row: np.exp of it, divided by the sum. What is the sum of the result?",
        "For all rows at once, sum over axis=1, and keepdims=True keeps the sums a column, so that each row is divided by its own.",
        "np.exp(1000) is inf. Subtracting the same number from every logit of a row changes no probability: subtract the row's largest.",
    ),
    misconceptions=(
        Misconception(
            "large scores overflow",
            "Right for small logits. np.exp(1000) is inf, and inf / inf is NaN. The same number subtracted from every logit of a row changes no probability.",
            _unshifted,
        ),
        Misconception(
            "one shift for all rows",
            "You subtract the same number from every row, the largest of all. A row far below it becomes 0 / 0. Each row needs its own.",
            lambda s: _shifted(s, s.max()),
        ),
        Misconception(
            "the row's largest not subtracted",
            "You subtract something less than each row's largest, such as its mean, its least or its first. Where logits lie far "
            "apart, the largest is still large: exp overflows. "
            "With each row's largest subtracted, no logit is above 0.",
            lambda s: _shifted(s, s.mean(axis=1, keepdims=True)),
        ),
        Misconception(
            "all rows share one sum",
            "All your probabilities together add up to 1. Each picture has its own: every row must add up to 1.",
            lambda s: np.exp(s - s.max()) / np.exp(s - s.max()).sum(),
        ),
        Misconception(
            "columns for rows",
            "Your columns add up to 1. The classes of one picture stand in a row.",
            lambda s: np.exp(s - s.max(axis=0)) / np.exp(s - s.max(axis=0)).sum(axis=0),
        ),
        Misconception(
            "scores shared without exp",
            "You divided the logits by their sum. Logits may be negative; exp makes them positive first.",
            lambda s: s / s.sum(axis=1, keepdims=True),
        ),
        Misconception(
            "each class for itself",
            "You took the sigmoid of every logit by itself, 1 / (1 + exp(-logit)). The classes of a row must compete: it adds up to 1.",
            lambda s: 1 / (1 + np.exp(-s)),
        ),
        Misconception(
            "no division",
            "Your largest value in each row is 1. Divide by the row's sum.",
            lambda s: np.exp(s - s.max(axis=1, keepdims=True)),
        ),
        Misconception(
            "winner takes all",
            "You gave everything to the best class (one-hot). The others keep their probabilities; how close they are is what confidence measures.",
            lambda s: np.eye(s.shape[1])[s.argmax(axis=1)],
        ),
        Misconception(
            "logarithms",
            "Your results are negative: they are log-probabilities, the logarithms of what is asked for.",
            lambda s: (
                s
                - s.max(axis=1, keepdims=True)
                - np.log(np.exp(s - s.max(axis=1, keepdims=True)).sum(axis=1, keepdims=True))
            ),
        ),
        Misconception(
            "sign of the scores",
            "Your lowest logits get the highest probabilities. There is a minus too many before them.",
            lambda s: _shifted(-s, (-s).max(axis=1, keepdims=True)),
        ),
        Misconception(
            "powers of two",
            "You took powers of 2. The softmax uses exp, powers of e.",
            lambda s: _shifted(s * np.log(2), (s * np.log(2)).max(axis=1, keepdims=True)),
        ),
    ),
)


def top_k(scores, k):
    """Indices of the k highest scores, best first: an array of int.

    scores: (N,) array of float.  k: how many; when k is more than N, all of them.
    Equal scores keep their order: the earlier index first.
    """
    return np.argsort(-scores, kind="stable")[:k]


def _ranking(rng):
    return np.round(rng.permutation(10) / 10, 1), int(rng.integers(3, 7))


TOP_K = Task(
    reference=top_k,
    lesson=4,
    statement="Write top_k(scores, k): the indices (0, 1, 2 ...) of the k highest of N scores, the best first, as an array of int. Of equal "
    "scores the earlier index comes first. If k is more than N, give all N indices.",
    unit="",
    fixed=((np.array([0.1, 0.7, 0.2]), 2), (np.array([0.3, 0.1, 0.5, 0.2, 0.4]), 3)),
    edges=(
        (np.array([0.3, 0.1, 0.3, 0.2, 0.3]), 2),
        (np.array([0.5, 0.2, 0.7, 0.5, 0.1, 0.7, 0.5, 0.7, 0.2, 0.9]), 6),
        (np.array([0.2, 0.6, 0.1]), 9),
        (np.array([0.2, 0.6, 0.1]), 0),
    ),
    draw=_ranking,
    nudges=(
        "Sorting the scores would lose where they were. np.argsort gives the indices in sorted order.",
        "np.argsort begins with the lowest. Sort the negative scores, and it begins with the highest.",
        'kind="stable" keeps equal scores in their order. Then [:k] takes the first k, or all when there are fewer.',
    ),
    misconceptions=(
        Misconception(
            "the lowest",
            "You give the indices of the lowest scores. np.argsort begins with the smallest.",
            lambda s, k: np.argsort(s, kind="stable")[:k],
        ),
        Misconception(
            "best last",
            "You have the right indices, with the best at the end.",
            lambda s, k: np.argsort(-s, kind="stable")[:k][::-1],
        ),
        Misconception(
            "scores for places",
            "You give the scores themselves. Their indices are asked for.",
            lambda s, k: np.sort(s)[::-1][:k],
        ),
        Misconception(
            "order of equals",
            "Of equal scores you do not always give the earlier index first. Reversing a sorted list reverses equals "
            'as well, and np.argsort keeps their order only with kind="stable".',
            lambda s, k: np.argsort(s, kind="stable")[::-1][:k],
            also=(lambda s, k: np.argsort(s)[::-1][:k], lambda s, k: np.argsort(-s)[:k]),
        ),
        Misconception(
            "one too few",
            "You give one index too few. A slice [:k] stops before k, so it already holds k.",
            lambda s, k: np.argsort(-s, kind="stable")[: min(k, len(s)) - 1],
        ),
        Misconception(
            "not best first",
            "You have the right indices, in another order. The best must come first.",
            lambda s, k: np.sort(np.argsort(-s, kind="stable")[:k]),
            also=(
                lambda s, k: np.argpartition(s, -k)[-k:],
                lambda s, k: np.argpartition(-s, k)[:k],
                lambda s, k: np.argpartition(-s, k - 1)[:k],
            ),
        ),
        Misconception("only the best", "You give only the best index.", lambda s, k: np.argsort(-s, kind="stable")[:1]),
        Misconception(
            "k forgotten",
            "You give all indices in the right order. Only the first k are asked for.",
            lambda s, k: np.argsort(-s, kind="stable"),
        ),
        Misconception(
            "counted from 1",
            "Your indices are counted from 1. The first index is 0.",
            lambda s, k: np.argsort(-s, kind="stable")[:k] + 1,
        ),
        Misconception(
            "ranks for places",
            "You give the rank of the first scores, not the indices of the best: one argsort too many.",
            lambda s, k: np.argsort(np.argsort(-s, kind="stable"), kind="stable")[:k],
        ),
    ),
)


def abstain(probabilities, least):
    """Class of each picture, -1 where its probability is below `least`: (N,) of int.

    probabilities: (N, K) array; a row for each picture, a column for each class.
    least: confidence threshold, 0 to 1.
    """
    return np.where(probabilities.max(axis=1) >= least, probabilities.argmax(axis=1), -1)


def _guesses(rng):
    chances = rng.dirichlet([0.6] * 3, 8)
    return np.round(chances, 3), float(rng.choice([0.4, 0.55, 0.7]))


def _when(sure, label, otherwise=-1):
    return np.where(sure, label, otherwise)


ABSTAIN = Task(
    reference=abstain,
    lesson=4,
    statement="Write abstain(probabilities, least): for each picture the index of its most probable class, or -1 where that probability is "
    "below the confidence threshold least, because no answer is better than a wrong one. A probability of exactly least is enough. The probabilities are "
    "(N, K), a row for each picture; the result is (N,) of int.",
    unit="",
    fixed=(
        (np.array([[0.7, 0.2, 0.1], [0.3, 0.4, 0.3], [0.05, 0.05, 0.9]]), 0.6),
        (np.array([[0.25, 0.4, 0.35], [0.8, 0.2, 0.0]]), 0.5),
        # The second best comes close, so a margin decides otherwise.
        (np.array([[0.45, 0.55, 0.0], [0.0, 0.46, 0.54], [0.5, 0.26, 0.24]]), 0.52),
    ),
    draw=_guesses,
    edges=(
        (np.array([[0.5, 0.25, 0.25], [0.25, 0.5, 0.25], [0.25, 0.375, 0.375]]), 0.5),
        (np.array([[0.4, 0.35, 0.25], [0.3, 0.2, 0.5]]), 0.6),
    ),
    nudges=(
        "Two questions for each row: which class is the best, and how probable is it?",
        "argmax(axis=1) answers the first and max(axis=1) the second; axis=1 runs along the classes of one picture.",
        "np.where(condition, a, b) takes a where the condition holds and b elsewhere.",
    ),
    misconceptions=(
        Misconception(
            "never abstains",
            "You always give the best class. Where even the best is less than least, the answer is -1.",
            lambda p, t: p.argmax(axis=1),
        ),
        Misconception(
            "more than least",
            "You abstain where the probability is exactly least. That is enough: >=, not >.",
            lambda p, t: _when(p.max(axis=1) > t, p.argmax(axis=1)),
        ),
        Misconception(
            "class 0 for unsure",
            "Where you are unsure you say class 0. That is a real class; -1 is none.",
            lambda p, t: _when(p.max(axis=1) >= t, p.argmax(axis=1), 0),
        ),
        Misconception(
            "reversed",
            "You abstain where you are sure and answer where you are not.",
            lambda p, t: _when(p.max(axis=1) < t, p.argmax(axis=1)),
        ),
        Misconception(
            "columns for rows",
            "You looked down the columns, one answer for each class. A row holds the classes of one picture: axis=1.",
            lambda p, t: _when(p.max(axis=0) >= t, p.argmax(axis=0)),
        ),
        Misconception(
            "margin over the second",
            "You compare the margin over the second best with least. The task asks for the best probability itself.",
            lambda p, t: _when(np.diff(np.sort(p, axis=1)[:, -2:])[:, 0] >= t, p.argmax(axis=1)),
        ),
        Misconception(
            "one decision for all",
            "You decide once for all pictures, by the surest of them. Each row is decided by itself.",
            lambda p, t: _when(np.full(len(p), p.max() >= t), p.argmax(axis=1)),
            also=(
                lambda p, t: p.argmax(axis=1) if p.max() >= t else -1,
                lambda p, t: p.argmax(axis=1) if (p.max(axis=1) >= t).all() else -1,
            ),
        ),
        Misconception(
            "probability for class",
            "You give the probability where you are sure. The index of the class is asked for.",
            lambda p, t: _when(p.max(axis=1) >= t, p.max(axis=1)),
        ),
        Misconception(
            "true or false",
            "You give whether each picture is sure. The index of its class is asked for, or -1.",
            lambda p, t: p.max(axis=1) >= t,
        ),
    ),
)

TASKS = (SOFTMAX, TOP_K, ABSTAIN)
