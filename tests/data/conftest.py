"""A small labeled folder to start from, and to spoil."""

import json
from pathlib import Path

import numpy as np
import pytest

from robotlab import image


def base_labels() -> dict:
    """Two pictures of 64 × 48 px, three boxes, sparse ids."""
    return {
        "info": {"year": 2024},
        "licenses": [{"id": 1, "name": "public"}],
        "images": [
            {"id": 10, "file_name": "a.png", "width": 64, "height": 48, "recording": "morning", "lighting": "dusk"},
            {"id": 70, "file_name": "b.png", "width": 64, "height": 48, "recording": "evening", "distance_m": 1.5},
        ],
        "annotations": [
            {
                "id": 5,
                "image_id": 10,
                "category_id": 90,
                "bbox": [3, 2, 6, 3],
                "area": 12.5,
                "iscrowd": 0,
                "hand": "left",
            },
            {"id": 9, "image_id": 70, "category_id": 3, "bbox": [0, 0, 64, 48], "iscrowd": 1},
            {"id": 6, "image_id": 10, "category_id": 3, "bbox": [10.5, 20.25, 30, 20], "ignore": 1, "visibility": 0.4},
        ],
        "categories": [{"id": 90, "name": "post", "supercategory": "target"}, {"id": 3, "name": "crate"}],
    }


def save_set(
    folder: Path, labels: object, names: tuple[str, ...] = ("a.png", "b.png"), file: str = "annotations.json"
) -> Path:
    """Write pictures and labels into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, name in enumerate(names):
        rng = np.random.default_rng(number)
        image.save(folder / name, rng.integers(0, 256, (48, 64, 3), dtype=np.uint8))
    (folder / file).write_text(labels if isinstance(labels, str) else json.dumps(labels), "utf-8")
    return folder


@pytest.fixture
def labels() -> dict:
    return base_labels()


@pytest.fixture
def folder(tmp_path, labels) -> Path:
    return save_set(tmp_path / "set", labels)
