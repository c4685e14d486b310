"""The end of the ONNX graph: head, mean of neighboring cells' boxes, peak picking."""

from __future__ import annotations

from typing import Any

import numpy as np
import onnx
from onnx import helper

from robotlab.neural.spec import Layer


def head_layers(class_count: int, hidden: int = 0) -> tuple[Layer, ...]:
    """The head: background, classes and four box numbers for every cell.

    Parameters
    ----------
    class_count : int
        Classes without the background.
    hidden : int
        Channels of a layer between, with ReLU; 0 is a linear head.

    Returns
    -------
    tuple of Layer
        The last is called ``head``.

    Examples
    --------
    >>> head_layers(3)[-1].channels
    8
    """
    between = (Layer("hidden", "conv", ("features",), hidden, kernel=1, norm=False),) if hidden else ()
    last = Layer(
        "head", "conv", ("hidden" if hidden else "features",), class_count + 5, kernel=1, norm=False, relu=False
    )
    return (*between, last)


# Keeps a sum of scores above 0 where the background is certain.
LEAST_SCORE = 1e-12


def averaging_kernel() -> np.ndarray:
    """Sums over the 3x3 cells around each, as a convolution.

    Returns
    -------
    (5, 5, 3, 3) ndarray of float32
        Takes ``s dx, s dy, s log w, s log h, s``, s being a cell's score; gives
        the sums of the same.  A neighbor's center is one cell away from this
        one's, so its offset is seen from here: ``s (dx + 1)`` to the right.

    Examples
    --------
    >>> averaging_kernel()[0, 4].tolist()
    [[-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0]]
    """
    kernel = np.zeros((5, 5, 3, 3), np.float32)
    kernel[range(5), range(5)] = 1
    kernel[0, 4] = [-1, 0, 1]
    kernel[1, 4] = kernel[0, 4].T
    return kernel


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
        3x3 cells around, and becomes 0 elsewhere.  The box of a cell is the mean
        of what the 3x3 cells around say, weighted by the sum of their scores:
        neighbors see the same thing, and their errors partly cancel.
    constants : dict of str to ndarray
        To become initializers.

    Examples
    --------
    >>> [node.op_type for node in peak_nodes(2)[0]][-4:]
    ['MaxPool', 'Equal', 'Cast', 'Mul']
    """
    nodes, constants = [], {"channel": np.array([1])}

    def add(kind: str, inputs: list[str], output: str, **options: Any) -> None:
        nodes.append(helper.make_node(kind, inputs, [output], output, **options))

    def part(source: str, output: str, first: int, end: int) -> None:
        constants.update({f"{output}.first": np.array([first]), f"{output}.end": np.array([end])})
        add("Slice", [source, f"{output}.first", f"{output}.end", "channel"], output)

    part("head", "scores", 0, class_count + 1)
    part("head", "own_boxes", class_count + 1, class_count + 5)
    add("Softmax", ["scores"], "probabilities", axis=1)
    part("probabilities", "found", 1, class_count + 1)
    constants["summing"] = np.ones((1, class_count, 1, 1), np.float32)
    add("Conv", ["found", "summing"], "thing", kernel_shape=[1, 1])
    add("Mul", ["own_boxes", "thing"], "weighted_boxes")
    add("Concat", ["weighted_boxes", "thing"], "weighted", axis=1)
    constants["around"] = averaging_kernel()
    constants["least"] = np.array([0, 0, 0, 0, LEAST_SCORE], np.float32)
    add("Conv", ["weighted", "around", "least"], "sums", kernel_shape=[3, 3], pads=[1, 1, 1, 1])
    part("sums", "sums_of_boxes", 0, 4)
    part("sums", "sum_of_scores", 4, 5)
    add("Div", ["sums_of_boxes", "sum_of_scores"], "boxes")
    add("MaxPool", ["found"], "highest", kernel_shape=[3, 3], strides=[1, 1], pads=[1, 1, 1, 1])
    add("Equal", ["found", "highest"], "is_peak")
    add("Cast", ["is_peak"], "keep", to=onnx.TensorProto.FLOAT)
    add("Mul", ["found", "keep"], "peaks")
    return nodes, constants
