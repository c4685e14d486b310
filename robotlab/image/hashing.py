"""Near-duplicate pictures: a short hash of each picture, and how many bits differ."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from robotlab.errors import InputError
from robotlab.image.color_spaces import luminance
from robotlab.image.resizing import resize

# Cells of the hash along each side.  Tried on scikit-image's photographs: with
# 8 the same picture made smaller, brighter (× 1.4), noisier (sigma 10 of 255)
# or compressed (JPEG quality 30) changed 0 to 16 of the 128 bits (half of the
# time 3 or fewer), and two different photographs differed in 43 or more.
CELLS = 8
# Two pictures that differ in at most this many of the 128 bits are near
# duplicates; from the same trial.
NEAR_BITS = 12
# Hashes compared at once: keeps the table of one block under 20 MB.
_BLOCK = 1024
# More pairs than this are refused: 2400 pictures that all look the same; they take about 0.5 GB as lists (own choice).
MOST_ALIKE = 3_000_000
Hashes = Sequence[np.ndarray] | np.ndarray


class TooManyAlikeError(InputError):
    """More pairs of pictures look the same than can be listed."""


def image_hash(picture: np.ndarray) -> np.ndarray:
    """The difference hash (dHash) of a picture: where it gets brighter.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.

    Returns
    -------
    (128,) ndarray of bool
        The picture is averaged down to 9 × 9 gray cells; each bit says
        whether a cell is brighter than the one to its left (64 bits) or above
        it (64 bits).  Common practice ("difference hash"), no source.

    Notes
    -----
    The hash does not change when a picture gets brighter, smaller or noisier,
    and changes when things move by an eighth of the picture.  This is not a
    test of what is in the picture: a plain wall always looks like itself.

    Examples
    --------
    >>> ramp = np.repeat(np.arange(0, 180, 2, dtype=np.uint8)[None, :, None], 60, 0).repeat(3, 2)
    >>> int(image_hash(ramp)[:64].sum()), int(image_hash(ramp)[64:].sum())
    (64, 0)
    """
    gray = luminance(resize(picture, (CELLS + 1, CELLS + 1), "area"))
    right = gray[:-1, 1:] > gray[:-1, :-1]
    down = gray[1:, :-1] > gray[:-1, :-1]
    return np.concatenate([right.ravel(), down.ravel()])


def near_duplicates(a: Hashes, b: Hashes | None = None, limit_bits: int = NEAR_BITS) -> np.ndarray:
    """Pairs of hashes that differ in few bits.

    Parameters
    ----------
    a : (N, 128) array-like of bool
        Hashes.
    b : (M, 128) array-like of bool, optional
        The other side; without it, pairs within `a`, each once.
    limit_bits : int
        Most bits that may differ.

    Returns
    -------
    (K, 3) ndarray of int
        Row of `a`, row of `b`, bits that differ; fewest bits first.

    Raises
    ------
    InputError
        If hashes have different lengths or the limit is negative.
    TooManyAlikeError
        If more than 3 million pairs are alike.

    Examples
    --------
    >>> near_duplicates(np.array([[0, 0, 1], [0, 1, 1], [1, 0, 0]], bool), limit_bits=1).tolist()
    [[0, 1, 1]]
    """
    left = np.atleast_2d(np.asarray(a, dtype=bool))
    right = left if b is None else np.atleast_2d(np.asarray(b, dtype=bool))
    if left.shape[1] != right.shape[1]:
        raise InputError(
            f"hashes must have one length, got {left.shape[1]} and {right.shape[1]} bits; make them with image_hash()"
        )
    if limit_bits < 0:
        raise InputError(f"limit_bits must be 0 or more, got {limit_bits}; {NEAR_BITS} is usual")
    bits = left.shape[1]
    # With bits as -1 and 1, the product of two marks is bits - 2 * differing.
    signs = np.where(right, 1, -1).astype(np.float32)
    found, total = [], 0
    for first in range(0, len(left), _BLOCK):
        block = np.where(left[first : first + _BLOCK], 1, -1).astype(np.float32)
        differ = ((bits - block @ signs.T) / 2).astype(np.int64)
        near = differ <= limit_bits
        if b is None:  # each pair once
            near &= np.arange(first, first + len(near))[:, None] < np.arange(len(right))
        total += int(np.count_nonzero(near))
        if total > MOST_ALIKE:
            raise TooManyAlikeError(
                f"at most {MOST_ALIKE} pairs of pictures may look the same, here there are more; "
                "leave out those that show nothing new"
            )
        rows, columns = np.nonzero(near)
        found.append(np.column_stack([rows + first, columns, differ[rows, columns]]))
    pairs = np.concatenate(found)
    return pairs[np.lexsort((pairs[:, 1], pairs[:, 0], pairs[:, 2]))]
