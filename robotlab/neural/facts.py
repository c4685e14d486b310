"""What both ways of training share: the shipped weights, and the facts in a model's metadata."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from robotlab.data import DataSet
from robotlab.neural.detector import NeuralDetector
from robotlab.neural.onnx_weights import weights_from_onnx
from robotlab.neural.spec import BACKBONE
from robotlab.neural.validation import detect_all, metrics_of, truth_sides

SHIPPED = Path(__file__).with_name("features.onnx")


def pretrained_weights() -> dict[str, np.ndarray]:
    """Weights of the feature network that comes with robotlab.

    Returns
    -------
    dict of str to ndarray of float32
        As in :func:`~robotlab.neural.spec.weight_shapes`.

    Raises
    ------
    ModelError
        If the file is missing or damaged.

    Examples
    --------
    >>> pretrained_weights()["c1.kernel"].shape[1:]
    (3, 3, 3)
    """
    return weights_from_onnx(SHIPPED, BACKBONE)


def first_facts(
    training_set: DataSet, validation_set: DataSet | None, split_words: str, training: str, seed: int
) -> dict[str, Any]:
    """What is known before training starts, for the file's metadata."""
    return {
        "training": training,
        "seed": seed,
        **training_facts(training_set),
        "validation_split": split_words,
        "validation_pictures": 0 if validation_set is None else len(validation_set),
        "validation": validation_facts(validation_set),
    }


def training_facts(training_set: DataSet) -> dict[str, Any]:
    """What was learned from, for the file's metadata.

    Parameters
    ----------
    training_set : DataSet
        All pictures that were learned from.

    Returns
    -------
    dict
        ``pictures``, ``truths``, ``recordings``, ``picture_px``, width and
        height of the largest picture, and ``side_px``, quantiles of the truths'
        sides (the root of the area, px of the pictures).
    """
    sides = truth_sides(training_set)
    largest = max(training_set.pictures, key=lambda entry: max(entry.width_px, entry.height_px))
    return {
        "pictures": len(training_set),
        "truths": int(len(sides)),
        "recordings": list(training_set.recordings),
        "picture_px": [largest.width_px, largest.height_px],
        "side_px": {
            name: round(float(np.quantile(sides, q)), 1) for name, q in (("p05", 0.05), ("p50", 0.5), ("p95", 0.95))
        },
    }


def validation_facts(validation_set: DataSet | None) -> dict[str, Any]:
    """The validation set, never learned from: it chose the threshold, and when fine-tuning stopped."""
    return {
        "pictures": 0 if validation_set is None else len(validation_set),
        "recordings": [] if validation_set is None else list(validation_set.recordings),
    }


def validation_metrics(detector: NeuralDetector, validation_set: DataSet | None) -> dict[str, float]:
    """Metrics on the validation set, for the file's metadata."""
    if validation_set is None:
        return {"best_score": 0.5}
    checked = metrics_of(validation_set, detect_all(detector, validation_set))
    names = {"AP": "validation_AP", "AP50": "validation_AP50", "best_score": "best_score", "best_f1": "best_f1"}
    return {name: round(checked[key], 4) for key, name in names.items()}
