"""Breakdowns of an evaluation by recording, lighting, size and distance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from robotlab.metrics.coco import CocoTable, accumulate
from robotlab.metrics.significance import wilson_interval

if TYPE_CHECKING:
    from robotlab.metrics.evaluation import Evaluation

# Steps of about √2; 32 and 96 are COCO's own borders (Lin et al., arXiv:1405.0312).
SIZE_EDGES_PX = (0.0, 8.0, 12.0, 16.0, 24.0, 32.0, 48.0, 64.0, 96.0, 128.0, np.inf)
# Distances at which a small trolley follows, finer where it is near (common practice, no source).
DISTANCE_EDGES_M = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, np.inf)
# A size is usable when half of the things are found: the 50 % point that range
# criteria are stated at (Johnson, 1958; from memory).
USABLE_RECALL = 0.5
# With fewer things than this a proportion says nothing (common practice, no source).
FEWEST_THINGS = 5


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
    truths, found = int(keep.sum()), int((keep & evaluation.found_truths).sum())
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
    matches, rows = evaluation.table.matches, {}
    names = np.array(["" if group is None else str(group) for group in groups], dtype=object)
    known = np.array([group is not None for group in groups], dtype=bool)
    for name in dict.fromkeys(names[known].tolist()):
        here = known & (names == name)
        in_rows = here[evaluation.found.picture[matches.row]]
        in_truths = here[evaluation.truths.picture]
        part = matches.part(in_rows, evaluation.truths, in_truths)
        numbers = CocoTable(*accumulate(part), part).numbers()
        used = np.uint64(1) & part.ignored == 0
        if evaluation.score is not None:
            used &= evaluation.found.score[part.row] >= evaluation.score
        n, hits = int(used.sum()), int((used & (part.hit & np.uint64(1) > 0)).sum())
        rows[name] = {
            "pictures": int(here.sum()),
            **{key: (numbers[key] if numbers[key] > -1 else None) for key in ("AP", "AP50")},
            "precision": hits / n if n else None,
            **recall_of(evaluation, in_truths),
        }
    return rows


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
    return [
        {
            "from_px": low,
            "to_px": high if np.isfinite(high) else None,
            **recall_of(evaluation, (side >= low) & (side < high)),
        }
        for low, high in zip(SIZE_EDGES_PX, SIZE_EDGES_PX[1:], strict=False)
    ]


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
    rows = {}
    for low, high in zip(DISTANCE_EDGES_M, DISTANCE_EDGES_M[1:], strict=False):
        row = recall_of(evaluation, (evaluation.distances_m >= low) & (evaluation.distances_m < high))
        if row["truths"]:
            name = f"{low:g}-{high:g} m" if np.isfinite(high) else f"{low:g} m and more"
            rows[name] = {"from_m": low, "to_m": high if np.isfinite(high) else None, **row}
    return rows


def smallest_usable_px(rows: list[dict]) -> float | None:
    """The smallest size from which on half of the things are found.

    Parameters
    ----------
    rows : list of dict
        From :func:`by_size`.

    Returns
    -------
    float or None
        Lower end of the smallest step such that it and every larger one with
        at least five things has recall of .5 or more; None when there is none.

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
