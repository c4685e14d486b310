"""The post on a plan, to be dragged, beside the camera's picture of it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import traitlets

from robotlab.camera import Camera, working_range
from robotlab.greenhouse import Scene, Thing, render
from robotlab.greenhouse.scene import KINDS
from robotlab.image import encode
from robotlab.widgets.kit import AnsweringWidget, browser_code
from robotlab.widgets.slider_picture import Slider

# How far the post can be dragged, m: what fits on a plan beside the picture.
REACH = {"nearest_m": 0.3, "ahead_m": 7.0, "left_m": 2.4}
# The piece that is magnified, px wide and high, and how much.
LENS_PX = (56, 24)
LENS_ZOOM = 7
# Fields of view of small cameras, from narrow lenses to very wide ones (common practice, no source).
VIEWS_DEG = (30.0, 110.0)
WIDTHS_PX = (80.0, 640.0)


def empty_aisle() -> Scene:
    """A greenhouse whose objects stand clear of the path.

    Returns
    -------
    Scene
        With the post 2 m ahead.

    Examples
    --------
    >>> empty_aisle().posts[0].x_m
    2.0
    """
    clutter = (
        Thing("bucket", 4.6, -2.75),
        Thing("crate", 3.6, 2.8, 0.3),
        Thing("plant", 6.6, 2.8, seed=3),
        Thing("pot", 6.2, -2.8),
    )
    return Scene((Thing("post", 2.0, 0.0), *clutter), seed=11)


class CameraView(AnsweringWidget):
    """A plan with a post to drag, what the camera sees, and its pixels magnified.

    Parameters
    ----------
    camera : Camera
        What looks.  Its field of view and the width of its picture are where
        the sliders start; the picture keeps its aspect ratio.
    smallest_px : float
        Height of the post below which a detector loses it, px: sets the far
        end of the working range that the plan shows darker.
    scene : Scene, optional
        The greenhouse; :func:`empty_aisle` when left out.

    Notes
    -----
    Mouse or finger drag the post on the plan; with the plan in focus the
    arrow keys move it by 0.1 m, with Shift by 0.5 m, and Home puts it 2 m
    ahead.  The line of text gives the pixels on target from the pinhole
    formula, so they are right too where the edge of the picture cuts the post.

    Examples
    --------
    >>> CameraView(Camera(320, 240, math.radians(62.2), height_m=0.25)).text
    '2.0 m ahead, in the middle: 66.3 px tall, 9.3 px wide, bearing 0.0°. All of it in the picture.'
    """

    _esm = browser_code("camera_view")

    sliders: traitlets.List = traitlets.List().tag(sync=True)
    reach = traitlets.Dict(REACH).tag(sync=True)
    things: traitlets.List = traitlets.List().tag(sync=True)
    picture = traitlets.Bytes().tag(sync=True)
    lens = traitlets.Bytes().tag(sync=True)
    band: traitlets.List = traitlets.List().tag(sync=True)

    def __init__(self, camera: Camera, smallest_px: float = 12.0, scene: Scene | None = None) -> None:
        self._camera, self._smallest = camera, float(smallest_px)
        self._scene = empty_aisle() if scene is None else scene
        degrees = round(math.degrees(camera.hfov_rad), 1)
        width = camera.width_px
        sliders = {
            "hfov_deg": _slider(VIEWS_DEG, degrees, 0.1, "field of view", "°"),
            "width_px": _slider(WIDTHS_PX, width, 20.0, "width of the picture", "px"),
        }
        asked = {"ahead_m": 2.0, "left_m": 0.0, "hfov_deg": degrees, "width_px": width}
        super().__init__(
            asked,
            sliders=[{"name": name, **vars(slider)} for name, slider in sliders.items()],
            alt="What the camera sees, rendered: the orange post in a greenhouse. The line below says where it is and how large.",
            things=[
                {"kind": thing.kind, "ahead_m": float(thing.x_m), "left_m": float(thing.y_m)}
                for thing in self._scene.things
                if thing.kind != "post"
                and 0 < thing.x_m <= REACH["ahead_m"]
                and abs(thing.y_m) <= REACH["left_m"] + 0.45
            ],
        )

    def _seen(self, asked: dict[str, Any]) -> dict[str, Any]:
        """All that one place of the post, field of view and width come to."""
        width = int(asked["width_px"])
        height = round(width * self._camera.height_px / self._camera.width_px)
        camera = replace(self._camera, width_px=width, height_px=height, hfov_rad=math.radians(asked["hfov_deg"]))
        ahead, left = float(asked["ahead_m"]), float(asked["left_m"])
        scene = self._scene.with_post_at(ahead, left)
        picture = render(scene, camera).picture
        x0, y0, x1, y1 = box = _post_box(camera, ahead, left)
        bearing = math.degrees(math.atan2(left, ahead))
        side = "in the middle" if left == 0 else f"{abs(left):.2f} m to the {'left' if left > 0 else 'right'}"
        sign = "+" if bearing > 0 else "−" if bearing < 0 else ""
        inside = x0 >= 0 and y0 >= 0 and x1 <= camera.width_px and y1 <= camera.height_px
        outside = x1 <= 0 or y1 <= 0 or x0 >= camera.width_px or y0 >= camera.height_px
        where = "All of it in the picture." if inside else "Cut by the edge of the picture."
        if inside and y1 - y0 < self._smallest:
            where = f"In the picture, and less than {self._smallest:g} px tall."
        size = f"{y1 - y0:.1f} px tall, {x1 - x0:.1f} px wide, "
        if outside:
            size, where = "", "Outside the picture."
        return {
            "picture": encode(picture, "png", effort=1),
            "lens": encode(_magnified(picture, box), "png", effort=1),
            "band": list(working_range(camera, KINDS["post"].size_m[2], self._smallest)),
            "text": f"{ahead:.1f} m ahead, {side}: {size}bearing {sign}{abs(bearing):.1f}°. {where}",
        }

    def __repr__(self) -> str:
        return f"Plan with a post to drag, and what the camera sees. Now: {self.text}"


def _slider(ends: tuple[float, float], start: float, *more: Any) -> Slider:
    """A slider between two ends, or farther where it starts outside of them."""
    return Slider(min(ends[0], start), max(ends[1], start), start, *more)


def _post_box(camera: Camera, ahead_m: float, left_m: float) -> np.ndarray:
    """Bounding box of the post as a flat board across the camera's axis, px; not clipped."""
    below, above, height = KINDS["post"].size_m
    half = (below + above) / 2
    corners = np.array([[ahead_m, left_m + side, z] for side in (half, -half) for z in (0.0, height)])
    pixels, _ = camera.project(corners)
    return np.concatenate([pixels.min(axis=0), pixels.max(axis=0)])


def _magnified(picture: np.ndarray, box: np.ndarray) -> np.ndarray:
    """The pixels around the middle of a box, each a square, with a line between them."""
    wide, high = LENS_PX
    rows = math.floor((box[1] + box[3]) / 2) - high // 2 + np.arange(high)
    columns = math.floor((box[0] + box[2]) / 2) - wide // 2 + np.arange(wide)
    piece = picture[np.clip(rows, 0, picture.shape[0] - 1)][:, np.clip(columns, 0, picture.shape[1] - 1)]
    piece[(rows < 0) | (rows >= picture.shape[0])] = 255
    piece[:, (columns < 0) | (columns >= picture.shape[1])] = 255
    large = piece.repeat(LENS_ZOOM, axis=0).repeat(LENS_ZOOM, axis=1)
    large[::LENS_ZOOM] = large[::LENS_ZOOM] // 2
    large[:, ::LENS_ZOOM] = large[:, ::LENS_ZOOM] // 2
    return large
