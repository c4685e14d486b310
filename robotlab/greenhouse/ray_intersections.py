"""Ray intersections with cones, boxes and upright sprites, all rays of one shape at once.

Body axes throughout (x forward, y left, z up, origin under the camera), m.  A
ray is ``(0, 0, eye) + t (dx, dy, dz)`` with ``t`` the depth along the camera's
axis.  Beside the rays, (3, N), goes a table of numbers with one column for each
ray: those of the thing that it may meet, named by :class:`Cone`, :class:`Box`
or :class:`Billboard`.  So each formula below runs once over all rays.
"""

from __future__ import annotations

import math
from collections import namedtuple
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from robotlab.greenhouse.foliage import SpriteSheet
from robotlab.greenhouse.scene import Thing

# Depth of a ray that meets nothing, m.
FAR = np.float32(1e9)

# In this order things lie in every table.
SHAPES = ("round", "box", "plant")


@dataclass(frozen=True)
class Light:
    """Light in one frame.

    Parameters
    ----------
    toward : (float, float, float)
        Unit vector to the light source.
    direct : float
        Fraction of the light that comes from there; the rest is ambient.
    """

    toward: tuple[float, float, float]
    direct: float

    def turned(self, yaw: float) -> Light:
        """The same light seen from axes that are turned by `yaw`, counter-clockwise."""
        cos, sin = math.cos(yaw), math.sin(yaw)
        x, y, z = self.toward
        return Light((cos * x + sin * y, cos * y - sin * x, z), self.direct)

    def on(self, nx: np.ndarray, ny: np.ndarray, nz: np.ndarray) -> np.ndarray:
        """Brightness of a matt surface with that normal; 1 for open level ground.

        The light from all around is that of a bright upper half and a dim
        lower half of the world; direct light follows Lambert's cosine law.
        """
        (x, y), (direct, around) = self.level(), self.above(nz)
        return np.maximum(nx * x + ny * y + direct, 0) + around

    def above(self, nz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What :meth:`on` needs to know of the upright part of the normal: its direct light, and the light from around."""
        f = np.float32
        return nz * f(self.toward[2] * self._share), f(1 - self.direct) * (f(0.68) + f(0.32) * nz)

    def level(self) -> tuple[float, float]:
        """Direct light for each unit of the level parts of the normal."""
        return self.toward[0] * self._share, self.toward[1] * self._share

    @property
    def _share(self) -> float:
        # Over z: level ground in full sun counts as 1; capped for a low sun.
        return self.direct / max(self.toward[2], 0.45)


# An upright truncated cone: middle of its foot, radius ``r0 + k z``, height, ``k`` times the radius at the
# lens, ``cx^2 + cy^2`` less the square of that radius, square of the upper radius.
Cone = namedtuple("Cone", "cx cy r0 k height k_eye c r1_square")
# An upright box: its direction, how far its faces lie from the lens along its own axes, first the lesser
# ones; the lens in those axes.
Box = namedtuple("Box", "cos sin x0 y0 z0 x1 y1 z1 ox oy")
# A plant: unit vector to it, distance, 1 / width, 1 / height, and its sprite's rows, columns and start in the sheet.
Billboard = namedtuple("Billboard", "ux uy away per_width per_height rows columns start")
# Rows of the table that say how rays meet a thing, whatever its shape; those with fewer numbers fill up.
GEOMETRY = len(Box._fields)
_NONE = (0.0,) * (GEOMETRY - len(Cone._fields))


def cone_parameters(thing: Thing, cx: float, cy: float, eye: float) -> tuple[float, ...]:
    """The fields of a :class:`Cone`."""
    r0, r1, height = thing.size_m
    k = (r1 - r0) / height
    r_eye = r0 + k * eye
    return cx, cy, r0, k, height, k * r_eye, cx * cx + cy * cy - r_eye * r_eye, r1 * r1, *_NONE


def box_parameters(thing: Thing, cx: float, cy: float, turn: float, eye: float) -> tuple[float | np.float32, ...]:
    """The fields of a :class:`Box`."""
    f, (length, width, height) = np.float32, thing.size_m
    cos, sin = math.cos(turn), math.sin(turn)
    ox, oy, half_x, half_y = f(-(cos * cx + sin * cy)), f(sin * cx - cos * cy), f(length / 2), f(width / 2)
    return cos, sin, -half_x - ox, -half_y - oy, -eye, half_x - ox, half_y - oy, f(height) - f(eye), ox, oy


def billboard_parameters(thing: Thing, cx: float, cy: float, focal: float, sheet: SpriteSheet) -> tuple[float, ...]:
    """The fields of a :class:`Billboard`."""
    width, _, height = thing.size_m
    away = max(math.hypot(cx, cy), 1e-6)
    start, rows, columns = sheet.copy(thing.seed, away / (height * focal))
    return cx / away, cy / away, away, 1 / width, 1 / height, rows, columns, start, *_NONE


def intersect_cone(rays: np.ndarray, numbers: np.ndarray, eye: float) -> tuple[np.ndarray, np.ndarray]:
    """Depth at which rays meet upright truncated cones.

    Parameters
    ----------
    rays : (3, N) ndarray of float32
        Directions.
    numbers : (8 or more, N) ndarray of float32
        Rows of :class:`Cone`.
    eye : float
        Height of the lens, m.

    Returns
    -------
    depth : (N,) ndarray of float32
        Along the camera's axis, m; :data:`FAR` where the ray misses.
    on_top : (N,) ndarray of bool
        Whether it meets the flat top.

    Notes
    -----
    ``(t dx - cx)^2 + (t dy - cy)^2 = (r0 + k (eye + t dz))^2`` is a quadratic in
    t; its smaller root counts where it lies between foot and top.
    """
    n, dz = Cone(*numbers[:8]), rays[2]
    a, b, inside = _cone(rays, n)
    near = (b - np.sqrt(np.maximum(inside, 0))) / a
    z = dz * near + np.float32(eye)
    depth = np.where((inside > 0) & (z >= 0) & (z <= n.height) & (near > 0), near, FAR)
    below = n.height - np.float32(eye)
    if not below.size or below.min() >= 0:
        return depth, np.zeros(len(depth), bool)
    over = below / np.minimum(dz, np.float32(-1e-6))
    x, y = rays[:2] * over - numbers[:2]
    on_top = (x * x + y * y <= n.r1_square) & (dz < 0) & (over > 0) & (over < depth)
    return np.where(on_top, over, depth), on_top


def _cone(rays: np.ndarray, n: Cone) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The quadratic ``a t^2 - 2 b t + c = 0`` of a cone: a, b and ``b^2 - a c``."""
    dx, dy, dz = rays
    slope = dz * n.k
    a = dx * dx + dy * dy - slope * slope
    b = dx * n.cx + dy * n.cy + dz * n.k_eye
    return a, b, b * b - a * n.c


def exit_cone(rays: np.ndarray, n: Cone) -> np.ndarray:
    """Depth at which rays that entered a cone's open top meet its inner wall."""
    a, b, inside = _cone(rays, n)
    return (b + np.sqrt(np.maximum(inside, 0))) / a


class BoxIntersection(NamedTuple):
    """How rays go through their boxes, in the axes of those.

    ``way``, (5, N) of float32, holds direction, depth of entry and depth of
    exit: ``ex, ey, ez, enter, leave``.  ``sides``, (3, N) of bool, says whether
    a ray enters by the top, else by a side along x, and leaves by the bottom:
    ``on_top, on_x, to_bottom``.
    """

    way: np.ndarray
    sides: np.ndarray

    def take(self, which: np.ndarray) -> BoxIntersection:
        """Some of the rays."""
        return BoxIntersection(self.way.take(which, axis=1), self.sides.take(which, axis=1))


def intersect_box(rays: np.ndarray, numbers: np.ndarray) -> tuple[np.ndarray, BoxIntersection]:
    """Depth at which rays meet upright boxes.

    Parameters
    ----------
    rays : (3, N) ndarray of float32
        Directions.
    numbers : (10, N) ndarray of float32
        Rows of :class:`Box`.

    Returns
    -------
    depth : (N,) ndarray of float32
        Along the camera's axis, m; :data:`FAR` where the ray misses.
    intersection : BoxIntersection
        How each ray goes through.

    Notes
    -----
    The slab method: a ray is inside between the largest entry and the smallest
    exit over the three pairs of faces.
    """
    way, sides = np.empty((5, rays.shape[1]), np.float32), np.empty((3, rays.shape[1]), bool)
    ex, ey, ez, enter, leave = way
    along, across = rays[:2] * numbers[0], rays[:2] * numbers[1]
    np.add(along[0], across[1], out=ex)
    np.subtract(along[1], across[0], out=ey)
    ez[...] = rays[2]
    # 1e-9 keeps a ray along a face from dividing by zero.
    way[:3] += np.float32(1e-9)
    inverse = 1 / way[:3]
    first, second = numbers[2:5] * inverse, numbers[5:8] * inverse
    in_x, in_y, in_z = np.minimum(first, second)
    out_x, out_y, out_z = np.maximum(first, second)
    level, out = np.maximum(in_x, in_y), np.minimum(out_x, out_y)
    np.maximum(level, in_z, out=enter)
    np.minimum(out, out_z, out=leave)
    np.greater_equal(in_z, level, out=sides[0])
    np.greater(in_x, in_y, out=sides[1])
    np.less_equal(out_z, out, out=sides[2])
    return np.where((leave > enter) & (enter > 0), enter, FAR), BoxIntersection(way, sides)


def intersect_billboard(
    rays: np.ndarray, numbers: np.ndarray, eye: float, sheet: SpriteSheet
) -> tuple[np.ndarray, np.ndarray]:
    """Depth at which rays meet billboards: flat upright sprites that face the camera.

    Parameters
    ----------
    rays : (3, N) ndarray of float32
        Directions.
    numbers : (8 or more, N) ndarray of float32
        Rows of :class:`Billboard`.
    eye : float
        Height of the lens, m.
    sheet : SpriteSheet
        The plants.

    Returns
    -------
    depth : (N,) ndarray of float32
        Along the camera's axis, m; :data:`FAR` where the ray misses.
    texels : (N,) ndarray of int
        Index into the sheet.
    """
    n, (dx, dy, dz) = Billboard(*numbers[:8]), rays
    t = n.away / np.maximum(dx * n.ux + dy * n.uy, np.float32(1e-6))
    # Place on the sprite: fraction of its height from the foot, fraction of its width.
    up = (dz * t + np.float32(eye)) * n.per_height
    side = (dy * n.ux - dx * n.uy) * t * n.per_width + np.float32(0.5)
    inside = (up >= 0) & (up < 1) & (side >= 0) & (side < 1)
    # Outside, any texel will do.
    rows, columns, start = numbers[5:8].astype(np.int32)
    row = ((1 - np.minimum(np.maximum(up, 0), 1)) * n.rows).astype(np.int32)
    column = (np.minimum(np.maximum(side, 0), 1) * n.columns).astype(np.int32)
    texels = np.minimum(row, rows - 1) * columns + np.minimum(column, columns - 1) + start
    inside &= sheet.cover.take(texels)
    return np.where(inside, t, FAR), texels
