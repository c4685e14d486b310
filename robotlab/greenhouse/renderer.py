"""The renderer: one picture of a scene, and the truth about what is in it.

Every pixel is a ray.  Rays are made once for a camera; the floor and the walls
are looked up in textures; things are met by exact formulas (see
:mod:`robotlab.greenhouse.ray_intersections`), each only inside its own box of the picture,
and only the nearest is painted, so that what it hides is known.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from robotlab.camera import Camera
from robotlab.errors import InputError
from robotlab.greenhouse.background import background, post_shadow
from robotlab.greenhouse.ground_truth import GroundTruth, VisiblePixels
from robotlab.greenhouse.lighting import Lighting
from robotlab.greenhouse.scene import Scene
from robotlab.greenhouse.sensor import blur_in_place, develop
from robotlab.greenhouse.static_parts import stage_of
from robotlab.greenhouse.things import draw_things
from robotlab.greenhouse.view import gain_at, view_of


class Frame:
    """One rendered picture with its ground truth.

    Parameters
    ----------
    picture : (H, W, 3) ndarray of uint8
        sRGB.
    visible : VisiblePixels
        What the renderer saw.

    Examples
    --------
    >>> from robotlab.greenhouse import random_scene
    >>> frame = render(random_scene(1, post=(2.0, 0.0)), Camera(160, 120, math.radians(62), height_m=0.25))
    >>> round(float(frame.truths.distance_m[0]), 2)
    2.0
    """

    def __init__(self, picture: np.ndarray, visible: VisiblePixels) -> None:
        self.picture = picture
        self._visible = visible

    @functools.cached_property
    def truths(self) -> GroundTruth:
        """Ground truth of the picture; computed when first asked for."""
        return self._visible.truths()


def render(
    scene: Scene,
    camera: Camera,
    pose: tuple[float, float, float] = (0.0, 0.0, 0.0),
    *,
    exposure: float = 1.0,
    noise: float = 1.0,
    blur: float = 0.5,
    seed: int = 0,
    samples: int = 1,
) -> Frame:
    """Render one picture.

    Parameters
    ----------
    scene : Scene
        What there is.
    camera : Camera
        What materials; its height must be more than 0.
    pose : (float, float, float)
        Where the camera stands, world frame: x and y, m, and yaw,
        counter-clockwise from world x, rad.
    exposure : float
        Factor on the light; 1 suits daylight.
    noise : float
        Factor on the sensor noise; 1 is a small sensor, 0 none.
    blur : float
        Standard deviation of the lens blur, px.
    seed : int
        Seed of the noise; same seed, same picture.
    samples : int
        Rays along each side of a pixel: 1 is quick, 2 has smoother edges and
        takes about four times as long.

    Returns
    -------
    Frame
        The picture and its truth.

    Raises
    ------
    InputError
        If the camera is on the ground or outside the room, or a number is out
        of range.

    Notes
    -----
    The first picture of a scene also makes its textures, which takes about a
    second; they are kept for the last few scenes.

    Examples
    --------
    >>> from robotlab.greenhouse import random_scene
    >>> camera = Camera(160, 120, math.radians(62), height_m=0.25, pitch_rad=0.1)
    >>> frame = render(random_scene(1, post=(2.0, 0.0)), camera)
    >>> frame.picture.shape, frame.truths.classes[frame.truths.labels[0]]
    ((120, 160, 3), 'post')
    """
    x, y, yaw = _check(scene, camera, pose, exposure, noise, blur, samples)
    view, stage = view_of(camera, samples), stage_of(scene)
    light = background(view, stage, x, y, yaw)
    cx, cy = stage.places(scene, x, y, yaw)
    sun = stage.sun.turned(yaw)
    for i in stage.posts:
        post_shadow(view, light, sun, stage.things[i], float(cx[i]), float(cy[i]))
    visible = draw_things(view, stage, sun, light, cx, cy, yaw)

    light = light.reshape(3, view.rows, view.columns)
    if samples > 1:
        parts = (light[:, i::samples, j::samples] for i in range(samples) for j in range(samples))
        light = sum(parts, np.zeros((), np.float32))
        light /= np.float32(samples**2)
    matrix, level = _mixing(stage.lighting)
    if matrix is not None:
        light = _mixed(matrix, light)
    gain = gain_at(view, float(exposure) * level, float(noise))
    # Only mixing can make colors that no eye has seen, with less than no light in one channel.
    return Frame(develop(blur_in_place(light, blur), gain, noise, seed, negative=matrix is not None), visible)


def look(scene: Scene, camera: Camera, pose: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> GroundTruth:
    """The truth of the picture that :func:`render` would make, without the picture: a few times faster.

    Parameters
    ----------
    scene, camera, pose
        As in :func:`render`.

    Returns
    -------
    GroundTruth
        Neither light nor noise nor blur plays a part in it.

    Examples
    --------
    >>> from robotlab.greenhouse import random_scene
    >>> truths = look(random_scene(1, post=(2.0, 0.0)), Camera(160, 120, math.radians(62), height_m=0.25))
    >>> round(float(truths.distance_m[0]), 2)
    2.0
    """
    x, y, yaw = _check(scene, camera, pose, 1.0, 1.0, 0.5, 1)
    view, stage = view_of(camera, 1), stage_of(scene)
    return draw_things(view, stage, stage.sun.turned(yaw), None, *stage.places(scene, x, y, yaw), yaw).truths()


@functools.lru_cache(maxsize=32)
def _mixing(lighting: Lighting) -> tuple[np.ndarray | None, float]:
    """What a lighting does to daylight colors, or ``None`` where it only makes them brighter, and by how much."""
    matrix = lighting.matrix()
    if (matrix == matrix[0, 0] * np.eye(3)).all():
        return None, float(matrix[0, 0])
    return matrix.astype(np.float32), 1.0


def _mixed(matrix: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Colors (3, H, W) times a matrix."""
    lit, part = np.empty_like(light), np.empty_like(light[0])
    for row, plane in zip(matrix, lit, strict=True):
        np.multiply(light[0], row[0], out=plane)
        plane += np.multiply(light[1], row[1], out=part)
        plane += np.multiply(light[2], row[2], out=part)
    return lit


def _check(scene, camera, pose, exposure, noise, blur, samples) -> tuple[float, float, float]:
    if not isinstance(scene, Scene) or not isinstance(camera, Camera):
        raise InputError(
            f"render takes a Scene and a Camera, got {type(scene).__name__} and {type(camera).__name__}; make them first"
        )
    x, y, yaw = (float(value) for value in pose)
    if not (math.isfinite(x) and math.isfinite(y) and math.isfinite(yaw)):
        raise InputError(f"pose must be finite x_m, y_m, yaw_rad, got {pose}; check the motion")
    x0, y0, x1, y1 = scene.room_m
    if not (x0 < x < x1 and y0 < y < y1):
        raise InputError(
            f"the camera must be inside the room {scene.room_m}, got x {x:.3f} m, y {y:.3f} m; move it or enlarge room_m"
        )
    if not camera.height_m > 0:
        raise InputError("a camera must be above the ground to see it, got height_m 0; give Camera(..., height_m=0.25)")
    if not (exposure > 0 and noise >= 0 and blur >= 0 and math.isfinite(exposure + noise + blur)):
        raise InputError(
            f"exposure must be > 0, noise and blur >= 0, got {exposure}, {noise}, {blur}; use 1.0, 1.0, 0.5"
        )
    if samples not in (1, 2, 3, 4):
        raise InputError(f"samples must be 1, 2, 3 or 4, got {samples!r}; 1 is quick, 2 materials smoother")
    return x, y, yaw
