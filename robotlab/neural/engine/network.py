"""All layers of a network, forward and backward, for a batch of pictures.

Forward, every layer keeps what it gave.  Backward, the layers run in reverse:
each is handed the gradient of the loss with respect to what it gave, works out
the gradients of its weights, and hands each of its inputs a gradient in turn
(the chain rule: Rumelhart, Hinton & Williams, Nature 323:533-536, 1986).

Batch normalization (Ioffe & Szegedy, ICML 2015, arXiv:1502.03167) brings every
channel to mean 0 and variance 1 over the batch, then scales and shifts it:

    y = scale (x - mean) / sqrt(variance + epsilon) + shift
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from robotlab.neural.engine.layers import (
    backward_both,
    backward_kernel,
    backward_matrix,
    backward_picture,
    convolve,
    output_size,
    turned_kernel,
)
from robotlab.neural.engine.scratch import Scratch
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.spec import NORM_EPSILON, PICTURE_MEAN, PICTURE_SPREAD, Layer, learned_weights, weight_shapes

# Fraction of the batch's statistics in the running ones, a step: PyTorch's default,
# so that both engines agree.
NORM_MOMENTUM = 0.1
# What goes channel by channel is shared out in blocks of about as much as a core's second-level cache holds, or less:
# larger ones leave it, and smaller ones are more calls, in which the threads wait for Python's lock.
BLOCK_BYTES = 6 * 10**5


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
        By name.  Running means and variances, and all of a frozen layer, are weights that have no gradient.

    Examples
    --------
    >>> from robotlab.neural.spec import BACKBONE, first_weights
    >>> network = Network(BACKBONE, first_weights(BACKBONE), WorkerPool(1))
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
        learned = learned_weights(self.layers)
        total = sum(int(np.prod(shapes[name])) for name in learned)
        self.parameters: np.ndarray = np.empty(total, dtype)
        self.gradient: np.ndarray = np.zeros(total, dtype)
        self.weights: dict[str, np.ndarray] = {}
        self.gradients: dict[str, np.ndarray] = {}
        place = 0
        for name, shape in shapes.items():
            if name not in learned:
                self.weights[name] = np.array(weights[name], dtype)
                continue
            span = slice(place, place + int(np.prod(shape)))
            self.weights[name] = self.parameters[span].reshape(shape)
            self.gradients[name] = self.gradient[span].reshape(shape)
            self.weights[name][...] = weights[name]
            place = span.stop
        # What needs no gradient: the picture, and what frozen layers give.
        self._ends = {"picture", *(layer.name for layer in self.layers if layer.frozen)}
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
        picture = self._room.array("picture", pictures.shape)

        def standardize(n: int, worker: int) -> None:
            np.subtract(pictures[n], self.dtype(PICTURE_MEAN), out=picture[n])
            picture[n] /= self.dtype(PICTURE_SPREAD)

        self.pool.each(standardize, len(pictures))
        self._values = {"picture": picture}
        for layer in self.layers:
            inputs = [self._values[name] for name in layer.inputs]
            conv = layer.kind == "conv"
            self._values[layer.name] = self._conv(layer, inputs[0], training) if conv else self._join(layer, inputs)
        return self._values[self.layers[-1].name]

    def _join(self, layer: Layer, inputs: list[np.ndarray]) -> np.ndarray:
        """What a layer without weights gives."""
        count, _, height, width = inputs[0].shape
        if layer.kind == "upsample":
            height, width = 2 * height, 2 * width
        out = self._room.array(f"{layer.name} out", (count, layer.channels, height, width))

        def join_one(n: int, worker: int) -> None:
            if layer.kind == "upsample":
                for row, column in np.ndindex(2, 2):
                    out[n, :, row::2, column::2] = inputs[0][n]
            elif layer.kind == "add":
                np.add(inputs[0][n], inputs[1][n], out=out[n])
            else:
                np.concatenate([part[n] for part in inputs], out=out[n])

        self.pool.each(join_one, count)
        return out

    def _conv(self, layer: Layer, x: np.ndarray, training: bool) -> np.ndarray:
        """Convolution, then bias or normalization, then ReLU."""
        count, name = len(x), layer.name
        shape = (count, layer.channels, *output_size(layer, *x.shape[2:]))
        plain = self._room.array(f"{name} plain", shape)
        kernel = self.weights[f"{name}.kernel"]
        batch_norm = layer.norm and training and not layer.frozen
        bands, blocks = _shares(count, shape[2]), _blocks(shape)
        sums = np.zeros((2, len(bands), layer.channels))

        def convolve_band(share: int, worker: int) -> None:
            n, rows = bands[share]
            convolve(x[n], kernel, layer, plain[n], self._scratch[worker], rows)
            if batch_norm:
                flat = plain[n, :, rows].reshape(layer.channels, -1)
                sums[0, share] = flat @ self._filled((flat.shape[1],), 1, worker)
                sums[1, share] = np.vecdot(flat, flat)

        self.pool.each(convolve_band, len(bands))
        if layer.norm:
            gain, offset = self._norm(layer, sums.sum(axis=1) / (count * shape[2] * shape[3]), shape, batch_norm)
        else:
            gain, offset = None, self.weights[f"{name}.bias"]
        out = self._room.array(f"{name} out", shape)

        def finish_block(share: int, worker: int) -> None:
            block = blocks[share]
            source, mine = plain[:, block], out[:, block]
            if gain is not None:
                source = np.multiply(source, gain[block, None, None], out=mine)
            np.add(source, offset[block, None, None], out=mine)
            if layer.relu:
                # With an array NumPy takes a quarter of the time that it takes with a number.
                np.maximum(mine, self._filled(mine.shape[1:], 0, worker), out=mine)

        self.pool.each(finish_block, len(blocks))
        return out

    def _filled(self, shape: tuple[int, ...], value: float, worker: int) -> np.ndarray:
        """An array of one number, made once for each shape and worker."""
        return self._scratch[worker].kept((shape, value), lambda: np.full(shape, value, self.dtype))

    def _norm(
        self, layer: Layer, moments: np.ndarray, shape: tuple[int, ...], by_batch: bool
    ) -> tuple[np.ndarray, np.ndarray]:
        """Normalization as ``y = gain x + offset``.

        `moments` are the means of x and of x squared over the batch; without `by_batch` the running statistics do it.
        """
        name = layer.name
        if by_batch:
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
        Afterward :attr:`gradient` and :attr:`gradients` hold the result.
        """
        # The last layer's own array may be written to.
        waiting: dict[str, np.ndarray] = {self.layers[-1].name: np.array(gradient, self.dtype)}
        for layer in reversed(self.layers):
            mine = waiting.pop(layer.name, None)
            if mine is None or layer.name in self._ends:
                continue
            for name, part in self._back(layer, mine):
                if name in waiting:
                    waiting[name] += part
                else:
                    waiting[name] = part

    def _back(self, layer: Layer, gradient: np.ndarray) -> list[tuple[str, np.ndarray]]:
        """What a layer hands to each of its inputs; each may be written to."""
        if layer.kind == "conv":
            return self._conv_back(layer, gradient)
        if layer.kind == "concat":
            # Side by side forward, taken apart backward.
            ends = np.cumsum([self._values[name].shape[1] for name in layer.inputs])
            return list(zip(layer.inputs, np.split(gradient, ends[:-1], axis=1), strict=True))
        back = self._room.array(f"{layer.name} back", self._values[layer.inputs[0]].shape)

        def back_one(n: int, worker: int) -> None:
            if layer.kind == "add":
                back[n] = gradient[n]
                return
            # Each pixel was written four times, so four gradients come back to it: their sum.
            pairs = gradient[n, :, 0::2] + gradient[n, :, 1::2]
            np.add(pairs[:, :, 0::2], pairs[:, :, 1::2], out=back[n])

        self.pool.each(back_one, len(gradient))
        if layer.kind == "add":
            # A sum changes as much as either of its parts.
            return [(layer.inputs[0], gradient), (layer.inputs[1], back)]
        return [(layer.inputs[0], back)]

    def _conv_back(self, layer: Layer, gradient: np.ndarray) -> list[tuple[str, np.ndarray]]:
        """Back through ReLU, normalization and convolution; `gradient` is overwritten."""
        name, count = layer.name, len(gradient)
        x, out = self._values[layer.inputs[0]], self._values[name]
        plain = self._room.array(f"{name} plain", gradient.shape)
        blocks, bands = _blocks(gradient.shape), _shares(count, x.shape[2])
        total, with_x = np.zeros((2, layer.channels))

        def through_relu(share: int, worker: int) -> None:
            block = blocks[share]
            mine = gradient[:, block]
            # Where ReLU gave 0, a little more or less before it changes nothing.
            if layer.relu:
                mine *= out[:, block] > 0
            flat = mine.reshape(*mine.shape[:2], -1)
            total[block] = (flat @ self._filled((flat.shape[2],), 1, worker)).sum(axis=0)
            if layer.norm:
                with_x[block] = np.vecdot(flat, plain[:, block].reshape(flat.shape)).sum(axis=0)

        self.pool.each(through_relu, len(blocks))
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

            def through_norm(share: int, worker: int) -> None:
                block = blocks[share]
                mine = gradient[:, block]
                mine *= gain[block]
                other = np.multiply(plain[:, block], slope[block], out=self._scratch[worker].array("other", mine.shape))
                other += level[block]
                mine += other

            self.pool.each(through_norm, len(blocks))
        else:
            self.gradients[f"{name}.bias"][...] = total
        kernel = self.weights[f"{name}.kernel"]
        first = layer.inputs[0] in self._ends
        back = gradient if first else self._room.array(f"{name} back", x.shape)
        matrix = backward_matrix(kernel, layer)
        if layer.stride == 1 and not first:
            parts = self._room.array("kernel gradients", (len(bands), kernel[:, 0].size, kernel.shape[1]))

            def through_conv(share: int, worker: int) -> None:
                n, rows = bands[share]
                scratch = self._scratch[worker]
                backward_both(matrix, layer, x[n], gradient[n], back[n], parts[share], scratch, rows)

            self.pool.each(through_conv, len(bands))
            self.gradients[f"{name}.kernel"][...] = turned_kernel(parts.sum(axis=0), kernel.shape)
        else:
            parts = self._room.array("kernel gradients", (count, kernel[0].size, len(kernel)))

            def through_strided(share: int, worker: int) -> None:
                # The larger shares first, so that no worker is left with one at the end.
                if share < count:
                    backward_kernel(x[share], layer, gradient[share], parts[share], self._scratch[worker])
                else:
                    n, rows = bands[share - count]
                    backward_picture(matrix, layer, gradient[n], back[n], self._scratch[worker], rows)

            self.pool.each(through_strided, count + (0 if first else len(bands)))
            self.gradients[f"{name}.kernel"][...] = parts.sum(axis=0).T.reshape(kernel.shape)
        return [] if first else [(layer.inputs[0], back)]


def _shares(count: int, size: int) -> list[tuple[int, slice]]:
    """Pictures and their rows, one for each share of the work; the same whoever does it.

    The last of an odd number is halved: of five whole ones on two cores, one core would wait for a sixth of the time.
    """
    halved = count % 2 if size > 1 else 0
    whole = [(n, slice(0, size)) for n in range(count - halved)]
    return whole + [(count - 1, rows) for rows in (slice(0, size // 2), slice(size // 2, size))] * halved


def _blocks(shape: tuple[int, ...]) -> list[slice]:
    """Parts of the channels of all pictures, one for each share of the work: a multiple of four where there are enough."""
    parts = min(shape[1], 4 * max(1, round(math.prod(shape) * 4 / BLOCK_BYTES / 4)))
    return [slice(part * shape[1] // parts, (part + 1) * shape[1] // parts) for part in range(parts)]


def parameter_count(layers: Iterable[Layer]) -> int:
    """How many numbers a network learns.

    Parameters
    ----------
    layers : iterable of Layer
        A network.

    Returns
    -------
    int
        Running means and variances are not counted; what is frozen is.

    Examples
    --------
    >>> parameter_count([Layer("a", "conv", ("picture",), 8)])
    232
    """
    shapes = weight_shapes(tuple(layers))
    return sum(int(np.prod(shape)) for name, shape in shapes.items() if not name.endswith((".mean", ".variance")))
