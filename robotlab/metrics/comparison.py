"""Paired comparison of two detectors on the same pictures."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from robotlab.errors import InputError
from robotlab.metrics.bootstrap import bootstrap_weights, percentile_interval
from robotlab.metrics.evaluation import FEW_RECORDINGS, RESAMPLES
from robotlab.metrics.significance import mcnemar_test
from robotlab.metrics.text import number

if TYPE_CHECKING:
    from robotlab.metrics.evaluation import Evaluation

# Differences as large as this come by chance once in twenty times (Fisher,
# Statistical Methods for Research Workers, 1925; from memory).
LEVEL = 0.05


@dataclass(frozen=True)
class Comparison:
    """Detector B against detector A on the same ground truth; ``str()`` gives the sentence.

    Parameters
    ----------
    a, b : str
        Names.
    truths, found_a, found_b : int
        Objects, and how many each found at its threshold of use, IoU .5.
    only_a, only_b : int
        Objects that only one of them found.
    p_exact, p_corrected : float
        McNemar's test of those two counts.
    ap_difference, ap50_difference : float or None
        B minus A.
    ap_interval, ap50_interval : tuple of float or None
        95 % interval of the difference, both on the same resamples.
    resampled : {"recordings", "pictures"}
        What was resampled; pictures only where there is one recording.
    groups : int
        How many of them.
    better : str or None
        Name of the better one, or None when the difference could be chance.
    sentence : str
        The conclusion in words.
    """

    a: str
    b: str
    truths: int
    found_a: int
    found_b: int
    only_a: int
    only_b: int
    p_exact: float
    p_corrected: float
    ap_difference: float | None
    ap50_difference: float | None
    ap_interval: tuple[float, float] | None
    ap50_interval: tuple[float, float] | None
    resampled: str
    groups: int
    better: str | None
    sentence: str

    def __str__(self) -> str:
        return self.sentence

    def to_json(self) -> dict:
        """The same as a plain dict.

        Returns
        -------
        dict
            Finite numbers, text, lists and None.
        """
        return {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(self).items()}


def compare_evaluations(a: Evaluation, b: Evaluation, resamples: int = RESAMPLES, seed: int = 0) -> Comparison:
    """Compare two evaluations of the same pictures.

    Parameters
    ----------
    a, b : Evaluation
        From :func:`robotlab.metrics.evaluate` on the same data set.
    resamples : int
        Bootstrap resamples.
    seed : int
        Same seed, same resamples.

    Returns
    -------
    Comparison
        Counts, tests, intervals, and a plain sentence.

    Raises
    ------
    InputError
        If the two were not judged on the same truths.

    Notes
    -----
    Two questions are asked.  Of the same objects, who found more: McNemar's
    exact test, which takes objects as independent and so is overconfident
    on films.  Whose AP50 is higher: paired bootstrap, the same recordings
    drawn for both, which does know that frames of one recording look alike.
    Only when both answer alike, beyond chance, is one called better.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import DataSet, LabeledImage
    >>> from robotlab.metrics import evaluate
    >>> from robotlab.detections import Detections
    >>> rows = [LabeledImage(n, Path("a.png"), 64, 48, "ab"[n % 2], boxes=[[0, 0, 9, 9]], labels=[0]) for n in range(8)]
    >>> data = DataSet(Path("annotations.json"), ("post",), (3,), tuple(rows))
    >>> blind = evaluate(data, [Detections.none(["post"])] * 8, "blind")
    >>> keen = evaluate(data, [Detections([[0, 0, 9, 9]], [0.9], [0], ["post"])] * 8, "keen")
    >>> compare_evaluations(blind, keen).sentence.split(".")[0]
    'keen finds more: 8 of 8 objects, blind 0'
    """
    same = a.classes == b.classes and a.recordings == b.recordings and np.array_equal(a.counted, b.counted)
    columns = ("xywh", "label", "picture")
    if not (same and all(np.array_equal(getattr(a.truths, name), getattr(b.truths, name)) for name in columns)):
        raise InputError(
            f"both must be judged on the same pictures and truths, {a.name} and {b.name} were not; judge both on one data set"
        )
    found_a, found_b = a.found_truths & a.counted, b.found_truths & b.counted
    only_a, only_b = int((found_a & ~found_b).sum()), int((found_b & ~found_a).sum())
    p_exact, p_corrected = mcnemar_test(only_a, only_b)[1], mcnemar_test(only_a, only_b, "corrected")[1]

    by_recording = len(set(a.recordings)) > 1
    groups = a.recordings if by_recording else tuple(range(a.pictures))
    count = len(set(groups))
    differences: dict[str, float | None] = {"AP": None, "AP50": None}
    intervals: dict[str, tuple[float, float] | None] = {"AP": None, "AP50": None}
    if a.counted.any():
        differences = {key: b.coco[key] - a.coco[key] for key in differences}
        if count > 1:
            weights = bootstrap_weights(count, resamples, seed)
            gap = b.resampled(weights, groups) - a.resampled(weights, groups)
            intervals = {"AP": percentile_interval(gap.mean(axis=1)), "AP50": percentile_interval(gap[:, 0])}
    row: dict[str, Any] = {"a": a.name, "b": b.name, "truths": int(a.counted.sum())}
    row |= {"found_a": int(found_a.sum()), "found_b": int(found_b.sum())}
    row |= {"only_a": only_a, "only_b": only_b, "p_exact": p_exact, "p_corrected": p_corrected}
    row |= {"ap_difference": differences["AP"], "ap50_difference": differences["AP50"]}
    row |= {"ap_interval": intervals["AP"], "ap50_interval": intervals["AP50"]}
    row |= {"resampled": "recordings" if by_recording else "pictures", "groups": count}
    better = _better(row)
    return Comparison(**row, better=better, sentence=_sentence(row, better, a.coco["AP50"], b.coco["AP50"]))


def _better(row: dict) -> str | None:
    bounds = row["ap50_interval"]
    if row["p_exact"] >= LEVEL or bounds is None:
        return None
    if row["only_b"] > row["only_a"] and bounds[0] > 0:
        return row["b"]
    if row["only_a"] > row["only_b"] and bounds[1] < 0:
        return row["a"]
    return None


def _signed(value: float) -> str:
    return ("+" if value >= 0 else "-") + number(abs(value), 2)


def _sentence(row: dict, better: str | None, ap50_a: float, ap50_b: float) -> str:
    a, b = row["a"], row["b"]
    if not row["truths"]:
        return f"There was nothing to be found, so {a} and {b} cannot be compared."
    gap = row["found_b"] - row["found_a"]
    if gap == 0:
        head = f"{a} and {b} find equally many ({row['found_a']} of {row['truths']})"
    else:
        more, most, fewer = (b, row["found_b"], row["found_a"]) if gap > 0 else (a, row["found_a"], row["found_b"])
        other = a if gap > 0 else b
        head = f"{more} finds more: {most} of {row['truths']} objects, {other} {fewer}"
    bounds = row["ap50_interval"]
    ap = f"AP50 of {b} is {number(ap50_b, 2)} against {number(ap50_a, 2)} of {a}"
    if bounds:
        low, high = bounds
        ap += (
            f" (difference {_signed(row['ap50_difference'])}, 95 % interval {_signed(low)} to {_signed(high)} "
            f"over {row['groups']} {row['resampled']})"
        )
    p = "p < .001" if row["p_exact"] < 0.001 else f"p = {number(row['p_exact'])}"
    if better:
        end = f"This is more than chance explains (McNemar {p}): {better} is better here."
    elif row["only_a"] + row["only_b"] == 0 and ap50_a == ap50_b:
        end = "No difference shows."
    elif row["p_exact"] < LEVEL and bounds and bounds[0] <= 0 <= bounds[1]:
        end = (
            f"The difference could be chance: object by object it looks real (McNemar {p}), but from one of the "
            f"{row['resampled']} to another it varies too much."
        )
    else:
        end = f"The difference could be chance (McNemar {p})."
    caution = ""
    if row["resampled"] == "pictures":
        caution = " All pictures are of one recording and look alike, so even this is overconfident."
    elif row["groups"] < FEW_RECORDINGS:
        caution = f" With only {row['groups']} recordings, take the interval as a rough guide."
    return f"{head}. {ap}. {end}{caution}"
