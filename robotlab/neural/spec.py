"""The network, written once as data; every engine reads this list.

A :class:`Layer` names its inputs, so the list is a graph in running order.
Four kinds are enough:

``conv``    convolution, then batch normalization, then ReLU (each can be off)
``double``  twice as wide and high, each pixel repeated (nearest neighbor)
``add``     sum of its inputs
``concat``  its inputs side by side, along the channels

Padding is always "same": ``dilation * (kernel - 1) // 2`` zeros on each side.
The input is ``(N, 3, H, W)``, RGB from 0 to 255, H and W multiples of
:data:`STRIDE_MULTIPLE`; it is called ``picture`` in the list of inputs, and its
first layer sees ``(picture - PICTURE_MEAN) / PICTURE_SPREAD``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

# Middle and about a quarter of the range of a byte: keeps inputs near -2 to 2.
PICTURE_MEAN = 127.5
PICTURE_SPREAD = 64.0

# PyTorch's default for batch normalization, so that both engines agree.
NORM_EPSILON = 1e-5
# The numbers of a normalization, one of each for a channel.
NORM_PARTS = ("scale", "shift", "mean", "variance")


@dataclass(frozen=True)
class Layer:
    """One step of the network.

    Parameters
    ----------
    name : str
        Unique; also the name of what it gives.
    kind : {"conv", "upsample", "add", "concat"}
        What it does.
    inputs : tuple of str
        Names of earlier layers, or ``"picture"``.
    channels : int
        Channels out.
    kernel, stride, dilation : int
        Of a ``conv``.
    norm : bool
        Batch normalization after a ``conv`` (which then has no bias of its own).
    relu : bool
        ReLU at the end of a ``conv``.
    frozen : bool
        Training leaves the weights and the normalization's running statistics as they are, and normalizes by
        these.  What a frozen layer takes in must be the picture or come from frozen layers.
    """

    name: str
    kind: str
    inputs: tuple[str, ...]
    channels: int
    kernel: int = 3
    stride: int = 1
    dilation: int = 1
    norm: bool = True
    relu: bool = True
    frozen: bool = False


# The shipped feature network: stride 4, three levels merged top-down.  Half the work sits at stride 4 and less
# than a tenth of it at stride 16, so depth and reach (c9 and c10 are dilated; the receptive field of a cell there is 255 px) are
# bought where they are cheap, and only c1 runs at stride 2.
BACKBONE: tuple[Layer, ...] = (
    Layer("c1", "conv", ("picture",), 16, stride=2),
    Layer("c2", "conv", ("c1",), 32, stride=2),
    Layer("c3", "conv", ("c2",), 32),
    Layer("a", "conv", ("c3",), 32),
    Layer("c5", "conv", ("a",), 64, stride=2),
    Layer("b", "conv", ("c5",), 64),
    Layer("c7", "conv", ("b",), 96, stride=2),
    Layer("c8", "conv", ("c7",), 96),
    Layer("c9", "conv", ("c8",), 96, dilation=2),
    Layer("c10", "conv", ("c9",), 96, dilation=3),
    Layer("c11", "add", ("c10", "c8"), 96),
    Layer("d1", "conv", ("c11",), 64, kernel=1),
    Layer("d2", "upsample", ("d1",), 64),
    Layer("d3", "add", ("d2", "b"), 64),
    Layer("d4", "conv", ("d3",), 64),
    Layer("e1", "conv", ("d4",), 48, kernel=1),
    Layer("e2", "upsample", ("e1",), 48),
    Layer("e3", "conv", ("a",), 48, kernel=1),
    Layer("e4", "add", ("e2", "e3"), 48),
    Layer("f1", "conv", ("e4",), 48),
    Layer("f2", "conv", ("f1",), 48),
    Layer("features", "concat", ("f2", "e4"), 96),
)
# Of BACKBONE: px between its cells, and px that the input's sides must be multiples of.
FEATURE_STRIDE = 4
STRIDE_MULTIPLE = 16


def channels_of(layers: Iterable[Layer]) -> dict[str, int]:
    """Channels of every layer and of the picture.

    Parameters
    ----------
    layers : iterable of Layer
        A network.

    Returns
    -------
    dict of str to int
        By layer name.

    Examples
    --------
    >>> channels_of(BACKBONE)["features"]
    96
    """
    return {"picture": 3, **{layer.name: layer.channels for layer in layers}}


def weight_shapes(layers: Iterable[Layer]) -> dict[str, tuple[int, ...]]:
    """Name and shape of every number the network learns or keeps.

    Parameters
    ----------
    layers : iterable of Layer
        A network.

    Returns
    -------
    dict of str to tuple of int
        ``NAME.kernel`` (out, in, k, k); with normalization ``NAME.scale``,
        ``NAME.shift`` (learned) and ``NAME.mean``, ``NAME.variance`` (running),
        without it ``NAME.bias``; each (out,).

    Examples
    --------
    >>> weight_shapes(BACKBONE)["c1.kernel"]
    (16, 3, 3, 3)
    """
    layers = tuple(layers)
    channels = channels_of(layers)
    shapes: dict[str, tuple[int, ...]] = {}
    for layer in layers:
        if layer.kind != "conv":
            continue
        incoming = channels[layer.inputs[0]]
        shapes[f"{layer.name}.kernel"] = (layer.channels, incoming, layer.kernel, layer.kernel)
        for part in NORM_PARTS if layer.norm else ("bias",):
            shapes[f"{layer.name}.{part}"] = (layer.channels,)
    return shapes


def learned_weights(layers: Iterable[Layer]) -> list[str]:
    """Names of the weights that training changes by their gradients.

    Parameters
    ----------
    layers : iterable of Layer
        A network.

    Returns
    -------
    list of str
        Of :func:`weight_shapes`, in that order, what is not a running statistic and not of a frozen layer.

    Examples
    --------
    >>> learned_weights([Layer("a", "conv", ("picture",), 8, frozen=True), Layer("b", "conv", ("a",), 8)])
    ['b.kernel', 'b.scale', 'b.shift']
    """
    layers = tuple(layers)
    frozen = {layer.name for layer in layers if layer.frozen}
    return [
        name
        for name in weight_shapes(layers)
        if not (name.endswith((".mean", ".variance")) or name.rsplit(".", 1)[0] in frozen)
    ]


def first_weights(layers: Iterable[Layer], seed: int = 0) -> dict[str, np.ndarray]:
    """Random initial weights, for training from scratch.

    Parameters
    ----------
    layers : iterable of Layer
        A network.
    seed : int
        Same seed, same weights.

    Returns
    -------
    dict of str to ndarray of float32
        As in :func:`weight_shapes`.

    Notes
    -----
    Kernels are normal with variance 2 / fan-in (He et al., ICCV 2015,
    arXiv:1502.01852); scales and variances are 1, the rest 0.

    Examples
    --------
    >>> first_weights(BACKBONE)["c1.scale"].dtype
    dtype('float32')
    """
    rng = np.random.default_rng(seed)
    weights = {}
    for name, shape in weight_shapes(layers).items():
        part = name.rsplit(".", 1)[1]
        if part == "kernel":
            spread = np.sqrt(2 / np.prod(shape[1:]))
            weights[name] = (rng.standard_normal(shape) * spread).astype(np.float32)
        else:
            weights[name] = np.full(shape, part in ("scale", "variance"), np.float32)
    return weights
