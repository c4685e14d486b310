"""Detectors that are given the ground truth instead of the picture.

:class:`GroundTruthDetector` finds the post as well as you tell it to.  Use it to test the
loop without a detector's mistakes, or with exactly the mistakes you choose; it
is many times faster, since no picture is needed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from robotlab.camera import Camera
from robotlab.checks import number
from robotlab.detections import Detections
from robotlab.errors import InputError


@dataclass
class GroundTruthDetector:
    """Finds the post from the ground truth, with the misses and errors that are asked for.

    Parameters
    ----------
    smallest_px : float
        Boxes lower than this are missed.
    least_visible : float
        So are posts of which a smaller fraction shows.
    miss_rate : float
        Fraction of the other pictures in which the post is missed, at random.
    noise_px : float
        Standard deviation of each edge of the box, px.
    classes : tuple of str
        Class names; what it finds is of the first.

    Examples
    --------
    >>> len(GroundTruthDetector(smallest_px=20).detect_ground_truth(np.array([0.0, 0, 4, 19]), 1.0))
    0
    """

    smallest_px: float = 4.0
    least_visible: float = 0.25
    miss_rate: float = 0.0
    noise_px: float = 0.0
    classes: tuple[str, ...] = ("post",)
    _rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0), repr=False)

    def __post_init__(self) -> None:
        for name, high in (("smallest_px", math.inf), ("least_visible", 1), ("miss_rate", 1), ("noise_px", math.inf)):
            number(getattr(self, name), name, 0, high)

    def begin(self, seed: int) -> None:
        """Start a run.

        Parameters
        ----------
        seed : int
            Same seed, same run.
        """
        self._rng = np.random.default_rng(seed)

    def detect_ground_truth(self, box: np.ndarray | None, visible: float) -> Detections:
        """The true box, unless it is missed.

        Parameters
        ----------
        box : (4,) ndarray or None
            True box, px.
        visible : float
            Share that shows.

        Returns
        -------
        Detections
            One post or none.
        """
        # Draw always, so that a miss_rate does not shift the later draws.
        chance, noise = self._rng.random(), self._rng.standard_normal(4) * self.noise_px
        if box is None or visible < self.least_visible or box[3] - box[1] < self.smallest_px or chance < self.miss_rate:
            return Detections.none(self.classes)
        moved = box + noise
        x0, x1 = sorted((moved[0], moved[2]))
        y0, y1 = sorted((moved[1], moved[3]))
        return Detections(np.array([[x0, y0, x1, y1]]), np.ones(1), np.zeros(1, int), self.classes)

    def detect(self, picture: np.ndarray) -> Detections:
        """Refused: it is given the truth, not a picture.

        Parameters
        ----------
        picture : (H, W, 3) ndarray of uint8
            Any picture.

        Returns
        -------
        Detections
            Never.

        Raises
        ------
        InputError
            Always.
        """
        raise InputError(
            "a ground-truth detector reads the truth of a simulated run and cannot look at a picture; use a real detector there"
        )


def post_box(
    camera: Camera, ahead_m: float, left_m: float, height_m: float = 0.5, width_m: float = 0.07
) -> tuple[np.ndarray | None, float]:
    """Box of an upright post, by projection alone.

    Parameters
    ----------
    camera : Camera
        What looks.
    ahead_m, left_m : float
        Foot of the post in body axes, m.
    height_m, width_m : float
        Size of the post, m.

    Returns
    -------
    box : (4,) ndarray or None
        Corners of the part inside the picture, px; ``None`` when none is.
    visible : float
        Fraction of the box that is inside the picture.

    Examples
    --------
    >>> camera = Camera(320, 240, math.radians(90), height_m=0.25)
    >>> box, visible = post_box(camera, 2.0, 0.0)
    >>> box.round(2).tolist(), visible
    ([157.2, 100.0, 162.8, 140.0], 1.0)
    """
    reach = math.hypot(ahead_m, left_m)
    if reach == 0:
        return None, 0.0
    # The two sides lie across the line of sight.
    across = (-left_m / reach * width_m / 2, ahead_m / reach * width_m / 2)
    corners = [(ahead_m + side * across[0], left_m + side * across[1], z) for side in (-1, 1) for z in (0.0, height_m)]
    pixels, _ = camera.project(np.array(corners))
    if not np.isfinite(pixels).all():
        return None, 0.0
    whole = np.concatenate([pixels.min(axis=0), pixels.max(axis=0)])
    size = (camera.width_px, camera.height_px)
    box = np.clip(whole, 0, [*size, *size])
    area = (box[2] - box[0]) * (box[3] - box[1])
    if area <= 0:
        return None, 0.0
    return box, float(area / ((whole[2] - whole[0]) * (whole[3] - whole[1])))
