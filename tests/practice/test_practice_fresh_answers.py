"""Answers written from the lessons alone, wrong and right: each gets the verdict, and each mistake the sentence, that fits.

``fresh_answers.txt`` holds them, ``### task: mistake => words`` above each body; the words are the name under which the
mistake is recognized, or part of the sentence, chosen by a reader who judged it.  A third of them runs here, all of them in
``python tests/practice/measure_wrong_answers.py tests/practice/fresh_answers.txt``.
"""

from pathlib import Path

import pytest
from measure_wrong_answers import answers, verdict_on

from robotlab.practice import tasks_of

ALL = [
    (name, *mistake.rpartition(" => ")[::2], body)
    for name, mistake, body in answers(Path(__file__).with_name("fresh_answers.txt"))
]
SAMPLE = ALL[::3]


@pytest.mark.parametrize(("name", "mistake", "words", "body"), SAMPLE, ids=lambda one: one[:40])
def test_the_verdict_fits(name, mistake, words, body):
    verdict = verdict_on(name, body)
    assert verdict.passed == (words == "passed"), verdict
    if not verdict.passed:
        assert words == verdict.misconception or words in verdict.says, verdict


def test_every_task_has_fresh_answers_of_both_kinds():
    for task in tasks_of():
        wrong = [words != "passed" for name, _, words, _ in ALL if name == task.name]
        assert any(wrong) and not all(wrong), task.name
