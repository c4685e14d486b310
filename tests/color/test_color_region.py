"""Region prediction: what it promises, proved on random sequences."""

import numpy as np
import pytest

from robotlab.color import Band, ColorTracker, LabBand, RegionTracker, Shape
from robotlab.errors import InputError, PictureError

BAND = Band((5, 18), (150, 255), (80, 255))
ORANGE = (230, 110, 20)

SETTINGS = {
    "plain": {},
    "shapes": {"shapes": Shape(min_area_px=20, aspect=(0.1, 1.2), min_fill=0.3)},
    "clean-up": {"open_px": 1, "close_px": 2},
    "joined": {"shapes": Shape(join_gap=1.5)},
    "joined and shaped": {"shapes": Shape(aspect=(0.1, 0.7), join_gap=2.0), "close_px": 1},
    "grey world": {"balance": "grey world"},
    "gains": {"balance": (1.1, 1.0, 0.9)},
}


def walk(seed, frames=30, size=(150, 200), rivals=3, salt=0.004):
    """A target that wanders, sometimes jumps, shrinks and grows, among moving rivals; noise and specks."""
    rng = np.random.default_rng(seed)
    height, width = size
    places = rng.uniform(30, 120, (rivals + 1, 2))
    speeds = rng.normal(0, 3, (rivals + 1, 2))
    for frame in range(frames):
        picture = np.full((height, width, 3), (60, 110, 40), np.uint8)
        for which, ((x, y), (vx, vy)) in enumerate(zip(places, speeds)):
            half_w, half_h = (6 + 2 * np.sin(frame / 5), 18 + 6 * np.cos(frame / 7)) if which == 0 else (4 + which, 6 + 3 * which)
            x0, y0 = int(max(x - half_w, 0)), int(max(y - half_h, 0))
            picture[y0 : int(max(y + half_h, 1)), x0 : int(max(x + half_w, 1))] = ORANGE
            if seed % 2:
                # Bands: a stripe of another colour.
                picture[y0 + 8 : y0 + 12, x0 : int(max(x + half_w, 1))] = 220
            if rng.random() < 0.05:
                places[which] = rng.uniform(10, 140, 2)
            places[which] += [vx, vy]
            bounce = (places[which] < 5) | (places[which] > [width - 5, height - 5])
            speeds[which][bounce] *= -1
        picture[rng.random(size) < salt] = ORANGE
        noisy = picture + rng.normal(0, 8, picture.shape)
        yield np.clip(noisy, 0, 255).astype(np.uint8)


def inside(box, region, shape):
    """The promise's condition: no pixel of the box on a rim that is not the picture's."""
    left, top, right, bottom = region
    height, width = shape[:2]
    return (
        (box[0] > left or left == 0)
        and (box[1] > top or top == 0)
        and (box[2] < right or right == width)
        and (box[3] < bottom or bottom == height)
    )


@pytest.mark.parametrize("name", SETTINGS)
def test_same_answer_when_the_target_is_inside(name):
    tracker = ColorTracker(BAND, ["post"], **SETTINGS[name])
    in_region = 0
    for seed in range(8):
        follower = RegionTracker(tracker, recheck_every=7)
        for picture in walk(seed):
            ours, whole = follower.find(picture), tracker.find(picture)
            region = follower.looked_at["post"]
            if region is None or (len(whole) and inside(whole.boxes[0], region, picture.shape)):
                assert np.array_equal(ours.boxes, whole.boxes) and np.array_equal(ours.scores, whole.scores), seed
            elif len(ours):
                # It stayed with a target that really is a blob of the whole picture.
                blobs, scores = tracker.blobs(tracker.balanced(picture), "post")
                rows = np.flatnonzero((blobs.boxes == ours.boxes[0]).all(axis=1))
                assert rows.size and (scores[rows] == ours.scores[0]).any(), seed
            in_region += region is not None
    # The fast way was taken, often enough for the test to mean something.
    assert in_region > 40


def test_alone_it_always_gives_the_whole_pictures_answer():
    tracker = ColorTracker(BAND, ["post"])
    follower = RegionTracker(tracker, recheck_every=1000)
    regions = 0
    for picture in walk(4, frames=80, rivals=0, salt=0.0):
        ours, whole = follower.find(picture), tracker.find(picture)
        assert np.array_equal(ours.boxes, whole.boxes) and np.array_equal(ours.scores, whole.scores)
        regions += follower.looked_at["post"] is not None
    assert regions > 50


def test_stays_with_its_target_until_the_recheck():
    # The third point of the promise: a larger blob elsewhere is seen at the next whole look.
    picture = np.zeros((120, 160, 3), np.uint8)
    picture[30:50, 20:26] = ORANGE
    larger = picture.copy()
    larger[60:110, 120:150] = ORANGE
    follower = RegionTracker(ColorTracker(BAND), recheck_every=4)
    follower.find(picture)
    xs = [follower.find(larger).boxes[0, 0] for _ in range(8)]
    assert xs == [20, 20, 20, 120, 120, 120, 120, 120]


def test_a_target_cut_by_the_region_sends_it_to_the_whole_picture():
    picture = np.zeros((120, 160, 3), np.uint8)
    picture[50:60, 70:80] = ORANGE
    grown = np.zeros_like(picture)
    grown[52:56, 5:155] = ORANGE
    follower = RegionTracker(ColorTracker(BAND))
    follower.find(picture)
    assert follower.find(grown).boxes.tolist() == [[5, 52, 155, 56]] and follower.looked_at["target"] is None


def test_a_joined_piece_beyond_the_region_is_not_lost():
    tracker = ColorTracker(BAND, shapes=Shape(join_gap=3.0))
    follower = RegionTracker(tracker)
    picture = np.zeros((200, 100, 3), np.uint8)
    picture[20:40, 40:60] = ORANGE
    follower.find(picture)
    picture[95:120, 40:60] = ORANGE
    assert follower.find(picture).boxes.tolist() == tracker.find(picture).boxes.tolist() == [[40, 20, 60, 120]]


def test_lost_found_and_other_sizes():
    follower = RegionTracker(ColorTracker({"post": BAND, "bucket": LabBand((35, 30, -70), 25)}))
    empty, picture = np.zeros((2, 60, 80, 3), np.uint8)
    picture[20:40, 30:40] = ORANGE
    picture[45:55, 60:75] = 30, 60, 200
    assert len(follower.find(picture)) == 2 and len(follower.find(picture)) == 2
    assert all(follower.looked_at.values())
    assert len(follower.find(empty)) == 0 and follower.looked_at == {"post": None, "bucket": None}
    assert len(follower.find(picture)) == 2
    # Another size: what it remembers means nothing there.
    assert follower.find(picture[:50]).of_class("post").boxes.tolist() == [[30, 20, 40, 40]]
    assert follower.looked_at["post"] is None
    follower.find(picture[:50])
    follower.forget()
    follower.find(picture[:50])
    assert follower.looked_at["post"] is None


def test_wrong_use_is_refused():
    with pytest.raises(InputError, match="all_blobs=False"):
        RegionTracker(ColorTracker(BAND, all_blobs=True))
    for wrong in (0, 1.5, True, None):
        with pytest.raises(InputError, match="recheck_every"):
            RegionTracker(ColorTracker(BAND), recheck_every=wrong)
    with pytest.raises(PictureError):
        RegionTracker(ColorTracker(BAND)).find(np.zeros((4, 4)))
