"""The interactive pictures of lessons 01 and 02, without a browser: what they show against what must be there."""

import math

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.greenhouse import WALKS, render
from robotlab.image import decode, resize
from robotlab.loop import default_camera
from robotlab.widgets import CameraView, PickColor, Resizing
from robotlab.widgets.resizing import largest_contrast, without_post


def move(widget, **changes):
    """What the browser does."""
    widget.asked = {**widget.asked, "number": widget.asked["number"] + 1, **changes}
    assert widget.answered == widget.asked["number"]


@pytest.fixture
def view():
    return CameraView(default_camera())


@pytest.mark.parametrize(("ahead", "left"), [(1.5, 0.0), (3.0, 1.0), (4.0, -1.5)])
def test_the_text_says_what_the_renderer_draws(view, ahead, left):
    """Pinhole formula (Hartley & Zisserman, ch. 6) and the traced post agree but for its roundness: under 4 %."""
    move(view, ahead_m=ahead, left_m=left)
    focal = 160 / math.tan(math.radians(31.1))
    assert f"{focal * 0.5 / ahead:.1f} px tall, {focal * 0.07 / ahead:.1f} px wide" in view.text
    frame = render(view._scene.with_post_at(ahead, left), default_camera())
    assert np.array_equal(decode(bytes(view.picture)), frame.picture)
    box = frame.truths.whole_boxes[list(frame.truths.labels).index(0)]
    assert box[3] - box[1] == pytest.approx(focal * 0.5 / ahead, rel=0.04)


def test_left_is_positive_and_left_in_the_picture(view):
    move(view, ahead_m=3.0, left_m=1.0)
    # atan(1 / 3) = 18.4 degrees, ISO 8855.
    assert "1.00 m to the left" in view.text and "bearing +18.4°" in view.text
    picture = decode(bytes(view.picture)).astype(int)
    orange = picture[..., 0] - picture[..., 2] > 90
    assert 0 < np.argwhere(orange)[:, 1].mean() < 160
    move(view, left_m=-1.0)
    assert "bearing −18.4°" in view.text


@pytest.mark.parametrize(
    ("velocity", "end"),
    [
        ({"ahead_m": 0.5}, "Cut by the edge of the picture."),
        ({"ahead_m": 1.0, "left_m": 2.0}, "2.00 m to the left: bearing +63.4°. Outside the picture."),
        ({"ahead_m": 6.0, "width_px": 160}, "In the picture, and less than 12 px tall."),
        ({"ahead_m": 5.0}, "All of it in the picture."),
    ],
)
def test_the_text_says_whether_the_post_is_in_the_picture(view, velocity, end):
    move(view, **velocity)
    assert view.text.endswith(end)


def test_the_band_follows_the_camera(view):
    # f H / 240 and f H / 12 with f = 160 / tan(31.1 deg) and H = .5 m.
    assert view.band == pytest.approx([0.5526, 11.0515], abs=1e-3)
    move(view, width_px=160)
    assert view.band[1] == pytest.approx(11.0515 / 2, abs=1e-3)
    move(view, hfov_deg=90.0, width_px=320)
    assert view.band[1] == pytest.approx(160 * 0.5 / 12, abs=1e-3)


def test_the_lens_shows_each_pixel_as_a_square_and_white_outside(view):
    move(view, ahead_m=3.0)
    picture, lens = decode(bytes(view.picture)), decode(bytes(view.lens))
    assert lens.shape == (24 * 7, 56 * 7, 3)
    # The middle of the post: column 160, row 120; it is 28 squares from the left, 12 from the top.
    assert np.array_equal(lens[12 * 7 + 3, 28 * 7 + 3], picture[120, 160])
    move(view, ahead_m=1.0, left_m=2.4)
    assert (decode(bytes(view.lens))[3, 3] == 255).all()


def test_any_camera_starts_where_it_is():
    view = CameraView(Camera(200, 100, math.radians(41.37), height_m=0.4, pitch_rad=0.1))
    assert decode(bytes(view.picture)).shape == (100, 200, 3)
    assert all(slider["low"] <= slider["start"] <= slider["high"] for slider in view.sliders)


def test_resizing_says_what_the_methods_do():
    scene, camera = WALKS["straight"].scene, default_camera(640, 480)
    widget = Resizing(scene, camera)
    bare = render(without_post(scene), camera, noise=0).picture
    for aside, smaller in ((0, 8), (4, 16), (2, 1)):
        widget.asked = {"number": aside + smaller, "values": {"distance_m": 6.0, "smaller": smaller, "aside_cm": aside}}
        posted = render(scene.with_post_at(6.0, aside / 100), camera, noise=0).picture
        size = (round(640 / smaller), round(480 / smaller))
        for method in ("area", "linear", "nearest"):
            assert (
                f"{method} {largest_contrast(resize(posted, size, method), resize(bare, size, method))}" in widget.text
            )
    assert not widget.failed


def test_resizing_shows_the_pixels_of_the_small_picture():
    scene, camera = WALKS["straight"].scene, default_camera(640, 480)
    shown = decode(bytes(Resizing(scene, camera).picture))
    assert shown.shape == (32 + 300, 3 * 240 + 2 * 8, 3)
    small = resize(render(scene.with_post_at(6.0, 0.0), camera, noise=0).picture, (80, 60), "nearest")
    # Each panel begins at column 272 and row 180 of the large picture, column 34 and row 22.5 of the small one.
    panel = shown[32:, 2 * 248 :]
    assert np.array_equal(panel[20, 10], small[23, 34]) and np.array_equal(panel[150 + 5, 120 + 10], small[30, 40])


def test_the_frame_around_a_place_near_the_corner_is_drawn_as_far_as_the_picture_reaches():
    """By hand: 3 px around the middle of pixel (1, 1) ends at 4.5, the white line lies 1 px farther; left and above is no room."""
    gray = np.full((30, 40, 3), 120, np.uint8)
    shown = decode(PickColor(gray, (1, 1)).picture)[:, :40]
    white = np.zeros((30, 40), bool)
    white[:6, 5] = white[5, :6] = True
    assert np.array_equal((shown == 255).all(axis=2), white)
