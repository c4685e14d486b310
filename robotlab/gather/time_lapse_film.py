"""A whole data set as a film: every picture with its boxes, in order."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from robotlab._progress import progress_bar
from robotlab.data.dataset import DataSet
from robotlab.data.drawing import PALETTE, drawn_labels
from robotlab.errors import DataSetError
from robotlab.image import write_film, write_text

# Light letters on nearly black, small, under the picture (a choice, no source).
_PAPER, _INK = (24, 24, 24), (235, 235, 235)
_CAPTION_PX, _LETTER_PX = 20, 12


def time_lapse(
    data: DataSet, path: str | os.PathLike, rate_hz: float = 8.0, width_px: int = 480, progress: bool = True
) -> Path:
    """Write all pictures with their boxes as a film, in which a wrong box catches the eye.

    Parameters
    ----------
    data : DataSet
        The pictures, in their order.
    path : path-like
        Ends in .mp4, .avi or .gif; only .gif needs no OpenCV.
    rate_hz : float
        Pictures a second.
    width_px : int
        Width of the film; pictures of another shape get dark bars.
    progress : bool
        Show a progress bar.

    Returns
    -------
    Path
        The film.

    Raises
    ------
    DataSetError
        If a picture cannot be read, or the width is out of range.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.data import Sample, write_dataset
    >>> home = Path(tempfile.mkdtemp())
    >>> samples = [Sample(f"{n}.png", np.full((60, 80, 3), 40 * n, np.uint8), [[10, 20, 40, 50]], [0]) for n in range(3)]
    >>> time_lapse(write_dataset(home / "set", samples, ["post"]), home / "set.gif", progress=False).name
    'set.gif'
    """
    if not 64 <= width_px <= 1920:
        raise DataSetError(f"width_px must be from 64 to 1920, got {width_px}; 480 is usual")
    # The most usual shape; sides are even, as codecs want them.
    shapes = [entry.height_px / entry.width_px for entry in data]
    size = width_px // 2 * 2, max(2, round(width_px * float(np.median(shapes)) / 2) * 2)

    def frames() -> Iterator[np.ndarray]:
        with progress_bar(len(data), "time-lapse", progress, unit="picture", leave=False) as bar:
            for entry in data.pictures:
                scale = min(size[0] / entry.width_px, size[1] / entry.height_px)
                small = drawn_labels(data, entry, scale)
                left, top = (size[0] - small.shape[1]) // 2, (size[1] - small.shape[0]) // 2
                frame = np.full((size[1] + _CAPTION_PX, size[0], 3), _PAPER, np.uint8)
                frame[top : top + small.shape[0], left : left + small.shape[1]] = small
                caption = f"{entry.id} · {entry.recording} · {entry.name}"
                yield write_text(frame, (4, size[1] + 3), caption, _INK, _LETTER_PX)
                bar.update()

    return write_film(path, frames(), rate_hz, (*PALETTE, _PAPER, _INK))
