"""Materials and shading: color, bands, slats and dirt where a ray meets a thing."""

from __future__ import annotations

from collections import namedtuple

import numpy as np

from robotlab.greenhouse.ray_intersections import GEOMETRY, Billboard, BoxIntersection, Cone, Light, exit_cone
from robotlab.greenhouse.scene import KINDS, Thing
from robotlab.greenhouse.textures import rgb

# Steps of the color profile along the height of a round thing: 2 mm on a post.
_STEPS = 256
_SLATS = 4
_DIRT, _EARTH = (rgb(*color).astype(np.float32)[:, None] for color in ((120, 100, 78), (52, 38, 28)))

# What is on top of a round thing.
_LID, _EARTHED, _HOLLOW = 0.0, 1.0, 2.0


# How a thing looks; the rows of a table below those of its geometry.  First what turns the level part (nx, ny)
# of a normal into three sums: direct light, shine (toward halfway between light and camera) and the place around
# a round thing.  Then direct light and light from around on the upright part (see `Light.above`); divisor of the
# shine; where scuffs are in their table, and how strong; gloss; what is on top; where its color profile begins;
# linear color; its height; for a box half its length and width, and whether it has slats.
Material = namedtuple(
    "Material",
    "lit_x shine_x along_x lit_y shine_y along_y direct around size along up rough gloss top profile red green blue "
    "height half_x half_y slatted",
)
ROW = Material(*range(len(Material._fields)))


def material_of(thing: Thing, number: int, sun: Light) -> Material:
    """How a thing looks; `number` counts the profiles before its own.

    What depends on where it stands is left 0: see :func:`orient_materials`.
    """
    red, green, blue = rgb(*(thing.color or KINDS[thing.kind].color)).tolist()
    a, b, height = thing.size_m
    boxy = thing.shape == "box"
    direct, around = sun.above(np.array(-(b - a) / height if thing.shape == "round" else 0, np.float32))
    top = _EARTHED if thing.kind == "pot" else _HOLLOW if KINDS[thing.kind].open_top else _LID
    # Each thing looks at another part of the table; 9000 keeps places positive.
    places = {"along_x": 0.5, "along_y": 0.37, "along": thing.seed * 17 + 9000.0, "up": thing.seed * 31 + 9000.0}
    later = dict.fromkeys(("lit_x", "shine_x", "lit_y", "shine_y", "size"), 0)
    lit = {"direct": float(direct), "around": float(around)}
    surface = {"rough": 0.08 if boxy else 0.06, "gloss": 0.03 if thing.kind == "pot" else 0.2, "top": top}
    color = {"profile": number * _STEPS, "red": red, "green": green, "blue": blue}
    size = {"height": height, "half_x": a / 2, "half_y": b / 2, "slatted": thing.kind == "crate"}
    return Material(**places, **later, **lit, **surface, **color, **size)


def orient_materials(materials: np.ndarray, places: np.ndarray, light: Light) -> None:
    """Fill in what depends on where round things stand, (2, things), and on where the light comes from, body axes."""
    materials[ROW.lit_x], materials[ROW.lit_y] = light.level()
    square = places * places
    halfway = np.array(light.toward[:2], np.float32)[:, None] - places / np.sqrt(square[0] + square[1])
    materials[ROW.shine_x], materials[ROW.shine_y] = halfway
    halfway *= halfway
    np.sqrt(halfway[0] + halfway[1] + np.float32(light.toward[2] ** 2), out=materials[ROW.size])


def profile_of(thing: Thing) -> np.ndarray:
    """Color of a round thing from foot to top: (3, steps), linear; bands, rims, ridges and caps."""
    kind, bands, height = thing.kind, thing.bands, thing.height_m
    z = (np.arange(_STEPS) + 0.5) / _STEPS * height
    base = rgb(*(thing.color or KINDS[kind].color))
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


def _scuffs(bank: np.ndarray, spot: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Blotches that stick to a surface, (N,): from a square table of smooth noise whose side is a power of two."""
    side = len(bank)
    i, j = (spot * 90 + shift).astype(np.int32) & (side - 1)
    return bank.reshape(-1).take(i * side + j)


class Surface:
    """Surfaces of solid things that rays meet, first those of round things, then of boxes.

    Parameters
    ----------
    rays : (3, N) ndarray of float32
        That meet them.
    numbers : (K, N) ndarray of float32
        Rows of :class:`Cone` or :class:`Box`, and of :class:`Material`.
    t : (N,) ndarray of float32
        Depth of the intersection, m.
    rounds : int
        How many rays meet round things.
    eye : float
        Height of the lens, m.

    Attributes
    ----------
    spot : (2, N) ndarray of float32
        Where on the surface: along or around it, and height, m.
    color : (3, N) ndarray of float32
        Linear, in daylight colors.
    shade : (N,) ndarray of float32
        Brightness.
    """

    def __init__(self, rays: np.ndarray, numbers: np.ndarray, t: np.ndarray, rounds: int, eye: float) -> None:
        self.rays, self.t, self.rounds, self.eye = rays, t, rounds, eye
        self.geometry, self.materials = numbers[:GEOMETRY], numbers[GEOMETRY:]
        self.spot, self.color = np.empty((2, t.size), np.float32), np.empty((3, t.size), np.float32)
        self.shade = np.empty(t.size, np.float32)

    def cones(self, profiles: np.ndarray) -> np.ndarray:
        """Fill in the surfaces of round things; gives how they shine."""
        rounds, geometry, materials = self.rounds, self.geometry[:, : self.rounds], self.materials[:, : self.rounds]
        _, _, r0, k, height = geometry[:5]
        place = self.rays[:, :rounds] * self.t[:rounds]
        place[2] += self.eye
        level, z = place[:2], place[2]
        # The outward normal, level enough to take its length as 1.
        level = (level - geometry[:2]) / (k * z + r0)
        facing, shine, around = level[0] * materials[:3] + level[1] * materials[3:6]
        self.shade[:rounds] = np.maximum(facing + materials[ROW.direct], 0) + materials[ROW.around]
        self.spot[:, :rounds] = around, z
        step = np.minimum((z / height * _STEPS).astype(np.int32), _STEPS - 1)
        self.color[:, :rounds] = profiles.take(step + materials[ROW.profile].astype(np.int32), axis=1)
        shine = np.minimum(np.maximum(shine / materials[ROW.size], 0), 1)
        for _ in range(4):
            shine *= shine
        return shine * materials[ROW.gloss]

    def tops(self, which: np.ndarray) -> np.ndarray:
        """What some rays see on the flat top of a round thing, or through it where it is open."""
        rays, geometry, materials = self.rays[:, which], self.geometry[:, which], self.materials[:, which]
        f, n, top = np.float32, Cone(*geometry[:8]), materials[ROW.top]
        x, y = rays[:2] * self.t[which] - geometry[:2]
        out = (x * x + y * y) / n.r1_square
        rim = out > 0.74
        # The far intersection with the cone lies on the inner wall; deeper is darker.
        deep = (rays[2] * exit_cone(rays, n) + f(self.eye)) / n.height
        deep = np.minimum(np.maximum(deep, 0), 1)
        hollow = np.where(out > f(0.86), f(1.25), f(0.10) + f(0.55) * deep * deep)
        bright = np.where(top == _LID, np.where(rim, f(0.72), f(1.0)), np.where(top == _EARTHED, f(1.1), hollow))
        return np.where((top == _EARTHED) & ~rim, _EARTH, materials[ROW.red : ROW.red + 3] * bright)

    def boxes(self, m: BoxIntersection, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Fill in the surfaces of boxes; gives the rays that look into one, and what those see."""
        start, materials = self.rounds, self.materials[:, self.rounds :]
        (ex, ey, _, enter, _), (on_top, on_x, _) = m
        base, whole = materials[ROW.red : ROW.red + 3], materials[ROW.height]
        half_x, half_y, slatted = materials[ROW.half_x], materials[ROW.half_y], materials[ROW.slatted]
        place = m.way[:3] * enter
        place[:2] += self.geometry[8:, start:]
        place[2] += self.eye
        px, py, z = place
        shade = self.shade[start:]
        level = np.where(on_x, np.where(ex > 0, faces[1], faces[0]), np.where(ey > 0, faces[3], faces[2]))
        shade[...] = np.where(on_top, faces[4], level)
        high = z * np.float32(1 / 0.05)
        shade *= 1 - 0.40 / (high * high + 1)
        plank, half = np.where(on_x, py, px), np.where(on_x, half_y, half_x)
        self.spot[0, start:] = plank
        self.spot[1, start:] = z
        self.color[:, start:] = base

        slatted = slatted > 0
        height = z * _SLATS / whole
        height -= np.floor(height)
        plank = np.abs(plank)
        frame = (half - plank < 0.035) | (plank < 0.02)
        slats = slatted & ~on_top
        gap = slats & ~frame
        # The upper edge of each slat lies in the shade of nothing, its lower lip is dark.
        shade[slats & frame] *= np.float32(0.92)
        shade[gap & (height > 0.90)] *= np.float32(0.72)
        gap &= (height < 0.22) & (z < np.float32(0.93) * whole)
        wall = np.where(slatted, np.float32(0.022), np.float32(0.014))
        holes = ((np.abs(px) <= half_x - wall) & (np.abs(py) <= half_y - wall) & on_top | gap).nonzero()[0]
        inside = _box_inside(whole.take(holes), slatted.take(holes), m.take(holes), self.eye)
        inside[gap.take(holes)] *= np.float32(0.55)
        return holes + start, base.take(holes, axis=1) * inside

    def weather(self, bank: np.ndarray) -> None:
        """Scuffs, dirt and then light: scuffs are bumps on round things and stains on boxes."""
        materials, rounds = self.materials, self.rounds
        scuffs = _scuffs(bank, self.spot, materials[ROW.along : ROW.up + 1])
        rough = scuffs * materials[ROW.rough] + 1
        self.shade[:rounds] *= rough[:rounds]
        self.color[:, rounds:] *= rough[rounds:]
        # Dirt, most near the ground.
        soiled = np.minimum(np.maximum((0.10 - self.spot[1]) * 4.5 + scuffs * 0.14, 0), 0.4)
        self.color += (_DIRT - self.color) * soiled
        self.color *= self.shade

    def colors(
        self, on_top: np.ndarray | None, boxes: tuple | None, profiles: np.ndarray, bank: np.ndarray, light: Light
    ) -> np.ndarray:
        """Color of round things, then of crates and trays.

        Parameters
        ----------
        on_top : (M,) ndarray of bool or None
            For the round things, which come first: whether it is on the flat top.
        boxes : (BoxIntersection, (5, N - M) ndarray of float32) or None
            How the other rays go through boxes, and :func:`shade_faces` for those rays.
        profiles : (3, S) ndarray of float32
            Colors of round things from foot to top, one thing after the other.
        bank : (R, R) ndarray of float32
            Smooth noise.
        light : Light
            Body axes.

        Returns
        -------
        (3, N) ndarray of float32
            Linear, in daylight colors.
        """
        rounds, color = self.rounds, self.color
        if rounds:
            shine = self.cones(profiles)
        if boxes:
            holes, inside = self.boxes(*boxes)
        self.weather(bank)
        if rounds:
            assert on_top is not None
            shine *= 0.25 + 0.75 * light.direct
            color[:, :rounds] += shine
            top = on_top.nonzero()[0]
            if top.size:
                color[:, top] = self.tops(top)
        if boxes and holes.size:
            color[:, holes] = inside
        return color


def shade_faces(turns: np.ndarray, light: Light) -> np.ndarray:
    """Brightness of the faces of boxes, (5, boxes): those that look along x, minus x, y, minus y (of the box) and up.

    `turns` are the cosines and sines of their directions, (2, boxes).
    """
    cos, sin = turns
    nx, ny, nz = np.zeros((3, 5, cos.size), np.float32)
    nx[0], nx[1], nx[2], nx[3] = cos, -cos, -sin, sin
    ny[0], ny[1], ny[2], ny[3] = sin, -sin, cos, -cos
    nz[4] = 1
    return light.on(nx, ny, nz)


def _box_inside(height: np.ndarray, slatted: np.ndarray, m: BoxIntersection, eye: float) -> np.ndarray:
    """Brightness inside a box: its far walls with their slats, or its bottom."""
    f, (_, _, ez, _, leave), to_bottom = np.float32, m.way, m.sides[2]
    up = (ez * leave + f(eye)) / height
    up = np.minimum(np.maximum(up, 0), 1)
    place = up * f(_SLATS)
    place -= np.floor(place)
    crate = np.where(to_bottom, f(0.12), np.where(place < f(0.22), f(0.06), f(0.14) + f(0.40) * up))
    return np.where(slatted, crate, f(0.62) + f(0.2) * up)


def shade_plants(
    rays: np.ndarray, numbers: np.ndarray, t: np.ndarray, colors: np.ndarray, eye: float, light: Light
) -> np.ndarray:
    """Color of plants.

    Parameters
    ----------
    rays : (3, N) ndarray of float32
        That meet them.
    numbers : (K, N) ndarray of float32
        Rows of :class:`Billboard`, and others.
    t : (N,) ndarray of float32
        Depth of the intersection, m.
    colors : (3, N) ndarray of float32
        Of the sprites there.
    eye : float
        Height of the lens, m.
    light : Light
        Body axes.

    Returns
    -------
    (3, N) ndarray of float32
        Linear, in daylight colors.
    """
    up = (rays[2] * t + np.float32(eye)) * Billboard(*numbers[:8]).per_height
    return colors * ((up * 0.3 + 0.7) * (0.75 + 0.25 * light.direct))
