"""Samples of a data set, at the size at which the network will see them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from robotlab.data import DataSet
from robotlab.neural.augmentation import TrainingSample
from robotlab.neural.network_input import to_size, working_size

# Longest side for large pictures, px, unless small targets need more: twice the
# width of the course's pictures, and four times their pixels to compute.
USUAL_LONGEST_PX = 640
# Below this side a target covers fewer than 4 x 4 cells and recall drops (the
# range report of this package measures it).
SMALL_TARGET_PX = 16.0
# Fraction of the truths that may be smaller than SMALL_TARGET_PX at the working size.
SMALL_SHARE = 0.1
# Enlarging more than this invents pixels without adding detail.
LARGEST_SCALE = 2.0
# Pictures are enlarged for small targets only up to this longest side, px: on the
# greenhouse's 320 px, 1.5 times as large gained nothing for 2.25 times the work.
ENLARGED_LONGEST_PX = 320
# Pictures are kept in memory up to this many bytes, after that read again.
CACHE_BYTES = 150 * 2**20


def choose_working(data: DataSet) -> tuple[int | None, float]:
    """Longest side and enlargement that suit the pictures and their targets.

    Parameters
    ----------
    data : DataSet
        Labeled pictures.

    Returns
    -------
    longest_px : int or None
        Pictures with a longer side are shrunk to it; ``None``: never shrink.
    scale : float
        Pictures are enlarged by this, while they stay within `longest_px`.

    Notes
    -----
    Pictures up to 640 px are seen as they are; up to 320 px they are enlarged,
    at most twice, when more than a tenth of the truths has a side (the root of
    the area) under 16 px.  Larger ones are shrunk until their longest side is
    640 px, or less far where that would make such small truths.

    Examples
    --------
    >>> from pathlib import Path
    >>> from robotlab.data import LabeledImage
    >>> big = LabeledImage(1, Path("a.png"), 1920, 1080, boxes=np.array([[0, 0, 90, 90.0]]))
    >>> choose_working(DataSet(Path("annotations.json"), ("post",), (1,), (big,)))
    (640, 1.0)
    """
    longest = max(max(entry.width_px, entry.height_px) for entry in data.pictures)
    sides = [np.zeros(0)]
    for entry in data.pictures:
        boxes = entry.boxes[entry.counted]
        size = (boxes[:, 2:] - boxes[:, :2]).prod(axis=1) ** 0.5
        # What the side would be if this picture's longest side were the set's.
        sides.append(size * (longest / max(entry.width_px, entry.height_px)))
    small = max(1.0, float(np.quantile(np.concatenate(sides), SMALL_SHARE)))
    wanted = SMALL_TARGET_PX / small
    if longest <= USUAL_LONGEST_PX:
        largest = min(LARGEST_SCALE, ENLARGED_LONGEST_PX / longest)
        return None, round(max(1.0, min(wanted, largest)), 2)
    return min(longest, max(USUAL_LONGEST_PX, round(longest * min(1.0, wanted)))), 1.0


class SampleSource(Sequence):
    """The pictures of a data set as samples, read when asked and then kept.

    Parameters
    ----------
    data : DataSet
        Labeled pictures.
    working_px : int or None
        Longest side that the network sees.
    scale : float
        Enlargement.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> len(SampleSource(SimpleNamespace(pictures=["a.png", "b.png"])))
    2
    """

    def __init__(self, data: DataSet, working_px: int | None = None, scale: float = 1.0) -> None:
        self.data = data
        self.working_px = working_px
        self.scale = scale
        self._kept: dict[int, TrainingSample] = {}
        self._room = CACHE_BYTES

    def __len__(self) -> int:
        return len(self.data.pictures)

    def __getitem__(self, index: int) -> TrainingSample:  # type: ignore[override]  # no slices
        if index in self._kept:
            return self._kept[index]
        entry = self.data.pictures[index]
        picture = self.data.load(entry)
        height, width = picture.shape[:2]
        size = working_size(width, height, self.working_px, self.scale)
        ratio = np.array([size[0] / width, size[1] / height] * 2)
        if size != (width, height):
            picture = to_size(picture, size)
        boxes, counted = entry.boxes * ratio, entry.counted
        sample = TrainingSample(picture, boxes[counted], entry.labels[counted], boxes[~counted])
        if picture.nbytes <= self._room:
            self._room -= picture.nbytes
            self._kept[index] = sample
        return sample

    def sizes_and_sides(self) -> tuple[list[tuple[int, int]], np.ndarray]:
        """Sizes of the pictures, and longer sides of the truths, as the network sees them.

        Returns
        -------
        sizes : list of (int, int)
            Width and height of each picture, px.
        sides : (N,) ndarray
            Longer side of each truth, px.
        """
        sizes, sides = [], [np.zeros(0)]
        for entry in self.data.pictures:
            size = working_size(entry.width_px, entry.height_px, self.working_px, self.scale)
            sizes.append(size)
            boxes = entry.boxes[entry.counted]
            spans = (boxes[:, 2:] - boxes[:, :2]).max(axis=1, initial=0)
            sides.append(spans * (size[0] / entry.width_px))
        return sizes, np.concatenate(sides)

    def bytes_in_all(self) -> int:
        """Memory of all pictures at the size that the network sees.

        Returns
        -------
        int
            Three bytes a pixel.
        """
        return sum(3 * width * height for width, height in self.sizes_and_sides()[0])
