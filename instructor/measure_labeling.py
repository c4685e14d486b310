"""What suggestions save a person who labels, simulated: ``python instructor/measure_labeling.py [FILM] [--seeds 5]``.

The boxes that a person must draw or drag after the first 12 pictures, and what a
detector is worth that was fitted on labels made that way: means and 95 %
intervals over seeds, each of which draws the picture that comes first and seeds
the fits.  With FILM, a street camera's film from the Debian package opencv-doc
(vtest.avi, not shipped), its boxes come from background subtraction, halved to
384×288.  About half an hour on two cores.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import tempfile
import time
from pathlib import Path

# One seed a core; before NumPy is imported, here and in every process.
os.environ["OMP_NUM_THREADS"] = "1"

import numpy as np
from scipy.stats import t

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


def measure(job: tuple[str, DataSet, DataSet | None, Path, int]) -> dict:
    """Efforts of one set with one seed, and AP50 of detectors fitted on both kinds of labels."""
    name, truth, test, folder, seed = job
    started = time.perf_counter()
    store = LabelStore(unlabeled_copy(truth, folder / f"{name}{seed}").labels_path)
    _, rest, _ = simulate_labeling(store, truth, seed=seed)
    found = {
        "drawn_or_dragged_percent": rest.drawn_or_dragged_percent,
        "actions_percent_of_by_hand": 100 * rest.actions / rest.actions_by_hand,
        **{kind: 100 * getattr(rest, kind) / rest.boxes for kind in ("dragged", "drawn", "deleted")},
        "seconds": time.perf_counter() - started,
    }
    if test is not None:
        for kind, data in (("by_hand", truth), ("suggested", open_dataset(store.labels_path))):
            detector = fit(data, seed=seed, progress=False)
            found[f"AP50_{kind}"] = 100 * metrics_of(test, detect_all(detector, test))["AP50"]
    store.close()
    print(json.dumps({"set": name, "seed": seed} | {key: round(value, 1) for key, value in found.items()}), flush=True)
    return {"set": name, **found}


def main() -> None:
    command = argparse.ArgumentParser(description=__doc__)
    command.add_argument("film", nargs="?", help="vtest.avi")
    command.add_argument("--seeds", type=int, default=5)
    options = command.parse_args()
    greenhouse = open_dataset(shipped("datasets/greenhouse"))
    rest = [name for name in greenhouse.recordings if name not in GREENHOUSE_TEST]
    with tempfile.TemporaryDirectory() as home:
        work = Path(home)
        sets = [
            ("coins", open_dataset(shipped("datasets/coins")), None),
            ("greenhouse", greenhouse.only(recordings=rest), greenhouse.only(recordings=GREENHOUSE_TEST)),
        ]
        if options.film:
            film = film_set(options.film, work / "film")
            *labeled, last = film.recordings
            sets.append(("film", film.only(recordings=labeled), film.only(recordings=last)))
        jobs = [(*one, work, seed) for one in sets for seed in range(options.seeds)]
        with multiprocessing.get_context("spawn").Pool(min(len(jobs), os.cpu_count() or 1)) as pool:
            found = pool.map(measure, jobs, 1)
    for name, *_ in sets:
        mine = [one for one in found if one["set"] == name]
        print(f"{name}, {len(mine)} seeds, mean and 95 % interval of the mean")
        for key in list(mine[0])[1:]:
            values = np.array([one[key] for one in mine])
            half = t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / len(values) ** 0.5 if len(values) > 1 else 0.0
            print(f"  {key}: {values.mean():.1f} ± {half:.1f}")


if __name__ == "__main__":
    main()
