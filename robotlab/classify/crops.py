"""Crops: square pieces of pictures, each with the one thing it shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from robotlab.boxes import area, check_boxes, intersection
from robotlab.data import DataSet
from robotlab.errors import BoxError, InputError
from robotlab.image import check_picture

# Name of the class of pieces that show none of the things.
NOTHING = "nothing"
# Room left around a thing, as a fraction of its longer side: a little of what
# surrounds it helps (common practice, no source).
MARGIN = 0.15
# A piece that hides more than this fraction of a thing, or lies in one by more, is not
# called empty; chosen so that a corner in the piece does no harm.
EMPTY_OVERLAP = 0.2
# Sides of empty pieces, px: from the smallest thing to the largest of the greenhouse.
EMPTY_SIDES_PX = (14.0, 200.0)
# Drawings before a crowded picture is given up.
TRIES = 60


@dataclass(frozen=True, eq=False)
class Crops:
    """Square pieces of pictures and what they show.

    Parameters
    ----------
    pictures : tuple of (S, S, 3) ndarray of uint8
        Each with its own side S, px.
    labels : (N,) ndarray of int
        Index into `classes`.
    classes : tuple of str
        Names.

    Examples
    --------
    >>> len(Crops((np.zeros((9, 9, 3), np.uint8),), np.array([0]), ("post",)))
    1
    """

    pictures: tuple[np.ndarray, ...]
    labels: np.ndarray
    classes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.pictures)

    def of_class(self, name: str) -> Crops:
        """Only those that show one class.

        Parameters
        ----------
        name : str
            One of the classes.

        Returns
        -------
        Crops
            With the same classes.

        Raises
        ------
        InputError
            If there is no such class.
        """
        if name not in self.classes:
            raise InputError(f"class must be one of {', '.join(self.classes)}, got {name!r}; choose one of them")
        rows = np.flatnonzero(self.labels == self.classes.index(name))
        return Crops(tuple(self.pictures[row] for row in rows), self.labels[rows], self.classes)


def square_crop(picture: np.ndarray, box: np.ndarray, margin: float = MARGIN) -> np.ndarray:
    """The square piece around a box, at the picture's own resolution.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    box : (4,) array-like
        Corners, px; its middle must lie in the picture.
    margin : float
        Room on each side, as a fraction of the longer side of the box.

    Returns
    -------
    (S, S, 3) ndarray of uint8
        S is ``(1 + 2 margin)`` times the longer side, rounded, 1 at least.
        Outside of the picture the pixel of its edge is repeated.

    Raises
    ------
    PictureError
        If `picture` is not an RGB byte picture.
    BoxError
        If the box is not a box, or its middle lies outside.
    InputError
        If the margin is negative.

    Examples
    --------
    >>> square_crop(np.zeros((60, 80, 3), np.uint8), [10, 10, 20, 50], margin=0).shape
    (40, 40, 3)
    """
    check_picture(picture)
    shape = np.shape(box)
    if shape != (4,):
        raise BoxError(f"box must be one box (4,), got {shape}; for several, crop one after the other")
    x0, y0, x1, y1 = check_boxes(np.asarray(box, float)[None])[0]
    if not 0 <= margin < np.inf:
        raise InputError(f"margin must be 0 or more, got {margin}; 0.15 is usual")
    height, width = picture.shape[:2]
    middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
    if not (0 <= middle_x <= width and 0 <= middle_y <= height):
        raise BoxError(
            f"the middle of the box must lie in the picture of {width}x{height} px, got ({middle_x:g}, {middle_y:g}); move the box"
        )
    side = max(1, round(max(x1 - x0, y1 - y0) * (1 + 2 * margin)))
    rows = np.clip(np.arange(side) + round(middle_y - side / 2), 0, height - 1)
    columns = np.clip(np.arange(side) + round(middle_x - side / 2), 0, width - 1)
    return picture[rows[:, None], columns]


def labeled_crops(data: DataSet, empty: int = 0, seed: int = 0) -> Crops:
    """A crop of every labeled thing, and of places where there is none.

    Parameters
    ----------
    data : DataSet
        Labels marked ignore or crowd are left out.
    empty : int
        Pieces with none of the things, for each picture; with some, a last
        class "nothing" is added.  A crowded picture may give fewer.
    seed : int
        Same seed, same pieces.

    Returns
    -------
    Crops
        Picture by picture.

    Raises
    ------
    InputError
        If `empty` is negative, or the data set has a class "nothing" of its own.
    DataSetError
        If a picture cannot be read.

    Examples
    --------
    >>> from robotlab.data.coins import build
    >>> import tempfile, pathlib
    >>> coins = labeled_crops(build(pathlib.Path(tempfile.mkdtemp()) / "coins"))
    >>> coins.classes
    ('coin',)
    """
    if empty < 0:
        raise InputError(f"empty must be 0 or more pieces a picture, got {empty}; 4 is usual")
    if empty and NOTHING in data.classes:
        raise InputError(
            f"a data set with a class {NOTHING!r} needs no empty pieces beside it, got empty={empty}; pass empty=0"
        )
    rng = np.random.default_rng(seed)
    pictures, labels = [], []
    for entry in data:
        picture = data.load(entry)
        for box, label in zip(entry.boxes[entry.counted], entry.labels[entry.counted], strict=True):
            pictures.append(square_crop(picture, box))
            labels.append(label)
        # What is ignored may be a thing all the same: empty pieces keep away from every box.
        for box in _empty_boxes(entry.boxes, picture.shape[1], picture.shape[0], empty, rng):
            pictures.append(square_crop(picture, box, margin=0))
            labels.append(len(data.classes))
    return Crops(tuple(pictures), np.array(labels, int), (*data.classes, NOTHING) if empty else tuple(data.classes))


def _empty_boxes(boxes: np.ndarray, width: int, height: int, count: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Squares that show none of the boxes, their sides log-uniform."""
    found: list[np.ndarray] = []
    low, high = np.log(np.minimum(EMPTY_SIDES_PX, min(width, height)))
    for _ in range(TRIES if count else 0):
        side = float(np.exp(rng.uniform(low, high)))
        x, y = rng.uniform(0, width - side), rng.uniform(0, height - side)
        box = np.array([x, y, x + side, y + side])
        covered = intersection(box[None], boxes)[0] / np.minimum(area(boxes), side**2) if len(boxes) else np.zeros(1)
        if covered.max() < EMPTY_OVERLAP:
            found.append(box)
        if len(found) == count:
            break
    return found
