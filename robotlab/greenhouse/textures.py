"""Seeded textures: the floor, the glass walls with their plants, and leaves.

A texture is kept as bytes with gamma 2 (``linear = (byte / 255)^2``), each as
a pyramid of ever coarser copies, so that far ground does not flicker.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from robotlab.greenhouse.sensor import srgb_decode

FLOORS = ("paving", "concrete", "soil", "gravel", "moss")

# Size of a floor texture: 8 m across the aisle, 4 m along it, then it repeats.
FLOOR_ROWS, FLOOR_COLUMNS, FLOOR_LEVELS, FLOOR_PER_METER = 2048, 1024, 6, 256


@functools.lru_cache(maxsize=256)
def rgb(*bytes_: float) -> np.ndarray:
    """Linear colour of an sRGB byte triple.

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
        layer = layer / layer.std()
        for axis in (0, 1):
            layer = _stretch(layer, step, axis)
            repeats = -(-shape[axis] // layer.shape[axis])
            layer = np.concatenate([layer] * repeats, axis) if repeats > 1 else layer
        total += layer[:rows, :columns]
    return (total - total.mean()) / total.std()


def _stretch(layer: np.ndarray, step: int, axis: int) -> np.ndarray:
    """Linear interpolation to `step` times as many, wrapping around."""
    if step == 1:
        return layer
    layer = layer.swapaxes(0, axis)
    ahead = np.roll(layer, -1, 0)
    share = (np.arange(step, dtype=np.float32) / step)[:, None]
    out = layer[:, None] * (1 - share) + ahead[:, None] * share
    return out.reshape(-1, layer.shape[1]).swapaxes(0, axis)


@dataclass(frozen=True, eq=False)
class Pyramid:
    """One texture and its coarser copies, end to end in one flat array.

    Parameters
    ----------
    planes : (3, N) ndarray of uint8
        Gamma 2 bytes of every level.
    rows, columns : tuple of int
        Size of each level.
    starts : tuple of int
        Where each level begins.
    per_meter : float
        Texels a metre at the finest level.
    """

    planes: np.ndarray
    rows: tuple[int, ...]
    columns: tuple[int, ...]
    starts: tuple[int, ...]
    per_meter: float

    @classmethod
    def build(cls, linear: np.ndarray, per_meter: float, levels: int) -> Pyramid:
        """Average a linear (3, rows, columns) texture down to `levels` levels."""
        rows, columns, starts, parts, start = [], [], [], [], 0
        for _ in range(levels):
            encoded = np.sqrt(np.clip(linear, 0, 1)) * 255 + 0.5
            parts.append(encoded.astype(np.uint8).reshape(3, -1))
            rows.append(linear.shape[1])
            columns.append(linear.shape[2])
            starts.append(start)
            start += parts[-1].shape[1]
            linear = (linear[:, ::2] + linear[:, 1::2]) / 2
            linear = (linear[:, :, ::2] + linear[:, :, 1::2]) / 2
        return cls(np.concatenate(parts, axis=1), tuple(rows), tuple(columns), tuple(starts), per_meter)


def _mix(low: np.ndarray, high: np.ndarray, share: np.ndarray) -> np.ndarray:
    """From colour `low` (share 0) to `high` (share 1): (3, rows, columns)."""
    share = np.clip(share, 0, 1).astype(np.float32)
    low, high = (np.asarray(c, np.float32)[:, None, None] for c in (low, high))
    return low + (high - low) * share


def _surface(rng: np.random.Generator, kind: str, shape: tuple[int, int], per_meter: float) -> np.ndarray:
    """One floor covering, linear (3, rows, columns)."""
    fine = grain(rng, shape, 0.6, 1.5)
    broad = grain(rng, shape, 12, 40)
    if kind == "soil":
        picture = _mix(rgb(62, 44, 32), rgb(122, 94, 68), 0.45 + 0.16 * fine + 0.16 * broad + 0.12 * grain(rng, shape, 4))
        straw = grain(rng, shape, 1.2) > 2.6
        return np.where(straw, rgb(176, 152, 104).astype(np.float32)[:, None, None], picture)
    if kind == "moss":
        patches = grain(rng, shape, 5, 18)
        picture = _mix(rgb(52, 70, 28), rgb(104, 120, 58), 0.5 + 0.22 * fine + 0.25 * patches)
        return picture * (1 - np.float32(0.55) * np.clip(-1.1 - patches, 0, 1))
    if kind == "gravel":
        # Pebbles: the cells of a rough relief, each lit from one side.
        relief = grain(rng, shape, 2.2)
        side = relief - np.roll(relief, (1, 1), (0, 1))
        tint = grain(rng, shape, 4)
        return _mix(rgb(70, 66, 62), rgb(186, 178, 164), 0.45 + 0.22 * relief + 0.5 * side + 0.12 * tint)
    tint = rng.uniform(0.94, 1.06, 3)
    picture = _mix(rgb(122, 120, 114) * tint, rgb(184, 180, 172) * tint, 0.5 + 0.12 * fine + 0.13 * broad)
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
    shift = 0.5 * (np.floor(r).astype(int) % 2) * (round(rows / slab_r) % 2 == 0)
    cell_c = c[None, :] + shift[:, None]
    tone = rng.normal(1, 0.09, (int(rows / slab_r) + 2, across + 2)).astype(np.float32)
    warmth = rng.normal(0, 0.03, tone.shape).astype(np.float32)
    at = np.floor(r).astype(int)[:, None], np.floor(cell_c).astype(int) % across
    near_r = np.abs(r - np.round(r))[:, None] * slab_r
    near_c = np.abs(cell_c - np.round(cell_c)) * slab_c
    wobble = 0.8 * grain(rng, (rows, columns), 2.0)
    gap = np.clip(1.6 + wobble - np.minimum(near_r, near_c), 0, 1.5)[None] / 1.5
    tint = np.stack([1 + warmth[at], np.ones((rows, columns), np.float32), 1 - warmth[at]])
    joint = rgb(74, 70, 58) if rng.random() < 0.5 else rgb(70, 84, 44)
    return (picture * tone[at] * tint * (1 - gap) + joint.astype(np.float32)[:, None, None] * gap).astype(np.float32)


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


def draw_leaf(canvas: np.ndarray, cover: np.ndarray, x: float, y: float, length: float, width: float,
              angle: float, color: np.ndarray) -> None:
    """Paint one leaf: a lens shape with a lighter midrib and a shaded half.

    Parameters
    ----------
    canvas : (3, rows, columns) ndarray of float32
        Linear colours, changed in place; columns wrap around.
    cover : (rows, columns) ndarray of float32
        1 where painted, changed in place.
    x, y : float
        Middle of the leaf, px.
    length, width : float
        Half its length and half its width, px.
    angle : float
        Direction of its midrib, rad.
    color : (3,) ndarray
        Linear colour.
    """
    rows, columns = cover.shape
    reach = int(length) + 2
    top, bottom = max(0, int(y) - reach), min(rows, int(y) + reach + 1)
    if top >= bottom:
        return
    c = np.arange(int(x) - reach, int(x) + reach + 1)
    r = np.arange(top, bottom)
    cos, sin = np.cos(angle), np.sin(angle)
    along = ((c - x)[None, :] * cos + (r - y)[:, None] * sin) / length
    across = (-(c - x)[None, :] * sin + (r - y)[:, None] * cos) / width
    # The outline of a leaf: widest before the middle, pointed at both ends.
    outline = (1 - along**2) * (1 + 0.35 * along)
    inside = (outline > np.abs(across)) & (np.abs(along) < 1)
    if not inside.any():
        return
    at_r, at_c = np.nonzero(inside)
    a, b = along[inside], across[inside]
    light = 0.82 + 0.25 * np.sign(b) * 0.5 + 0.18 * a
    light = np.where(np.abs(b) < 0.09, light * 1.35, light)
    veins = np.abs((a - 0.5 * np.abs(b)) * 5 % 1 - 0.5) < 0.08
    light = np.where(veins, light * 1.12, light)
    light = light * (0.75 + 0.25 * np.minimum(1, (outline[inside] - np.abs(b)) * 4))
    canvas[:, r[at_r], c[at_c] % columns] = color[:, None] * light
    cover[r[at_r], c[at_c] % columns] = 1


# Greens of leaves from young to old, and a dry one (chosen by eye).
LEAF_COLORS = [rgb(128, 168, 58), rgb(84, 134, 48), rgb(58, 108, 42), rgb(40, 84, 38), rgb(150, 150, 70)]


def leaf_color(rng: np.random.Generator, light: float = 1.0) -> np.ndarray:
    """A random green.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    light : float
        Factor on it.

    Returns
    -------
    (3,) ndarray
        Linear colour.
    """
    low, high = rng.choice(4, 2)
    share = rng.random()
    base = LEAF_COLORS[4] if rng.random() < 0.04 else LEAF_COLORS[low] * share + LEAF_COLORS[high] * (1 - share)
    return base * light * rng.uniform(0.7, 1.2)


def bush(rng: np.random.Generator, shape: tuple[int, int] = (128, 128)) -> tuple[np.ndarray, np.ndarray]:
    """A plant as a flat sprite.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    shape : (int, int)
        Rows and columns.

    Returns
    -------
    colors : (3, rows, columns) ndarray of float32
        Linear.
    cover : (rows, columns) ndarray of bool
        Where the plant is.
    """
    rows, columns = shape
    canvas, cover = np.zeros((3, rows, columns), np.float32), np.zeros(shape, np.float32)
    spread, long = rng.uniform(0.25, 0.42), rng.uniform(0.09, 0.17) * columns
    slim = rng.uniform(0.28, 0.5)
    for _ in range(7):
        x0, x1 = columns / 2, columns / 2 + rng.normal(0, spread * 0.7) * columns
        for t in np.linspace(0, 1, 40):
            x, y = x0 + (x1 - x0) * t * t, rows - 1 - t * rows * 0.75
            cover[int(y), int(x) % columns : int(x) % columns + 2] = 1
            canvas[:, int(y), int(x) % columns : int(x) % columns + 2] = rgb(74, 92, 44)[:, None]
    count = int(rng.integers(70, 130))
    for i in range(count):
        height = rng.beta(1.6, 1.3)
        x = columns / 2 + np.clip(rng.normal(0, spread * (0.45 + 0.7 * height * (1.25 - height))), -0.42, 0.42) * columns
        y = rows * (0.98 - 0.86 * height)
        # Later leaves lie in front and catch more light; high ones more too.
        light = (0.45 + 0.55 * i / count) * (0.7 + 0.45 * height)
        size = long * rng.uniform(0.6, 1.1)
        outward = np.arctan2(-0.6 + rng.normal(0, 0.5), x - columns / 2 + rng.normal(0, columns * 0.1))
        draw_leaf(canvas, cover, x, y, size, size * slim, outward, leaf_color(rng, light).astype(np.float32))
    cover[:, [0, -1]] = 0
    return canvas, cover > 0


def wall(rng: np.random.Generator, plants_m: float, outside: float = 1.0) -> Pyramid:
    """The inside of a glass wall: sky, far trees, frame, and a row of plants.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    plants_m : float
        Height of the row of plants in front of the glass, m.
    outside : float
        Factor on the light from behind the glass.

    Returns
    -------
    Pyramid
        8 m wide (columns, repeating) and 4 m high; row 0 is at the ground.
    """
    rows, columns, per_meter = 512, 1024, 128.0
    z = (rows - 0.5 - np.arange(rows)) / per_meter
    low_sky, high_sky = rgb(214, 224, 228), rgb(150, 188, 222)
    picture = _mix(low_sky, high_sky, (z[:, None] - 1) / 3 + 0.08 * grain(rng, (rows, columns), 30))
    clouds = np.clip(0.5 * grain(rng, (rows, columns), 24, 50) - 0.2, 0, 1)
    picture = picture + (rgb(240, 242, 244).astype(np.float32)[:, None, None] - picture) * clouds * 0.8
    trees = 1.3 + 0.25 * grain(rng, (1, columns), 14, 40) + 0.05 * grain(rng, (1, columns), 3)
    haze = _mix(rgb(96, 116, 92), rgb(134, 150, 128), 0.5 + 0.3 * grain(rng, (rows, columns), 5))
    picture = np.where(z[:, None] < trees, haze, picture) * np.float32(outside)
    knee = rng.uniform(0.3, 0.6)
    masonry = _mix(rgb(140, 132, 122), rgb(176, 168, 156), 0.5 + 0.2 * grain(rng, (rows, columns), 1, 8))
    picture = np.where(z[:, None] < knee, masonry, picture).astype(np.float32)
    bar = rgb(*[(226, 228, 226), (96, 122, 100), (120, 124, 128)][rng.integers(3)]).astype(np.float32)[:, None, None]
    every = int(rng.choice([64, 128, 128]))
    c = np.arange(columns) % every
    upright = (c < 6)[None, :] & (z[:, None] > knee)
    level = (np.abs(z - knee - 0.02) < 0.03)[:, None] | (np.abs(z - 2.2) < 0.025)[:, None]
    shade = np.where(c < 3, 1.0, 0.72)[None, None, :]
    # Bars catch the light of inside and outside alike.
    picture = np.where((upright | level)[None], bar * shade * np.float32(0.35 + 0.65 * outside), picture)
    cover = np.zeros((rows, columns), np.float32)
    picture = np.ascontiguousarray(picture, np.float32)
    if plants_m > 0:
        tall = plants_m * (1 + 0.16 * grain(rng, (1, columns), 10, 30)[0])
        count = int(1900 * plants_m)
        long = rng.uniform(12, 22)
        for i in range(count):
            x = rng.uniform(0, columns)
            depth = i / count
            height = rng.beta(1.3, 1.1) * tall[int(x)]
            light = (0.22 + 0.6 * depth) * (0.55 + 0.5 * height / plants_m)
            size = long * rng.uniform(0.6, 1.2)
            draw_leaf(picture, cover, x, rows - 1 - height * per_meter, size, size * rng.uniform(0.3, 0.5),
                      rng.uniform(0, 2 * np.pi), leaf_color(rng, light).astype(np.float32))
    # Row 0 at the ground; two copies wide to keep 8 m, softened as things out of focus are.
    picture = np.stack([gaussian_filter(plane, 0.7, mode=("nearest", "wrap")) for plane in picture[:, ::-1]])
    return Pyramid.build(picture.astype(np.float32), per_meter, 5)


@dataclass(frozen=True, eq=False)
class Sprite:
    """A flat picture with holes, and its coarser copies.

    Parameters
    ----------
    copies : tuple of (colors, cover)
        Finest first: (3, rows, columns) linear float32 and (rows, columns) bool.
    """

    copies: tuple[tuple[np.ndarray, np.ndarray], ...]

    @property
    def rows(self) -> int:
        """Rows of the finest copy."""
        return self.copies[0][1].shape[0]

    @property
    def levels(self) -> int:
        """Number of copies."""
        return len(self.copies)

    @classmethod
    def build(cls, colors: np.ndarray, cover: np.ndarray, levels: int = 5) -> Sprite:
        """Halve a sprite again and again; only covered texels count for the colour."""
        copies = [(colors, cover)]
        share = cover.astype(np.float32)
        light = colors * share
        for _ in range(levels - 1):
            share, light = (sum(a[..., i::2, j::2] for i in (0, 1) for j in (0, 1)) / 4 for a in (share, light))
            copies.append(((light / np.maximum(share, 1e-3)).astype(np.float32), share > 0.4))
        return cls(tuple(copies))
