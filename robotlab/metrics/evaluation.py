"""Evaluation: every metric of one detector on one data set."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from robotlab.errors import InputError
from robotlab.metrics.bootstrap import bootstrap_weights, percentile_interval, weighted_ap
from robotlab.metrics.breakdown import by_distance, by_group, by_size, recall_of, smallest_usable_px
from robotlab.metrics.coco import CocoTable
from robotlab.metrics.curves import Curve, calibration
from robotlab.metrics.error_analysis import ERROR_KINDS, confusion, error_kinds
from robotlab.metrics.significance import wilson_interval
from robotlab.metrics.tables import DetectionTable, GroundTruthTable

# Below this many, a bootstrap says little about recordings not seen (common practice, no source).
FEW_RECORDINGS = 5
# Resamples of the 95 % interval: at least 1000 for a percentile interval
# (Efron & Tibshirani, An Introduction to the Bootstrap, 1993; from memory).
RESAMPLES = 1000


@dataclass(frozen=True, eq=False)
class Evaluation:
    """Every metric of one detector on one data set, from :func:`robotlab.metrics.evaluate`.

    Parameters
    ----------
    name : str
        The detector, as tables call it.
    truths : GroundTruthTable
        The labeled boxes.
    found : DetectionTable
        The detections.
    table : CocoTable
        Precision and recall in every setting.
    score : float or None
        Confidence threshold: precision, recall, errors and breakdowns are at this
        one; None when nothing was found.
    recordings, lightings : tuple of str or None
        Of each picture, in the order of the tables.
    distances_m : (G,) ndarray
        Of each truth; NaN where unknown.
    use_ignore : bool
        Whether truths marked ``ignore`` were left out.
    best_f1_here : bool
        The threshold is the one with the best F1 on these very pictures, so what is at it is optimistic.
    """

    name: str
    truths: GroundTruthTable
    found: DetectionTable
    table: CocoTable
    score: float | None
    recordings: tuple[str, ...]
    lightings: tuple[str | None, ...]
    distances_m: np.ndarray
    use_ignore: bool = False
    best_f1_here: bool = False
    coco: dict[str, float] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "coco", self.table.numbers())

    @property
    def AP(self) -> float:
        """COCO's AP: mean over classes and IoU .50 to .95; -1 without truths."""
        return self.coco["AP"]

    @property
    def AP50(self) -> float:
        """AP at IoU .50; -1 without truths."""
        return self.coco["AP50"]

    @property
    def classes(self) -> tuple[str, ...]:
        """Class names, in the order of their ids."""
        return self.truths.classes

    @property
    def pictures(self) -> int:
        """Number of pictures."""
        return self.truths.pictures

    @cached_property
    def counted(self) -> np.ndarray:
        """(G,) bool: truths that count at all."""
        return self.table.matches.counted & np.uint64(1) > 0

    @cached_property
    def found_truths(self) -> np.ndarray:
        """(G,) bool: truths with a true positive at IoU .5 and the confidence threshold."""
        matches, flags = self.table.matches, np.zeros(len(self.truths), bool)
        if self.score is not None:
            flags[matches.truth[(matches.truth >= 0) & (self.found.score[matches.row] >= self.score)]] = True
        return flags

    def curve(self, class_name: str | None = None) -> Curve:
        """Precision-recall curve at IoU .5.

        Parameters
        ----------
        class_name : str, optional
            One class; where not given, all classes in one ranked list.

        Returns
        -------
        Curve
            With ``score``, ``precision`` and ``recall`` arrays.

        Raises
        ------
        InputError
            If there is no such class.
        """
        if class_name is not None and class_name not in self.classes:
            raise InputError(f"class must be one of {', '.join(self.classes)}, got {class_name!r}; choose one of them")
        return curve_of(self.table, self.found, None if class_name is None else self.classes.index(class_name))

    @cached_property
    def at(self) -> dict[str, Any]:
        """Counts and rates at the confidence threshold, with Wilson's 95 % intervals."""
        row = self.curve().at(math.inf if self.score is None else self.score)
        row["score"] = None if self.score is None else float(self.score)
        row["precision_interval"] = list(wilson_interval(row["TP"], row["found"])) if row["found"] else None
        counted = row["TP"] + row["FN"]
        row["recall_interval"] = list(wilson_interval(row["TP"], counted)) if counted else None
        return row

    @cached_property
    def per_class(self) -> dict[str, dict]:
        """By class name: AP, AP50, AP75, counts, rates and the class's own best threshold."""
        aps = {name: self.table.per_class(limit) for name, limit in (("AP", None), ("AP50", 0.5), ("AP75", 0.75))}
        rows = {}
        for k, name in enumerate(self.classes):
            curve = self.curve(name)
            at, best = curve.at(math.inf if self.score is None else self.score), curve.best() or {}
            rows[name] = {
                **{key: (float(value[k]) if value[k] > -1 else None) for key, value in aps.items()},
                "truths": curve.truths,
                **{key: at[key] for key in ("found", "TP", "FP", "FN", "precision", "recall", "F1")},
                "recall_interval": list(wilson_interval(at["TP"], curve.truths)) if curve.truths else None,
                "best_score": best.get("score"),
                "best_F1": best.get("F1"),
            }
        return rows

    @cached_property
    def per_recording(self) -> dict[str, dict]:
        """By recording: AP, AP50, counts and rates."""
        return by_group(self, self.recordings)

    @cached_property
    def per_lighting(self) -> dict[str, dict]:
        """By lighting, where known: AP, AP50, counts and rates."""
        return by_group(self, self.lightings)

    @cached_property
    def per_size(self) -> dict[str, dict]:
        """By COCO's area ranges: AP, AR, truths, recall."""
        rows = {}
        for a, size in enumerate(("small", "medium", "large"), 1):
            keep = self.table.matches.counted >> np.uint64(a) & np.uint64(1) > 0
            numbers = {key: self.coco[f"{key}_{size}"] for key in ("AP", "AR")}
            rows[size] = {key: (value if value > -1 else None) for key, value in numbers.items()}
            rows[size] |= recall_of(self, keep)
        return rows

    @cached_property
    def recall_by_size(self) -> list[dict]:
        """Recall in steps of the box's size, px."""
        return by_size(self)

    @cached_property
    def per_distance(self) -> dict[str, dict]:
        """Recall in steps of distance, where known."""
        return by_distance(self)

    @cached_property
    def errors(self) -> dict[str, int]:
        """How many detections are of each of :data:`~robotlab.metrics.error_analysis.ERROR_KINDS`, and how many false negatives there are."""
        matches = self.table.matches
        kinds = error_kinds(self.truths, self.found, matches, math.inf if self.score is None else self.score)[1]
        counts = np.bincount(kinds, minlength=len(ERROR_KINDS)).tolist()
        return {
            **dict(zip(ERROR_KINDS, counts, strict=True)),
            "false negative": int(np.count_nonzero(self.counted & ~self.found_truths)),
        }

    @cached_property
    def confusion(self) -> np.ndarray:
        """Confusion matrix, (K + 1, K + 1) int: row true class, column predicted class, the last of each background."""
        return confusion(self.truths, self.found, self.table.matches, math.inf if self.score is None else self.score)

    @cached_property
    def calibration(self) -> dict | None:
        """Calibration over all detections that count."""
        curve = self.curve()
        return calibration(curve.score, curve.hit)

    def resampled(
        self, weights: np.ndarray, groups: Sequence[Any], limits: Sequence[float] | None = None
    ) -> np.ndarray:
        """AP of bootstrap resamples of groups of pictures.

        Parameters
        ----------
        weights : (B, R) ndarray of int
            How often each group counts; groups in order of appearance.
        groups : sequence
            Group of each picture.
        limits : sequence of float, optional
            IoU limits; all ten where not given.

        Returns
        -------
        (B, T) ndarray
            AP of each resample.
        """
        names = {group: row for row, group in enumerate(dict.fromkeys(groups))}
        place = np.array([names[group] for group in groups], dtype=np.int64)
        truths_by_group = np.zeros((len(self.classes), len(names)))
        np.add.at(truths_by_group, (self.truths.label[self.counted], place[self.truths.picture[self.counted]]), 1)
        matches = self.table.matches
        return weighted_ap(matches, place[self.found.picture[matches.row]], truths_by_group, weights, limits)

    @cached_property
    def intervals(self) -> dict[str, Any]:
        """95 % intervals of AP and AP50 over recordings, or None with the reason."""
        count = len(set(self.recordings))
        rows: dict[str, Any] = {"AP": None, "AP50": None, "recordings": count}
        if count < 2 or not self.counted.any():
            rows["note"] = "an interval needs at least two recordings: frames of one recording look alike"
            return rows
        aps = self.resampled(bootstrap_weights(count, RESAMPLES), self.recordings)
        for key, values in (("AP", aps.mean(axis=1)), ("AP50", aps[:, 0])):
            rows[key] = list(percentile_interval(values))
        rows["note"] = f"percentile bootstrap over {count} recordings, {RESAMPLES} resamples"
        if count < FEW_RECORDINGS:
            rows["note"] += f"; fewer than {FEW_RECORDINGS} recordings, so take it as a rough guide"
        return rows

    def to_json(self) -> dict[str, Any]:
        """Everything as plain numbers, lists and dicts; finite or None.

        Returns
        -------
        dict
            ``AP`` and ``AP50`` first, -1 where nothing was there to be found.
        """
        return {
            "AP": self.AP,
            "AP50": self.AP50,
            "AP75": self.coco["AP75"],
            "detector": self.name,
            "pictures": self.pictures,
            "truths": int(self.counted.sum()),
            "detections": len(self.found),
            "coco": self.coco,
            "intervals": self.intervals,
            "at": self.at,
            "per_class": self.per_class,
            "per_lighting": self.per_lighting,
            "per_size": self.per_size,
            "per_distance": self.per_distance,
            "per_recording": self.per_recording,
            "recall_by_size": self.recall_by_size,
            "smallest_usable_px": smallest_usable_px(self.recall_by_size),
            "errors": self.errors,
            "confusion": {"classes": [*self.classes, "background"], "counts": self.confusion.tolist()},
            "calibration": self.calibration,
            "ignore_marks_used": self.use_ignore,
        }

    def text(self) -> str:
        """A table for a terminal.

        Returns
        -------
        str
            Several lines, no more than 79 characters wide.
        """
        from robotlab.metrics.text import evaluation_text

        return evaluation_text(self)


def curve_of(table: CocoTable, found: DetectionTable, label: int | None) -> Curve:
    """The ranked list of one class, or of all, at IoU .5.

    Parameters
    ----------
    table : CocoTable
        From :func:`robotlab.metrics.evaluate_coco`.
    found : DetectionTable
        The detections that it was made from.
    label : int or None
        Place of the class; None takes all.

    Returns
    -------
    Curve
        Detections that count, best score first.
    """
    matches = table.matches
    counts = matches.ignored & np.uint64(1) == 0
    if label is not None:
        counts &= matches.label == label
    rows = np.flatnonzero(counts)
    score = found.score[matches.row[rows]]
    order = np.argsort(-score, kind="stable")
    truths = matches.truth_counts[:, 0]
    hit = matches.hit[rows] & np.uint64(1) > 0
    return Curve(score[order], hit[order], int(truths.sum() if label is None else truths[label]))
