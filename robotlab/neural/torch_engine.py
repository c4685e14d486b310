"""The same network, losses and steps in PyTorch, on a CPU or a GPU.

Optional: nothing else in robotlab imports PyTorch.  The tests hold it and the
NumPy engine to the same loss and gradients.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import torch
from torch.nn import functional

from robotlab.neural.engine.losses import BOX_SHARE, FOCUS, SMOOTH_BELOW
from robotlab.neural.engine.network import NORM_MOMENTUM
from robotlab.neural.engine.optimizer import ORTHOGONAL_STEP, ORTHOGONAL_STEPS, ExponentialMovingAverage
from robotlab.neural.engine.workers import core_count
from robotlab.neural.engines import DECAY, LONGEST, MEMORY, moved_as_matrix
from robotlab.neural.spec import NORM_EPSILON, NORM_PARTS, PICTURE_MEAN, PICTURE_SPREAD, Layer, learned_weights
from robotlab.neural.windows import Batch


def run_network(layers: Sequence[Layer], weights: Mapping[str, torch.Tensor], pictures: torch.Tensor) -> torch.Tensor:
    """Run a network as in training: normalized by the batch's statistics.

    Parameters
    ----------
    layers : sequence of Layer
        The network.
    weights : mapping of str to Tensor
        By name; running means and variances are moved in place.
    pictures : (N, 3, H, W) Tensor
        RGB, 0 to 255.

    Returns
    -------
    (N, C, h, w) Tensor
        What the last layer gives.
    """
    values = {"picture": (pictures - PICTURE_MEAN) / PICTURE_SPREAD}
    for layer in layers:
        inputs = [values[name] for name in layer.inputs]
        if layer.kind == "conv":
            pad = layer.dilation * (layer.kernel - 1) // 2
            kernel, bias = weights[f"{layer.name}.kernel"], weights.get(f"{layer.name}.bias")
            x = functional.conv2d(inputs[0], kernel, bias, layer.stride, pad, layer.dilation)
            if layer.norm:
                scale, shift, mean, variance = (weights[f"{layer.name}.{part}"] for part in NORM_PARTS)
                by_batch = not layer.frozen
                x = functional.batch_norm(x, mean, variance, scale, shift, by_batch, NORM_MOMENTUM, NORM_EPSILON)
            values[layer.name] = functional.relu(x) if layer.relu else x
        elif layer.kind == "upsample":
            values[layer.name] = functional.interpolate(inputs[0], scale_factor=2, mode="nearest")
        elif layer.kind == "add":
            values[layer.name] = inputs[0] + inputs[1]
        else:
            values[layer.name] = torch.cat(inputs, dim=1)
    return values[layers[-1].name]


def detection_loss(
    output: torch.Tensor,
    classes: torch.Tensor,
    weights: torch.Tensor,
    boxes: torch.Tensor,
    box_weights: torch.Tensor,
    box_share: float = BOX_SHARE,
) -> torch.Tensor:
    """The loss of :func:`robotlab.neural.engine.losses.detection_loss`.

    Parameters
    ----------
    output : (N, K + 4, h, w) Tensor
        Of the layer ``head``.
    classes, weights, boxes, box_weights : Tensor
        As there.
    box_share : float
        Weight of the box beside the class.

    Returns
    -------
    Tensor
        The loss; PyTorch works out the gradient.
    """
    log_p = functional.log_softmax(output[:, :-4], dim=1).gather(1, classes[:, None])[:, 0]
    class_part = -(weights * (1 - log_p.exp()) ** FOCUS * log_p).sum()
    inverse = torch.cat([torch.exp(-boxes[:, 2:]), torch.ones_like(boxes[:, 2:])], dim=1)
    error = ((output[:, -4:] - boxes) * inverse).abs()
    rho = torch.where(error < SMOOTH_BELOW, error**2 / (2 * SMOOTH_BELOW), error - SMOOTH_BELOW / 2)
    box_part = (box_weights[:, None] * rho).sum()
    centers = (classes > 0).sum().clamp(min=1)
    return class_part / centers + box_share * box_part / box_weights.sum().clamp(min=1)


class Muon(torch.optim.Optimizer):
    """The steps of :class:`robotlab.neural.engine.optimizer.Muon` for kernels.

    ``torch.optim.Muon`` takes matrices alone, and works them out in 16 bits.

    Parameters
    ----------
    kernels : sequence of Tensor
        What it moves; the first axis gives the rows.
    decay : float
        Weight decay.
    momentum : float
        Memory of the gradient's mean.
    """

    def __init__(self, kernels: Sequence[torch.Tensor], decay: float, momentum: float = 0.95) -> None:
        super().__init__(kernels, {"lr": 0.0, "decay": decay, "momentum": momentum})

    @torch.no_grad()
    def step(self, closure: None = None) -> None:
        """Move once."""
        a, b, c = ORTHOGONAL_STEP
        for group in self.param_groups:
            rate, momentum = group["lr"], group["momentum"]
            for kernel in group["params"]:
                if "mean" not in self.state[kernel]:
                    self.state[kernel]["mean"] = torch.zeros_like(kernel)
                mean = self.state[kernel]["mean"]
                mean.lerp_(kernel.grad, 1 - momentum)
                ahead = kernel.grad.lerp(mean, momentum).reshape(len(kernel), -1)
                tall = ahead.shape[0] > ahead.shape[1]
                x = ahead.T if tall else ahead
                x = x / (x.norm() + 1e-7)
                for _ in range(ORTHOGONAL_STEPS):
                    gram = x @ x.T
                    x = a * x + (b * gram + c * (gram @ gram)) @ x
                step = (x.T if tall else x).reshape(kernel.shape) * (0.2 * max(ahead.shape) ** 0.5)
                kernel.sub_(rate * (group["decay"] * kernel + step))


class TorchEngine:
    """The engine in PyTorch.

    Parameters
    ----------
    layers : sequence of Layer
        Features and head.
    weights : mapping of str to ndarray
        Where to start.
    device : str, optional
        ``"cpu"`` or ``"cuda"``; by default the GPU where there is one.
    dtype : torch.dtype
        ``torch.float32``, or ``torch.float64`` for checks.
    """

    name = "torch"

    def __init__(
        self,
        layers: Sequence[Layer],
        weights: Mapping[str, np.ndarray],
        device: str | None = None,
        dtype: torch.dtype = torch.float32,
    ) -> None:
        self.layers = tuple(layers)
        self.device = device or ("cuda" if torch.cuda.is_available() else "cpu")
        self.dtype = dtype
        if self.device == "cpu":
            torch.set_num_threads(core_count())
        self.weights = {name: torch.tensor(value, dtype=dtype, device=self.device) for name, value in weights.items()}
        parameters = {name: self.weights[name] for name in learned_weights(self.layers)}
        for value in parameters.values():
            value.requires_grad_(True)
        self.parameters = parameters
        self.matrices = {name for name in parameters if moved_as_matrix(name, self.layers)}
        rest = {name: value for name, value in parameters.items() if name not in self.matrices}
        last = [value for name, value in rest.items() if name.endswith(".kernel")]
        others = [value for name, value in rest.items() if not name.endswith(".kernel")]
        self.optimizers = (
            Muon([parameters[name] for name in parameters if name in self.matrices], DECAY),
            torch.optim.AdamW([{"params": last, "weight_decay": DECAY}, {"params": others, "weight_decay": 0.0}]),
        )
        self._average = ExponentialMovingAverage(self._arrays(), MEMORY)

    def _arrays(self) -> dict[str, np.ndarray]:
        return {name: value.detach().cpu().numpy() for name, value in self.weights.items()}

    def _learn(self, batch: Batch) -> torch.Tensor:
        """Work out the gradients of a batch; gives its loss."""

        def there(array: np.ndarray) -> torch.Tensor:
            moved = torch.from_numpy(array).to(self.device)
            return moved.to(self.dtype) if moved.is_floating_point() else moved

        for optimizer in self.optimizers:
            optimizer.zero_grad()
        output = run_network(self.layers, self.weights, there(batch.pictures))
        asked = (batch.classes, batch.weights, batch.boxes, batch.box_weights)
        loss = detection_loss(output, *map(there, asked))
        loss.backward()
        return loss.detach()

    def gradients(self, batch: Batch) -> tuple[float, dict[str, np.ndarray]]:
        """Loss and gradients of a batch, without a step."""
        loss = self._learn(batch)
        return float(loss), {name: value.grad.cpu().numpy() for name, value in self.parameters.items()}

    def step(self, batch: Batch, rate: float) -> float:
        """Learn from a batch; gives its loss."""
        loss = self._learn(batch)
        torch.nn.utils.clip_grad_norm_(list(self.parameters.values()), LONGEST)
        for optimizer in self.optimizers:
            for group in optimizer.param_groups:
                group["lr"] = rate
            optimizer.step()
        self._average.follow(self._arrays())
        return float(loss)

    def average(self) -> dict[str, np.ndarray]:
        """The slow average of the weights, to judge and to keep."""
        return {name: value.copy() for name, value in self._average.arrays.items()}

    def _known(self, name: str) -> dict:
        """What the optimizer of a parameter keeps of it."""
        return self.optimizers[name not in self.matrices].state[self.parameters[name]]

    def _parts(self, name: str) -> tuple[str, ...]:
        return ("mean",) if name in self.matrices else ("exp_avg", "exp_avg_sq")

    def state(self) -> dict[str, np.ndarray]:
        """Everything needed to go on later."""
        state = {f"weights/{name}": value.copy() for name, value in self._arrays().items()}
        state |= {f"average/{name}": value for name, value in self._average.arrays.items()}
        for name, value in self.parameters.items():
            known = self._known(name)
            for part in self._parts(name):
                state[f"{part}/{name}"] = known[part].cpu().numpy() if known else np.zeros(value.shape, np.float32)
        state["steps"] = np.array(self._average.steps)
        return state

    def restore(self, state: Mapping[str, np.ndarray]) -> None:
        """Go on from a state."""
        steps = int(state["steps"])
        with torch.no_grad():
            for name, value in self.weights.items():
                value.copy_(torch.as_tensor(state[f"weights/{name}"]))
                self._average.arrays[name][...] = state[f"average/{name}"]
            for name in self.parameters:
                known = self._known(name)
                for part in self._parts(name):
                    known[part] = torch.tensor(state[f"{part}/{name}"], dtype=self.dtype, device=self.device)
                if name not in self.matrices:
                    known["step"] = torch.tensor(float(steps))
        self._average.steps = steps
