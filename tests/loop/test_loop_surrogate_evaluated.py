"""A surrogate of each detector, fitted from its own judging, against runs with rendered pictures."""

import dataclasses

import numpy as np
import pytest

from robotlab.color import ColorDetector
from robotlab.course.resources import shipped
from robotlab.data import open_dataset
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.face_off import timed_detections
from robotlab.greenhouse import WALKS
from robotlab.loop import simulate
from robotlab.loop.surrogates import surrogate_of
from robotlab.neural import fit


@pytest.fixture(scope="module")
def data():
    return open_dataset(shipped("datasets/greenhouse"))


def perfect(some):
    return [Detections(entry.boxes, np.ones(len(entry.boxes)), entry.labels, some.classes) for entry in some.pictures]


def found_and_off(run):
    """Share of the posts in view that were found, and how far off the four edges were together, px."""
    shown, found = run.visible >= 0.25, ~np.isnan(run.boxes[:, 0])
    return (shown & found).sum() / shown.sum(), np.abs(run.boxes - run.truths)[shown & found].mean(axis=0).sum()


@pytest.mark.parametrize(
    "make", [ColorDetector.from_dataset, lambda some: fit(some, progress=False)], ids=["color detector", "detector"]
)
def test_a_surrogate_rides_like_its_detector(make, data):
    detector = make(data.only(recordings=["day1", "day2"]))
    judged = data.only(recordings=["day3", "day4", "overcast1", "overcast2"])
    surrogate = surrogate_of(judged, timed_detections(detector, judged, progress=False).detections)
    # The judged pictures hold far and hidden posts; the walk keeps the post near.
    assert surrogate.recall(100) > surrogate.recall(12) and surrogate.recall(100) > 0.6
    walk = WALKS["stop_and_go"]
    rendered = simulate(detector, walk, duration_s=8)
    quick = [simulate(surrogate, walk, seed=seed, duration_s=8, pictures=False) for seed in range(6)]
    names = ("time_in_view", "time_following", "bearing_error_rad", "distance_error_m")
    near = {"time_in_view": 0.02, "time_following": 0.05, "bearing_error_rad": 0.015, "distance_error_m": 0.12}
    for name in names:
        assert np.mean([run.scores()[name] for run in quick]) == pytest.approx(
            rendered.scores()[name], abs=near[name]
        ), name
    share, off = found_and_off(rendered)
    shares, offs = np.mean([found_and_off(run) for run in quick], axis=0)
    assert shares == pytest.approx(share, abs=0.12)
    # Order of magnitude of the box noise: a surrogate's errors are independent, a detector's are not.
    assert 1 / 3 < offs / off < 3


def test_what_is_to_be_ignored_counts_neither_way(data):
    some = data.only(recordings=["day3", "day4"])
    plain = surrogate_of(some, perfect(some))
    assert plain.false_rate == 0 and plain.recall(60) > 0.95
    # The first picture's labels are to be ignored: the boxes on them are not false.
    first = some.pictures[0]
    unclear = dataclasses.replace(first, ignore=np.ones(len(first.boxes), bool))
    changed = dataclasses.replace(some, pictures=(unclear, *some.pictures[1:]))
    again = surrogate_of(changed, perfect(some))
    assert again.false_rate == 0
    # Boxes beside all labels are false.
    beside = [Detections([[0, 0, 4, 9]], [0.9], [0], some.classes)] * len(some)
    with pytest.raises(InputError, match="one found"):
        surrogate_of(some, beside)


def test_what_does_not_fit_together_is_refused(data):
    some = data.only(recordings=["day3"])
    for arguments, words in (
        ((some, []), "one for each of the 29 pictures, got 0"),
        ((some, perfect(some), "cat"), "target must be one of post, bucket, crate"),
    ):
        with pytest.raises(InputError, match=words):
            surrogate_of(*arguments)
