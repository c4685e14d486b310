"""A small real data set: the coins of scikit-image's own photograph.

``python -m robotlab.data.coins datasets/coins`` makes it again, the same to
the last byte with the same library versions.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator

import numpy as np
from scipy import ndimage

from robotlab import image as pictures_io
from robotlab.data.dataset import DataSet
from robotlab.data.drawing import draw_boxes
from robotlab.data.write import Sample, write_dataset
from robotlab.errors import DataSetError, InputError

# Read off the photograph (303 x 384 px, gray): the plate between the coins is
# darker than 30 only far from any coin, and only coins are brighter than 150.
SURE_PLATE, SURE_COIN = 30, 150
# Seen in the photograph: six coins in each of four rows.
COIN_COUNT = 24
# The columns of the photograph that belong to each recording, from x to x.
# No coin lies in both: the third column of coins ends at x 201, and the fourth
# begins at x 186; the strip between belongs to neither.
SIDES = {"left": (0, 186), "right": (201, 384)}
# Side of a tile, px: two to three coins of 40 to 65 px side by side.
TILE_PX = 160
# Steps between tiles, px, across and down; about a quarter of a coin, so that
# borders cut the coins at many places.
STEP_PX = (11, 20)
# A coin of which the tile shows less than this counts neither way.
LEAST_VISIBLE = 0.5


def photograph() -> np.ndarray:
    """The photograph of the coins.

    Returns
    -------
    (303, 384) ndarray of uint8
        Gray.

    Examples
    --------
    >>> photograph().shape
    (303, 384)
    """
    from skimage.data import coins  # slow to import, needed here alone

    return coins()


def outline(gray: np.ndarray) -> np.ndarray:
    """Which coin each pixel of the photograph belongs to.

    Parameters
    ----------
    gray : (H, W) ndarray of uint8
        The photograph.

    Returns
    -------
    (H, W) ndarray of int
        0 for the plate, 1 to 24 for the coins.

    Raises
    ------
    DataSetError
        If 24 coins are not what comes out.

    Notes
    -----
    A plain threshold fails, since the plate is lit unevenly.  So the sure
    plate and the sure coin pixels are marked, and the markers are let grow over
    the gradient until they meet at its ridges (watershed: Beucher &
    Lantuéjoul, 1979; from memory).  Holes are filled, what lies in one piece
    is one coin.

    Examples
    --------
    >>> int(outline(photograph()).max())
    24
    """
    from skimage.filters import sobel
    from skimage.segmentation import watershed

    markers = np.where(gray > SURE_COIN, 2, np.where(gray < SURE_PLATE, 1, 0))
    coin = ndimage.binary_fill_holes(watershed(sobel(gray), markers) == 2)
    # Take off scratches on the plate and hairs at the rims, up to 2 px wide.
    coin = ndimage.binary_opening(coin, ndimage.generate_binary_structure(2, 1))
    pieces, count = ndimage.label(coin)
    if count != COIN_COUNT:
        raise DataSetError(
            f"the photograph must come apart into {COIN_COUNT} coins, got {count}; is it scikit-image's own?"
        )
    return pieces


def tight_box(mask: np.ndarray) -> tuple[int, int, int, int]:
    """The box around the True pixels of a mask.

    Parameters
    ----------
    mask : (H, W) ndarray of bool
        At least one True.

    Returns
    -------
    (int, int, int, int)
        Corners x0, y0, x1, y1, px; edges, so x1 and y1 lie past the last pixel.

    Examples
    --------
    >>> mask = np.zeros((9, 9), bool)
    >>> mask[2:5, 3:9] = True
    >>> tight_box(mask)
    (3, 2, 9, 5)
    """
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def tiles(gray: np.ndarray, pieces: np.ndarray) -> Iterator[Sample]:
    """Cut both sides of the photograph into overlapping tiles with boxes.

    Parameters
    ----------
    gray : (H, W) ndarray of uint8
        The photograph.
    pieces : (H, W) ndarray of int
        From :func:`outline`.

    Yields
    ------
    Sample
        160 x 160 px; recordings ``left`` and ``right``.

    Examples
    --------
    >>> gray = photograph()
    >>> next(tiles(gray, outline(gray))).name
    'left_x000_y000.png'
    """
    whole = np.bincount(pieces.ravel(), minlength=pieces.max() + 1)
    for side, (x_first, x_last) in SIDES.items():
        for y in range(0, gray.shape[0] - TILE_PX + 1, STEP_PX[1]):
            for x in range(x_first, x_last - TILE_PX + 1, STEP_PX[0]):
                window = np.s_[y : y + TILE_PX, x : x + TILE_PX]
                masks = [pieces[window] == coin for coin in np.unique(pieces[window]) if coin]
                seen = np.array([mask.sum() for mask in masks])
                part = seen / whole[[int(pieces[window][mask][0]) for mask in masks]]
                yield Sample(
                    name=f"{side}_x{x:03d}_y{y:03d}.png",
                    picture=np.dstack([gray[window]] * 3),
                    boxes=[tight_box(mask) for mask in masks],
                    labels=[0] * len(masks),
                    recording=side,
                    areas=seen,
                    # Many COCO tools know iscrowd alone as the sign of what does not count.
                    crowd=part < LEAST_VISIBLE,
                    ignore=part < LEAST_VISIBLE,
                    visibility=part.round(3),
                )


def build(folder: str | os.PathLike, replace: bool = False) -> DataSet:
    """Write the data set.

    Parameters
    ----------
    folder : path-like
        Where it goes.
    replace : bool
        True allows to take the place of an older one.

    Returns
    -------
    DataSet
        Opened.

    Raises
    ------
    DataSetError
        If something else is in the folder.

    Examples
    --------
    >>> import tempfile
    >>> len(build(tempfile.mkdtemp()))
    48
    """
    gray = photograph()
    info = {"description": "Coins of one museum photograph, in overlapping tiles", "version": "1"}
    return write_dataset(folder, tiles(gray, outline(gray)), ["coin"], card=CARD, info=info, replace=replace)


def sheet() -> np.ndarray:
    """The photograph, three times as large, with its 24 boxes: for the eye.

    Returns
    -------
    (909, 1152, 3) ndarray of uint8
        The picture.

    Examples
    --------
    >>> sheet().shape
    (909, 1152, 3)
    """
    gray = photograph()
    pieces = outline(gray)
    large = pictures_io.resize(np.dstack([gray] * 3), (3 * gray.shape[1], 3 * gray.shape[0]), "nearest")
    boxes = 3 * np.array([tight_box(pieces == coin) for coin in range(1, COIN_COUNT + 1)])
    return draw_boxes(large, boxes, [(255, 160, 0)] * COIN_COUNT, thick_px=1)


CARD = """# coins

Real pictures: 48 tiles of 160 × 160 px, cut from one photograph of 24 coins on a dark plate.

- **Source.** `skimage.data.coins`, which comes with scikit-image: 303 × 384 px, gray. Its notes say: Greek coins from
  Pompeii, downloaded from the Brooklyn Museum Collection (archives image 51611), "no known copyright restrictions".
- **Boxes.** Found by a watershed on the gradient between sure plate and sure coin pixels, holes filled, one coin a
  piece; the box is the tightest around the piece. Seen at nine-fold size by eye, all 24 sit within 1 to 2 px of the
  rim. `area` counts the coin's pixels. Class: `coin`.
- **Recordings.** `left` (x below 186 px) and `right` (x from 201 px): train on one, test on the other. They share no
  pixel and no coin; the strip between them is left out. 12 coins on each side; one on the left and three on the right
  are cut by the strip and show 65 to 87 % of themselves at most.
- **Tiles.** Every 11 px across and every 20 px down, 24 a side. `visibility` is the part of the coin that the tile
  shows; coins that show less than half are marked `ignore`, and `iscrowd` for tools that know that flag alone: they
  need not be found, and finding them is not an error.
- **Limits.** One photograph, one light, one plate, 12 coins a side: tiles overlap, so they are far from independent,
  and a good figure here says that the trainer works, not that coins will be found elsewhere. Gray: the color detector
  has nothing to hold on to. No distances, no lightings.
- **Rebuild.** `python -m robotlab.data.coins datasets/coins --replace`
"""


def main(arguments: list[str] | None = None) -> int:
    """Write the data set to the folder named on the command line.

    Parameters
    ----------
    arguments : list of str, optional
        Without it, those of the command line.

    Returns
    -------
    int
        0, or 2 when something was wrong.
    """
    parser = argparse.ArgumentParser(prog="python -m robotlab.data.coins", description="Write the coins data set.")
    parser.add_argument("folder", help="where it goes")
    parser.add_argument("--replace", action="store_true", help="take the place of an older one")
    parser.add_argument("--sheet", metavar="FILE.png", help="also draw the photograph with its boxes")
    given = parser.parse_args(arguments)
    try:
        data = build(given.folder, given.replace)
        if given.sheet:
            pictures_io.save(given.sheet, sheet())
    except InputError as error:
        print(f"error: {error}", file=sys.stderr)
        return 2
    print(f"{len(data)} tiles with {data.box_count} boxes in {data.folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
