"""The two engines behind one contract: NumPy, and PyTorch where it is installed.

An engine holds a network, its optimizer and the slow average of its weights.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np

from robotlab.errors import InputError, install_hint
from robotlab.neural.engine.losses import detection_loss
from robotlab.neural.engine.network import Network
from robotlab.neural.engine.optimizer import ExponentialMovingAverage, Muon, clip_gradient_norm
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.spec import Layer
from robotlab.neural.windows import Batch

# Loshchilov & Hutter (arXiv:1711.05101) use .01 to .05 times the rate's scale.
DECAY = 0.02
# Steps that the average of the weights reaches back, about 1 / (1 - memory).
MEMORY = 0.995
# Longest gradient; only the first steps of a new head exceed it.
LONGEST = 10.0


def moved_as_matrix(name: str, layers: Sequence[Layer]) -> bool:
    """Whether Muon moves this weight: kernels, but not that of the last layer.

    Parameters
    ----------
    name : str
        Of a weight.
    layers : sequence of Layer
        The network; its last layer says scores and boxes, not features.

    Returns
    -------
    bool
        False for what AdamW moves.

    Examples
    --------
    >>> layers = [Layer("a", "conv", ("picture",), 8), Layer("head", "conv", ("a",), 6, norm=False)]
    >>> [moved_as_matrix(name, layers) for name in ("a.kernel", "a.scale", "head.kernel")]
    [True, False, False]
    """
    return name.endswith(".kernel") and name != f"{layers[-1].name}.kernel"


class Engine(Protocol):
    """What fine-tuning asks of an engine."""

    name: str

    def step(self, batch: Batch, rate: float) -> float:
        """Learn from a batch; gives its loss."""
        ...

    def average(self) -> dict[str, np.ndarray]:
        """The slow average of the weights, to judge and to keep."""
        ...

    def state(self) -> dict[str, np.ndarray]:
        """Everything needed to go on later."""
        ...

    def restore(self, state: Mapping[str, np.ndarray]) -> None:
        """Go on from a state."""
        ...


class NumpyEngine:
    """The engine that needs nothing but NumPy.

    Parameters
    ----------
    layers : sequence of Layer
        Features and head.
    weights : mapping of str to ndarray
        Where to start.
    pool : WorkerPool
        Who does the work.
    dtype : type
        ``np.float32``, or ``np.float64`` for checks.
    """

    name = "numpy"

    def __init__(
        self, layers: Sequence[Layer], weights: Mapping[str, np.ndarray], pool: WorkerPool, dtype: type = np.float32
    ) -> None:
        self.network = Network(layers, weights, pool, dtype)
        learned = self.network.gradients
        decayed = np.concatenate([np.full(value.size, name.endswith(".kernel")) for name, value in learned.items()])
        ends = np.cumsum([value.size for value in learned.values()])
        matrices = [
            (slice(end - value.size, end), len(value))
            for end, (name, value) in zip(ends.tolist(), learned.items(), strict=True)
            if moved_as_matrix(name, self.network.layers)
        ]
        # The largest first, so that no worker is left with it at the end.
        matrices.sort(key=lambda one: one[0].start - one[0].stop)
        self.optimizer = Muon(self.network.parameters, matrices, DECAY, decayed, each=pool.each)
        self._average = ExponentialMovingAverage(self.network.weights, MEMORY)

    def gradients(self, batch: Batch) -> tuple[float, dict[str, np.ndarray]]:
        """Loss and gradients of a batch, without a step.

        Parameters
        ----------
        batch : Batch
            What to learn from.

        Returns
        -------
        loss : float
            Of the batch.
        gradients : dict of str to ndarray
            By name.
        """
        output = self.network.forward(batch.pictures)
        loss, gradient = detection_loss(output, batch.classes, batch.weights, batch.boxes, batch.box_weights)
        self.network.backward(gradient)
        return loss, self.network.gradients

    def step(self, batch: Batch, rate: float) -> float:
        """Learn from a batch; gives its loss."""
        loss, _ = self.gradients(batch)
        clip_gradient_norm(self.network.gradient, LONGEST)
        self.optimizer(self.network.gradient, rate)
        self._average.follow(self.network.weights)
        return loss

    def average(self) -> dict[str, np.ndarray]:
        """The slow average of the weights, to judge and to keep."""
        return {name: value.copy() for name, value in self._average.arrays.items()}

    def state(self) -> dict[str, np.ndarray]:
        """Everything needed to go on later."""
        return {
            **{f"weights/{name}": value for name, value in self.network.weights.items()},
            **{f"average/{name}": value for name, value in self._average.arrays.items()},
            "optimizer/mean": self.optimizer.mean,
            "optimizer/rest mean": self.optimizer.rest.mean,
            "optimizer/rest square": self.optimizer.rest.square,
            "steps": np.array(self.optimizer.rest.steps),
        }

    def restore(self, state: Mapping[str, np.ndarray]) -> None:
        """Go on from a state."""
        for name, value in self.network.weights.items():
            value[...] = state[f"weights/{name}"]
            self._average.arrays[name][...] = state[f"average/{name}"]
        self.optimizer.mean[...] = state["optimizer/mean"]
        self.optimizer.rest.mean[...] = state["optimizer/rest mean"]
        self.optimizer.rest.square[...] = state["optimizer/rest square"]
        self.optimizer.rest.steps = self._average.steps = int(state["steps"])


def torch_is_there() -> bool:
    """Whether PyTorch is installed; it is not imported.

    Returns
    -------
    bool
        True where ``import torch`` would be tried.

    Examples
    --------
    >>> torch_is_there() in (True, False)
    True
    """
    return importlib.util.find_spec("torch") is not None


def choose_engine(name: str) -> str:
    """The engine to use.

    Parameters
    ----------
    name : {"auto", "numpy", "torch"}
        What was asked for.

    Returns
    -------
    {"numpy", "torch"}
        ``auto`` is PyTorch where it is installed.

    Raises
    ------
    InputError
        If PyTorch is asked for and not installed.

    Examples
    --------
    >>> choose_engine("numpy")
    'numpy'
    """
    if name == "auto":
        return "torch" if torch_is_there() else "numpy"
    if name == "torch" and not torch_is_there():
        raise InputError(
            f"engine torch needs PyTorch, it is not installed; use engine numpy, or {install_hint('torch')}"
        )
    return name
