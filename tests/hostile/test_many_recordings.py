"""Twice as many recordings are twice the work, and not four times: counted, so that no clock has to tell."""

from __future__ import annotations

import math
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.data import DataSet, LabeledImage, check_dataset, split_by_recording, split_in_time
from robotlab.detections import Detections, as_detector
from robotlab.gather import capture_plan
from robotlab.gather.label_errors import suspect_labels
from robotlab.metrics import compare_evaluations, evaluate
from robotlab.neural import nested_subsets
from robotlab.neural.validation import split_validation

BOX = np.array([[1.0, 1, 9, 7]])


class Name(str):
    """A recording's name that counts how often it is looked at."""

    looks: ClassVar[list[int]] = [0]

    def __eq__(self, other: object) -> bool:
        self.looks[0] += 1
        return str.__eq__(self, other)

    def __hash__(self) -> int:
        self.looks[0] += 1
        return str.__hash__(self)


def many(recordings: int, pictures_each: int = 1) -> DataSet:
    rows = [
        LabeledImage(
            n, Path(f"{n}.png"), 16, 12, Name(f"walk {n // pictures_each}"), boxes=BOX, labels=np.zeros(1, int)
        )
        for n in range(recordings * pictures_each)
    ]
    return DataSet(Path("annotations.json"), ("post",), (1,), tuple(rows))


def found(data: DataSet) -> list[Detections]:
    return [Detections(BOX + n % 3, [n / len(data)], [0], ["post"]) for n in range(len(data))]


def compared(data: DataSet) -> None:
    blind = [Detections.none(["post"])] * len(data)
    compare_evaluations(evaluate(data, found(data)), evaluate(data, blind), resamples=10)


def suspected(data: DataSet) -> None:
    suspect_labels(data, fit_detector=lambda _: as_detector(lambda _: Detections.none(["post"])), progress=False)


@pytest.mark.parametrize(
    ("use", "pictures_each"),
    [
        (split_in_time, 4),
        (split_by_recording, 1),
        (split_validation, 1),
        (lambda data: nested_subsets(data, (10, 100)), 1),
        (suspected, 1),
        (lambda data: capture_plan(Camera(16, 12, math.radians(62), 0.25), 0.05, smallest_px=1, data=data), 1),
        (lambda data: check_dataset(data, look=False).text(), 1),
        (lambda data: evaluate(data, found(data)).to_json(), 1),
        (compared, 1),
    ],
    ids=[
        "split_in_time",
        "split_by_recording",
        "split_validation",
        "nested_subsets",
        "suspect_labels",
        "plan",
        "checkup",
        "judge",
        "compare",
    ],
)
def test_looks_at_names_grow_with_the_recordings(use: Callable[[DataSet], Any], pictures_each: int, monkeypatch):
    monkeypatch.setattr(DataSet, "load", lambda *_: np.zeros((12, 16, 3), np.uint8))
    looks = []
    for recordings in (110, 220):  # above a hundred a split draws in another way
        data = many(recordings, pictures_each)
        Name.looks[0] = 0
        use(data)
        looks.append(Name.looks[0])
    assert 0 < looks[1] < 2.5 * looks[0]  # with the square it is four times


def test_memory_of_a_split_grows_with_the_recordings():
    """20 000 recordings once took a table of 400 million moves, and hours."""
    data = many(3000)
    tracemalloc.start()
    try:
        train, test = split_by_recording(data)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 3000**2 / 2  # one bit and no more for each two recordings would be an eighth of that square
    assert len(test) == 750 and len(train) == 2250
