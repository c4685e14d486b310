"""A far post in a downsampled picture, by three kinds of interpolation side by side."""

from __future__ import annotations

import functools
import math
from dataclasses import replace

import numpy as np

from robotlab.camera import Camera
from robotlab.greenhouse import Scene, render
from robotlab.greenhouse.scene import KINDS
from robotlab.image import resize, write_text
from robotlab.widgets.slider_picture import Slider, SliderPicture

METHODS = ("area", "linear", "nearest")
# The piece of the large picture that each panel shows, px wide and high, and
# how much it is magnified: three panels then fit a notebook's column.
PIECE_PX = (96, 120)
ZOOM = 2.5
GAP_PX, TITLE_PX = 8, 32
# Lines between pixels only where pixels are larger than this on the page.
LINES_FROM_PX = 8


class Resizing(SliderPicture):
    """Downsamples the picture of a post by three methods, and shows every pixel of it.

    Parameters
    ----------
    scene : Scene
        The greenhouse that the post stands in.
    camera : Camera
        Takes the large picture.

    Notes
    -----
    How far the post *stands out* is the largest difference, over all pixels
    and colors, between the small picture with the post and the same small
    picture without it: 0 is gone, 255 is the most a byte can hold.  There is
    no noise in these pictures, so that nothing else differs.  ``linear`` is
    bilinear with antialiasing, as :func:`robotlab.image.resize` does it.

    Examples
    --------
    >>> from robotlab.loop import default_camera
    >>> from robotlab.greenhouse import WALKS
    >>> Resizing(WALKS["straight"].scene, default_camera(640, 480)).text.split(":")[0]
    '6.0 m away, 80 × 60 pixels, the post 0.8 pixels wide'
    """

    def __init__(self, scene: Scene, camera: Camera) -> None:
        super().__init__(
            functools.partial(_draw, scene, camera),
            alt="The same post in three small pictures, every pixel magnified: downsampled by area, by linear, by nearest.",
            distance_m=Slider(2.0, 9.0, 6.0, 0.5, "distance of the post", "m"),
            smaller=Slider(1, 16, 8, 1, "how many times smaller"),
            aside_cm=Slider(0, 10, 0, 1, "moved to the left", "cm"),
        )


def largest_contrast(with_post: np.ndarray, without: np.ndarray) -> int:
    """How far a post stands out of a picture.

    Parameters
    ----------
    with_post, without : (H, W, 3) ndarray of uint8
        The same picture, with the post and without it.

    Returns
    -------
    int
        The largest difference of any color of any pixel, 0 to 255.

    Examples
    --------
    >>> gray = np.full((2, 2, 3), 90, np.uint8)
    >>> largest_contrast(gray + np.uint8(5), gray)
    5
    """
    return int(np.abs(with_post.astype(int) - without.astype(int)).max())


def without_post(scene: Scene) -> Scene:
    """The same scene with its guide posts taken away.

    Parameters
    ----------
    scene : Scene
        Any.

    Returns
    -------
    Scene
        Without posts.

    Examples
    --------
    >>> from robotlab.greenhouse import WALKS
    >>> without_post(WALKS["straight"].scene).posts
    ()
    """
    return replace(scene, things=tuple(thing for thing in scene.things if thing.kind != "post"))


# The picture without a post is the same for every place of the post.
@functools.lru_cache(maxsize=2)
def _bare(scene: Scene, camera: Camera) -> np.ndarray:
    return render(without_post(scene), camera, noise=0.0).picture


def _draw(scene: Scene, camera: Camera, distance_m: float, smaller: float, aside_cm: float) -> tuple[np.ndarray, str]:
    large = render(scene.with_post_at(distance_m, aside_cm / 100), camera, noise=0.0).picture
    size = max(1, round(camera.width_px / smaller)), max(1, round(camera.height_px / smaller))
    middle, _ = camera.project(np.array([[distance_m, aside_cm / 100, KINDS["post"].size_m[2] / 2]]))
    panels, said = [], []
    for method in METHODS:
        small = resize(large, size, method)
        said.append(f"{method} {largest_contrast(small, resize(_bare(scene, camera), size, method))}")
        panels.append(_panel(small, large.shape, middle[0], method))
    gap = np.full((panels[0].shape[0], GAP_PX, 3), 255, np.uint8)
    wide = camera.focal_px * size[0] / camera.width_px * sum(KINDS["post"].size_m[:2]) / distance_m
    text = f"{distance_m:.1f} m away, {size[0]} × {size[1]} pixels, the post {wide:.1f} pixels wide: it stands out by {', '.join(said)} of 255"
    return np.concatenate([panels[0], gap, panels[1], gap, panels[2]], axis=1), text


def _panel(small: np.ndarray, large: tuple[int, ...], middle: np.ndarray, title: str) -> np.ndarray:
    """The piece of a small picture that covers PIECE_PX of the large one, magnified, under its title."""
    indices = []
    for axis, center, piece in ((0, middle[1], PIECE_PX[1]), (1, middle[0], PIECE_PX[0])):
        place = center - piece / 2 + (np.arange(round(piece * ZOOM)) + 0.5) / ZOOM
        indices.append(np.clip(np.floor(place * small.shape[axis] / large[axis]).astype(int), 0, small.shape[axis] - 1))
    rows, columns = indices
    shown = small[rows][:, columns]
    if math.floor(ZOOM * large[1] / small.shape[1]) >= LINES_FROM_PX:
        shown[1:][np.diff(rows) > 0] //= 2
        shown[:, 1:][:, np.diff(columns) > 0] //= 2
    head = write_text(np.full((TITLE_PX, shown.shape[1], 3), 255, np.uint8), (3, 2), title, (0, 0, 0), 23)
    return np.concatenate([head, shown])
