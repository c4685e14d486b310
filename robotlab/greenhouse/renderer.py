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
from typing import NamedTuple

import numpy as np

from robotlab.camera import Camera
from robotlab.errors import InputError
from robotlab.greenhouse.background import Decor, View, background, decor_of, post_shadow, view_of
from robotlab.greenhouse.lamps import Lamp, lamp_named
from robotlab.greenhouse.outline import outline_of, windows
from robotlab.greenhouse.scene import CLASSES, Scene
from robotlab.greenhouse.sensor import blur_in_place, expose
from robotlab.greenhouse.skins import paint_box, paint_plant, paint_round
from robotlab.greenhouse.solids import (
    FAR, Batch, Light, Placed, box_numbers, meet_box, meet_plant, meet_round, plant_numbers, round_numbers,
)


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
    view = view_of(camera, samples)
    lamp = lamp_named(scene.lamp)
    decor = decor_of(scene.seed, scene.floor, scene.path_half_m, scene.plants_m, lamp.outside)
    sun = Light((math.cos(decor.azimuth) * math.cos(lamp.elevation_rad), math.sin(decor.azimuth) * math.cos(lamp.elevation_rad),
                 math.sin(lamp.elevation_rad)), lamp.direct)
    light = background(view, decor, scene, sun, x, y, yaw)
    for post in scene.posts:
        post_shadow(view, light, sun, post, x, y, yaw)
    truths = _draw_things(view, decor, scene, sun.turned(yaw), light, x, y, yaw)

    light = light.reshape(3, view.rows, view.columns)
    if samples > 1:
        light = sum(light[:, i::samples, j::samples] for i in range(samples) for j in range(samples)) / np.float32(samples**2)
    light, level = _under(lamp, light)
    return Frame(expose(blur_in_place(light, blur), exposure * level * view.falloff, noise, seed), truths)


def _under(lamp: Lamp, light: np.ndarray) -> tuple[np.ndarray, float]:
    """Daylight colours (3, H, W) as that lamp shows them, and a factor on them."""
    matrix, level = _mixing(lamp)
    if matrix is None:
        return light, level
    lit, part = np.empty_like(light), np.empty_like(light[0])
    for row, plane in zip(matrix, lit, strict=True):
        np.multiply(light[0], row[0], out=plane)
        plane += np.multiply(light[1], row[1], out=part)
        plane += np.multiply(light[2], row[2], out=part)
    return lit, 1.0


@functools.lru_cache(maxsize=32)
def _mixing(lamp: Lamp) -> tuple[np.ndarray | None, float]:
    """What a lamp does to colours, or ``None`` where it only makes them brighter, and by how much."""
    matrix = lamp.matrix()
    if (matrix == matrix[0, 0] * np.eye(3)).all():
        return None, float(matrix[0, 0])
    return matrix.astype(np.float32), 1.0


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


class _Group(NamedTuple):
    """Things of one shape, which lie together in the batch of all."""

    shape: str
    things: tuple[Placed, ...]
    # Number of its first thing, its rays, and the names of its numbers.
    first: int
    rays: slice
    names: tuple[str, ...]


def _gather(view: View, decor: Decor, scene: Scene, x: float, y: float, yaw: float) -> tuple[list[int], list[_Group], Batch | None]:
    """Which of the scene's things may be seen, the same by shape, and all rays that may meet them."""
    eye, cos, sin = view.camera.height_m, math.cos(yaw), math.sin(yaw)
    shapes: dict[str, list] = {"round": [], "box": [], "plant": []}
    east, north, reach, height = np.array([(t.x_m - x, t.y_m - y, t.reach_m, t.height_m) for t in scene.things]).reshape(-1, 4).T
    cx, cy = cos * east + sin * north, cos * north - sin * east
    in_sight = windows(view.camera, view.samples, cx, cy, reach, height)
    for i, (thing, ahead, left, (c0, r0, c1, r1)) in enumerate(zip(scene.things, cx.tolist(), cy.tolist(), in_sight.tolist(), strict=True)):
        if c0 < c1 and r0 < r1:
            shapes[thing.shape].append((i, Placed(thing, ahead, left, thing.heading_rad - yaw), view.pixels[r0:r1, c0:c1].ravel()))
    which, pixels, numbers, groups, start = [], [], [], [], 0
    for shape, found in shapes.items():
        if found:
            numbers_of, things, own_pixels = zip(*found, strict=True)
            if shape == "round":
                rows = round_numbers(things, eye)
            else:
                rows = box_numbers(things, eye) if shape == "box" else plant_numbers(things, eye, view.focal, decor.plants)
            stop = start + sum(part.size for part in own_pixels)
            groups.append(_Group(shape, things, len(which), slice(start, stop), tuple(rows)))
            numbers.append(np.array(list(rows.values()), np.float32))
            which += numbers_of
            pixels += own_pixels
            start = stop
    return which, groups, Batch.gather(view.rays, pixels, np.concatenate(numbers, axis=1)) if groups else None


def _draw_things(view: View, decor: Decor, scene: Scene, lamp: Light, light: np.ndarray, x: float, y: float, yaw: float) -> Truths:
    """Paint the things into `light`, (3, rows * columns), and note the truth."""
    eye, sheet = view.camera.height_m, decor.plants
    which, groups, every = _gather(view, decor, scene, x, y, yaw)
    if not groups:
        return _truths([])
    # First where every ray meets every thing in its way, then which is nearest, then its colour.
    depth, ways = np.empty(every.pixels.size, np.float32), []
    for group in groups:
        batch = every.part(group.rays, group.first, group.names)
        if group.shape == "round":
            depth[group.rays], way = meet_round(batch, eye)
        else:
            depth[group.rays], way = meet_box(batch, eye) if group.shape == "box" else meet_plant(batch, eye, sheet)
        ways.append(way)
    nearest = np.full(view.pixels.size, FAR)
    np.minimum.at(nearest, every.pixels, depth)
    hit = depth < FAR
    at = np.flatnonzero(hit & (depth == nearest.take(every.pixels)))
    seen, t = every.pick(at), depth.take(at)
    color = np.empty((3, at.size), np.float32)
    stops = np.searchsorted(at, [group.rays.stop for group in groups]).tolist()
    for group, way, start, stop in zip(groups, ways, [0, *stops[:-1]], stops, strict=True):
        if start == stop:
            continue
        part = slice(start, stop)
        batch, own = seen.part(part, group.first, group.names), at[part] - group.rays.start
        if group.shape == "round":
            color[:, part] = paint_round(batch, group.things, t[part], way.take(own), eye, lamp, decor.bank)
        elif group.shape == "box":
            color[:, part] = paint_box(batch, group.things, way.pick(own), eye, lamp, decor.bank)
        else:
            color[:, part] = paint_plant(batch, t[part], way.take(own), sheet, eye, lamp)
    for plane, value in zip(light, color, strict=True):
        plane[seen.pixels] = value

    found, stop = [], 0
    hits, shown = (np.bincount(owner, minlength=len(which)).tolist() for owner in (every.owner[hit], seen.owner))
    things = (one for group in groups for one in group.things)
    for i, one, rays_hit, rays_shown in zip(which, things, hits, shown, strict=True):
        start, stop = stop, stop + rays_shown
        if one.thing.kind in CLASSES and rays_shown:
            outline = outline_of(one.thing, view.camera, one.cx, one.cy, one.turn)
            pixels = seen.pixels[start:stop] if rays_shown < rays_hit or outline.box is None else None
            box, whole, share = outline.truth(pixels, view.columns, view.samples)
            found.append((i, box, whole, share * rays_shown / rays_hit, CLASSES.index(one.thing.kind), math.hypot(one.cx, one.cy)))
    return _truths(found)


def _truths(found: list[tuple]) -> Truths:
    """From thing, box, whole box, visibility, label and distance of each."""
    found.sort(key=lambda row: row[0])
    numbers = np.array([(*box, *whole, visibility, distance) for _, box, whole, visibility, _, distance in found], float).reshape(-1, 10)
    things, labels = np.array([(row[0], row[4]) for row in found], np.int64).reshape(-1, 2).T.copy()
    return Truths(numbers[:, :4].copy(), labels, numbers[:, 8].copy(), numbers[:, 9].copy(), numbers[:, 4:8].copy(), things)
