"""What comes after the features in the graph: the head and the peak picking."""

from __future__ import annotations

import numpy as np
import onnx
from onnx import helper

from robotlab.detector.spec import Layer


def head_layers(class_count: int, hidden: int = 0, source: str = "features") -> tuple[Layer, ...]:
    """The head: background, classes and four box numbers for every cell.

    Parameters
    ----------
    class_count : int
        Classes without the background.
    hidden : int
        Channels of a layer between, with ReLU; 0 is a linear head.
    source : str
        The layer it reads.

    Returns
    -------
    tuple of Layer
        The last is called ``head``.

    Examples
    --------
    >>> head_layers(3)[-1].channels
    8
    """
    between = (Layer("hidden", "conv", (source,), hidden, kernel=1, norm=False),) if hidden else ()
    last = Layer(
        "head", "conv", ("hidden" if hidden else source,), class_count + 5, kernel=1, norm=False, relu=False
    )
    return (*between, last)


def peak_nodes(class_count: int) -> tuple[list[onnx.NodeProto], dict[str, np.ndarray]]:
    """Nodes from the layer ``head`` to the outputs ``peaks`` and ``boxes``.

    Parameters
    ----------
    class_count : int
        Classes without the background.

    Returns
    -------
    nodes : list of onnx.NodeProto
        Softmax; then a class's score stays where it equals the highest of the
        3x3 cells around, and becomes 0 elsewhere.
    constants : dict of str to ndarray
        To become initializers.

    Examples
    --------
    >>> [node.op_type for node in peak_nodes(2)[0]][-4:]
    ['MaxPool', 'Equal', 'Cast', 'Mul']
    """

    def part(name: str, first: int, end: int) -> tuple[list, dict]:
        starts = {f"{name}.first": np.array([first]), f"{name}.end": np.array([end])}
        return [helper.make_node("Slice", ["", f"{name}.first", f"{name}.end", "channel"], [name], name)], starts

    nodes, constants = [], {"channel": np.array([1])}
    for name, source, first, end in (
        ("scores", "head", 0, class_count + 1),
        ("boxes", "head", class_count + 1, class_count + 5),
        ("found", "shares", 1, class_count + 1),
    ):
        if name == "found":
            nodes.append(helper.make_node("Softmax", ["scores"], ["shares"], "shares", axis=1))
        step, more = part(name, first, end)
        step[0].input[0] = source
        nodes += step
        constants.update(more)
    nodes += [
        helper.make_node(
            "MaxPool", ["found"], ["highest"], "highest", kernel_shape=[3, 3], strides=[1, 1], pads=[1, 1, 1, 1]
        ),
        helper.make_node("Equal", ["found", "highest"], ["is_peak"], "is_peak"),
        helper.make_node("Cast", ["is_peak"], ["keep"], "keep", to=onnx.TensorProto.FLOAT),
        helper.make_node("Mul", ["found", "keep"], ["peaks"], "peaks"),
    ]
    return nodes, constants
