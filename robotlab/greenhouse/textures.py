"""Seeded textures: smooth noise, pyramids of coarser copies, and the floor.

A texture is kept as bytes with gamma 2 (``linear = (byte / 255)^2``), each as
a pyramid of ever coarser copies, so that far ground does not flicker.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from robotlab.greenhouse.sensor import srgb_decode

FLOORS = ("paving", "concrete", "soil", "gravel", "moss")

# Size of a floor texture: 8 m across the aisle, 4 m along it, then it repeats.
FLOOR_ROWS, FLOOR_COLUMNS, FLOOR_LEVELS, FLOOR_PER_METER = 2048, 1024, 6, 256

# A texel is one number with a byte each for red, green and blue: looked up in one go.
SHIFTS, BYTE = (np.int32(0), np.int32(8), np.int32(16)), np.int32(255)


@functools.lru_cache(maxsize=256)
def rgb(*bytes_: float) -> np.ndarray:
    """Linear color of an sRGB byte triple.

    Parameters
    ----------
    *bytes_ : float
        Red, green, blue, 0 to 255.

    Returns
    -------
    (3,) ndarray
        Linear light.

    Examples
    --------
    >>> rgb(0, 255, 0).tolist()
    [0.0, 1.0, 0.0]
    """
    color = srgb_decode(np.array(bytes_, float) / 255)
    color.flags.writeable = False
    return color


def grain(rng: np.random.Generator, shape: tuple[int, int], *sizes_px: float) -> np.ndarray:
    """Smooth random relief that tiles: the sum of noises of several sizes.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    shape : (int, int)
        Rows and columns.
    *sizes_px : float
        Standard deviation of each noise's blur; larger is smoother.

    Returns
    -------
    (rows, columns) ndarray of float32
        Mean 0, standard deviation 1.
    """
    rows, columns = shape
    total = np.zeros(shape, np.float32)
    for size in sizes_px:
        # Coarse noise is drawn on a coarse grid and stretched; fine noise is drawn
        # once for a tile and repeated: the same look for a tenth of the time.
        step = max(1, int(size) // 2)
        coarse = (-(-rows // step), -(-columns // step))
        tile = (min(coarse[0], 512), min(coarse[1], 512))
        layer = gaussian_filter(rng.standard_normal(tile, dtype=np.float32), size / step, mode="wrap")
        layer /= layer.std()
        layer = _stretch(layer, step)
        for row in range(0, rows, len(layer)):
            for column in range(0, columns, layer.shape[1]):
                place = total[row : row + len(layer), column : column + layer.shape[1]]
                place += layer[: place.shape[0], : place.shape[1]]
    # The mean is 0 now, which NumPy's own deviation would work out again.
    total -= total.mean()
    total /= np.sqrt(np.mean(total * total))
    return total


def _stretch(layer: np.ndarray, step: int) -> np.ndarray:
    """Linear interpolation to `step` times as many rows and columns, wrapping around."""
    if step == 1:
        return layer
    rows, columns = layer.shape
    share = np.arange(step, dtype=np.float32) / step
    tall: np.ndarray = np.empty((rows, step, columns), np.float32)
    np.multiply(layer[:, None], (1 - share)[:, None], out=tall)
    tall += np.roll(layer, -1, 0)[:, None] * share[:, None]
    tall = tall.reshape(-1, columns)
    ahead, own, its = np.roll(tall, -1, 1), np.tile(1 - share, columns), np.tile(share, columns)
    out = np.empty((rows * step, columns * step), np.float32)
    for some in _pieces(rows * step):
        np.multiply(np.repeat(tall[some], step, axis=1), own, out=out[some])
        more = np.repeat(ahead[some], step, axis=1)
        more *= its
        out[some] += more
    return out


def _pieces(rows: int, each: int = 64) -> Iterator[slice]:
    """Some rows of an array after others: what is worked out of them stays in the processor's cache."""
    return (slice(first, first + each) for first in range(0, rows, each))


@dataclass(frozen=True, eq=False)
class Pyramid:
    """One texture and its coarser copies, end to end in one flat array.

    Parameters
    ----------
    texels : (N,) ndarray of int32
        Gamma 2 bytes of every level, red << 0 | green << 8 | blue << 16.
    rows, columns : tuple of int
        Size of each level.
    starts : tuple of int
        Where each level begins.
    per_meter : float
        Texels a meter at the finest level.
    """

    texels: np.ndarray
    rows: tuple[int, ...]
    columns: tuple[int, ...]
    starts: tuple[int, ...]
    per_meter: float

    @classmethod
    def build(cls, linear: np.ndarray, per_meter: float, levels: int) -> Pyramid:
        """Average a linear (3, rows, columns) texture down to `levels` levels."""
        rows, columns, starts, parts, start = [], [], [], [], 0
        for _ in range(levels):
            texels = np.empty(linear.shape[1:], np.int32)
            for some in _pieces(len(texels)):
                encoded = np.clip(linear[:, some], 0, 1)
                np.sqrt(encoded, out=encoded)
                encoded *= 255
                encoded += 0.5
                red, green, blue = encoded.astype(np.int32)
                np.left_shift(green, SHIFTS[1], out=green)
                np.left_shift(blue, SHIFTS[2], out=blue)
                red |= green
                np.bitwise_or(red, blue, out=texels[some])
            parts.append(texels.reshape(-1))
            rows.append(linear.shape[1])
            columns.append(linear.shape[2])
            starts.append(start)
            start += parts[-1].size
            for far, near in ((np.s_[:, ::2], np.s_[:, 1::2]), (np.s_[..., ::2], np.s_[..., 1::2])):
                linear = linear[far] + linear[near]
                linear /= 2
        return cls(np.concatenate(parts), tuple(rows), tuple(columns), tuple(starts), per_meter)


def mix(low: np.ndarray, high: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Blend two colors.

    Parameters
    ----------
    low, high : (3,) ndarray
        Linear colors at share 0 and 1.
    share : (rows, columns) ndarray
        Clipped to 0 to 1.

    Returns
    -------
    (3, rows, columns) ndarray of float32
        The blend.
    """
    share = np.clip(share, 0, 1).astype(np.float32, copy=False)
    low, high = (np.asarray(c, np.float32)[:, None, None] for c in (low, high))
    blend = (high - low) * share
    blend += low
    return blend


def _surface(rng: np.random.Generator, kind: str, shape: tuple[int, int], per_meter: float) -> np.ndarray:
    """One floor covering, linear (3, rows, columns)."""
    fine = grain(rng, shape, 0.6, 1.5)
    broad = grain(rng, shape, 12, 40)
    if kind == "soil":
        crumbs = 0.45 + 0.16 * fine + 0.16 * broad + 0.12 * grain(rng, shape, 4)
        picture = mix(rgb(62, 44, 32), rgb(122, 94, 68), crumbs)
        straw = grain(rng, shape, 1.2) > 2.6
        return np.where(straw, rgb(176, 152, 104).astype(np.float32)[:, None, None], picture)
    if kind == "moss":
        patches = grain(rng, shape, 5, 18)
        picture = mix(rgb(52, 70, 28), rgb(104, 120, 58), 0.5 + 0.22 * fine + 0.25 * patches)
        return picture * (1 - np.float32(0.55) * np.clip(-1.1 - patches, 0, 1))
    if kind == "gravel":
        # Pebbles: the cells of a rough relief, each lit from one side.
        relief = grain(rng, shape, 1.4)
        side = relief - np.roll(relief, (1, 1), (0, 1))
        tint = grain(rng, shape, 2.5) + 0.5 * grain(rng, shape, 30)
        warm = rng.uniform(0.97, 1.03)
        low, high = rgb(92, 88, 82) * [warm, 1, 1 / warm], rgb(188, 182, 170) * [warm, 1, 1 / warm]
        return mix(low, high, 0.45 + 0.14 * relief + 0.22 * side + 0.09 * tint)
    tint = rng.uniform(0.94, 1.06, 3)
    picture = mix(rgb(122, 120, 114) * tint, rgb(184, 180, 172) * tint, 0.5 + 0.12 * fine + 0.13 * broad)
    stains = grain(rng, shape, 25) + 0.35 * grain(rng, shape, 3)
    picture *= 1 - 0.22 * np.clip(stains - 1.0, 0, 1)
    if kind == "paving":
        picture = _pave(rng, picture, per_meter)
    return picture


def _pave(rng: np.random.Generator, picture: np.ndarray, per_meter: float) -> np.ndarray:
    """Cut a surface into slabs with joints: each slab has its own tone."""
    _, rows, columns = picture.shape
    across = int(rng.integers(6, 11))
    # The number of slabs along must be whole, so that the texture tiles.
    slab_c, slab_r = columns / across, rows / round(rows / (columns / across * rng.choice([1.0, 0.5])))
    r = (np.arange(rows) + 0.5) / slab_r
    c = (np.arange(columns) + 0.5) / slab_c
    # Every other course of slabs may be shifted by half a slab: two kinds of row.
    shifted = (np.floor(r).astype(int) % 2) * (round(rows / slab_r) % 2 == 0)
    cell_c = c + np.array([[0], [0.5]])
    tone = rng.normal(1, 0.09, (int(rows / slab_r) + 2, across + 2)).astype(np.float32)
    warmth = rng.normal(0, 0.03, tone.shape).astype(np.float32)
    at_r, at_c = np.floor(r).astype(int), np.floor(cell_c).astype(int) % across
    near_r = np.abs(r - np.round(r))[:, None] * slab_r
    near_c = np.abs(cell_c - np.round(cell_c)) * slab_c
    wobble = 0.8 * grain(rng, (rows, columns), 2.0)
    joint = (rgb(74, 70, 58) if rng.random() < 0.5 else rgb(70, 84, 44)).astype(np.float32)
    out = np.empty((3, rows, columns), np.float32)
    for some in _pieces(rows):
        kind = shifted[some]
        at = at_r[some, None], at_c[kind]
        gap = np.clip(1.6 + wobble[some] - np.minimum(near_r[some], near_c[kind]), 0, 1.5) / 1.5
        tones, warm, slab = tone[at], warmth[at], 1 - gap
        for plane, tint in enumerate((1 + warm, None, 1 - warm)):
            part = picture[plane, some] * tones
            if tint is not None:
                part *= tint
            out[plane, some] = part * slab + joint[plane] * gap
    return out


def floor(rng: np.random.Generator, path: str, beside: str, path_half_m: float) -> Pyramid:
    """A path of one covering between beds of another.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    path, beside : str
        Two of :data:`FLOORS`.
    path_half_m : float
        Half the width of the path, m.

    Returns
    -------
    Pyramid
        Rows run along world y, columns along world x.
    """
    rows, columns, per_meter = FLOOR_ROWS, FLOOR_COLUMNS, FLOOR_PER_METER
    y = (np.arange(rows) + 0.5) / per_meter - rows / per_meter / 2
    linear = _surface(rng, beside, (rows, columns), per_meter)
    ragged = 0.02 if path in ("paving", "concrete") else 0.09
    # Only the rows of the path and its edge need the other covering.
    band = slice(*np.searchsorted(y, [-path_half_m - 4 * ragged - 0.06, path_half_m + 4 * ragged + 0.06]))
    shape = (band.stop - band.start, columns)
    edge = path_half_m - np.abs(y[band])[:, None].astype(np.float32) + np.float32(ragged) * grain(rng, shape, 6, 20)
    share = np.clip(edge / 0.015 + 0.5, 0, 1)[None]
    rim = np.clip(1 - np.abs(edge) / 0.05, 0, 1)[None]
    linear[:, band] += (_surface(rng, path, shape, per_meter) - linear[:, band]) * share
    linear[:, band] *= 1 - np.float32(0.35) * rim
    linear *= (1 + 0.08 * grain(rng, (rows, columns), 90)).clip(0.7, 1.3)
    return Pyramid.build(linear, per_meter, FLOOR_LEVELS)
