"""Soft shadows on the floor: where a thing keeps the light away."""

from __future__ import annotations

import math

import numpy as np

from robotlab.greenhouse.scene import Thing
from robotlab.greenhouse.solids import Light


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


def darken(thing: Thing, cx: float, cy: float, turn: float, x: np.ndarray, y: np.ndarray, light: Light) -> np.ndarray:
    """Share of the light that still reaches the ground.

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
    depth = _outside(thing, px, py, turn) * f(1 / (0.06 + 0.14 * min(height, 0.5)))
    strength = 0.62 if thing.shape != "plant" else 0.5
    share = f(1) - f(strength) / (f(1) + depth * depth * f(4))
    if light.direct <= 0:
        return share
    lx, ly, lz = light.toward
    slope = math.hypot(lx, ly) / max(lz, 0.35)
    length = height * slope
    ux, uy = (-lx / math.hypot(lx, ly), -ly / math.hypot(lx, ly)) if slope > 0 else (0.0, 0.0)
    cover = np.zeros_like(px)
    if thing.shape == "round":
        r0, r1, _ = thing.size_m
        s = np.clip(px * f(ux) + py * f(uy), 0, f(max(length, 1e-6)))
        up = s * f(1 / max(length, 1e-6))
        qx, qy = px - s * f(ux), py - s * f(uy)
        soft = f(0.012) + f(0.06 * height) * up
        edge = f(r0) + f(r1 - r0) * up + soft * f(0.5) - np.sqrt(qx * qx + qy * qy)
        cover = np.clip(edge / soft, 0, 1)
    else:
        steps = 8 if thing.shape == "box" else 5
        for i in range(steps):
            up = i / (steps - 1)
            soft = f(0.015 + 0.06 * height * up + (0.2 * height if thing.shape == "plant" else 0))
            gone = _outside(thing, px - f(ux * length * up), py - f(uy * length * up), turn)
            np.maximum(cover, np.clip(f(1) - gone / soft, 0, 1), out=cover)
        if thing.shape == "plant":
            cover *= f(0.6)
    return share * (f(1) - f(0.9 * light.direct) * cover)


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

    # Cells a metre: a contact shadow is about five cells wide.
    per_meter = 100

    def __init__(self, things: tuple[Thing, ...], room_m: tuple[float, float, float, float], light: Light) -> None:
        self.x0, self.y0, x1, y1 = room_m
        self.columns = math.ceil((x1 - self.x0) * self.per_meter) + 1
        self.rows = math.ceil((y1 - self.y0) * self.per_meter) + 1
        share = np.ones((self.rows, self.columns), np.float32)
        for thing in things:
            reach = thing.reach_m + 0.5 + thing.height_m * math.hypot(*light.toward[:2]) / max(light.toward[2], 0.35)
            c0, r0 = (max(0, int((at - low - reach) * self.per_meter)) for at, low in ((thing.x_m, self.x0), (thing.y_m, self.y0)))
            c1 = min(self.columns, int((thing.x_m - self.x0 + reach) * self.per_meter) + 2)
            r1 = min(self.rows, int((thing.y_m - self.y0 + reach) * self.per_meter) + 2)
            if c0 >= c1 or r0 >= r1:
                continue
            x = ((np.arange(c0, c1) + 0.5) / self.per_meter + self.x0).astype(np.float32)[None, :]
            y = ((np.arange(r0, r1) + 0.5) / self.per_meter + self.y0).astype(np.float32)[:, None]
            x, y = np.broadcast_arrays(x, y)
            share[r0:r1, c0:c1] *= darken(thing, thing.x_m, thing.y_m, thing.heading_rad, x, y, light)
        self.share = share.ravel()

    def look_up(self, x: np.ndarray, y: np.ndarray, jitter: np.ndarray) -> np.ndarray:
        """Share of the light at points of the world.

        Parameters
        ----------
        x, y : ndarray of float32
            World frame, m; points outside the room take the nearest edge's.
        jitter : (2, ...) ndarray of float32
            Added to the cell coordinates: turns the steps between cells into
            fine grain.

        Returns
        -------
        ndarray of float32
            0 to 1.
        """
        f = np.float32
        c = x * f(self.per_meter) + (jitter[0] - f(self.x0 * self.per_meter))
        r = y * f(self.per_meter) + (jitter[1] - f(self.y0 * self.per_meter))
        np.clip(c, 0, self.columns - 1, out=c)
        np.clip(r, 0, self.rows - 1, out=r)
        index = r.astype(np.int32)
        index *= np.int32(self.columns)
        index += c.astype(np.int32)
        return self.share.take(index, mode="clip")
