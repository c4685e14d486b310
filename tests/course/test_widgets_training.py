"""The training monitor: what it says of a stage, its log, and what it refuses."""

import json

import numpy as np
import pytest

from robotlab.detections import Detections
from robotlab.errors import BoxError, InputError, PictureError
from robotlab.neural import fit
from robotlab.widgets import TrainingMonitor

GRAY = np.full((96, 128, 3), 128, np.uint8)
TRUE = [[10, 10, 40, 50], [60, 20, 100, 60]]


def monitor(**options):
    return TrainingMonitor(GRAY, TRUE, [0, 1], ["post", "crate"], alt="Two things.", **options)


def found(boxes, scores, labels):
    return Detections(boxes, scores, labels, ["post", "crate"])


@pytest.mark.parametrize(
    ("boxes", "scores", "labels", "said"),
    [
        ([TRUE[0], TRUE[1]], [0.9, 0.8], [0, 1], "2 TP, 0 FP, 0 FN"),
        # The same thing twice: the second box is a false positive.
        ([TRUE[0], TRUE[0]], [0.9, 0.8], [0, 0], "1 TP, 1 FP, 1 FN"),
        # The right place with the wrong class.
        ([TRUE[0], TRUE[1]], [0.9, 0.8], [1, 0], "0 TP, 2 FP, 2 FN"),
        # Below the least score nothing is shown.
        ([TRUE[0]], [0.2], [0], "0 TP, 0 FP, 2 FN"),
        # An overlap of exactly a half is found, a hair less is not.
        ([[10, 10, 40, 30]], [0.9], [0], "1 TP, 0 FP, 1 FN"),
        ([[10, 10, 40, 29.9]], [0.9], [0], "0 TP, 1 FP, 2 FN"),
    ],
)
def test_a_stage_in_words(boxes, scores, labels, said):
    one = monitor()
    one.add_stage(7, 0.25, 0.5, found(boxes, scores, labels))
    assert one.stages[0]["text"] == f"Step 7. Held out: AP50 0.50, AP 0.25. In this picture {said}."
    assert repr(one).endswith(one.stages[0]["text"])


def test_a_box_on_what_is_ignored_counts_neither_way():
    one = monitor(ignored=[[100, 70, 128, 96]])
    # Four fifths of the first lie in the ignored box, two fifths of the second.
    one.add_stage(0, 0, 0, found([TRUE[0], [103, 70, 128, 96], [85, 70, 110, 90]], [0.9, 0.8, 0.7], [0, 1, 1]))
    assert one.stages[0]["text"].endswith("1 TP, 1 FP, 1 FN; 1 more on what does not count.")


def test_a_monitor_of_a_picture_of_a_data_set():
    from robotlab.course import shipped
    from robotlab.data import open_dataset

    coins = open_dataset(shipped("datasets/coins"))
    entry = next(entry for entry in coins.pictures if entry.ignore.any() and not entry.ignore.all())
    one = TrainingMonitor.of(coins, entry, alt="Coins.")
    assert len(one.truths) == (~entry.ignore).sum() and one.size_px == [160, 160]
    # Its own truths, found: no error, and every box is accounted for, also those on coins that do not count.
    one.add_stage(0, 1, 1, Detections(entry.boxes, np.ones(len(entry.boxes)), entry.labels, coins.classes))
    assert one.stages[0]["text"].endswith(
        f"{len(one.truths)} TP, 0 FP, 0 FN; {entry.ignore.sum()} more on what does not count."
    )


def test_words_of_boxes_do_not_cover_each_other():
    rng = np.random.default_rng(0)
    for _ in range(50):
        corner = rng.uniform(0, [80, 60], (3, 2))
        boxes = np.concatenate([corner, corner + rng.uniform(10, 30, (3, 2))], axis=1)
        one = monitor()
        one.add_stage(0, 0, 0, found(boxes, [0.9, 0.8, 0.7], [0, 1, 0]))
        # At 128 px a letter is 3.8 px high and about 2.2 px wide.
        spots = [(*b["at"], 2.2 * len(b["words"])) for b in one.stages[0]["boxes"]]
        for i, (x, y, long) in enumerate(spots):
            assert 0 <= x <= 128 and 0 < y <= 96
            assert all(abs(y - v) > 3.8 or x >= u + far - 1 or u >= x + long - 1 for u, v, far in spots[:i])


def test_a_log_goes_through_json_and_replays(tmp_path):
    one = monitor()
    one.losses = [[5, 1.5], [10, 0.5]]
    one.add_stage(0, 0.1, 0.2, found([TRUE[0]], [0.9], [0]))
    one.add_stage(10, 0.3, 0.4, found(TRUE, [0.9, 0.6], [0, 1]))
    log = json.loads(json.dumps(one.log))
    again = monitor(log=log)
    assert again.log == one.log and repr(again) == repr(one)
    # The text of a stage holds the loss known then.
    assert "Loss" not in again.stages[0]["text"] and "Loss 0.50." in again.stages[1]["text"]


def test_it_watches_a_training(monkeypatch):
    one = monitor()

    class Course:
        steps, losses = [3], [2.0]
        judged_steps, judged_AP, judged_AP50 = [0, 3], [0.1, 0.2], [0.3, 0.4]

    class Finder:
        def detect(self, picture):
            assert picture is GRAY
            return found([TRUE[0]], [0.9], [0])

    one.watch(Course, None)
    assert one.losses == [[3, 2.0]] and one.stages == []
    one.watch(Course, Finder())
    assert [(stage["step"], stage["AP"], stage["AP50"]) for stage in one.stages] == [(3, 0.2, 0.4)]
    # Another training begins with a evaluation before its first step.
    Course.steps, Course.losses, Course.judged_steps, Course.judged_AP, Course.judged_AP50 = [], [], [0], [0.1], [0.3]
    one.watch(Course, Finder())
    assert one.losses == [] and [stage["step"] for stage in one.stages] == [0]
    # It is what fit's watch calls: the same names.
    assert "watch" in fit.__annotations__


def test_a_still_shows_any_stage():
    one = monitor()
    with pytest.raises(InputError, match="one of the 0 recorded"):
        one.draw()
    one.add_stage(0, 0.1, 0.2, found([TRUE[0]], [0.9], [0]))
    one.add_stage(10, 0.3, 0.4, found(TRUE, [0.9, 0.6], [0, 1]))
    assert one.draw(0).axes[0].get_title().startswith("step 0")
    assert len(one.draw().axes[0].texts) == 2 and one.draw().axes[0].get_title().startswith("step 10")


@pytest.mark.parametrize(
    ("change", "error", "match"),
    [
        ({"picture": np.zeros((4, 4))}, PictureError, "picture"),
        ({"boxes": [[0, 0, 1]]}, BoxError, "boxes"),
        ({"labels": [0]}, InputError, "each box must have a label"),
        ({"labels": [0, 2]}, InputError, "from 0 to 1"),
        ({"classes": []}, InputError, "class names"),
        ({"alt": " "}, InputError, "text alternative"),
        ({"min_score": 2}, InputError, "from 0 to 1"),
        ({"log": {}}, InputError, "log must be"),
        (
            {
                "log": {
                    "losses": [],
                    "stages": [
                        {
                            "step": 1,
                            "AP": 0,
                            "AP50": 0,
                            "text": "",
                            "boxes": [{"box": [0, 0, 1, 1], "label": 5, "score": 1, "words": "", "at": [0, 0]}],
                        }
                    ],
                }
            },
            InputError,
            "labels of these 2 classes",
        ),
    ],
)
def test_what_it_refuses(change, error, match):
    parts = {
        "picture": GRAY,
        "boxes": TRUE,
        "labels": [0, 1],
        "classes": ["post", "crate"],
        "alt": "Two things.",
    } | change
    with pytest.raises(error, match=match):
        TrainingMonitor(**parts)
