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
from robotlab.label.views import detect_mirrored
from robotlab.neural import NeuralDetector, fit

# Detections below this are of no use to anyone who labels (common practice, no source).
FLOOR = 0.05


# What is suggested: from this part of the detector's best score on.  A box too many costs a key, one too few must be
# drawn.  (Chosen on the coins and the greenhouse, of .6 to 1.)
EAGER = 0.8


def fit_on_labeled(labeled: DataSet, rest: DataSet | None) -> tuple[NeuralDetector, dict[str, Any]]:
    """Fit a head on the labeled pictures and detect in the others.

    Parameters
    ----------
    labeled, rest : DataSet
        Labeled pictures; those to be labeled, or None.

    Returns
    -------
    detector : NeuralDetector
        Fitted.
    found : dict
        ``labeled`` (how many pictures it learned from), ``score`` (from which
        on a detection is suggested) and ``pictures``: for each id rows of four
        corners, class id and score.

    Raises
    ------
    DataSetError
        If no labeled picture has a box that counts.
    """
    shown = sorted({int(label) for entry in labeled for label in entry.labels[~(entry.ignore | entry.crowd)]})
    learned = labeled.of_classes([labeled.classes[place] for place in shown]) if shown else labeled
    detector = fit(learned, progress=False)
    pictures = []
    for entry in rest or ():
        found = detect_mirrored(detector, rest.load(entry))
        rows = [
            [*box, learned.category_ids[label], value]
            for box, label, value in zip(found.boxes.tolist(), found.labels, found.scores.tolist())
            if value >= FLOOR
        ]
        pictures.append([entry.id, rows])
    score = EAGER * detector.facts["best_score"]
    return detector, {"labeled": len(labeled), "score": score, "pictures": pictures}


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
