"""Published numbers of this folder, read for the tests; the source stands in each file."""

from __future__ import annotations

import csv
import json
from pathlib import Path

FOLDER = Path(__file__).parent


def average_precision_rows() -> list[dict]:
    """Name, hits (list of bool), truths, and AP by method."""
    lines = [line for line in (FOLDER / "average_precision.csv").read_text().splitlines() if not line.startswith("#")]
    return [
        {
            "name": row["name"],
            "hits": [mark == "1" for mark in row["hits"]],
            "truths": int(row["truths"]),
            **{method: float(row[method]) for method in ("voc11", "voc", "coco", "step")},
        }
        for row in csv.DictReader(lines)
    ]


def read(name: str) -> dict:
    """One JSON file of this folder."""
    return json.loads((FOLDER / name).read_text())
