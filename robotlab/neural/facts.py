"""What both stages share: shipped weights, facts, progress bars."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from robotlab.data import DataSet
from robotlab.neural.detector import NeuralDetector
from robotlab.neural.held_out import detect_all, metrics_of, truth_sides
from robotlab.neural.onnxio import weights_from_onnx
from robotlab.neural.spec import FEATURES

SHIPPED = Path(__file__).with_name("features.onnx")


def shipped_weights() -> dict[str, np.ndarray]:
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
    >>> shipped_weights()["c1.kernel"].shape[1:]
    (3, 3, 3)
    """
    return weights_from_onnx(SHIPPED, FEATURES)


def first_facts(learned: DataSet, held: DataSet | None, held_words: str, training: str, seed: int) -> dict[str, Any]:
    """What is known before training starts, for the file's metadata."""
    return {
        "training": training,
        "seed": seed,
        **learned_facts(learned),
        "held_out": held_words,
        "held_out_pictures": 0 if held is None else len(held),
        "validation": validation_facts(held),
    }


def learned_facts(learned: DataSet) -> dict[str, Any]:
    """What was learned from, for the file's metadata.

    Parameters
    ----------
    learned : DataSet
        All pictures that were learned from.

    Returns
    -------
    dict
        ``pictures``, ``truths``, ``recordings``, ``picture_px``, width and
        height of the largest picture, and ``side_px``, quantiles of the truths'
        sides (the root of the area, px of the pictures).
    """
    sides = truth_sides(learned)
    largest = max(learned.pictures, key=lambda entry: max(entry.width_px, entry.height_px))
    return {
        "pictures": len(learned),
        "truths": int(len(sides)),
        "recordings": list(learned.recordings),
        "picture_px": [largest.width_px, largest.height_px],
        "side_px": {
            name: round(float(np.quantile(sides, q)), 1) for name, q in (("p05", 0.05), ("p50", 0.5), ("p95", 0.95))
        },
    }


def validation_facts(held: DataSet | None) -> dict[str, Any]:
    """The validation set, never learned from: it chose the threshold, and when full training stopped."""
    return {"pictures": 0 if held is None else len(held), "recordings": [] if held is None else list(held.recordings)}


@contextmanager
def bar(total: int, words: str, shown: bool) -> Iterator[tqdm]:
    """A progress bar, hidden unless shown."""
    # A notebook shows what comes over stderr in red, as it shows errors.
    file = sys.stdout if "ipykernel" in sys.modules else None
    with tqdm(total=total, desc=words, disable=not shown, leave=True, dynamic_ncols=True, file=file) as progress_bar:
        yield progress_bar


def judged_facts(detector: NeuralDetector, held: DataSet | None) -> dict[str, float]:
    """Figures on the held-out pictures, for the file's metadata."""
    if held is None:
        return {"best_score": 0.5}
    checked = metrics_of(held, detect_all(detector, held))
    names = {"AP": "held_out_AP", "AP50": "held_out_AP50", "best_score": "best_score", "best_f1": "best_f1"}
    return {name: round(checked[key], 4) for key, name in names.items()}
