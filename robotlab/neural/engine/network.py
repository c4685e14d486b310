"""All layers of a network, forwards and backwards, for a batch of pictures.

Forwards, every layer keeps what it gave.  Backwards, the layers run in reverse:
each is handed the gradient of the loss with respect to what it gave, works out
the gradients of its weights, and hands each of its inputs a gradient in turn
(the chain rule: Rumelhart, Hinton & Williams, Nature 323:533-536, 1986).

Batch normalization (Ioffe & Szegedy, ICML 2015, arXiv:1502.03167) brings every
channel to mean 0 and variance 1 over the batch, then scales and shifts it:

    y = scale (x - mean) / sqrt(variance + epsilon) + shift
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from robotlab.neural.engine.layers import Scratch, convolve, convolve_backward, output_size
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.spec import NORM_EPSILON, PICTURE_MEAN, PICTURE_SPREAD, Layer, weight_shapes

# Fraction of the batch's statistics in the running ones, a step: PyTorch's default,
# so that both engines agree.
NORM_MOMENTUM = 0.1


class Network:
    """A network that can learn.

    Parameters
    ----------
    layers : iterable of Layer
        The network; the last layer is its output.
    weights : mapping of str to ndarray
        Where to start, as in :func:`~robotlab.neural.spec.weight_shapes`.
    pool : WorkerPool
        Who does the work.
    dtype : type
        ``np.float32``, or ``np.float64`` to check gradients.

    Attributes
    ----------
    parameters, gradient : (P,) ndarray
        All parameters in one row, and the loss's gradient for each;
        ``weights[name]`` and ``gradients[name]`` are views into them.
    weights, gradients : dict of str to ndarray
        By name.  Running means and variances are weights that have no gradient.

    Examples
    --------
    >>> from robotlab.neural.spec import FEATURES, first_weights
    >>> network = Network(FEATURES, first_weights(FEATURES), WorkerPool(1))
    >>> network.forward(np.zeros((1, 3, 32, 32), np.float32)).shape[2:]
    (8, 8)
    """

    def __init__(
        self, layers: Iterable[Layer], weights: Mapping[str, np.ndarray], pool: WorkerPool, dtype: type = np.float32
    ) -> None:
        self.layers = tuple(layers)
        self.pool = pool
        self.dtype = dtype
        shapes = weight_shapes(self.layers)
        kept = {name for name in shapes if name.endswith((".mean", ".variance"))}
        total = sum(int(np.prod(shape)) for name, shape in shapes.items() if name not in kept)
        self.parameters: np.ndarray = np.empty(total, dtype)
        self.gradient: np.ndarray = np.zeros(total, dtype)
        self.weights: dict[str, np.ndarray] = {}
        self.gradients: dict[str, np.ndarray] = {}
        place = 0
        for name, shape in shapes.items():
            if name in kept:
                self.weights[name] = np.array(weights[name], dtype)
                continue
            span = slice(place, place + int(np.prod(shape)))
            self.weights[name] = self.parameters[span].reshape(shape)
            self.gradients[name] = self.gradient[span].reshape(shape)
            self.weights[name][...] = weights[name]
            place = span.stop
        self._room = Scratch(dtype)
        self._scratch = [Scratch(dtype) for _ in range(pool.workers)]
        self._values: dict[str, np.ndarray] = {}
        self._spread: dict[str, np.ndarray] = {}

    def forward(self, pictures: np.ndarray, training: bool = True) -> np.ndarray:
        """Run the network.

        Parameters
        ----------
        pictures : (N, 3, H, W) ndarray
            RGB, 0 to 255; H and W multiples of 16.
        training : bool
            Normalize by the batch's statistics and move the running ones; or
            normalize by the running ones.

        Returns
        -------
        (N, C, h, w) ndarray
            What the last layer gives; overwritten by the next call.
        """
        self._values = {
            "picture": (np.asarray(pictures, self.dtype) - self.dtype(PICTURE_MEAN)) / self.dtype(PICTURE_SPREAD)
        }
        for layer in self.layers:
            inputs = [self._values[name] for name in layer.inputs]
            if layer.kind == "conv":
                self._values[layer.name] = self._conv(layer, inputs[0], training)
            elif layer.kind == "double":
                self._values[layer.name] = inputs[0].repeat(2, axis=2).repeat(2, axis=3)
            elif layer.kind == "add":
                self._values[layer.name] = inputs[0] + inputs[1]
            else:
                self._values[layer.name] = np.concatenate(inputs, axis=1)
        return self._values[self.layers[-1].name]

    def _conv(self, layer: Layer, x: np.ndarray, training: bool) -> np.ndarray:
        """Convolution, then bias or normalization, then ReLU."""
        count, name = len(x), layer.name
        shape = (count, layer.channels, *output_size(layer, *x.shape[2:]))
        plain = self._room.array(f"{name} plain", shape)
        sums = np.zeros((2, count, layer.channels))
        kernel = self.weights[f"{name}.kernel"]
        batch_norm = layer.norm and training

        def convolve_one(n: int, worker: int) -> None:
            convolve(x[n], kernel, layer, plain[n], self._scratch[worker])
            if batch_norm:
                flat = plain[n].reshape(layer.channels, -1)
                sums[0, n] = flat.mean(axis=1)
                sums[1, n] = np.vecdot(flat, flat) / flat.shape[1]

        self.pool.each(convolve_one, count)
        if layer.norm:
            gain, offset = self._norm(layer, sums.mean(axis=1), shape, training)
        else:
            gain, offset = None, self.weights[f"{name}.bias"]
        out = self._room.array(f"{name} out", shape)

        def finish_one(n: int, worker: int) -> None:
            source = plain[n]
            if gain is not None:
                source = np.multiply(source, gain[:, None, None], out=out[n])
            np.add(source, offset[:, None, None], out=out[n])
            if layer.relu:
                np.maximum(out[n], 0, out=out[n])

        self.pool.each(finish_one, count)
        return out

    def _norm(
        self, layer: Layer, moments: np.ndarray, shape: tuple[int, ...], training: bool
    ) -> tuple[np.ndarray, np.ndarray]:
        """Normalization as ``y = gain x + offset``.

        `moments` are the means of x and of x squared over the batch.
        """
        name = layer.name
        if training:
            mean = moments[0]
            variance = np.maximum(moments[1] - mean**2, 0)
            number = shape[0] * shape[2] * shape[3]
            # The running variance is the unbiased one, as in the paper's algorithm 2.
            for part, value in (("mean", mean), ("variance", variance * number / max(number - 1, 1))):
                running = self.weights[f"{name}.{part}"]
                running += NORM_MOMENTUM * (value - running)
        else:
            mean, variance = self.weights[f"{name}.mean"], self.weights[f"{name}.variance"]
        spread = np.sqrt(variance + NORM_EPSILON)
        gain = self.weights[f"{name}.scale"] / spread
        offset = self.weights[f"{name}.shift"] - mean * gain
        self._spread[name] = np.stack([mean, spread])
        return gain.astype(self.dtype), offset.astype(self.dtype)

    def backward(self, gradient: np.ndarray) -> None:
        """Work out the gradient of every parameter.

        Parameters
        ----------
        gradient : (N, C, h, w) ndarray
            Of the loss with respect to what :meth:`forward` gave with
            ``training=True``.

        Notes
        -----
        Afterwards :attr:`gradient` and :attr:`gradients` hold the result.
        """
        # The last layer's own array may be written to.
        waiting: dict[str, np.ndarray] = {self.layers[-1].name: np.array(gradient, self.dtype)}
        for layer in reversed(self.layers):
            mine = waiting.pop(layer.name, None)
            if mine is None:
                continue
            for name, part in self._back(layer, mine):
                if name == "picture":
                    continue
                if name in waiting:
                    waiting[name] += part
                else:
                    waiting[name] = part

    def _back(self, layer: Layer, gradient: np.ndarray) -> list[tuple[str, np.ndarray | None]]:
        """What a layer hands to each of its inputs."""
        if layer.kind == "conv":
            return [(layer.inputs[0], self._conv_back(layer, gradient, layer.inputs[0] != "picture"))]
        if layer.kind == "double":
            # Each pixel was written four times, so four gradients come back to it: their sum.
            count, channels, height, width = gradient.shape
            blocks = gradient.reshape(count, channels, height // 2, 2, width // 2, 2)
            rows = blocks[:, :, :, 0] + blocks[:, :, :, 1]
            return [(layer.inputs[0], rows[..., 0] + rows[..., 1])]
        if layer.kind == "add":
            # A sum changes as much as either of its parts.  Each gets its own copy, for it may be added to.
            return [(layer.inputs[0], gradient), (layer.inputs[1], gradient.copy())]
        # Side by side forwards, taken apart backwards.
        ends = np.cumsum([self._values[name].shape[1] for name in layer.inputs])
        parts = np.split(gradient, ends[:-1], axis=1)
        return [(name, np.ascontiguousarray(part)) for name, part in zip(layer.inputs, parts, strict=True)]

    def _conv_back(self, layer: Layer, gradient: np.ndarray, wanted: bool) -> np.ndarray | None:
        """Back through ReLU, normalization and convolution; `gradient` is overwritten."""
        name, count = layer.name, len(gradient)
        x, out = self._values[layer.inputs[0]], self._values[name]
        plain = self._room.array(f"{name} plain", gradient.shape)
        sums = np.zeros((2, count, layer.channels))

        def through_relu(n: int, worker: int) -> None:
            mine = gradient[n].reshape(layer.channels, -1)
            # Where ReLU gave 0, a little more or less before it changes nothing.
            if layer.relu:
                mine *= out[n].reshape(mine.shape) > 0
            sums[0, n] = mine.sum(axis=1)
            if layer.norm:
                sums[1, n] = np.vecdot(mine, plain[n].reshape(mine.shape))

        self.pool.each(through_relu, count)
        total, with_x = sums.sum(axis=1)
        if layer.norm:
            mean, spread = self._spread[name]
            # With x^ = (x - mean) / spread and y = scale x^ + shift: d scale = sum of
            # g x^ and d shift = sum of g.  A pixel also moves its channel's mean and
            # spread, and through them all others, which takes two means off:
            #     d x = scale / spread (g - mean of g - x^ mean of (g x^)).
            # That is linear in g and x, so three numbers a channel do it: d x = gain g + slope x + level.
            d_scale = (with_x - mean * total) / spread
            self.gradients[f"{name}.scale"][...] = d_scale
            self.gradients[f"{name}.shift"][...] = total
            number = count * gradient.shape[2] * gradient.shape[3]
            gain = self.weights[f"{name}.scale"] / spread
            slope = -gain * d_scale / (number * spread)
            level = -gain * total / number - slope * mean
            gain, slope, level = (value.astype(self.dtype)[:, None, None] for value in (gain, slope, level))
        else:
            self.gradients[f"{name}.bias"][...] = total
        kernel = self.weights[f"{name}.kernel"]
        kernel_gradients = self._room.array("kernel gradients", (count, *kernel.shape))
        x_gradient: np.ndarray | None = np.zeros(x.shape, self.dtype) if wanted else None

        def through_conv(n: int, worker: int) -> None:
            mine, scratch = gradient[n], self._scratch[worker]
            if layer.norm:
                mine *= gain
                other = np.multiply(plain[n], slope, out=scratch.array("other", mine.shape))
                other += level
                mine += other
            back = None if x_gradient is None else x_gradient[n]
            convolve_backward(x[n], kernel, layer, mine, kernel_gradients[n], back, scratch)

        self.pool.each(through_conv, count)
        kernel_gradients.sum(axis=0, out=self.gradients[f"{name}.kernel"])
        return x_gradient


def parameter_count(layers: Iterable[Layer]) -> int:
    """How many numbers a network learns.

    Parameters
    ----------
    layers : iterable of Layer
        A network.

    Returns
    -------
    int
        Running means and variances are not counted.

    Examples
    --------
    >>> parameter_count([Layer("a", "conv", ("picture",), 8)])
    232
    """
    shapes = weight_shapes(tuple(layers))
    return sum(int(np.prod(shape)) for name, shape in shapes.items() if not name.endswith((".mean", ".variance")))
