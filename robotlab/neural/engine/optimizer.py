"""Steps: how the weights follow the gradient, and how fast."""

from __future__ import annotations

import math

import numpy as np


class AdamW:
    """Adam with weight decay kept apart from the gradient.

    Parameters
    ----------
    parameters : (P,) ndarray
        The numbers to move, in place.
    decay : float
        Weight decay.
    decayed : (P,) ndarray of bool
        Which numbers decay: kernels do, scales, shifts and biases do not.
    first, second : float
        Memory of the gradient's mean and of its square.
    epsilon : float
        Keeps a step finite where the gradient is zero.

    Notes
    -----
    With g the gradient at step t (Kingma & Ba, ICLR 2015, arXiv:1412.6980;
    Loshchilov & Hutter, ICLR 2019, arXiv:1711.05101, algorithm 2):

        m = first m + (1 - first) g
        v = second v + (1 - second) g^2
        w = w - rate decay w - rate (m / (1 - first^t)) / (sqrt(v / (1 - second^t)) + epsilon)

    Examples
    --------
    >>> w = np.array([1.0])
    >>> step = AdamW(w, 0.0, np.array([True]))
    >>> step(np.array([5.0]), rate=0.1)
    >>> w.round(6).tolist()
    [0.9]
    """

    def __init__(
        self,
        parameters: np.ndarray,
        decay: float,
        decayed: np.ndarray,
        first: float = 0.9,
        second: float = 0.999,
        epsilon: float = 1e-8,
    ) -> None:
        self.parameters = parameters
        self.decay = decay * decayed.astype(parameters.dtype)
        self.first, self.second, self.epsilon = first, second, epsilon
        self.mean = np.zeros_like(parameters)
        self.square = np.zeros_like(parameters)
        self.steps = 0

    def __call__(self, gradient: np.ndarray, rate: float) -> None:
        """Move once.

        Parameters
        ----------
        gradient : (P,) ndarray
            Of the loss.
        rate : float
            Learning rate.
        """
        self.steps += 1
        self.mean += (1 - self.first) * (gradient - self.mean)
        self.square += (1 - self.second) * (gradient**2 - self.square)
        mean = self.mean / (1 - self.first**self.steps)
        square = self.square / (1 - self.second**self.steps)
        self.parameters -= rate * (self.decay * self.parameters + mean / (np.sqrt(square) + self.epsilon))


def one_cycle(
    step: int, steps: int, peak: float, rising: float = 0.25, start: float = 1 / 25, end: float = 1e-3
) -> float:
    """Learning rate that rises to a peak and falls to almost nothing.

    Parameters
    ----------
    step : int
        From 0.
    steps : int
        How many there will be.
    peak : float
        Highest rate.
    rising : float
        Fraction of the steps before the peak.
    start, end : float
        First and last rate as a fraction of the peak.

    Returns
    -------
    float
        The rate of this step.

    Notes
    -----
    "1cycle" of Smith & Topin (arXiv:1708.07120) and Smith (arXiv:1803.09820),
    both ways along half a cosine: ``a + (b - a) (1 - cos(pi t)) / 2``.

    Examples
    --------
    >>> [round(one_cycle(step, 9, 1.0), 3) for step in (0, 2, 8)]
    [0.04, 1.0, 0.001]
    """
    top = max(1.0, rising * (steps - 1))
    if step < top:
        a, b, t = start, 1.0, step / top
    else:
        a, b, t = 1.0, end, (step - top) / max(1.0, steps - 1 - top)
    return peak * (a + (b - a) * (1 - math.cos(math.pi * min(t, 1.0))) / 2)


def clip_gradient_norm(gradient: np.ndarray, longest: float) -> float:
    """Shorten a gradient that is too long, in place.

    Parameters
    ----------
    gradient : (P,) ndarray
        Scaled so that its length is at most `longest`.
    longest : float
        The limit (Pascanu, Mikolov & Bengio, ICML 2013, arXiv:1211.5063).

    Returns
    -------
    float
        Its length before.

    Examples
    --------
    >>> g = np.array([3.0, 4.0])
    >>> clip_gradient_norm(g, 1.0), g.tolist()
    (5.0, [0.6000000000000001, 0.8])
    """
    length = float(np.sqrt(np.dot(gradient, gradient)))
    if length > longest:
        gradient *= longest / length
    return length


class ExponentialMovingAverage:
    """A slow average of the weights, which judges better than the last ones.

    Parameters
    ----------
    arrays : dict of str to ndarray
        The weights to follow.
    memory : float
        Share kept at each step in the long run.

    Notes
    -----
    ``a = memory a + (1 - memory) w`` (Polyak & Juditsky, SIAM J. Control Optim.
    30:838-855, 1992, in its exponential form); early on the memory is shorter,
    ``(1 + t) / (10 + t)``, so that the first weights are soon forgotten.

    Examples
    --------
    >>> average = ExponentialMovingAverage({"a": np.zeros(1)}, 0.5)
    >>> average.follow({"a": np.ones(1)})
    >>> average.arrays["a"].round(3).tolist()
    [0.818]
    """

    def __init__(self, arrays: dict[str, np.ndarray], memory: float) -> None:
        self.arrays = {name: value.copy() for name, value in arrays.items()}
        self.memory = memory
        self.steps = 0

    def follow(self, arrays: dict[str, np.ndarray]) -> None:
        """Move toward the weights once.

        Parameters
        ----------
        arrays : dict of str to ndarray
            The weights now.
        """
        self.steps += 1
        memory = min(self.memory, (1 + self.steps) / (10 + self.steps))
        for name, value in arrays.items():
            self.arrays[name] += (1 - memory) * (value - self.arrays[name])
