"""The trained detector as one ``.onnx`` file.

The graph holds the features, the head, the softmax, the mean of neighbors' boxes
and the peak picking; what is left for NumPy is to turn a few peaks into boxes.  The file's metadata hold
the class names, the facts of the training, and all that another program needs to
run it: what goes in, what comes out, and how that becomes boxes.

Running a file needs NumPy, ONNX Runtime and Pillow alone; making one needs the
extra ``course``.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from robotlab.detections import Detections
from robotlab.errors import InputError, ModelError
from robotlab.files import write_whole
from robotlab.image import check_picture
from robotlab.neural.box_coding import LARGEST_LOG, decode
from robotlab.neural.metadata import FORMAT, checked_metadata
from robotlab.neural.network_input import MOST_SEEN_PX, network_input, to_size, working_size
from robotlab.neural.session import open_session, outline, read_model
from robotlab.neural.spec import FEATURE_STRIDE, PICTURE_MEAN, STRIDE_MULTIPLE, Layer

# Below this a box is noise, above it average precision still gains.
MIN_SCORE = 0.01
# Two boxes of a class that overlap more are one object: common practice, no source.
IOU_LIMIT = 0.5
# COCO's limit of detections a picture (Lin et al., arXiv:1405.0312).
MOST = 100
# For programs that run the file without robotlab; DEVELOPERS.md shows one.
INPUT = {
    "name": "picture",
    "shape": ["N", 3, "H", "W"],
    "type": "float32",
    "channels": "RGB",
    "range": [0, 255],
    "multiple_px": STRIDE_MULTIPLE,
    "padding": "right and below",
    "padding_value": PICTURE_MEAN,
    "size": "of 'working': pictures are resized by min(scale, longest_px / longest side, sqrt(most_px / (width * height))), then padded",
    "most_px": MOST_SEEN_PX,
}
OUTPUTS = {
    "peaks": "(N, classes, H / stride, W / stride): score of each class where it is highest of the 3x3 cells around, 0 elsewhere",
    "boxes": "(N, 4, H / stride, W / stride): dx, dy, log w, log h in cells; the box's center is "
    "((column + 0.5 + dx) * stride, (row + 0.5 + dy) * stride), its size (exp(log w) * stride, exp(log h) * stride), px; "
    "logarithms are kept within -largest_log to largest_log, boxes inside the picture, and empty boxes dropped",
}
DECODING = {
    "stride_px": FEATURE_STRIDE,
    "largest_log": LARGEST_LOG,
    "min_score": MIN_SCORE,
    "max_candidates": 2 * MOST,
    "nms": "greedy, best first, within each class",
    "nms_iou": IOU_LIMIT,
    "max_detections": MOST,
}


class NeuralDetector:
    """A trained detector: a detector that fits in one file.

    Make one with :func:`robotlab.neural.fit` or :meth:`NeuralDetector.load`.

    Parameters
    ----------
    content : bytes
        An ONNX file of ours.
    name : str
        How error messages call it.
    threads : int
        Processor threads; 0 lets onnxruntime choose.

    Attributes
    ----------
    classes : tuple of str
        Class names.
    facts : dict
        What is known of the training: pictures, recordings, seed, way of
        training, AP on the validation set, ``best_score`` (the
        confidence threshold with the highest F1 there).
    working_px : int or None
        Pictures with a longer side are shrunk to it first.

    Raises
    ------
    ModelError
        If the content is damaged or foreign.

    Examples
    --------
    >>> from robotlab.neural.graph import head_layers
    >>> from robotlab.neural.spec import BACKBONE, first_weights
    >>> layers = BACKBONE + head_layers(1)
    >>> detector = NeuralDetector.build(layers, first_weights(layers), ["post"], {})
    >>> detector.detect(np.full((60, 90, 3), 128, np.uint8), min_score=1).classes
    ('post',)
    """

    def __init__(self, content: bytes, name: str = "the model", threads: int = 0) -> None:
        self._content = bytes(content)
        self._name = name
        self._threads = threads
        self.classes, self.working_px, self.scale, self.facts = checked_metadata(outline(self._content, name), name)
        try:
            self._session = open_session(self._content, threads)
        except Exception as error:  # onnxruntime's error classes share no public root
            raise ModelError(
                f"{name} must run in onnxruntime, it does not ({type(error).__name__}); fit or copy it again"
            ) from None
        channels = {
            output.name: output.shape[1] if len(output.shape) == 4 else 0 for output in self._session.get_outputs()
        }
        if channels != {"peaks": len(self.classes), "boxes": 4}:
            raise ModelError(
                f"{name} must give peaks of {len(self.classes)} classes and boxes, it does not; fit it again"
            )

    @classmethod
    def build(
        cls,
        layers: Iterable[Layer],
        weights: Mapping[str, np.ndarray],
        classes: Sequence[str],
        facts: Mapping[str, Any],
        working_px: int | None = None,
        scale: float = 1.0,
        threads: int = 0,
    ) -> NeuralDetector:
        """A detector from a network and its weights.

        Parameters
        ----------
        layers : iterable of Layer
            Features and head.
        weights : mapping of str to ndarray
            As in :func:`~robotlab.neural.spec.weight_shapes`.
        classes : sequence of str
            Class names.
        facts : mapping
            What is known of the training; must be possible in JSON.
        working_px : int or None
            Longest side that the network sees.
        scale : float
            Pictures are made larger by this, up to `working_px`.
        threads : int
            Processor threads; 0 lets onnxruntime choose.

        Returns
        -------
        Detector
            Ready to find.

        Examples
        --------
        >>> from robotlab.neural.graph import head_layers
        >>> from robotlab.neural.spec import BACKBONE, first_weights
        >>> layers = BACKBONE + head_layers(2)
        >>> NeuralDetector.build(layers, first_weights(layers), ["post", "crate"], {"seed": 0}).facts
        {'seed': 0}
        """
        from robotlab.neural.graph import peak_nodes  # needs onnx, which a robot does without
        from robotlab.neural.onnxio import make_model, network_nodes

        layers = tuple(layers)
        nodes, constants = network_nodes(layers, weights, fold_norm=True)
        more_nodes, more_constants = peak_nodes(len(classes))
        metadata = {
            "robotlab_format": str(FORMAT),
            "classes": json.dumps(list(classes)),
            "input": json.dumps(INPUT),
            "outputs": json.dumps(OUTPUTS),
            "decoding": json.dumps(DECODING),
            "working": json.dumps({"longest_px": working_px, "scale": scale}),
            "facts": json.dumps(dict(facts), sort_keys=True, allow_nan=False),
        }
        outputs = {"peaks": ("N", len(classes), "h", "w"), "boxes": ("N", 4, "h", "w")}
        model = make_model(nodes + more_nodes, {**constants, **more_constants}, outputs, metadata)
        return cls(model.SerializeToString(deterministic=True), "the new model", threads)

    @classmethod
    def load(cls, path: str | os.PathLike, classes: Sequence[str] | None = None, threads: int = 0) -> NeuralDetector:
        """Read a detector's file.

        Parameters
        ----------
        path : path-like
            The ``.onnx`` file.
        classes : sequence of str, optional
            Classes it must know, in any order.
        threads : int
            Processor threads; 0 lets onnxruntime choose.

        Returns
        -------
        Detector
            Ready to find.

        Raises
        ------
        ModelError
            If the file is missing, damaged, foreign, or for other classes.

        Examples
        --------
        >>> NeuralDetector.load("no_such.onnx")
        Traceback (most recent call last):
        robotlab.errors.ModelError: a model must exist to be read, no_such.onnx does not; check its name and folder
        """
        detector = cls(read_model(path), str(path), threads)
        if classes is not None and set(classes) != set(detector.classes):
            raise ModelError(
                f"{detector._name} must know the classes {', '.join(classes)}, it knows {', '.join(detector.classes)}; "
                "fit a model on this data set, or choose the data set it was fitted on"
            )
        return detector

    def save(self, path: str | os.PathLike) -> Path:
        """Write the detector's file, whole or not at all.

        Parameters
        ----------
        path : path-like
            Ends in ``.onnx``.

        Returns
        -------
        Path
            The path written.

        Raises
        ------
        ModelError
            If the name ends otherwise.
        """
        path = Path(path)
        if path.suffix.lower() != ".onnx":
            raise ModelError(f"a model's name must end in .onnx, got {path.name!r}; rename it")
        return write_whole(path, self._content)

    def outputs(self, picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What the graph says of a picture that needs no resizing.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue, any size.

        Returns
        -------
        peaks : (C, h, w) ndarray of float32
            Score of each class at its peaks, 0 elsewhere.
        numbers : (4, h, w) ndarray of float32
            ``dx, dy, log w, log h`` of each cell and its neighbors, averaged by
            score, cells.
        """
        try:
            peaks, numbers = self._session.run(["peaks", "boxes"], {"picture": network_input(picture)[None]})
        except Exception as error:  # onnxruntime's error classes share no public root
            raise ModelError(
                f"{self._name} must run on a {picture.shape[1]}x{picture.shape[0]} picture, it does not "
                f"({type(error).__name__}); fit or copy it again"
            ) from None
        if peaks.shape[2:] != numbers.shape[2:]:
            raise ModelError(f"{self._name} must give a box for each cell, it does not; fit or copy it again")
        return peaks[0], numbers[0]

    def detect(
        self, picture: np.ndarray, min_score: float = MIN_SCORE, iou_limit: float = IOU_LIMIT, most: int = MOST
    ) -> Detections:
        """Find objects in a picture of any size.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.
        min_score : float, 0 to 1
            Lower scores are dropped.  The default keeps nearly all, as judging
            needs; to act on what is found use ``facts["best_score"]``.
        iou_limit : float, 0 to 1
            Boxes of a class that overlap more are one object.
        most : int
            At most so many.

        Returns
        -------
        Detections
            Boxes in the pixels of `picture`, best first.

        Raises
        ------
        PictureError
            If `picture` is not an RGB byte picture.

        Examples
        --------
        >>> from robotlab.neural.graph import head_layers
        >>> from robotlab.neural.spec import BACKBONE, first_weights
        >>> layers = BACKBONE + head_layers(1)
        >>> detector = NeuralDetector.build(layers, first_weights(layers), ["post"], {})
        >>> len(detector.detect(np.full((60, 90, 3), 128, np.uint8), min_score=1))
        0
        """
        check_picture(picture)
        if not 0 <= min_score <= 1:
            raise InputError(f"min_score must be from 0 to 1, got {min_score}; facts['best_score'] is a good one")
        height, width = picture.shape[:2]
        size = working_size(width, height, self.working_px, self.scale)
        peaks, numbers = self.outputs(picture if size == (width, height) else to_size(picture, size))
        found = decode(peaks, numbers, self.classes, size, min_score, iou_limit, most)
        if size == (width, height):
            return found
        ratio = np.array([width / size[0], height / size[1]] * 2)
        return Detections(found.boxes * ratio, found.scores, found.labels, self.classes)

    def __reduce__(self) -> tuple:
        return NeuralDetector, (self._content, self._name, self._threads)

    def __repr__(self) -> str:
        return f"<Detector of {', '.join(self.classes)}; {len(self._content) / 1e6:.1f} MB>"
