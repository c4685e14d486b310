"""How well two people's labels of the same pictures agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from robotlab.boxes import iou
from robotlab.data.dataset import DataSet
from robotlab.data.labeled_image import LabeledImage
from robotlab.errors import DataSetError

# Two boxes that overlap by less are of two objects (the usual limit of detection, common practice, no source).
SAME_IOU = 0.5


@dataclass(frozen=True, eq=False)
class Agreement:
    """What :func:`label_agreement` found.

    Parameters
    ----------
    pictures : int
        Pictures that both have labeled.
    ious : (K,) ndarray
        Overlap of each pair of boxes of one object.
    other_class : int
        Pairs with two class names.
    only_first, only_second : int
        Boxes that one of the two alone has.
    worst : tuple of (float, LabeledImage, LabeledImage)
        Pictures on which they differ, the most first, with how much: 1 for each
        box of one alone and for each pair of two classes, 1 - IoU for a pair.

    Examples
    --------
    >>> Agreement(1, np.array([0.9, 0.8]), 0, 1, 0, ()).f1
    0.8
    """

    pictures: int
    ious: np.ndarray
    other_class: int
    only_first: int
    only_second: int
    worst: tuple[tuple[float, LabeledImage, LabeledImage], ...]

    @property
    def f1(self) -> float:
        """Pairs of one class over all boxes: F1 of one person against the other; NaN where nobody has drawn one."""
        pairs = len(self.ious)
        boxes = 2 * pairs + self.only_first + self.only_second
        return 2 * (pairs - self.other_class) / boxes if boxes else float("nan")

    def text(self) -> str:
        """The figures in a few lines.

        Returns
        -------
        str
            Lines.
        """
        half = f"median IoU {np.median(self.ious):.2f}, lowest {self.ious.min():.2f}" if len(self.ious) else "no pair"
        return (
            f"{self.pictures} pictures labeled by both: {len(self.ious)} pairs of boxes ({half}), {self.other_class} of two "
            f"classes, {self.only_first} of the first alone, {self.only_second} of the second alone; F1 {self.f1:.2f}"
        )


def label_agreement(first: DataSet, second: DataSet) -> Agreement:
    """Compare two people's labels of the same pictures.

    Parameters
    ----------
    first, second : DataSet
        Pictures are paired by their file names, classes by theirs.

    Returns
    -------
    Agreement
        Overlaps, boxes of one alone, pairs of two classes.

    Raises
    ------
    DataSetError
        If they share no picture, or a picture has two sizes.

    Notes
    -----
    In each picture boxes are paired so that their IoU adds up to the most
    (Kuhn, "The Hungarian method", 1955), and pairs under .5 are none.  Boxes
    that count for neither (``ignore``, crowds) are left out.

    Examples
    --------
    >>> from pathlib import Path
    >>> def one(boxes):
    ...     entry = LabeledImage(7, Path("a.png"), 64, 48, boxes=boxes, labels=[0] * len(boxes))
    ...     return DataSet(Path("annotations.json"), ("post",), (1,), (entry,))
    >>> print(label_agreement(one([[0, 0, 10, 10]]), one([[0, 0, 10, 8], [20, 20, 30, 30]])).text())
    1 pictures labeled by both: 1 pairs of boxes (median IoU 0.80, lowest 0.80), 0 of two classes, 0 of the first alone, 1 of the second alone; F1 0.67
    """
    others = {entry.name: entry for entry in second}
    pairs = [(entry, others[entry.name]) for entry in first if entry.name in others]
    if not pairs:
        raise DataSetError(
            f"two people's labels must be of the same pictures, {first.labels_path} and {second.labels_path} share no file name; "
            "label copies of one data set"
        )
    ious: list[float] = []
    worst = []
    other_class = only_first = only_second = 0
    for mine, theirs in pairs:
        if (mine.width_px, mine.height_px) != (theirs.width_px, theirs.height_px):
            raise DataSetError(f"{mine.name} must have one size in both sets, it has two; label copies of one data set")
        rows, columns = (np.flatnonzero(entry.counted) for entry in (mine, theirs))
        overlap = iou(mine.boxes[rows], theirs.boxes[columns])
        found = [(a, b) for a, b in zip(*linear_sum_assignment(-overlap), strict=True) if overlap[a, b] >= SAME_IOU]
        here = [float(overlap[pair]) for pair in found]
        names = [(first.classes[mine.labels[rows[a]]], second.classes[theirs.labels[columns[b]]]) for a, b in found]
        differ = sum(a != b for a, b in names)
        ious += here
        other_class += differ
        only_first += len(rows) - len(found)
        only_second += len(columns) - len(found)
        worst.append((len(rows) + len(columns) - 2 * len(found) + differ + sum(1 - one for one in here), mine, theirs))
    worst = sorted((row for row in worst if row[0] > 0), key=lambda row: -row[0])
    return Agreement(len(pairs), np.array(ious), other_class, only_first, only_second, tuple(worst))
