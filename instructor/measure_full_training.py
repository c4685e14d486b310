"""Measure the full training that lesson 07 replays: ``python instructor/measure_full_training.py``.

Trains on the greenhouse's training recordings as ``robotlab fit --training fine-tuning
--engine numpy`` does, judges head fit and full training on recordings kept
apart; then trains on the coins as the lesson does, and from random weights.
Writes ``robotlab/course/measurements/full_training.json``.  About four minutes on
two idle cores; again whenever ``features.onnx`` or the engine changes.
"""

import hashlib
import time
from pathlib import Path

from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.files import write_json
from robotlab.neural import fit
from robotlab.neural.engine.workers import core_count
from robotlab.neural.facts import SHIPPED
from robotlab.neural.validation import detect_all, metrics_of
from robotlab.widgets import TrainingMonitor

# By lamps that both sides have, so that the lesson compares like with like.
LEARNED = ("day1", "day2", "day3", "overcast1", "overcast2", "dusk1", "dusk2")
APART = ("day4", "overcast3", "dusk3")
# The picture that the monitor shows: a far post, a bucket behind it and crates; of the recording that is held out.
HELD_OUT, SHOWN = "dusk2", "dusk2_016.jpg"
# Passes over the pictures: 974 steps.
EPOCHS = 28
# The lesson's own training on coins.
COIN_EPOCHS = 30


def coins() -> dict[str, dict[str, float]]:
    """Figures on the right half of the coins by the weights that training starts from."""
    data = open_dataset(shipped("datasets/coins"))
    judged = {}
    for start in ("shipped", "scratch"):
        detector = fit(data, training="fine_tuning", engine="numpy", start=start, hold_out="right", epochs=COIN_EPOCHS)
        judged[start] = {
            "steps": detector.facts["steps"],
            "AP50": detector.facts["validation_AP50"],
            "AP": detector.facts["validation_AP"],
        }
        print("coins from", start, judged[start])
    return judged


def main() -> None:
    data = open_dataset(shipped("datasets/greenhouse"))
    learned, apart = data.only(recordings=LEARNED), data.only(recordings=APART)
    shown = next(entry for entry in data.pictures if entry.path.name == SHOWN)
    monitor = TrainingMonitor.of(data, shown, alt="A greenhouse at dusk.")
    judged, seconds = {}, {}
    for stage, options in (
        ("frozen_backbone", {}),
        ("fine_tuning", {"engine": "numpy", "epochs": EPOCHS, "watch": monitor.watch}),
    ):
        started = time.monotonic()
        detector = fit(learned, training=stage, hold_out=HELD_OUT, **options)
        seconds[stage] = round(time.monotonic() - started)
        judged[stage] = {
            name: round(figure, 4) for name, figure in metrics_of(apart, detect_all(detector, apart)).items()
        }
        print(stage, judged[stage], f"{seconds[stage]} s")
    made_with = hashlib.sha256(SHIPPED.read_bytes()).hexdigest()
    write_json(
        shipped("robotlab/course/resources.py").parent / "measurements" / "full_training.json",
        {
            "features_sha256": made_with,
            "cores": core_count(),
            "seconds": seconds,
            "learned": LEARNED,
            "held_out": HELD_OUT,
            "pictures": detector.facts["pictures"],
            "steps": detector.facts["steps"],
            "kept_step": detector.facts["kept_step"],
            "judged_on": APART,
            "judged": judged,
            "shown": f"{Path(shown.path).name}",
            "coins": coins(),
            "log": monitor.log,
        },
    )


if __name__ == "__main__":
    main()
