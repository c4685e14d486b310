"""Weights read back from ONNX files."""

from __future__ import annotations

import os
from collections.abc import Iterable

import numpy as np
import onnx
from onnx import TensorProto, numpy_helper

from robotlab.errors import ModelError
from robotlab.neural.session import outline, read_model
from robotlab.neural.spec import BACKBONE, Layer, weight_shapes


def read_onnx(path: str | os.PathLike) -> onnx.ModelProto:
    """Read an ONNX file.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    onnx.ModelProto
        A valid model that holds all its numbers.

    Raises
    ------
    ModelError
        If the file is missing, damaged, cut short, very large, or keeps its
        numbers in other files.

    Examples
    --------
    >>> read_onnx("no_such.onnx")
    Traceback (most recent call last):
    robotlab.errors.ModelError: a model must exist to be read, no_such.onnx does not; check its name and folder
    """
    content = read_model(path)
    outline(content, str(path))
    try:
        model = onnx.ModelProto.FromString(content)
        onnx.checker.check_model(model)
    except Exception:  # the parser's own error class differs between protobuf releases
        raise ModelError(f"a model must be valid ONNX, {path} is not; fit or copy it again") from None
    return model


def weights_from_onnx(path: str | os.PathLike, layers: Iterable[Layer] = BACKBONE) -> dict[str, np.ndarray]:
    """Weights of a network that was written without folding.

    Parameters
    ----------
    path : path-like
        A file of :func:`robotlab.neural.onnxio.network_to_onnx` with ``fold_norm=False``.
    layers : iterable of Layer
        The network.

    Returns
    -------
    dict of str to ndarray of float32
        As in :func:`~robotlab.neural.spec.weight_shapes`.

    Raises
    ------
    ModelError
        If the file is damaged or for another network.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from robotlab.neural.onnxio import network_to_onnx, save_onnx
    >>> from robotlab.neural.spec import first_weights
    >>> model = network_to_onnx(BACKBONE, first_weights(BACKBONE), fold_norm=False)
    >>> path = save_onnx(model, Path(tempfile.mkdtemp()) / "a.onnx")
    >>> weights_from_onnx(path)["c1.kernel"].shape
    (16, 3, 3, 3)
    """
    tensors = {tensor.name: tensor for tensor in read_onnx(path).graph.initializer}
    numbers = {}
    for key, shape in weight_shapes(layers).items():
        if key not in tensors:
            raise ModelError(f"{path} must hold {key}, it does not; it is for another network, fit or export it again")
        tensor = tensors[key]
        if tensor.data_type != TensorProto.FLOAT or tuple(tensor.dims) != tuple(shape):
            raise ModelError(
                f"{key} of {path} must be float32 {tuple(shape)}, got {TensorProto.DataType.Name(tensor.data_type).lower()} "
                f"{tuple(tensor.dims)}; it is for another network, fit or export it again"
            )
        try:
            value = numpy_helper.to_array(tensor)
        except (ValueError, TypeError):
            raise ModelError(f"{key} of {path} must be whole, it is cut short; fit or export the model again") from None
        if not np.isfinite(value).all() or (key.endswith(".variance") and (value < 0).any()):
            raise ModelError(f"{key} of {path} must be finite numbers, some are not; fit or export the model again")
        numbers[key] = value.copy()
    return numbers
