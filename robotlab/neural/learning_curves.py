"""Nested subsets of a data set for a learning curve: what more labeled pictures bring."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from robotlab.data import DataSet


def nested_subsets(data: DataSet, counts: Sequence[int], seed: int = 0) -> list[DataSet]:
    """Nested subsets of a data set, each holding all smaller ones.

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
    >>> [len(part) for part in nested_subsets(DataSet("annotations.json", ("post",), (1,), rows), (2, 6, 99))]
    [2, 6]
    """
    rng = np.random.default_rng(seed)
    piles: dict[str, list[int]] = {}
    for n, entry in enumerate(data.pictures):
        piles.setdefault(entry.recording, []).append(n)
    turns = [(turn, rows[i]) for rows in piles.values() for turn, i in enumerate(rng.permutation(len(rows)))]
    order = [n for _, n in sorted(turns, key=lambda one: one[0])]
    return [data.having([data.pictures[n] for n in sorted(order[:count])]) for count in counts if count <= len(data)]
