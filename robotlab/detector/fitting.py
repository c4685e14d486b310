"""Fit a detector: one call for both stages."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from robotlab.dataset import DataSet
from robotlab.detector.file import Detector, head_layers
from robotlab.detector.head import PASSES, Cells, FrozenFeatures, fit_linear_head, gather_cells
from robotlab.detector.held_out import figures, find_all, split_held_out
from robotlab.detector.onnxio import weights_from_onnx
from robotlab.detector.samples import SampleSource, choose_working
from robotlab.detector.spec import FEATURES
from robotlab.errors import InputError

SHIPPED = Path(__file__).with_name("features.onnx")


def shipped_weights() -> dict[str, np.ndarray]:
    """Weights of the feature network that comes with robotlab.

    Returns
    -------
    dict of str to ndarray of float32
        As in :func:`~robotlab.detector.spec.weight_shapes`.

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


def fit(
    data: DataSet,
    stage: str = "head",
    engine: str = "auto",
    seed: int = 0,
    hold_out: Sequence[str] | str | None = None,
    head: str = "linear",
    minutes: float | None = None,
    epochs: int | None = None,
    start: str = "shipped",
    progress: bool = True,
    state_path: str | os.PathLike | None = None,
) -> Detector:
    """Train a detector on labelled pictures.

    Parameters
    ----------
    data : DataSet
        From :func:`robotlab.dataset.open_dataset`; any classes and sizes.
    stage : {"head", "full"}
        ``head``: seconds, the features stay as shipped.  ``full``: minutes,
        every layer learns; best on real pictures.
    engine : {"auto", "numpy", "torch"}
        Of full training; ``auto`` takes PyTorch where it is installed.
    seed : int
        Same seed, same pictures, same machine: same detector.
    hold_out : str or sequence of str, optional
        Recordings never learned from; they choose ``facts["best_score"]`` and
        when full training stops.  Without it about 15 % are held out (the head
        fit then learns from all of them in the end).
    head : {"linear", "mlp"}
        ``mlp`` puts one small layer between.
    minutes, epochs : float, int, optional
        At most so long.
    start : {"shipped", "scratch"}
        Weights that full training starts from.
    progress : bool
        Show progress bars.
    state_path : path-like, optional
        Full training keeps its state there and continues from it.

    Returns
    -------
    Detector
        Save it with :meth:`Detector.save`.

    Raises
    ------
    InputError
        If an option is unknown.
    DataSetError
        If there is nothing to learn from, or a picture is damaged.

    Examples
    --------
    >>> fit(None, stage="half")
    Traceback (most recent call last):
    robotlab.errors.InputError: stage must be head or full, got 'half'; choose one of them
    """
    for name, value, known in (
        ("stage", stage, ("head", "full")),
        ("engine", engine, ("auto", "numpy", "torch")),
        ("head", head, ("linear", "mlp")),
        ("start", start, ("shipped", "scratch")),
    ):
        if value not in known:
            raise InputError(f"{name} must be {' or '.join(known)}, got {value!r}; choose one of them")
    for name, value in (("minutes", minutes), ("epochs", epochs)):
        if value is not None and not value > 0:
            raise InputError(f"{name} must be above 0, got {value}; leave it out for the usual")
    data = data.need_boxes()
    learned, held, held_words = split_held_out(data, hold_out)
    learned.need_boxes()
    named = hold_out is not None
    facts = first_facts(data, learned, held, held_words, stage, seed)
    return fit_head(learned, held, named, facts, seed, head, progress)


def first_facts(
    data: DataSet, learned: DataSet, held: DataSet | None, held_words: str, stage: str, seed: int
) -> dict[str, Any]:
    """What is known before training starts, for the file's metadata."""
    sides = np.concatenate(
        [(e.boxes[:, 2:] - e.boxes[:, :2]).prod(axis=1)[~(e.crowd | e.ignore)] ** 0.5 for e in learned.pictures]
    )
    return {
        "stage": stage,
        "seed": seed,
        "pictures": len(learned),
        "truths": int(len(sides)),
        "recordings": list(learned.recordings),
        "held_out": held_words,
        "held_out_pictures": 0 if held is None else len(held),
        "side_px": {name: round(float(np.quantile(sides, q)), 1) for name, q in (("p05", 0.05), ("p50", 0.5), ("p95", 0.95))},
    }


@contextmanager
def bar(total: int, words: str, shown: bool) -> Iterator[tqdm]:
    """A progress bar, hidden unless shown."""
    with tqdm(total=total, desc=words, disable=not shown, leave=True, dynamic_ncols=True) as progress_bar:
        yield progress_bar


def fit_head(
    learned: DataSet,
    held: DataSet | None,
    named: bool,
    facts: Mapping[str, Any],
    seed: int,
    head: str,
    progress: bool,
) -> Detector:
    """Stage one on a data set that is already split.

    Parameters
    ----------
    learned : DataSet
        Pictures to learn from.
    held : DataSet or None
        Pictures held out.
    named : bool
        The learner named the held-out recordings, so they are never learned
        from; otherwise the last fit uses them too.
    facts : mapping
        What is known already.
    seed : int
        Same seed, same head.
    head : {"linear", "mlp"}
        Kind of head.
    progress : bool
        Show progress bars.

    Returns
    -------
    Detector
        With frozen features.
    """
    count = len(learned.classes)
    working_px, scale = choose_working(learned)
    weights = shipped_weights()
    features = FrozenFeatures(weights)
    layers = FEATURES + head_layers(count)

    def made(cells: Cells, known: Mapping[str, Any]) -> Detector:
        return Detector.build(layers, {**weights, **fit_linear_head(cells, count)}, learned.classes, known, working_px, scale)

    last_too = held is not None and not named
    total = (len(learned) + (len(held) if last_too else 0)) * PASSES
    with bar(total, "head fit", progress) as shown:
        cells = gather_cells(SampleSource(learned, working_px, scale), features, count, seed, step=shown.update)
        facts = {**facts, "cells": len(cells.classes), "head": head}
        if held is None:
            return made(cells, {**facts, "best_score": 0.5})
        checked = figures(held, find_all(made(cells, facts), held))
        facts = {
            **facts,
            "held_out_AP": round(checked["AP"], 4),
            "held_out_AP50": round(checked["AP50"], 4),
            "best_score": round(checked["best_score"], 4),
            "best_f1": round(checked["best_f1"], 4),
        }
        if last_too:
            more = gather_cells(SampleSource(held, working_px, scale), features, count, seed + 1, step=shown.update)
            cells = Cells.joined([cells, more])
            facts["held_out_learned_after"] = True
        return made(cells, facts)
