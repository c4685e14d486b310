"""Fit a detector on what is labeled so far, and say what it finds in the rest.

Runs in a process of its own, at low priority, so that labeling stays smooth:
``python -m robotlab.label.fitting LABELS FOLDER`` reads the labels file, which
is whole at any moment, and writes ``model.onnx`` and ``suggestions.json``.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from pathlib import Path
from typing import Any

from robotlab.data import DataSet, open_dataset
from robotlab.errors import InputError
from robotlab.files import write_json
from robotlab.json_file import read_json
from robotlab.label.views import SCALES, detect_in_views, labeling_cost
from robotlab.neural import NeuralDetector, fit

# Detections below this are of no use to anyone who labels (common practice, no source).
FLOOR = 0.05


# What is suggested before anything is known of how the detector does: from this part of its best score on.  A box
# too many costs a key, one too few must be drawn.
EAGER = 0.7
# Thresholds tried.
THRESHOLDS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)

Fitted = tuple[NeuralDetector, dict[str, Any]]


def fit_on_labeled(labeled: DataSet, rest: DataSet | None, before: Fitted | None = None) -> Fitted:
    """Fit a head on the labeled pictures and detect in the others.

    Parameters
    ----------
    labeled, rest : DataSet
        Labeled pictures; those to be labeled, or None.
    before : (NeuralDetector, dict), optional
        What the fit before returned.  The pictures labeled since then, which
        that detector has never seen, say how to look at the others: from
        which score on, and enlarged or not, labeling costs least.

    Returns
    -------
    detector : NeuralDetector
        Fitted.
    found : dict
        ``learned`` (ids of the pictures that it learned from), ``score`` (from
        which on a detection is suggested), ``scales``, and ``pictures``: for
        each id rows of four corners, class id and score.

    Raises
    ------
    DataSetError
        If no labeled picture has a box that counts.
    """
    shown = sorted({int(label) for entry in labeled for label in entry.labels[~(entry.ignore | entry.crowd)]})
    learned = labeled.of_classes([labeled.classes[place] for place in shown]) if shown else labeled
    detector = fit(learned, progress=False)
    scales, score = SCALES[0], EAGER * detector.facts["best_score"]
    if before is not None and before[0].classes == learned.classes:
        known = set(before[1]["learned"])
        new = [entry for entry in learned if entry.id not in known]
        if any(len(entry) for entry in new):
            scales, score = cheapest(before[0], learned.having(new))
    pictures = []
    for entry in rest or ():
        found = detect_in_views(detector, rest.load(entry), scales)
        rows = [
            [*box, learned.category_ids[label], value]
            for box, label, value in zip(found.boxes.tolist(), found.labels, found.scores.tolist())
            if value >= FLOOR
        ]
        pictures.append([entry.id, rows])
    ids = [entry.id for entry in labeled]
    return detector, {"learned": ids, "score": score, "scales": list(scales), "pictures": pictures}


def cheapest(detector: NeuralDetector, new: DataSet) -> tuple[tuple[float, ...], float]:
    """The views and the threshold with which labeling pictures that a detector had not seen would have cost least."""
    costs = {}
    for scales in SCALES:
        seen = [(detect_in_views(detector, new.load(entry), scales), entry) for entry in new]
        for score in THRESHOLDS:
            costs[scales, score] = sum(labeling_cost(found, entry, score) for found, entry in seen)
    return min(costs, key=costs.get)


def main(labels: str, folder: str) -> int:
    """Fit, detect, and write both results; 1 where there is nothing to learn from yet."""
    with contextlib.suppress(OSError, AttributeError):
        os.nice(15)
    data = open_dataset(labels)
    done = [entry for entry in data if entry.record.get("labeled", len(entry) > 0)]
    rest = [entry for entry in data if not entry.record.get("labeled", len(entry) > 0)]
    model, suggestions = Path(folder) / "model.onnx", Path(folder) / "suggestions.json"
    try:
        before = None
        if model.is_file() and suggestions.is_file():
            before = NeuralDetector.load(model), read_json(suggestions, "suggestions")
        detector, found = fit_on_labeled(data.having(done), data.having(rest) if rest else None, before)
    except InputError as error:
        print(error, file=sys.stderr)
        return 1
    detector.save(model)
    write_json(suggestions, found, indent=None)
    return 0


def _end_with_parent() -> None:
    """The pipe closes when the labeler ends, however it ends."""
    sys.stdin.read()
    os._exit(130)


if __name__ == "__main__":
    threading.Thread(target=_end_with_parent, daemon=True).start()
    sys.exit(main(*sys.argv[1:]))
