"""Breakdowns of an evaluation by recording, lighting, size and distance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from robotlab.metrics.coco import IOU_LIMITS, Matches, accumulate_area, mean_where_known
from robotlab.metrics.significance import wilson_interval
from robotlab.metrics.text import step_label

if TYPE_CHECKING:
    from robotlab.metrics.evaluation import Evaluation

# Steps of about √2; 32 and 96 are COCO's own borders (Lin et al., arXiv:1405.0312).
SIZE_EDGES_PX = (0.0, 8.0, 12.0, 16.0, 24.0, 32.0, 48.0, 64.0, 96.0, 128.0, np.inf)
# Distances at which a small trolley follows, finer where it is near (common practice, no source).
DISTANCE_EDGES_M = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, np.inf)
# A size is usable when half of the objects are found: the 50 % point that range
# criteria are stated at (Johnson, 1958; from memory).
USABLE_RECALL = 0.5
# With fewer objects than this a proportion says nothing (common practice, no source).
FEWEST_THINGS = 5
# Classes of all groups whose curves are held at once, about 30 MB.
_CHUNK = 1000


def recall_of(evaluation: Evaluation, keep: np.ndarray) -> dict[str, Any]:
    """Recall of some ground truths at the confidence threshold.

    Parameters
    ----------
    evaluation : Evaluation
        What was found.
    keep : (G,) ndarray of bool
        Which truths; those that do not count are left out.

    Returns
    -------
    dict
        ``truths, found, recall, recall_interval``; the last two None without
        truths.
    """
    keep = keep & evaluation.counted
    return _recall(int(keep.sum()), int((keep & evaluation.found_truths).sum()))


def _recall(truths: int, found: int) -> dict[str, Any]:
    return {
        "truths": truths,
        "found": found,
        "recall": found / truths if truths else None,
        "recall_interval": list(wilson_interval(found, truths)) if truths else None,
    }


def by_group(evaluation: Evaluation, groups: Sequence[str | None]) -> dict[str, dict]:
    """AP, precision and recall of each group of pictures.

    Parameters
    ----------
    evaluation : Evaluation
        What was found.
    groups : sequence of str or None
        Group of each picture; None is left out.

    Returns
    -------
    dict of str to dict
        By group, in order of appearance.
    """
    places: dict[str, int] = {}
    of_picture = np.array(
        [-1 if group is None else places.setdefault(str(group), len(places)) for group in groups], np.int64
    )
    matches, classes = evaluation.table.matches, len(evaluation.classes)
    of_row, of_truth = of_picture[evaluation.found.picture[matches.row]], of_picture[evaluation.truths.picture]

    def count(of: np.ndarray, keep: np.ndarray | np.bool) -> list[int]:
        return np.bincount(of[keep & (of >= 0)], minlength=len(places)).tolist()

    used = np.uint64(1) & matches.ignored == 0
    if evaluation.score is not None:
        used &= evaluation.found.score[matches.row] >= evaluation.score
    truths_by_group = np.zeros((len(places), classes), np.int64)
    keep = evaluation.counted & (of_truth >= 0)
    np.add.at(truths_by_group, (of_truth[keep], evaluation.truths.label[keep]), 1)
    columns = zip(
        places,
        count(of_picture, np.True_),
        _ap_of_groups(matches, of_row, truths_by_group),
        count(of_row, used),
        count(of_row, used & (matches.hit & np.uint64(1) > 0)),
        count(of_truth, evaluation.counted),
        count(of_truth, evaluation.counted & evaluation.found_truths),
        strict=True,
    )
    return {
        name: {
            "pictures": pictures,
            **{key: value if value > -1 else None for key, value in zip(("AP", "AP50"), aps, strict=True)},
            "precision": hits / n if n else None,
            **_recall(truths, found),
        }
        for name, pictures, aps, n, hits, truths, found in columns
    }


def _ap_of_groups(matches: Matches, of_row: np.ndarray, truths_by_group: np.ndarray) -> list[tuple[float, float]]:
    """AP and AP50 of each group; -1 without truths.  Each class of each group is a class of its own, many at once."""
    groups, classes = truths_by_group.shape
    label = of_row * classes + matches.label
    order = np.argsort(label, kind="stable")
    label, values, step = label[order], [], max(1, _CHUNK // max(1, classes))
    for low in range(0, groups, step):
        chosen = truths_by_group[low : low + step]
        rows = slice(*np.searchsorted(label, np.array([low, low + len(chosen)]) * classes))
        columns = {
            name: getattr(matches, name)[order[rows]] for name in ("row", "rank", "hit", "ignored", "truth", "paired")
        }
        part = replace(matches, **columns, label=label[rows] - low * classes, truth_counts=chosen.reshape(-1, 1))
        precision = accumulate_area(part, 0)[0].reshape(len(IOU_LIMITS), len(chosen), classes, -1).transpose(1, 0, 3, 2)
        values += [(mean_where_known(one), mean_where_known(one[:1])) for one in precision]
    return values


def by_size(evaluation: Evaluation) -> list[dict]:
    """Recall in steps of size: the square root of the box's area, px.

    Parameters
    ----------
    evaluation : Evaluation
        What was found.

    Returns
    -------
    list of dict
        ``from_px, to_px`` (None: no upper end) and :func:`recall_of`.
    """
    side = np.sqrt(evaluation.truths.xywh[:, 2] * evaluation.truths.xywh[:, 3])
    return _in_steps(evaluation, side, SIZE_EDGES_PX, "px")


def by_distance(evaluation: Evaluation) -> dict[str, dict]:
    """Recall in steps of distance; empty where no distance is known.

    Parameters
    ----------
    evaluation : Evaluation
        What was found.

    Returns
    -------
    dict of str to dict
        By step, ``"1.5-2 m"`` say, near to far; each with ``from_m, to_m``
        and :func:`recall_of`.  Steps without truths are left out.
    """
    rows = _in_steps(evaluation, evaluation.distances_m, DISTANCE_EDGES_M, "m")
    return {step_label(row, "m"): row for row in rows if row["truths"]}


def _in_steps(evaluation: Evaluation, values: np.ndarray, edges: Sequence[float], unit: str) -> list[dict]:
    """Recall of the truths whose value lies between one edge and the next."""
    return [
        {f"from_{unit}": low, f"to_{unit}": high if np.isfinite(high) else None}
        | recall_of(evaluation, (values >= low) & (values < high))
        for low, high in pairwise(edges)
    ]


def smallest_usable_px(rows: list[dict]) -> float | None:
    """The smallest size from which on half of the objects are found.

    Parameters
    ----------
    rows : list of dict
        From :func:`by_size`.

    Returns
    -------
    float or None
        Lower end of the smallest step such that it and every larger one with
        at least five objects has recall of .5 or more; None when there is none.

    Examples
    --------
    >>> rows = [{"from_px": low, "truths": 9, "recall": recall} for low, recall in ((0, .1), (8, .6), (16, .9))]
    >>> smallest_usable_px(rows)
    8
    """
    usable = None
    for row in reversed(rows):
        if row["truths"] < FEWEST_THINGS:
            continue
        if row["recall"] < USABLE_RECALL:
            break
        usable = row["from_px"]
    return usable
