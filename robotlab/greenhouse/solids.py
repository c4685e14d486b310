"""Where rays meet things: all rays and all things of one shape in one go.

Body axes throughout (x forward, y left, z up, origin under the camera), m.  A
ray is ``(0, 0, eye) + t (dx, dy, dz)`` with ``t`` the depth along the camera's
axis.  A :class:`Batch` holds, for each ray that may meet a thing, the ray and
the numbers of that thing; so each formula below runs once over all of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from robotlab.greenhouse.foliage import SpriteSheet
from robotlab.greenhouse.scene import Thing

# Depth of a ray that meets nothing, m.
FAR = np.float32(1e9)


@dataclass(slots=True)
class Placed:
    """A thing as the camera sees it.

    Parameters
    ----------
    thing : Thing
        What it is.
    cx, cy : float
        Middle of its foot, body axes, m.
    turn : float
        Direction of its length, body axes, rad.
    """

    thing: Thing
    cx: float
    cy: float
    turn: float


@dataclass(frozen=True)
class Light:
    """Light in one frame.

    Parameters
    ----------
    toward : (float, float, float)
        Unit vector to the lamp or the sun.
    direct : float
        Share of the light that comes from there; the rest from all around.
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
        return self.beside(nx, ny, *self.above(nz))

    def above(self, nz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What :meth:`on` needs to know of the upright part of the normal: its direct light, and the light from around."""
        f = np.float32
        return nz * f(self.toward[2] * self._share), f(1 - self.direct) * (f(0.68) + f(0.32) * nz)

    def beside(self, nx: np.ndarray, ny: np.ndarray, direct: np.ndarray, around: np.ndarray) -> np.ndarray:
        """As :meth:`on`, with the two parts from :meth:`above`."""
        f = np.float32
        facing = nx * f(self.toward[0] * self._share)
        facing += ny * f(self.toward[1] * self._share)
        facing += direct
        np.maximum(facing, 0, out=facing)
        facing += around
        return facing

    @property
    def _share(self) -> float:
        # Over z: level ground in full sun counts as 1; capped for a low sun.
        return self.direct / max(self.toward[2], 0.45)


class Batch:
    """Rays, and for each the numbers of the thing that it may meet.

    Parameters
    ----------
    pixels : (N,) ndarray of int
        Index of each ray in the flat picture.
    owner : (N,) ndarray of int
        Which of the batch's things it belongs to.
    names : tuple of str
        What the rows of the table from the fourth on are; none where it
        holds several shapes.
    table : (3 + K, N) ndarray of float32
        ``dx``, ``dy``, ``dz`` and the numbers of the thing.
    """

    def __init__(self, pixels: np.ndarray, owner: np.ndarray, names: tuple[str, ...], table: np.ndarray) -> None:
        self.pixels, self.owner, self.names, self.table = pixels, owner, names, table
        self.dx, self.dy, self.dz, *rows = table
        self.numbers = dict(zip(names, rows, strict=True)) if names else {}

    @classmethod
    def build(cls, rays: np.ndarray, pixels: Sequence[np.ndarray], rows: dict[str, Sequence[float]]) -> Batch:
        """From the rays (3, pixels), the pixels of each thing and the numbers of each thing, all of one shape."""
        batch = cls.gather(rays, pixels, np.array(list(rows.values()), np.float32))
        return batch.part(slice(None), 0, rows)

    @classmethod
    def gather(cls, rays: np.ndarray, pixels: Sequence[np.ndarray], numbers: np.ndarray) -> Batch:
        """As :meth:`build`, from numbers (K, things) without names, so that they may mean one or the other."""
        sizes = [part.size for part in pixels]
        at = np.concatenate(pixels)
        owner = np.repeat(np.arange(len(sizes)), sizes)
        table = np.empty((3 + len(numbers), at.size), np.float32)
        rays.take(at, axis=1, out=table[:3], mode="clip")
        numbers.take(owner, axis=1, out=table[3:], mode="clip")
        return cls(at, owner, (), table)

    def pick(self, which: np.ndarray) -> Batch:
        """Some of the rays."""
        return Batch(self.pixels.take(which), self.owner.take(which), self.names, self.table.take(which, axis=1))

    def part(self, rays: slice, first: int, names: Iterable[str]) -> Batch:
        """Neighbouring rays, whose things count from `first` and have numbers of these names."""
        owner = self.owner[rays]
        return Batch(self.pixels[rays], owner - first if first else owner, tuple(names), self.table[:, rays])


def _by_name(names: tuple[str, ...], rows: list[tuple[float, ...]]) -> dict[str, Sequence[float]]:
    return dict(zip(names, zip(*rows, strict=True), strict=True))


def round_numbers(things: Sequence[Placed], eye: float) -> dict[str, Sequence[float]]:
    """What :func:`meet_round` needs to know: the radius is ``r0 + k z``, ``r_eye`` that at the lens."""
    rows = []
    for placed in things:
        r0, r1, height = placed.thing.size_m
        k = (r1 - r0) / height
        r_eye = r0 + k * eye
        c = placed.cx**2 + placed.cy**2 - r_eye**2
        rows.append((placed.cx, placed.cy, r0, k, height, k * r_eye, c, r1 * r1))
    return _by_name(("cx", "cy", "r0", "k", "height", "k_eye", "c", "r1_square"), rows)


def meet_round(batch: Batch, eye: float) -> tuple[np.ndarray, np.ndarray]:
    """Depth at which rays meet upright truncated cones.

    Parameters
    ----------
    batch : Batch
        With :func:`round_numbers`.
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
    f, n = np.float32, batch.numbers
    dx, dy, dz = batch.dx, batch.dy, batch.dz
    a, b, inside = _cone(batch)
    near = b - np.sqrt(np.maximum(inside, 0))
    near /= a
    z = dz * near
    z += f(eye)
    hit = inside > 0
    hit &= z >= 0
    hit &= z <= n["height"]
    hit &= near > 0
    depth = np.where(hit, near, FAR)
    below = n["height"] - f(eye)
    if not below.size or below.min() >= 0:
        return depth, np.zeros(len(depth), bool)
    over = below / np.minimum(dz, f(-1e-6))
    x, y = dx * over, dy * over
    x -= n["cx"]
    y -= n["cy"]
    x *= x
    y *= y
    x += y
    on_top = x <= n["r1_square"]
    on_top &= dz < 0
    on_top &= over > 0
    on_top &= over < depth
    return np.where(on_top, over, depth), on_top


def _cone(batch: Batch) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The quadratic ``a t^2 - 2 b t + c = 0`` of a cone: a, b and ``b^2 - a c``."""
    n, dx, dy, dz = batch.numbers, batch.dx, batch.dy, batch.dz
    slope = dz * n["k"]
    a = dx * dx
    a += dy * dy
    a -= slope * slope
    b = dx * n["cx"]
    b += dy * n["cy"]
    b += dz * n["k_eye"]
    return a, b, b * b - a * n["c"]


def leave_round(batch: Batch) -> np.ndarray:
    """Depth at which rays that entered a cone's open top meet its inner wall."""
    a, b, inside = _cone(batch)
    return (b + np.sqrt(np.maximum(inside, 0))) / a


def box_numbers(things: Sequence[Placed], eye: float) -> dict[str, Sequence[float]]:
    """What :func:`meet_box` needs to know; ``ox, oy`` is the lens in the box's own axes."""
    rows = []
    for placed in things:
        length, width, height = placed.thing.size_m
        cos, sin = math.cos(placed.turn), math.sin(placed.turn)
        ox, oy = -(cos * placed.cx + sin * placed.cy), sin * placed.cx - cos * placed.cy
        rows.append((cos, sin, ox, oy, length / 2, width / 2, height, placed.thing.kind == "crate"))
    return _by_name(("cos", "sin", "ox", "oy", "half_x", "half_y", "height", "slatted"), rows)


class BoxMeeting:
    """How rays go through their boxes, in the axes of those.

    Parameters
    ----------
    way : (5, N) ndarray of float32
        Direction, depth of entry, depth of exit: ``ex, ey, ez, enter, leave``.
    sides : (3, N) ndarray of bool
        Whether it enters by the top, else by a side along x, and leaves by the
        bottom: ``on_top, on_x, to_bottom``.
    """

    def __init__(self, way: np.ndarray, sides: np.ndarray) -> None:
        self.way, self.sides = way, sides
        self.ex, self.ey, self.ez, self.enter, self.leave = way
        self.on_top, self.on_x, self.to_bottom = sides

    def pick(self, which: np.ndarray) -> BoxMeeting:
        """Some of the rays."""
        return BoxMeeting(self.way.take(which, axis=1), self.sides.take(which, axis=1))


def meet_box(batch: Batch, eye: float) -> tuple[np.ndarray, BoxMeeting]:
    """Depth at which rays meet upright boxes.

    Parameters
    ----------
    batch : Batch
        With :func:`box_numbers`.
    eye : float
        Height of the lens, m.

    Returns
    -------
    depth : (N,) ndarray of float32
        Along the camera's axis, m; :data:`FAR` where the ray misses.
    meeting : BoxMeeting
        How each ray goes through.

    Notes
    -----
    The slab method: a ray is inside between the largest entry and the smallest
    exit over the three pairs of faces.
    """
    f, n = np.float32, batch.numbers
    way, sides = np.empty((5, batch.dx.size), f), np.empty((3, batch.dx.size), bool)
    ex, ey, ez, enter, leave = way
    part = batch.dy * n["sin"]
    np.multiply(batch.dx, n["cos"], out=ex)
    ex += part
    np.multiply(batch.dy, n["cos"], out=ey)
    ey -= np.multiply(batch.dx, n["sin"], out=part)
    ez[...] = batch.dz
    # 1e-9 keeps a ray along a face from dividing by zero.
    way[:3] += f(1e-9)
    inverse = 1 / way[:3]
    # Both faces of each pair: at minus and plus half the size, or at the ground and the top.
    first, second = np.empty((3, part.size), f), np.empty((3, part.size), f)
    np.subtract(-n["half_x"], n["ox"], out=first[0])
    np.subtract(n["half_x"], n["ox"], out=second[0])
    np.subtract(-n["half_y"], n["oy"], out=first[1])
    np.subtract(n["half_y"], n["oy"], out=second[1])
    first[2] = f(-eye)
    np.subtract(n["height"], f(eye), out=second[2])
    first *= inverse
    second *= inverse
    in_x, in_y, in_z = np.minimum(first, second)
    out_x, out_y, out_z = np.maximum(first, second)
    level, out = np.maximum(in_x, in_y), np.minimum(out_x, out_y)
    np.maximum(level, in_z, out=enter)
    np.minimum(out, out_z, out=leave)
    np.greater_equal(in_z, level, out=sides[0])
    np.greater(in_x, in_y, out=sides[1])
    np.less_equal(out_z, out, out=sides[2])
    through = leave > enter
    through &= enter > 0
    return np.where(through, enter, FAR), BoxMeeting(way, sides)


def plant_numbers(things: Sequence[Placed], eye: float, focal: float, sheet: SpriteSheet) -> dict[str, Sequence[float]]:
    """What :func:`meet_plant` needs to know; ``start`` is where its sprite begins in the sheet."""
    rows = []
    for placed in things:
        width, _, height = placed.thing.size_m
        away = max(math.hypot(placed.cx, placed.cy), 1e-6)
        start, tall, wide = sheet.copy(placed.thing.seed, away / (height * focal))
        rows.append((placed.cx / away, placed.cy / away, away, 1 / width, 1 / height, tall, wide, start))
    return _by_name(("ux", "uy", "away", "per_width", "per_height", "rows", "columns", "start"), rows)


def meet_plant(batch: Batch, eye: float, sheet: SpriteSheet) -> tuple[np.ndarray, np.ndarray]:
    """Depth at which rays meet plants: flat upright sprites that turn to the camera.

    Parameters
    ----------
    batch : Batch
        With :func:`plant_numbers`.
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
    f, n = np.float32, batch.numbers
    dx, dy = batch.dx, batch.dy
    toward = dx * n["ux"]
    toward += dy * n["uy"]
    np.maximum(toward, f(1e-6), out=toward)
    t = n["away"] / toward
    side = dy * n["ux"]
    side -= dx * n["uy"]
    side *= t
    side *= n["per_width"]
    side += f(0.5)
    up = batch.dz * t
    up += f(eye)
    up *= n["per_height"]
    inside = up >= 0
    inside &= up < 1
    inside &= side >= 0
    inside &= side < 1
    # Outside, any texel will do.
    up, side = np.where(inside, [up, side], f(0))
    rows, columns, start = batch.table[-3:].astype(np.int32)
    texels = np.subtract(f(1), up, out=up)
    texels = (texels * n["rows"]).astype(np.int32)
    np.minimum(texels, rows - 1, out=texels)
    texels *= columns
    texels += np.minimum((side * n["columns"]).astype(np.int32), columns - 1)
    texels += start
    inside &= sheet.cover.take(texels)
    return np.where(inside, t, FAR), texels
