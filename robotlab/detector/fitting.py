"""Fit a detector: one call for both stages."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from robotlab.dataset import DataSet
from robotlab.detector.engine.crew import Crew
from robotlab.detector.engines import Engine, NumpyEngine, choose_engine
from robotlab.detector.file import Detector, head_layers
from robotlab.detector.head import PASSES, Cells, FrozenFeatures, fit_linear_head, gather_cells
from robotlab.detector.held_out import figures, find_all, split_held_out
from robotlab.detector.mlp_head import HIDDEN, fit_mlp_head
from robotlab.detector.onnxio import weights_from_onnx
from robotlab.detector.plan import Budget, check_disk, disk_bytes, memory_bytes
from robotlab.detector.samples import CACHE_BYTES, SampleSource, choose_working
from robotlab.detector.spec import FEATURES, Layer, first_weights
from robotlab.detector.train import BatchMaker, Course, train
from robotlab.detector.windows import plan_windows
from robotlab.errors import InputError

SHIPPED = Path(__file__).with_name("features.onnx")
# Passes over the pictures to fit the head that full training starts with.
WARM_PASSES = 2
# Share that the classes have of a cell before anything is learned (Lin et al.).
FIRST_SHARE = 0.01
# Windows that are drawn of each picture, and limits on the number of steps.
USUAL_EPOCHS = 100
STEP_LIMITS = (300, 1500)
# Time after which the usual training ends, whatever the machine.
USUAL_SECONDS = 280.0
# Held-out pictures that are looked at while training; all are at the end.
JUDGED_PICTURES = 80


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
    facts = first_facts(learned, held, held_words, stage, seed)
    if stage == "head":
        return fit_head(learned, held, hold_out is not None, facts, seed, head, progress)
    return fit_full(learned, held, facts, seed, choose_engine(engine), start, minutes, epochs, progress, state_path)


def first_facts(learned: DataSet, held: DataSet | None, held_words: str, stage: str, seed: int) -> dict[str, Any]:
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


def judged_facts(detector: Detector, held: DataSet | None) -> dict[str, float]:
    """Figures on the held-out pictures, for the file's metadata."""
    if held is None:
        return {"best_score": 0.5}
    checked = figures(held, find_all(detector, held))
    names = {"AP": "held_out_AP", "AP50": "held_out_AP50", "best_score": "best_score", "best_f1": "best_f1"}
    return {name: round(checked[key], 4) for key, name in names.items()}


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
    layers = FEATURES + head_layers(count, HIDDEN if head == "mlp" else 0)

    def made(cells: Cells, known: Mapping[str, Any]) -> Detector:
        fitted = fit_mlp_head(cells, count, seed) if head == "mlp" else fit_linear_head(cells, count)
        return Detector.build(layers, {**weights, **fitted}, learned.classes, known, working_px, scale)

    last_too = held is not None and not named
    total = (len(learned) + (len(held) if last_too else 0)) * PASSES
    with bar(total, "head fit", progress) as shown, Crew() as crew:
        cells = gather_cells(SampleSource(learned, working_px, scale), features, count, seed, crew, step=shown.update)
        facts = {**facts, "cells": len(cells.classes), "head": head}
        facts |= judged_facts(made(cells, facts), held)
        if last_too:
            more = gather_cells(SampleSource(held, working_px, scale), features, count, seed + 1, crew, step=shown.update)
            cells = Cells.joined([cells, more])
            facts["held_out_learned_after"] = True
        return made(cells, facts)


def start_weights(source: SampleSource, count: int, start: str, seed: int, progress: bool) -> dict[str, np.ndarray]:
    """Weights that full training starts from: features and head.

    Parameters
    ----------
    source : SampleSource
        Pictures to learn from.
    count : int
        Number of classes.
    start : {"shipped", "scratch"}
        ``shipped`` takes the features as shipped and fits a head on them first.
    seed : int
        For chance.
    progress : bool
        Show a progress bar.

    Returns
    -------
    dict of str to ndarray
        For the layers ``FEATURES + head_layers(count)``.
    """
    if start == "shipped":
        weights = shipped_weights()
        with bar(len(source) * WARM_PASSES, "head first", progress) as shown, Crew() as crew:
            cells = gather_cells(source, FrozenFeatures(weights), count, seed, crew, WARM_PASSES, shown.update)
            return {**weights, **fit_linear_head(cells, count)}
    weights = first_weights(FEATURES + head_layers(count), seed)
    weights["head.kernel"] *= np.float32(0.1)
    # At first every cell is background with share 1 - FIRST_SHARE, so that the
    # many background cells do not drown the few centers (arXiv:1708.02002, 3.3).
    weights["head.bias"][0] = np.log((1 - FIRST_SHARE) / FIRST_SHARE * count)
    return weights


def fit_full(
    learned: DataSet,
    held: DataSet | None,
    facts: Mapping[str, Any],
    seed: int,
    engine_name: str,
    start: str,
    minutes: float | None,
    epochs: int | None,
    progress: bool,
    state_path: str | os.PathLike | None,
) -> Detector:
    """Stage two on a data set that is already split.

    Parameters
    ----------
    learned, held : DataSet
        Pictures to learn from, and held out (or ``None``).
    facts : mapping
        What is known already.
    seed : int
        For chance.
    engine_name : {"numpy", "torch"}
        Which engine.
    start : {"shipped", "scratch"}
        Weights to start from.
    minutes, epochs : float, int, optional
        At most so long.
    progress : bool
        Show progress bars and the budget.
    state_path : path-like, optional
        Kept there and continued from.

    Returns
    -------
    Detector
        The best on the held-out pictures; after Ctrl-C the best so far, and
        ``facts["interrupted"]`` says so.
    """
    count = len(learned.classes)
    working_px, scale = choose_working(learned)
    source = SampleSource(learned, working_px, scale)
    layers = FEATURES + head_layers(count)
    windows = plan_windows(*source.sizes_and_sides())
    needed = disk_bytes(layers, state_path is not None)
    check_disk(Path(state_path).parent if state_path is not None else Path.cwd(), needed)
    steps = step_count(len(learned), windows.count, epochs)
    seconds = 60 * minutes if minutes else (USUAL_SECONDS if epochs is None else None)
    weights = start_weights(source, count, start, seed, progress)
    judged = None if held is None else thinned(held, JUDGED_PICTURES)

    def made(trained: Mapping[str, np.ndarray], known: Mapping[str, Any]) -> Detector:
        return Detector.build(layers, trained, learned.classes, known, working_px, scale)

    def judge(trained: Mapping[str, np.ndarray]) -> dict[str, float]:
        return figures(judged, find_all(made(trained, {}), judged))

    with Crew() as crew:
        engine = make_engine(engine_name, layers, weights, crew)
        batches = BatchMaker(source, windows, seed, crew)
        step_seconds = probe(engine, batches)
        memory = memory_bytes(layers, windows.count, windows.height_px, windows.width_px, CACHE_BYTES, engine_name == "torch")
        budget = Budget(min(steps * step_seconds, seconds or np.inf), memory, needed)
        if progress:
            size = f"{windows.width_px}x{windows.height_px}"
            tqdm.write(f"full training ({engine_name}): {steps} steps of {windows.count} windows {size}; {budget}")
        with bar(steps, "full training", progress) as shown:

            def tell(step: int, course: Course) -> None:
                shown.update(step - shown.n)
                words = {"loss": f"{course.losses[-1]:.3f}"} if course.losses else {}
                if course.judged_AP:
                    words["held-out AP50"] = f"{course.judged_AP50[-1]:.3f}"
                    words["AP"] = f"{course.judged_AP[-1]:.3f}"
                shown.set_postfix(words, refresh=False)

            marks = {"seed": seed, "pictures": len(learned), "classes": list(learned.classes), "windows": vars(windows)}
            trained, course, finished = train(
                engine, batches, steps, None if held is None else judge, tell, seconds, state_path, marks
            )
    facts = {
        **facts,
        "engine": engine_name,
        "start": start,
        "steps": course.steps[-1] if course.steps else 0,
        "windows": vars(windows),
        "curve": {name: [round(value, 4) for value in values] for name, values in vars(course).items()},
    }
    if not finished:
        facts["interrupted"] = True
    return made(trained, {**facts, **judged_facts(made(trained, {}), held)})


def make_engine(name: str, layers: Sequence[Layer], weights: Mapping[str, np.ndarray], crew: Crew) -> Engine:
    """The engine of that name."""
    if name == "numpy":
        return NumpyEngine(layers, weights, crew)
    from robotlab.detector.torch_engine import TorchEngine  # PyTorch is optional and slow to import

    return TorchEngine(layers, weights)


def probe(engine: Engine, batches: BatchMaker) -> float:
    """Seconds that one step takes, measured without leaving a trace."""
    before = {name: np.array(value) for name, value in engine.state().items()}
    took = []
    for step in range(3):
        started = time.perf_counter()
        engine.step(batches(step), 0.0)
        took.append(time.perf_counter() - started)
    engine.restore(before)
    return min(took)


def step_count(pictures: int, windows: int, epochs: int | None) -> int:
    """Steps of a full training."""
    if epochs is not None:
        return max(1, round(epochs * pictures / windows))
    return int(np.clip(round(USUAL_EPOCHS * pictures / windows), *STEP_LIMITS))


def thinned(data: DataSet, most: int) -> DataSet:
    """At most so many pictures, evenly spread."""
    if len(data) <= most:
        return data
    return data.having([data.pictures[i] for i in np.linspace(0, len(data) - 1, most).round().astype(int)])
