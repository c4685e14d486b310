"""Fit a detector: one call for both ways of training, and the frozen backbone."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from robotlab._progress import progress_bar
from robotlab.data import DataSet
from robotlab.data.dataset import check_data_set
from robotlab.errors import InputError
from robotlab.neural.augmentation import augment
from robotlab.neural.budget import (
    BASE_BYTES,
    TrainingBudget,
    check_disk,
    check_memory,
    disk_bytes,
    pictures_bytes,
    rows_bytes,
    workers_within,
)
from robotlab.neural.cells import HARD_CELLS, MOST_CELLS, PASSES, Cells, FrozenBackbone, cells_of, gather_cells
from robotlab.neural.detector import NeuralDetector
from robotlab.neural.engine.workers import WorkerPool, core_count
from robotlab.neural.engines import choose_engine
from robotlab.neural.facts import first_facts, pretrained_weights, training_facts, validation_facts, validation_metrics
from robotlab.neural.fine_tuning import fine_tune
from robotlab.neural.graph import head_layers
from robotlab.neural.head import fit_linear_head, rough_head
from robotlab.neural.mlp_head import HIDDEN, fit_mlp_head
from robotlab.neural.samples import CACHE_BYTES, SampleSource, choose_working
from robotlab.neural.spec import BACKBONE
from robotlab.neural.training_loop import History
from robotlab.neural.validation import split_validation

# Time of the convex fits for each picture and pass (measured on two cores).
FIT_SECONDS_A_DRAW = 0.005


def fit(
    data: DataSet,
    training: str = "frozen_backbone",
    engine: str = "auto",
    seed: int = 0,
    hold_out: Sequence[str] | str | None = None,
    head: str = "linear",
    minutes: float | None = None,
    epochs: int | None = None,
    start: str = "shipped",
    progress: bool = True,
    state_path: str | os.PathLike | None = None,
    watch: Callable[[History, NeuralDetector | None], object] | None = None,
) -> NeuralDetector:
    """Train a detector on labeled pictures.

    Parameters
    ----------
    data : DataSet
        From :func:`robotlab.data.open_dataset`; any classes and sizes.
    training : {"frozen_backbone", "fine_tuning"}
        ``frozen_backbone``: seconds, only a head on the shipped features is
        fitted.  ``fine_tuning``: minutes, every layer but the first learns; best on real
        pictures.
    engine : {"auto", "numpy", "torch"}
        Of fine-tuning; ``auto`` takes PyTorch where it is installed.
    seed : int
        Same seed, same pictures, same machine: same detector.
    hold_out : str or sequence of str, optional
        Recordings never learned from; they choose ``facts["best_score"]`` and
        when fine-tuning stops.  Without it about 15 % are held out (the
        head then learns from all of them in the end).
    head : {"linear", "mlp"}
        ``mlp`` puts one small layer between.
    minutes, epochs : float, int, optional
        At most so long.
    start : {"shipped", "scratch"}
        Weights that fine-tuning starts from.
    progress : bool
        Show progress bars.
    state_path : path-like, optional
        Fine-tuning keeps its state there and continues from it.
    watch : callable, optional
        Called during fine-tuning with the :class:`~robotlab.neural.training_loop.History`
        so far and, when the validation set has just been judged, the
        detector as it is then (else ``None``); `TrainingMonitor` of
        :mod:`robotlab.widgets` has one.

    Returns
    -------
    Detector
        Save it with :meth:`NeuralDetector.save`.

    Raises
    ------
    InputError
        If an option is unknown, or `data` is something else.
    DataSetError
        If there is nothing to learn from, or a picture is damaged.

    Examples
    --------
    >>> fit(None, training="half")
    Traceback (most recent call last):
    robotlab.errors.InputError: training must be frozen_backbone or fine_tuning, got 'half'; choose one of them
    """
    for name, value, known in (
        ("training", training, ("frozen_backbone", "fine_tuning")),
        ("engine", engine, ("auto", "numpy", "torch")),
        ("head", head, ("linear", "mlp")),
        ("start", start, ("shipped", "scratch")),
    ):
        if value not in known:
            raise InputError(f"{name} must be {' or '.join(known)}, got {value!r}; choose one of them")
    for name, most in (("minutes", minutes), ("epochs", epochs)):
        if most is not None and not most > 0:
            raise InputError(f"{name} must be above 0, got {most}; leave it out for the usual")
    if watch is not None and training == "frozen_backbone":
        raise InputError(
            "watch must be left out with a frozen backbone, which has no training curve to watch; leave it out, or pass training='fine_tuning'"
        )
    data = check_data_set(data).labeled.need_boxes()
    training_set, validation_set, split_words = split_validation(data, hold_out)
    training_set.need_boxes()
    facts = first_facts(training_set, validation_set, split_words, training, seed)
    if training == "frozen_backbone":
        return fit_head(training_set, validation_set, hold_out is not None, facts, seed, head, progress)
    return fine_tune(
        training_set,
        validation_set,
        facts,
        seed,
        choose_engine(engine),
        start,
        minutes,
        epochs,
        progress,
        state_path,
        watch,
    )


def fit_head(
    training_set: DataSet,
    validation_set: DataSet | None,
    named: bool,
    facts: Mapping[str, Any],
    seed: int,
    head: str,
    progress: bool,
) -> NeuralDetector:
    """Fit a head on the frozen backbone, on a data set that is already split.

    Parameters
    ----------
    training_set : DataSet
        Pictures to learn from.
    validation_set : DataSet or None
        The validation set.
    named : bool
        The learner named the validation recordings, so they are never learned
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
    count = len(training_set.classes)
    working_px, scale = choose_working(training_set)
    weights = pretrained_weights()
    features = FrozenBackbone(weights)
    source = SampleSource(training_set, working_px, scale)
    layers = BACKBONE + head_layers(count, HIDDEN if head == "mlp" else 0)

    def made(cells: Cells, known: Mapping[str, Any]) -> NeuralDetector:
        fitted = fit_mlp_head(cells, count, seed) if head == "mlp" else fit_linear_head(cells, count, pool=pool)
        return NeuralDetector.build(layers, {**weights, **fitted}, training_set.classes, known, working_px, scale)

    # The pictures of the validation set that are learned from in the end.
    last = None if named else validation_set
    pictures = len(training_set) + (0 if last is None else len(last))
    needed = disk_bytes(layers, keeps_state=False)
    check_disk(Path.cwd(), needed)
    workers = workers_within(source, core_count())
    seconds, cells_each = try_pictures(source, features, workers)
    # Of larger sets each pass draws its pictures; those of the validation set keep their part.
    share = min(1.0, MOST_CELLS / (cells_each * PASSES * pictures))
    most = max(1, round(share * len(training_set)))
    most_held = 0 if last is None else max(1, round(share * len(last)))
    total = (most + most_held) * PASSES
    memory = BASE_BYTES + rows_bytes(round(total * cells_each), BACKBONE[-1].channels) + pictures_bytes(source, workers)
    if progress:
        drawn = f" of {most + most_held}" if share < 1 else ""
        tqdm.write(
            f"head fit: {pictures} pictures, {PASSES} passes{drawn}; {TrainingBudget(total * seconds, memory, needed)}"
        )
    check_memory(memory)
    with (
        progress_bar(total, "head fit", progress, dynamic_ncols=True) as shown,
        WorkerPool(workers if workers < core_count() else None) as pool,
    ):

        def gathered(some: SampleSource, seed: int, most: int) -> Cells:
            return gather_cells(some, features, rough_head(count, pool), seed, pool, step=shown.update, most=most)

        cells = gathered(source, seed, most)
        facts = {**facts, "cells": len(cells.classes), "head": head}
        facts |= validation_metrics(made(cells, facts), validation_set)
        if last is not None:
            more = gathered(SampleSource(last, working_px, scale), seed + 1, most_held)
            cells = Cells.joined([cells, more])
            # Refitted on all pictures: no validation set is left.
            all_pictures = training_set.having([*training_set.pictures, *last.pictures])
            facts |= training_facts(all_pictures) | {"validation": validation_facts(None), "refit_on_all": True}
        return made(cells, facts)


def try_pictures(source: SampleSource, features: FrozenBackbone, workers: int) -> tuple[float, float]:
    """Seconds and cells of one picture in one pass of a head fit, tried on a few spread over the set.

    Parameters
    ----------
    source : SampleSource
        The pictures.
    features : FrozenBackbone
        The feature network.
    workers : int
        Pictures looked at side by side.

    Returns
    -------
    seconds, cells : float
        Means.
    """
    rng = np.random.default_rng(0)
    places = np.unique(np.linspace(0, len(source) - 1, 4).astype(int)).tolist()
    started, cells = time.perf_counter(), 0
    for index in places:
        source[index]
    # A picture that is kept is read in the first pass alone.
    reading = (time.perf_counter() - started) / (PASSES if source.bytes_in_all() <= CACHE_BYTES else 1)
    started = time.perf_counter()
    for index in places:
        sample = augment(source[index], rng)
        found = features(sample.picture)
        # As many hard cells as can be come along later.
        cells += len(cells_of(found, sample, index, rng, None).classes) + HARD_CELLS
    each = (reading + time.perf_counter() - started) / len(places)
    # The pictures are shared out to the cores, the fits come on top.
    return each / workers + FIT_SECONDS_A_DRAW, cells / len(places)
