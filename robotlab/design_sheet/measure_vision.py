"""Measure what a robot can see: render pictures, run a detector, count what it finds.

Nothing here uses the pinhole formulas of the prediction: targets are put at
distances, rendered, looked for, and the fraction of the pictures in which they
were usable is counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.optimize import isotonic_regression

from robotlab.boxes import iou
from robotlab.camera import Camera
from robotlab.checks import number, whole
from robotlab.design_sheet.predictions import Robot
from robotlab.design_sheet.smallest_height import USABLE_RECALL
from robotlab.detections import Detections, Detector, as_detector
from robotlab.errors import InputError
from robotlab.greenhouse import Scene, Thing, render
from robotlab.greenhouse.ground_truth import GroundTruth
from robotlab.greenhouse.renderer import look
from robotlab.greenhouse.scene import KINDS
from robotlab.image import resize
from robotlab.loop import Settings
from robotlab.loop.ground_truth import GroundTruthDetector

# A found box overlaps the true one so much (Everingham et al., 2010: the VOC challenge).
SAME_IOU = 0.5
# A target nearer to the edge of the picture than this is cut by it: one pixel, what blur and rounding hide.
EDGE_PX = 1.0
# Distances that are tried, m: from nearly touching to the end of a long greenhouse.
NEAREST_M, FARTHEST_M = 0.12, 20.0
# Coarse steps of a factor of about 1.17; then so many fine ones across a limit for each picture asked for.
_COARSE, _FINE = 32, 10
# Each aisle has another sun and another floor; a detector may fare better in one than in the next.
_AISLES = 4
# Scales of the target that are tried.
_SCALES = (0.02, 4.0)


def measure_band(
    detector: Detector | GroundTruthDetector | Callable[[np.ndarray], Detections],
    robot: Robot,
    *,
    lighting: str = "daylight",
    pictures: int = 24,
    seed: int = 0,
    recall: float = USABLE_RECALL,
) -> tuple[float | None, float | None]:
    """Nearest and farthest distance at which a detector is usable, by rendering.

    Parameters
    ----------
    detector : Detector, GroundTruthDetector or callable
        What looks.
    robot : Robot
        Its camera and its target; its `smallest_px` is not used.
    lighting : str
        One of :data:`robotlab.greenhouse.LIGHTINGS`.
    pictures : int
        Ten times as many are rendered around each limit, a sixth of them, and
        at least three, at each of 32 distances to find where that is.
    seed : int
        Of places, things and noise.
    recall : float
        Fraction of the pictures that makes a distance usable.

    Returns
    -------
    near_m, far_m : float or None
        Along the ground, m; ``None`` for no limit found between 0.12 and
        20 m (both ``None``: no distance is usable).

    Notes
    -----
    A picture counts when the detector has a believed box of the target's class
    (score of at least ``min_score``) that overlaps the true one by half, and
    when the true one stays clear of the picture's edges: the box of a target
    that is cut by them measures no distance.  For a ``GroundTruthDetector``,
    which looks at no pixels, the rays are followed and nothing is painted.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, default_camera
    >>> robot = Robot(default_camera(160, 120), smallest_px=12)
    >>> near, far = measure_band(GroundTruthDetector(smallest_px=12), robot, pictures=2)
    >>> round(near, 1), round(far, 1)
    (0.6, 5.5)
    """
    pictures, recall = whole(pictures, "pictures", 1), number(recall, "recall", 0, 1)
    looks = _Looks(robot, detector, lighting, seed)
    grid = np.geomspace(NEAREST_M, FARTHEST_M, _COARSE)
    recalls, best = _coarse(grid, pictures, recall, looks.good)
    if best is None:
        return None, None

    def limit(steps: slice) -> float | None:
        return _limit(grid[steps], recalls[steps], recall, _FINE * pictures, looks.good)

    return limit(slice(best, None, -1)), limit(slice(best, None))


def measure_smallest_object_m(
    detector: Detector | GroundTruthDetector | Callable[[np.ndarray], Detections],
    robot: Robot,
    distance_m: float,
    *,
    lighting: str = "daylight",
    pictures: int = 24,
    seed: int = 0,
    recall: float = USABLE_RECALL,
) -> float | None:
    """Height of the smallest target that is found at a distance, by rendering.

    Parameters
    ----------
    detector, robot
        As in :func:`measure_band`.
    distance_m : float
        Along the ground, m.
    lighting, pictures, seed, recall
        As in :func:`measure_band`.

    Returns
    -------
    float or None
        m; the target shrinks in all directions.  ``None`` if not even one
        four times the usual size is found.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, default_camera
    >>> robot = Robot(default_camera(160, 120), smallest_px=12)
    >>> round(measure_smallest_object_m(GroundTruthDetector(smallest_px=12), robot, 1.2, pictures=1), 1)
    0.1
    """
    pictures, recall = whole(pictures, "pictures", 1), number(recall, "recall", 0, 1)
    distance_m = number(distance_m, "distance_m", 0, open_low=True)
    looks = _Looks(robot, detector, lighting, seed)

    def good(scale: float, n: int) -> bool:
        return looks.good(distance_m, n, scale, whole=False)

    scales = np.geomspace(*_SCALES[::-1], 28)
    recalls, best = _coarse(scales, pictures, recall, good)
    if best is None:
        return None
    limit = _limit(scales[best:], recalls[best:], recall, _FINE * pictures, good)
    return None if limit is None else limit * robot.settings.target_height_m


def rendered_height_px(
    detector: Detector | GroundTruthDetector | Callable[[np.ndarray], Detections],
    camera: Camera,
    settings: Settings | None = None,
    *,
    lighting: str = "daylight",
    pictures: int = 24,
    seed: int = 0,
) -> float | None:
    """Smallest usable height for a detector, judged in rendered pictures of one camera.

    Parameters
    ----------
    detector : Detector, GroundTruthDetector or callable
        What looks.
    camera : Camera
        What it looks through, for instance the camera whose pictures it
        learned from.
    settings : Settings, optional
        Target and least score.
    lighting, pictures, seed
        As in :func:`measure_band`.

    Returns
    -------
    float or None
        px of the picture that the detector gets: the fact that
        :class:`Robot` wants, for other cameras too.  ``None`` where it is
        never usable, or no limit was found.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, default_camera
    >>> 11 < rendered_height_px(GroundTruthDetector(smallest_px=12), default_camera(160, 120), pictures=2) < 13
    True
    """
    # Any number will do for the smallest height: measuring does not use it.
    robot = Robot(camera, 1.0, settings or Settings())
    far = measure_band(detector, robot, lighting=lighting, pictures=pictures, seed=seed)[1]
    if far is None:
        return None
    # Read off the true boxes there, not computed: what is judged shall not lean on the formula that it feeds.
    return float(np.median(_Looks(robot, detector, lighting, seed).heights_px(far, _FINE * pictures)))


class _Looks:
    """Renders the target and asks the detector."""

    def __init__(self, robot: Robot, detector, lighting: str, seed: int) -> None:
        kind = robot.settings.target
        if kind not in KINDS:
            raise InputError(
                f"what is rendered must be one of {', '.join(KINDS)}, got target {kind!r}; measure others with your own pictures"
            )
        self._robot, self._seed = robot, whole(seed, "seed")
        self._detector = detector if isinstance(detector, GroundTruthDetector) else as_detector(detector)
        if isinstance(detector, GroundTruthDetector):
            detector.begin(seed)
        # Making textures takes longer than all the pictures of a distance, so a few aisles serve all.
        self._aisles = [_aisle(kind, lighting, seed * 1009 + n) for n in range(_AISLES)]

    def heights_px(self, distance_m: float, count: int) -> list[float]:
        """Heights of the true boxes at a distance, px of the picture that the detector gets."""
        seen = [_target(look(*self._place(distance_m, n, 1.0)[:3])) for n in range(count)]
        return [
            (one[0][3] - one[0][1]) / self._robot.smallest_camera_px * self._robot.smallest_px
            for one in seen
            if one is not None
        ]

    def _place(self, distance_m: float, n: int, scale: float) -> tuple[Scene, Camera, tuple[float, float, float], int]:
        """Of the n-th picture: the greenhouse with the target, the camera and where it stands, and the noise's seed."""
        s, rng = self._robot.settings, np.random.default_rng([self._seed, n])
        # The trolley stands anywhere along the aisle, not quite in its middle and not quite straight.
        x, y, yaw = rng.uniform(0, 6), rng.uniform(-0.2, 0.2), rng.uniform(-0.03, 0.03)
        aisle = self._aisles[n % len(self._aisles)]
        target = Thing(s.target, x + distance_m, y, scale=scale * s.target_height_m / KINDS[s.target].size_m[2])
        scene = replace(aisle, things=(target, *aisle.things))
        return scene, self._robot.camera, (x, y, yaw), int(rng.integers(1 << 30))

    def good(self, distance_m: float, n: int, scale: float = 1.0, whole: bool = True) -> bool:
        """Whether the target is usable in the n-th picture; `whole`: clear of the edges as well."""
        camera, s, detector = self._robot.camera, self._robot.settings, self._detector
        scene, lens, pose, seed = self._place(distance_m, n, scale)
        # Who knows the truth needs no picture.
        frame = None if isinstance(detector, GroundTruthDetector) else render(scene, lens, pose, seed=seed)
        seen = _target(look(scene, lens, pose) if frame is None else frame.truths)
        if seen is None:
            return False
        box, visible = seen
        edges = np.concatenate([box[:2], [camera.width_px, camera.height_px] - box[2:]])
        if whole and (edges < EDGE_PX).any():
            return False
        ratio = np.array([camera.width_px, camera.height_px] * 2) / np.array([*self._robot.picture_px] * 2)
        if isinstance(detector, GroundTruthDetector):
            found = detector.detect_ground_truth(box / ratio, visible)
        else:
            assert frame is not None
            found = detector.detect(frame.picture if s.detector_px is None else resize(frame.picture, s.detector_px))
        if s.target not in found.classes:
            return False
        found = found.pick((found.labels == found.classes.index(s.target)) & (found.scores >= s.min_score))
        return bool((iou(found.boxes * ratio, box[None])[:, 0] >= SAME_IOU).any())


def _target(truths: GroundTruth) -> tuple[np.ndarray, float] | None:
    """The first thing's true box in px of the camera, and how much of it shows; None where it does not."""
    rows = np.flatnonzero(truths.things == 0)
    return (truths.boxes[rows[0]], float(truths.visibility[rows[0]])) if len(rows) else None


def _aisle(kind: str, lighting: str, seed: int) -> Scene:
    """A long greenhouse with things along both sides, none of the target's kind and none in the way."""
    rng = np.random.default_rng(seed)
    kinds = [name for name in ("bucket", "plant", "crate", "pot", "plant") if name != kind]
    things = [
        Thing(
            str(rng.choice(kinds)),
            round(x + rng.uniform(-0.3, 0.3), 3),
            round(side * rng.uniform(1.5, 2.3), 3),
            heading_rad=round(rng.uniform(-math.pi, math.pi), 3),
            seed=int(rng.integers(1000)),
        )
        for side in (-1, 1)
        for x in np.arange(0.5, 26, 1.2)
    ]
    floors = (("paving", "soil"), ("concrete", "moss"), ("gravel", "soil"))
    return Scene(tuple(things), lighting, seed, floors[seed % 3], room_m=(-3.0, -3.5, FARTHEST_M + 8, 3.5))


def _coarse(
    steps: np.ndarray, pictures: int, recall: float, good: Callable[[float, int], bool]
) -> tuple[np.ndarray, int | None]:
    """Recall at each step, and the step about which it is best; None where even that is too low."""
    recalls = np.array([np.mean([good(step, n) for n in range(max(3, pictures // 6))]) for step in steps])
    best = int(np.argmax(np.convolve(recalls, np.ones(3), "same")))
    return recalls, best if recalls[max(0, best - 1) : best + 2].mean() >= recall else None


def _limit(
    steps: np.ndarray, recalls: np.ndarray, recall: float, count: int, good: Callable[[float, int], bool]
) -> float | None:
    """Where the fraction of good pictures falls below the limit, along steps that begin where all is well."""
    below = np.flatnonzero(isotonic_regression(recalls, increasing=False).x < recall)
    if not len(below):
        return None
    # One spare step each way, since a few pictures place the fall roughly.
    fine = np.geomspace(steps[max(0, below[0] - 2)], steps[min(len(steps) - 1, below[0] + 1)], count)
    hits = np.array([good(step, n) for n, step in enumerate(fine)], float)
    below = np.flatnonzero(isotonic_regression(hits, increasing=False).x < recall - 1e-9)
    if not len(below) or below[0] == 0:
        return float(fine[-1 if not len(below) else 0])
    return float(np.sqrt(fine[below[0] - 1] * fine[below[0]]))
