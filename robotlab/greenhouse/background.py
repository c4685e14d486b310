"""What does not stand on the floor: the rays of a camera, the floor itself and the walls."""

from __future__ import annotations

import functools
import math

import numpy as np

from robotlab.camera import Camera
from robotlab.greenhouse import foliage, textures
from robotlab.greenhouse.scene import Scene, Thing
from robotlab.greenhouse.shadows import ShadowMap, darken
from robotlab.greenhouse.solids import FAR, Light


class View:
    """All that depends on the camera alone: the rays and where they meet the ground."""

    def __init__(self, camera: Camera, samples: int) -> None:
        self.camera, self.samples = camera, samples
        self.rows, self.columns = camera.height_px * samples, camera.width_px * samples
        focal = camera.focal_px * samples
        self.focal = focal
        right = ((np.arange(self.columns) + 0.5 - self.columns / 2) / focal)[None, :]
        down = ((np.arange(self.rows) + 0.5 - self.rows / 2) / focal)[:, None]
        cos, sin = math.cos(camera.pitch_rad), math.sin(camera.pitch_rad)
        shape = (self.rows, self.columns)
        f = np.float32
        directions = np.broadcast_arrays(cos - down * sin, -right, -sin - down * cos)
        self.rays = np.stack(directions).astype(f).reshape(3, -1)
        self.dx, self.dy, self.dz = self.rays.reshape(3, *shape)
        self.pixels = np.arange(self.rows * self.columns).reshape(shape)
        # Rows above the horizon look at no ground.
        self.horizon = int(np.count_nonzero(self.dz[:, 0] >= -1e-4))
        with np.errstate(divide="ignore", over="ignore"):
            t = np.where(self.dz < 0, f(camera.height_m) / np.maximum(-self.dz, f(1e-7)), FAR)
        self.t_ground = np.minimum(t, f(1e6))
        away = self.t_ground * np.sqrt(self.dx**2 + self.dy**2)
        self.row_reach = away.max(axis=1)
        # Real lenses darken the corners, most less than the cos^4 of a bare
        # pinhole: cos^2 here, chosen by eye.
        self.falloff = ((1 + right**2 + down**2) ** -1).reshape(-1).astype(f)
        # Copy of the floor texture for each pixel: by a size between the width and
        # the (longer) depth of the piece of ground that it sees.
        slant = np.clip(away / max(camera.height_m, 1e-3), 1, 16)
        foot = self.t_ground / f(focal) * np.sqrt(slant) * textures.FLOOR_PER_METER
        self.level = np.clip(np.floor(np.log2(np.maximum(foot, 1e-6))), 0, textures.FLOOR_LEVELS - 1).astype(np.int32)
        self.texels = (textures.FLOOR_PER_METER / 2.0**self.level).astype(f)
        sizes = [(textures.FLOOR_ROWS >> i, textures.FLOOR_COLUMNS >> i) for i in range(textures.FLOOR_LEVELS)]
        starts = np.cumsum([0] + [rows * columns for rows, columns in sizes[:-1]])
        self.start = starts.astype(np.int32)[self.level]
        self.row_mask = np.array([rows - 1 for rows, _ in sizes], np.int32)[self.level]
        self.column_mask = self.row_mask >> 1
        self.column_shift = np.array([columns.bit_length() - 1 for _, columns in sizes], np.int32)[self.level]
        jitter = np.random.default_rng(0).random((2, *shape), dtype=f)
        self.jitter = jitter - f(0.5)


@functools.lru_cache(maxsize=8)
def view_of(camera: Camera, samples: int) -> View:
    return View(camera, samples)


class Decor:
    """All that a seed and a lamp decide: floor, walls, plants, sun, scuffs."""

    def __init__(self, seed: int, floor: tuple[str, str], path_half_m: float, plants_m: float, outside: float) -> None:
        rng = np.random.default_rng([seed, 1])
        self.floor = textures.floor(rng, *floor, path_half_m)
        self.wall = foliage.wall(np.random.default_rng([seed, 2]), plants_m, outside)
        self.plants = foliage.SpriteSheet.build([foliage.bush(np.random.default_rng([seed, 3, i])) for i in range(6)])
        rng = np.random.default_rng([seed, 4])
        self.bank = textures.grain(rng, (128, 128), 1.5, 5).astype(np.float32)
        self.azimuth = float(rng.uniform(-math.pi, math.pi))


@functools.lru_cache(maxsize=6)
def decor_of(seed: int, floor: tuple[str, str], path_half_m: float, plants_m: float, outside: float) -> Decor:
    return Decor(seed, floor, path_half_m, plants_m, outside)


@functools.lru_cache(maxsize=12)
def _shadow_map(things: tuple[Thing, ...], room_m: tuple[float, float, float, float], sun: Light) -> ShadowMap:
    return ShadowMap(things, room_m, sun)


def background(view: View, decor: Decor, scene: Scene, sun: Light, x: float, y: float, yaw: float) -> np.ndarray:
    """Floor and walls: (3, rows * columns) linear light."""
    x0, y0, x1, y1 = scene.room_m
    nearest = min(x - x0, x1 - x, y - y0, y1 - y)
    # Rows from `walls` on see the floor only; rows before the horizon only walls.
    walls = int(np.count_nonzero(view.row_reach >= nearest))
    light = np.empty((3, view.rows * view.columns), np.float32)
    if view.horizon < view.rows:
        _paint_floor(view, decor, scene, sun, light, x, y, yaw)
    if walls:
        _paint_walls(view, decor, scene, light, walls, x, y, yaw)
    return light


def _paint_floor(view: View, decor: Decor, scene: Scene, sun: Light, light: np.ndarray, x: float, y: float, yaw: float) -> None:
    f = np.float32
    low = slice(view.horizon, None)
    cos, sin, t = f(math.cos(yaw)), f(math.sin(yaw)), view.t_ground[low]
    gx, gy = view.dx[low] * t, view.dy[low] * t
    wx = gx * cos
    wx -= gy * sin
    wx += f(x)
    wy = gx * sin
    wy += gy * cos
    wy += f(y)
    # Ground far outside the room is behind a wall: any texel will do.
    np.clip(wx, -60, 60, out=wx)
    np.clip(wy, -60, 60, out=wy)
    # 64 m is a whole number of repeats, and keeps indices positive; y = 0 is the middle row.
    texels = view.texels[low]
    u = ((wx + f(64)) * texels).astype(np.int32)
    v = ((wy + f(68)) * texels).astype(np.int32)
    u &= view.column_mask[low]
    v &= view.row_mask[low]
    np.left_shift(v, view.column_shift[low], out=v)
    u += v
    u += view.start[low]
    index = u.ravel().astype(np.intp)
    still = tuple(thing for thing in scene.things if thing.kind != "post")
    shade = _shadow_map(still, scene.room_m, sun).look_up(wx, wy, view.jitter[:, low]).ravel()
    shade *= f(1 / 255**2)
    for plane, source in zip(light[:, view.horizon * view.columns :], decor.floor.planes, strict=True):
        value = source.take(index, mode="clip").astype(f)
        np.multiply(value, value, out=plane)
        plane *= shade


def _paint_walls(view: View, decor: Decor, scene: Scene, light: np.ndarray, rows: int, x: float, y: float, yaw: float) -> None:
    f = np.float32
    x0, y0, x1, y1 = scene.room_m
    cos, sin = f(math.cos(yaw)), f(math.sin(yaw))
    dx = view.dx[:rows] * cos - view.dy[:rows] * sin
    dy = view.dx[:rows] * sin + view.dy[:rows] * cos
    # One of the two walls of a pair lies ahead; 1e-9 stands for a ray along the wall.
    tx = np.maximum(f(x1 - x) * (inverse := 1 / (dx + f(1e-9))), f(x0 - x) * inverse)
    ty = np.maximum(f(y1 - y) * (inverse := 1 / (dy + f(1e-9))), f(y0 - y) * inverse)
    t = np.minimum(tx, ty)
    side = tx < ty
    along = np.where(side, t * dy + f(y), t * dx + f(x))
    z = view.dz[:rows] * t
    z += f(view.camera.height_m)
    wall = decor.wall
    size = t * f(wall.per_meter / view.focal)
    level = (size > 1.4).astype(np.int32)
    level += size > 2.8
    level += size > 5.6
    along += f(64)
    along *= f(wall.per_meter)
    u = along.astype(np.int32)
    # The side walls and the end walls show different stretches of the one texture.
    u += side * np.int32(301)
    u >>= level
    z *= f(wall.per_meter)
    v = np.clip(z, 0, wall.rows[0] - 1, out=z).astype(np.int32)
    v >>= level
    columns = np.array(wall.columns, np.int32).take(level)
    u &= columns - 1
    v *= columns
    v += u
    v += np.array(wall.starts, np.int32).take(level)
    index = v.ravel().astype(np.intp)
    ahead = (t < view.t_ground[:rows]).ravel()
    for plane, source in zip(light, wall.planes, strict=True):
        value = source.take(index, mode="clip").astype(f)
        value *= value
        value *= f(1 / 255**2)
        np.copyto(plane[: value.size], value, where=ahead)


def post_shadow(view: View, light: np.ndarray, sun: Light, thing: Thing, x: float, y: float, yaw: float) -> None:
    """The shadow of a post, which moves and so is not in the shadow map, in `light` (3, rows * columns)."""
    cos, sin = math.cos(yaw), math.sin(yaw)
    cx, cy = cos * (thing.x_m - x) + sin * (thing.y_m - y), cos * (thing.y_m - y) - sin * (thing.x_m - x)
    lamp = sun.turned(yaw)
    # The shadow starts at the foot and points away from the lamp.
    long = thing.height_m / max(lamp.toward[2], 0.35) * (lamp.direct > 0)
    tip_x, tip_y = cx - long * lamp.toward[0], cy - long * lamp.toward[1]
    reach = 0.25
    corners = np.array([[px + i * reach, py + j * reach, 0.0] for px, py in ((cx, cy), (tip_x, tip_y)) for i in (-1, 1) for j in (-1, 1)])
    pixels, depth = view.camera.project(corners)
    if (depth > 0.05).all():
        low, high = pixels.min(axis=0) * view.samples, pixels.max(axis=0) * view.samples
    elif (depth > 0.05).any():
        low, high = np.zeros(2), np.array([view.columns, view.rows], float)
    else:
        return
    c0, r0 = (max(0, int(v)) for v in low)
    c1, r1 = min(view.columns, int(high[0]) + 2), min(view.rows, int(high[1]) + 2)
    r0 = max(r0, view.horizon)
    if c0 >= c1 or r0 >= r1:
        return
    window = (slice(r0, r1), slice(c0, c1))
    t = view.t_ground[window]
    shade = darken(thing, cx, cy, 0.0, view.dx[window] * t, view.dy[window] * t, lamp)
    light.reshape(3, view.rows, view.columns)[(slice(None), *window)] *= shade
