"""Class probabilities that a detector's head gives in each cell, before peak picking and boxes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import onnx

from robotlab.errors import ModelError
from robotlab.image import check_picture
from robotlab.neural import NeuralDetector
from robotlab.neural.network_input import network_input, to_size, working_size
from robotlab.neural.onnx_weights import read_onnx
from robotlab.neural.session import open_session
from robotlab.neural.spec import FEATURE_STRIDE

# The graph's softmax over background and classes, for each cell.
PROBABILITIES = "probabilities"


class CellMap:
    """A detector's classifier, seen cell by cell.

    The head of a detector is a classifier of cells: the same softmax regression
    as :class:`~robotlab.classify.Classifier`, asked once for each 4x4 px of the
    picture, "is the middle of a thing here, and of which?".

    Parameters
    ----------
    detector : Detector
        From :func:`robotlab.neural.fit`.

    Attributes
    ----------
    classes : tuple of str
        ``"background"``, then the detector's.

    Raises
    ------
    ModelError
        If the detector's graph holds no probabilities of cells.

    Examples
    --------
    >>> from robotlab.neural.graph import head_layers
    >>> from robotlab.neural.spec import BACKBONE, first_weights
    >>> layers = BACKBONE + head_layers(1)
    >>> cells = CellMap(NeuralDetector.build(layers, first_weights(layers), ["post"], {}))
    >>> cells.classes, cells.probabilities(np.zeros((60, 90, 3), np.uint8)).shape
    (('background', 'post'), (15, 23, 2))
    """

    def __init__(self, detector: NeuralDetector) -> None:
        self.classes = ("background", *detector.classes)
        self._working = detector.working_px, detector.scale
        with tempfile.TemporaryDirectory() as folder:
            model = read_onnx(detector.save(Path(folder) / "detector.onnx"))
        if all(PROBABILITIES not in node.output for node in model.graph.node):
            raise ModelError(f"a detector's graph must hold {PROBABILITIES!r}, this one does not; fit it again")
        shape = ("N", len(self.classes), "h", "w")
        model.graph.output.append(onnx.helper.make_tensor_value_info(PROBABILITIES, onnx.TensorProto.FLOAT, shape))
        self._session = open_session(model.SerializeToString())

    def probabilities(self, picture: np.ndarray) -> np.ndarray:
        """Class probabilities of each cell.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.

        Returns
        -------
        (h, w, K) ndarray of float32
            The probabilities of a cell add up to 1.  One cell is 4 px of the picture
            at the detector's working size; cells of padding are cut off.
        """
        check_picture(picture)
        height, width = picture.shape[:2]
        size = working_size(width, height, *self._working)
        seen = picture if size == (width, height) else to_size(picture, size)
        values = self._session.run([PROBABILITIES], {"picture": network_input(seen)[None]})[0][0].transpose(1, 2, 0)
        return values[: -(-size[1] // FEATURE_STRIDE), : -(-size[0] // FEATURE_STRIDE)]
