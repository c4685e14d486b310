"""What the demo must show by itself (common practice, no source), and the scripted walks."""

import colorsys
import math

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from robotlab.camera import Camera
from robotlab.errors import InputError
from robotlab.greenhouse import CLASSES, LIGHTINGS, WALKS, Scene, Thing, Walk, render
from robotlab.greenhouse.smooth_curve import SmoothCurve
from robotlab.image import resize

POST = CLASSES.index("post")


def _hue_band(picture, box):
    """Middle hue of the inner part of a box, in turns."""
    x0, y0, x1, y1 = box
    inner = picture[
        int(y0 * 0.75 + y1 * 0.25) : int(y0 * 0.25 + y1 * 0.75),
        int(x0 * 0.7 + x1 * 0.3) : max(int(x0 * 0.3 + x1 * 0.7), int(x0 * 0.7 + x1 * 0.3) + 1),
    ]
    hues = [colorsys.rgb_to_hsv(*(pixel / 255))[0] for pixel in inner.reshape(-1, 3)]
    return np.median(hues)


def _in_band(picture, hue, width=0.02, least_saturation=0.7, least_value=0.12):
    hsv = np.array([colorsys.rgb_to_hsv(*(pixel / 255)) for pixel in picture.reshape(-1, 3)]).reshape(picture.shape)
    off = np.abs((hsv[..., 0] - hue + 0.5) % 1 - 0.5)
    return (off < width) & (hsv[..., 1] > least_saturation) & (hsv[..., 2] > least_value)


@pytest.fixture(scope="module")
def by_lighting():
    camera = Camera(160, 120, math.radians(62), height_m=0.28, pitch_rad=0.1)
    scene = Scene((Thing("post", 1.6, 0.1), Thing("crate", 2.6, -0.9), Thing("bucket", 2.4, 0.8)), seed=5)
    return {lighting: render(scene.under(lighting), camera, samples=2) for lighting in LIGHTINGS}


def test_a_hue_band_learned_in_daylight_works_in_daylight_and_fails_under_colored_lightings(by_lighting):
    day = by_lighting["daylight"]
    box = day.truths.boxes[day.truths.labels == POST][0].round().astype(int)
    hue = _hue_band(day.picture, box)
    inside = {
        lighting: _in_band(frame.picture, hue)[box[1] : box[3], box[0] : box[2]].mean()
        for lighting, frame in by_lighting.items()
    }
    assert inside["daylight"] > 0.6
    assert inside["overcast"] > 0.5
    assert inside["warm"] < 0.1
    assert inside["grow"] < 0.3


def test_same_colored_things_fool_a_color_band():
    camera = Camera(160, 120, math.radians(62), height_m=0.28, pitch_rad=0.1)
    post = Thing("post", 2.2, 0.4)
    plain, fooled = (
        render(Scene(things, seed=5), camera, samples=2) for things in ((post,), (post, Thing("tray", 1.5, -0.5)))
    )
    box = plain.truths.boxes[0].round().astype(int)
    hue = _hue_band(plain.picture, box)
    outside = np.ones((120, 160), bool)
    outside[box[1] : box[3], box[0] : box[2]] = False
    inside = _in_band(plain.picture, hue)[~outside].sum()
    assert (_in_band(plain.picture, hue) & outside).sum() < 0.2 * inside
    assert (_in_band(fooled.picture, hue) & outside).sum() > 2 * inside
    assert len(fooled.truths) == len(plain.truths) == 1


def test_a_picture_squeezed_small_loses_a_far_post():
    camera = Camera(640, 480, math.radians(62), height_m=0.28, pitch_rad=0.1)
    frame = render(Scene((Thing("post", 5.5, 0.3),), seed=5), camera)
    box = frame.truths.boxes[0]
    hue = _hue_band(frame.picture, box)
    left = {
        width: int(
            _in_band(resize(frame.picture, (width, width * 3 // 4)), hue)[
                :, int(box[0] * width / 640) - 1 : int(box[2] * width / 640) + 2
            ].sum()
        )
        for width in (640, 40)
    }
    assert left[640] > 60
    assert left[40] <= 1


def test_a_narrow_view_loses_a_near_post():
    shares = {}
    for degrees in (75, 35):
        truths = render(
            Scene((Thing("post", 0.55, 0.16),), seed=5), Camera(320, 240, math.radians(degrees), 0.28, 0.1)
        ).truths
        shares[degrees] = truths.visibility[0] if len(truths) else 0.0
    assert shares[75] > 0.75
    assert shares[35] < 0.55


@pytest.mark.parametrize("name", sorted(WALKS))
def test_walks_keep_clear_of_things_and_of_haste(name):
    walk = WALKS[name]
    x0, y0, x1, y1 = walk.scene.room_m
    others = [thing for thing in walk.scene.things if thing.kind != "post"]
    previous = None
    for t in np.arange(0, walk.duration_s + 0.05, 0.05):
        x, y = walk.post_at(t)
        assert x0 + 0.5 < x < x1 - 0.5 and y0 + 0.5 < y < y1 - 0.5
        for thing in others:
            # A crate is shorter than the circle around it: measure to its own sides.
            cos, sin = math.cos(thing.heading_rad), math.sin(thing.heading_rad)
            along, across = (
                abs(cos * (x - thing.x_m) + sin * (y - thing.y_m)),
                abs(cos * (y - thing.y_m) - sin * (x - thing.x_m)),
            )
            a, b, _ = thing.size_m
            gap = (
                math.hypot(max(along - a / 2, 0), max(across - b / 2, 0))
                if thing.shape == "box"
                else math.hypot(along, across) - thing.reach_m
            )
            assert gap > 0.05 or thing.shape == "plant", (t, thing)
        if previous is not None:
            assert math.hypot(x - previous[0], y - previous[1]) <= 0.8 * 0.05, t
        previous = x, y
    assert walk.scene.posts[0].x_m == pytest.approx(walk.post_at(0)[0])


def test_stop_and_go_stops_and_reverse_comes_back():
    stop = WALKS["stop_and_go"]
    assert stop.speed_mps(5.5) == pytest.approx(0, abs=1e-9) and stop.speed_mps(2.0) > 0.2
    turn = WALKS["reverse"]
    heading = [np.sign(turn.post_at(t + 0.5)[0] - turn.post_at(t)[0]) for t in (2.0, 8.0, 13.0, 18.5)]
    assert heading == [1, -1, 1, -1]


def test_around_crates_hides_the_post_and_shows_it_again():
    walk = WALKS["around_crates"]
    camera = Camera(160, 120, math.radians(62), height_m=0.28, pitch_rad=0.1)
    shares = []
    for t in np.arange(0, walk.duration_s, 0.5):
        truths = render(walk.scene_at(t), camera, (0.0, 0.0, 0.0)).truths
        mine = truths.visibility[truths.labels == POST]
        shares.append(float(mine[0]) if len(mine) else 0.0)
    hidden = [i for i, share in enumerate(shares) if share < 0.6]
    assert hidden and shares[0] > 0.95
    assert max(shares[hidden[0] :]) > 0.95


def test_walks_are_checked():
    with pytest.raises(InputError, match="rising times_s"):
        Walk("x", "x", (0.0, 0.0), ((0, 0), (1, 1)), Scene())


def test_a_smooth_curve_equals_scipys():
    rng = np.random.default_rng(0)
    for turn in range(300):
        times = np.cumsum(rng.uniform(0.05, 3, rng.integers(2, 9)))
        # Whole numbers stand still and turn often.
        values = rng.normal(size=len(times)) if turn % 2 else rng.integers(-2, 3, len(times)).astype(float)
        ours, theirs = SmoothCurve(times, values), PchipInterpolator(times, values)
        asked = [*times, *rng.uniform(times[0], times[-1], 20)]
        assert np.array([ours.at(t) for t in asked]) == pytest.approx(theirs(asked), rel=1e-12, abs=1e-12)
        assert np.array([ours.slope_at(t) for t in asked]) == pytest.approx(theirs(asked, 1), rel=1e-9, abs=1e-9)
