"""AP evaluation, IoU and NMS, beside pycocotools, faster-coco-eval and OpenCV."""

from __future__ import annotations

import contextlib
import io
import sys
from pathlib import Path

import numpy as np
from timing import Missing, growth_row, missing_row, side_by_side

from robotlab.boxes import iou, nms, xywh_from_corners
from robotlab.metrics import evaluate_coco

sys.path.insert(0, str(Path(__file__).parents[1]))
from coco_reference import tables_from_coco


def coco_set(
    pictures: int, seed: int = 0, classes: int = 20, things: int = 7, detections: int = 40
) -> tuple[dict, list]:
    """Labels and results as JSON gives them: per picture about 7 things, 40 detections, some of them right."""
    rng = np.random.default_rng(seed)
    images = [{"id": n + 1, "width": 640, "height": 480, "file_name": f"{n + 1}.jpg"} for n in range(pictures)]
    categories = [{"id": n + 1, "name": f"class {n + 1}"} for n in range(classes)]
    annotations, results = [], []
    for image in images:
        boxes = np.hstack([rng.uniform(0, 500, (things, 2)), np.exp(rng.uniform(2.3, 5.2, (things, 2)))]).round(2)
        labels = rng.integers(1, classes + 1, things)
        for box, label in zip(boxes.tolist(), labels.tolist(), strict=True):
            annotations.append(
                {
                    "id": len(annotations) + 1,
                    "image_id": image["id"],
                    "category_id": label,
                    "bbox": box,
                    "area": box[2] * box[3],
                    "iscrowd": int(rng.random() < 0.01),
                }
            )
        aimed = rng.integers(0, things, detections)
        found = boxes[aimed] + rng.normal(0, 0.15, (detections, 4)) * np.tile(boxes[aimed, 2:], 2)
        found[:, 2:] = np.abs(found[:, 2:])
        stray = rng.random(detections) < 0.6
        found[stray] = np.hstack(
            [rng.uniform(0, 500, (stray.sum(), 2)), np.exp(rng.uniform(2.3, 5.2, (stray.sum(), 2)))]
        )
        names = np.where(rng.random(detections) < 0.85, labels[aimed], rng.integers(1, classes + 1, detections))
        scores = np.where(stray, rng.beta(1, 4, detections), rng.beta(3, 2, detections))
        for box, label, score in zip(found.round(2).tolist(), names.tolist(), scores.round(4).tolist(), strict=True):
            results.append({"image_id": image["id"], "category_id": label, "bbox": box, "score": score})
    return {"info": {}, "images": images, "categories": categories, "annotations": annotations}, results


def _ours(labels: dict, results: list) -> list[float]:
    return list(evaluate_coco(*tables_from_coco(labels, results)).numbers().values())


def _pycocotools(labels: dict, results: list) -> list[float]:
    from pycocotools.coco import COCO
    from pycocotools.cocoeval import COCOeval

    with contextlib.redirect_stdout(io.StringIO()):
        truth = COCO()
        truth.dataset = labels
        truth.createIndex()
        evaluation = COCOeval(truth, truth.loadRes(results), "bbox")
        evaluation.evaluate()
        evaluation.accumulate()
        evaluation.summarize()
    return evaluation.stats.tolist()


def _faster_coco_eval(labels: dict, results: list) -> list[float]:
    from faster_coco_eval import COCO, COCOeval_faster

    truth = COCO(labels)
    evaluation = COCOeval_faster(truth, truth.loadRes(results), "bbox", print_function=lambda *_: None)
    evaluation.evaluate()
    evaluation.accumulate()
    evaluation.summarize()
    return evaluation.stats[:12].tolist()


def _same(ours: object, theirs: object) -> None:
    if not np.array_equal(ours, theirs):
        raise AssertionError(f"the two answers differ: {ours} and {theirs}")


def scattered(count: int, seed: int = 0) -> np.ndarray:
    """Boxes of 10 to 100 px all over 640 x 480."""
    rng = np.random.default_rng(seed)
    corner = rng.uniform(0, 1, (count, 2)) * (640, 480)
    return np.hstack([corner, corner + rng.uniform(10, 100, (count, 2))])


def clustered(count: int, seed: int = 0) -> np.ndarray:
    """Boxes around 60 things, as a detector gives them before NMS."""
    rng = np.random.default_rng(seed)
    thing = rng.integers(0, 60, count)
    corner = (rng.uniform(0, 1, (60, 2)) * (600, 440))[thing] + rng.normal(0, 3, (count, 2))
    size = rng.uniform(20, 80, (60, 2))[thing] * np.exp(rng.normal(0, 0.1, (count, 2)))
    return np.hstack([corner, corner + size])


def rows() -> list[dict]:
    """Every row of this module.

    Returns
    -------
    list of dict
        See README.md.
    """
    try:
        import cv2
        from pycocotools import mask
    except ImportError as error:
        raise Missing(str(error.name)) from None

    out = []
    for pictures, repeats in ((200, 9), (2000, 3)):
        labels, results = coco_set(pictures)
        name = f"AP, 12 numbers: {pictures} pictures, {len(results)} detections"
        timed = side_by_side(
            lambda: _ours(labels, results), lambda: _pycocotools(labels, results), repeats, check=_same
        )
        out.append(timed.row(name, "pycocotools", 1 / 30, "from parsed JSON to the twelve numbers, equal bit for bit"))
        try:
            import faster_coco_eval  # noqa: F401
        except ImportError:
            out.append(missing_row(name, "faster-coco-eval"))
            continue
        timed = side_by_side(
            lambda: _ours(labels, results), lambda: _faster_coco_eval(labels, results), repeats, check=_same
        )
        out.append(
            timed.row(name, "faster-coco-eval", 1 / 3, "from parsed JSON to the twelve numbers, equal bit for bit")
        )

    a, b = scattered(1000, 1), scattered(1000, 2)
    a_sides, b_sides, no_crowd = xywh_from_corners(a), xywh_from_corners(b), np.zeros(1000, np.uint8)
    timed = side_by_side(
        lambda: iou(a, b),
        lambda: mask.iou(a_sides, b_sides, no_crowd),
        31,
        check=lambda ours, theirs: np.testing.assert_allclose(ours, theirs, atol=1e-12),
    )
    out.append(timed.row("IoU, 1000 x 1000 boxes", "pycocotools mask.iou"))

    scores = (1 + np.random.default_rng(3).permutation(5000)) / 8192
    few = "few are kept, and OpenCV stops at the first that overlaps"
    for name, boxes, note in (("scattered", scattered(5000), ""), ("clustered", clustered(5000), few)):
        sides = xywh_from_corners(boxes)
        timed = side_by_side(
            lambda boxes=boxes: nms(boxes, scores, 0.5),
            lambda sides=sides: cv2.dnn.NMSBoxes(sides, scores, 0.0, 0.5),
            21,
            check=_same,
        )
        out.append(timed.row(f"NMS, 5000 {name} boxes", "OpenCV NMSBoxes", note=note))
    return out


def growth() -> list[dict]:
    """Time against the number of boxes and pictures.

    Returns
    -------
    list of dict
        See README.md.
    """
    sizes = [500, 1000, 2000, 4000, 8000]
    return [
        growth_row("NMS, boxes (scattered)", sizes, scattered, lambda boxes: nms(boxes, np.linspace(1, 0, len(boxes)))),
        growth_row("IoU, boxes squared", [250, 500, 1000, 2000], scattered, lambda boxes: iou(boxes, boxes)),
        growth_row("AP, pictures", [100, 200, 400, 800, 1600], coco_set, lambda given: _ours(*given), repeats=3),
    ]
