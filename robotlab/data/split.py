"""Split a data set so that the test says something: by recording, never by frame.

Frames of one recording look alike.  A detector that has learned from one of two
neighboring frames has seen the other (see scikit-learn's ``GroupKFold`` for
the same rule).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.data.labeled_image import LabeledImage
from robotlab.data.model import DataSet
from robotlab.errors import DataSetError
from robotlab.image.hashing import NEAR_BITS, image_hash, near_duplicates


def split_by_recording(
    data: DataSet, hold_out: float | Sequence[str] | str = 0.25, seed: int = 0
) -> tuple[DataSet, DataSet]:
    """Two data sets that share no recording.

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
        Both with at least one recording.  With a fraction, recordings are
        drawn at random and taken while they bring the number of pictures held
        out closer to it.

    Raises
    ------
    DataSetError
        If there is one recording alone, a name is not there, or nothing would
        be left on a side.

    Examples
    --------
    >>> from pathlib import Path
    >>> rows = tuple(LabeledImage(n, Path(f"{n}.png"), 8, 6, recording="abcd"[n % 4]) for n in range(40))
    >>> data = DataSet(Path("annotations.json"), ("post",), (1,), rows)
    >>> train, test = split_by_recording(data, 0.25)
    >>> len(train), len(test), test.recordings
    (30, 10, ('c',))
    """
    names = data.recordings
    if len(names) < 2:
        raise DataSetError(
            f"{data.labels_path}: a split needs at least two recordings, there is {', '.join(names)} alone; make another "
            "recording at another time, or note in each picture's record which recording it is from"
        )
    if isinstance(hold_out, (int, float)) and not isinstance(hold_out, bool):
        if not 0 < hold_out < 1:
            raise DataSetError(
                f"hold_out must be between 0 and 1, or names of recordings, got {hold_out}; 0.25 is usual"
            )
        held = _draw(data, hold_out, seed)
    else:
        held = set(data.only(recordings=hold_out).recordings)
    kept = [name for name in names if name not in held]
    if not kept:
        raise DataSetError(
            f"{data.labels_path}: a recording must be left to learn from, all {len(names)} are held out; hold out fewer"
        )
    return data.only(recordings=kept), data.only(recordings=held)


def _draw(data: DataSet, fraction: float, seed: int) -> set[str]:
    counts = dict.fromkeys(data.recordings, 0)
    for entry in data.pictures:
        counts[entry.recording] += 1
    order = np.random.default_rng(seed).permutation(len(counts))
    names = [list(counts)[place] for place in order]
    aim, have, held = fraction * len(data), 0, []
    for name in names:
        if abs(have + counts[name] - aim) < abs(have - aim):
            held.append(name)
            have += counts[name]
    # One recording on each side at least, the smaller ones by preference.
    held = held or [min(names, key=counts.get)]
    if len(held) == len(names):
        held.remove(max(held, key=counts.get))
    return set(held)


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
    two recordings of one view.  And no leak is no proof either: the same
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
