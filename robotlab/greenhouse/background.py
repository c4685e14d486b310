"""What does not stand on the floor: the rays of a camera, the floor itself and the walls."""

from __future__ import annotations

import functools
import math

import numpy as np

from robotlab.camera import Camera
from robotlab.greenhouse import foliage, textures
from robotlab.greenhouse.scene import Scene, Thing
from robotlab.greenhouse.shadows import ORIGIN_M, SHADOW_SHIFT, ShadowMap, darken
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
        self.falloff = _falloff(camera)
        self._look_at_ground(away)

    def _look_at_ground(self, away: np.ndarray) -> None:
        """Where the rays below the horizon meet the ground, in texels of the floor's finest copy."""
        f, low = np.float32, slice(self.horizon, None)
        t, per_meter = self.t_ground[low], f(textures.FLOOR_PER_METER)
        # Half a cell of the shadow map to and fro: turns its steps, and those of the
        # texture close to the camera, into fine grain.
        jitter = np.random.default_rng(0).random((2, *t.shape), dtype=f) - f(0.5)
        # Beyond 60 m is behind a wall: any texel will do.
        self.gx = np.clip(self.dx[low] * t, -60, 60) * per_meter + jitter[0] * f(1 << SHADOW_SHIFT)
        self.gy = np.clip(self.dy[low] * t, -60, 60) * per_meter + jitter[1] * f(1 << SHADOW_SHIFT)
        # Which copy of the floor texture: by a size between the width and the
        # (longer) depth of the piece of ground that a ray sees.
        slant = np.clip(away[low] / max(self.camera.height_m, 1e-3), 1, 16)
        foot = t / f(self.focal) * np.sqrt(slant) * per_meter
        level = np.clip(np.floor(np.log2(np.maximum(foot, 1e-6))), 0, textures.FLOOR_LEVELS - 1).astype(np.int32)
        sizes = [(textures.FLOOR_ROWS >> i, textures.FLOOR_COLUMNS >> i) for i in range(textures.FLOOR_LEVELS)]
        starts = np.cumsum([0] + [rows * columns for rows, columns in sizes[:-1]])
        starts, rows, columns = (np.array(numbers, np.int32)[level] for numbers in (starts, *zip(*sizes, strict=True)))
        self.level, self.start = level, starts.ravel()
        self.row_mask = (rows - 1) * columns
        # Row (v >> level) & (rows - 1) begins at that times the columns: the same bits as v * row_step & row_mask.
        self.row_step = columns >> level


def _falloff(camera: Camera) -> np.ndarray:
    """Share of the light at each pixel, (H, W).

    Real lenses darken the corners, most less than the cos^4 of a bare pinhole:
    cos^2 here, chosen by eye.
    """
    right = ((np.arange(camera.width_px) + 0.5 - camera.width_px / 2) / camera.focal_px)[None, :]
    down = ((np.arange(camera.height_px) + 0.5 - camera.height_px / 2) / camera.focal_px)[:, None]
    return ((1 + right**2 + down**2) ** -1).astype(np.float32)


@functools.lru_cache(maxsize=8)
def view_of(camera: Camera, samples: int) -> View:
    return View(camera, samples)


class Decor:
    """All that a seed and a lamp decide: floor, walls, plants, sun, scuffs."""

    def __init__(self, seed: int, floor: tuple[str, str], path_half_m: float, plants_m: float, outside: float) -> None:
        rng = np.random.default_rng([seed, 1])
        ground = textures.floor(rng, *floor, path_half_m)
        self.wall = foliage.wall(np.random.default_rng([seed, 2]), plants_m, outside)
        # Floor and walls end to end: one look-up serves every pixel.
        self.texels = np.concatenate([ground.texels, self.wall.texels])
        self.wall_start = ground.texels.size
        self.plants = foliage.SpriteSheet.build([foliage.bush(np.random.default_rng([seed, 3, i])) for i in range(6)])
        rng = np.random.default_rng([seed, 4])
        self.bank = textures.grain(rng, (128, 128), 1.5, 5).astype(np.float32)
        self.azimuth = float(rng.uniform(-math.pi, math.pi))


@functools.lru_cache(maxsize=6)
def decor_of(seed: int, floor: tuple[str, str], path_half_m: float, plants_m: float, outside: float) -> Decor:
    return Decor(seed, floor, path_half_m, plants_m, outside)


@functools.lru_cache(maxsize=4)
def _shadow_map(things: tuple[Thing, ...], room_m: tuple[float, float, float, float], sun: Light) -> ShadowMap:
    return ShadowMap(things, room_m, sun)


def background(view: View, decor: Decor, scene: Scene, sun: Light, x: float, y: float, yaw: float) -> np.ndarray:
    """Floor and walls: (3, rows * columns) linear light."""
    x0, y0, x1, y1 = scene.room_m
    nearest = min(x - x0, x1 - x, y - y0, y1 - y)
    # Rows from `walls` on see the floor only; rows before the horizon only walls.
    walls = max(view.horizon, int(np.count_nonzero(view.row_reach >= nearest)))
    # For each pixel where its texel is, and the root of the light there over 255.
    at = np.empty(view.rows * view.columns, np.intp)
    root = np.empty(at.size, np.float32)
    if view.horizon < view.rows:
        _look_at_floor(view, scene, sun, at, root, x, y, yaw)
    if walls:
        _look_at_walls(view, decor, scene, at, root, walls, x, y, yaw)
    texels = decor.texels.take(at, mode="clip")
    light = np.empty((3, at.size), np.float32)
    part = np.empty_like(texels)
    for plane, shift in zip(light, textures.SHIFTS, strict=True):
        np.right_shift(texels, shift, out=part)
        part &= textures.BYTE
        np.copyto(plane, part, casting="unsafe")
        plane *= root
        plane *= plane
    return light


def _look_at_floor(view: View, scene: Scene, sun: Light, at: np.ndarray, root: np.ndarray, x: float, y: float, yaw: float) -> None:
    f, per_meter = np.float32, textures.FLOOR_PER_METER
    cos, sin = f(math.cos(yaw)), f(math.sin(yaw))
    # World x and y in texels, from a corner far outside the room; a whole number of repeats away.
    u = view.gx * cos
    part = view.gy * sin
    u -= part
    u += f((x + ORIGIN_M[0]) * per_meter)
    v = view.gx * sin
    v += np.multiply(view.gy, cos, out=part)
    v += f((y + ORIGIN_M[1]) * per_meter)
    u, v = u.astype(np.int32), v.astype(np.int32)
    first = view.horizon * view.columns
    still = tuple([thing for thing in scene.things if thing.kind != "post"])
    _shadow_map(still, scene.room_m, sun).look_up(u, v, root[first:])
    u &= np.int32(textures.FLOOR_COLUMNS - 1)
    u >>= view.level
    v *= view.row_step
    v &= view.row_mask
    v += u
    np.add(v.reshape(-1), view.start, out=at[first:])


def _look_at_walls(view: View, decor: Decor, scene: Scene, at: np.ndarray, root: np.ndarray, rows: int, x: float, y: float, yaw: float) -> None:
    f = np.float32
    x0, y0, x1, y1 = scene.room_m
    cos, sin = f(math.cos(yaw)), f(math.sin(yaw))
    dx, dy, part = view.dx[:rows] * cos, view.dx[:rows] * sin, view.dy[:rows] * sin
    dx -= part
    dy += np.multiply(view.dy[:rows], cos, out=part)
    # One of the two walls of a pair lies ahead; 1e-9 stands for a ray along the wall.
    tx, ty = dx + f(1e-9), dy + f(1e-9)
    for t, ahead, behind in ((tx, x1 - x, x0 - x), (ty, y1 - y, y0 - y)):
        np.divide(f(1), t, out=t)
        np.multiply(t, f(behind), out=part)
        t *= f(ahead)
        np.maximum(t, part, out=t)
    t = np.minimum(tx, ty)
    side = tx < ty
    dx *= t
    dx += f(x + 64)
    dy *= t
    dy += f(y + 66.5)
    wall = decor.wall
    # One copy of the texture for the whole picture, fit for a middling distance.
    some = t[::16, ::16]
    size = float(np.add.reduce(some, axis=None)) / some.size * wall.per_meter / view.focal
    level = min(max(math.floor(math.log2(size) + 0.5), 0), len(wall.rows) - 1)
    per_meter = f(wall.per_meter / 2**level)
    z = np.multiply(view.dz[:rows], t, out=part)
    z += f(view.camera.height_m)
    z *= per_meter
    # Below 0 the floor is nearer.
    v = z.astype(np.int32)
    np.minimum(v, np.int32(wall.rows[level] - 1), out=v)
    v *= np.int32(wall.columns[level])
    v += np.int32(decor.wall_start + wall.starts[level])
    # The side walls and the end walls show different stretches of the one texture.
    np.copyto(dx, dy, where=side)
    dx *= per_meter
    u = dx.astype(np.int32)
    u &= np.int32(wall.columns[level] - 1)
    v += u
    # Above the horizon all is wall; from there on the nearer of wall and floor.
    v, only, both = v.reshape(-1), view.horizon * view.columns, slice(view.horizon * view.columns, rows * view.columns)
    at[:only] = v[:only]
    root[:only] = f(1 / 255)
    nearer = t.reshape(-1)[both] < view.t_ground.reshape(-1)[both]
    np.copyto(at[both], v[both], where=nearer)
    np.copyto(root[both], f(1 / 255), where=nearer)


def post_shadow(view: View, light: np.ndarray, sun: Light, thing: Thing, x: float, y: float, yaw: float) -> None:
    """The shadow of a post, which moves and so is not in the shadow map, in `light` (3, rows * columns)."""
    cos, sin = math.cos(yaw), math.sin(yaw)
    cx, cy = cos * (thing.x_m - x) + sin * (thing.y_m - y), cos * (thing.y_m - y) - sin * (thing.x_m - x)
    lamp = sun.turned(yaw)
    # The shadow starts at the foot and points away from the lamp.
    long = thing.height_m / max(lamp.toward[2], 0.35) * (lamp.direct > 0)
    tip_x, tip_y = cx - long * lamp.toward[0], cy - long * lamp.toward[1]
    # Beyond 25 cm from either end nothing is left of it.
    pitch_cos, pitch_sin, eye = math.cos(view.camera.pitch_rad), math.sin(view.camera.pitch_rad), view.camera.height_m
    columns, rows, depths = [], [], []
    for px, py in ((cx - 0.25, cy), (cx + 0.25, cy), (tip_x - 0.25, tip_y), (tip_x + 0.25, tip_y)):
        depth = pitch_cos * px + pitch_sin * eye
        depths.append(depth)
        scale = view.focal / max(depth, 0.05)
        rows.append(view.rows / 2 + scale * (pitch_cos * eye - pitch_sin * px))
        columns += [view.columns / 2 - scale * (py - 0.25), view.columns / 2 - scale * (py + 0.25)]
    if max(depths) <= 0.05:
        return
    c0, r0, c1, r1 = 0, 0, view.columns, view.rows
    if min(depths) > 0.05:
        c0, r0 = max(0, int(min(columns))), max(0, int(min(rows)))
        c1, r1 = min(view.columns, int(max(columns)) + 2), min(view.rows, int(max(rows)) + 2)
    r0 = max(r0, view.horizon)
    if c0 >= c1 or r0 >= r1:
        return
    window = (slice(r0, r1), slice(c0, c1))
    t = view.t_ground[window]
    shade = darken(thing, cx, cy, 0.0, view.dx[window] * t, view.dy[window] * t, lamp)
    light.reshape(3, view.rows, view.columns)[(slice(None), *window)] *= shade
