"""Empty greenhouses to put shapes into: rendered, with plants and nothing else.

No post, bucket or crate, no pot, drum, pole or tray stands in them, and only
plain daylight falls: things and lamps come from the pre-training itself.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from joblib import Parallel, delayed

from robotlab.camera import Camera
from robotlab.greenhouse import random_scene, render

WIDTH_PX, HEIGHT_PX = 384, 288
# Far from the seeds of the recordings in datasets/greenhouse (101 to 207).
FIRST_SEED = 900_000


def empty_greenhouse(seed: int) -> np.ndarray:
    """One view, (HEIGHT_PX, WIDTH_PX, 3) uint8.

    Parameters
    ----------
    seed : int
        Same seed, same view.

    Returns
    -------
    ndarray
        The picture.
    """
    rng = np.random.default_rng([FIRST_SEED, seed])
    scene = random_scene(rng, ("daylight", "overcast")[seed % 2], wrong_things=False, clutter=rng.uniform(0, 2))
    scene = dataclasses.replace(scene, things=tuple(thing for thing in scene.things if thing.shape == "plant"))
    camera = Camera(WIDTH_PX, HEIGHT_PX, math.radians(rng.uniform(45, 85)), rng.uniform(0.15, 1.0), rng.uniform(0.0, 0.5))
    pose = (rng.uniform(-1, 1), rng.uniform(-0.6, 0.6), rng.uniform(-0.6, 0.6))
    return render(scene, camera, pose, exposure=rng.uniform(0.9, 1.3), noise=0.0, blur=0.4, seed=seed).picture


def empty_greenhouses(count: int) -> np.ndarray:
    """(count, HEIGHT_PX, WIDTH_PX, 3) uint8, on all cores."""
    return np.stack(Parallel(n_jobs=-1)(delayed(empty_greenhouse)(seed) for seed in range(count)))
