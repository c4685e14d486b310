"""The optimizers, AdamW and Muon; one-cycle learning rate, gradient clipping, averaged weights."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np


class AdamW:
    """AdamW: Adam with weight decay decoupled from the gradient.

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


# Coefficients of the polynomial that :func:`orthogonalize` applies to the singular values
# (Jordan, "Muon: an optimizer for hidden layers in neural networks", 2024).
ORTHOGONAL_STEP = (3.4445, -4.7750, 2.0315)
ORTHOGONAL_STEPS = 5


def orthogonalize(matrix: np.ndarray) -> np.ndarray:
    """About the nearest matrix whose singular values are all 1.

    Parameters
    ----------
    matrix : (R, C) ndarray
        Any but zeros alone.

    Returns
    -------
    (R, C) ndarray
        With ``matrix = U S V^T``: about ``U V^T``, singular values from .68 to
        1.15 where those of the scaled matrix are above .005.

    Notes
    -----
    Newton-Schulz iteration: the matrix is scaled to Frobenius norm 1, then ``X =
    a X + (b A + c A^2) X`` with ``A = X X^T`` is applied five times.  That moves
    each singular value s to ``a s + b s^3 + c s^5`` and leaves U and V alone.
    The factors ``F = a I + b A + c A^2`` need nothing but A, which each turns into
    ``F A F``; so X, several times as wide as high, is multiplied once, by the product of all five.

    Examples
    --------
    >>> np.linalg.svd(orthogonalize(np.array([[3.0, 0, 0], [0, 0.5, 0]])))[1].round(1).tolist()
    [1.0, 0.7]
    """
    x = matrix.T if matrix.shape[0] > matrix.shape[1] else matrix
    x = x / (np.sqrt((x * x).sum()) + 1e-7)
    a, b, c = (x.dtype.type(value) for value in ORTHOGONAL_STEP)
    gram = x @ x.T
    diagonal = a * np.eye(len(x), dtype=x.dtype)
    product = factor = diagonal + b * gram + c * (gram @ gram)
    for _ in range(ORTHOGONAL_STEPS - 1):
        gram = factor @ gram @ factor
        factor = diagonal + b * gram + c * (gram @ gram)
        product = factor @ product
    x = product @ x
    return x.T if matrix.shape[0] > matrix.shape[1] else x


class Muon:
    """Steps of the same size in every direction of a kernel; AdamW for the other parameters.

    Parameters
    ----------
    parameters : (P,) ndarray
        The numbers to move, in place.
    matrices : sequence of (slice, int)
        Where each kernel lies among them, and its number of rows (channels out).
    decay : float
        Weight decay.
    decayed : (P,) ndarray of bool
        Which numbers decay.
    momentum : float
        Memory of the gradient's mean.
    each : callable
        ``each(work, count)`` calls ``work(n, worker)`` for every n; a
        :class:`~robotlab.neural.engine.workers.WorkerPool` has one.

    Notes
    -----
    Jordan, 2024 (kellerjordan.github.io/posts/muon), scaled so that a step is about
    as long as one of AdamW's (Liu et al., arXiv:2502.16982).  With g the gradient of
    a kernel written as a matrix of R rows and C columns:

        m = momentum m + (1 - momentum) g
        u = momentum m + (1 - momentum) g
        w = w - rate decay w - rate 0.2 sqrt(max(R, C)) orthogonalize(u)

    Examples
    --------
    >>> w = np.zeros(4)
    >>> step = Muon(w, [(slice(0, 4), 2)], 0.0, np.ones(4, bool))
    >>> step(np.array([3.0, 0.0, 0.0, 3.0]), rate=1.0)
    >>> bool(w[0] == w[3] < -0.15), w[1:3].round(6).tolist()
    (True, [0.0, 0.0])
    """

    def __init__(
        self,
        parameters: np.ndarray,
        matrices: Sequence[tuple[slice, int]],
        decay: float,
        decayed: np.ndarray,
        momentum: float = 0.95,
        each: Callable[[Callable[[int, int], object], int], None] | None = None,
    ) -> None:
        self.parameters, self.matrices, self.momentum = parameters, list(matrices), momentum
        self.decay = decay * decayed.astype(parameters.dtype)
        self.mean = np.zeros_like(parameters)
        mine = np.zeros(len(parameters), bool)
        for span, _ in self.matrices:
            mine[span] = True
        self.others = np.flatnonzero(~mine)
        self.rest = AdamW(parameters[self.others], decay, decayed[self.others])
        self.each = each or _one_by_one

    def __call__(self, gradient: np.ndarray, rate: float) -> None:
        """Move once.

        Parameters
        ----------
        gradient : (P,) ndarray
            Of the loss.
        rate : float
            Learning rate.
        """
        self.mean += (1 - self.momentum) * (gradient - self.mean)

        def move(n: int, worker: int) -> None:
            span, rows = self.matrices[n]
            ahead = self.momentum * self.mean[span] + (1 - self.momentum) * gradient[span]
            step = orthogonalize(ahead.reshape(rows, -1))
            length = 0.2 * max(step.shape) ** 0.5
            self.parameters[span] -= rate * (self.decay[span] * self.parameters[span] + length * step.ravel())

        self.each(move, len(self.matrices))
        self.rest.parameters[...] = self.parameters[self.others]
        self.rest(gradient[self.others], rate)
        self.parameters[self.others] = self.rest.parameters


def _one_by_one(work: Callable[[int, int], object], count: int) -> None:
    """Call it for each in turn."""
    for n in range(count):
        work(n, 0)


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
    """Gradient clipping: shorten a gradient that is too long, in place.

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
    """Exponential moving average (EMA) of the weights, which detects better than the last weights do.

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
