"""Lesson 07: ridge regression in one step, and the learning rate of many."""

from __future__ import annotations

import math

import numpy as np

from robotlab.practice.task import Misconception, Task


def ridge(x, y, penalty):
    """Weights w (F,) that minimize the sum of (x @ w - y)² plus penalty · sum of w².

    x: (N, F) array, a row of features for each cell.
    y: (N,) array, what to predict.  penalty: above 0.
    """
    return np.linalg.solve(x.T @ x + penalty * np.eye(x.shape[1]), x.T @ y)


def _straight_lines(rng):
    x = np.round(rng.normal(0, 1, (7, 3)), 2)
    return x, np.round(x @ rng.normal(0, 2, 3) + rng.normal(0, 0.5, 7), 2), float(rng.choice([0.3, 2.0, 5.0]))


RIDGE = Task(
    reference=ridge,
    lesson=7,
    statement="Write ridge(x, y, penalty): the F weights w for which the sum over all rows of (x @ w - y)², plus penalty times the sum of w², is "
    "smallest. It has one answer, in closed form: no steps are needed. x is (N, F), y is (N,), and the result is (F,).",
    unit="",
    fixed=(
        (np.array([[1.0, 0.0], [0.0, 2.0], [1.0, 1.0]]), np.array([2.0, 4.0, 3.0]), 2.0),
        (np.array([[1.0, 2.0], [3.0, -1.0], [0.0, 1.0], [2.0, 2.0]]), np.array([1.0, 0.0, 2.0, -1.0]), 0.5),
    ),
    edges=(
        # Two features that are one: without a penalty there is no single answer.
        (np.array([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]]), np.array([1.0, 2.0, 4.0]), 0.1),
        (np.array([[1.0, 0.5, -1.0], [0.0, 2.0, 1.0]]), np.array([1.0, -1.0]), 3.0),
    ),
    draw=_straight_lines,
    nudges=(
        "At the smallest sum its derivative is 0 for each weight. Write that down: x.T @ (x @ w - y) + penalty * w = 0.",
        "Rearrange it: something (F, F) times w is x.T @ y. np.linalg.solve(A, b) gives the w of A @ w = b.",
        "penalty * w is penalty times the unit matrix, np.eye(F), times w. A bare number added to a matrix is added to every entry, which is something else.",
    ),
    misconceptions=(
        Misconception(
            "penalty left out",
            "You found the plain least squares. With the penalty the weights become smaller.",
            lambda x, y, a: np.linalg.lstsq(x, y, rcond=None)[0],
            also=(lambda x, y, a: np.linalg.pinv(x) @ y, lambda x, y, a: np.linalg.solve(x.T @ x, x.T @ y)),
        ),
        Misconception(
            "penalty on every entry",
            "You added the penalty to every entry of the matrix. It belongs on the diagonal alone: penalty times the unit matrix.",
            lambda x, y, a: np.linalg.solve(x.T @ x + a, x.T @ y),
        ),
        Misconception(
            "mean for sum",
            "You took the mean of the squared errors, so the penalty counts N times as much. Here the sum counts.",
            lambda x, y, a: np.linalg.solve(x.T @ x / len(x) + a * np.eye(x.shape[1]), x.T @ y / len(x)),
        ),
        Misconception(
            "penalty squared",
            "Your penalty counts squared. If you added rows to x, they need the root of the penalty.",
            lambda x, y, a: np.linalg.solve(x.T @ x + a**2 * np.eye(x.shape[1]), x.T @ y),
        ),
        Misconception(
            "root of the penalty",
            "Your penalty counts as its root. Only rows added to x need the root; on the diagonal stands the penalty itself.",
            lambda x, y, a: np.linalg.solve(x.T @ x + math.sqrt(a) * np.eye(x.shape[1]), x.T @ y),
        ),
        Misconception(
            "a bias added",
            "You gave the fit a column of ones of your own. Whoever wants one puts it into x; here x holds all features.",
            lambda x, y, a: ridge(np.column_stack([x, np.ones(len(x))]), y, a)[:-1],
            also=(lambda x, y, a: ridge(np.column_stack([x, np.ones(len(x))]), y, a),),
        ),
        Misconception(
            "half the penalty",
            "Your penalty counts half. Both squares bring a factor 2 when you take the derivative, so it cancels.",
            lambda x, y, a: np.linalg.solve(x.T @ x + a / 2 * np.eye(x.shape[1]), x.T @ y),
        ),
        Misconception(
            "penalty subtracted",
            "You subtracted the penalty from the diagonal. Then weights grow; it must be added.",
            lambda x, y, a: np.linalg.solve(x.T @ x - a * np.eye(x.shape[1]), x.T @ y),
        ),
        Misconception(
            "shrunk afterward",
            "You found the plain least squares and divided by 1 + penalty. The penalty takes part in the solving: weights shrink unequally.",
            lambda x, y, a: np.linalg.lstsq(x, y, rcond=None)[0] / (1 + a),
        ),
        Misconception(
            "each weight by itself",
            "You fitted each feature as if it were alone. Features share the work; solve for all weights at once.",
            lambda x, y, a: x.T @ y / ((x**2).sum(axis=0) + a),
        ),
        Misconception(
            "penalty added to the weights",
            "You found the plain least squares and added the penalty to each weight. It is a penalty on their squares, and takes part "
            "in the solving.",
            lambda x, y, a: np.linalg.lstsq(x, y, rcond=None)[0] + a,
            also=(lambda x, y, a: np.linalg.inv(x.T @ x) @ x.T @ y + a,),
        ),
        Misconception(
            "not solved",
            "You stopped at x.T @ y, the right side. The equations are still to be solved.",
            lambda x, y, a: x.T @ y,
        ),
        Misconception(
            "multiplied for solved",
            "You multiplied by the matrix. The equations are solved by its inverse: np.linalg.solve.",
            lambda x, y, a: (x.T @ x + a * np.eye(x.shape[1])) @ (x.T @ y),
        ),
        Misconception(
            "predictions for weights",
            "You gave what the fit predicts for each row. Asked for are the weights.",
            lambda x, y, a: x @ ridge(x, y, a),
        ),
    ),
)


def cycle_rate(step, steps, peak):
    """Learning rate of one step of a one-cycle schedule.

    Up from peak / 25 to peak in the first quarter, then down to peak / 1000;
    each along half a cosine.
    step: from 0 to steps - 1.  steps: how many, 9 or more.  peak: the highest rate.
    """
    place = step / (steps - 1)
    if place < 0.25:
        return _half_cosine(peak / 25, peak, place / 0.25)
    return _half_cosine(peak, peak / 1000, (place - 0.25) / 0.75)


def _half_cosine(a, b, t):
    return a + (b - a) * (1 - math.cos(math.pi * t)) / 2


def _cycle(step, steps, peak, *, top=0.25, first=1 / 25, end=1e-3, way=_half_cosine, last=1, over_all=False):
    """The reference with one thing changed."""
    place = step / (steps - last)
    if place < top:
        return way(peak * first, peak, place if over_all else place / top)
    return way(peak, peak * end, place if over_all else (place - top) / (1 - top))


def _whole_quarter(step, steps, peak):
    top = steps // 4
    if step < top:
        return _half_cosine(peak / 25, peak, step / top)
    return _half_cosine(peak, peak / 1000, (step - top) / (steps - 1 - top))


def _fall_turned(step, steps, peak):
    place = step / (steps - 1)
    return cycle_rate(step, steps, peak) if place < 0.25 else _half_cosine(peak / 1000, peak, (place - 0.25) / 0.75)


def _straight_fall(step, steps, peak):
    place = step / (steps - 1)
    return cycle_rate(step, steps, peak) if place < 0.25 else peak + (peak / 1000 - peak) * (place - 0.25) / 0.75


def _quarter_waves(step, steps, peak):
    place = step / (steps - 1)
    if place < 0.25:
        return peak / 25 + (peak - peak / 25) * math.sin(math.pi / 2 * place / 0.25)
    return peak / 1000 + (peak - peak / 1000) * math.cos(math.pi / 2 * (place - 0.25) / 0.75)


CYCLE_RATE = Task(
    reference=cycle_rate,
    lesson=7,
    statement="Write cycle_rate(step, steps, peak): the learning rate of a step, counted from 0, out of steps, in a one-cycle schedule. The part done is "
    "step / (steps - 1), from 0 to 1. In the first quarter the rate rises from peak / 25 to peak, in the rest it falls to peak / 1000. Each "
    "part goes from its first rate a to its last rate b along half a cosine: a + (b - a) (1 - cos(pi t)) / 2, where t goes from 0 to 1 within that part.",
    unit="",
    fixed=((0, 9, 1.0), (1, 9, 1.0), (2, 9, 1.0), (5, 9, 1.0), (8, 9, 1.0), (30, 101, 0.004), (7, 41, 0.02)),
    draw=lambda rng: (
        int(rng.integers(2, 40)),
        int(4 * rng.integers(12, 30) + 2),
        float(np.round(rng.uniform(0.002, 2), 3)),
    ),
    nudges=(
        "Work out the part done first, from 0 to 1. Where does the second part begin, and how long is each?",
        "t starts anew in each part. In the first it is the part done, divided by a quarter; in the second, what is beyond a quarter divided by three quarters.",
        "One helper that goes from a to b along half a cosine serves both parts. At t = 0 it must give a, at t = 1 it must give b.",
    ),
    misconceptions=(
        Misconception(
            "straight lines",
            "Your ends are right, and between them you go straight. Half a cosine leaves and arrives gently.",
            lambda step, steps, peak: _cycle(step, steps, peak, way=lambda a, b, t: a + (b - a) * t),
        ),
        Misconception(
            "a straight fall",
            "Your rise is right, and your fall goes straight. Both parts go along half a cosine.",
            _straight_fall,
        ),
        Misconception(
            "a quarter of a wave",
            "You took a quarter of a wave, which leaves or arrives at full speed. Half a cosine is gentle at both ends: (1 - cos(pi t)) / 2.",
            _quarter_waves,
            also=(
                lambda step, steps, peak: _cycle(
                    step, steps, peak, way=lambda a, b, t: a + (b - a) * math.sin(math.pi / 2 * t)
                ),
                lambda step, steps, peak: _cycle(
                    step, steps, peak, way=lambda a, b, t: a + (b - a) * (1 - math.cos(math.pi / 2 * t))
                ),
            ),
        ),
        Misconception(
            "equal factors",
            "Your rate changes by the same factor at each step. From a to b it goes along half a cosine, which changes by sums.",
            lambda step, steps, peak: _cycle(step, steps, peak, way=lambda a, b, t: a * (b / a) ** t),
        ),
        Misconception(
            "parentheses",
            "Python multiplies and divides before it subtracts: 1 - cos needs parentheses of its own before it is halved and multiplied.",
            lambda step, steps, peak: _cycle(
                step, steps, peak, way=lambda a, b, t: a + (b - a) * 1 - math.cos(math.pi * t) / 2
            ),
            also=(
                lambda step, steps, peak: _cycle(
                    step, steps, peak, way=lambda a, b, t: a + (b - a) * (1 - math.cos(math.pi * t) / 2)
                ),
            ),
        ),
        Misconception(
            "step / steps",
            "Your part done does not reach 1: the last step is steps - 1, since the first is 0.",
            lambda step, steps, peak: _cycle(step, steps, peak, last=0),
        ),
        Misconception(
            "quarter in whole steps",
            "You cut the quarter to a whole number of steps, with // or int(...). The peak may lie between two steps; keep the fraction.",
            _whole_quarter,
        ),
        Misconception(
            "t of the whole training",
            "Your t runs over the whole training. It goes from 0 to 1 within each part.",
            lambda step, steps, peak: _cycle(step, steps, peak, over_all=True),
        ),
        Misconception(
            "degrees",
            "You gave the cosine degrees. math.cos and np.cos take radians: half a turn is pi.",
            lambda step, steps, peak: _cycle(
                step, steps, peak, way=lambda a, b, t: a + (b - a) * (1 - math.cos(180 * t)) / 2
            ),
        ),
        Misconception(
            "a whole cosine",
            "Your cosine makes a whole turn, so each part ends where it began. Half a turn, pi, goes from one end to the other.",
            lambda step, steps, peak: _cycle(
                step, steps, peak, way=lambda a, b, t: a + (b - a) * (1 - math.cos(2 * math.pi * t)) / 2
            ),
        ),
        Misconception(
            "parts backward",
            "Each of your parts begins where it should end: at t = 0 the cosine is 1, so 1 - cos is 0 and must give the first rate.",
            lambda step, steps, peak: _cycle(
                step, steps, peak, way=lambda a, b, t: a + (b - a) * (1 + math.cos(math.pi * t)) / 2
            ),
        ),
        Misconception(
            "fall reversed",
            "Your rise is right. Your fall begins at peak / 1000 and ends at the peak: a and b are swapped there.",
            _fall_turned,
        ),
        Misconception(
            "fall not begun anew",
            "Your rise is right. In the fall, t begins at a third: what is beyond a quarter counts, divided by three quarters.",
            lambda step, steps, peak: (
                _cycle(step, steps, peak)
                if step / (steps - 1) < 0.25
                else _half_cosine(peak, peak / 1000, step / (steps - 1) / 0.75)
            ),
        ),
        Misconception(
            "half forgotten",
            "1 - cos goes from 0 to 2, so you go twice as far as b. It is divided by 2.",
            lambda step, steps, peak: _cycle(
                step, steps, peak, way=lambda a, b, t: a + (b - a) * (1 - math.cos(math.pi * t))
            ),
        ),
        Misconception(
            "counted from 1",
            "You count steps from 1. The first is 0, where nothing is done yet.",
            lambda step, steps, peak: _cycle(step + 1, steps, peak, last=0),
        ),
        Misconception(
            "b for b - a",
            "Each part ends too high: you added all of b to a. From a to b it is b - a.",
            lambda step, steps, peak: _cycle(
                step, steps, peak, way=lambda a, b, t: a + b * (1 - math.cos(math.pi * t)) / 2
            ),
        ),
        Misconception(
            "rises for three quarters",
            "Your peak comes at three quarters of the way. A quarter is for rising, the rest for falling.",
            lambda step, steps, peak: _cycle(step, steps, peak, top=0.75),
        ),
        Misconception(
            "peak in the middle",
            "Your peak comes in the middle. A quarter of the way is for rising.",
            lambda step, steps, peak: _cycle(step, steps, peak, top=0.5),
        ),
        Misconception(
            "starts at 0",
            "Your rate starts at 0: the first step teaches nothing. It starts at peak / 25.",
            lambda step, steps, peak: _cycle(step, steps, peak, first=0),
        ),
        Misconception(
            "ends at 0",
            "Your rate ends at 0. It ends at peak / 1000.",
            lambda step, steps, peak: _cycle(step, steps, peak, end=0),
        ),
        Misconception(
            "ends where it began",
            "Your rate falls to peak / 25, where it began. It ends at peak / 1000, so that the last steps hardly move.",
            lambda step, steps, peak: _cycle(step, steps, peak, end=1 / 25),
        ),
        Misconception(
            "never falls",
            "Your rate stays at its peak once it is there. The last three quarters of the way are for falling.",
            lambda step, steps, peak: _cycle(step, steps, peak, end=1),
        ),
        Misconception(
            "factor for rate",
            "Your result does not depend on peak. The factor from 0 to 1 is to be multiplied by it.",
            lambda step, steps, peak: _cycle(step, steps, 1.0),
        ),
    ),
)
