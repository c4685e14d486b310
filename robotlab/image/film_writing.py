"""Films, out: MP4 and AVI through OpenCV, GIF through Pillow; whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
from PIL import Image

from robotlab.errors import PictureError
from robotlab.files import beside
from robotlab.image.checks import check_picture
from robotlab.image.video import open_video, opencv

# Codecs that every OpenCV wheel brings, by the ending of the name.
_CODECS = {".mp4": "mp4v", ".avi": "MJPG"}


def write_film(path: str | os.PathLike, pictures: Iterable[np.ndarray], rate_hz: float = 10.0) -> Path:
    """Write pictures as a film.

    Parameters
    ----------
    path : path-like
        Ends in .mp4, .avi or .gif; only .gif needs no OpenCV.
    pictures : iterable of (H, W, 3) ndarray of uint8
        All of one size; taken one by one.  But in .gif an odd row or column at
        the edge is left out, for codecs have none.
    rate_hz : float
        Pictures a second, .1 to 240.  GIF counts hundredths of a second.

    Returns
    -------
    Path
        The path written.

    Raises
    ------
    PictureError
        If there is no picture, sizes differ, or name or rate are wrong.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> write_film(folder / "a.gif", [np.full((48, 64, 3), n, np.uint8) for n in (0, 90)]).read_bytes()[:6]
    b'GIF89a'
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in (*_CODECS, ".gif"):
        raise PictureError(f"a film's name must end in .mp4, .avi or .gif, got {path.name!r}; rename it")
    if not 0.1 <= rate_hz <= 240:
        raise PictureError(f"rate_hz must be from 0.1 to 240, got {rate_hz}; 10 is usual")
    path.parent.mkdir(parents=True, exist_ok=True)
    with beside(path) as folder:
        folder.mkdir()
        part = folder / f"film{suffix}"
        (_write_gif if suffix == ".gif" else _write_opencv)(part, _same_size(pictures), rate_hz)
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(part, path)
    return path


def _same_size(pictures: Iterable[np.ndarray]) -> Iterator[np.ndarray]:
    shape = None
    for number, picture in enumerate(pictures, 1):
        check_picture(picture, f"picture {number}")
        if shape not in (None, picture.shape):
            raise PictureError(
                f"pictures of a film must have one size, number {number} has {picture.shape[1]} x {picture.shape[0]} px after "
                f"{shape[1]} x {shape[0]}; resize them"
            )
        shape = picture.shape
        yield picture
    if shape is None:
        raise PictureError("a film must have pictures, got none; choose some")


def _write_gif(path: Path, pictures: Iterator[np.ndarray], rate_hz: float) -> None:
    # One palette a picture; hundredths of a second, and below 2 browsers slow down (common practice, no source).
    frames = (Image.fromarray(picture).quantize(256) for picture in pictures)
    first = next(frames)
    first.save(path, "GIF", save_all=True, append_images=frames, duration=10 * max(2, round(100 / rate_hz)), loop=0)


def _write_opencv(path: Path, pictures: Iterator[np.ndarray], rate_hz: float) -> None:
    cv2 = opencv()
    first = next(pictures)
    height, width = (side // 2 * 2 for side in first.shape[:2])
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*_CODECS[path.suffix]), float(rate_hz), (width, height))
    try:
        if not writer.isOpened() or min(width, height) < 1:
            raise PictureError(
                f"this OpenCV must be able to write {path.suffix} of {width} x {height} px, it is not; choose .gif, or other sizes"
            )
        writer.write(np.ascontiguousarray(first[:height, :width, ::-1]))
        for picture in pictures:
            writer.write(np.ascontiguousarray(picture[:height, :width, ::-1]))
    finally:
        writer.release()
    # OpenCV says nothing when the disk is full: what opens can be read.
    open_video(path).close()
