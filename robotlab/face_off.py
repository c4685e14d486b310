"""The face-off: detectors through the same pictures and the same walks."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from robotlab._progress import progress_bar
from robotlab.data import DataSet
from robotlab.detections import Detections, Detector
from robotlab.errors import InputError, ModelError
from robotlab.greenhouse import LIGHTINGS, WALKS, Walk
from robotlab.loop import Run, Settings, share_on_target, simulate
from robotlab.metrics import Comparison, Evaluation, compare_evaluations, evaluate

# Followed by default: plain lighting first, then colored lighting beside things of the post's own color.
USUAL_WALKS = ("weave", "wrong_things:warm")
# Pictures on which a confidence threshold is chosen, evenly spread (a choice, no source).
THRESHOLD_PICTURES = 60
# Shares of the pictures nearer than this are called equal (common practice, no source).
SAME_SHARE = 0.03


@dataclass(frozen=True)
class TimedDetections:
    """What one detector found in a whole data set.

    Parameters
    ----------
    detections : tuple of Detections
        One for each picture, in the order of the data set and with its classes.
    milliseconds : (N,) ndarray
        Time of each ``detect``, without reading the file.
    """

    detections: tuple[Detections, ...]
    milliseconds: np.ndarray


def align(found: Detections, classes: Sequence[str]) -> Detections:
    """The same detections, with labels that point into other class names.

    Parameters
    ----------
    found : Detections
        What a detector found.
    classes : sequence of str
        The class names to use.

    Returns
    -------
    Detections
        Same boxes and scores.

    Raises
    ------
    ModelError
        If the detector knows a class that is not among `classes`.

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
            f"a detector's classes must be classes of the data set ({', '.join(classes)}), this one also knows {', '.join(foreign)}; judge it on the kind of pictures it was trained for, or train one on these"
        )
    labels = np.array([classes.index(name) for name in found.classes], dtype=int)
    return Detections(found.boxes, found.scores, labels[found.labels], classes)


def timed_detections(
    detector: Detector, data: DataSet, name: str = "finding", progress: bool = True
) -> TimedDetections:
    """Let a detector look at every picture of a data set.

    Parameters
    ----------
    detector : Detector
        Any.
    data : DataSet
        The pictures.
    name : str
        Shown beside the progress bar.
    progress : bool
        Show the bar.

    Returns
    -------
    TimedDetections
        Detections and times.

    Raises
    ------
    ModelError
        If the detector knows a class that the data set does not.
    PictureError
        If a picture is missing or damaged.

    Examples
    --------
    >>> from robotlab.course.resources import shipped
    >>> from robotlab.data import open_dataset
    >>> data = open_dataset(shipped("datasets/coins")).only(ids=[1, 2])
    >>> from robotlab.detections import as_detector
    >>> found = timed_detections(as_detector(lambda picture: Detections.none(["coin"])), data, progress=False)
    >>> len(found.detections), len(found.detections[0])
    (2, 0)
    """
    detections, times = [], []
    with progress_bar(len(data), name, progress, unit="picture", leave=False) as shown:
        for entry in data.pictures:
            picture, begin = data.load(entry), time.perf_counter()
            found = detector.detect(picture)
            times.append(1000 * (time.perf_counter() - begin))
            detections.append(align(found, data.classes))
            shown.update()
    return TimedDetections(tuple(detections), np.array(times))


def walk_named(text: str) -> tuple[Walk, str]:
    """A walk and its lighting, from text.

    Parameters
    ----------
    text : str
        ``NAME`` or ``NAME:LIGHTING``, such as ``weave`` or ``weave:warm``.

    Returns
    -------
    walk : Walk
        The walk.
    lighting : str
        The walk's own where none is named.

    Raises
    ------
    InputError
        If there is no such walk or lighting.

    Examples
    --------
    >>> walk, lighting = walk_named("weave:warm")
    >>> walk.name, lighting
    ('weave', 'warm')
    """
    name, _, lighting = text.partition(":")
    if name not in WALKS:
        raise InputError(f"a walk must be one of {', '.join(WALKS)}, got {name!r}; choose one of them")
    lighting = lighting or WALKS[name].scene.lighting
    if lighting not in LIGHTINGS:
        raise InputError(f"lighting must be one of {', '.join(LIGHTINGS)}, got {lighting!r}; choose one of them")
    return WALKS[name], lighting


def simulate_walk(
    detector: Detector,
    walk: str,
    settings: Settings | None = None,
    seed: int = 0,
    name: str = "following",
    progress: bool = True,
    **more: Any,
) -> Run:
    """Follow one walk, with a progress bar.

    Parameters
    ----------
    detector : Detector
        What finds the post.
    walk : str
        As in :func:`walk_named`.
    settings : Settings, optional
        The loop's numbers.
    seed : int
        Of the sensor noise.
    name : str
        Shown beside the bar.
    progress : bool
        Show the bar.
    **more
        Passed on to :func:`robotlab.loop.simulate`.

    Returns
    -------
    Run
        What happened.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector
    >>> run = simulate_walk(GroundTruthDetector(), "weave", duration_s=2, pictures=False, progress=False)
    >>> run.facts["walk"]
    'weave'
    """
    path, lighting = walk_named(walk)
    with progress_bar(100, f"{name}, {walk}", progress, unit="%", leave=False) as bar:
        more["after_frame"] = lambda share: bar.update(round(100 * share) - bar.n)
        return simulate(detector, path, settings=settings, seed=seed, lighting=lighting, **more)


def threshold(detector: Detector, source: DataSet) -> float:
    """Confidence threshold of a detector: the score from which on it is believed.

    Parameters
    ----------
    detector : Detector
        A detector knows its own (``facts["best_score"]``).
    source : DataSet
        Pictures it learned from; the best F1 on some 60 of them is taken otherwise.

    Returns
    -------
    float
        The score.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> threshold(SimpleNamespace(facts={"best_score": 0.25}), None)
    0.25
    """
    if (known := getattr(detector, "facts", {}).get("best_score")) is not None:
        return float(known)
    some = source.having(source.pictures[:: max(1, len(source) // THRESHOLD_PICTURES)])
    score = evaluate(some, timed_detections(detector, some, progress=False).detections).score
    return 0.0 if score is None else float(score)


@dataclass(frozen=True, eq=False)
class FaceOff:
    """Two detectors, the same pictures, the same walks.

    Parameters
    ----------
    data : DataSet
        The pictures.
    found : dict of str to TimedDetections
        By detector.
    evaluations : dict of str to Evaluation
        By detector.
    comparison : Comparison
        The second against the first.
    runs : dict of str to dict of str to Run
        By walk, then by detector.
    note : str
        What the detectors learned from.
    """

    data: DataSet
    found: dict[str, TimedDetections]
    evaluations: dict[str, Evaluation]
    comparison: Comparison
    runs: dict[str, dict[str, Run]]
    note: str

    def milliseconds(self) -> dict[str, float]:
        """Median time of one picture.

        Returns
        -------
        dict of str to float
            By detector, ms.
        """
        return {name: float(np.median(found.milliseconds)) for name, found in self.found.items()}

    def sentences(self) -> list[str]:
        """The conclusions, one for the pictures and one for each walk.

        Returns
        -------
        list of str
            Plain sentences that follow from the numbers.
        """
        return [self.comparison.sentence, *(walk_sentence(walk, runs) for walk, runs in self.runs.items())]

    def to_json(self) -> dict[str, Any]:
        """Everything as plain values.

        Returns
        -------
        dict
            ``conclusion``, ``detectors``, ``walks`` and ``comparison``.
        """
        times = self.milliseconds()
        return {
            "conclusion": self.sentences(),
            "learned": self.note,
            "detectors": {
                name: j.to_json() | {"milliseconds_median": times[name]} for name, j in self.evaluations.items()
            },
            "walks": {walk: {name: run.scores() for name, run in runs.items()} for walk, runs in self.runs.items()},
            "comparison": self.comparison.to_json(),
        }


def walk_sentence(walk: str, runs: Mapping[str, Run]) -> str:
    """Which detector followed better on one walk, in words.

    Parameters
    ----------
    walk : str
        Its name.
    runs : mapping of str to Run
        Two detectors' runs, the simple one first.

    Returns
    -------
    str
        A sentence with the numbers it follows from.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector
    >>> run = simulate_walk(GroundTruthDetector(), "straight", duration_s=5, pictures=False, progress=False)
    >>> walk_sentence("straight", {"color": run, "detector": run}).split(": ")[-1]
    'the simpler one, color, is enough here.'
    """
    (a, b), shares = tuple(runs), [share_on_target(run) for run in runs.values()]
    views = [run.scores()["time_in_view"] for run in runs.values()]
    on_post, in_view = ([f"{100 * share:.0f} %" for share in both] for both in (shares, views))
    if abs(shares[0] - shares[1]) < SAME_SHARE:
        end = f"the simpler one, {a}, is enough here" if shares[0] > 0.5 else "neither follows well here"
    else:
        end = f"{a if shares[0] > shares[1] else b} follows better here"
    numbers = f"{a} was on the post in {on_post[0]} of the pictures, {b} in {on_post[1]}"
    return f"Walk {walk}: {numbers}; the post was in view in {in_view[0]} and {in_view[1]}: {end}."


def face_off(
    data: DataSet,
    detectors: Mapping[str, Detector],
    scores: Mapping[str, float],
    walks: Sequence[str] = USUAL_WALKS,
    note: str = "",
    seed: int = 0,
    progress: bool = True,
) -> FaceOff:
    """Put two detectors through the same pictures and the same walks.

    Parameters
    ----------
    data : DataSet
        Pictures that neither has learned from.
    detectors : mapping of str to Detector
        Two, the simple one first.
    scores : mapping of str to float
        From which score on each is believed, on pictures and on walks.
    walks : sequence of str
        As in :func:`walk_named`.
    note : str
        What they learned from, for the report.
    seed : int
        Of the walks' sensor noise and of the resampling.
    progress : bool
        Show progress bars.

    Returns
    -------
    FaceOff
        Numbers and runs.

    Raises
    ------
    InputError
        If there are not two detectors, or a walk is unknown.

    Examples
    --------
    >>> face_off(None, {}, {})
    Traceback (most recent call last):
    robotlab.errors.InputError: a face-off needs two detectors, got 0; name two
    """
    if len(detectors) != 2:
        raise InputError(f"a face-off needs two detectors, got {len(detectors)}; name two")
    for walk in walks:
        walk_named(walk)
    found = {name: timed_detections(detector, data, name, progress) for name, detector in detectors.items()}
    evaluations = {name: evaluate(data, found[name].detections, name, scores[name]) for name in detectors}
    first, second = evaluations.values()
    comparison = compare_evaluations(first, second, seed=seed)
    runs = {
        walk: {
            name: simulate_walk(detector, walk, Settings(min_score=scores[name]), seed, name, progress)
            for name, detector in detectors.items()
        }
        for walk in walks
    }
    return FaceOff(data, found, evaluations, comparison, runs, note)
