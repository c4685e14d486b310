"""Networks of :mod:`robotlab.neural.spec` to ONNX.

Needed to make a network's file; to run one, :mod:`robotlab.neural.session` is
enough.  One network becomes one graph whose input ``picture`` is ``(N, 3, H, W)``
float32, RGB from 0 to 255, any N, H and W multiples of
:data:`~robotlab.neural.spec.STRIDE_MULTIPLE`.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

from robotlab.errors import ModelError
from robotlab.files import write_whole
from robotlab.neural.spec import NORM_EPSILON, NORM_PARTS, PICTURE_MEAN, PICTURE_SPREAD, Layer, weight_shapes

# Operator set 17 and file version 8 (2022) are read by every onnxruntime since
# 1.12 and by OpenCV since 4.7.
OPSET = 17
IR_VERSION = 8

# Operators of the layers without weights.  Doubled, output pixel i copies input pixel floor(i / 2).
_JOINING: dict[str, tuple[str, dict[str, Any]]] = {
    "upsample": (
        "Resize",
        {"mode": "nearest", "coordinate_transformation_mode": "asymmetric", "nearest_mode": "floor"},
    ),
    "add": ("Add", {}),
    "concat": ("Concat", {"axis": 1}),
}


def fold_normalization(layers: Iterable[Layer], weights: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Merge each batch normalization into the convolution before it.

    Parameters
    ----------
    layers : iterable of Layer
        A network.
    weights : mapping of str to ndarray
        Its weights, as in :func:`~robotlab.neural.spec.weight_shapes`.

    Returns
    -------
    dict of str to ndarray of float32
        ``NAME.kernel`` and ``NAME.bias`` for every convolution.

    Notes
    -----
    With running mean m and variance v, ``scale (Kx - m) / sqrt(v + e) + shift``
    is one convolution with kernel ``K scale / sqrt(v + e)`` and bias
    ``shift - m scale / sqrt(v + e)`` (Ioffe & Szegedy, arXiv:1502.03167,
    section 3.1).  True for running statistics only, not while training.

    Examples
    --------
    >>> from robotlab.neural.spec import BACKBONE, first_weights
    >>> sorted(fold_normalization(BACKBONE[:1], first_weights(BACKBONE)))
    ['c1.bias', 'c1.kernel']
    """
    folded = {}
    for layer in layers:
        if layer.kind != "conv":
            continue
        kernel = np.asarray(weights[f"{layer.name}.kernel"], np.float64)
        if layer.norm:
            norm = (np.asarray(weights[f"{layer.name}.{part}"], np.float64) for part in NORM_PARTS)
            scale, shift, mean, variance = norm
            gain = scale / np.sqrt(variance + NORM_EPSILON)
            kernel = kernel * gain[:, None, None, None]
            bias = shift - mean * gain
        else:
            bias = np.asarray(weights[f"{layer.name}.bias"], np.float64)
        folded[f"{layer.name}.kernel"] = kernel.astype(np.float32)
        folded[f"{layer.name}.bias"] = bias.astype(np.float32)
    return folded


def network_nodes(
    layers: Iterable[Layer], weights: Mapping[str, np.ndarray], fold_norm: bool
) -> tuple[list[onnx.NodeProto], dict[str, np.ndarray]]:
    """Nodes and constants of a network, to put in a graph.

    Parameters
    ----------
    layers : iterable of Layer
        A network.
    weights : mapping of str to ndarray
        Its weights.
    fold_norm : bool
        Merge normalization into the kernels (for running), or keep every
        number under its own name (for training on).

    Returns
    -------
    nodes : list of onnx.NodeProto
        In running order; the output of each layer bears the layer's name.
    constants : dict of str to ndarray
        To become initializers.

    Examples
    --------
    >>> from robotlab.neural.spec import BACKBONE, first_weights
    >>> nodes, _ = network_nodes(BACKBONE[:1], first_weights(BACKBONE), fold_norm=True)
    >>> [node.op_type for node in nodes]
    ['Sub', 'Mul', 'Conv', 'Relu']
    """
    layers = tuple(layers)
    constants: dict[str, np.ndarray] = {
        "picture.mean": np.float32(PICTURE_MEAN).reshape(1),
        "picture.gain": np.float32(1 / PICTURE_SPREAD).reshape(1),
    }
    nodes = [
        helper.make_node("Sub", ["picture", "picture.mean"], ["picture.centered"], "picture.centered"),
        helper.make_node("Mul", ["picture.centered", "picture.gain"], ["picture.scaled"], "picture.scaled"),
    ]
    if fold_norm:
        constants |= fold_normalization(layers, weights)
    else:
        constants |= {name: np.asarray(weights[name], np.float32) for name in weight_shapes(layers)}
    for layer in layers:
        inputs = ["picture.scaled" if name == "picture" else name for name in layer.inputs]
        if layer.kind == "conv":
            nodes += _conv_nodes(layer, inputs[0], fold_norm)
            continue
        if layer.kind not in _JOINING:
            raise ModelError(
                f"a layer must be conv, double, add or concat, {layer.name} is {layer.kind!r}; correct the list"
            )
        if layer.kind == "upsample":
            constants["double.scales"] = np.array([1, 1, 2, 2], np.float32)
            inputs += ["", "double.scales"]
        kind, options = _JOINING[layer.kind]
        nodes.append(helper.make_node(kind, inputs, [layer.name], layer.name, **options))
    return nodes, constants


def _conv_nodes(layer: Layer, source: str, fold_norm: bool) -> list[onnx.NodeProto]:
    """Convolution, normalization and ReLU of one layer."""
    name = layer.name
    normalize = layer.norm and not fold_norm
    window = {
        "kernel_shape": [layer.kernel] * 2,
        "strides": [layer.stride] * 2,
        "dilations": [layer.dilation] * 2,
        "pads": [layer.dilation * (layer.kernel - 1) // 2] * 4,
    }
    steps: list[tuple[str, str, tuple[str, ...], dict[str, Any]]]
    steps = [("conv", "Conv", ("kernel",) if normalize else ("kernel", "bias"), window)]
    if normalize:
        steps.append(("norm", "BatchNormalization", NORM_PARTS, {"epsilon": NORM_EPSILON}))
    if layer.relu:
        steps.append(("relu", "Relu", (), {}))
    nodes = []
    for step, kind, numbers, options in steps:
        # The last step bears the layer's own name.
        result = name if step == steps[-1][0] else f"{name}.{step}"
        inputs = [source, *(f"{name}.{part}" for part in numbers)]
        nodes.append(helper.make_node(kind, inputs, [result], result, **options))
        source = result
    return nodes


def make_model(
    nodes: list[onnx.NodeProto],
    constants: Mapping[str, np.ndarray],
    outputs: Mapping[str, tuple],
    metadata: Mapping[str, str] | None = None,
) -> onnx.ModelProto:
    """Put nodes and constants into a model with the input ``picture``.

    Parameters
    ----------
    nodes : list of onnx.NodeProto
        In running order.
    constants : mapping of str to ndarray
        Initializers.
    outputs : mapping of str to tuple
        Name and shape (numbers or names of sizes) of each output, float32.
    metadata : mapping of str to str, optional
        Kept in the file beside the graph.

    Returns
    -------
    onnx.ModelProto
        Checked by :func:`onnx.checker.check_model`.

    Examples
    --------
    >>> from robotlab.neural.spec import BACKBONE, first_weights
    >>> nodes, constants = network_nodes(BACKBONE[:1], first_weights(BACKBONE), True)
    >>> make_model(nodes, constants, {"c1": ("N", 16, "h", "w")}).graph.input[0].name
    'picture'
    """
    graph = helper.make_graph(
        nodes,
        "robotlab",
        [helper.make_tensor_value_info("picture", TensorProto.FLOAT, ("N", 3, "H", "W"))],
        [helper.make_tensor_value_info(name, TensorProto.FLOAT, shape) for name, shape in outputs.items()],
        [numpy_helper.from_array(np.ascontiguousarray(value), name) for name, value in constants.items()],
    )
    model = helper.make_model(
        graph, opset_imports=[helper.make_opsetid("", OPSET)], producer_name="robotlab", ir_version=IR_VERSION
    )
    helper.set_model_props(model, dict(metadata or {}))
    onnx.checker.check_model(model)
    return model


def network_to_onnx(
    layers: Iterable[Layer],
    weights: Mapping[str, np.ndarray],
    fold_norm: bool = True,
    metadata: Mapping[str, str] | None = None,
) -> onnx.ModelProto:
    """A whole network as an ONNX model with one output, the last layer.

    Parameters
    ----------
    layers : iterable of Layer
        A network.
    weights : mapping of str to ndarray
        Its weights.
    fold_norm : bool
        Merge normalization into the kernels; ``False`` keeps every number
        under its own name, so that :func:`robotlab.neural.onnx_weights.weights_from_onnx` gets all back.
    metadata : mapping of str to str, optional
        Kept in the file.

    Returns
    -------
    onnx.ModelProto
        Save it with :func:`save_onnx`.

    Examples
    --------
    >>> from robotlab.neural.spec import BACKBONE, first_weights
    >>> model = network_to_onnx(BACKBONE, first_weights(BACKBONE), fold_norm=False)
    >>> model.graph.output[0].name
    'features'
    """
    layers = tuple(layers)
    nodes, constants = network_nodes(layers, weights, fold_norm)
    return make_model(nodes, constants, {layers[-1].name: ("N", layers[-1].channels, "h", "w")}, metadata)


def save_onnx(model: onnx.ModelProto, path: str | os.PathLike) -> Path:
    """Write a model, whole or not at all; the same model gives the same bytes.

    Parameters
    ----------
    model : onnx.ModelProto
        The model.
    path : path-like
        Where it goes.

    Returns
    -------
    Path
        The path written.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.neural.spec import BACKBONE, first_weights
    >>> model = network_to_onnx(BACKBONE, first_weights(BACKBONE))
    >>> save_onnx(model, Path(tempfile.mkdtemp()) / "a.onnx").name
    'a.onnx'
    """
    return write_whole(path, model.SerializeToString(deterministic=True))
