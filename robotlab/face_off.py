"""Several trackers through the same pictures, class names made to agree."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from tqdm import tqdm

from robotlab.dataset import DataSet
from robotlab.errors import ModelError
from robotlab.trackers import Detections, Tracker


@dataclass(frozen=True)
class Found:
    """What one tracker found in a whole data set.

    Parameters
    ----------
    detections : tuple of Detections
        One for each picture, in the order of the data set and with its classes.
    milliseconds : (N,) ndarray
        Time of each ``find``, without reading the file.
    """

    detections: tuple[Detections, ...]
    milliseconds: np.ndarray


def align(found: Detections, classes: Sequence[str]) -> Detections:
    """The same detections, with labels that point into other class names.

    Parameters
    ----------
    found : Detections
        What a tracker found.
    classes : sequence of str
        The class names to use.

    Returns
    -------
    Detections
        Same boxes and scores.

    Raises
    ------
    ModelError
        If the tracker knows a class that is not among `classes`.

    Examples
    --------
    >>> found = Detections([[0, 0, 4, 9]], [0.9], [0], ["post"])
    >>> align(found, ["crate", "post"]).labels.tolist()
    [1]
    """
    classes = tuple(classes)
    if found.classes == classes:
        return found
    foreign = [name for name in found.classes if name not in classes]
    if foreign:
        raise ModelError(
            f"a tracker's classes must be classes of the data set ({', '.join(classes)}), this one also knows "
            f"{', '.join(foreign)}; judge it on the kind of pictures it was trained for, or train one on these"
        )
    place = np.array([classes.index(name) for name in found.classes], dtype=int)
    return Detections(found.boxes, found.scores, place[found.labels], classes)


def find_all(tracker: Tracker, data: DataSet, name: str = "finding", progress: bool = True) -> Found:
    """Let a tracker look at every picture of a data set.

    Parameters
    ----------
    tracker : Tracker
        Any.
    data : DataSet
        The pictures.
    name : str
        Shown beside the progress bar.
    progress : bool
        Show the bar (on standard error).

    Returns
    -------
    Found
        Detections and times.

    Raises
    ------
    ModelError
        If the tracker knows a class that the data set does not.
    PictureError
        If a picture is missing or damaged.
    """
    detections, times = [], []
    for entry in tqdm(data.pictures, desc=name, unit="picture", disable=not progress, leave=False):
        picture = data.load(entry)
        begin = time.perf_counter()
        found = tracker.find(picture)
        times.append(1000 * (time.perf_counter() - begin))
        detections.append(align(found, data.classes))
    return Found(tuple(detections), np.array(times))


def check_classes(tracker_classes: Sequence[str], data: DataSet) -> None:
    """Refuse a model that was made for other classes before any work is done.

    Parameters
    ----------
    tracker_classes : sequence of str
        What the tracker knows.
    data : DataSet
        What it is to be judged on.

    Raises
    ------
    ModelError
        If the two lists hold different names.
    """
    if set(tracker_classes) != set(data.classes):
        raise ModelError(
            f"a model must know the classes of the data set ({', '.join(data.classes)}), this one knows "
            f"{', '.join(tracker_classes)}; judge with --classes to leave some out, or train on this data set"
        )
