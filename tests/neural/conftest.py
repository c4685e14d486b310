"""Small data sets that the detector's tests learn from."""

import json

import numpy as np
import pytest

from robotlab.data import open_dataset
from robotlab.image import save


def draw(rng, width, height):
    """A picture of one or two colored blocks on gray grain, and their boxes."""
    picture = rng.normal(120, 12, (height, width, 3))
    boxes, labels = [], []
    for _ in range(rng.integers(1, 3)):
        label = int(rng.integers(2))
        w, h = (
            (rng.integers(14, 26), rng.integers(30, 50)) if label == 0 else (rng.integers(24, 40), rng.integers(20, 32))
        )
        x, y = rng.integers(0, width - w), rng.integers(0, height - h)
        box = [int(x), int(y), int(x + w), int(y + h)]
        if any(min(box[2], b[2]) > max(box[0], b[0]) - 4 and min(box[3], b[3]) > max(box[1], b[1]) - 4 for b in boxes):
            continue
        picture[y : y + h, x : x + w] = ((220, 110, 30), (40, 70, 190))[label] + rng.normal(0, 8, (h, w, 3))
        boxes.append(box)
        labels.append(label)
    return picture.clip(0, 255).astype(np.uint8), boxes, labels


def write_blocks(folder, count=24, width=128, height=96, recordings=("r0", "r1", "r2"), seed=0):
    """Write such pictures as a COCO-style data set and open it."""
    rng = np.random.default_rng(seed)
    images, annotations = [], []
    for n in range(count):
        picture, boxes, labels = draw(rng, width, height)
        save(folder / f"{n:03d}.png", picture)
        images.append(
            {
                "id": n,
                "file_name": f"{n:03d}.png",
                "width": width,
                "height": height,
                "recording": recordings[n * len(recordings) // count],
            }
        )
        for (x0, y0, x1, y1), label in zip(boxes, labels, strict=True):
            annotations.append(
                {
                    "id": len(annotations) + 1,
                    "image_id": n,
                    "category_id": label + 1,
                    "bbox": [x0, y0, x1 - x0, y1 - y0],
                    "area": (x1 - x0) * (y1 - y0),
                    "iscrowd": 0,
                }
            )
    categories = [{"id": 1, "name": "post"}, {"id": 2, "name": "bucket"}]
    (folder / "annotations.json").write_text(
        json.dumps({"images": images, "annotations": annotations, "categories": categories})
    )
    return open_dataset(folder / "annotations.json")


@pytest.fixture(scope="session")
def blocks(tmp_path_factory):
    """24 pictures of 128x96 in three recordings, two classes."""
    return write_blocks(tmp_path_factory.mktemp("blocks"))
