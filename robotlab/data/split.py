"""Split a data set without data leakage: by recording, never by frame.

Frames of one recording look alike.  A detector that has learned from one of two
neighboring frames has seen the other (see scikit-learn's ``GroupKFold`` for
the same rule).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.data.dataset import DataSet
from robotlab.data.labeled_image import LabeledImage
from robotlab.errors import DataSetError
from robotlab.image.hashing import NEAR_BITS, image_hash, near_duplicates

# How often the search for a balanced split begins anew; with 12 recordings and 4
# classes the best of 16 was the best of all 4096 splits in 60 of 60 trials.
_STARTS = 16
# With more recordings than this no two are exchanged at once: the table of pairs would be large, and the choice is wide
# anyway.
_MANY = 100


def split_by_recording(
    data: DataSet, hold_out: float | Sequence[str] | str = 0.25, seed: int = 0
) -> tuple[DataSet, DataSet]:
    """Two data sets that share no recording, with similar class proportions.

    Parameters
    ----------
    data : DataSet
        At least two recordings.
    hold_out : float, 0 to 1, or names of recordings
        The part of the pictures to hold out, or the recordings themselves.
    seed : int
        Which recordings are drawn; the same seed draws the same.

    Returns
    -------
    train, test : DataSet
        Both with at least one recording.

    Raises
    ------
    DataSetError
        If there is one recording alone, a name is not there, or nothing would
        be left on a side.

    Notes
    -----
    With a fraction f, recordings are drawn at random, then taken in, put back
    or exchanged for as long as that brings the held-out part closer to f:

    ``(f - pictures held out)² + mean over classes of (f - boxes held out)²``

    with both parts as fractions.  This is not a guarantee: a class that one
    recording alone has is on one side alone.

    Examples
    --------
    >>> from pathlib import Path
    >>> rows = tuple(LabeledImage(n, Path(f"{n}.png"), 8, 6, recording="abcd"[n % 4]) for n in range(40))
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), rows)
    >>> train, test = split_by_recording(data, 0.25)
    >>> len(train), len(test), test.recordings
    (30, 10, ('d',))
    """
    names = data.recordings
    if len(names) < 2:
        raise DataSetError(
            f"{data.labels_path}: a split needs at least two recordings, there is {', '.join(names)} alone, and neighboring "
            "frames on both sides would leak into the test; make another recording at another time, or split this one in "
            "time with a gap (split_in_time, or robotlab split --in-time), which says less"
        )
    if isinstance(hold_out, (int, float)):
        held = _draw(data, _fraction(hold_out), seed)
    else:
        held = set(data.only(recordings=hold_out).recordings)
    kept = [name for name in names if name not in held]
    if not kept:
        raise DataSetError(
            f"{data.labels_path}: a recording must be left to learn from, all {len(names)} are held out; hold out fewer"
        )
    return data.only(recordings=kept), data.only(recordings=held)


def _fraction(hold_out: float) -> float:
    if not 0 < hold_out < 1:
        raise DataSetError(f"hold_out must be between 0 and 1, or names of recordings, got {hold_out}; 0.25 is usual")
    return float(hold_out)


def _draw(data: DataSet, fraction: float, seed: int) -> set[str]:
    """Recordings to hold out: the most balanced of several draws, each improved one recording or pair at a time."""
    shares, weights = _shares(data)
    count, rng = len(shares), np.random.default_rng(seed)

    def distance(held: np.ndarray) -> np.ndarray:
        return ((held @ shares - fraction) ** 2) @ weights

    moves = None if count > _MANY else _moves(count)
    best, least = None, np.inf
    for _ in range(_STARTS):
        held = rng.random(count) < fraction
        held[rng.integers(count)] ^= not held.any() or held.all()
        if moves is None:
            held = _closer_one_by_one(held, rng.permutation(count), shares, weights, fraction)
        else:
            held = _closer(held, moves[rng.permutation(len(moves))], distance)
        if distance(held) < least - 1e-12:
            best, least = held, float(distance(held))
    assert best is not None
    return {name for name, out in zip(data.recordings, best, strict=True) if out}


def _moves(count: int) -> np.ndarray:
    """Each recording by itself, and each two, as rows of bool."""
    flips = np.eye(count, dtype=bool)
    return np.concatenate([flips, (flips[:, None] | flips[None, :])[np.triu_indices(count, 1)]])


def _closer(held: np.ndarray, moves: np.ndarray, distance: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """The best of the moves, again and again, for as long as there is a better one."""
    here = distance(held)
    while True:
        others = held ^ moves
        others = others[others.any(axis=1) & ~others.all(axis=1)]
        far = distance(others)
        if not len(far) or not far.min() < here - 1e-12:
            return held
        held, here = others[far.argmin()], far.min()


def _closer_one_by_one(
    held: np.ndarray, order: np.ndarray, shares: np.ndarray, weights: np.ndarray, fraction: float
) -> np.ndarray:
    """The same with one recording a move: time and memory of a move grow with the recordings, not with their square."""
    own = shares**2 @ weights
    while True:
        # (x + s)² - x², where x is what is missing, and s the recording's share, with the sign of its move.
        missing = held @ shares - fraction
        change = own + 2 * np.where(held, -1, 1) * (shares @ (weights * missing))
        if held.sum() in (1, len(held) - 1):  # the last one of a side stays
            change[held == (held.sum() == 1)] = np.inf
        move = order[change[order].argmin()]
        if not change[move] < -1e-12:
            return held
        held = held.copy()
        held[move] ^= True


def _shares(data: DataSet) -> tuple[np.ndarray, np.ndarray]:
    """What part of all pictures, and of each class's boxes, each recording has; and how much each part counts."""
    rows = {name: row for row, name in enumerate(data.recordings)}
    table = np.zeros((len(rows), 1 + len(data.classes)))
    for entry in data.pictures:
        boxes = np.bincount(entry.labels[entry.counted], minlength=len(data.classes))
        table[rows[entry.recording]] += [1, *boxes]
    table = table[:, table.any(axis=0)]
    return table / table.sum(axis=0), np.array([1.0, *[1 / max(1, table.shape[1] - 1)] * (table.shape[1] - 1)])


def split_in_time(data: DataSet, hold_out: float = 0.25, gap: float = 0.1) -> tuple[DataSet, DataSet]:
    """The last part of each recording apart from the first, with a gap between.

    For those who have one recording alone: better than a split by frame, and
    no substitute for a second recording, for room, light and objects are the
    same on both sides.

    Parameters
    ----------
    data : DataSet
        At least one recording of several pictures.
    hold_out : float, 0 to 1
        Part of each recording's pictures for the test, its last ones.
    gap : float, 0 to 1
        Part left out before them, at least one picture: neighbors in time look
        alike.

    Returns
    -------
    train, test : DataSet
        In time order (``time_s`` of the records, else the order of the file).

    Raises
    ------
    DataSetError
        If a fraction is wrong, or too few pictures are left on a side.

    Examples
    --------
    >>> from pathlib import Path
    >>> rows = tuple(LabeledImage(n, Path(f"{n}.png"), 8, 6) for n in range(20))
    >>> train, test = split_in_time(DataSet(Path("annotations.json"), ("post",), (1,), rows))
    >>> [entry.id for entry in train][-1], [entry.id for entry in test]
    (12, [15, 16, 17, 18, 19])
    """
    part = _fraction(hold_out)
    if not 0 <= gap < 1 - part:
        raise DataSetError(
            f"gap must be from 0 to less than {1 - part:g}, the part not held out, got {gap}; 0.1 is usual"
        )
    train: list[LabeledImage] = []
    test: list[LabeledImage] = []
    recordings: dict[str, list[LabeledImage]] = {}
    for entry in data.pictures:
        recordings.setdefault(entry.recording, []).append(entry)
    for name, entries in recordings.items():
        if all(isinstance(entry.record.get("time_s"), (int, float)) for entry in entries):
            entries.sort(key=lambda entry: entry.record["time_s"])
        last = round(part * len(entries))
        between = max(1, round(gap * len(entries)))
        if not last or last + between >= len(entries):
            raise DataSetError(
                f"{data.labels_path}: a split in time needs pictures before and after its gap, recording {name} has "
                f"{len(entries)}: {last} to hold out and {between} for the gap; gather more, or take smaller parts"
            )
        train += entries[: len(entries) - last - between]
        test += entries[len(entries) - last :]
    return data.having(train), data.having(test)


@dataclass(frozen=True)
class Leak:
    """Two pictures, one on each side of a split, that look the same.

    Parameters
    ----------
    train, test : LabeledImage
        The pictures.
    bits : int
        How many of 128 bits of their hashes differ.

    Examples
    --------
    >>> from pathlib import Path
    >>> Leak(LabeledImage(1, Path("a.png"), 8, 6), LabeledImage(2, Path("b.png"), 8, 6), 3).bits
    3
    """

    train: LabeledImage
    test: LabeledImage
    bits: int


def find_leaks(train: DataSet, test: DataSet, limit_bits: int = NEAR_BITS) -> tuple[Leak, ...]:
    """Near-duplicate pictures across a split.

    Parameters
    ----------
    train, test : DataSet
        The two sides.
    limit_bits : int
        Two pictures whose hashes differ in at most this many of 128 bits count.

    Returns
    -------
    tuple of Leak
        The most alike first; empty when the sides look apart.

    Raises
    ------
    DataSetError
        If a picture cannot be read.

    Notes
    -----
    A leak is a reason to look, not a proof: a robot that stands still makes
    two recordings of one view.  And no leak is not proof either: the same
    place from a step to the side is not found.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from robotlab.data import Sample, write_dataset
    >>> view = np.random.default_rng(0).integers(0, 256, (24, 32, 3), dtype=np.uint8)
    >>> samples = [Sample("a.png", view, recording="day1"), Sample("b.jpg", view, recording="day2")]
    >>> data = write_dataset(pathlib.Path(tempfile.mkdtemp()) / "two", samples, ["post"])
    >>> [leak.test.name for leak in find_leaks(data.only("day1"), data.only("day2"))]
    ['pictures/b.jpg']
    """
    sides = [np.array([image_hash(data.load(entry)) for entry in data.pictures]) for data in (train, test)]
    return tuple(Leak(train[a], test[b], int(bits)) for a, b, bits in near_duplicates(sides[0], sides[1], limit_bits))
