"""Fine-tuning on a data set: from the budget to the finished detector."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from robotlab._progress import progress_bar
from robotlab.data import DataSet
from robotlab.neural.budget import TrainingBudget, check_disk, check_memory, disk_bytes, memory_bytes, pictures_bytes
from robotlab.neural.cells import MOST_CELLS, FrozenBackbone, gather_cells
from robotlab.neural.detector import NeuralDetector
from robotlab.neural.engine.network import Network
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.engines import Engine, NumpyEngine
from robotlab.neural.facts import pretrained_weights, validation_metrics
from robotlab.neural.graph import head_layers
from robotlab.neural.head import fit_linear_head, rough_head
from robotlab.neural.samples import SampleSource, choose_working
from robotlab.neural.spec import BACKBONE, Layer, first_weights
from robotlab.neural.training_loop import BatchMaker, History, reduced_steps, train
from robotlab.neural.validation import detect_all, metrics_of
from robotlab.neural.windows import plan_windows

# Passes over the pictures to fit the head that fine-tuning starts with, and about
# how many cells a picture gives in each.
WARM_PASSES = 2
WARM_CELLS = 200
# Batches that the normalization's statistics are measured on before that: after
# these, (1 - NORM_MOMENTUM)^30 = 4 % of the shipped ones are left.
SETTLING_BATCHES = 30
# Probability of each class at a cell before anything is learned (Lin et al.).
FIRST_PROBABILITY = 0.01
# Windows that are drawn of each picture, and limits on the number of steps: 1000 steps of
# Muon are worth 1485 of AdamW (DEVELOPERS.md, "Time against AP").
USUAL_EPOCHS = 100
STEP_LIMITS = (300, 1000)
# From shipped weights this layer stays as it is: the same AP in .94 of a step (the same place in DEVELOPERS.md).
FROZEN = ("c1",)
# Time after which the usual training ends, whatever the machine.
USUAL_SECONDS = 280.0
# Validation pictures that are looked at while training; all are at the end.
JUDGED_PICTURES = 80


def adapt_batch_norm(
    weights: Mapping[str, np.ndarray], batches: BatchMaker, pool: WorkerPool, tick: Callable[[], object] = lambda: None
) -> dict[str, np.ndarray]:
    """The same weights, the normalization's running statistics measured on these pictures.

    Training normalizes each batch by its own statistics.  A head that was
    fitted on features by statistics of other pictures would begin far off.

    Parameters
    ----------
    weights : mapping of str to ndarray
        For the layers ``BACKBONE``.
    batches : BatchMaker
        Draws windows of the pictures to learn from.
    pool : WorkerPool
        Who does the work.
    tick : callable
        Told of each batch done, for a progress bar.

    Returns
    -------
    dict of str to ndarray
        Only what ends in ``.mean`` or ``.variance`` differs.
    """
    network = Network(BACKBONE, weights, pool)
    for step in range(SETTLING_BATCHES):
        network.forward(batches(step).pictures)
        tick()
    return {name: value.copy() for name, value in network.weights.items()}


def start_weights(
    source: SampleSource, batches: BatchMaker, count: int, start: str, seed: int, pool: WorkerPool, progress: bool
) -> dict[str, np.ndarray]:
    """Weights that fine-tuning starts from: features and head.

    Parameters
    ----------
    source : SampleSource
        Pictures to learn from.
    batches : BatchMaker
        Draws windows of them.
    count : int
        Number of classes.
    start : {"shipped", "scratch"}
        ``shipped`` takes the features as shipped, settles them and fits a head on them first.
    seed : int
        For chance.
    pool : WorkerPool
        Who does the work.
    progress : bool
        Show a progress bar.

    Returns
    -------
    dict of str to ndarray
        For the layers ``BACKBONE + head_layers(count)``.
    """
    if start == "shipped":
        most = min(len(source), MOST_CELLS // (WARM_PASSES * WARM_CELLS))
        with progress_bar(SETTLING_BATCHES + most * WARM_PASSES, "head first", progress, dynamic_ncols=True) as shown:
            weights = adapt_batch_norm(pretrained_weights(), batches, pool, shown.update)
            cells = gather_cells(
                source, FrozenBackbone(weights), rough_head(count, pool), seed, pool, WARM_PASSES, shown.update, most
            )
        return {**weights, **fit_linear_head(cells, count, pool=pool)}
    weights = first_weights(BACKBONE + head_layers(count), seed)
    weights["head.kernel"] *= np.float32(0.1)
    # At first every cell is background with probability 1 - FIRST_PROBABILITY, so that the
    # many background cells do not drown the few centers (arXiv:1708.02002, 3.3).
    weights["head.bias"][0] = np.log((1 - FIRST_PROBABILITY) / FIRST_PROBABILITY * count)
    return weights


def fine_tune(
    training_set: DataSet,
    validation_set: DataSet | None,
    facts: Mapping[str, Any],
    seed: int,
    engine_name: str,
    start: str,
    minutes: float | None,
    epochs: int | None,
    progress: bool,
    state_path: str | os.PathLike | None,
    watch: Callable[[History, NeuralDetector | None], object] | None = None,
) -> NeuralDetector:
    """Fine-tune on a data set that is already split.

    Parameters
    ----------
    training_set, validation_set : DataSet
        The training set, and the validation set (or ``None``).
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
    watch : callable, optional
        Told how it goes, see :func:`robotlab.neural.fit`.

    Returns
    -------
    Detector
        The latest that is not clearly worse on the validation set than the best
        (``facts["kept_step"]``); after Ctrl-C, which ``facts["interrupted"]`` says, the latest so far.
    """
    count = len(training_set.classes)
    working_px, scale = choose_working(training_set)
    source = SampleSource(training_set, working_px, scale)
    layers = BACKBONE + head_layers(count)
    if start == "shipped":
        layers = tuple(replace(layer, frozen=layer.name in FROZEN) for layer in layers)
    windows = plan_windows(*source.sizes_and_sides())
    needed = disk_bytes(layers, state_path is not None)
    check_disk(Path(state_path).parent if state_path is not None else Path.cwd(), needed)
    steps = step_count(len(training_set), windows.count, epochs)
    seconds = 60 * minutes if minutes else (USUAL_SECONDS if epochs is None else None)
    judged = None if validation_set is None else evenly_spread(validation_set, JUDGED_PICTURES)

    def made(trained: Mapping[str, np.ndarray], known: Mapping[str, Any]) -> NeuralDetector:
        return NeuralDetector.build(layers, trained, training_set.classes, known, working_px, scale)

    newest: list[NeuralDetector] = []

    def judge(trained: Mapping[str, np.ndarray]) -> dict[str, float]:
        assert judged is not None
        newest[:] = [made(trained, {})]
        return metrics_of(judged, detect_all(newest[0], judged))

    with WorkerPool() as pool:
        warm = min(len(source) * WARM_PASSES * WARM_CELLS, MOST_CELLS)
        cached = pictures_bytes(source, min(pool.workers, len(source)))
        memory = memory_bytes(
            layers,
            windows.count,
            windows.height_px,
            windows.width_px,
            cached,
            engine_name == "torch",
            warm,
            pool.workers,
        )
        check_memory(memory)
        batches = BatchMaker(source, windows, seed, pool)
        if progress:
            # Not given a name, so that its memory is free again.
            taken = training_seconds(make_engine(engine_name, layers, first_weights(layers), pool), batches, steps)
            predicted = min(taken, seconds or np.inf)
            size = f"{windows.count} windows of {windows.width_px}x{windows.height_px}"
            tqdm.write(
                f"fine-tuning ({engine_name}): up to {steps} steps of {size}; {TrainingBudget(predicted, memory, needed)}"
            )
        # A state that is gone on from holds its own weights.
        goes_on = state_path is not None and Path(state_path).exists()
        weights = (
            first_weights(layers) if goes_on else start_weights(source, batches, count, start, seed, pool, progress)
        )
        engine = make_engine(engine_name, layers, weights, pool)
        with progress_bar(steps, "fine-tuning", progress, dynamic_ncols=True) as shown:

            def tell(step: int, history: History) -> None:
                shown.update(step - shown.n)
                words = {"loss": f"{history.losses[-1]:.3f}"} if history.losses else {}
                if history.judged_AP:
                    words["validation AP50"] = f"{history.judged_AP50[-1]:.3f}"
                    words["AP"] = f"{history.judged_AP[-1]:.3f}"
                shown.set_postfix(words, refresh=False)
                if watch is not None and (newest or history.steps[-1:] == [step]):
                    watch(history, newest.pop() if newest else None)

            fingerprint = {
                "seed": seed,
                "start": start,
                "pictures": len(training_set),
                "classes": list(training_set.classes),
                "windows": vars(windows),
            }
            kept, history, finished = train(
                engine,
                batches,
                steps,
                None if validation_set is None else judge,
                tell,
                seconds,
                state_path,
                fingerprint,
            )
    facts = {
        **facts,
        "engine": engine_name,
        "start": start,
        "steps": history.steps[-1] if history.steps else 0,
        "kept_step": kept.step,
        "windows": vars(windows),
        "curve": {name: [round(value, 4) for value in values] for name, values in vars(history).items()},
    }
    if not finished:
        facts["interrupted"] = True
    return made(kept.weights, {**facts, **validation_metrics(made(kept.weights, {}), validation_set)})


def make_engine(name: str, layers: Sequence[Layer], weights: Mapping[str, np.ndarray], pool: WorkerPool) -> Engine:
    """The engine of that name."""
    if name == "numpy":
        return NumpyEngine(layers, weights, pool)
    from robotlab.neural.torch_engine import TorchEngine  # PyTorch is optional and slow to import

    return TorchEngine(layers, weights)


def training_seconds(engine: Engine, batches: BatchMaker, steps: int) -> float:
    """Seconds that so many steps take, from a few that are tried; the engine is one to throw away."""

    def fastest(reduced: bool) -> float:
        took = []
        # In pairs: the windows of two steps are drawn at once.
        for step in (0, 2):
            started = time.perf_counter()
            for one in (step, step + 1):
                engine.step(batches(one, reduced), 0.0)
            took.append((time.perf_counter() - started) / 2)
        return min(took)

    few = reduced_steps(steps)
    return (few * fastest(True) if few else 0.0) + (steps - few) * fastest(False)


def step_count(pictures: int, windows: int, epochs: int | None) -> int:
    """Steps of fine-tuning."""
    if epochs is not None:
        return max(1, round(epochs * pictures / windows))
    return int(np.clip(round(USUAL_EPOCHS * pictures / windows), *STEP_LIMITS))


def evenly_spread(data: DataSet, most: int) -> DataSet:
    """At most so many pictures, evenly spread."""
    if len(data) <= most:
        return data
    return data.having([data.pictures[i] for i in np.linspace(0, len(data) - 1, most).round().astype(int)])
