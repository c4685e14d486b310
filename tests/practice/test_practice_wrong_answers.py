"""Wrong answers of learners are refused and explained; a verdict without a name helps all the same."""

import math

import numpy as np
import pytest
from measure_wrong_answers import answers, is_explained, verdict_on
from some_long import some_long

from robotlab.practice import task_named, verify
from robotlab.practice.grading import grade

ALL = list(answers())
# The whole file takes a quarter of a minute: python tests/practice/measure_wrong_answers.py
SAMPLE = ALL[::9]


@pytest.mark.parametrize(("name", "mistake", "body"), some_long(SAMPLE, every=3), ids=lambda one: one[:40])
def test_a_wrong_answer_is_refused(name, mistake, body):
    assert not verdict_on(name, body).passed


@pytest.mark.parametrize("sample", [SAMPLE[::3], pytest.param(SAMPLE, marks=pytest.mark.long())], ids=["some", "more"])
def test_nearly_all_wrong_answers_are_explained(sample):
    explained = sum(is_explained(verdict_on(name, body)) for name, _, body in sample)
    assert explained >= 0.95 * len(sample)


@pytest.mark.parametrize(
    ("name", "mistake", "words"),
    [
        ("iou", "guard one side", "b may also lie on the other side of a"),
        ("iou", "only width clipped", "Both sides of the intersection need max"),
        ("iou", "int corners", "whole numbers only"),
        ("iou", "abs sides", "abs() makes a gap into a side"),
        ("softmax", "mean shift", "overflows"),
        ("top_k", "abs", "a score of -9"),
        ("top_k", "loop fails when k more than N", "wherever k is more than scores is long, and nowhere else"),
        ("bearing", "pixel center", "The center of pixel 0 lies at 0.5"),
        ("bearing", "center (w-1)/2", "not (width - 1) / 2"),
        ("bearing", "width//2", "wherever width_px is odd, and nowhere else"),
        ("bearing", "width//2", "the operator between `width_px` and `2`"),
        ("field_of_view", "inputs swapped", "sensor_mm and focal_mm had changed places"),
        ("pixels_on_target", "parentheses missing", "parentheses"),
        ("pixels_on_target", "global used (640)", "never uses image_width_px"),
        ("p_law", "yaw only upper limit", "limit turns to the left"),
        ("p_law", "yaw clipped to zero", "Only value 2 of 2"),
        ("watchdog", "capitals", "capital letters"),
        ("match_boxes", "empty argmax", "return early for an empty input"),
        ("head_gradient", "divides by F", "number of features"),
        ("head_gradient", "axes of the product reversed", "inner sizes of a @ b must agree"),
        ("softmax", "row loop with the first score as shift", "less than each row's largest"),
        ("softmax", "shift by row max but sum over all", "everything, or each row by itself"),
        ("bearing", "minus one half pixel and sign", "look at the number 0.5"),
        ("bearing", "minus one half pixel and sign", "wrong sign"),
        ("centroid", "half only to x", "0.5 less"),
        ("working_range", "in cm", "cm and m"),
        ("throughput", "camera not considered with threads", "how large `1 / stages_s.max()` may become"),
        ("distance_counts", "lower edge excluded", "the comparison `d > lo`"),
        ("shrink", "forgets the last block", "1 row too few and 1 column too few"),
        ("iou", "returns 1 for two empty boxes", "wherever a is a box without area"),
        ("nms", "while loop drops the best itself and stops with one left", "the comparison `len(order) > 1`"),
    ],
)
def test_the_sentence_fits(name, mistake, words):
    body = next(body for task, what, body in ALL if (task, what) == (name, mistake))
    verdict = verdict_on(name, body)
    assert words in verdict.says, verdict


def test_a_changed_answer_reads_and_writes_nothing(tmp_path, monkeypatch):
    """The learner's own source is run again with small changes; never where it does more than compute."""
    monkeypatch.chdir(tmp_path)
    body = "open('made', 'a').write('x')\nreturn math.atan(sensor_mm / focal_mm + 0.01)"
    verdict_on("field_of_view", body)
    made = (tmp_path / "made").read_text()
    assert made == "x" * len(task_named("field_of_view").cases())
    loop = "n = 0\nwhile n < 3:\n    n += 1\nreturn n * sensor_mm / focal_mm"
    assert not verdict_on("field_of_view", loop).passed


def test_a_name_from_outside_in_place_of_an_input_is_said():
    width = 640
    names = {"width": width, "math": math}
    exec(
        "def pixels_on_target(size_m, distance_m, hfov_rad, image_width_px):\n"
        "    return size_m * width / (2 * distance_m * math.tan(hfov_rad / 2))",
        names,
    )
    says = grade(task_named("pixels_on_target"), names["pixels_on_target"]).says
    assert "never uses image_width_px. It reads width from outside" in says


def test_where_nothing_fits_the_smallest_plain_case_is_shown_with_what_was_asked():
    def in_band(hue, low, high):
        return (hue // 7) % 3 == (low + high) % 3

    verdict = grade(task_named("in_band"), in_band)
    table = dict(verdict.table)
    assert verdict.kind == "value" and table["asked for"].startswith("Mask (H, W) of bool: which pixels")
    sizes = [np.size(case[0]) for case in task_named("in_band").cases()]
    shown = tuple(int(n) for n in table["hue"].split(")")[0].strip("(").split(","))
    assert math.prod(shown) == min(sizes)
    assert "There hue is" in verdict.says


def test_help_grows_with_the_tries(tmp_path, monkeypatch):
    monkeypatch.setenv("ROBOTLAB_PROGRESS", str(tmp_path / "progress.json"))

    def gain_limit(delay_frames, frame_s):
        return 0.3 * delay_frames**1.7 + frame_s

    verdicts = [verify(gain_limit) for _ in range(5)]
    offers = ["nudge(gain_limit) gives the next of" in str(one) for one in verdicts]
    assert offers == [False, False, True, True, True]
    assert ["right result" in dict(one.table) for one in verdicts] == [False, False, False, False, True]
    verify(task_named("gain_limit").reference)
    again = verify(gain_limit)
    assert not again.notes and "right result" not in dict(again.table), "who has passed plays"


def test_scipys_wilson_interval_passes():
    from scipy.stats import binomtest

    def wilson_interval(hits, trials):
        interval = binomtest(int(hits), int(trials)).proportion_ci(0.95, "wilson")
        return interval.low, interval.high

    assert grade(task_named("wilson_interval"), wilson_interval).passed


def test_a_slow_loop_that_ends_is_no_endless_one():
    def ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s):
        for _ in range(20_000):
            step = accel_mps2 * dt_s / 20_000
            speed_mps = min(max(wanted_mps, speed_mps - step), speed_mps + step)
        return speed_mps

    assert grade(task_named("ramp_step"), ramp_step).passed
