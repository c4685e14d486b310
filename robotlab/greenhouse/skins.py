"""How things look where a ray meets them: colour, shading, dirt, slats, bands."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence

import numpy as np

from robotlab.greenhouse.foliage import SpriteSheet
from robotlab.greenhouse.scene import KINDS, Thing
from robotlab.greenhouse.solids import Batch, BoxMeeting, Light, Placed, leave_round
from robotlab.greenhouse.textures import rgb

# Steps of the colour profile along the height of a round thing: 2 mm on a post.
_STEPS = 256
_SLATS = 4
_DIRT, _EARTH = (rgb(*color).astype(np.float32)[:, None] for color in ((120, 100, 78), (52, 38, 28)))


# What is on top of a round thing.
_LID, _EARTHED, _HOLLOW = 0.0, 1.0, 2.0


@functools.lru_cache(maxsize=4096)
def _look(thing: Thing) -> tuple[float, float, float, float, float, float, float]:
    """Linear colour (3), where its scuffs are in their table (2), gloss, and what is on top."""
    color = rgb(*(thing.color or KINDS[thing.kind].color)).tolist()
    top = _EARTHED if thing.kind == "pot" else _HOLLOW if KINDS[thing.kind].open_top else _LID
    # Each thing looks at another part of the table; 9000 keeps places positive.
    return (*color, thing.seed * 17 + 9000.0, thing.seed * 31 + 9000.0, 0.03 if thing.kind == "pot" else 0.2, top)


def _looks(things: Sequence[Placed]) -> np.ndarray:
    """All of :func:`_look`, (7, things)."""
    return np.array([_look(placed.thing) for placed in things], np.float32).T


@functools.lru_cache(maxsize=512)
def _profile(kind: str, color: tuple[int, int, int] | None, bands: int, height: float) -> np.ndarray:
    """Colour of a round thing from foot to top: (3, steps), linear; bands, rims, ridges and caps."""
    z = (np.arange(_STEPS) + 0.5) / _STEPS * height
    base = rgb(*(color or KINDS[kind].color))
    out = np.repeat(base[None], _STEPS, 0)
    if kind == "post":
        if bands:
            odd = np.floor(z / height * (2 * bands + 1)).astype(int) % 2 == 1
            out[odd] = rgb(226, 224, 216)
        out[z > height - 0.015] *= 0.55
    elif kind == "bucket":
        out[(z > 0.90 * height) & (z < 0.985 * height)] *= 1.25
        out[np.abs(z - 0.78 * height) < 0.008] *= 0.6
        out[np.abs(z - 0.89 * height) < 0.006] *= 0.6
    elif kind == "drum":
        for share in (0.33, 0.66):
            ring = np.abs(z - share * height)
            out[ring < 0.02] *= 1.3
            out[(ring >= 0.02) & (ring < 0.03)] *= 0.6
        out[z > height - 0.03] *= 0.7
    elif kind == "pot":
        out[z > 0.78 * height] *= 1.15
        out[(z <= 0.78 * height) & (z > 0.78 * height - 0.012)] *= 0.5
    elif kind == "pole":
        out[z < 0.12] = rgb(70, 70, 72)
    # Close to the ground less light comes from around.
    out *= (1 - 0.45 / (1 + (z / 0.05) ** 2))[:, None]
    return out.T.astype(np.float32)


@functools.lru_cache(maxsize=64)
def _profiles(keys: tuple[tuple, ...]) -> np.ndarray:
    """The profiles of several things, one after the other, (3, things * steps)."""
    return np.concatenate([_profile(*key) for key in keys], axis=1)


def _scuffs(bank: np.ndarray, a: np.ndarray, b: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Blotches that stick to a surface, from a small table of smooth noise with sides that are powers of two."""
    f = np.float32
    rows, columns = bank.shape
    place = np.empty((2, a.size), f)
    np.multiply(a, f(90), out=place[0])
    np.multiply(b, f(90), out=place[1])
    place += shift
    i, j = place.astype(np.int32)
    i &= rows - 1
    j &= columns - 1
    i *= columns
    i += j
    return bank.reshape(-1).take(i)


def _soil(color: np.ndarray, z: np.ndarray, scuffs: np.ndarray) -> None:
    """Mix dirt into colours (3, N), most near the ground."""
    f = np.float32
    share = f(0.10) - z
    share *= f(4.5)
    share += scuffs * f(0.14)
    np.maximum(share, 0, out=share)
    np.minimum(share, f(0.4), out=share)
    change = _DIRT - color
    change *= share
    color += change


def paint_round(batch: Batch, things: Sequence[Placed], t: np.ndarray, on_top: np.ndarray, eye: float, light: Light, bank: np.ndarray) -> np.ndarray:
    """Colour of round things.

    Parameters
    ----------
    batch : Batch
        Rays that meet them.
    things : sequence of Placed
        The batch's things.
    t : (N,) ndarray of float32
        Depth of the meeting, m.
    on_top : (N,) ndarray of bool
        Whether it is on the flat top.
    eye : float
        Height of the lens, m.
    light : Light
        Body axes.
    bank : (R, C) ndarray of float32
        Smooth noise.

    Returns
    -------
    (3, N) ndarray of float32
        Linear, in daylight colours.
    """
    f, n, owner = np.float32, batch.numbers, batch.owner
    # What depends on the thing alone: towards where it shines (halfway between lamp and camera), light, scuffs.
    looks = _looks(things)
    cx, cy, k = np.array([(p.cx, p.cy, (p.thing.size_m[1] - p.thing.size_m[0]) / p.thing.height_m) for p in things], f).T
    away = np.sqrt(cx**2 + cy**2)
    hx, hy = f(light.toward[0]) - cx / away, f(light.toward[1]) - cy / away
    size = np.sqrt(hx * hx + hy * hy + f(light.toward[2] ** 2))
    own = np.concatenate([looks[3:6], [hx, hy, size, *light.above(-k)]]).take(owner, axis=1)
    shift, (gloss, hx, hy, size, direct, around) = own[:2], own[2:]

    z = batch.dz * t
    z += f(eye)
    np.maximum(z, 0, out=z)
    np.minimum(z, n["height"], out=z)
    # The outward normal, level enough to take its length as 1.
    radius = n["k"] * z
    radius += n["r0"]
    nx, ny = batch.dx * t, batch.dy * t
    nx -= n["cx"]
    ny -= n["cy"]
    nx /= radius
    ny /= radius
    shade = light.beside(nx, ny, direct, around)
    around_it = nx * f(0.5)
    around_it += ny * f(0.37)
    scuffs = _scuffs(bank, around_it, z, shift)
    shade *= f(1) + f(0.06) * scuffs
    step = z / n["height"]
    step *= f(_STEPS)
    step = step.astype(np.int32)
    np.minimum(step, _STEPS - 1, out=step)
    step += owner * _STEPS
    color = _profiles(tuple((p.thing.kind, p.thing.color, p.thing.bands, p.thing.height_m) for p in things)).take(step, axis=1)
    _soil(color, z, scuffs)
    color *= shade
    shine = nx * hx
    shine += ny * hy
    shine /= size
    np.maximum(shine, 0, out=shine)
    np.minimum(shine, 1, out=shine)
    for _ in range(4):
        shine *= shine
    shine *= gloss
    shine *= f(0.25 + 0.75 * light.direct)
    color += shine
    top = np.flatnonzero(on_top)
    if top.size:
        color[:, top] = _round_tops(batch.pick(top), things, t.take(top), eye)
    return color


def _round_tops(batch: Batch, things: Sequence[Placed], t: np.ndarray, eye: float) -> np.ndarray:
    """What one sees on the flat top of a round thing, or through it where it is open."""
    f, n = np.float32, batch.numbers
    x, y = batch.dx * t, batch.dy * t
    x -= n["cx"]
    y -= n["cy"]
    out = (x * x + y * y) / n["r1_square"]
    looks = _looks(things).take(batch.owner, axis=1)
    base, kind = looks[:3], looks[6]
    rim = out > f(0.74)
    # The far meeting with the cone lies on the inner wall; deeper is darker.
    deep = (batch.dz * leave_round(batch) + f(eye)) / n["height"]
    deep = np.minimum(np.maximum(deep, 0), 1)
    hollow = np.where(out > f(0.86), f(1.25), f(0.10) + f(0.55) * deep * deep)
    bright = np.where(kind == _LID, np.where(rim, f(0.72), f(1.0)), np.where(kind == _EARTHED, f(1.1), hollow))
    return np.where((kind == _EARTHED) & ~rim, _EARTH, base * bright)


def paint_box(batch: Batch, things: Sequence[Placed], m: BoxMeeting, eye: float, light: Light, bank: np.ndarray) -> np.ndarray:
    """Colour of crates and trays.

    Parameters
    ----------
    batch : Batch
        Rays that meet them.
    things : sequence of Placed
        The batch's things.
    m : BoxMeeting
        How the rays go through them.
    eye : float
        Height of the lens, m.
    light : Light
        Body axes.
    bank : (R, C) ndarray of float32
        Smooth noise.

    Returns
    -------
    (3, N) ndarray of float32
        Linear, in daylight colours.
    """
    f, n, owner = np.float32, batch.numbers, batch.owner
    px, py, z = m.way[:3] * m.enter
    px += n["ox"]
    py += n["oy"]
    z += f(eye)
    face = np.where(m.on_top, 4, np.where(m.on_x, m.ex > 0, (m.ey > 0) + 2))
    face *= len(things)
    face += owner
    shade = _faces(things, light).take(face)
    high = z * f(1 / 0.05)
    high *= high
    high += f(1)
    shade *= f(1) - f(0.40) / high
    looks = _looks(things).take(owner, axis=1)
    base = looks[:3]
    plank, half = np.where(m.on_x, py, px), np.where(m.on_x, n["half_y"], n["half_x"])
    scuffs = _scuffs(bank, plank, z, looks[3:5])
    color = base * (f(1) + f(0.08) * scuffs)
    _soil(color, z, scuffs)

    slatted = n["slatted"] > 0
    place = z * f(_SLATS)
    place /= n["height"]
    place -= np.floor(place)
    np.abs(plank, out=plank)
    frame = half - plank < f(0.035)
    frame |= plank < f(0.02)
    slats = slatted & ~m.on_top
    gap = slats & ~frame
    # The upper edge of each slat lies in the shade of nothing, its lower lip is dark.
    shade *= np.where(slats, np.where(frame, f(0.92), np.where(place > f(0.90), f(0.72), f(1))), f(1))
    gap &= place < f(0.22)
    gap &= z < f(0.93) * n["height"]
    wall = np.where(slatted, f(0.022), f(0.014))
    hole = np.abs(px) <= n["half_x"] - wall
    hole &= np.abs(py) <= n["half_y"] - wall
    hole &= m.on_top
    hole |= gap
    color *= shade
    inside = np.flatnonzero(hole)
    if inside.size:
        light_inside = _box_inside(batch.pick(inside), m.pick(inside), eye)
        light_inside *= np.where(gap.take(inside), f(0.55), f(1))
        color[:, inside] = base.take(inside, axis=1) * light_inside
    return color


def _faces(things: Sequence[Placed], light: Light) -> np.ndarray:
    """Brightness of the faces of boxes, (5, things): those that look along x, minus x, y, minus y (of the box) and up."""
    f = np.float32
    cos, sin = np.array([(math.cos(p.turn), math.sin(p.turn)) for p in things], f).T
    nx, ny, nz = np.zeros((3, 5, len(things)), f)
    nx[0], nx[1], nx[2], nx[3] = cos, -cos, -sin, sin
    ny[0], ny[1], ny[2], ny[3] = sin, -sin, cos, -cos
    nz[4] = 1
    return light.on(nx, ny, nz)


def _box_inside(batch: Batch, m: BoxMeeting, eye: float) -> np.ndarray:
    """Brightness inside a box: its far walls with their slats, or its bottom."""
    f, n = np.float32, batch.numbers
    slatted = n["slatted"] > 0
    up = np.clip((m.ez * m.leave + f(eye)) / n["height"], 0, 1)
    place = up * f(_SLATS)
    place -= np.floor(place)
    crate = np.where(m.to_bottom, f(0.12), np.where(place < f(0.22), f(0.06), f(0.14) + f(0.40) * up))
    return np.where(slatted, crate, f(0.62) + f(0.2) * up)


def paint_plant(batch: Batch, t: np.ndarray, texels: np.ndarray, sheet: SpriteSheet, eye: float, light: Light) -> np.ndarray:
    """Colour of plants.

    Parameters
    ----------
    batch : Batch
        Rays that meet them.
    t : (N,) ndarray of float32
        Depth of the meeting, m.
    texels : (N,) ndarray of int
        Where in the sheet.
    sheet : SpriteSheet
        The plants.
    eye : float
        Height of the lens, m.
    light : Light
        Body axes.

    Returns
    -------
    (3, N) ndarray of float32
        Linear, in daylight colours.
    """
    f = np.float32
    up = (batch.dz * t + f(eye)) * batch.numbers["per_height"]
    shade = f(0.75 + 0.25 * light.direct) * (f(0.7) + f(0.3) * up)
    return sheet.colors.take(texels, axis=1) * shade
