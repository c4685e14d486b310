"""Rendered greenhouses to learn from: some empty, many with things in odd colors.

    python instructor/pretraining/views.py BANK --minutes 2

renders furnished greenhouses into the folder BANK on all cores.  They hold the
solid kinds of :mod:`robotlab.greenhouse` in random colors and proportions, each
a class of its own, but never a kind in the color that the course teaches with
(``HELD_OUT``: no orange, red or brown post, no blue bucket, no yellow crate).
All are rendered under the daylight spectrum; :mod:`camera` puts random lamps on
them, so none of the course's test lamps lights one.
"""

from __future__ import annotations

import argparse
import colorsys
import dataclasses
import json
import math
import multiprocessing
import os
import sys
import time
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from shapes import COLOR_RANGES, COLORS, HELD_OUT, KINDS, NAMES

import robotlab.greenhouse.renderer as renderer
import robotlab.greenhouse.scene as scenery
from robotlab.camera import Camera
from robotlab.greenhouse import Scene, Thing, random_scene, render
from robotlab.greenhouse.lighting import LIGHTING, Lighting

# Finer than what is learned from, so that a window of them is still sharp.
WIDTH_PX, HEIGHT_PX = 512, 384
# Far from the seeds of the recordings in datasets/greenhouse (101 to 207).
FIRST_SEED = 900_000
# At most so many things count in a picture.
SLOTS = 24
# Making the textures of a greenhouse takes as long as a hundred pictures: each
# greenhouse is furnished a few times and seen by a few cameras each time.
FURNISHINGS, CAMERAS, POSES = 3, 4, 6
EACH = FURNISHINGS * CAMERAS * POSES
USUAL_KINDS = dict(scenery.KINDS)


def empty_greenhouse(seed: int) -> np.ndarray:
    """One view with plants and nothing else, (240, 320, 3) uint8."""
    rng = np.random.default_rng([FIRST_SEED, seed])
    scene = random_scene(rng, ("daylight", "overcast")[seed % 2], wrong_things=False, clutter=rng.uniform(0, 2))
    scene = dataclasses.replace(scene, things=tuple(thing for thing in scene.things if thing.shape == "plant"))
    camera = Camera(320, 240, math.radians(rng.uniform(48, 80)), rng.uniform(0.15, 0.7), rng.uniform(0.0, 0.35))
    pose = (rng.uniform(-1, 1), rng.uniform(-0.6, 0.6), rng.uniform(-0.5, 0.5))
    return render(scene, camera, pose, exposure=rng.uniform(0.9, 1.3), noise=0.0, blur=0.4, seed=seed).picture


def empty_greenhouses(count: int) -> np.ndarray:
    """(count, 240, 320, 3) uint8, on all cores."""
    return np.stack(Parallel(n_jobs=-1)(delayed(empty_greenhouse)(seed) for seed in range(count)))


def _paint(kind: str, rng: np.random.Generator) -> tuple[tuple[int, int, int], int]:
    """A color that this kind may have: sRGB bytes, and which."""
    while True:
        color = COLORS[rng.integers(len(COLORS))]
        if color != "photo" and (f"greenhouse {kind}", color) not in HELD_OUT:
            break
    low, high = np.array(COLOR_RANGES[color]).reshape(3, 2).T
    hue, saturation, value = rng.uniform(low, high)
    return tuple(int(round(255 * c)) for c in colorsys.hsv_to_rgb(hue % 1, saturation, value)), COLORS.index(color)


def _thing(kind: str, x: float, y: float, rng: np.random.Generator) -> tuple[Thing, int]:
    """One thing in a random color, and which color."""
    rgb, color = _paint(kind, rng)
    bands = int(rng.integers(0, 3)) if kind == "post" else 0
    thing = Thing(
        kind,
        x,
        y,
        rng.uniform(-math.pi, math.pi),
        float(np.exp(rng.normal(0, 0.15))),
        rgb,
        bands,
        int(rng.integers(1000)),
    )
    return thing, color


def _proportions(rng: np.random.Generator) -> None:
    """All kinds a little longer, wider, higher or more tapered than usual."""
    for kind in KINDS:
        usual = USUAL_KINDS[kind]
        a, b, c = usual.size_m
        along, high, taper = np.exp(rng.normal(0, (0.2, 0.2, 0.08)))
        across = along if usual.shape == "round" else float(np.exp(rng.normal(0, 0.2)))
        scenery.KINDS[kind] = dataclasses.replace(usual, size_m=(a * along * taper, b * across, c * high))


def _pose(scene: Scene, rng: np.random.Generator) -> tuple[float, float, float] | None:
    """A place for the camera that is inside no thing."""
    x0, _, x1, _ = scene.room_m
    for _ in range(50):
        x, y, yaw = rng.uniform(max(-1.5, x0 + 0.3), min(4.0, x1 - 1.0)), rng.normal(0, 0.45), rng.normal(0, 0.35)
        y = float(np.clip(y, -scene.path_half_m, scene.path_half_m))
        if all(math.hypot(t.x_m - x, t.y_m - y) > t.reach_m + 0.2 for t in scene.things):
            return x, y, yaw
    return None


def _before(
    scene: Scene, camera: Camera, pose: tuple[float, float, float], rng: np.random.Generator
) -> tuple[float, float] | None:
    """A free place in front of the camera, 0.4 to 7 m away, even in the logarithm."""
    x, y, yaw = pose
    x0, y0, x1, y1 = scene.room_m
    for _ in range(30):
        away, bearing = 0.4 * (7 / 0.4) ** rng.random(), yaw + camera.hfov_rad * rng.uniform(-0.5, 0.5)
        px, py = x + away * math.cos(bearing), y + away * math.sin(bearing)
        clear = all(math.hypot(t.x_m - px, t.y_m - py) > t.reach_m * (t.shape != "plant") + 0.07 for t in scene.things)
        if clear and x0 < px < x1 - 0.3 and y0 + 0.3 < py < y1 - 0.3:
            return px, py
    return None


def furnished_greenhouse(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Many views of one greenhouse, each time with things in odd colors.

    Parameters
    ----------
    seed : int
        Decides all.

    Returns
    -------
    pictures : (EACH, HEIGHT_PX, WIDTH_PX, 3) ndarray of uint8
        In daylight, without noise.
    rows : (EACH, SLOTS, 7) ndarray of float32
        Corners (px), shape, color, share that shows; shape -1 where unused.
    """
    # The renderer tells the truth about CLASSES; here, about every solid kind.
    renderer.CLASSES = KINDS
    rng = np.random.default_rng([FIRST_SEED, 2, seed])
    pictures = np.zeros((EACH, HEIGHT_PX, WIDTH_PX, 3), np.uint8)
    rows = np.full((EACH, SLOTS, 7), -1, np.float32)
    outside, textures = float(np.exp(rng.uniform(np.log(0.08), 0))), int(rng.integers(1 << 30))
    place, row = None, 0
    for _ in range(FURNISHINGS):
        LIGHTING["daylight"] = Lighting(
            "daylight", 1.15, float(rng.uniform(0, 0.75)), float(rng.uniform(0.3, 1.35)), 0.0, outside
        )
        _proportions(rng)
        scene = random_scene(rng, "daylight", clutter=rng.uniform(0.3, 1.5), seed=textures)
        # The textures depend on these too: as the first time.
        place = place or {name: getattr(scene, name) for name in ("floor", "path_half_m", "plants_m")}
        things, colors = [], []
        for thing in scene.things:
            other = (
                (thing, -1)
                if thing.shape == "plant"
                else _thing(KINDS[rng.integers(len(KINDS))], thing.x_m, thing.y_m, rng)
            )
            things.append(other[0])
            colors.append(other[1])
        scene = dataclasses.replace(scene, things=tuple(things), **place)
        for _ in range(CAMERAS):
            camera = Camera(
                WIDTH_PX,
                HEIGHT_PX,
                math.radians(rng.uniform(45, 82)),
                float(np.exp(rng.uniform(np.log(0.13), np.log(0.9)))),
                rng.uniform(-0.03, 0.35),
            )
            exposure, blur = float(np.exp(rng.uniform(np.log(0.5), np.log(1.3)))), rng.uniform(0.3, 0.7)
            for _ in range(POSES):
                pose = _pose(scene, rng)
                if pose is None:
                    continue
                now, tints = scene, colors
                free = _before(scene, camera, pose, rng)
                if free is not None and rng.random() < 0.8:
                    # Thin things at all distances, as the course's post is seen.
                    post, tint = _thing("post", *free, rng)
                    now, tints = dataclasses.replace(scene, things=(*things, post)), [*colors, tint]
                frame = render(now, camera, pose, exposure=exposure, noise=0.0, blur=blur, seed=row)
                pictures[row] = frame.picture
                truths = frame.truths
                order = np.argsort(-(truths.boxes[:, 2:] - truths.boxes[:, :2]).prod(1))[:SLOTS]
                for slot, i in zip(rows[row], order, strict=False):
                    name = f"greenhouse {KINDS[truths.labels[i]]}"
                    slot[:] = (*truths.boxes[i], NAMES.index(name), tints[truths.things[i]], truths.visibility[i])
                row += 1
    # Where a camera found no place, the last good pictures count twice.
    if row and row < EACH:
        pictures[row:], rows[row:] = pictures[: EACH - row], rows[: EACH - row]
    return pictures, rows


class Bank:
    """Furnished greenhouses in a folder, to be read while they are still being made.

    Parameters
    ----------
    folder : Path
        Holds ``pictures``, ``rows`` and ``done``, one entry of each for a greenhouse.
    """

    def __init__(self, folder: Path):
        count = json.loads((folder / "size.json").read_text())["greenhouses"]
        self.pictures = np.memmap(folder / "pictures", np.uint8, "r+", shape=(count, EACH, HEIGHT_PX, WIDTH_PX, 3))
        self.rows = np.memmap(folder / "rows", np.float32, "r+", shape=(count, EACH, SLOTS, 7))
        self.done = np.memmap(folder / "done", np.uint8, "r+", shape=(count,))

    @classmethod
    def create(cls, folder: Path, count: int) -> Bank:
        """An empty bank for so many greenhouses."""
        folder.mkdir(parents=True, exist_ok=True)
        sizes = {"pictures": EACH * HEIGHT_PX * WIDTH_PX * 3, "rows": EACH * SLOTS * 7 * 4, "done": 1}
        for name, size in sizes.items():
            with open(folder / name, "wb") as file:
                file.truncate(count * size)
        (folder / "size.json").write_text(json.dumps({"greenhouses": count}))
        return cls(folder)


def _fill(folder: Path, first: int, worker: int, workers: int, until: float) -> None:
    bank = Bank(folder)
    for k in range(worker, len(bank.done), workers):
        if time.time() > until:
            return
        bank.pictures[k], bank.rows[k] = furnished_greenhouse(first + k)
        bank.done[k] = 1


def fill(folder: Path, first: int, greenhouses: int, minutes: float, workers: int) -> int:
    """Render a bank on several cores, from this seed on; gives the number of greenhouses done in the time."""
    bank = Bank.create(folder, greenhouses)
    context, until = multiprocessing.get_context("spawn"), time.time() + 60 * minutes
    pool = [context.Process(target=_fill, args=(folder, first, k, workers, until)) for k in range(workers)]
    for one in pool:
        one.start()
    for one in pool:
        one.join()
    return int(bank.done.sum())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0, help="seed of the first greenhouse")
    parser.add_argument("--greenhouses", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args()
    start = time.time()
    made = fill(given.folder, given.first, given.greenhouses, given.minutes, given.workers)
    print(f"{made} greenhouses, {made * EACH} pictures in {time.time() - start:.0f} s")
    return 0


if __name__ == "__main__":
    # Every worker is one thread.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    sys.exit(main())
