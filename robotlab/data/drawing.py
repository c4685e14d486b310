"""Contact sheet: many labeled pictures on one page, to check boxes by eye."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from robotlab import image as pictures_io
from robotlab.boxes import check_boxes
from robotlab.data.dataset import DataSet
from robotlab.data.labeled_image import LabeledImage
from robotlab.errors import DataSetError

# Eight colors that people with any common color vision tell apart (Okabe and
# Ito, "Color Universal Design", 2008; values from memory).
PALETTE = (
    (230, 159, 0),
    (86, 180, 233),
    (0, 158, 115),
    (240, 228, 66),
    (213, 94, 0),
    (204, 121, 167),
    (0, 114, 178),
    (255, 255, 255),
)
# Height of the caption under each picture, and of its letters, px.
_CAPTION_PX, _LETTER_PX = 18, 11
_PAPER, _INK, _DIM = (24, 24, 24), (235, 235, 235), (150, 150, 150)
_GAP_PX = 6


def draw_boxes(
    picture: np.ndarray, boxes: np.ndarray, colors: Sequence, thick_px: int = 2, dashed: np.ndarray | None = None
) -> np.ndarray:
    """Draw boxes on a copy of a picture.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    boxes : (N, 4) ndarray
        Corners, px.
    colors : sequence of (int, int, int)
        One for each box.
    thick_px : int
        Thickness of the line, px; it lies inside the box.
    dashed : (N,) ndarray of bool, optional
        Boxes to draw with a dashed line.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The drawn copy.

    Examples
    --------
    >>> int(draw_boxes(np.zeros((9, 9, 3), np.uint8), [[2, 2, 7, 7]], [(255, 0, 0)], 1)[..., 0].astype(bool).sum())
    16
    """
    out = pictures_io.check_picture(picture).copy()
    height, width = out.shape[:2]
    y, x = np.mgrid[:height, :width]
    for row, (x0, y0, x1, y1) in enumerate(np.round(check_boxes(boxes)).astype(int).tolist()):
        x1, y1 = max(x1, x0 + 1), max(y1, y0 + 1)
        inside = (x >= x0) & (x < x1) & (y >= y0) & (y < y1)
        core = (x >= x0 + thick_px) & (x < x1 - thick_px) & (y >= y0 + thick_px) & (y < y1 - thick_px)
        line = inside & ~core
        if dashed is not None and dashed[row]:
            line &= (x + y) // 4 % 2 == 0
        out[line] = colors[row]
    return out


def drawn_labels(data: DataSet, entry: LabeledImage, scale: float) -> np.ndarray:
    """Draw a picture's boxes on it, made larger or smaller.

    Parameters
    ----------
    data : DataSet
        The data set.
    entry : LabeledImage
        One of its pictures.
    scale : float
        How many times as large it is drawn.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The drawing; boxes that do not count are dashed.
    """
    colors = [PALETTE[label % len(PALETTE)] for label in entry.labels]
    small = _scaled(data.load(entry), scale)
    return draw_boxes(small, entry.boxes * scale, colors, dashed=~entry.counted)


def _scaled(picture: np.ndarray, scale: float) -> np.ndarray:
    """Small pictures are enlarged by copying pixels, so that edges can be judged."""
    size = max(1, round(picture.shape[1] * scale)), max(1, round(picture.shape[0] * scale))
    return pictures_io.resize(picture, size, "area" if scale < 1 else "nearest")


def contact_sheet(
    data: DataSet, count: int = 24, columns: int = 6, cell_px: int = 200, seed: int | None = None
) -> np.ndarray:
    """Many pictures of a data set with their boxes on one page.

    Parameters
    ----------
    data : DataSet
        The data set.
    count : int
        Most pictures on the page.
    columns : int
        Pictures side by side.
    cell_px : int
        Width of each.
    seed : int, optional
        Draws the pictures at random; without it they are spread evenly.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The page: one color a class (the legend is at the top), a dashed line
        for boxes that do not count, file name and recording below.

    Raises
    ------
    DataSetError
        If a picture cannot be read, or a number is too small.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from robotlab.data import Sample, write_dataset
    >>> sample = Sample("a.png", np.zeros((60, 80, 3), np.uint8), [[10, 20, 40, 50]], [0])
    >>> data = write_dataset(pathlib.Path(tempfile.mkdtemp()) / "one", [sample], ["post"])
    >>> contact_sheet(data, cell_px=160).shape
    (174, 172, 3)
    """
    if count < 1 or columns < 1 or cell_px < 32:
        raise DataSetError(
            f"count and columns must be at least 1 and cell_px at least 32, got {count}, {columns}, {cell_px}; "
            "give larger numbers"
        )
    page = _page([_cell(data, entry, cell_px) for entry in _choose(data, count, seed)], columns)
    x = _GAP_PX
    for place, name in enumerate(data.classes):
        page[6:18, x : x + 12] = PALETTE[place % len(PALETTE)]
        page = pictures_io.write_text(page, (x + 16, 5), name, _INK, _LETTER_PX).copy()
        x += 16 + 7 * len(name) + 14
        if x > page.shape[1] - 40:
            break
    return page


def picture_sheet(
    pictures: Sequence[np.ndarray], captions: Sequence[str], cell_px: int = 200, columns: int = 6
) -> np.ndarray:
    """Pictures of any size on one page, each with a line of text below.

    Parameters
    ----------
    pictures : sequence of (H, W, 3) ndarray of uint8
        At least one.
    captions : sequence of str
        One for each.
    cell_px : int
        Width of each.
    columns : int
        Pictures side by side.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The page.

    Examples
    --------
    >>> picture_sheet([np.zeros((60, 80, 3), np.uint8)] * 2, ["near", "far"], cell_px=160).shape
    (174, 338, 3)
    """
    cells = []
    for picture, words in zip(pictures, captions, strict=True):
        cells.append(_captioned(_scaled(picture, cell_px / picture.shape[1]), words, _INK))
    return _page(cells, columns)


def _page(cells: Sequence[np.ndarray], columns: int) -> np.ndarray:
    """Cells of one width in rows, below an empty line."""
    columns = min(columns, len(cells))
    width, tall = cells[0].shape[1], max(cell.shape[0] for cell in cells)
    rows = math.ceil(len(cells) / columns)
    top = _CAPTION_PX + _GAP_PX
    size = top + rows * (tall + _GAP_PX) + _GAP_PX, columns * (width + _GAP_PX) + _GAP_PX
    page = np.full((*size, 3), _PAPER, np.uint8)
    for place, cell in enumerate(cells):
        y = top + _GAP_PX // 2 + place // columns * (tall + _GAP_PX)
        x = _GAP_PX + place % columns * (width + _GAP_PX)
        page[y : y + cell.shape[0], x : x + width] = cell
    return page


def _captioned(picture: np.ndarray, words: str, color: tuple[int, int, int]) -> np.ndarray:
    caption = np.full((_CAPTION_PX, picture.shape[1], 3), _PAPER, np.uint8)
    return np.vstack([picture, pictures_io.write_text(caption, (1, 2), words, color, _LETTER_PX)])


def _choose(data: DataSet, count: int, seed: int | None) -> list[LabeledImage]:
    if len(data) <= count:
        return list(data.pictures)
    if seed is None:
        places = np.linspace(0, len(data) - 1, count).round().astype(int)
    else:
        places = np.sort(np.random.default_rng(seed).choice(len(data), count, replace=False))
    return [data[place] for place in places]


def _cell(data: DataSet, entry: LabeledImage, width: int) -> np.ndarray:
    drawn = drawn_labels(data, entry, width / entry.width_px)
    name = entry.name.rsplit("/", 1)[-1]
    empty = "no boxes" if entry.record.get("labeled", True) else "not labeled yet"
    words = f"{name} · {entry.recording}" + ("" if len(entry) else f" · {empty}")
    return _captioned(drawn, words, _INK if len(entry) else _DIM)
