"""What suggestions save a person who labels, simulated: ``python instructor/measure_labeling.py [FILM]``.

The boxes that a person must draw or drag after the first 12 pictures, and what a
detector is worth that was fitted on labels made that way.  With FILM, a street
camera's film from the Debian package opencv-doc (vtest.avi, not shipped), its
boxes come from background subtraction, halved to 384×288.  About ten minutes.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from robotlab.course import shipped
from robotlab.data import DataSet, Sample, open_dataset, write_dataset
from robotlab.label import LabelStore, simulate_labeling, unlabeled_copy
from robotlab.neural import detect_all, fit, metrics_of

# Recordings labeled and learned from, and recordings judged on.
GREENHOUSE_TEST = ("day4", "overcast3", "dusk3", "dusk1", "grow2", "warm2", "day2")


def film_set(path: str, folder: Path, most: int = 160) -> DataSet:
    """Every few frames of a film with still camera, boxes around what moves (Zivkovic, ICPR 2004)."""
    import cv2

    film = cv2.VideoCapture(path)
    moving = cv2.createBackgroundSubtractorMOG2(history=200, varThreshold=24, detectShadows=True)
    samples, number = [], 0
    while len(samples) < most:
        there, frame = film.read()
        if not there:
            break
        frame = cv2.resize(frame, (384, 288), interpolation=cv2.INTER_AREA)
        mask = (moving.apply(frame) == 255).astype(np.uint8)
        number += 1
        if number < 60 or number % 4:
            continue
        mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 5), np.uint8))
        _, _, stats, _ = cv2.connectedComponentsWithStats(mask)
        boxes = [
            [x, y, x + w, y + h] for x, y, w, h, area in stats[1:].tolist() if area >= 60 and 15 <= h <= 80 and w >= 6
        ]
        picture = np.ascontiguousarray(frame[..., ::-1])
        samples.append(Sample(f"{number:05d}.jpg", picture, boxes, [0] * len(boxes), recording=f"part{number // 200}"))
    return write_dataset(folder, samples, ["mover"])


def measure(name: str, truth: DataSet, test: DataSet | None, folder: Path) -> dict:
    """Efforts of one set, and AP50 of detectors fitted on both kinds of labels."""
    started = time.perf_counter()
    store = LabelStore(unlabeled_copy(truth, folder / name).labels_path)
    first, rest, _ = simulate_labeling(store, truth)
    found = {
        "set": name,
        "pictures": len(truth),
        "boxes": truth.box_count,
        "first": vars(first),
        "after": vars(rest),
        "drawn_or_dragged_percent": round(rest.drawn_or_dragged_percent, 1),
        "actions_percent_of_by_hand": round(100 * rest.actions / rest.actions_by_hand, 1),
        "actions_without_going_on_percent": round(100 * (rest.actions - rest.pictures) / rest.boxes, 1),
        "seconds": round(time.perf_counter() - started),
    }
    if test is not None:
        for kind, data in (("by_hand", truth), ("suggested", open_dataset(store.labels_path))):
            detector = fit(data, progress=False)
            judged = metrics_of(test, detect_all(detector, test))
            found[f"AP50_{kind}"] = round(judged["AP50"], 3)
    store.close()
    return found


def main() -> None:
    greenhouse = open_dataset(shipped("datasets/greenhouse"))
    coins = open_dataset(shipped("datasets/coins"))
    rest = [name for name in greenhouse.recordings if name not in GREENHOUSE_TEST]
    with tempfile.TemporaryDirectory() as home:
        jobs = [
            ("coins", coins, None),
            ("greenhouse", greenhouse.only(recordings=rest), greenhouse.only(recordings=GREENHOUSE_TEST)),
        ]
        if len(sys.argv) > 1:
            film = film_set(sys.argv[1], Path(home) / "film")
            last = film.recordings[-1]
            jobs.append(
                (
                    "film",
                    film.only(recordings=[name for name in film.recordings if name != last]),
                    film.only(recordings=last),
                )
            )
        for job in jobs:
            print(json.dumps(measure(*job, Path(home) / "work")), flush=True)


if __name__ == "__main__":
    main()
