"""Read and write picture files: the one place that opens them.

The rule: a plain file of at most 256 MiB in one of the formats JPEG, PNG, WebP
and BMP (Pillow is told so, by content and not by name, and starts no other
program), of at most 64 million pixels and 20 000 px a side, which is checked
before any pixel is decoded.  The rotation noted by the camera is followed where
it is one of the eight that exist.  16-bit gray keeps its upper 8 bits.
What a file has of parts is looked through first (:mod:`robotlab.image.parts`), for a few bytes can keep a decoder busy
for hours.
"""

from __future__ import annotations

import io
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import numpy as np
from PIL import Image, UnidentifiedImageError

from robotlab.checks import check_picture
from robotlab.errors import PictureError
from robotlab.files import open_plain, read_plain, write_whole
from robotlab.image.parts import check_parts

# Opened in this order; whatever else Pillow could open has a reader we need not trust.
FORMATS = ("JPEG", "PNG", "WEBP", "BMP")
LARGEST_FILE_BYTES = 256 * 2**20
# 8000 x 8000; decoded and converted that takes .4 GB.
MOST_PIXELS = 64_000_000
LONGEST_PX = 20_000
# Pixels times scans of a JPEG: 60 scans of the largest picture, where progressive ones have about 10.
MOST_SCANNED = 60 * MOST_PIXELS
# What is written, by the ending of the name.
_SUFFIXES = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG"}
# How to bring a picture upright, by the note 274 of its EXIF part (TIFF 6.0, section 8, Orientation).
_UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
# How files of formats that are not read begin, so that the message can say what to do.
_FOREIGN = (
    (4, b"ftyphei", "HEIC"),
    (4, b"ftyphev", "HEIC"),
    (4, b"ftypmif", "HEIC"),
    (4, b"ftypmsf", "HEIC"),
    (4, b"ftypavi", "AVIF"),
    (0, b"GIF8", "GIF"),
    (0, b"II*\0", "TIFF"),
    (0, b"MM\0*", "TIFF"),
    (0, b"%!PS", "PostScript"),
    (0, b"\xc5\xd0\xd3\xc6", "PostScript"),
    (0, b"%PDF", "PDF"),
    (0, b"<svg", "SVG"),
    (0, b"P5", "PPM"),
    (0, b"P6", "PPM"),
)


def load(path: str | os.PathLike) -> np.ndarray:
    """Read a picture file.

    Parameters
    ----------
    path : path-like
        A JPEG, PNG, WebP or BMP file.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        Red-green-blue, turned upright where the camera noted its rotation.

    Raises
    ------
    PictureError
        If the file is missing, is not a picture, is too large, or is cut short.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "gray.png"
    >>> _ = save(path, np.full((2, 3, 3), 90, np.uint8))
    >>> load(path)[0, 0].tolist()
    [90, 90, 90]
    """
    return decode(read_plain(path, LARGEST_FILE_BYTES, "a picture", PictureError), str(path))


def decode(content: bytes, name: str = "picture") -> np.ndarray:
    """Turn the bytes of a picture file into a picture.

    Parameters
    ----------
    content : bytes
        What a JPEG, PNG, WebP or BMP file holds.
    name : str
        How error messages call it.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        Red-green-blue.

    Raises
    ------
    PictureError
        If the bytes are not a picture, are too large, or cut short.

    Examples
    --------
    >>> decode(encode(np.zeros((2, 3, 3), np.uint8), "png")).shape
    (2, 3, 3)
    """
    with _opened(io.BytesIO(content), name) as (image, rotation):
        if content.count(b"\xff\xda") * image.width * image.height > MOST_SCANNED and image.format == "JPEG":
            raise PictureError(
                f"{name} must not go over its pixels so many times (scans); open it in a viewer and export it"
            )
        image.load()
        if image.mode == "I" or image.mode.startswith("I;16"):
            # 16 bits of gray; Pillow's own conversion makes everything above 255 white.
            gray = np.asarray(image).clip(0, 65535)
            image = Image.fromarray((gray >> 8).astype(np.uint8))
        if rotation in _UPRIGHT:
            image = image.transpose(_UPRIGHT[rotation])
        return np.asarray(image.convert("RGB"))


def size_of(path: str | os.PathLike) -> tuple[int, int]:
    """Width and height of a picture file, without decoding its pixels.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    (int, int)
        Width and height in px, after the rotation that the camera noted.

    Raises
    ------
    PictureError
        If the file is missing, is not a picture, or is too large.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "gray.png"
    >>> _ = save(path, np.full((2, 3, 3), 90, np.uint8))
    >>> size_of(path)
    (3, 2)
    """
    with (
        open_plain(path, LARGEST_FILE_BYTES, "a picture", PictureError) as file,
        _opened(file, str(path)) as (image, rotation),
    ):
        return image.size[::-1] if rotation >= 5 else image.size


def encode(picture: np.ndarray, kind: str = "png", quality: int = 90, effort: int = 6) -> bytes:
    """The bytes of a picture file.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    kind : {"png", "jpg", "jpeg"}
        The file format.
    quality : int, 1 to 95
        JPEG quality; PNG does not use it.
    effort : int, 0 to 9
        How hard PNG tries to be small; 1 is about three times faster than 6
        and a tenth larger.

    Returns
    -------
    bytes
        What to put in the file.

    Raises
    ------
    PictureError
        If the picture or the kind is wrong.

    Examples
    --------
    >>> encode(np.zeros((2, 3, 3), np.uint8), "png")[1:4]
    b'PNG'
    """
    check_picture(picture)
    fmt = _SUFFIXES.get("." + kind.lower().lstrip("."))
    if fmt is None:
        raise PictureError(f"kind must be png, jpg or jpeg, got {kind!r}; choose one of them")
    out = io.BytesIO()
    options = {"quality": int(quality)} if fmt == "JPEG" else {"compress_level": int(effort)}
    Image.fromarray(picture).save(out, fmt, **options)
    return out.getvalue()


def save(path: str | os.PathLike, picture: np.ndarray, quality: int = 90) -> Path:
    """Write a picture file, whole or not at all.

    Parameters
    ----------
    path : path-like
        Ends in .png, .jpg or .jpeg.
    picture : (H, W, 3) ndarray of uint8
        The picture.
    quality : int, 1 to 95
        JPEG quality.

    Returns
    -------
    Path
        The path written.

    Raises
    ------
    PictureError
        If the picture or the ending is wrong.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> save(pathlib.Path(tempfile.mkdtemp()) / "a.jpg", np.zeros((2, 3, 3), np.uint8)).name
    'a.jpg'
    """
    path = Path(path)
    if path.suffix.lower() not in _SUFFIXES:
        raise PictureError(f"a picture's name must end in .png, .jpg or .jpeg, got {path.name!r}; rename it")
    return write_whole(path, encode(picture, path.suffix, quality))


@contextmanager
def _opened(file: BinaryIO, name: str) -> Iterator[tuple[Image.Image, int]]:
    """The opened picture, its pixels not decoded yet, and its noted rotation; every error becomes one of ours."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the limit on pixels is ours, and notes nobody needs may be damaged
            check_parts(file, name)
            with Image.open(file, formats=FORMATS) as image:
                width, height = image.size
                if width * height > MOST_PIXELS or max(width, height) > LONGEST_PX:
                    raise PictureError(
                        f"{name} must have at most {MOST_PIXELS // 10**6} million pixels and {LONGEST_PX} px a side, it has "
                        f"{width} x {height} px; make it smaller first"
                    )
                yield image, _rotation(image)
    except PictureError:
        raise
    except Image.DecompressionBombError:
        raise PictureError(
            f"{name} must have at most {MOST_PIXELS // 10**6} million pixels, it has far more; make it smaller first"
        ) from None
    except UnidentifiedImageError:
        file.seek(0)
        head = file.read(32)
        foreign = next((kind for at, begin, kind in _FOREIGN if head[at : at + len(begin)] == begin), None)
        if foreign:
            raise PictureError(
                f"{name} must be a JPEG, PNG, WebP or BMP picture, it is {foreign}; convert it to JPEG: open it in a picture "
                "viewer and export it (a phone's camera can also be set to take JPEG)"
            ) from None
        raise PictureError(
            f"{name} must be a whole JPEG, PNG, WebP or BMP picture, it is not one; copy or take it again"
        ) from None
    except Exception as error:  # damaged content raises nearly every class of Python's, by format and release
        raise PictureError(
            f"{name} must be a whole JPEG, PNG, WebP or BMP picture, it is damaged or cut short "
            f"({type(error).__name__}); copy or take it again"
        ) from None


def _rotation(image: Image.Image) -> int:
    """The noted rotation, 1 to 8; 1 where there is none that makes sense."""
    # Pillow decodes a whole PNG to look for notes behind the pixels; no camera writes them there.
    if image.format == "PNG" and "exif" not in image.info:
        return 1
    try:
        noted = image.getexif().get(0x0112, 1)
    except Exception:  # a damaged note costs nobody the picture
        return 1
    return noted if isinstance(noted, int) and 1 <= noted <= 8 else 1
