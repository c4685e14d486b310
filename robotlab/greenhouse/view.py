"""The rays of a camera, and all that depends on the camera alone."""

from __future__ import annotations

import functools
import math

import numpy as np

from robotlab.camera import Camera
from robotlab.greenhouse import textures
from robotlab.greenhouse.ray_intersections import FAR
from robotlab.greenhouse.sensor import gain_of
from robotlab.greenhouse.shadows import SHADOW_SHIFT

# Nearer to the plane of the lens than this, a thing's place in the picture grows without limit.
NEAR_M = 0.02


class View:
    """All that depends on the camera alone: the rays and where they meet the ground.

    Parameters
    ----------
    camera : Camera
        What materials.
    samples : int
        Rays along each side of a pixel.
    """

    def __init__(self, camera: Camera, samples: int) -> None:
        self.camera, self.samples = camera, samples
        self.rows, self.columns = camera.height_px * samples, camera.width_px * samples
        focal = camera.focal_px * samples
        self.focal = focal
        right = ((np.arange(self.columns) + 0.5 - self.columns / 2) / focal)[None, :]
        down = ((np.arange(self.rows) + 0.5 - self.rows / 2) / focal)[:, None]
        cos, sin = math.cos(camera.pitch_rad), math.sin(camera.pitch_rad)
        self.cos, self.sin = cos, sin
        shape = (self.rows, self.columns)
        f = np.float32
        # dx and dz are the same along a row, dy down a column.
        self.dx, self.dy, self.dz = (np.asarray(d, f) for d in (cos - down * sin, -right, -sin - down * cos))
        dx, dy, dz = np.broadcast_arrays(self.dx, self.dy, self.dz)
        self.pixels = np.arange(self.rows * self.columns).reshape(shape)
        # Of half the angle of view, and how a circle reaches beyond the plane of the picture's edge.
        self.tan = self.columns / 2 / focal
        self.slope = math.hypot(1, self.tan * cos)
        # Rows above the horizon look at no ground.
        self.horizon = int(np.count_nonzero(dz[:, 0] >= -1e-4))
        with np.errstate(divide="ignore", over="ignore"):
            t = np.where(dz < 0, f(camera.height_m) / np.maximum(-dz, f(1e-7)), FAR)
        self.t_ground = np.minimum(t, f(1e6))
        away = self.t_ground * np.sqrt(dx**2 + dy**2)
        self.row_reach = away.max(axis=1)
        self.falloff = _falloff(camera)
        low = slice(self.horizon, None)
        t = self.t_ground[low]
        # Where rays meet the ground, body axes, m.
        self.ground = np.stack([dx[low] * t, dy[low] * t])
        self._find_texels(t, away[low])

    def rays_at(self, pixels: np.ndarray) -> np.ndarray:
        """Directions of some rays, (3, N)."""
        row = pixels // self.columns
        column = row * self.columns
        np.subtract(pixels, column, out=column)
        rays = np.empty((3, pixels.size), np.float32)
        self.dx.take(row, out=rays[0], mode="clip")
        self.dy.take(column, out=rays[1], mode="clip")
        self.dz.take(row, out=rays[2], mode="clip")
        return rays

    def _find_texels(self, t: np.ndarray, away: np.ndarray) -> None:
        """Where the rays below the horizon meet the ground, in texels of the floor's finest copy."""
        f, per_meter = np.float32, np.float32(textures.FLOOR_PER_METER)
        # Half a cell of the shadow map to and fro: turns its steps, and those of the
        # texture close to the camera, into fine grain.
        jitter = np.random.default_rng(0).random((2, *t.shape), dtype=f) - f(0.5)
        # Beyond 60 m is behind a wall: any texel will do.
        self.texels = (np.clip(self.ground, -60, 60) * per_meter + jitter * f(1 << SHADOW_SHIFT)).reshape(2, -1)
        # Which copy of the floor texture: by a size between the width and the
        # (longer) depth of the piece of ground that a ray sees.
        slant = np.clip(away / max(self.camera.height_m, 1e-3), 1, 16)
        foot = t / f(self.focal) * np.sqrt(slant) * per_meter
        octave = np.floor(np.log2(np.maximum(foot, 1e-6)))
        level = np.clip(octave, 0, textures.FLOOR_LEVELS - 1).astype(np.int32).ravel()
        sizes = [(textures.FLOOR_ROWS >> i, textures.FLOOR_COLUMNS >> i) for i in range(textures.FLOOR_LEVELS)]
        starts = np.cumsum([0] + [rows * columns for rows, columns in sizes[:-1]])
        starts, rows, columns = (np.array(numbers, np.int32)[level] for numbers in (starts, *zip(*sizes, strict=True)))
        self.level, self.start = level, starts
        self.row_mask = (rows - 1) * columns
        # Row (v >> level) & (rows - 1) begins at that times the columns: the same bits as v * row_step & row_mask.
        self.row_step = columns >> level


@functools.lru_cache(maxsize=8)
def gain_at(view: View, exposure: float, noise: float) -> np.ndarray:
    """What the sensor does to the light at each pixel, (H, W); that of the last few exposures is kept."""
    return gain_of(exposure * view.falloff, noise)


def _falloff(camera: Camera) -> np.ndarray:
    """Vignetting: fraction of the light at each pixel, (H, W).

    Real lenses shadow_factor the corners, most less than the cos^4 of a bare pinhole:
    cos^2 here, chosen by eye.
    """
    right = ((np.arange(camera.width_px) + 0.5 - camera.width_px / 2) / camera.focal_px)[None, :]
    down = ((np.arange(camera.height_px) + 0.5 - camera.height_px / 2) / camera.focal_px)[:, None]
    return ((1 + right**2 + down**2) ** -1).astype(np.float32)


@functools.lru_cache(maxsize=8)
def view_of(camera: Camera, samples: int) -> View:
    """The view of a camera; those of the last few are kept."""
    return View(camera, samples)
