"""Random labels and results in COCO form, and pycocotools' answer to them."""

from __future__ import annotations

import contextlib
import copy
import io

import numpy as np


def random_set(
    rng: np.random.Generator,
    pictures: int = 8,
    classes: int = 3,
    things: int = 6,
    detections: int = 12,
    whole: bool = False,
    tied: bool = False,
    crowds: float = 0.1,
    spread: float = 200.0,
) -> tuple[dict, list]:
    """Labels and results; ids in random order with gaps, some pictures empty, the last class never there.

    ``detections`` above 100 go over COCO's limit; ``tied`` rounds scores to
    one digit; ``whole`` rounds boxes to whole pixels, so that overlaps are
    often equal and areas often exactly at a border.
    """
    images = [
        {"id": int(n), "width": 640, "height": 480, "file_name": f"{n}.png"}
        for n in rng.permutation(pictures * 3)[:pictures]
    ]
    categories = [{"id": int(n), "name": f"class {n}"} for n in rng.permutation(classes * 2)[:classes] + 1]
    class_ids = [category["id"] for category in categories]
    annotations, results = [], []
    for image in images:
        mine = []
        for _ in range(rng.integers(0, things + 1) if rng.random() > 0.15 else 0):
            box = np.r_[rng.uniform(0, spread, 2), np.exp(rng.uniform(1.5, 5.5, 2))]
            if rng.random() < 0.1:
                box[2:] = rng.choice([32, 96])
            box = np.round(box) if whole else box
            part = rng.uniform(0.6, 1) if rng.random() < 0.5 else 1.0
            mine.append(
                {
                    "id": len(annotations) + len(mine) + 1,
                    "image_id": image["id"],
                    "category_id": int(rng.choice(class_ids[:-1] or class_ids)),
                    "bbox": box.tolist(),
                    "area": float(box[2] * box[3] * part),
                    "iscrowd": int(rng.random() < crowds),
                    "ignore": int(rng.random() < crowds),
                }
            )
        annotations += mine
        for _ in range(rng.integers(0, detections + 1) if rng.random() > 0.1 else 0):
            if mine and rng.random() < 0.7:
                truth = mine[rng.integers(len(mine))]
                box = np.array(truth["bbox"])
                if rng.random() > 0.15:
                    box = box + rng.normal(0, 0.08, 4) * np.tile(box[2:], 2)
                    box[2:] = np.abs(box[2:])
                label = truth["category_id"] if rng.random() < 0.9 else int(rng.choice(class_ids))
            else:
                box = np.r_[rng.uniform(0, spread, 2), np.exp(rng.uniform(1.5, 5.5, 2))]
                label = int(rng.choice(class_ids))
            box = np.round(box) if whole else box
            score = rng.random()
            results.append(
                {
                    "image_id": image["id"],
                    "category_id": label,
                    "bbox": box.tolist(),
                    "score": float(round(score, 1) if tied else score),
                }
            )
    labels = {"info": {}, "images": images, "categories": categories, "annotations": annotations}
    return labels, [results[n] for n in rng.permutation(len(results))]


def settings(rng: np.random.Generator) -> dict:
    """Random arguments for :func:`random_set`, from empty to crowded."""
    return {
        "pictures": int(rng.integers(1, 12)),
        "classes": int(rng.integers(1, 5)),
        "things": int(rng.integers(0, 25)),
        "detections": int(rng.choice([0, 5, 20, 60, 400])),
        "whole": bool(rng.random() < 0.5),
        "tied": bool(rng.random() < 0.5),
        "crowds": float(rng.choice([0, 0.2])),
        "spread": float(rng.choice([20, 100, 400])),
    }


def pycocotools_eval(labels: dict, results: list):
    """A finished ``COCOeval``: ``.stats``, ``.eval["precision"]``, ``.eval["recall"]``."""
    from pycocotools.coco import COCO
    from pycocotools.cocoeval import COCOeval

    with contextlib.redirect_stdout(io.StringIO()):
        truth = COCO()
        truth.dataset = copy.deepcopy(labels)
        truth.createIndex()
        if results:
            found = truth.loadRes(copy.deepcopy(results))
        else:  # loadRes takes no empty list
            found = COCO()
            found.dataset = {**copy.deepcopy(labels), "annotations": []}
            found.createIndex()
        evaluation = COCOeval(truth, found, "bbox")
        evaluation.evaluate()
        evaluation.accumulate()
        evaluation.summarize()
    return evaluation


def as_dataset(labels: dict, recordings: int = 4):
    """The labels as a data set, without files; pictures in the order of the list."""
    from pathlib import Path

    from robotlab.data import DataSet, LabeledImage

    class_ids = [category["id"] for category in labels["categories"]]
    entries = []
    for place, image in enumerate(labels["images"]):
        notes = [note for note in labels["annotations"] if note["image_id"] == image["id"]]
        boxes = np.array([note["bbox"] for note in notes], float).reshape(-1, 4)
        boxes[:, 2:] += boxes[:, :2]
        entries.append(
            LabeledImage(
                image["id"],
                Path(image["file_name"]),
                image["width"],
                image["height"],
                recording=f"walk {place % recordings}",
                lighting=("dusk", "grow", None)[place % 3],
                boxes=boxes,
                labels=[class_ids.index(note["category_id"]) for note in notes],
                areas=[note["area"] for note in notes],
                crowd=[bool(note["iscrowd"]) for note in notes],
                ignore=[bool(note["ignore"]) for note in notes],
                distances_m=[1.7 if note["id"] % 2 else np.nan for note in notes],
                annotations=tuple(notes),
            )
        )
    names = tuple(category["name"] for category in labels["categories"])
    return DataSet(Path("annotations.json"), names, tuple(class_ids), tuple(entries))
