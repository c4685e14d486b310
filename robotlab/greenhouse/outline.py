"""Outlines of things in the picture, in closed form, and ground truth from them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.greenhouse.scene import Thing
from robotlab.greenhouse.view import NEAR_M

# A circle as a polygon, half in and half out of it: within 0.3 % of its radius.
_SIDES = 32
_SCALE = math.sqrt(math.cos(math.pi / _SIDES))
_AROUND = [
    (math.cos(i * 2 * math.pi / _SIDES) / _SCALE, math.sin(i * 2 * math.pi / _SIDES) / _SCALE) for i in range(_SIDES)
]


def _circle_box(
    camera: Camera, focal: float, cos: float, sin: float, cx: float, cy: float, z: float, radius: float
) -> tuple[float, float, float, float]:
    """Box in the picture of a level circle, px; cosine and sine are those of the camera's pitch.

    Both coordinates are (a0 + a1 c + a2 s) / (d0 + d1 c) with c, s the cosine and
    sine of the angle around the circle.  At an extreme value q the equation
    a0 - q d0 = -(a1 - q d1) c - a2 s has just one solution, so
    (a0 - q d0)^2 = (a1 - q d1)^2 + a2^2: a quadratic in q.
    """
    below = camera.height_m - z
    d0, d1 = cos * cx + sin * below, cos * radius
    square = d0 * d0 - d1 * d1

    def ends(center: float, a0: float, a1: float, a2: float) -> tuple[float, float]:
        middle = a0 * d0 - a1 * d1
        root = math.sqrt(max(middle * middle - square * (a0 * a0 - a1 * a1 - a2 * a2), 0.0))
        return center + (middle - root) / square, center + (middle + root) / square

    x0, x1 = ends(camera.width_px / 2, -focal * cy, 0.0, -focal * radius)
    y0, y1 = ends(camera.height_px / 2, focal * (cos * below - sin * cx), -focal * sin * radius, 0.0)
    return x0, y0, x1, y1


@dataclass(slots=True)
class Outline:
    """Where a placed thing lies in the picture.

    Parameters
    ----------
    thing : Thing
        What it is.
    cx, cy : float
        Middle of its foot, body axes, m.
    turn : float
        Direction of its length, body axes, rad.
    camera : Camera
        What materials.
    box : (float, float, float, float) or None
        Box of the whole thing, px; ``None`` where a part of it is beside or
        behind the lens, so that the box has no limits.
    """

    thing: Thing
    cx: float
    cy: float
    turn: float
    camera: Camera
    box: tuple[float, float, float, float] | None

    def inside(self) -> tuple[list[float], float]:
        """Box of the part inside the picture, px, and the fraction of the outline's area that it is."""
        width, height = float(self.camera.width_px), float(self.camera.height_px)
        if self.box is not None and min(self.box) >= 0 and self.box[2] <= width and self.box[3] <= height:
            return list(self.box), 1.0
        pixels, depth = self.camera.project(np.array(_points(self.thing, self.cx, self.cy, self.turn)))
        hull = _hull(pixels[depth > NEAR_M])
        whole = _area(hull)
        for axis, limit, keep_below in ((0, 0.0, False), (0, width, True), (1, 0.0, False), (1, height, True)):
            hull = _cut(hull, axis, limit, keep_below)
        if len(hull) < 3 or not whole > 0:
            return [0.0, 0.0, 0.0, 0.0], 0.0
        xs, ys = zip(*hull, strict=True)
        return [min(xs), min(ys), max(xs), max(ys)], min(1.0, _area(hull) / whole)

    def truth(self, pixels: np.ndarray | None, columns: int, samples: int) -> tuple[list[float], list[float], float]:
        """Visible box, whole box, and fraction inside the picture.

        Parameters
        ----------
        pixels : (N,) ndarray of int or None
            Which rays of the flat picture show the thing, in order; ``None``
            where nothing hides any of it.
        columns : int
            Rays in a row.
        samples : int
            Rays along each side of a pixel.

        Returns
        -------
        (box, whole box, fraction)
            Boxes in px.
        """
        inside, share = self.inside()
        if pixels is None:
            assert self.box is not None
            return inside, list(self.box), share
        column = pixels % columns
        ends = (column.min(), pixels[0] // columns, column.max() + 1, pixels[-1] // columns + 1)
        drawn = [int(v) / samples for v in ends]
        if self.box is None:
            return drawn, drawn, share
        # A side that nothing hides lies within a ray or so of where the formula has it: take the formula's.
        box = [exact if abs(exact - edge) <= 1.5 / samples else edge for exact, edge in zip(inside, drawn, strict=True)]
        return box, list(self.box), share


def outline_of(thing: Thing, camera: Camera, cx: float, cy: float, turn: float) -> Outline:
    """The outline of a thing.

    Parameters
    ----------
    thing : Thing
        What is looked at.
    camera : Camera
        What materials.
    cx, cy : float
        Middle of its foot, body axes, m.
    turn : float
        Direction of its length, body axes, rad.

    Returns
    -------
    Outline
        Exact for boxes and truncated cones, whose outline is the hull of their
        corners and of their two rims.
    """
    a, b, height = thing.size_m
    cos, sin, eye, f = math.cos(camera.pitch_rad), math.sin(camera.pitch_rad), camera.height_m, camera.focal_px
    # Depth of the nearest and the farthest point of an upright cylinder around the thing.
    reach = cos * thing.reach_m
    ends = (cos * cx + sin * eye, cos * cx + sin * (eye - height))
    if min(ends) - reach <= NEAR_M:
        behind = max(ends) + reach <= NEAR_M
        return Outline(thing, cx, cy, turn, camera, (0.0, 0.0, 0.0, 0.0) if behind else None)
    if thing.shape == "round":
        low, high = (_circle_box(camera, f, cos, sin, cx, cy, z, radius) for z, radius in ((0.0, a), (height, b)))
        box = (min(low[0], high[0]), min(low[1], high[1]), max(low[2], high[2]), max(low[3], high[3]))
    else:
        xs, ys = [], []
        for x, y, z in _points(thing, cx, cy, turn):
            scale = f / (cos * x + sin * (eye - z))
            xs.append(camera.width_px / 2 - scale * y)
            ys.append(camera.height_px / 2 + scale * (cos * (eye - z) - sin * x))
        box = (min(xs), min(ys), max(xs), max(ys))
    return Outline(thing, cx, cy, turn, camera, box)


def _points(thing: Thing, cx: float, cy: float, turn: float) -> list[tuple[float, float, float]]:
    """Points of a thing whose hull in the picture is its outline, body axes, m."""
    a, b, height = thing.size_m
    if thing.shape == "round":
        return [(cx + r * c, cy + r * s, z) for r, z in ((a, 0.0), (b, height)) for c, s in _AROUND]
    if thing.shape == "box":
        cos, sin = math.cos(turn) / 2, math.sin(turn) / 2
        return [
            (cx + i * a * cos - j * b * sin, cy + i * a * sin + j * b * cos, z)
            for z in (0.0, height)
            for i in (-1, 1)
            for j in (-1, 1)
        ]
    away = max(math.hypot(cx, cy), 1e-9)
    return [(cx - i * cy / away * a / 2, cy + i * cx / away * a / 2, z) for z in (0.0, height) for i in (-1, 1)]


def _hull(points: np.ndarray) -> list[tuple[float, float]]:
    """Convex hull, in order around it (Andrew's monotone chain, 1979)."""
    ordered = sorted(set(map(tuple, points.tolist())))
    if len(ordered) < 3:
        return ordered
    chains = []
    for run in (ordered, ordered[::-1]):
        chain: list[tuple[float, float]] = []
        for p in run:
            while len(chain) > 1 and (chain[-1][0] - chain[-2][0]) * (p[1] - chain[-2][1]) <= (
                chain[-1][1] - chain[-2][1]
            ) * (p[0] - chain[-2][0]):
                chain.pop()
            chain.append(p)
        chains.append(chain[:-1])
    return chains[0] + chains[1]


def _area(polygon: list[tuple[float, float]]) -> float:
    """Area of a polygon (the shoelace formula)."""
    return abs(sum(p[0] * q[1] - q[0] * p[1] for p, q in zip(polygon, polygon[1:] + polygon[:1], strict=True))) / 2


def _cut(polygon: list[tuple[float, float]], axis: int, limit: float, keep_below: bool) -> list[tuple[float, float]]:
    """Keep the part of a polygon on one side of a level or upright line (Sutherland & Hodgman, 1974)."""
    sign = 1.0 if keep_below else -1.0
    kept = []
    for p, q in zip(polygon, polygon[1:] + polygon[:1], strict=True):
        inside_p, inside_q = sign * (limit - p[axis]) >= 0, sign * (limit - q[axis]) >= 0
        if inside_p:
            kept.append(p)
        if inside_p != inside_q:
            share = (limit - p[axis]) / (q[axis] - p[axis])
            kept.append((p[0] + share * (q[0] - p[0]), p[1] + share * (q[1] - p[1])))
    return kept
