"""Check gradients by finite differences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np


def gradient_error(
    loss: Callable[[], float],
    numbers: np.ndarray,
    gradient: np.ndarray,
    rng: np.random.Generator,
    count: int = 20,
    step: float = 1e-5,
) -> float:
    """Largest difference between a gradient and finite differences.

    Parameters
    ----------
    loss : callable
        Gives the loss for the numbers as they are now.
    numbers : (P,) ndarray of float64
        Moved by `step` and put back.
    gradient : (P,) ndarray
        What is claimed.
    rng : numpy.random.Generator
        Chooses which to try.
    count : int
        How many to try.
    step : float
        How far to move each.

    Returns
    -------
    float
        Largest difference, as a fraction of the largest gradient tried.

    Notes
    -----
    ``(loss(w + step) - loss(w - step)) / (2 step)`` differs from the slope by a
    term in ``step^2`` and by rounding over ``step`` (Nocedal & Wright, "Numerical
    Optimization", 2006, section 8.1).  A ReLU that flips in between spoils it.

    Examples
    --------
    >>> w = np.array([3.0, -1.0])
    >>> gradient_error(lambda: float((w**2).sum()), w, 2 * w, np.random.default_rng(0)) < 1e-8
    True
    """
    tried = rng.choice(len(numbers), min(count, len(numbers)), replace=False)
    measured = []
    for place in tried:
        before = numbers[place]
        numbers[place] = before + step
        above = loss()
        numbers[place] = before - step
        below = loss()
        numbers[place] = before
        measured.append((above - below) / (2 * step))
    return float(np.abs(gradient[tried] - measured).max() / np.abs(measured).max())
