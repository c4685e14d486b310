"""The renderer's geometry and truth against slow independent ways of working them out."""

import math
import pickle
from dataclasses import replace

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.errors import InputError
from robotlab.greenhouse import CLASSES, KINDS, LIGHTINGS, WALKS, Scene, Thing, random_scene, render
from robotlab.greenhouse.outline import outline_of
from robotlab.greenhouse.ray_intersections import FAR, box_parameters, cone_parameters, intersect_box, intersect_cone
from robotlab.greenhouse.renderer import look
from robotlab.greenhouse.things import _nearest, screen_windows
from robotlab.greenhouse.view import View

CAMERA = Camera(160, 120, math.radians(62), height_m=0.3, pitch_rad=0.12)
CLEAN = {"noise": 0.0, "blur": 0.0}


def _inside(thing, points, cx, cy, turn):
    """Whether points (N, 3) lie in a thing; the plain definition of each shape."""
    a, b, height = thing.size_m
    x, y, z = (points - [cx, cy, 0]).T
    level = (z >= 0) & (z <= height)
    if thing.shape == "round":
        return level & (np.hypot(x, y) <= a + (b - a) * z / height)
    along, across = x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn)
    return level & (np.abs(along) <= a / 2) & (np.abs(across) <= b / 2)


def _depth(thing, cx, cy, turn, eye, rays):
    """Depth at which rays (3, N) meet one thing."""
    rays = rays.astype(np.float32)
    numbers = (
        cone_parameters(thing, cx, cy, eye) if thing.shape == "round" else box_parameters(thing, cx, cy, turn, eye)
    )
    table = np.tile(np.array(numbers, np.float32)[:, None], rays.shape[1])
    return (intersect_cone(rays, table, eye) if thing.shape == "round" else intersect_box(rays, table))[0]


@pytest.mark.parametrize("kind", ["post", "bucket", "drum", "pot", "crate", "tray"])
@pytest.mark.parametrize("eye", [0.15, 0.6])
def test_rays_meet_things_where_small_steps_first_get_inside(kind, eye):
    rng = np.random.default_rng([len(kind), int(eye * 100)])
    thing, cx, cy, turn = Thing(kind, 0, 0), 1.3, 0.2, 0.7
    wide, tall = 1.3 * thing.reach_m, 1.3 * thing.height_m
    aim = np.column_stack([np.full(300, cx), cy + rng.uniform(-wide, wide, 300), rng.uniform(-0.2 * tall, tall, 300)])
    directions = (aim - [0, 0, eye]) / cx
    depth = _depth(thing, cx, cy, turn, eye, directions.T)
    steps = np.linspace(0.5, 2.5, 8001)
    for direction, found in zip(directions, depth, strict=True):
        within = _inside(thing, [0, 0, eye] + steps[:, None] * direction, cx, cy, turn)
        if within.sum() < 3:
            # A ray that only grazes: the steps may miss what the formula finds, never the other way about.
            continue
        assert found == pytest.approx(steps[within.argmax()], abs=4e-4)
    missed = depth >= FAR
    assert 20 < missed.sum() < 280
    for direction in directions[missed]:
        assert _inside(thing, [0, 0, eye] + steps[:, None] * direction, cx, cy, turn).sum() < 12


def test_windows_hold_every_ray_that_meets_a_thing_even_beside_the_lens():
    """Against all rays of the picture, each asked whether it meets the thing."""
    rng = np.random.default_rng(12)
    empty = whole = 0
    for _ in range(300):
        camera = Camera(40, 30, rng.uniform(0.4, 2.2), rng.uniform(0.05, 1.2), rng.uniform(-0.9, 1.1))
        thing, cx, cy, turn = (
            Thing(str(rng.choice(["bucket", "drum", "pole", "crate"])), 0, 0),
            rng.uniform(-0.4, 1.2),
            rng.uniform(-1, 1),
            rng.uniform(-3, 3),
        )
        if math.hypot(cx, cy) <= thing.reach_m + 0.03:
            continue
        found = screen_windows(View(camera, 1), [thing], [cx], [cy])
        _, c0, r0, c1, r1 = found[0] if found else (0, 0, 0, 0, 0)
        right, down = (np.arange(40) - 19.5) / camera.focal_px, ((np.arange(30) - 14.5) / camera.focal_px)[:, None]
        cos, sin = math.cos(camera.pitch_rad), math.sin(camera.pitch_rad)
        rays = np.stack(np.broadcast_arrays(cos - down * sin, -right, -sin - down * cos)).reshape(3, -1)
        hit = (_depth(thing, cx, cy, turn, camera.height_m, rays) < FAR).reshape(30, 40)
        hit[r0:r1, c0:c1] = False
        assert not hit.any()
        empty += not found
        whole += (c0, r0, c1, r1) == (0, 0, 40, 30)
    assert empty > 30 and whole > 30


@pytest.mark.parametrize("kind", ["post", "bucket", "crate"])
@pytest.mark.parametrize("pitch", [0.0, 0.25])
def test_whole_box_is_the_box_of_the_projected_body(kind, pitch):
    camera = replace(CAMERA, pitch_rad=pitch)
    thing, cx, cy, turn = Thing(kind, 0, 0), 1.6, -0.4, 0.5
    angles = np.linspace(0, 2 * math.pi, 20000)
    a, b, height = thing.size_m
    if thing.shape == "round":
        rims = [
            np.column_stack([cx + r * np.cos(angles), cy + r * np.sin(angles), np.full(angles.shape, z)])
            for r, z in ((a, 0), (b, height))
        ]
        points = np.concatenate(rims)
    else:
        turned = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        points = np.array(
            [[*(turned @ [i * a / 2, j * b / 2] + [cx, cy]), z] for i in (-1, 1) for j in (-1, 1) for z in (0, height)]
        )
    pixels, _ = camera.project(points)
    outline = outline_of(thing, camera, cx, cy, turn)
    np.testing.assert_allclose(outline.box, [*pixels.min(0), *pixels.max(0)], atol=1e-5)


@pytest.mark.parametrize("kind", ["post", "bucket", "crate"])
@pytest.mark.parametrize("place", [(0.9, 0.5), (1.2, 0.1), (2.5, -0.7), (4.0, 0.9)])
def test_boxes_surround_what_is_painted(kind, place):
    big = Camera(640, 480, CAMERA.hfov_rad, CAMERA.height_m, CAMERA.pitch_rad)
    # The same thing in two colors: only its own pixels change, the shadow does not.
    frames = [
        render(Scene((Thing(kind, *place, heading_rad=0.4, color=c),), seed=3), big, **CLEAN)
        for c in ((250, 250, 250), (30, 60, 200))
    ]
    changed = (frames[0].picture != frames[1].picture).any(axis=2)
    rows, columns = np.nonzero(changed)
    drawn = [columns.min(), rows.min(), columns.max() + 1, rows.max() + 1]
    np.testing.assert_allclose(frames[0].truths.boxes[0], drawn, atol=1.01)


def test_visibility_counts_what_a_crate_hides():
    post, crate = Thing("post", 3.0, 0.0), Thing("crate", 2.2, 0.12, heading_rad=0.1)
    camera = Camera(640, 480, math.radians(50), 0.3, 0.05)
    truths = render(Scene((post, crate), seed=1), camera).truths
    row = truths.labels.tolist().index(CLASSES.index("post"))
    # Count by brute force: rays on a fine grid over the post's box, each marched through both bodies.
    x0, y0, x1, y1 = truths.whole_boxes[row]
    ys, xs = np.meshgrid(np.linspace(y0, y1, 120), np.linspace(x0, x1, 40), indexing="ij")
    cos, sin = math.cos(camera.pitch_rad), math.sin(camera.pitch_rad)
    right, down = (xs.ravel() - 320) / camera.focal_px, (ys.ravel() - 240) / camera.focal_px
    rays = np.column_stack([cos - down * sin, -right, -sin - down * cos])
    eye, steps = np.array([0, 0, 0.3]), np.linspace(1.5, 3.2, 900)
    on_post = hidden = 0
    for ray in rays:
        points = eye + steps[:, None] * ray
        in_post = _inside(post, points, 3.0, 0.0, 0.0)
        if in_post.any():
            on_post += 1
            hidden += _inside(crate, points[: in_post.argmax()], 2.2, 0.12, 0.1).any()
    assert 0.2 < truths.visibility[row] < 0.8
    assert truths.visibility[row] == pytest.approx(1 - hidden / on_post, abs=0.03)
    # The box is that of the part that shows, and the hidden lower end is left out.
    assert truths.boxes[row, 3] < truths.whole_boxes[row, 3] - 10
    np.testing.assert_allclose(truths.boxes[row, :3], truths.whole_boxes[row, :3], atol=1.6)


@pytest.mark.parametrize("yaw", [0.0, 0.42, -0.5])
def test_visibility_counts_what_lies_outside_the_picture(yaw):
    scene = Scene((Thing("post", 0.7, 0.0), Thing("bucket", 1.0, 0.35)), seed=1)
    wide = Camera(1200, 900, 2 * math.atan(1200 / 2 / CAMERA.focal_px), CAMERA.height_m, CAMERA.pitch_rad)
    truths = render(scene, CAMERA, (0, 0, yaw), samples=2).truths
    whole = render(scene, wide, (0, 0, yaw)).truths
    assert (whole.visibility > 0.5).all()
    # The same lens with a much larger sensor: count the post's rays inside the small one's frame.
    left, top = (1200 - 160) / 2, (900 - 120) / 2
    for label, visibility, box in zip(truths.labels, truths.visibility, truths.boxes, strict=True):
        thing = scene.things[0 if label == 0 else 1]
        cx, cy = (
            math.cos(yaw) * thing.x_m + math.sin(yaw) * thing.y_m,
            math.cos(yaw) * thing.y_m - math.sin(yaw) * thing.x_m,
        )
        other = scene.things[1 if label == 0 else 0]
        if other.kind == "post":
            continue
        rows, columns = np.mgrid[0:900:0.5, 350:850:0.5] + 0.25
        right, down = (columns.ravel() - 600) / wide.focal_px, (rows.ravel() - 450) / wide.focal_px
        cos, sin = math.cos(wide.pitch_rad), math.sin(wide.pitch_rad)
        rays = np.stack([cos - down * sin, -right, -sin - down * cos])
        hit = (_depth(thing, cx, cy, 0, wide.height_m, rays) < FAR).reshape(rows.shape)
        inside = (rows >= top) & (rows < top + 120) & (columns >= left) & (columns < left + 160)
        assert visibility == pytest.approx((hit & inside).sum() / hit.sum(), abs=0.01)
        shown_rows, shown_columns = rows[hit & inside] - top, columns[hit & inside] - left
        np.testing.assert_allclose(
            box, [shown_columns.min(), shown_rows.min(), shown_columns.max(), shown_rows.max()], atol=0.8
        )


def test_the_nearer_thing_hides_the_farther_one_whatever_their_order():
    near, far = Thing("bucket", 1.0, 0.0), Thing("drum", 2.0, 0.0)
    pictures = [render(Scene(things, seed=1), CAMERA).picture for things in ((near, far), (far, near))]
    assert (pictures[0] == pictures[1]).all()


def test_the_nearest_of_many_meetings_is_that_of_a_plain_loop():
    rng = np.random.default_rng(6)
    for count in (1, 5, 400):
        pixels, depth = rng.integers(0, 90, count), rng.integers(1, 9, count).astype(np.float32)
        least = {}
        for pixel, value in zip(pixels.tolist(), depth.tolist(), strict=True):
            least[pixel] = min(value, least.get(pixel, value))
        assert _nearest(pixels, depth, 90).tolist() == [i for i in range(count) if depth[i] == least[pixels[i]]]


def test_a_walk_that_keeps_what_stays_the_same_shows_what_a_fresh_scene_shows():
    """Moving the post must leave nothing behind of where it was: picture and truth, bit for bit."""
    walk = WALKS["around_crates"]
    for t in (0.0, 7.0, 13.0):
        x, y = walk.post_at(t)
        kept = walk.scene.with_post_at(x, y)
        things = tuple(
            Thing(
                o.kind,
                *((x, y) if o.kind == "post" else (o.x_m, o.y_m)),
                o.heading_rad,
                o.scale,
                o.color,
                o.bands,
                o.seed,
            )
            for o in walk.scene.things
        )
        fresh = Scene(things, kept.lighting, kept.seed, kept.floor, kept.path_half_m, kept.room_m, kept.plants_m)
        assert kept == fresh and hash(kept) == hash(fresh)
        frames = [render(scene, CAMERA, (x - 1.4, y, 0.1), samples=2) for scene in (kept, fresh)]
        np.testing.assert_array_equal(frames[0].picture, frames[1].picture)
        np.testing.assert_array_equal(frames[0].truths.boxes, frames[1].truths.boxes)
        np.testing.assert_array_equal(frames[0].truths.things, frames[1].truths.things)


def test_a_scene_from_another_process_is_the_same_scene():
    """Strings hash differently there, so no hash may travel along."""
    scene = WALKS["weave"].scene.with_post_at(2.0, 0.5)
    hash(scene), scene.stock
    there = pickle.loads(pickle.dumps(scene))
    assert there == scene and not {"_hash", "stock"} & {*vars(there), *vars(there.things[0])}
    np.testing.assert_array_equal(render(there, CAMERA).picture, render(scene, CAMERA).picture)


def test_the_truth_is_the_same_whenever_it_is_asked_for():
    scene = random_scene(5, post=(2.0, 0.0))
    late = render(scene, CAMERA)
    first = render(scene, CAMERA).truths
    render(scene.with_post_at(3.0, 0.4), CAMERA, (0.3, 0.1, 0.2))
    np.testing.assert_array_equal(late.truths.boxes, first.boxes)
    np.testing.assert_array_equal(late.truths.visibility, first.visibility)
    assert late.truths is late.truths


def test_a_look_gives_the_truth_of_the_picture():
    """The picture's own truth is held to what is painted, above."""
    rng, scene = np.random.default_rng(3), random_scene(3)
    for _ in range(12):
        place = rng.uniform(-1, 4), rng.uniform(-1, 1), rng.uniform(-3, 3)
        one, other = look(scene, CAMERA, place), render(scene, CAMERA, place).truths
        for name in ("boxes", "labels", "visibility", "distance_m", "whole_boxes", "things"):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_the_same_seed_gives_the_same_picture_and_another_gives_other_noise():
    scene = random_scene(5, "dusk")
    first, again, other = (render(scene, CAMERA, seed=seed).picture for seed in (1, 1, 2))
    assert (first == again).all() and (first != other).any()
    assert np.abs(first.astype(int) - other).mean() < 12


def test_lighting_exposure_and_noise_leave_the_truth_alone():
    scene = random_scene(8, post=(2.0, 0.1))
    frames = [render(scene.under(lighting), CAMERA, exposure=1.4, noise=2.0) for lighting in LIGHTINGS]
    for frame in frames[1:]:
        np.testing.assert_array_equal(frame.truths.boxes, frames[0].truths.boxes)
        np.testing.assert_array_equal(frame.truths.visibility, frames[0].truths.visibility)
    means = [frame.picture.mean() for frame in frames]
    assert means[0] == max(means) and len({round(mean, 2) for mean in means}) == len(LIGHTINGS)


def test_more_rays_a_pixel_only_smooth_the_picture():
    scene = random_scene(9, post=(1.5, 0.0))
    coarse, fine = (render(scene, CAMERA, samples=samples, noise=0.0) for samples in (1, 3))
    np.testing.assert_allclose(coarse.truths.whole_boxes, fine.truths.whole_boxes)
    assert np.abs(coarse.picture.astype(int) - fine.picture).mean() < 9


def test_distances_are_along_the_ground():
    truths = render(Scene((Thing("post", 3.0, 1.0),), seed=1), CAMERA, (1.0, 0.5, 0.1)).truths
    assert truths.distance_m[0] == pytest.approx(math.hypot(2.0, 0.5))


def test_distance_from_the_true_box_is_the_true_distance():
    for x, y in ((1.2, 0.2), (2.5, -0.6), (4.5, 0.8)):
        truths = render(Scene((Thing("post", x, y),), seed=1), CAMERA).truths
        assert CAMERA.distance_m(truths.boxes[0], KINDS["post"].size_m[2]) == pytest.approx(math.hypot(x, y), rel=0.05)


def test_a_scene_with_everything_from_everywhere_raises_no_warning():
    """Warnings are errors here: no overflow, no NaN, wherever the camera stands."""
    rng = np.random.default_rng(4)
    for _ in range(40):
        scene = replace(random_scene(rng), seed=1, floor=("paving", "soil"), path_half_m=1.0, plants_m=1.2)
        camera = Camera(80, 60, rng.uniform(0.4, 2.0), rng.uniform(0.03, 1.5), rng.uniform(-0.5, 0.9))
        pose = (rng.uniform(-2.5, 8), rng.uniform(-2.5, 2.5), rng.uniform(-4, 4))
        frame = render(scene, camera, pose, blur=rng.choice([0.0, 0.5, 1.5]), seed=int(rng.integers(1 << 62)))
        assert frame.picture.dtype == np.uint8 and frame.picture.shape == (60, 80, 3)
        boxes = frame.truths.boxes
        assert np.isfinite(boxes).all() and ((boxes >= 0) & (boxes <= [80, 60, 80, 60])).all()
        assert ((frame.truths.visibility >= 0) & (frame.truths.visibility <= 1)).all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pose": (99.0, 0.0, 0.0)}, "inside the room"),
        ({"pose": (math.nan, 0.0, 0.0)}, "finite"),
        ({"camera": Camera(160, 120, 1.0)}, "above the ground"),
        ({"exposure": 0.0}, "exposure must be > 0"),
        ({"noise": -1.0}, "noise"),
        ({"samples": 9}, "samples"),
        ({"scene": "greenhouse"}, "takes a Scene"),
        ({"scene": Scene((Thing("post", 2.0, 0.0),)).with_post_at}, "takes a Scene"),
    ],
)
def test_bad_input_is_refused(change, words):
    arguments = {"scene": Scene(), "camera": CAMERA} | change
    with pytest.raises(InputError, match=words):
        render(**arguments)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Thing("ladder", 0, 0),
        lambda: Thing("post", math.nan, 0),
        lambda: Thing("post", 0, 0, scale=0),
        lambda: Thing("post", 1.0, 0.0).moved_to(math.inf, 0.0),
        lambda: Scene((Thing("post", 1.0, 0.0),)).with_post_at(0.0, math.nan),
        lambda: Scene(lighting="candle"),
        lambda: Scene(floor=("lava", "soil")),
        lambda: Scene(room_m=(1, 0, 0, 1)),
    ],
)
def test_scenes_that_cannot_be_are_refused(make):
    with pytest.raises(InputError):
        make()
