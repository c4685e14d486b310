"""Soft shadows and ambient occlusion on the floor."""

from __future__ import annotations

import math

import numpy as np

from robotlab.greenhouse.ray_intersections import Light
from robotlab.greenhouse.scene import Thing
from robotlab.greenhouse.textures import FLOOR_PER_METER

# A cell of the shadow map is two texels of the floor: a contact shadow is several cells wide.
SHADOW_SHIFT = 1

# Texels are counted from here (minus x, minus y, m): far outside any room, so that
# counts are positive; 64 m along x and 68 m along y are whole repeats of the floor,
# 4 m and 8 m, with y = 0 on the texture's middle row.
ORIGIN_M = (64.0, 68.0)


def _outside(thing: Thing, x: np.ndarray, y: np.ndarray, turn: float) -> np.ndarray:
    """Distance from the foot of a thing (0 inside), for points relative to its middle."""
    f = np.float32
    a, b, _ = thing.size_m
    if thing.shape == "box":
        cos, sin = f(math.cos(turn)), f(math.sin(turn))
        along = np.maximum(np.abs(x * cos + y * sin) - f(a / 2), 0)
        across = np.maximum(np.abs(y * cos - x * sin) - f(b / 2), 0)
        return np.sqrt(along * along + across * across)
    radius = a if thing.shape == "round" else 0.30 * a
    return np.maximum(np.sqrt(x * x + y * y) - f(radius), 0)


def shadow_factor(
    thing: Thing, cx: float, cy: float, turn: float, x: np.ndarray, y: np.ndarray, light: Light
) -> np.ndarray:
    """Fraction of the light that still reaches the ground.

    Parameters
    ----------
    thing : Thing
        What stands in the light.
    cx, cy : float
        Middle of its foot, in the frame of `x` and `y`, m.
    turn : float
        Direction of its length in that frame, rad.
    x, y : ndarray of float32
        Points on the ground, m.
    light : Light
        In the same frame.

    Returns
    -------
    ndarray of float32
        0 to 1.

    Notes
    -----
    Two parts, both soft: next to the foot a part of the sky is hidden; along
    the shadow the sun is, the edge getting softer with height above ground.
    """
    f = np.float32
    px, py = x - f(cx), y - f(cy)
    height = thing.height_m
    depth = _outside(thing, px, py, turn) * f(2 / (0.06 + 0.14 * min(height, 0.5)))
    share = f(1) - f(0.62 if thing.shape != "plant" else 0.5) / (depth * depth + f(1))
    if light.direct <= 0:
        return share
    lx, ly, lz = light.toward
    slope = math.hypot(lx, ly) / max(lz, 0.35)
    length = height * slope
    ux, uy = (-lx / math.hypot(lx, ly), -ly / math.hypot(lx, ly)) if slope > 0 else (0.0, 0.0)
    if thing.shape == "round":
        r0, r1, _ = thing.size_m
        s = np.minimum(np.maximum(px * f(ux) + py * f(uy), 0), f(max(length, 1e-6)))
        up = s * f(1 / max(length, 1e-6))
        px -= s * f(ux)
        py -= s * f(uy)
        soft = up * f(0.06 * height) + f(0.012)
        cover = (up * f(r1 - r0) + f(r0) + soft * f(0.5) - np.sqrt(px * px + py * py)) / soft
        cover = np.minimum(np.maximum(cover, 0), 1)
    else:
        cover = np.zeros_like(px)
        steps = 8 if thing.shape == "box" else 5
        for i in range(steps):
            part = i / (steps - 1)
            edge = f(0.015 + 0.06 * height * part + (0.2 * height if thing.shape == "plant" else 0))
            gone = _outside(thing, px - f(ux * length * part), py - f(uy * length * part), turn)
            np.maximum(cover, np.clip(f(1) - gone / edge, 0, 1), out=cover)
        if thing.shape == "plant":
            cover *= f(0.6)
    return share * (f(1) - cover * f(0.9 * light.direct))


class ShadowMap:
    """The shadows of all things that stay where they are, drawn once.

    Parameters
    ----------
    things : sequence of Thing
        What stands in the light.
    room_m : (float, float, float, float)
        Least x, least y, most x, most y, world frame, m.
    light : Light
        World frame.
    """

    def __init__(self, things: tuple[Thing, ...], room_m: tuple[float, float, float, float], light: Light) -> None:
        per_meter = FLOOR_PER_METER >> SHADOW_SHIFT
        x0, y0, x1, y1 = room_m
        self.first = (math.floor((x0 + ORIGIN_M[0]) * per_meter), math.floor((y0 + ORIGIN_M[1]) * per_meter))
        self.columns = math.ceil((x1 - x0) * per_meter) + 2
        rows = math.ceil((y1 - y0) * per_meter) + 2
        left, bottom = (at / per_meter - origin for at, origin in zip(self.first, ORIGIN_M, strict=True))
        share = np.ones((rows, self.columns), np.float32)
        for thing in things:
            reach = thing.reach_m + 0.5 + thing.height_m * math.hypot(*light.toward[:2]) / max(light.toward[2], 0.35)
            c0 = max(0, int((thing.x_m - left - reach) * per_meter))
            r0 = max(0, int((thing.y_m - bottom - reach) * per_meter))
            c1 = min(self.columns, int((thing.x_m - left + reach) * per_meter) + 2)
            r1 = min(rows, int((thing.y_m - bottom + reach) * per_meter) + 2)
            if c0 >= c1 or r0 >= r1:
                continue
            x = ((np.arange(c0, c1) + 0.5) / per_meter + left).astype(np.float32)[None, :]
            y = ((np.arange(r0, r1) + 0.5) / per_meter + bottom).astype(np.float32)[:, None]
            x, y = np.broadcast_arrays(x, y)
            share[r0:r1, c0:c1] *= shadow_factor(thing, thing.x_m, thing.y_m, thing.heading_rad, x, y, light)
        # The root, over 255: times the byte of a texture, squared, is lit linear light.
        self.root = np.sqrt(share).ravel() * np.float32(1 / 255)

    def sample(self, u: np.ndarray, v: np.ndarray, out: np.ndarray) -> None:
        """Root of the fraction of the light, over 255.

        Parameters
        ----------
        u, v : ndarray of int32
            Floor texels from :data:`ORIGIN_M` along world x and y.  Places
            outside the room get some value: they are behind a wall.
        out : (N,) ndarray of float32
            Takes the answer, 0 to 1 / 255.
        """
        index = v >> SHADOW_SHIFT
        index *= self.columns
        index += u >> SHADOW_SHIFT
        index -= self.first[1] * self.columns + self.first[0]
        self.root.take(index, mode="clip", out=out)
