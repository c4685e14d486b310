"""Pictures: load, save, encode, resize, color spaces.

A picture is a ``(height, width, 3)`` array of ``uint8``, red-green-blue, x to
the right and y down.  Files are opened by :mod:`robotlab.image.file`; this is the
only other module that calls Pillow and scikit-image for pictures, so that a
changed name there is mended once.
"""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from robotlab.errors import PictureError
from robotlab.files import write_whole
from robotlab.image.file import decode, load, size_of

__all__ = [
    "blur",
    "check_picture",
    "decode",
    "encode",
    "lab",
    "load",
    "luminance",
    "resize",
    "save",
    "size_of",
    "write_text",
]

_RESAMPLE = {"nearest": Image.Resampling.NEAREST, "linear": Image.Resampling.BILINEAR, "area": Image.Resampling.BOX}
_SUFFIXES = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG"}


def check_picture(picture: np.ndarray, name: str = "picture") -> np.ndarray:
    """Return `picture` if it is an RGB byte picture, or say what is wrong.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    name : str
        How the error message calls it.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The same array.

    Raises
    ------
    PictureError
        If it has another shape or type, or no pixels.

    Examples
    --------
    >>> check_picture(np.zeros((4, 6, 3), np.uint8)).shape
    (4, 6, 3)
    """
    if not isinstance(picture, np.ndarray):
        raise PictureError(
            f"{name} must be a NumPy array (H, W, 3) of uint8, got {type(picture).__name__}; "
            "for a file use robotlab.image.picture.load(path)"
        )
    if picture.ndim != 3 or picture.shape[2] != 3 or 0 in picture.shape:
        hint = ""
        if picture.ndim == 2:
            hint = "; for a gray picture pass np.dstack([gray] * 3)"
        elif picture.ndim == 3 and picture.shape[2] == 4:
            hint = "; drop the transparency with picture[..., :3]"
        elif picture.ndim == 3 and picture.shape[0] == 3:
            hint = "; put the colors last with picture.transpose(1, 2, 0)"
        raise PictureError(f"{name} must be (H, W, 3) with H, W > 0, got {picture.shape}{hint}")
    if picture.dtype != np.uint8:
        raise PictureError(
            f"{name} must be uint8 (0 to 255), got {picture.dtype}; for values from 0 to 1 pass "
            "(picture * 255).round().astype(np.uint8)"
        )
    return picture


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


def resize(picture: np.ndarray, size_px: tuple[int, int], method: str = "area") -> np.ndarray:
    """Make a picture larger or smaller.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    size_px : (int, int)
        New width and height.
    method : {"area", "linear", "nearest"}
        ``area`` averages all the pixels under a new pixel; ``linear`` is
        bilinear, with anti-aliasing when shrinking; ``nearest`` picks one
        pixel and drops the others, so small far things can vanish.

    Returns
    -------
    (height, width, 3) ndarray of uint8
        The resized picture.

    Raises
    ------
    PictureError
        If the picture, the size or the method is wrong.

    Examples
    --------
    >>> resize(np.zeros((4, 6, 3), np.uint8), (3, 2)).shape
    (2, 3, 3)
    """
    check_picture(picture)
    if method not in _RESAMPLE:
        raise PictureError(f"method must be one of {', '.join(_RESAMPLE)}, got {method!r}; choose one of them")
    width, height = (int(n) for n in size_px)
    if width < 1 or height < 1:
        raise PictureError(f"size_px must be (width, height) of at least 1 px, got {size_px}; give whole numbers > 0")
    return np.asarray(Image.fromarray(picture).resize((width, height), _RESAMPLE[method]))


def blur(picture: np.ndarray, radius_px: float) -> np.ndarray:
    """Blur a picture with a Gaussian.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    radius_px : float
        Standard deviation of the Gaussian; 0 changes nothing.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        The blurred picture.

    Raises
    ------
    PictureError
        If the picture is wrong or the radius negative.

    Examples
    --------
    >>> blur(np.zeros((4, 6, 3), np.uint8), 1.0).shape
    (4, 6, 3)
    """
    check_picture(picture)
    if not radius_px >= 0:
        raise PictureError(f"radius_px must be 0 or more, got {radius_px}; give a number >= 0")
    if radius_px == 0:
        return picture
    return np.asarray(Image.fromarray(picture).filter(ImageFilter.GaussianBlur(radius_px)))


def luminance(picture: np.ndarray) -> np.ndarray:
    """Grey value of each pixel as the eye weighs the colors.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.

    Returns
    -------
    (H, W) ndarray of float64
        0.299 R + 0.587 G + 0.114 B, from 0 to 255 (ITU-R BT.601 luma).

    Raises
    ------
    PictureError
        If the picture is wrong.

    Notes
    -----
    This is not the mean of the three colors, and other standards weigh them
    differently (scikit-image's ``rgb2gray`` uses ITU-R BT.709).

    Examples
    --------
    >>> float(luminance(np.array([[[255, 0, 0]]], np.uint8))[0, 0].round(3))
    76.245
    """
    check_picture(picture)
    return picture @ np.array([0.299, 0.587, 0.114])


def lab(picture: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of each pixel (D65, 2 degree observer).

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        sRGB picture.

    Returns
    -------
    (H, W, 3) ndarray of float64
        L* from 0 to 100, a* (green to red), b* (blue to yellow).

    Raises
    ------
    PictureError
        If the picture is wrong.

    Examples
    --------
    >>> float(lab(np.full((1, 1, 3), 255, np.uint8))[0, 0, 0].round(2))
    100.0
    """
    from skimage.color import rgb2lab  # slow to import, needed here alone

    return rgb2lab(check_picture(picture))


def write_text(
    picture: np.ndarray,
    corner_px: tuple[int, int],
    text: str,
    color: tuple[int, int, int] = (255, 255, 255),
    size_px: int = 12,
) -> np.ndarray:
    """Write one line of text on a picture.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        The picture.
    corner_px : (int, int)
        Top left corner of the text, x and y.
    text : str
        The line; what does not fit is cut off.
    color : (int, int, int)
        Red, green, blue, 0 to 255.
    size_px : int
        Height of the letters.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        A new picture with the text.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Examples
    --------
    >>> bool(write_text(np.zeros((20, 60, 3), np.uint8), (2, 2), "post").any())
    True
    """
    image = Image.fromarray(check_picture(picture))
    ImageDraw.Draw(image).text(corner_px, text, fill=tuple(color), font=ImageFont.load_default(size_px))
    return np.asarray(image)
