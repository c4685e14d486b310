"""Write films: MP4 and AVI through OpenCV, GIF through Pillow; whole or not at all."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice
from pathlib import Path

import numpy as np
from PIL import Image

from robotlab.checks import check_picture
from robotlab.errors import PictureError
from robotlab.files import beside
from robotlab.image.video import open_video, opencv

# Codecs that every OpenCV wheel brings, by the ending of the name.
_CODECS = {".mp4": "mp4v", ".avi": "MJPG"}
# GIF: 256 colors, of which one is left for "as it was".
_GIF_COLORS = 255
# Pictures that share a palette are kept in memory meanwhile, so many bytes of them; of their pixels so many are looked at.
_SHARED_BYTES, _LOOKED_AT = 64 << 20, 200_000
# A pixel that differs from what is shown by no more than this stays: measured on a film of 768 x 576 px, for 9 of 10
# pixels a palette alone errs by as much.
_STAYS = 10


def write_film(
    path: str | os.PathLike,
    pictures: Iterable[np.ndarray],
    rate_hz: float = 10.0,
    colors: Sequence[tuple[int, int, int]] = (),
) -> Path:
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
    colors : sequence of (int, int, int)
        At most 64 colors that a GIF, which has 256 at a time, shows as they
        are: those of thin lines and of letters.

    Returns
    -------
    Path
        The path written.

    Raises
    ------
    PictureError
        If there is no picture, sizes differ, or name, rate or colors are wrong.

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
    if len(colors) > 64:
        raise PictureError(f"colors must be at most 64, got {len(colors)}; leave out those of broad areas")
    path.parent.mkdir(parents=True, exist_ok=True)
    with beside(path) as folder:
        folder.mkdir()
        part = folder / f"film{suffix}"
        if suffix == ".gif":
            _write_gif(part, _same_size(pictures), rate_hz, colors)
        else:
            _write_opencv(part, _same_size(pictures), rate_hz)
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


def _write_gif(path: Path, pictures: Iterator[np.ndarray], rate_hz: float, colors: Sequence) -> None:
    # Hundredths of a second, and below 2 browsers slow down (common practice, no source).
    frames = _gif_frames(pictures, colors)
    first = next(frames)
    first.save(path, "GIF", save_all=True, append_images=frames, duration=10 * max(2, round(100 / rate_hz)), loop=0)


def _gif_frames(pictures: Iterator[np.ndarray], colors: Sequence) -> Iterator[Image.Image]:
    """Pictures of 255 colors; neighbors share a palette, and what hardly changes stays."""
    for first in pictures:
        few = [first, *islice(pictures, _SHARED_BYTES // first.nbytes)]
        palette = _palette(few, colors)
        holder = Image.new("P", (1, 1))
        holder.putpalette(palette)
        shown: np.ndarray | None = None
        seen = first
        for picture in few:
            index = np.array(Image.fromarray(picture).quantize(palette=holder, dither=Image.Dither.NONE))
            # Pillow takes one of the palette that is near, not the nearest.
            one_number, given = _numbered(picture), np.zeros(index.shape, bool)
            for place, color in enumerate(colors):
                same = one_number == _numbered(np.asarray(color))
                index[same] = place
                given |= same
            if shown is not None:
                # Unsigned numbers, so the smaller is taken from the larger.
                close = np.maximum(picture, seen) - np.minimum(picture, seen) <= _STAYS
                stays = close[..., 0] & close[..., 1] & close[..., 2] & ~given
                index = np.where(stays, shown, index)
                picture = np.where(stays[..., None], seen, picture)
            shown, seen = index, picture
            frame = Image.fromarray(index)
            frame.putpalette(palette)
            yield frame


def _numbered(colors: np.ndarray) -> np.ndarray:
    """Each color as one whole number."""
    red, green, blue = np.moveaxis(colors.astype(np.uint32), -1, 0)
    return red << 16 | green << 8 | blue


def _palette(pictures: Sequence[np.ndarray], colors: Sequence) -> list[int]:
    """The palette of some pictures: the given colors, and those of pixels spread over all of them."""
    step = math.ceil(math.sqrt(sum(one.size for one in pictures) / 3 / _LOOKED_AT))
    pixels = np.concatenate([one[::step, ::step].reshape(-1, 3) for one in pictures])
    found = Image.fromarray(pixels[None]).quantize(_GIF_COLORS - len(colors)).getpalette() or []
    return [*np.asarray(colors, int).ravel().tolist(), *found][: 3 * _GIF_COLORS]


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
        for picture in chain([first], pictures):
            writer.write(np.ascontiguousarray(picture[:height, :width, ::-1]))
    finally:
        writer.release()
    # OpenCV says nothing when the disk is full: what opens can be read.
    open_video(path).close()
