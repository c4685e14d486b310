"""Leaves: plants as flat sprites, and the glass walls with a row of plants before them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from robotlab.greenhouse.textures import Pyramid, grain, mix, rgb


@dataclass(frozen=True)
class Leaf:
    """One leaf: a lens shape with a lighter midrib and a shaded half.

    Parameters
    ----------
    x, y : float
        Its middle, px.
    length, width : float
        Half its length and half its width, px; it is longer than wide.
    angle : float
        Direction of its midrib, rad.
    color : (3,) ndarray of float32
        Linear color.
    """

    x: float
    y: float
    length: float
    width: float
    angle: float
    color: np.ndarray


# Leaves whose outlines are worked out together: their arrays stay in the processor's cache.
AT_ONCE = 64


def draw_leaves(canvas: np.ndarray, cover: np.ndarray, leaves: Sequence[Leaf]) -> None:
    """Paint leaves, each in front of those before it.

    Parameters
    ----------
    canvas : (3, rows, columns) ndarray of float32
        Linear colors, changed in place; columns wrap around.
    cover : (rows, columns) ndarray of float32
        1 where painted, changed in place.
    leaves : sequence of Leaf
        Those behind first.

    Examples
    --------
    >>> canvas, cover = np.zeros((3, 9, 9), np.float32), np.zeros((9, 9), np.float32)
    >>> draw_leaves(canvas, cover, [Leaf(4, 4, 4, 2, 0, np.ones(3, np.float32))])
    >>> cover[4].astype(int).tolist()
    [0, 1, 1, 1, 1, 1, 1, 1, 0]
    """
    if not leaves:
        return
    rows, columns = cover.shape
    parts = [_texels_of(leaves, first, rows, columns) for first in range(0, len(leaves), AT_ONCE)]
    place, number, a, b, outline = (np.concatenate(arrays) for arrays in zip(*parts, strict=True))
    # Most texels of leaves behind are hidden: only the last leaf at each place is shaded.
    last = np.full(rows * columns, -1)
    last[place] = np.arange(len(place))
    last = last[last >= 0]
    place, number, a, b, outline = (array[last] for array in (place, number, a, b, outline))
    light = 0.82 + 0.25 * np.sign(b) * 0.5 + 0.18 * a
    light = np.where(np.abs(b) < 0.09, light * 1.35, light)
    veins = np.abs((a - 0.5 * np.abs(b)) * 5 % 1 - 0.5) < 0.08
    light = np.where(veins, light * 1.12, light)
    light = light * (0.75 + 0.25 * np.minimum(1, (outline - np.abs(b)) * 4))
    colors = np.array([leaf.color for leaf in leaves])[number]
    at = place // columns, place % columns
    canvas[:, at[0], at[1]] = colors.T * light
    cover[at] = 1


def _texels_of(leaves: Sequence[Leaf], first: int, rows: int, columns: int) -> tuple[np.ndarray, ...]:
    """Of some leaves' texels, leaf by leaf: place in the flat canvas, leaf, where along and across it, outline there."""
    some = leaves[first : first + AT_ONCE]
    shapes = np.array([(one.x, one.y, one.length, one.width, one.angle) for one in some])
    x, y, length, width, angle = shapes.T[:, :, None, None]
    reach = np.arange(-int(length.max()) - 1, int(length.max()) + 2)
    c, r = np.floor(x).astype(int) + reach, np.floor(y).astype(int) + reach[:, None]
    cos, sin = np.cos(angle), np.sin(angle)
    along = ((c - x) * cos + (r - y) * sin) / length
    across = (-(c - x) * sin + (r - y) * cos) / width
    # The outline of a leaf: widest before the middle, pointed at both ends.
    outline = (1 - along**2) * (1 + 0.35 * along)
    inside = (outline > np.abs(across)) & (np.abs(along) < 1) & (r >= 0) & (r < rows)
    leaf, at_r, at_c = np.nonzero(inside)
    place = r[leaf, at_r, 0] * columns + c[leaf, 0, at_c] % columns
    return place, first + leaf, along[inside], across[inside], outline[inside]


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
        Linear color.
    """
    low, high = rng.integers(4, size=2)
    share = rng.random()
    base = LEAF_COLORS[4] if rng.random() < 0.04 else LEAF_COLORS[low] * share + LEAF_COLORS[high] * (1 - share)
    return (base * light * rng.uniform(0.7, 1.2)).astype(np.float32)


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
    leaves = []
    for i in range(count):
        height = rng.beta(1.6, 1.3)
        aside = np.clip(rng.normal(0, spread * (0.45 + 0.7 * height * (1.25 - height))), -0.42, 0.42)
        x = columns / 2 + aside * columns
        y = rows * (0.98 - 0.86 * height)
        # Later leaves lie in front and catch more light; high ones more too.
        light = (0.45 + 0.55 * i / count) * (0.7 + 0.45 * height)
        size = long * rng.uniform(0.6, 1.1)
        outward = np.arctan2(-0.6 + rng.normal(0, 0.5), x - columns / 2 + rng.normal(0, columns * 0.1))
        leaves.append(Leaf(x, y, size, size * slim, outward, leaf_color(rng, light)))
    draw_leaves(canvas, cover, leaves)
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
    picture = mix(low_sky, high_sky, (z[:, None] - 1) / 3 + 0.08 * grain(rng, (rows, columns), 30))
    clouds = np.clip(0.5 * grain(rng, (rows, columns), 24, 50) - 0.2, 0, 1)
    picture = picture + (rgb(240, 242, 244).astype(np.float32)[:, None, None] - picture) * clouds * 0.8
    trees = 1.3 + 0.25 * grain(rng, (1, columns), 14, 40) + 0.05 * grain(rng, (1, columns), 3)
    # Row 0 is the top: trees and masonry fill the rows from some on.
    first = np.count_nonzero(z >= trees.max())
    haze = mix(rgb(96, 116, 92), rgb(134, 150, 128), 0.5 + 0.3 * grain(rng, (rows, columns), 5)[first:])
    np.copyto(picture[:, first:], haze, where=z[first:, None] < trees)
    picture *= np.float32(outside)
    knee = rng.uniform(0.3, 0.6)
    first = np.count_nonzero(z >= knee)
    stones = 0.5 + 0.2 * grain(rng, (rows, columns), 1, 8)[first:]
    picture[:, first:] = mix(rgb(140, 132, 122), rgb(176, 168, 156), stones)
    bar = rgb(*[(226, 228, 226), (96, 122, 100), (120, 124, 128)][rng.integers(3)]).astype(np.float32)[:, None, None]
    every = int(rng.choice([64, 128, 128]))
    c = np.arange(columns) % every
    upright = (c < 6)[None, :] & (z[:, None] > knee)
    level = (np.abs(z - knee - 0.02) < 0.03)[:, None] | (np.abs(z - 2.2) < 0.025)[:, None]
    shade = np.where(c < 3, 1.0, 0.72)[None, None, :]
    # Bars catch the light of inside and outside alike.
    np.copyto(picture, (bar * shade * np.float32(0.35 + 0.65 * outside)).astype(np.float32), where=upright | level)
    cover = np.zeros((rows, columns), np.float32)
    if plants_m > 0:
        tall = plants_m * (1 + 0.16 * grain(rng, (1, columns), 10, 30)[0])
        count = int(1900 * plants_m)
        long = rng.uniform(12, 22)
        leaves = []
        for i in range(count):
            x = rng.uniform(0, columns)
            depth = i / count
            height = rng.beta(1.3, 1.1) * tall[int(x)]
            light = (0.22 + 0.6 * depth) * (0.55 + 0.5 * height / plants_m)
            size = long * rng.uniform(0.6, 1.2)
            slim, angle = rng.uniform(0.3, 0.5), rng.uniform(0, 2 * np.pi)
            leaves.append(Leaf(x, rows - 1 - height * per_meter, size, size * slim, angle, leaf_color(rng, light)))
        draw_leaves(picture, cover, leaves)
    # Row 0 at the ground; two copies wide to keep 8 m, softened as things out of focus are.
    picture = np.stack([gaussian_filter(plane, 0.7, mode=("nearest", "wrap")) for plane in picture[:, ::-1]])
    return Pyramid.build(picture.astype(np.float32), per_meter, 5)


def _halved(a: np.ndarray) -> np.ndarray:
    """Means of two by two, along the last two axes."""
    return (a[..., ::2, ::2] + a[..., ::2, 1::2] + a[..., 1::2, ::2] + a[..., 1::2, 1::2]) / 4


@dataclass(frozen=True, eq=False)
class SpriteSheet:
    """All plants of a scene, each with its coarser copies, end to end.

    Parameters
    ----------
    colors : (3, N) ndarray of float32
        Linear.
    cover : (N,) ndarray of bool
        Where a plant is.
    starts : (plants, levels) tuple of tuple of int
        Where each copy begins.
    sizes : tuple of (int, int)
        Rows and columns at each level.
    """

    colors: np.ndarray
    cover: np.ndarray
    starts: tuple[tuple[int, ...], ...]
    sizes: tuple[tuple[int, int], ...]

    @classmethod
    def build(cls, sprites: list[tuple[np.ndarray, np.ndarray]], levels: int = 5) -> SpriteSheet:
        """Halve each sprite again and again; only covered texels count for the color."""
        colors, covers, starts, start = [], [], [], 0
        for color, cover in sprites:
            share = cover.astype(np.float32)
            light = color * share
            row = []
            for _ in range(levels):
                colors.append((light / np.maximum(share, 1e-3)).reshape(3, -1))
                covers.append((share > 0.4).ravel())
                row.append(start)
                start += share.size
                share, light = _halved(share), _halved(light)
            starts.append(tuple(row))
        rows, columns = sprites[0][1].shape
        sizes = tuple((rows >> i, columns >> i) for i in range(levels))
        return cls(np.concatenate(colors, axis=1).astype(np.float32), np.concatenate(covers), tuple(starts), sizes)

    def copy(self, plant: int, per_row: float) -> tuple[int, int, int]:
        """Start, rows and columns of the copy whose texels are about as large as a pixel.

        `per_row` is the fraction of the plant's height that one pixel sees.
        """
        texels = self.sizes[0][0] * per_row
        level = min(max(math.floor(math.log2(max(texels, 1e-6)) + 0.5), 0), len(self.sizes) - 1)
        return self.starts[plant % len(self.starts)][level], *self.sizes[level]
