"""Lesson 06, its last task: what a split by frame gives away."""

from __future__ import annotations

import numpy as np

from robotlab.practice.task import Misconception, Task


def leaked_part(train, test, near):
    """Part of the test frames, 0 to 1, with a training frame at most `near` away.

    train, test: (N,) and (M,) arrays of int, frame numbers of one film.  M is at
    least 1, N may be 0.
    """
    if not len(train):
        return 0.0
    away = np.abs(np.asarray(test)[:, None] - np.asarray(train)[None, :]).min(axis=1)
    return float((away <= near).mean())


def _away(train, test):
    return np.asarray(test)[:, None] - np.asarray(train)[None, :]


def _frames(rng):
    """A training part with holes, and test frames near to it and far."""
    train = np.sort(rng.choice(60, 9, replace=False)) * 2
    test = rng.permutation(np.unique(np.append(rng.choice(60, 7, replace=False) * 2 + 1, [151, 190])))
    return train, test, int(rng.integers(1, 5))


LEAKED_PART = Task(
    reference=leaked_part,
    lesson=6,
    statement="Write leaked_part(train, test, near): the part of the test frames, from 0 to 1, that have a training frame at most near frames away, earlier or later. train "
    "and test are arrays of frame numbers of one film, in any order. train may be empty.",
    unit="",
    fixed=(
        (np.array([0, 10, 20, 30]), np.array([1, 15, 29, 60]), 2),
        (np.array([4]), np.array([3, 5, 9]), 1),
        (np.array([0, 1, 2, 3]), np.array([50, 51]), 5),
    ),
    draw=_frames,
    edges=(
        (np.array([10]), np.array([12, 13]), 2),
        (np.zeros(0, int), np.array([1, 2]), 3),
        (np.array([7, 8]), np.array([7, 30]), 0),
    ),
    draws=8,
    nudges=(
        "Take one test frame, and all training frames. How far away is the nearest, before or after?",
        "np.abs(frame - train).min() is that distance. The test frame is leaked when it is at most near.",
        "Count the leaked test frames and divide by their number. With no training frame none is leaked; min() of nothing fails.",
    ),
    misconceptions=(
        Misconception(
            "count for part",
            "You give a number of frames. The part is that number divided by the number of test frames.",
            lambda a, b, n: float((np.abs(_away(a, b)) <= n).any(axis=1).sum()) if len(a) else 0.0,
        ),
        Misconception(
            "of the training frames",
            "You ask which training frames are near a test frame. What makes the figure optimistic is the other way around.",
            lambda a, b, n: float((np.abs(_away(a, b)) <= n).any(axis=0).mean()) if len(a) else 0.0,
        ),
        Misconception(
            "only later frames",
            "You look at training frames before the test frame alone. The frame after it looks the same as well.",
            lambda a, b, n: float(((_away(a, b) >= 0) & (_away(a, b) <= n)).any(axis=1).mean()) if len(a) else 0.0,
        ),
        Misconception(
            "only earlier frames",
            "You look at training frames after the test frame alone. The frame before it looks the same as well.",
            lambda a, b, n: float(((_away(a, b) <= 0) & (_away(a, b) >= -n)).any(axis=1).mean()) if len(a) else 0.0,
        ),
        Misconception(
            "without absolute value",
            "You compare test - train without its absolute value: a training frame long after a test frame counts as near.",
            lambda a, b, n: float((_away(a, b) <= n).any(axis=1).mean()) if len(a) else 0.0,
            also=(lambda a, b, n: float((_away(a, b) >= -n).any(axis=1).mean()) if len(a) else 0.0,),
        ),
        Misconception(
            "exactly near",
            "You leave out a frame that is exactly near frames away. At most means <=.",
            lambda a, b, n: float((np.abs(_away(a, b)) < n).any(axis=1).mean()) if len(a) else 0.0,
        ),
        Misconception(
            "the same frames alone",
            "You count test frames that are training frames themselves. Their neighbors give as much away.",
            lambda a, b, n: float(np.isin(b, a).mean()),
        ),
        Misconception(
            "pairs of frames",
            "You count pairs: a test frame between two training frames counts twice. Count test frames.",
            lambda a, b, n: float((np.abs(_away(a, b)) <= n).sum() / len(b)) if len(a) else 0.0,
            also=(lambda a, b, n: float((np.abs(_away(a, b)) <= n).mean()) if len(a) else 0.0,),
        ),
        Misconception(
            "the part that is clean",
            "You give the part that is not leaked: 1 minus it.",
            lambda a, b, n: 1 - leaked_part(a, b, n),
        ),
    ),
)
