"""What to expect of a detector: by pictures labeled, by size, by distance, by lighting.

The learner's question before labeling is "how many?", before building the
robot "how far?".  Both are answered on held-out recordings, with the smallest
usable size in px, which the design sheet compares with geometry.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from robotlab.boxes import iou
from robotlab.data import DataSet
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.neural.detector import NeuralDetector
from robotlab.neural.fitting import fit
from robotlab.neural.validation import detect_all, metrics_of

# Sizes of the learning curve in the report.
PICTURES = (25, 50, 100, 200)
# Bins of equal ratio: 6 to 192 px a factor of about 1.41 apart.
SIDES_PX = (6.0, 8.0, 12.0, 16.0, 24.0, 32.0, 48.0, 64.0, 96.0, 192.0)
# Recall that still lets a robot follow: at ten pictures a second and 0.8, three
# misses in a row come about once in twelve seconds.
USABLE_RECALL = 0.8
# A bin with fewer truths says nothing.
LEAST_TRUTHS = 10


@dataclass(frozen=True)
class RecallBin:
    """Recall of the truths in one range.

    Parameters
    ----------
    low, high : float
        From and below.
    truths : int
        How many there were.
    found : int
        How many were found.
    """

    low: float
    high: float
    truths: int
    found: int

    @property
    def recall(self) -> float:
        """Share found; NaN where there was nothing to find."""
        return self.found / self.truths if self.truths else float("nan")


def found_mask(data: DataSet, detections: Sequence[Detections], iou_limit: float = 0.5) -> list[np.ndarray]:
    """Which truths were found.

    Parameters
    ----------
    data : DataSet
        Labeled pictures.
    detections : sequence of Detections
        One a picture, those that count: drop low scores first.
    iou_limit : float
        A truth is found by a detection of its class that overlaps so much.

    Returns
    -------
    list of (N,) ndarray of bool
        One a picture, in the order of its truths; each detection finds at most
        one truth, the best scores choosing first.

    Examples
    --------
    >>> from robotlab.data import LabeledImage
    >>> entry = LabeledImage(1, "a.png", 64, 48, boxes=np.array([[0, 0, 8, 8.0]]), labels=np.array([0]))
    >>> data = DataSet("annotations.json", ("post",), (1,), (entry,))
    >>> found_mask(data, [Detections([[0, 0, 8, 7]], [0.9], [0], ["post"])])[0].tolist()
    [True]
    """
    masks = []
    for entry, found in zip(data.pictures, detections, strict=True):
        mask = np.zeros(len(entry.boxes), bool)
        names = np.array([data.classes.index(name) for name in found.classes])
        overlap = iou(entry.boxes, found.boxes)
        for d in np.argsort(-found.scores, kind="stable"):
            fits = overlap[:, d] * (entry.labels == names[found.labels[d]]) * ~mask
            if len(fits) and fits.max() >= iou_limit:
                mask[fits.argmax()] = True
        masks.append(mask)
    return masks


def recall_bins(values: np.ndarray, found: np.ndarray, edges: Sequence[float]) -> list[RecallBin]:
    """Recall in ranges of a value.

    Parameters
    ----------
    values : (N,) ndarray
        Of each truth; NaN is left out.
    found : (N,) ndarray of bool
        Whether it was found.
    edges : sequence of float
        Rising; bin i is from ``edges[i]`` and below ``edges[i + 1]``.

    Returns
    -------
    list of RecallBin
        One fewer than edges.

    Examples
    --------
    >>> [b.recall for b in recall_bins(np.array([1, 1, 3]), np.array([True, False, True]), [0, 2, 4])]
    [0.5, 1.0]
    """
    bins = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = (values >= low) & (values < high)
        bins.append(RecallBin(float(low), float(high), int(inside.sum()), int(found[inside].sum())))
    return bins


def smallest_usable(bins: Sequence[RecallBin], recall: float = USABLE_RECALL) -> float | None:
    """Where recall stays good from there on up.

    Parameters
    ----------
    bins : sequence of RecallBin
        By rising size; bins with fewer than ten truths are passed over.
    recall : float
        What is good enough.

    Returns
    -------
    float or None
        Lower end of the first bin of which it and all larger ones are good
        enough; ``None`` if even the largest are not.

    Examples
    --------
    >>> smallest_usable([RecallBin(8, 16, 20, 4), RecallBin(16, 32, 20, 17), RecallBin(32, 64, 20, 20)])
    16.0
    """
    usable = None
    for one in reversed(bins):
        if one.truths < LEAST_TRUTHS:
            continue
        if one.recall < recall:
            break
        usable = float(one.low)
    return usable


@dataclass(frozen=True)
class RangeReport:
    """How far down and how far away a detector still finds things.

    Parameters
    ----------
    score : float
        Detections with a lower score were dropped.
    by_side, by_distance : list of RecallBin
        Recall by the root of the box's area, px, and by distance, m (empty
        where the labels hold no distance).
    smallest_px : float or None
        Smallest usable side.
    farthest_m : float or None
        Farthest usable distance.
    by_lighting : dict of str to dict
        ``AP``, ``AP50`` and ``seen`` (whether it was among the training
        pictures) for each lighting.
    """

    score: float
    by_side: list[RecallBin]
    by_distance: list[RecallBin]
    smallest_px: float | None
    farthest_m: float | None
    by_lighting: dict[str, dict[str, Any]]

    def to_dict(self) -> dict[str, Any]:
        """The report as plain numbers and words, for JSON."""
        return asdict(self)


def range_report(
    detector: NeuralDetector, data: DataSet, seen_lightings: Sequence[str] = (), score: float | None = None
) -> RangeReport:
    """Recall by size and distance, and metrics by lighting.

    Parameters
    ----------
    detector : Detector
        What is judged.
    data : DataSet
        Pictures that it has not learned from.
    seen_lightings : sequence of str
        Lightings of the training pictures.
    score : float, optional
        Detections with a lower score are dropped; by default the detector's
        own best score.

    Returns
    -------
    RangeReport
        With the smallest usable size.
    """
    detector.check_classes(data.classes)
    score = float(detector.facts.get("best_score", 0.5)) if score is None else score
    detections = detect_all(detector, data)
    masks = found_mask(data, [found.pick(found.scores >= score) for found in detections])
    counted = [~(entry.crowd | entry.ignore) for entry in data.pictures]
    found = np.concatenate([mask[keep] for mask, keep in zip(masks, counted, strict=True)])
    sides = np.concatenate(
        [
            (e.boxes[keep, 2:] - e.boxes[keep, :2]).prod(axis=1) ** 0.5
            for e, keep in zip(data.pictures, counted, strict=True)
        ]
    )
    distances = np.concatenate([e.distances_m[keep] for e, keep in zip(data.pictures, counted, strict=True)])
    by_side = recall_bins(sides, found, SIDES_PX)
    by_distance: list[RecallBin] = []
    if np.isfinite(distances).any():
        farthest = float(np.nanmax(distances))
        by_distance = recall_bins(distances, found, np.linspace(0, farthest * 1.0001, 9))
    near_to_far = smallest_usable([RecallBin(-b.high, -b.low, b.truths, b.found) for b in reversed(by_distance)])
    by_lighting = {}
    for lighting in data.lightings:
        rows = [n for n, entry in enumerate(data.pictures) if entry.lighting == lighting]
        checked = metrics_of(data.having([data.pictures[n] for n in rows]), [detections[n] for n in rows])
        by_lighting[lighting] = {"AP": checked["AP"], "AP50": checked["AP50"], "seen": lighting in set(seen_lightings)}
    return RangeReport(
        score,
        by_side,
        by_distance,
        smallest_usable(by_side),
        None if near_to_far is None else -near_to_far,
        by_lighting,
    )


def nested_parts(data: DataSet, counts: Sequence[int], seed: int = 0) -> list[DataSet]:
    """Ever larger parts of a data set, each holding the smaller ones.

    Parameters
    ----------
    data : DataSet
        Labeled pictures.
    counts : sequence of int
        Rising; those above the number of pictures are left out.
    seed : int
        For the drawing.

    Returns
    -------
    list of DataSet
        Pictures of each recording in turn, so that even the smallest part has
        seen all of them.

    Examples
    --------
    >>> from robotlab.data import LabeledImage
    >>> rows = tuple(LabeledImage(n, f"{n}.png", 8, 6, recording="ab"[n % 2]) for n in range(10))
    >>> [len(part) for part in nested_parts(DataSet("annotations.json", ("post",), (1,), rows), (2, 6, 99))]
    [2, 6]
    """
    rng = np.random.default_rng(seed)
    piles = []
    for name in data.recordings:
        rows = [n for n, entry in enumerate(data.pictures) if entry.recording == name]
        piles.append([rows[i] for i in rng.permutation(len(rows))])
    order = [pile[turn] for turn in range(max(len(pile) for pile in piles)) for pile in piles if turn < len(pile)]
    return [data.having([data.pictures[n] for n in sorted(order[:count])]) for count in counts if count <= len(data)]


def learning_curve(
    data: DataSet,
    test: DataSet,
    counts: Sequence[int] = PICTURES,
    seed: int = 0,
    tell: Callable[[int, dict[str, float]], None] = lambda count, row: None,
    **options: Any,
) -> list[dict[str, float]]:
    """Figures against the number of pictures learned from.

    Parameters
    ----------
    data : DataSet
        Pictures to draw from.
    test : DataSet
        Pictures of other recordings to judge on.
    counts : sequence of int
        How many pictures; those that the data set does not have are left out.
    seed : int
        For the drawing and the fits.
    tell : callable
        Told of each point as it is ready.
    **options
        For :func:`robotlab.neural.fit`, ``training`` for instance.

    Returns
    -------
    list of dict
        ``pictures``, ``truths``, ``AP`` and ``AP50`` of each point.

    Raises
    ------
    InputError
        If a recording is in both, or no count fits.
    """
    shared = set(data.recordings) & set(test.recordings)
    if shared:
        raise InputError(
            f"pictures of a recording must not be on both sides, {', '.join(sorted(shared))} is; split by recording"
        )
    parts = nested_parts(data, counts, seed)
    if not parts:
        raise InputError(f"counts must hold a number up to {len(data)}, got {list(counts)}; name smaller ones")
    curve = []
    for part in parts:
        checked = metrics_of(test, detect_all(fit(part, seed=seed, **{"progress": False, **options}), test))
        row = {"pictures": len(part), "truths": part.box_count, "AP": checked["AP"], "AP50": checked["AP50"]}
        curve.append(row)
        tell(len(part), row)
    return curve
