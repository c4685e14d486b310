"""Fast thresholding: the pixels of a band, the same as ``band.mask``.

Converting 300 000 pixels to hue only to find that 290 000 of them are leaves is
the waste.  A saturated color shows in plain differences of channels: whatever
is orange enough for a band has, say, at least 60 more red than blue.  Such a
difference is three cheap passes over the bytes; saturation and value, and then
hue, are worked out for the few that are left.  The sieve may let wrong pixels
through, never keep a right one out, so the result is exact; tests compare all
2²⁴ colors.

It pays while the band is rare.  Measured beside OpenCV (one thread, a rendered
post, ``tests/benchmarks/bench_color.py``): about 0.45 of its time; even at
about 4 % of the picture strewn with single pixels of the band (there, sensor
noise of 9 bytes does that), or a fifth of it covered; three times as long when
the whole picture is in the band.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import permutations

import numpy as np

from robotlab.color.bands import Band, LabBand
from robotlab.color.hsv_conversion import HUE_ERROR, HUES, SATURATION_ERROR, hsv_of_bytes
from robotlab.image import check_picture

# Bytes handled at a time: with the buffers it stays in a 512 KB cache.
_CHUNK_PX = 1 << 15

# Where hue changes its rule, in steps of two degrees.
_SIXTH = HUES // 6


def _share(channel: int, hue: np.ndarray) -> np.ndarray:
    """How much of C = max - min a channel has above the minimum, 0 to 1, by hue."""
    away = np.abs((hue - 2 * _SIXTH * channel + HUES / 2) % HUES - HUES / 2)
    return np.clip(2 - away / _SIXTH, 0, 1)


@lru_cache(maxsize=256)
def sieve(band: Band) -> tuple[tuple[int, int, int], ...]:
    """Bounds on channel differences that every pixel of a band keeps: a cheap first test.

    Parameters
    ----------
    band : Band
        The band.

    Returns
    -------
    tuple of (int, int, int)
        Up to two of (channel a, channel b, least): ``a - b >= least``, with
        channels 0 red, 1 green, 2 blue, the most telling first.  None where
        the band holds grays or too many hues for a difference to say much.

    Notes
    -----
    A color of hue h has ``a - b = C (f_a(h) - f_b(h))``, where f is 1 near
    the channel's own hue and 0 on the far side.  C is at least
    ``S_low V_low / 255``, less what rounding of the bytes may hide of S and,
    for f, of H.  Over the hues of the band, f_a - f_b is smallest at an end
    or where a rule changes.

    Examples
    --------
    >>> sieve(Band(hue=(5, 18), saturation=(150, 255), value=(100, 255)))
    ((0, 2, 59), (0, 1, 23))
    """
    least_spread = (band.saturation[0] - SATURATION_ERROR) * max(band.value[0], 1) / 255
    if least_spread <= 0 or band.hue_width + 2 >= HUES:
        return ()
    h0 = band.hue[0] - HUE_ERROR
    h1 = h0 + band.hue_width - 1 + 2 * HUE_ERROR
    kinks = np.arange(np.ceil(h0 / _SIXTH), np.floor(h1 / _SIXTH) + 1) * _SIXTH
    hues = np.concatenate([[h0], kinks, [h1]])
    found = []
    for a, b in permutations(range(3), 2):
        smallest = (_share(a, hues) - _share(b, hues)).min() * least_spread
        # A difference of bytes is whole; 1e-9 is for the arithmetic here.
        least = int(np.ceil(smallest - 1e-9))
        if least > 0:
            found.append((a, b, least))
    found.sort(key=lambda one: -one[2])
    return tuple(found[:2])


def pixels_in_band(picture: np.ndarray, band: Band | LabBand) -> tuple[np.ndarray, tuple[np.ndarray, ...] | None]:
    """Which pixels of a picture are in a band, as a list.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        Red-green-blue.
    band : Band or LabBand
        The band.

    Returns
    -------
    pixels : (N,) ndarray of int
        Places in the flattened picture, ascending: the same as
        ``np.flatnonzero(band.mask(picture))``.
    colors : tuple of three (N,) ndarray of uint8, or None
        Their hue, saturation and value; None for a LabBand.

    Raises
    ------
    PictureError
        If the picture is wrong.

    Examples
    --------
    >>> picture = np.array([[[40, 90, 30], [230, 110, 20]]], np.uint8)
    >>> pixels_in_band(picture, Band(hue=(5, 18), saturation=(150, 255), value=(80, 255)))[0].tolist()
    [1]
    """
    check_picture(picture)
    if isinstance(band, LabBand):
        return np.flatnonzero(band.mask(picture)), None
    flat = np.ascontiguousarray(picture).reshape(-1)
    differences = sieve(band)
    places = _through_first(flat, differences[0]) if differences else np.arange(len(flat) // 3)
    # Piece by piece, so that the buffers stay in the cache when many are left.
    pieces = [
        _checked(flat, places[start : start + _CHUNK_PX], band) for start in range(0, max(len(places), 1), _CHUNK_PX)
    ]
    pixels, *colors = pieces[0] if len(pieces) == 1 else map(np.concatenate, zip(*pieces))
    return pixels, tuple(colors)


def _checked(flat: np.ndarray, places: np.ndarray, band: Band) -> tuple[np.ndarray, ...]:
    """Which of some pixels are in the band, and their hue, saturation and value."""
    at = places * 3
    channels = [flat[channel:].take(at) for channel in range(3)]
    # Saturation and value ask only for the largest and the smallest channel.
    value = np.maximum(np.maximum(channels[0], channels[1]), channels[2])
    spread = value - np.minimum(np.minimum(channels[0], channels[1]), channels[2])
    keep = spread >= _least_spreads(band).take(value)
    for a, b, least in sieve(band)[1:]:
        keep &= _excess(channels[a], channels[b]) >= least
    keep = np.flatnonzero(keep)
    colors = hsv_of_bytes(*(channel.take(keep) for channel in channels))
    inside = np.flatnonzero(band.holds(*colors))
    return places.take(keep.take(inside)), *(color.take(inside) for color in colors)


@lru_cache(maxsize=256)
def _least_spreads(band: Band) -> np.ndarray:
    """For each value (largest channel) the least max - min that the band has; 256 where it has none."""
    spread, value = np.arange(256)[:, None], np.arange(256)[None, :]
    gray = np.where(spread <= value, value - spread, 0).astype(np.uint8)
    top = np.broadcast_to(value, gray.shape).astype(np.uint8)
    _, saturation, _ = hsv_of_bytes(top, gray, gray)
    fits = (saturation >= band.saturation[0]) & (spread <= value) & (value >= band.value[0]) & (value <= band.value[1])
    return np.where(fits.any(axis=0), fits.argmax(axis=0), 256).astype(np.int16)


def _excess(a: np.ndarray, b: np.ndarray, out: np.ndarray | None = None) -> np.ndarray:
    """``a - b`` of bytes, 0 where b is larger."""
    out = np.maximum(a, b, out=out)
    return np.subtract(out, b, out=out)


def _through_first(flat: np.ndarray, difference: tuple[int, int, int]) -> np.ndarray:
    """Places of the pixels that have a difference."""
    a, b, least = difference
    count = len(flat) // 3
    # Channels lie side by side, so a difference of two channels is the
    # difference of the bytes with themselves, shifted; it is worked out at
    # every byte, which is faster than stepping by three, and a third is used.
    buffer = np.empty(3 * min(_CHUNK_PX, count), np.uint8)
    kept = []
    for start in range(0, count, _CHUNK_PX):
        piece = flat[3 * start : 3 * (start + _CHUNK_PX)]
        size = len(piece) - 2
        excess = _excess(piece[a : a + size], piece[b : b + size], buffer[:size])
        kept.append(np.flatnonzero((excess >= least)[::3]) + start)
    return np.concatenate(kept)
