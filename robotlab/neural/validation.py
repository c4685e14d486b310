"""The validation set: which pictures it has, and the metrics on them.

Pictures of one recording look alike, so a picture held out must come from a
recording that is not learned from; with one recording alone, from its end.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from robotlab.data import DataSet
from robotlab.detections import Detections, Detector
from robotlab.errors import InputError, some
from robotlab.metrics import evaluate
from robotlab.neural.network_input import MOST_SEEN_PX, working_size

# About this part of the pictures is held out when the learner names none.
SHARE = 0.15
# With fewer pictures than this none is held out: too few to say anything.
LEAST_PICTURES = 12
# Objects this many times as large as nearly all that were learned from, or as small,
# are found badly: training shows each at .7 to 1.4 times its size (the head fit at
# its own), and a network's features answer to sizes within a factor of about two
# (common practice, no source).
OTHER_SCALE = 2.5


def split_validation(data: DataSet, hold_out: Sequence[str] | str | None = None) -> tuple[DataSet, DataSet | None, str]:
    """Split a data set into a training set and a validation set.

    Parameters
    ----------
    data : DataSet
        Labeled pictures, each recording in time order.
    hold_out : str or sequence of str, optional
        Recordings to hold out.  Without it the last recordings are, until
        about 15 % of the pictures are held out, as long as every class stays
        among the others; where there is one recording, its last 15 %.

    Returns
    -------
    training_set : DataSet
        What is learned from.
    validation_set : DataSet or None
        What is held out; ``None`` when there are fewer than 12 pictures.
    words : str
        What was held out, in words.

    Raises
    ------
    InputError
        If `hold_out` leaves nothing to learn from.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import LabeledImage
    >>> import numpy as np
    >>> box = {"boxes": np.array([[0, 0, 4, 4.0]]), "labels": np.array([0])}
    >>> rows = tuple(LabeledImage(n, Path("a.png"), 8, 6, recording="ab"[n >= 15], **box) for n in range(20))
    >>> training_set, validation_set, words = split_validation(DataSet(Path("annotations.json"), ("post",), (1,), rows))
    >>> len(training_set), len(validation_set), words
    (15, 5, 'recording b')
    """
    if hold_out is not None:
        names = [hold_out] if isinstance(hold_out, str) else list(hold_out)
        validation_set, held = data.only(recordings=names), set(names)
        rest = [entry for entry in data.pictures if entry.recording not in held]
        if not rest:
            raise InputError(
                f"hold_out must leave a recording to learn from, got all of them ({', '.join(names)}); name fewer"
            )
        return data.having(rest), validation_set, "recording " + some(names)
    if len(data) < LEAST_PICTURES:
        return data, None, "none"
    wanted = SHARE * len(data)
    if len(data.recordings) == 1:
        first = len(data) - round(wanted)
        if _teaches(data, data.pictures[:first]):
            return (
                data.having(data.pictures[:first]),
                data.having(data.pictures[first:]),
                f"the last {len(data) - first} pictures",
            )
        return data, None, "none"
    # Of each recording, and of all that is left: pictures (None), and boxes that count, by class.
    counts: dict[str, Counter[int | None]] = {name: Counter() for name in data.recordings}
    for entry in data.pictures:
        counts[entry.recording].update([None, *entry.labels[entry.counted].tolist()])
    left: Counter[int | None] = Counter()
    for own in counts.values():
        left.update(own)
    chosen: list[str] = []
    for name in reversed(data.recordings):
        rest_of = left - counts[name]
        if rest_of[None] < len(data) / 2 or rest_of.keys() != left.keys():  # a class would be gone
            continue
        chosen.append(name)
        left = rest_of
        if len(data) - left[None] >= wanted:
            break
    if not chosen:
        return data, None, "none"
    held = set(chosen)
    out = [entry for entry in data.pictures if entry.recording in held]
    rest = [entry for entry in data.pictures if entry.recording not in held]
    return data.having(rest), data.having(out), "recording " + some(chosen[::-1])


def _teaches(data: DataSet, entries: Sequence) -> bool:
    """Whether every class that the data set shows is among the entries."""

    def shown(part: Sequence) -> set[int]:
        return {int(label) for entry in part for label in entry.labels[entry.counted]}

    return bool(entries) and shown(entries) == shown(data.pictures)


def truth_sides(data: DataSet) -> np.ndarray:
    """Sides of the truths that count: the root of their area, px of the pictures."""
    return np.concatenate([(e.boxes[:, 2:] - e.boxes[:, :2]).prod(axis=1)[e.counted] ** 0.5 for e in data.pictures])


def scale_caution(detector: Any, data: DataSet) -> str:
    """A caution where objects look far larger or smaller than those in the training set.

    Parameters
    ----------
    detector : Detector
        With ``facts``, ``working_px`` and ``scale``.
    data : DataSet
        What it will look at.

    Returns
    -------
    str
        A caution with a repair; empty where the scales fit, or nothing is known
        of the training.
    """
    try:
        sides, factor = detector.facts["side_px"], detector.scale
        if detector.working_px is not None:
            width, height = detector.facts["picture_px"]
            factor = working_size(width, height, detector.working_px, detector.scale)[0] / width
        low, middle, high = (factor * float(sides[name]) for name in ("p05", "p50", "p95"))
    except (AttributeError, KeyError, TypeError, ValueError, ZeroDivisionError):
        return ""
    factors = [
        working_size(e.width_px, e.height_px, detector.working_px, detector.scale)[0] / e.width_px
        for e in data.pictures
    ]
    seen = [factor * truth_sides(data.having([entry])) for factor, entry in zip(factors, data.pictures, strict=True)]
    here = float(np.median(np.concatenate(seen))) if any(map(len, seen)) else middle
    if low / OTHER_SCALE <= here <= high * OTHER_SCALE or not middle > 0:
        return ""
    repair = "go closer, or train"
    if here > middle:  # else it may be 0: the area of a box can be smaller than any number
        entry = data.pictures[0]
        size = [max(1, round(side * middle / here)) for side in (entry.width_px, entry.height_px)]
        repair = f"shrink the pictures to about {size[0]} x {size[1]} px, or train"
    return (
        f"caution, scale: as the network sees them, objects here have a side of {here:.0f} px and those it learned from of "
        f"{middle:.0f} px (medians), too {'large' if here > middle else 'small'} for it; {repair} on pictures like these"
    )


def size_caution(detector: Any, data: DataSet) -> str:
    """A caution where pictures are larger than the network's working size.

    Parameters
    ----------
    detector : Detector
        With ``working_px`` and ``scale``.
    data : DataSet
        What it will look at.

    Returns
    -------
    str
        A caution with a repair; empty where the pictures fit.
    """
    for entry in data.pictures:
        longest = max(entry.width_px, entry.height_px)
        wanted = min(detector.scale, (detector.working_px or longest) / longest)
        width, height = working_size(entry.width_px, entry.height_px, detector.working_px, detector.scale)
        if max(width, height) < 0.99 * wanted * longest:
            return (
                f"caution, size: the network sees at most {MOST_SEEN_PX / 1e6:g} million pixels, so pictures of "
                f"{entry.width_px} x {entry.height_px} px are shrunk to {width} x {height} px; for small objects cut the pictures"
            )
    return ""


def metrics_of(data: DataSet, detections: Sequence[Detections]) -> dict[str, float]:
    """How well detections match the truths.

    Parameters
    ----------
    data : DataSet
        Labeled pictures.
    detections : sequence of Detections
        One a picture, in order.

    Returns
    -------
    dict of str to float
        ``AP`` and ``AP50`` (COCO's), ``best_score``, the confidence threshold
        with the highest F1 at IoU .5, and that ``best_f1``.

    Notes
    -----
    ``F1 = 2 TP / (2 TP + FP + FN)``; detections on crowds and ignored truths
    count neither way.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import LabeledImage
    >>> import numpy as np
    >>> entry = LabeledImage(1, Path("a.png"), 64, 48, boxes=np.array([[0, 0, 8, 8.0]]), labels=np.array([0]))
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), (entry,))
    >>> found = Detections([[0, 0, 8, 8], [20, 20, 30, 30]], [0.9, 0.2], [0, 0], ["post"])
    >>> metrics_of(data, [found])["best_f1"]
    1.0
    """
    evaluation = evaluate(data, detections, use_ignore=True)
    best_score, best_f1 = 0.5, 0.0
    curve = evaluation.curve()
    best = curve.best()
    if best is not None and best["TP"]:
        # Halfway to the next lower score, so that rounding cannot drop the last hit.
        lower = curve.score[curve.score < best["score"]]
        best_score, best_f1 = float((best["score"] + (lower[0] if len(lower) else 0.0)) / 2), float(best["F1"])
    return {"AP": evaluation.AP, "AP50": evaluation.AP50, "best_score": best_score, "best_f1": best_f1}


def detect_all(detector: Detector, data: DataSet) -> list[Detections]:
    """What a detector finds in every picture.

    Parameters
    ----------
    detector : Detector
        Any.
    data : DataSet
        Labeled pictures.

    Returns
    -------
    list of Detections
        One a picture, in order.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from robotlab.detections import Detections, as_detector
    >>> detector = as_detector(lambda picture: Detections.none(["post"]))
    >>> data = SimpleNamespace(pictures=["a.png"], load=lambda entry: np.zeros((48, 64, 3), np.uint8))
    >>> [len(found) for found in detect_all(detector, data)]
    [0]
    """
    return [detector.detect(data.load(entry)) for entry in data.pictures]
