"""The color detector beside OpenCV: HSV, band, largest blob, one thread.

Both sides give area, centroid and box of the largest blob, and are checked to
be exactly equal.  OpenCV does cvtColor, inRange and connectedComponentsWithStats
(8-connectivity); ours is NumPy only.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from timing import Missing, growth_row, side_by_side

from robotlab.camera import Camera
from robotlab.color import Band, connected_components, hsv
from robotlab.color.components import blobs_of_runs, runs_of_pixels
from robotlab.color.fast_threshold import pixels_in_band
from robotlab.greenhouse import random_scene, render

try:
    import cv2
except ImportError:
    cv2 = None

ORANGE = Band((4, 15), (131, 255), (96, 255))
REFERENCE = "OpenCV cvtColor + inRange + connectedComponentsWithStats"


@cache
def greenhouse(width_px: int, height_px: int, noise: float = 1.0) -> np.ndarray:
    """A rendered post in daylight, with sensor noise."""
    camera = Camera(width_px, height_px, math.radians(62), height_m=0.25, pitch_rad=0.08)
    return render(random_scene(42, "daylight", post=(1.4, 0.1)), camera, noise=noise, seed=1).picture


def speckled(picture: np.ndarray, share: float) -> np.ndarray:
    """The picture with single pixels of the target's color strewn over it."""
    picture = picture.copy()
    picture[np.random.default_rng(5).random(picture.shape[:2]) < share] = 215, 95, 30
    return picture


def covered(picture: np.ndarray, share: float) -> np.ndarray:
    """The picture with the target's color over a share of it, from the left."""
    picture = picture.copy()
    picture[:, : int(share * picture.shape[1])] = 215, 95, 30
    return picture


def ours(picture: np.ndarray):
    """Area, centroid and box of the largest blob, our way."""
    pixels, _ = pixels_in_band(picture, ORANGE)
    blobs, _ = blobs_of_runs(runs_of_pixels(pixels, picture.shape[1]), most=1)
    return (int(blobs.areas[0]), *blobs.centroids[0].tolist(), *blobs.boxes[0].tolist())


def theirs(picture: np.ndarray):
    """The same with OpenCV."""
    (h0, h1), (s0, s1), (v0, v1) = ORANGE.hue, ORANGE.saturation, ORANGE.value
    mask = cv2.inRange(cv2.cvtColor(picture, cv2.COLOR_RGB2HSV), (h0, s0, v0), (h1, s1, v1))
    _, _, stats, centroids = cv2.connectedComponentsWithStats(mask, connectivity=8)
    place = 1 + stats[1:, cv2.CC_STAT_AREA].argmax()
    x, y, width, height, area = stats[place].tolist()
    return (area, *centroids[place].tolist(), x, y, x + width, y + height)


def same(one, other) -> None:
    """Refuse to time answers that differ."""
    assert one == other, (one, other)


def rows() -> list[dict]:
    """Every row: ours beside OpenCV."""
    if cv2 is None:
        raise Missing("opencv-python-headless")
    found = []
    for width, height, aim in ((640, 480, 0.6), (1280, 720, 0.5)):
        picture = greenhouse(width, height)
        timed = side_by_side(lambda: ours(picture), lambda: theirs(picture), repeats=41, calls=3, check=same)
        found.append(timed.row(f"color detector, {width}×{height}", REFERENCE, aim))
    picture = greenhouse(640, 480)
    for share in (0.005, 0.01, 0.02, 0.04):
        noisy = speckled(picture, share)
        timed = side_by_side(lambda: ours(noisy), lambda: theirs(noisy), repeats=21, check=same)
        found.append(
            timed.row(f"color detector, 640×480, {100 * share:g} % specks", REFERENCE, note="to see where it loses")
        )
    for sigma in (5, 10):
        grainy = np.clip(picture + np.random.default_rng(5).normal(0, sigma, picture.shape), 0, 255).astype(np.uint8)
        timed = side_by_side(lambda: ours(grainy), lambda: theirs(grainy), repeats=21, check=same)
        found.append(
            timed.row(f"color detector, 640×480, noise of {sigma} more bytes", REFERENCE, note="to see where it loses")
        )
    for share in (0.1, 0.25, 0.5):
        large = covered(picture, share)
        timed = side_by_side(lambda: ours(large), lambda: theirs(large), repeats=21, check=same)
        found.append(
            timed.row(f"color detector, 640×480, {100 * share:g} % covered", REFERENCE, note="to see where it loses")
        )

    timed = side_by_side(
        lambda: hsv(picture),
        lambda: cv2.cvtColor(picture, cv2.COLOR_RGB2HSV),
        repeats=9,
        check=np.testing.assert_array_equal,
    )
    found.append(
        timed.row("HSV of all pixels, 640×480", "OpenCV cvtColor", note="the reference, not what the detector runs")
    )
    mask = ORANGE.mask(picture)
    timed = side_by_side(
        lambda: connected_components(mask).areas[0],
        lambda: cv2.connectedComponentsWithStats(mask.view(np.uint8), connectivity=8)[2][1:, 4].max(),
        repeats=21,
        check=np.testing.assert_array_equal,
    )
    found.append(timed.row("blobs of a mask, 640×480", "OpenCV connectedComponentsWithStats"))
    return found


def growth() -> list[dict]:
    """Time against pixels, and against the number of blobs."""
    widths = [160, 320, 640, 1280]
    pictures = {width * width * 3 // 4: greenhouse(width, width * 3 // 4) for width in widths}

    def dots(count: int) -> np.ndarray:
        mask = np.zeros((480, 640), bool)
        mask[::2, ::2].flat[np.random.default_rng(6).permutation(240 * 320)[:count]] = True
        return mask

    return [
        growth_row("color detector, pixels", list(pictures), pictures.__getitem__, ours, repeats=15),
        growth_row("blobs of a 640×480 mask, blobs", [1000, 4000, 16000, 64000], dots, connected_components, repeats=7),
    ]
