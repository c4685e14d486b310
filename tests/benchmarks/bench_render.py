"""Rendering: the closed loop's frames beside pybullet's software renderer.

The protocol: fresh frames along one walk, the camera 1.2 m behind the post,
single frames in turn (ours, theirs, ours, theirs ...), one process, one thread,
median of the ratios of neighbors.  Nothing of one frame is kept for the next
but what the simulated loop keeps as well: rays, textures, what things look like.

pybullet's TinyRenderer draws the same room: as many things of the same kinds,
sizes and places, the floor with a texture, four walls; no shadows, no mask of
which thing is where.  Its things are plain colored cylinders and boxes; ours
have leaves, slats, scuffs and soft shadows, the walls a texture, the picture
lens blur and noise.  Two more rows without an aim: beside a leaner room (plain
floor, one wall), and with the truth on our side and the mask on theirs.
"""

from __future__ import annotations

import importlib.util
import itertools
import math
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from timing import Missing, growth_row, side_by_side

from robotlab.camera import Camera
from robotlab.greenhouse import KINDS, WALKS, Scene, Thing, render
from robotlab.image import save

# Share of pybullet's time that meets the aim: three and five times faster.
AIMS = {(160, 120): 1 / 3, (320, 240): 1 / 5}
WALK = WALKS["weave"]


def _path() -> Iterator[tuple[tuple[float, float], tuple[float, float, float]]]:
    """Where the post is, and the camera's pose behind it; over and over."""
    places = [WALK.post_at(t) for t in np.linspace(0, WALK.duration_s, 40)]
    return itertools.cycle([((x, y), (x - 1.2, 0.6 * y, 0.2 * y)) for x, y in places])


def _camera(width: int, height: int) -> Camera:
    return Camera(width, height, math.radians(62), height_m=0.28, pitch_rad=0.12)


def _ours(camera: Camera, truth: bool = False):
    path = _path()

    def frame() -> np.ndarray:
        post, pose = next(path)
        made = render(WALK.scene.with_post_at(*post), camera, pose)
        if truth:
            assert len(made.truths)
        return made.picture

    return frame


def _body(bullet, thing: Thing) -> int:
    color = [value / 255 for value in KINDS[thing.kind].color] + [1.0]
    a, b, height = thing.size_m
    if thing.shape == "round":
        shape = bullet.createVisualShape(bullet.GEOM_CYLINDER, radius=(a + b) / 2, length=height, rgbaColor=color)
    else:
        half = [a / 2, b / 2 if thing.shape == "box" else 0.01, height / 2]
        shape = bullet.createVisualShape(bullet.GEOM_BOX, halfExtents=half, rgbaColor=color)
    turn = bullet.getQuaternionFromEuler([0, 0, thing.heading_rad if thing.shape == "box" else math.pi / 2])
    return bullet.createMultiBody(0, -1, shape, [thing.x_m, thing.y_m, height / 2], turn)


class _Bullet:
    """The same scene in pybullet; `lean` has a plain floor and one wall, `mask` asks which thing is where."""

    def __init__(self, scene: Scene, camera: Camera, lean: bool = False, mask: bool = False) -> None:
        import pybullet

        self.bullet, self.camera = pybullet, camera
        self.flags = 0 if mask else pybullet.ER_NO_SEGMENTATION_MASK
        pybullet.connect(pybullet.DIRECT)
        x0, y0, x1, y1 = scene.room_m
        middle, half = ((x0 + x1) / 2, (y0 + y1) / 2), ((x1 - x0) / 2, (y1 - y0) / 2)
        shape = pybullet.createVisualShape(pybullet.GEOM_BOX, halfExtents=[*half, 0.01], rgbaColor=[0.5, 0.5, 0.45, 1])
        floor = pybullet.createMultiBody(0, -1, shape, [*middle, -0.01])
        if not lean:
            with tempfile.TemporaryDirectory() as folder:
                texture = save(
                    Path(folder) / "floor.png", np.random.default_rng(0).integers(90, 190, (256, 256, 3), np.uint8)
                )
                pybullet.changeVisualShape(
                    floor, -1, textureUniqueId=pybullet.loadTexture(str(texture)), rgbaColor=[1, 1, 1, 1]
                )
        walls = (
            ((x1, middle[1]), (0.01, half[1])),
            ((x0, middle[1]), (0.01, half[1])),
            ((middle[0], y0), (half[0], 0.01)),
            ((middle[0], y1), (half[0], 0.01)),
        )
        for at, size in walls[: 1 if lean else 4]:
            wall = pybullet.createVisualShape(pybullet.GEOM_BOX, halfExtents=[*size, 2], rgbaColor=[0.5, 0.7, 0.5, 1])
            pybullet.createMultiBody(0, -1, wall, [*at, 2])
        bodies = [_body(pybullet, thing) for thing in scene.things]
        self.post = bodies[[thing.kind for thing in scene.things].index("post")]
        self.lens = pybullet.computeProjectionMatrixFOV(
            math.degrees(camera.vfov_rad), camera.width_px / camera.height_px, 0.05, 20
        )
        self.path = _path()

    def __call__(self) -> np.ndarray:
        bullet, camera = self.bullet, self.camera
        post, (x, y, yaw) = next(self.path)
        bullet.resetBasePositionAndOrientation(self.post, [*post, 0.25], [0, 0, 0, 1])
        level, drop = math.cos(camera.pitch_rad), math.sin(camera.pitch_rad)
        ahead = [x + level * math.cos(yaw), y + level * math.sin(yaw), camera.height_m - drop]
        view = bullet.computeViewMatrix([x, y, camera.height_m], ahead, [0, 0, 1])
        _, _, pixels, _, _ = bullet.getCameraImage(
            camera.width_px,
            camera.height_px,
            view,
            self.lens,
            shadow=0,
            renderer=bullet.ER_TINY_RENDERER,
            flags=self.flags,
        )
        return np.reshape(np.asarray(pixels, np.uint8), (camera.height_px, camera.width_px, 4))[..., :3]

    def close(self) -> None:
        self.bullet.disconnect()


def _post_is_there(ours: np.ndarray, theirs: np.ndarray) -> None:
    """Both first pictures show something orange in the same columns."""
    middles = []
    for picture in (ours, theirs):
        r, g, b = picture.astype(int).transpose(2, 0, 1)
        columns = np.flatnonzero(((r > 90) & (r > 1.6 * g) & (g > b)).sum(axis=0) > picture.shape[0] / 12)
        middles.append(np.median(columns) / picture.shape[1] if len(columns) else np.nan)
    if not abs(middles[0] - middles[1]) < 0.03:
        raise AssertionError(f"the post must be at the same place in both pictures, got {middles}")


def rows() -> list[dict]:
    """160 x 120 and 320 x 240, one thread."""
    if importlib.util.find_spec("pybullet") is None:
        raise Missing("pybullet")
    # Name of the row, what differs, and whether the aim is meant for it.
    kinds = (
        ("", {}, True, "single frames in turn; the same room: textured floor, four walls"),
        (", leaner room", {"lean": True}, False, "single frames in turn; theirs with a plain floor and one wall"),
        (", with truth", {"mask": True}, False, "single frames in turn; ours with truth boxes, theirs with its mask"),
    )
    out = []
    for (width, height), aim in AIMS.items():
        camera = _camera(width, height)
        for name, options, aimed, note in kinds:
            bullet = _Bullet(WALK.scene, camera, **options)
            try:
                timed = side_by_side(_ours(camera, "mask" in options), bullet, repeats=121, check=_post_is_there)
            finally:
                bullet.close()
            title = f"render {width} x {height}, {len(WALK.scene.things)} things{name}"
            out.append(timed.row(title, "pybullet TinyRenderer, no shadows", aim if aimed else None, note))
    return out


def growth() -> list[dict]:
    """Time against pixels."""
    sizes = [(80, 60), (160, 120), (320, 240), (640, 480)]
    by_pixels = {width * height: (width, height) for width, height in sizes}
    return [
        growth_row(
            "render, pixels", list(by_pixels), lambda n: _ours(_camera(*by_pixels[n])), lambda frame: frame(), repeats=9
        )
    ]
