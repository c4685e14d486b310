"""COCO's twelve metrics in one pass over the detections of all pictures.

The definitions are those of Lin et al., ECCV 2014 (arXiv:1405.0312) and of the
reference program ``cocoeval.py``; the twelve numbers equal its bit for bit.
``tests/coco_reference.py`` computes the same numbers as one would explain
them, picture by picture; read that first.

What makes this one fast:

* only pairs of a detection and a truth with IoU of at least .5 can match, and
  there are few; everything else is counted, never visited;
* detections of one rank (best of its picture and class, second best, ...) can
  not compete for the same truth, so a whole rank is matched at once;
* the 10 IoU limits times 4 area ranges are 40 yes/no answers, kept as 40 bits
  of one whole number;
* a precision curve has its corners at the true positives, so only those are
  kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.metrics.overlapping import overlapping_pairs
from robotlab.metrics.tables import DetectionTable, GroundTruthTable, check_tables

# The four settings below: Lin et al., arXiv:1405.0312, and cocoeval.py.
IOU_LIMITS = np.linspace(0.5, 0.95, 10)
RECALL_LEVELS = np.linspace(0.0, 1.0, 101)
DETECTION_LIMITS = (1, 10, 100)
# Both ends belong to a range, so an object of 1024 px² is small and medium.
AREA_RANGES = {"all": (0.0, 1e10), "small": (0.0, 32.0**2), "medium": (32.0**2, 96.0**2), "large": (96.0**2, 1e10)}

_SIZES = tuple(AREA_RANGES)[1:]
NUMBERS = ("AP", "AP50", "AP75", *(f"AP_{size}" for size in _SIZES))
NUMBERS += ("AR_1", "AR_10", "AR_100", *(f"AR_{size}" for size in _SIZES))

_T, _A = len(IOU_LIMITS), len(AREA_RANGES)
_FULL = np.uint64((1 << (_T * _A)) - 1)


@dataclass(frozen=True, eq=False)
class Matches:
    """Matching of every detection at every IoU threshold and in every area range.

    Detections beyond the 100 best of a picture and class are gone.  Rows are
    in the order of class, then falling score (then picture, then file order).

    Parameters
    ----------
    row : (D,) ndarray of int
        Row in the :class:`DetectionTable`.
    label : (D,) ndarray of int
        Class, rising.
    rank : (D,) ndarray of int
        0 for the best of its picture and class.
    hit : (D,) ndarray of uint64
        Bit ``t * 4 + a``: matched a counted truth at ``IOU_LIMITS[t]`` in
        area range ``a``.
    ignored : (D,) ndarray of uint64
        Same bits: counts neither for nor against.
    truth : (D,) ndarray of int
        The counted truth matched at IoU .5 in any size, or -1.
    paired : (D,) ndarray of bool
        Had IoU of at least .5 with some truth of its class.
    counted : (G,) ndarray of uint64
        Same bits: the area ranges in which each truth counts.
    truth_counts : (K, 4) ndarray of int
        Ground truths that count, by class and area range.
    """

    row: np.ndarray
    label: np.ndarray
    rank: np.ndarray
    hit: np.ndarray
    ignored: np.ndarray
    truth: np.ndarray
    paired: np.ndarray
    counted: np.ndarray
    truth_counts: np.ndarray


@dataclass(frozen=True, eq=False)
class CocoTable:
    """Precision and recall in every setting; -1 where a class has no truths.

    Parameters
    ----------
    precision : (10, 101, K, 4) ndarray
        By IoU limit, recall level, class, area range; at most 100 detections.
    recall : (10, K, 4, 3) ndarray
        By IoU limit, class, area range, number of detections (1, 10, 100).
    matches : Matches
        Where they came from.
    """

    precision: np.ndarray
    recall: np.ndarray
    matches: Matches

    def numbers(self) -> dict[str, float]:
        """COCO's twelve numbers, in COCO's order.

        Returns
        -------
        dict of str to float
            Keys :data:`NUMBERS`; -1 where nothing was there to be found.
        """
        precision, recall = self.precision, self.recall
        parts = [precision[..., 0], precision[:1, ..., 0], precision[5:6, ..., 0]]
        parts += [precision[..., a] for a in (1, 2, 3)]
        parts += [recall[..., 0, m] for m in (0, 1, 2)]
        parts += [recall[..., a, 2] for a in (1, 2, 3)]
        return dict(zip(NUMBERS, map(mean_where_known, parts), strict=True))

    def per_class(self, limit: float | None = None) -> np.ndarray:
        """AP of each class.

        Parameters
        ----------
        limit : float, optional
            One of the ten IoU limits, .5 say; all ten where not given.

        Returns
        -------
        (K,) ndarray
            -1 for a class without truths.
        """
        part = self.precision[..., 0]
        if limit is not None:
            part = part[[int(np.abs(IOU_LIMITS - limit).argmin())]]
        return np.array([mean_where_known(part[:, :, k]) for k in range(part.shape[2])])


def mean_where_known(values: np.ndarray) -> float:
    """Mean of the values above -1, which stands for nothing to be found.

    Parameters
    ----------
    values : ndarray
        Precision or recall.

    Returns
    -------
    float
        -1 where all are.

    Examples
    --------
    >>> mean_where_known(np.array([0.5, -1.0, 0.25]))
    0.375
    """
    values = values[values > -1]
    return float(np.mean(values)) if values.size else -1.0


def evaluate_coco(truths: GroundTruthTable, found: DetectionTable, use_ignore: bool = False) -> CocoTable:
    """Match all detections and build the precision and recall tables.

    Parameters
    ----------
    truths : GroundTruthTable
        The labeled boxes.
    found : DetectionTable
        The detections.
    use_ignore : bool
        Also leave out truths marked ``ignore``.  Off by default because
        COCO's own program overwrites that flag with ``iscrowd``, and numbers
        are compared with its.

    Returns
    -------
    CocoTable
        All settings.

    Raises
    ------
    BoxError
        If a detection is in no known picture or of no known class.

    Notes
    -----
    COCO's program takes a match with an annotation whose id is 0 for no match;
    here ids play no part, so such a file scores higher, and right.

    Examples
    --------
    >>> truths = GroundTruthTable([0], [0], [[0, 0, 10, 10]], 1, ["post"])
    >>> found = DetectionTable([0], [0], [[0, 0, 10, 8]], [0.9])
    >>> evaluate_coco(truths, found).numbers()["AP"].__round__(6)
    0.7
    """
    check_tables(truths, found)
    matches = _match(truths, found, truths.crowd | truths.ignore if use_ignore else truths.crowd)
    return CocoTable(*accumulate(matches), matches)


def area_bits(area: np.ndarray) -> np.ndarray:
    """The area ranges that each area lies in, as bits of all IoU limits.

    Parameters
    ----------
    area : (N,) ndarray
        px².

    Returns
    -------
    (N,) ndarray of uint64
        Bit ``t * 4 + a`` for every ``t``.
    """
    bits = np.zeros(len(area), np.uint64)
    for a, (low, high) in enumerate(AREA_RANGES.values()):
        every = np.uint64(sum(1 << (t * _A + a) for t in range(_T)))
        bits |= np.where((area >= low) & (area <= high), every, np.uint64(0))
    return bits


def _limit_bits(iou: np.ndarray) -> np.ndarray:
    """All area ranges of every limit that the IoU reaches: the lowest bits."""
    reached = np.searchsorted(IOU_LIMITS, iou, side="right").astype(np.uint64)
    return (np.uint64(1) << (reached * np.uint64(_A))) - np.uint64(1)


def _match(truths: GroundTruthTable, found: DetectionTable, uncounted: np.ndarray) -> Matches:
    """Greedy matching of all pictures at once, rank after rank."""
    group_t = truths.label * truths.pictures + truths.picture
    group_d = found.label * truths.pictures + found.picture
    rows = np.lexsort((-found.score, group_d))
    group_d = group_d[rows]
    rank = np.arange(len(rows)) - np.searchsorted(group_d, group_d, side="left")
    keep = rank < DETECTION_LIMITS[-1]
    rows, group_d, rank = rows[keep], group_d[keep], rank[keep]

    d, g, iou = overlapping_pairs(truths, found, rows, group_t, group_d, IOU_LIMITS[0])

    # A detection's pairs in the order it would take them: best IoU first; of
    # equals the last in the file, as cocoeval.py does.
    best = np.lexsort((-g, -iou, d))
    d, g, iou = d[best], g[best], iou[best]
    turn = np.arange(len(d)) - np.searchsorted(d, d, side="left")
    by_turn = np.lexsort((turn, rank[d]))
    d, g, iou, turn = d[by_turn], g[by_turn], iou[by_turn], turn[by_turn]

    counted = np.where(uncounted, np.uint64(0), area_bits(truths.area))
    near = _limit_bits(iou)
    shareable = np.where(truths.crowd, _FULL, np.uint64(0))
    taken = np.zeros(len(truths), np.uint64)
    hit = np.zeros(len(rows), np.uint64)
    ignored = np.zeros(len(rows), np.uint64)
    truth = np.full(len(rows), -1)

    rank_of_pair = rank[d]
    starts = np.flatnonzero((np.diff(rank_of_pair, prepend=-1) != 0) | (np.diff(turn, prepend=-1) != 0)).tolist()
    stops = starts[1:] + [len(d)]
    heads = [n for n, start in enumerate(starts) if turn[start] == 0] + [len(starts)]
    for head, tail in zip(heads, heads[1:], strict=False):
        # Within one step no detection and no truth comes twice.
        steps = [slice(starts[n], stops[n]) for n in range(head, tail)]
        for step in steps:
            dd, gg = d[step], g[step]
            free = near[step] & counted[gg] & ~taken[gg] & ~hit[dd]
            hit[dd] |= free
            taken[gg] |= free
            won = free & np.uint64(1) > 0
            truth[dd[won]] = gg[won]
        # Only what found no counted truth may take an uncounted one.
        for step in steps:
            dd, gg = d[step], g[step]
            free = near[step] & ~counted[gg] & (~taken[gg] | shareable[gg]) & ~hit[dd] & ~ignored[dd]
            ignored[dd] |= free
            taken[gg] |= free
    paired = np.zeros(len(rows), bool)
    paired[d] = True
    # A detection without a match, of a size that is not asked for, is ignored too.
    ignored |= ~area_bits(found.area[rows]) & _FULL & ~hit
    label = found.label[rows]
    final = np.lexsort((-found.score[rows], label))
    return Matches(
        row=rows[final],
        label=label[final],
        rank=rank[final],
        hit=hit[final],
        ignored=ignored[final],
        truth=truth[final],
        paired=paired[final],
        counted=counted,
        truth_counts=_count(counted, truths.label, len(truths.classes)),
    )


def _count(counted: np.ndarray, label: np.ndarray, classes: int) -> np.ndarray:
    """(K, 4) truths that count, by class and area range."""
    return np.stack(
        [np.bincount(label[counted >> np.uint64(a) & np.uint64(1) > 0], minlength=classes) for a in range(_A)], axis=1
    )


def accumulate(matches: Matches) -> tuple[np.ndarray, np.ndarray]:
    """Precision at the 101 recall levels, and recall, in every setting.

    Parameters
    ----------
    matches : Matches
        Of all pictures, or of a part of them.

    Returns
    -------
    precision : (10, 101, K, 4) ndarray
    recall : (10, K, 4, 3) ndarray
        As in :class:`CocoTable`.
    """
    tables = [accumulate_area(matches, a) for a in range(_A)]  # one at a time: a quarter of the memory
    precision, recall = (np.stack(part, axis=2) for part in zip(*tables, strict=True))
    return precision.transpose(0, 3, 1, 2), recall


def accumulate_area(matches: Matches, a: int) -> tuple[np.ndarray, np.ndarray]:
    """Precision and recall in one area range.

    Parameters
    ----------
    matches : Matches
        Of all pictures, or of a part of them.
    a : int
        Column of ``truth_counts``, bit of the matches.

    Returns
    -------
    precision : (10, K, 101) ndarray
    recall : (10, K, 3) ndarray
    """
    counts = matches.truth_counts[:, a]
    classes = len(counts)
    pairs = np.flatnonzero(matches.paired)
    label, rank = matches.label[pairs], matches.rank[pairs]
    bits = np.arange(a, _T * _A, _A, dtype=np.uint64)[:, None]
    hit = matches.hit[pairs] >> bits & np.uint64(1) > 0  # (10, P)
    ignored = matches.ignored[pairs] >> bits & np.uint64(1) > 0

    # Every true positive, by IoU limit, class and falling score.
    limit, place = np.nonzero(hit)
    group = limit * classes + label[place]
    recall = -np.ones((_T, classes, len(DETECTION_LIMITS)))
    for m, most in enumerate(DETECTION_LIMITS):
        hits = np.bincount(group[rank[place] < most], minlength=_T * classes).reshape(_T, classes)
        np.divide(hits, counts, out=recall[..., m], where=counts > 0)

    starts = np.searchsorted(group, np.arange(_T * classes + 1))
    true = np.arange(len(group)) - starts[group] + 1
    # The false ones before it: those near no truth, the same at every IoU limit, and the others.
    first = np.searchsorted(matches.label, np.arange(classes))[label[place]]
    lone = _running(~matches.paired & (matches.ignored >> np.uint64(a) & np.uint64(1) == 0))
    near = _running(~hit & ~ignored)
    false = lone[pairs[place]] - lone[first] + near[limit, place] - near[limit, np.searchsorted(pairs, first)]
    # The tiny addend is cocoeval.py's guard against 0 / 0, kept for equality.
    curve = _envelope(true / ((false + true) + np.spacing(1)), group)

    # The first true positive that reaches each level, and the curve there.
    steps = {n: np.searchsorted(np.arange(1, n + 1) / n, RECALL_LEVELS) for n in np.unique(counts).tolist() if n}
    needed = np.zeros((classes, len(RECALL_LEVELS)), np.int64)
    for k in np.flatnonzero(counts):
        needed[k] = steps[int(counts[k])]
    at = starts[:-1].reshape(_T, classes, 1) + needed
    reached = at < starts[1:].reshape(_T, classes, 1)
    precision = np.where(counts[:, None] > 0, np.zeros(at.shape), -1.0)
    precision[reached] = curve[at[reached]]
    return precision, recall


def _running(flags: np.ndarray) -> np.ndarray:
    """How many flags are set before each place of the last axis, and in all."""
    out = np.zeros((*flags.shape[:-1], flags.shape[-1] + 1), np.int64)
    np.cumsum(flags, axis=-1, out=out[..., 1:])
    return out


def _envelope(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    """The largest value from each place to the end of its group; groups rise."""
    if not len(values):
        return values
    # A running maximum that starts anew in each group: whole-number ranks, which
    # are exact, lifted more the earlier the group, taken from the end.
    levels, order = np.unique(values, return_inverse=True)
    lift = (group[-1] - group) * len(levels)
    top = np.maximum.accumulate((order + lift)[::-1])[::-1]
    return levels[top - lift]
