"""Where the rays of the pixels meet a thing, and how it looks there.

All in body axes (x forward, y left, z up, origin under the camera), m.  A ray
is ``(0, 0, h) + t (dx, dy, dz)`` with ``t`` the depth along the camera's axis.
Each function gets rays as flat arrays and gives, for each, the depth of the
nearest meeting (infinite where it misses) and the linear colour there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from robotlab.greenhouse.scene import KINDS, Thing
from robotlab.greenhouse.textures import Sprite, rgb

_FAR = np.float32(1e9)

# Things of fewer rays than this get no scuffs: they would not be seen.
_PLAIN_BELOW_PX = 200


@dataclass(frozen=True)
class Light:
    """Light in body axes.

    Parameters
    ----------
    toward : (3,) tuple of float
        Unit vector to the lamp or the sun.
    direct : float
        Share of the light that comes from there; the rest from all around.
    """

    toward: tuple[float, float, float]
    direct: float

    def on(self, nx: np.ndarray, ny: np.ndarray, nz: np.ndarray | float) -> np.ndarray:
        """Brightness of a matt surface with that normal; 1 for open level ground.

        The light from all around is that of a bright upper half and a dim
        lower half of the world; direct light follows Lambert's cosine law.
        """
        lx, ly, lz = self.toward
        ambient = (1 - self.direct) * (0.68 + 0.32 * nz)
        facing = nx * np.float32(lx) + ny * np.float32(ly) + nz * np.float32(lz)
        # Divided by lz: level ground in full sun counts as 1; capped for a low sun.
        return ambient + np.maximum(facing, 0) * np.float32(self.direct / max(lz, 0.45))


def _scuff(a: np.ndarray, b: np.ndarray, bank: np.ndarray, seed: int) -> np.ndarray:
    """Blotches that stick to a surface, from a small table of smooth noise."""
    rows, columns = bank.shape
    i = (a * 90).astype(np.int32) + seed * 17
    j = (b * 90).astype(np.int32) + seed * 31
    return bank.ravel().take((i & (rows - 1)) * columns + (j & (columns - 1)))


def round_thing(
    thing: Thing, cx: float, cy: float, eye: float, dx: np.ndarray, dy: np.ndarray, dz: np.ndarray, light: Light, bank: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """A truncated cone that stands upright.

    Parameters
    ----------
    thing : Thing
        Of the shape "round".
    cx, cy : float
        Its foot, body axes, m.
    eye : float
        Height of the lens, m.
    dx, dy, dz : (N,) ndarray of float32
        Directions of the rays, body axes.
    light : Light
        In body axes.
    bank : (R, C) ndarray of float32
        Smooth noise for scuffs; R and C powers of two.

    Returns
    -------
    depth : (N,) ndarray of float32
        Along the camera's axis, m; 1e9 where the ray misses.
    color : (3, N) ndarray of float32
        Linear, in daylight colours.

    Notes
    -----
    With the radius ``r(z) = r0 + k z``, the meeting solves
    ``(t dx - cx)^2 + (t dy - cy)^2 = r(h + t dz)^2``, a quadratic in t.
    """
    r0, r1, height = thing.size_m
    k = (r1 - r0) / height
    f = np.float32
    at_eye = r0 + k * eye
    a = dx * dx + dy * dy - f(k * k) * dz * dz
    b = dx * f(cx) + dy * f(cy) + dz * f(k * at_eye)
    c = f(cx * cx + cy * cy - at_eye * at_eye)
    inside = b * b - a * c
    hit = inside > 0
    root = np.sqrt(np.maximum(inside, 0))
    near = (b - root) / a
    z = dz * near + f(eye)
    hit &= (z >= 0) & (z <= f(height)) & (near > 0)
    depth = np.where(hit, near, _FAR)
    x, y = dx * near - f(cx), dy * near - f(cy)
    # Lower-case n: the outward normal, level enough to take its length as 1.
    radius = f(r0) + f(k) * z
    nx, ny = x / radius, y / radius
    shade = light.on(nx, ny, f(-k))
    shade *= 1 - f(0.45) / (1 + (z * f(1 / 0.05)) ** 2)
    color, gloss = _round_skin(thing, nx, ny, z, bank)
    # A highlight where the surface faces halfway between lamp and camera.
    away = math.hypot(cx, cy)
    hx, hy = light.toward[0] - cx / away, light.toward[1] - cy / away
    length = math.sqrt(hx * hx + hy * hy + light.toward[2] ** 2)
    shine = np.maximum(nx * f(hx / length) + ny * f(hy / length), 0)
    shine *= shine
    shine *= shine
    shine *= shine
    shine = shine * shine * f(gloss * (0.25 + 0.75 * light.direct))
    out = color * shade + shine

    if eye > height:
        over = f((height - eye)) / np.minimum(dz, f(-1e-6))
        tx, ty = dx * over - f(cx), dy * over - f(cy)
        lid = (tx * tx + ty * ty <= f(r1 * r1)) & (dz < 0) & (over < depth)
        if lid.any():
            depth = np.where(lid, over, depth)
            out = np.where(lid, _inside_or_lid(thing, tx, ty, b, root, a, dz, eye, light), out)
    return depth, out


def _round_skin(thing: Thing, nx: np.ndarray, ny: np.ndarray, z: np.ndarray, bank: np.ndarray) -> tuple[np.ndarray, float]:
    """Colour of a round thing's side in plain light, and how glossy it is."""
    f = np.float32
    base = rgb(*(thing.color or KINDS[thing.kind].color)).astype(f)[:, None]
    height = thing.height_m
    if z.size < _PLAIN_BELOW_PX:
        tone = f(1)
        color = base + np.zeros_like(z)
    else:
        scuffs = _scuff(nx * f(0.5) + ny * f(0.37) + f(2), z + f(1), bank, thing.seed)
        tone = f(1) + f(0.06) * scuffs
        color = base * tone
        dirt = np.clip((f(0.10) - z) * f(5) + scuffs * f(0.15), 0, f(0.4))
        color += (rgb(120, 100, 78).astype(f)[:, None] - color) * dirt
    gloss = 0.22
    if thing.kind == "post":
        gloss = 0.16
        if thing.bands:
            pitch = height / (2 * thing.bands + 1)
            band = np.floor(z * f(1 / pitch)).astype(np.int32) & 1
            color = np.where(band == 1, rgb(226, 224, 216).astype(f)[:, None] * tone, color)
        cap = z > f(height - 0.015)
        color = np.where(cap, color * f(0.55), color)
    elif thing.kind == "bucket":
        rim = (z > f(0.9 * height)) & (z < f(0.985 * height))
        ridge = np.abs(z - f(0.78 * height)) < f(0.008)
        color = np.where(rim, color * f(1.25), np.where(ridge | (np.abs(z - f(0.89 * height)) < f(0.006)), color * f(0.6), color))
    elif thing.kind == "drum":
        for share in (0.33, 0.66):
            ring = np.abs(z - f(share * height))
            color = np.where(ring < f(0.02), color * f(1.3), np.where(ring < f(0.03), color * f(0.6), color))
        color = np.where(z > f(height - 0.03), color * f(0.7), color)
    elif thing.kind == "pot":
        gloss = 0.03
        rim = f(0.78 * height)
        color = np.where(z > rim, color * f(1.15), np.where(z > rim - f(0.012), color * f(0.5), color))
    elif thing.kind == "pole":
        color = np.where(z < f(0.12), rgb(70, 70, 72).astype(f)[:, None], color)
    return color, gloss


def _inside_or_lid(
    thing: Thing, tx: np.ndarray, ty: np.ndarray, b: np.ndarray, root: np.ndarray, a: np.ndarray, dz: np.ndarray, eye: float, light: Light
) -> np.ndarray:
    """What one sees through, or on, the round top."""
    f = np.float32
    base = rgb(*(thing.color or KINDS[thing.kind].color)).astype(f)[:, None]
    r0, r1, height = thing.size_m
    if not KINDS[thing.kind].open_top:
        edge = (tx * tx + ty * ty) > f((0.86 * r1) ** 2)
        return base * np.where(edge, f(0.75), f(1.05)) * f(0.95)
    if thing.kind == "pot":
        edge = (tx * tx + ty * ty) > f((0.86 * r1) ** 2)
        return np.where(edge, base * f(1.1), rgb(52, 38, 28).astype(f)[:, None])
    # The far meeting with the cone lies on the inner wall; deeper is darker.
    z = dz * ((b + root) / a) + f(eye)
    deep = np.clip(z / f(height), f(0.0), f(1.0))
    edge = (tx * tx + ty * ty) > f((0.93 * r1) ** 2)
    return base * np.where(edge, f(1.25), f(0.10) + f(0.55) * deep * deep)


def box_thing(
    thing: Thing, cx: float, cy: float, turn: float, eye: float, dx: np.ndarray, dy: np.ndarray, dz: np.ndarray, light: Light, bank: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """A box that stands upright, slatted or not, and open at the top.

    Parameters
    ----------
    thing : Thing
        Of the shape "box".
    cx, cy : float
        Middle of its foot, body axes, m.
    turn : float
        Direction of its length, body axes, rad.
    eye : float
        Height of the lens, m.
    dx, dy, dz : (N,) ndarray of float32
        Directions of the rays, body axes.
    light : Light
        In body axes.
    bank : (R, C) ndarray of float32
        Smooth noise for scuffs.

    Returns
    -------
    depth : (N,) ndarray of float32
        Along the camera's axis, m; 1e9 where the ray misses.
    color : (3, N) ndarray of float32
        Linear, in daylight colours.

    Notes
    -----
    The slab method: in the box's own axes a ray is inside between the largest
    entry and the smallest exit over the three pairs of faces.
    """
    f = np.float32
    length, width, height = thing.size_m
    cos, sin = math.cos(turn), math.sin(turn)
    ox, oy = -(cos * cx + sin * cy), sin * cx - cos * cy
    ex, ey = dx * f(cos) + dy * f(sin), dy * f(cos) - dx * f(sin)
    tiny = f(1e-9)
    ex = np.where(np.abs(ex) < tiny, tiny, ex)
    ey = np.where(np.abs(ey) < tiny, tiny, ey)
    ez = np.where(np.abs(dz) < tiny, tiny, dz)
    in_x, out_x = _slab(ex, ox, length / 2)
    in_y, out_y = _slab(ey, oy, width / 2)
    z1, z2 = f(0 - eye) / ez, f(height - eye) / ez
    in_z, out_z = np.minimum(z1, z2), np.maximum(z1, z2)
    enter = np.maximum(np.maximum(in_x, in_y), in_z)
    leave = np.minimum(np.minimum(out_x, out_y), out_z)
    hit = (leave > enter) & (enter > 0)
    depth = np.where(hit, enter, _FAR)

    on_top = in_z >= np.maximum(in_x, in_y)
    on_x = (in_x > in_y) & ~on_top
    px, py, pz = ex * enter + f(ox), ey * enter + f(oy), ez * enter + f(eye)
    # Outward normals back in body axes, only for the light.
    sx, sy = np.where(ex > 0, f(-1), f(1)), np.where(ey > 0, f(-1), f(1))
    nx = np.where(on_x, sx * f(cos), sy * f(-sin))
    ny = np.where(on_x, sx * f(sin), sy * f(cos))
    shade = np.where(on_top, light.on(f(0), f(0), f(1)), light.on(nx, ny, f(0)))
    shade = shade * (1 - f(0.40) / (1 + (pz * f(1 / 0.05)) ** 2))
    along, half = np.where(on_x, py, px), np.where(on_x, f(width / 2), f(length / 2))

    base = rgb(*(thing.color or KINDS[thing.kind].color)).astype(f)[:, None]
    scuffs = _scuff(along + f(2), pz + f(1), bank, thing.seed)
    color = base * (f(1) + f(0.08) * scuffs)
    dirt = np.clip((f(0.07) - pz) * f(4) + scuffs * f(0.12), 0, f(0.4))
    color += (rgb(120, 100, 78).astype(f)[:, None] - color) * dirt
    inner = _box_inside(thing, ex, ey, ez, ox, oy, eye, out_x, out_y, out_z, base)
    if thing.kind == "crate":
        slats = 4
        place = pz * f(slats / height) - np.floor(pz * f(slats / height))
        frame = (half - np.abs(along) < f(0.035)) | (np.abs(along) < f(0.02))
        gap = (place < f(0.22)) & ~frame & (pz < f(0.93 * height)) & ~on_top
        # The lower lip of each slat catches light, its upper edge is dark.
        color = color * np.where((place > f(0.90)) & ~frame, f(0.72), np.where(frame, f(0.92), f(1.0)))
        out = np.where(gap, inner * f(0.55), color * shade)
    else:
        out = color * shade
    wall = f(0.022 if thing.kind == "crate" else 0.014)
    rim = (np.abs(px) > f(length / 2) - wall) | (np.abs(py) > f(width / 2) - wall)
    return depth, np.where(on_top, np.where(rim, base * shade * f(1.08), inner), out)


def _slab(direction: np.ndarray, origin: float, half: float) -> tuple[np.ndarray, np.ndarray]:
    """Entry and exit of rays between two parallel faces."""
    first, second = np.float32(-half - origin) / direction, np.float32(half - origin) / direction
    return np.minimum(first, second), np.maximum(first, second)


def _box_inside(
    thing: Thing, ex: np.ndarray, ey: np.ndarray, ez: np.ndarray, ox: float, oy: float, eye: float,
    out_x: np.ndarray, out_y: np.ndarray, out_z: np.ndarray, base: np.ndarray,
) -> np.ndarray:
    """What one sees inside a box: its far walls with their slats, or its bottom."""
    f = np.float32
    height = thing.height_m
    leave = np.minimum(np.minimum(out_x, out_y), out_z)
    z = np.clip(ez * leave + f(eye), 0, f(height))
    bottom = out_z <= np.minimum(out_x, out_y)
    deep = f(0.14) + f(0.40) * z * f(1 / height)
    if thing.kind == "crate":
        place = z * f(4 / height) - np.floor(z * f(4 / height))
        deep = np.where((place < f(0.22)) & ~bottom, f(0.06), deep)
    if thing.kind == "tray":
        deep = f(0.62) + f(0.2) * z * f(1 / height)
    return base * np.where(bottom, f(0.12) if thing.kind == "crate" else f(0.6), deep)


def plant_thing(
    thing: Thing, sprite: Sprite, cx: float, cy: float, eye: float, dx: np.ndarray, dy: np.ndarray, dz: np.ndarray, light: Light, focal: float
) -> tuple[np.ndarray, np.ndarray]:
    """A plant: a flat sprite that stands upright and turns to the camera.

    Parameters
    ----------
    thing : Thing
        Of the shape "plant".
    sprite : Sprite
        Its leaves.
    cx, cy : float
        Its foot, body axes, m.
    eye : float
        Height of the lens, m.
    dx, dy, dz : (N,) ndarray of float32
        Directions of the rays, body axes.
    light : Light
        In body axes.
    focal : float
        Rays a radian, to pick how fine a copy of the sprite is needed.

    Returns
    -------
    depth : (N,) ndarray of float32
        Along the camera's axis, m; 1e9 where the ray misses.
    color : (3, N) ndarray of float32
        Linear, in daylight colours.
    """
    f = np.float32
    width, _, height = thing.size_m
    away = max(math.hypot(cx, cy), 1e-6)
    toward = dx * f(cx / away) + dy * f(cy / away)
    ahead = toward > f(1e-6)
    t = f(away) / np.where(ahead, toward, 1)
    across = (dy * f(cx / away) - dx * f(cy / away)) * t
    z = dz * t + f(eye)
    level = int(min(max(math.floor(math.log2(max(sprite.rows * away / (height * focal), 1e-6)) + 0.5), 0), sprite.levels - 1))
    colors, cover = sprite.copies[level]
    rows, columns = cover.shape
    i = np.floor((f(1) - z * f(1 / height)) * f(rows)).astype(np.int32)
    j = np.floor((across * f(1 / width) + f(0.5)) * f(columns)).astype(np.int32)
    inside = ahead & (i >= 0) & (i < rows) & (j >= 0) & (j < columns)
    index = np.where(inside, i * columns + j, 0)
    hit = inside & cover.ravel().take(index)
    shade = f(0.75 + 0.25 * light.direct) * (f(0.7) + f(0.3 / height) * z)
    return np.where(hit, t, _FAR), colors.reshape(3, -1).take(index, axis=1) * shade
