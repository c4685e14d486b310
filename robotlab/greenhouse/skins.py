"""How things look where a ray meets them: colour, shading, dirt, slats, bands."""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np

from robotlab.greenhouse.foliage import SpriteSheet
from robotlab.greenhouse.scene import KINDS, Thing
from robotlab.greenhouse.solids import Batch, BoxMeeting, Light, Placed, leave_round
from robotlab.greenhouse.textures import rgb

# Steps of the colour profile along the height of a round thing: 2 mm on a post.
_STEPS = 256
_SLATS = 4
_DIRT = rgb(120, 100, 78).astype(np.float32)


def _base(thing: Thing) -> np.ndarray:
    return rgb(*(thing.color or KINDS[thing.kind].color)).astype(np.float32)


@functools.lru_cache(maxsize=512)
def _profile(kind: str, color: tuple[int, int, int] | None, bands: int, height: float) -> np.ndarray:
    """Colour of a round thing from foot to top: (steps, 3), linear; bands, rims, ridges and caps."""
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
    return out.astype(np.float32)


def _scuffs(bank: np.ndarray, a: np.ndarray, b: np.ndarray, things: Sequence[Placed], owner: np.ndarray) -> np.ndarray:
    """Blotches that stick to a surface, from a small table of smooth noise with sides that are powers of two."""
    f = np.float32
    rows, columns = bank.shape
    # Each thing looks at another part of the table; 9000 keeps places positive.
    shift = np.array([(p.thing.seed * 17 + 9000, p.thing.seed * 31 + 9000) for p in things], f).T.take(owner, axis=1)
    i = (a * f(90) + shift[0]).astype(np.int32)
    j = (b * f(90) + shift[1]).astype(np.int32)
    i &= rows - 1
    j &= columns - 1
    i *= columns
    i += j
    return bank.ravel().take(i)


def _soil(color: np.ndarray, z: np.ndarray, scuffs: np.ndarray) -> None:
    """Mix dirt into colours (3, N), most near the ground."""
    f = np.float32
    share = np.clip((f(0.10) - z) * f(4.5) + scuffs * f(0.14), 0, f(0.4))
    for plane, dirt in zip(color, _DIRT, strict=True):
        plane += (dirt - plane) * share


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
    f, n = np.float32, batch.numbers
    z = batch.dz * t
    z += f(eye)
    np.clip(z, 0, n["height"], out=z)
    # The outward normal, level enough to take its length as 1.
    radius = n["k"] * z
    radius += n["r0"]
    nx = (batch.dx * t - n["cx"]) / radius
    ny = (batch.dy * t - n["cy"]) / radius
    shade = light.on(nx, ny, -n["k"])
    scuffs = _scuffs(bank, nx * f(0.5) + ny * f(0.37), z, things, batch.owner)
    shade *= f(1) + f(0.06) * scuffs
    profiles = np.concatenate([_profile(p.thing.kind, p.thing.color, p.thing.bands, p.thing.height_m) for p in things])
    step = np.minimum((z / n["height"] * f(_STEPS)).astype(np.int32), _STEPS - 1)
    color = profiles.take(batch.owner * _STEPS + step, axis=0).T.copy()
    _soil(color, z, scuffs)
    color *= shade
    # A highlight where the surface faces halfway between lamp and camera.
    cx, cy, gloss = np.array([(p.cx, p.cy, 0.03 if p.thing.kind == "pot" else 0.2) for p in things], f).T
    away = np.sqrt(cx**2 + cy**2)
    hx, hy = f(light.toward[0]) - cx / away, f(light.toward[1]) - cy / away
    size = np.sqrt(hx * hx + hy * hy + f(light.toward[2] ** 2))
    hx, hy, size, gloss = np.array([hx, hy, size, gloss]).take(batch.owner, axis=1)
    shine = np.clip((nx * hx + ny * hy) / size, 0, 1)
    for _ in range(4):
        shine *= shine
    color += shine * gloss * f(0.25 + 0.75 * light.direct)
    top = np.flatnonzero(on_top)
    if top.size:
        color[:, top] = _round_tops(batch.pick(top), things, t[top], eye)
    return color


def _round_tops(batch: Batch, things: Sequence[Placed], t: np.ndarray, eye: float) -> np.ndarray:
    """What one sees on the flat top of a round thing, or through it where it is open."""
    f, n = np.float32, batch.numbers
    x, y = batch.dx * t - n["cx"], batch.dy * t - n["cy"]
    out = (x * x + y * y) / n["r1_square"]
    base = np.array([_base(p.thing) for p in things]).take(batch.owner, axis=0).T
    kinds = np.array([{"pot": 1}.get(p.thing.kind, 2 if KINDS[p.thing.kind].open_top else 0) for p in things]).take(batch.owner)
    lid = base * np.where(out > f(0.74), f(0.72), f(1.0))
    earth = np.where(out > f(0.74), base * f(1.1), rgb(52, 38, 28).astype(f)[:, None])
    # The far meeting with the cone lies on the inner wall; deeper is darker.
    deep = np.clip((batch.dz * leave_round(batch) + f(eye)) / n["height"], 0, 1)
    hollow = base * np.where(out > f(0.86), f(1.25), f(0.10) + f(0.55) * deep * deep)
    return np.where(kinds == 0, lid, np.where(kinds == 1, earth, hollow))


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
    f, n = np.float32, batch.numbers
    px, py, z = m.ex * m.enter + n["ox"], m.ey * m.enter + n["oy"], m.ez * m.enter + f(eye)
    # Outward normals, back in body axes.
    sx, sy = np.where(m.ex > 0, f(-1), f(1)), np.where(m.ey > 0, f(-1), f(1))
    nx = np.where(m.on_top, 0, np.where(m.on_x, sx * n["cos"], sy * -n["sin"]))
    ny = np.where(m.on_top, 0, np.where(m.on_x, sx * n["sin"], sy * n["cos"]))
    shade = light.on(nx, ny, m.on_top.astype(f))
    shade *= f(1) - f(0.40) / (f(1) + (z * f(1 / 0.05)) ** 2)
    slatted = n["slatted"] > 0
    along, half = np.where(m.on_x, py, px), np.where(m.on_x, n["half_y"], n["half_x"])
    scuffs = _scuffs(bank, along, z, things, batch.owner)
    base = np.array([_base(p.thing) for p in things]).take(batch.owner, axis=0).T
    color = base * (f(1) + f(0.08) * scuffs)
    _soil(color, z, scuffs)
    inner = _box_inside(batch, m, eye)

    place = z * f(_SLATS) / n["height"]
    place -= np.floor(place)
    plank = np.abs(along)
    frame = (half - plank < f(0.035)) | (plank < f(0.02))
    gap = slatted & ~frame & ~m.on_top & (place < f(0.22)) & (z < f(0.93) * n["height"])
    # The upper edge of each slat lies in the shade of nothing, its lower lip is dark.
    shade *= np.where(slatted & ~m.on_top, np.where(frame, f(0.92), np.where(place > f(0.90), f(0.72), f(1))), f(1))
    wall = np.where(slatted, f(0.022), f(0.014))
    rim = (np.abs(px) > n["half_x"] - wall) | (np.abs(py) > n["half_y"] - wall)
    through = gap | (m.on_top & ~rim)
    inner *= np.where(gap, f(0.55), f(1))
    color *= shade
    return np.where(through, base * inner, color)


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
