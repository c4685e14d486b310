"""Fit a detector on the pictures labeled so far, and detect in the rest: run as a process of its own.

Runs in a process of its own, at low priority, so that labeling stays smooth:
``python -m robotlab.label.fitting LABELS FOLDER`` reads the labels file, which
is whole at any moment, and writes ``model.onnx`` and ``suggestions.json``.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from robotlab.data import DataSet, LabeledImage, open_dataset
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.files import write_json
from robotlab.label.refining import EDGE_CHANNELS, PooledViews, Refiner, principal_axes
from robotlab.label.views import Views
from robotlab.neural import BACKBONE, Cells, FrozenBackbone, NeuralDetector, SampleSource, head_layers, metrics_of
from robotlab.neural.budget import BASE_BYTES, check_memory, pictures_bytes, rows_bytes, workers_within
from robotlab.neural.cells import HARD_CELLS, MOST_CELLS, PASSES, RANDOM_CELLS, gather_cells
from robotlab.neural.engine.workers import WorkerPool, core_count
from robotlab.neural.facts import first_facts, pretrained_weights
from robotlab.neural.head import fit_linear_head, rough_head
from robotlab.neural.samples import choose_working

# Each labeled picture is held out of one of so many heads; boxes are refined by what at most so many pictures teach.
FOLDS, MOST_REFINED = 3, 200
# A box that is drawn takes two places of the pointer, a wrong one that is deleted takes one, and a key: a suggestion
# is worth showing from a chance of 1 in 4 on that it is right rather than wrong (chosen on greenhouses of other seeds).
WORTH_SHOWING = 0.25
# What is less likely is not even kept for the order of the pictures.
FLOOR = 0.05


def fit_on_labeled(labeled: DataSet, rest: DataSet | None, seed: int = 0) -> tuple[NeuralDetector, dict[str, Any]]:
    """Fit a head on the labeled pictures, and suggest boxes in the others.

    Parameters
    ----------
    labeled, rest : DataSet
        Labeled pictures; those to be labeled, or None.
    seed : int
        Same seed, same pictures, same machine: same suggestions.

    Returns
    -------
    detector : NeuralDetector
        Fitted on all labeled pictures.
    found : dict
        ``labeled`` (how many pictures it learned from), ``score`` (from which
        on a box is suggested) and ``pictures``: for each id rows of four
        corners, class id and score.

    Raises
    ------
    DataSetError
        If no labeled picture has a box that counts.

    Notes
    -----
    The head is the one of :func:`robotlab.neural.fit`.  Heads fitted without a
    third of the pictures show what a head makes of pictures that are new to
    it; from that a :class:`~robotlab.label.refining.Refiner` learns how to move
    its boxes, and which are worth showing.
    """
    shown = sorted({int(label) for entry in labeled for label in entry.labels[entry.counted]})
    learned = (labeled.of_classes([labeled.classes[place] for place in shown]) if shown else labeled).need_boxes()
    working_px, scale = choose_working(learned)
    weights, count = pretrained_weights(), len(learned.classes)
    features = FrozenBackbone(weights)
    source = SampleSource(learned, working_px, scale)
    workers = workers_within(source, core_count())
    most = min(len(learned), MOST_CELLS // (PASSES * (RANDOM_CELLS + HARD_CELLS)))
    rows = most * PASSES * (RANDOM_CELLS + HARD_CELLS)
    check_memory(BASE_BYTES + rows_bytes(rows, BACKBONE[-1].channels) + pictures_bytes(source, workers))
    with WorkerPool(workers if workers < core_count() else None) as pool:

        def each(data: DataSet, work: Callable[[int, Views], Any]) -> list[Any]:
            done: list[Any] = [None] * len(data)

            def one(place: int, _: int) -> None:
                done[place] = work(place, Views(data.load(data[place]), features, working_px, scale))

            pool.each(one, len(data))
            return done

        cells = gather_cells(source, features, rough_head(count), seed, pool, most=most)
        head = fit_linear_head(cells, count)
        folds = _folds(learned)
        heads = [_held_out(cells, folds[cells.pictures] != fold, head, count) for fold in range(FOLDS)]
        axes = principal_axes(cells.features, EDGE_CHANNELS)
        chosen = np.unique(np.linspace(0, len(learned) - 1, MOST_REFINED).astype(int))
        taught = learned.having([learned[int(place)] for place in chosen])

        def study(place: int, views: Views) -> tuple[PooledViews, np.ndarray]:
            return PooledViews(views, *axes), views.detect(heads[folds[chosen[place]]], learned.classes)

        known, found = zip(*each(taught, study))
        refiner = Refiner(known, [_truths(entry) for entry in taught], found, folds[chosen], count, seed)

        def suggest(_: int, views: Views) -> np.ndarray:
            return refiner.refine(PooledViews(views, *axes), views.detect(head, learned.classes))

        suggested = each(rest, suggest) if rest is not None else []
    detections = [Detections(one[:, :4], one[:, 5], one[:, 4].astype(int), learned.classes) for one in found]
    judged = metrics_of(taught, detections)
    facts = first_facts(learned, None, "none", "frozen_backbone", seed)
    facts |= {"cells": len(cells.classes), "head": "linear"}
    facts |= {name: round(judged[name], 4) for name in ("best_score", "best_f1")}
    layers = BACKBONE + head_layers(count)
    detector = NeuralDetector.build(layers, {**weights, **head}, learned.classes, facts, working_px, scale)
    pictures = [
        [entry.id, [[*row[:4], learned.category_ids[int(row[4])], row[5]] for row in one.tolist() if row[5] >= FLOOR]]
        for entry, one in zip(rest or (), suggested)
    ]
    return detector, {"labeled": len(labeled), "score": WORTH_SHOWING, "pictures": pictures}


def _truths(entry: LabeledImage) -> tuple[np.ndarray, np.ndarray]:
    return entry.boxes[entry.counted], entry.labels[entry.counted]


def _folds(data: DataSet) -> np.ndarray:
    """Which head each picture is held out of: neighbors in turn, and those with boxes spread evenly."""
    empty = np.array([not len(_truths(entry)[0]) for entry in data])
    folds = np.empty(len(data), int)
    folds[np.argsort(empty, kind="stable")] = np.arange(len(data)) % FOLDS
    return folds


def _held_out(cells: Cells, learned: np.ndarray, head: dict[str, np.ndarray], count: int) -> dict[str, np.ndarray]:
    """A head fitted on some of the cells; the one of all where those show no box."""
    some = cells.pick(learned)
    return fit_linear_head(some, count, start=head) if (some.box_weights > 0).any() else head


def main(labels: str, folder: str) -> int:
    """Fit, detect, and write both results; 1 where there is nothing to learn from yet."""
    with contextlib.suppress(OSError, AttributeError):
        os.nice(15)
    data = open_dataset(labels)
    done = [entry for entry in data if entry.record.get("labeled", len(entry) > 0)]
    rest = [entry for entry in data if not entry.record.get("labeled", len(entry) > 0)]
    try:
        detector, found = fit_on_labeled(data.having(done), data.having(rest) if rest else None)
    except InputError as error:
        print(error, file=sys.stderr)
        return 1
    detector.save(Path(folder) / "model.onnx")
    write_json(Path(folder) / "suggestions.json", found, indent=None)
    return 0


def _end_with_parent() -> None:
    """The pipe closes when the labeler ends, however it ends."""
    sys.stdin.read()
    os._exit(130)


if __name__ == "__main__":
    threading.Thread(target=_end_with_parent, daemon=True).start()
    sys.exit(main(*sys.argv[1:]))
