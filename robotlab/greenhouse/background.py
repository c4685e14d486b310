"""Background: floor, walls, and the shadows of posts, which move."""

from __future__ import annotations

import math

import numpy as np

from robotlab.greenhouse import textures
from robotlab.greenhouse.ray_intersections import Light
from robotlab.greenhouse.scene import Thing
from robotlab.greenhouse.shadows import ORIGIN_M, shadow_factor
from robotlab.greenhouse.static_parts import Stage
from robotlab.greenhouse.view import View


def background(view: View, stage: Stage, x: float, y: float, yaw: float) -> np.ndarray:
    """Floor and walls: (3, rows * columns) linear light."""
    x0, y0, x1, y1 = stage.room_m
    nearest = min(x - x0, x1 - x, y - y0, y1 - y)
    # Rows from `walls` on see the floor only; rows before the horizon only walls.
    walls = max(view.horizon, int(np.count_nonzero(view.row_reach >= nearest)))
    # For each pixel where its texel is, and the root of the light there over 255.
    at = np.empty(view.rows * view.columns, np.int32)
    root = np.empty(at.size, np.float32)
    if view.horizon < view.rows:
        _texture_floor(view, stage, at, root, x, y, yaw)
    if walls:
        _texture_walls(view, stage, at, root, walls, x, y, yaw)
    texels = stage.decor.around[0].take(at, mode="clip")
    light = np.empty((3, at.size), np.float32)
    # `at` has done its work and serves as scratch.
    for plane, shift in zip(light, textures.SHIFTS, strict=True):
        byte = np.right_shift(texels, shift, out=at) if shift else np.bitwise_and(texels, textures.BYTE, out=at)
        if shift and shift != textures.SHIFTS[-1]:
            byte &= textures.BYTE
        np.copyto(plane, byte, casting="unsafe")
        plane *= root
        plane *= plane
    return light


def _texture_floor(view: View, stage: Stage, at: np.ndarray, root: np.ndarray, x: float, y: float, yaw: float) -> None:
    per_meter, first = textures.FLOOR_PER_METER, view.horizon * view.columns
    # World x and y in texels, from a corner far outside the room; a whole number of repeats away.
    place, turned = view.texels * math.cos(yaw), view.texels * math.sin(yaw)
    place[0] -= turned[1]
    place[1] += turned[0]
    place[0] += (x + ORIGIN_M[0]) * per_meter
    place[1] += (y + ORIGIN_M[1]) * per_meter
    u, v = place.astype(np.int32)
    stage.shadows.sample(u, v, root[first:])
    u &= textures.FLOOR_COLUMNS - 1
    u >>= view.level
    v *= view.row_step
    v &= view.row_mask
    v += u
    np.add(v, view.start, out=at[first:])


def _texture_walls(
    view: View, stage: Stage, at: np.ndarray, root: np.ndarray, rows: int, x: float, y: float, yaw: float
) -> None:
    f, (_, wall_start, wall) = np.float32, stage.decor.around
    x0, y0, x1, y1 = stage.room_m
    cos, sin = f(math.cos(yaw)), f(math.sin(yaw))
    # Directions in world axes; one part is the same along a row, the other down a column.
    way = np.empty((2, rows, view.columns), f)
    np.subtract(view.dx[:rows] * cos, view.dy * sin, out=way[0])
    np.add(view.dx[:rows] * sin, view.dy * cos, out=way[1])
    # One of the two walls of a pair lies ahead; 1e-9 stands for a ray along the wall.
    t = way + f(1e-9)
    np.divide(1, t, out=t)
    behind = t * np.array([x0 - x, y0 - y], f)[:, None, None]
    t *= np.array([x1 - x, y1 - y], f)[:, None, None]
    tx, ty = np.maximum(t, behind, out=t)
    side = tx < ty
    t = np.minimum(tx, ty, out=behind[0])
    way *= t
    way += np.array([x + 64, y + 66.5], f)[:, None, None]
    # One copy of the texture for the whole picture, fit for a middling distance.
    some = t[::16, ::16]
    size = float(np.add.reduce(some, axis=None)) / some.size * wall.per_meter / view.focal
    level = min(max(math.floor(math.log2(size) + 0.5), 0), len(wall.rows) - 1)
    per_meter = wall.per_meter / 2**level
    z = np.multiply(view.dz[:rows], t, out=behind[1])
    z += view.camera.height_m
    z *= per_meter
    # Below 0 the floor is nearer.
    v = z.astype(np.int32)
    np.minimum(v, wall.rows[level] - 1, out=v)
    v *= wall.columns[level]
    v += wall_start + wall.starts[level]
    # The side walls and the end walls show different stretches of the one texture.
    across = way[0]
    np.copyto(across, way[1], where=side)
    across *= per_meter
    u = across.astype(np.int32)
    u &= wall.columns[level] - 1
    v += u
    # Above the horizon all is wall; from there on the nearer of wall and floor.
    v, only, both = v.reshape(-1), view.horizon * view.columns, slice(view.horizon * view.columns, rows * view.columns)
    at[:only] = v[:only]
    root[:only] = f(1 / 255)
    nearer = t.reshape(-1)[both] < view.t_ground.reshape(-1)[both]
    np.copyto(at[both], v[both], where=nearer)
    np.copyto(root[both], f(1 / 255), where=nearer)


def post_shadow(view: View, light: np.ndarray, lighting: Light, thing: Thing, cx: float, cy: float) -> None:
    """The shadow of a post at (`cx`, `cy`), body axes, in `light` (3, rows * columns)."""
    # The shadow starts at the foot and points away from the light.
    long = thing.height_m / max(lighting.toward[2], 0.35) * (lighting.direct > 0)
    tip_x, tip_y = cx - long * lighting.toward[0], cy - long * lighting.toward[1]
    # Beyond 25 cm from either end nothing is left of it.
    pitch_cos, pitch_sin, eye = view.cos, view.sin, view.camera.height_m
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
    x, y = view.ground[:, r0 - view.horizon : r1 - view.horizon, c0:c1]
    shade = shadow_factor(thing, cx, cy, 0.0, x, y, lighting)
    light.reshape(3, view.rows, view.columns)[:, r0:r1, c0:c1] *= shade
