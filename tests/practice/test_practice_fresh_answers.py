"""Answers written from the lessons alone, wrong and right: each gets the verdict, and each mistake the sentence, that fits.

``fresh_answers.txt`` holds them, ``### task: mistake => words`` above each body; the words are the name under which the
mistake is recognized, or part of the sentence, chosen by a reader who judged it.  A quarter of them runs here, a quarter of
those by default; all of them in ``python tests/practice/measure_wrong_answers.py tests/practice/fresh_answers.txt``.
"""

import linecache
import math
from pathlib import Path

import numpy as np
import pytest
from measure_wrong_answers import answers, verdict_on
from some_long import some_long

from robotlab.practice import task_named, tasks_of
from robotlab.practice.comparing import compare
from robotlab.practice.failing import lines_of_failing
from robotlab.practice.grading import grade, grade_outcomes
from robotlab.practice.running import run_cases

ALL = [
    (name, *mistake.rpartition(" => ")[::2], body)
    for name, mistake, body in answers(Path(__file__).with_name("fresh_answers.txt"))
]
SAMPLE = ALL[::4]


@pytest.mark.parametrize(("name", "mistake", "words", "body"), some_long(SAMPLE, every=4), ids=lambda one: one[:40])
def test_the_verdict_fits(name, mistake, words, body):
    verdict = verdict_on(name, body)
    assert verdict.passed == (words == "passed"), verdict
    if not verdict.passed:
        assert words == verdict.misconception or words in verdict.says, verdict


def test_every_task_has_fresh_answers_of_both_kinds():
    for task in tasks_of():
        wrong = [words != "passed" for name, _, words, _ in ALL if name == task.name]
        assert any(wrong) and not all(wrong), task.name


def _zeros_like(result):
    if isinstance(result, tuple):
        return tuple(_zeros_like(one) for one in result)
    return np.zeros_like(result) if isinstance(result, np.ndarray) else type(result)(0)


@pytest.mark.parametrize("task", [one for one in tasks_of() if not isinstance(one.reference(*one.cases()[0]), str)])
def test_nothing_but_zeros_is_called_so(task):
    """Never cut, rounded or half of something: no second mistake is invented."""

    def zeros(*inputs):
        result = task.reference(*inputs)
        return None if result is None else _zeros_like(result)

    says = grade_outcomes(task, task.cases(), run_cases(zeros, task.cases())).says
    assert not any(word in says for word in ("cut off", "rounded", "half of", "Two things", "changed places")), says


def test_rows_and_columns_are_said_to_have_changed_places_only_where_they_have():
    task = task_named("corners_from_xywh")
    boxes = np.array([[1.0, 2, 3, 4], [2, 3, 4, 5], [9, 8, 7, 6], [1, 1, 2, 2]])
    assert "changed places" not in compare(task.reference(boxes), boxes.T, 1e-6, 0).says
    assert "changed places" in grade(task, lambda boxes: task.reference(boxes).T).says


def test_an_empty_array_of_float_passes_with_a_note():
    def top_k(scores, k):
        return np.array(list(task_named("top_k").reference(scores, k)))

    verdict = grade(task_named("top_k"), top_k)
    assert verdict.passed and "cannot serve as an index" in verdict.notes[0]


def test_what_does_not_end_comes_before_a_wrong_value():
    def ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s):
        while speed_mps != wanted_mps:
            speed_mps += accel_mps2 * dt_s
        return speed_mps

    verdict = grade(task_named("ramp_step"), ramp_step, limit_s=0.5)
    assert verdict.kind == "hang" and "while speed_mps != wanted_mps" in verdict.says


def test_a_copy_is_followed_and_the_data_of_the_learner_stay():
    table = [0.0]
    source = "def safe_speed(clear_m, decel_mps2, delay_s):\n    table[0] += 1\n    if clear_m > 1:\n        return 0\n"
    source += "    return math.sqrt((decel_mps2 * delay_s) ** 2 + 2 * decel_mps2 * clear_m) - decel_mps2 * delay_s\n"
    file = "answer that counts"
    linecache.cache[file] = (len(source), None, source.splitlines(keepends=True), file)
    names = {"table": table, "math": math}
    exec(compile(source, file, "exec"), names)
    task = task_named("safe_speed")
    right = [task.reference(*case) for case in task.cases()]
    failing = [i for i, (case, one) in enumerate(zip(task.cases(), right)) if case[0] > 1 and one != 0]
    said = lines_of_failing(names["safe_speed"], task.cases(), failing)
    assert said == "All cases that fail, and no others, go through line 4, `return 0`." and table == [0.0]


def test_the_error_is_said_before_what_is_recognized():
    """Where Python stopped the answer, its error comes first, whatever the verdict says of the mistake."""
    missing = verdict_on("stopping_distance", "v = abs(speed_mps)\nreturn v * delay_s + v**2 / (2 * decel_mps)")
    assert missing.misconception == "an input that is not used"
    assert missing.says.startswith("NameError: name 'decel_mps' is not defined. Your line 3, `return v * delay_s")
    assert "Did you mean decel_mps2?" in missing.says
    shapes = verdict_on(
        "softmax", "e = np.exp(scores - scores.max(axis=1, keepdims=True))\nreturn e / e.sum(axis=1)"
    ).says
    assert shapes.startswith("ValueError: operands could not be broadcast together") and shapes.count("Read line") == 1


@pytest.mark.parametrize("body", ["return maht.sqrt(speed_mps)", "x = x + 1\nreturn x", "return os.sep", "return qqqq"])
def test_a_name_is_offered_only_where_one_is_near(body):
    says = verdict_on("stopping_distance", body).says
    assert ("Did you mean math?" in says) == ("maht" in body) and says.count("Did you mean") == ("maht" in body)
