"""Where rays meet things: all rays and all things of one shape in one go.

Body axes throughout (x forward, y left, z up, origin under the camera), m.  A
ray is ``(0, 0, eye) + t (dx, dy, dz)`` with ``t`` the depth along the camera's
axis.  A :class:`Batch` holds, for each ray that may meet a thing, the ray and
the numbers of that thing; so each formula below runs once over all of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
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

    def on(self, nx: np.ndarray, ny: np.ndarray, nz: np.ndarray | float) -> np.ndarray:
        """Brightness of a matt surface with that normal; 1 for open level ground.

        The light from all around is that of a bright upper half and a dim
        lower half of the world; direct light follows Lambert's cosine law.
        """
        f = np.float32
        x, y, z = self.toward
        # Over z: level ground in full sun counts as 1; capped for a low sun.
        share = self.direct / max(z, 0.45)
        facing = nx * f(x * share)
        facing += ny * f(y * share)
        facing += nz * f(z * share)
        np.maximum(facing, 0, out=facing)
        facing += f(1 - self.direct) * (f(0.68) + f(0.32) * nz)
        return facing


class Batch:
    """Rays, and for each the numbers of the thing that it may meet.

    Parameters
    ----------
    pixels : (N,) ndarray of int
        Index of each ray in the flat picture.
    owner : (N,) ndarray of int
        Which of the batch's things it belongs to.
    names : tuple of str
        What the rows of the table are: ``dx``, ``dy``, ``dz``, then what the
        shape needs to know of the thing.
    table : (K, N) ndarray of float32
        The numbers.
    """

    def __init__(self, pixels: np.ndarray, owner: np.ndarray, names: tuple[str, ...], table: np.ndarray) -> None:
        self.pixels, self.owner, self.names, self.table = pixels, owner, names, table
        self.numbers = dict(zip(names, table, strict=True))
        self.dx, self.dy, self.dz = table[:3]

    @classmethod
    def build(cls, rays: np.ndarray, pixels: Sequence[np.ndarray], rows: dict[str, list[float]]) -> Batch:
        """From the rays (3, pixels), the pixels of each thing and the numbers of each thing."""
        sizes = [part.size for part in pixels]
        at = np.concatenate(pixels)
        owner = np.repeat(np.arange(len(sizes)), sizes)
        table = np.empty((3 + len(rows), at.size), np.float32)
        rays.take(at, axis=1, out=table[:3], mode="clip")
        np.array(list(rows.values()), np.float32).take(owner, axis=1, out=table[3:], mode="clip")
        return cls(at, owner, ("dx", "dy", "dz", *rows), table)

    def pick(self, which: np.ndarray) -> Batch:
        """Some of the rays."""
        return Batch(self.pixels.take(which), self.owner.take(which), self.names, self.table.take(which, axis=1))


def round_numbers(things: Sequence[Placed], eye: float) -> dict[str, list[float]]:
    """What :func:`meet_round` needs to know: the radius is ``r0 + k z``, ``r_eye`` that at the lens."""
    rows: dict[str, list[float]] = {name: [] for name in ("cx", "cy", "r0", "k", "height", "k_eye", "c", "r1_square")}
    for placed in things:
        r0, r1, height = placed.thing.size_m
        k = (r1 - r0) / height
        r_eye = r0 + k * eye
        c = placed.cx**2 + placed.cy**2 - r_eye**2
        for row, value in zip(rows.values(), (placed.cx, placed.cy, r0, k, height, k * r_eye, c, r1 * r1), strict=True):
            row.append(value)
    return rows


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
    hit = (inside > 0) & (z >= 0) & (z <= n["height"]) & (near > 0)
    depth = np.where(hit, near, FAR)
    below = n["height"] - f(eye)
    if not (below < 0).any():
        return depth, np.zeros(len(depth), bool)
    over = below / np.minimum(dz, f(-1e-6))
    x, y = dx * over - n["cx"], dy * over - n["cy"]
    on_top = (x * x + y * y <= n["r1_square"]) & (dz < 0) & (over > 0) & (over < depth)
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


def box_numbers(things: Sequence[Placed], eye: float) -> dict[str, list[float]]:
    """What :func:`meet_box` needs to know; ``ox, oy`` is the lens in the box's own axes."""
    names = ("cos", "sin", "ox", "oy", "half_x", "half_y", "height", "slatted")
    rows: dict[str, list[float]] = {name: [] for name in names}
    for placed in things:
        length, width, height = placed.thing.size_m
        cos, sin = math.cos(placed.turn), math.sin(placed.turn)
        ox, oy = -(cos * placed.cx + sin * placed.cy), sin * placed.cx - cos * placed.cy
        values = (cos, sin, ox, oy, length / 2, width / 2, height, placed.thing.kind == "crate")
        for row, value in zip(rows.values(), values, strict=True):
            row.append(value)
    return rows


@dataclass(frozen=True, eq=False)
class BoxMeeting:
    """Rays in the axes of their boxes: directions, and depth of entry and exit on each axis."""

    ex: np.ndarray
    ey: np.ndarray
    ez: np.ndarray
    enter: np.ndarray
    leave: np.ndarray
    on_top: np.ndarray
    on_x: np.ndarray
    to_bottom: np.ndarray

    def pick(self, which: np.ndarray) -> BoxMeeting:
        """Some of the rays."""
        parts = (self.ex, self.ey, self.ez, self.enter, self.leave, self.on_top, self.on_x, self.to_bottom)
        return BoxMeeting(*(part.take(which) for part in parts))


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
    # 1e-9 keeps a ray along a face from dividing by zero.
    ex = batch.dx * n["cos"] + batch.dy * n["sin"] + f(1e-9)
    ey = batch.dy * n["cos"] - batch.dx * n["sin"] + f(1e-9)
    ez = batch.dz + f(1e-9)
    sides = []
    for direction, low, high in (
        (ex, -n["half_x"] - n["ox"], n["half_x"] - n["ox"]),
        (ey, -n["half_y"] - n["oy"], n["half_y"] - n["oy"]),
        (ez, f(-eye), n["height"] - f(eye)),
    ):
        inverse = 1 / direction
        first, second = low * inverse, high * inverse
        sides += [np.minimum(first, second), np.maximum(first, second)]
    in_x, out_x, in_y, out_y, in_z, out_z = sides
    level = np.maximum(in_x, in_y)
    enter = np.maximum(level, in_z)
    out = np.minimum(out_x, out_y)
    leave = np.minimum(out, out_z)
    depth = np.where((leave > enter) & (enter > 0), enter, FAR)
    return depth, BoxMeeting(ex, ey, ez, enter, leave, in_z >= level, in_x > in_y, out_z <= out)


def plant_numbers(things: Sequence[Placed], eye: float, focal: float, sheet: SpriteSheet) -> dict[str, list[float]]:
    """What :func:`meet_plant` needs to know; ``start`` is where its sprite begins in the sheet."""
    names = ("ux", "uy", "away", "per_width", "per_height", "rows", "columns", "start")
    rows: dict[str, list[float]] = {name: [] for name in names}
    for placed in things:
        width, _, height = placed.thing.size_m
        away = max(math.hypot(placed.cx, placed.cy), 1e-6)
        start, tall, wide = sheet.copy(placed.thing.seed, away / (height * focal))
        values = (placed.cx / away, placed.cy / away, away, 1 / width, 1 / height, tall, wide, start)
        for row, value in zip(rows.values(), values, strict=True):
            row.append(value)
    return rows


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
    toward = np.maximum(dx * n["ux"] + dy * n["uy"], f(1e-6))
    t = n["away"] / toward
    across = (dy * n["ux"] - dx * n["uy"]) * t
    up = (batch.dz * t + f(eye)) * n["per_height"]
    side = across * n["per_width"] + f(0.5)
    inside = (up >= 0) & (up < 1) & (side >= 0) & (side < 1)
    row = ((1 - np.clip(up, 0, 1)) * n["rows"]).astype(np.int32)
    column = (np.clip(side, 0, 1) * n["columns"]).astype(np.int32)
    texels = np.minimum(row, n["rows"].astype(np.int32) - 1) * n["columns"].astype(np.int32)
    texels += np.minimum(column, n["columns"].astype(np.int32) - 1)
    texels += n["start"].astype(np.int32)
    return np.where(inside & sheet.cover.take(texels), t, FAR), texels
