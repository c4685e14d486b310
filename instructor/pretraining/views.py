"""Rendered greenhouses to learn from: some empty, some with things in odd colors.

Empty ones serve as backgrounds.  Furnished ones hold the solid kinds of
:mod:`robotlab.greenhouse` in random colors and sizes, each a class of its own,
but never a kind in the color that the course teaches with (``HELD_OUT``: no
orange, red or brown post, no blue bucket, no yellow crate).  The warm and the
grow lamp light none of them.
"""

from __future__ import annotations

import colorsys
import dataclasses
import math
import multiprocessing
from collections.abc import Iterator

import numpy as np
from joblib import Parallel, delayed

import robotlab.greenhouse.renderer as renderer
from robotlab.camera import Camera
from robotlab.greenhouse import Thing, random_scene, render
from shapes import COLOR_RANGES, COLORS, HELD_OUT, KINDS, NAMES

WIDTH_PX, HEIGHT_PX = 320, 240
# Far from the seeds of the recordings in datasets/greenhouse (101 to 207).
FIRST_SEED = 900_000
# At most so many things count in a picture.
SLOTS = 14
LAMPS = ("daylight", "overcast", "dusk")


def _camera(rng: np.random.Generator, width: int, height: int) -> tuple[Camera, tuple[float, float, float]]:
    camera = Camera(width, height, math.radians(rng.uniform(48, 80)), rng.uniform(0.15, 0.7), rng.uniform(0.0, 0.35))
    return camera, (rng.uniform(-1, 1), rng.uniform(-0.6, 0.6), rng.uniform(-0.5, 0.5))


def empty_greenhouse(seed: int) -> np.ndarray:
    """One view with plants and nothing else, (HEIGHT_PX, WIDTH_PX, 3) uint8."""
    rng = np.random.default_rng([FIRST_SEED, seed])
    scene = random_scene(rng, LAMPS[seed % 2], wrong_things=False, clutter=rng.uniform(0, 2))
    scene = dataclasses.replace(scene, things=tuple(thing for thing in scene.things if thing.shape == "plant"))
    camera, pose = _camera(rng, WIDTH_PX, HEIGHT_PX)
    return render(scene, camera, pose, exposure=rng.uniform(0.9, 1.3), noise=0.0, blur=0.4, seed=seed).picture


def empty_greenhouses(count: int) -> np.ndarray:
    """(count, HEIGHT_PX, WIDTH_PX, 3) uint8, on all cores."""
    return np.stack(Parallel(n_jobs=-1)(delayed(empty_greenhouse)(seed) for seed in range(count)))


def _other(thing: Thing, rng: np.random.Generator) -> tuple[Thing, int]:
    """Another kind of thing at the same place, and its color."""
    while True:
        kind, color = KINDS[rng.integers(len(KINDS))], COLORS[rng.integers(len(COLORS))]
        if color != "photo" and (f"greenhouse {kind}", color) not in HELD_OUT:
            break
    low, high = np.array(COLOR_RANGES[color]).reshape(3, 2).T
    hue, saturation, value = rng.uniform(low, high)
    rgb = tuple(int(round(255 * c)) for c in colorsys.hsv_to_rgb(hue % 1, saturation, value))
    scale = float(np.exp(rng.normal(0, 0.2)))
    bands = int(rng.integers(0, 3)) if kind == "post" else 0
    return Thing(kind, thing.x_m, thing.y_m, thing.heading_rad, scale, rgb, bands, thing.seed), COLORS.index(color)


def furnished_greenhouse(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """One view of things in odd colors.

    Returns
    -------
    picture : (HEIGHT_PX, WIDTH_PX, 3) ndarray of uint8
        Without noise.
    rows : (SLOTS, 7) ndarray of float32
        Corners (px), shape, color, share that shows; shape -1 where unused.
    """
    # The renderer tells the truth about CLASSES; here, about every solid kind.
    renderer.CLASSES = KINDS
    rng = np.random.default_rng([FIRST_SEED, 1, seed])
    scene = random_scene(rng, LAMPS[seed % 3], clutter=rng.uniform(0.3, 1.5))
    things, colors = [], []
    for thing in scene.things:
        other, color = (thing, -1) if thing.shape == "plant" else _other(thing, rng)
        things.append(other)
        colors.append(color)
    camera, pose = _camera(rng, WIDTH_PX, HEIGHT_PX)
    exposure = rng.uniform(0.85, 1.3) * (1.5 if scene.lamp == "dusk" else 1.0)
    frame = render(dataclasses.replace(scene, things=tuple(things)), camera, pose, exposure=exposure, noise=0.0, blur=0.35, seed=seed, samples=2)
    truths = frame.truths
    order = np.argsort(-(truths.boxes[:, 2:] - truths.boxes[:, :2]).prod(1))[:SLOTS]
    rows = np.full((SLOTS, 7), -1, np.float32)
    for row, i in zip(rows, order, strict=False):
        name = f"greenhouse {KINDS[truths.labels[i]]}"
        row[:] = (*truths.boxes[i], NAMES.index(name), colors[truths.things[i]], truths.visibility[i])
    return frame.picture, rows


def _some(first: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    pictures, rows = zip(*(furnished_greenhouse(first + k) for k in range(count)), strict=True)
    return np.stack(pictures), np.stack(rows)


class Furnisher:
    """Renders furnished greenhouses on spare cores while the GPU trains."""

    def __init__(self, workers: int, each: int):
        self._pool = multiprocessing.get_context("spawn").Pool(workers)
        self._each, self._asked, self._pending = each, 0, []
        for _ in range(2 * workers):
            self._ask()

    def _ask(self) -> None:
        self._pending.append(self._pool.apply_async(_some, (self._asked * self._each, self._each)))
        self._asked += 1

    def ready(self) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """What has been finished since the last look: pictures and rows."""
        done = [result for result in self._pending if result.ready()]
        for result in done:
            self._pending.remove(result)
            self._ask()
            yield result.get()

    def close(self) -> None:
        """Stop the workers."""
        self._pool.terminate()
        self._pool.join()
