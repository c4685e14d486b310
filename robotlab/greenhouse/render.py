"""The renderer: one picture of a scene, and the truth about what is in it.

Every pixel is a ray.  Rays are made once for a camera; the floor and the walls
are looked up in textures; things are met by exact formulas (see
:mod:`robotlab.greenhouse.solids`), each only inside its own box of the picture,
nearest first, so that a pixel is painted once and what it hides is known.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.errors import InputError
from robotlab.greenhouse import textures
from robotlab.greenhouse.lamps import lamp_named
from robotlab.greenhouse.outline import outline_of
from robotlab.greenhouse.scene import CLASSES, Scene, Thing
from robotlab.greenhouse.sensor import blur_planes, expose
from robotlab.greenhouse.shadows import ShadowMap, darken
from robotlab.greenhouse.solids import Light, box_thing, plant_thing, round_thing

_FAR = np.float32(1e9)


@dataclass(frozen=True, eq=False)
class Truths:
    """What is really in a picture.

    Parameters
    ----------
    boxes : (N, 4) ndarray
        Corners of the part that shows, px.
    labels : (N,) ndarray of int
        Index into `classes`.
    visibility : (N,) ndarray
        Share of the thing that shows: neither hidden by a nearer thing nor
        outside the picture, 0 to 1.
    distance_m : (N,) ndarray
        Along the ground from under the lens to the middle of the foot, m.
    whole_boxes : (N, 4) ndarray
        Corners of the whole thing, as if nothing hid it and the picture had no
        edge, px.
    things : (N,) ndarray of int
        Index into the scene's things.
    classes : tuple of str
        :data:`robotlab.greenhouse.CLASSES`.
    """

    boxes: np.ndarray
    labels: np.ndarray
    visibility: np.ndarray
    distance_m: np.ndarray
    whole_boxes: np.ndarray
    things: np.ndarray
    classes: tuple[str, ...] = CLASSES

    def __len__(self) -> int:
        return len(self.boxes)


@dataclass(frozen=True, eq=False)
class Frame:
    """One rendered picture with its truth.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        sRGB.
    truths : Truths
        What is in it.
    """

    picture: np.ndarray
    truths: Truths


class _View:
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
        self.dx = np.broadcast_to(cos - down * sin, shape).astype(f)
        self.dy = np.broadcast_to(-right, shape).astype(f)
        self.dz = np.broadcast_to(-sin - down * cos, shape).astype(f)
        # Rows above the horizon look at no ground.
        self.horizon = int(np.count_nonzero(self.dz[:, 0] >= -1e-4))
        with np.errstate(divide="ignore", over="ignore"):
            t = np.where(self.dz < 0, f(camera.height_m) / np.maximum(-self.dz, f(1e-7)), _FAR)
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
def _view(camera: Camera, samples: int) -> _View:
    return _View(camera, samples)


class _Decor:
    """All that a seed and a lamp decide: floor, walls, plants, sun, scuffs."""

    def __init__(self, seed: int, floor: tuple[str, str], path_half_m: float, plants_m: float, outside: float) -> None:
        rng = np.random.default_rng([seed, 1])
        self.floor = textures.floor(rng, *floor, path_half_m)
        self.wall = textures.wall(np.random.default_rng([seed, 2]), plants_m, outside)
        self.bushes = [textures.Sprite.build(*textures.bush(np.random.default_rng([seed, 3, i]))) for i in range(6)]
        rng = np.random.default_rng([seed, 4])
        self.bank = textures.grain(rng, (128, 128), 1.5, 5).astype(np.float32)
        self.azimuth = float(rng.uniform(-math.pi, math.pi))


@functools.lru_cache(maxsize=6)
def _decor(seed: int, floor: tuple[str, str], path_half_m: float, plants_m: float, outside: float) -> _Decor:
    return _Decor(seed, floor, path_half_m, plants_m, outside)


@functools.lru_cache(maxsize=12)
def _shadow_map(things: tuple[Thing, ...], room_m: tuple[float, float, float, float], sun: Light) -> ShadowMap:
    return ShadowMap(things, room_m, sun)


def render(
    scene: Scene,
    camera: Camera,
    pose: tuple[float, float, float] = (0.0, 0.0, 0.0),
    *,
    exposure: float = 1.0,
    noise: float = 1.0,
    blur: float = 0.5,
    seed: int = 0,
    samples: int = 1,
) -> Frame:
    """Render one picture.

    Parameters
    ----------
    scene : Scene
        What there is.
    camera : Camera
        What looks; its height must be more than 0.
    pose : (float, float, float)
        Where the camera stands, world frame: x and y, m, and yaw,
        counter-clockwise from world x, rad.
    exposure : float
        Factor on the light; 1 suits daylight.
    noise : float
        Factor on the sensor noise; 1 is a small sensor, 0 none.
    blur : float
        Standard deviation of the lens blur, px.
    seed : int
        Seed of the noise; same seed, same picture.
    samples : int
        Rays along each side of a pixel: 1 is quick, 2 has smoother edges and
        takes about four times as long.

    Returns
    -------
    Frame
        The picture and its truth.

    Raises
    ------
    InputError
        If the camera is on the ground or outside the room, or a number is out
        of range.

    Notes
    -----
    The first picture of a scene also makes its textures, which takes about a
    second; they are kept for the last few scenes.

    Examples
    --------
    >>> from robotlab.greenhouse import random_scene
    >>> camera = Camera(160, 120, math.radians(62), height_m=0.25, pitch_rad=0.1)
    >>> frame = render(random_scene(1, post=(2.0, 0.0)), camera)
    >>> frame.picture.shape, frame.truths.classes[frame.truths.labels[0]]
    ((120, 160, 3), 'post')
    """
    x, y, yaw = _check(scene, camera, pose, exposure, noise, blur, samples)
    view = _view(camera, samples)
    lamp = lamp_named(scene.lamp)
    decor = _decor(scene.seed, scene.floor, scene.path_half_m, scene.plants_m, lamp.outside)
    sun = Light((math.cos(decor.azimuth) * math.cos(lamp.elevation_rad), math.sin(decor.azimuth) * math.cos(lamp.elevation_rad),
                 math.sin(lamp.elevation_rad)), lamp.direct)
    light = _background(view, decor, scene, sun, x, y, yaw)
    truths = _draw_things(view, decor, scene, sun, light, x, y, yaw)

    light = light.reshape(3, view.rows, view.columns)
    if samples > 1:
        light = sum(light[:, i::samples, j::samples] for i in range(samples) for j in range(samples)) / np.float32(samples**2)
    lit = np.empty_like(light)
    for row, plane in zip(lamp.matrix().astype(np.float32), lit, strict=True):
        np.multiply(light[0], row[0], out=plane)
        plane += light[1] * row[1]
        plane += light[2] * row[2]
    return Frame(expose(blur_planes(lit, blur), exposure, noise, seed), truths)


def _check(scene, camera, pose, exposure, noise, blur, samples) -> tuple[float, float, float]:
    if not isinstance(scene, Scene) or not isinstance(camera, Camera):
        raise InputError(f"render takes a Scene and a Camera, got {type(scene).__name__} and {type(camera).__name__}; make them first")
    x, y, yaw = (float(value) for value in pose)
    if not (math.isfinite(x) and math.isfinite(y) and math.isfinite(yaw)):
        raise InputError(f"pose must be finite x_m, y_m, yaw_rad, got {pose}; check the motion")
    x0, y0, x1, y1 = scene.room_m
    if not (x0 < x < x1 and y0 < y < y1):
        raise InputError(f"the camera must be inside the room {scene.room_m}, got x {x:.3f} m, y {y:.3f} m; move it or enlarge room_m")
    if not camera.height_m > 0:
        raise InputError("a camera must be above the ground to see it, got height_m 0; give Camera(..., height_m=0.25)")
    if not (exposure > 0 and noise >= 0 and blur >= 0 and math.isfinite(exposure + noise + blur)):
        raise InputError(f"exposure must be > 0, noise and blur >= 0, got {exposure}, {noise}, {blur}; use 1.0, 1.0, 0.5")
    if samples not in (1, 2, 3, 4):
        raise InputError(f"samples must be 1, 2, 3 or 4, got {samples!r}; 1 is quick, 2 looks smoother")
    return x, y, yaw


def _background(view: _View, decor: _Decor, scene: Scene, sun: Light, x: float, y: float, yaw: float) -> np.ndarray:
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


def _paint_floor(view: _View, decor: _Decor, scene: Scene, sun: Light, light: np.ndarray, x: float, y: float, yaw: float) -> None:
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


def _paint_walls(view: _View, decor: _Decor, scene: Scene, light: np.ndarray, rows: int, x: float, y: float, yaw: float) -> None:
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


def _draw_things(view: _View, decor: _Decor, scene: Scene, sun: Light, light: np.ndarray, x: float, y: float, yaw: float) -> Truths:
    """Paint the things, nearest first, into `light`, and note the truth."""
    cos, sin = math.cos(yaw), math.sin(yaw)
    lx, ly, lz = sun.toward
    lamp = Light((cos * lx + sin * ly, cos * ly - sin * lx, lz), sun.direct)
    eye = view.camera.height_m
    planes = light.reshape(3, view.rows, view.columns)
    falloff = view.falloff.reshape(view.rows, view.columns)
    placed = []
    for i, thing in enumerate(scene.things):
        cx, cy = cos * (thing.x_m - x) + sin * (thing.y_m - y), cos * (thing.y_m - y) - sin * (thing.x_m - x)
        turn = thing.heading_rad - yaw
        if cx + thing.reach_m > 0:
            placed.append((_gap(thing, cx, cy, turn), i, thing, cx, cy, turn))
    for _, _, thing, cx, cy, _ in placed:
        if thing.kind == "post":
            _post_shadow(view, planes, lamp, thing, cx, cy)

    taken = np.zeros((view.rows, view.columns), bool)
    found = []
    for _, i, thing, cx, cy, turn in sorted(placed, key=lambda item: item[:2]):
        outline = outline_of(thing, view.camera, cx, cy, turn)
        c0, r0, c1, r1 = outline.window(view.samples)
        if c0 >= c1 or r0 >= r1:
            continue
        window = (slice(r0, r1), slice(c0, c1))
        hidden = taken[window]
        if hidden.all():
            continue
        rays = [d[window].ravel() for d in (view.dx, view.dy, view.dz)]
        if thing.shape == "round":
            depth, color = round_thing(thing, cx, cy, eye, *rays, lamp, decor.bank)
        elif thing.shape == "box":
            depth, color = box_thing(thing, cx, cy, turn, eye, *rays, lamp, decor.bank)
        else:
            depth, color = plant_thing(thing, decor.bushes[thing.seed % len(decor.bushes)], cx, cy, eye, *rays, lamp, view.focal)
        hit = (depth < _FAR).reshape(hidden.shape)
        shows = hit & ~hidden
        color = color.reshape(3, *hidden.shape)
        for plane, value in zip(planes, color, strict=True):
            np.copyto(plane[window], value, where=shows)
        hidden |= hit
        if thing.kind in CLASSES:
            row = outline.truth(hit, shows, (c0, r0), view.samples)
            if row is not None:
                found.append((*row, CLASSES.index(thing.kind), math.hypot(cx, cy), i))
    planes *= falloff
    found.sort(key=lambda row: row[-1])
    return Truths(
        np.array([row[0] for row in found], float).reshape(-1, 4),
        np.array([row[3] for row in found], np.int64),
        np.array([row[2] for row in found], float),
        np.array([row[4] for row in found], float),
        np.array([row[1] for row in found], float).reshape(-1, 4),
        np.array([row[5] for row in found], np.int64),
    )


def _gap(thing: Thing, cx: float, cy: float, turn: float) -> float:
    """Distance along the ground from under the lens to the nearest part of the foot."""
    if thing.shape != "box":
        return math.hypot(cx, cy) - (thing.reach_m if thing.shape == "round" else 0.0)
    cos, sin = math.cos(turn), math.sin(turn)
    along, across = abs(cos * cx + sin * cy), abs(cos * cy - sin * cx)
    length, width, _ = thing.size_m
    return math.hypot(max(along - length / 2, 0), max(across - width / 2, 0))


def _post_shadow(view: _View, planes: np.ndarray, lamp: Light, thing: Thing, cx: float, cy: float) -> None:
    """The shadow of a post, which moves and so is not in the shadow map."""
    # The shadow starts at the foot and points away from the lamp.
    long = thing.height_m / max(lamp.toward[2], 0.35) * (lamp.direct > 0)
    tip_x, tip_y = cx - long * lamp.toward[0], cy - long * lamp.toward[1]
    reach = 0.25
    corners = np.array([[x + i * reach, y + j * reach, 0.0] for x, y in ((cx, cy), (tip_x, tip_y)) for i in (-1, 1) for j in (-1, 1)])
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
    planes[(slice(None), *window)] *= shade
