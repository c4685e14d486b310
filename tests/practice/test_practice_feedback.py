"""What ``verify`` says of an answer must be true of that answer."""

import numpy as np
import pytest
from IPython.core.interactiveshell import InteractiveShell
from traitlets.config import Config

from robotlab.practice import task_named, tasks_of, verify
from robotlab.practice.comparing import compare
from robotlab.practice.grading import grade
from robotlab.practice.recognizing import recognize
from robotlab.practice.running import Outcome


@pytest.fixture
def notebook(monkeypatch):
    """Runs cells like a notebook does; gives what the last line of a cell came to."""
    config = Config()
    config.HistoryManager.enabled = False  # No history file on this machine.
    shell = InteractiveShell.instance(config=config)
    yield lambda source: shell.run_cell(source, store_history=True).result
    shell.reset(new_session=False)
    InteractiveShell.clear_instance()


def test_after_a_cell_with_a_syntax_error_the_old_function_is_not_verified(notebook, capsys):
    right = "def field_of_view(sensor_mm, focal_mm):\n    return 2 * math.atan(sensor_mm / 2 / focal_mm)"
    notebook("import math\nfrom robotlab.practice import verify")
    notebook(right)
    assert notebook("verify(field_of_view)").passed
    notebook(right.replace("2 / focal_mm)", "2 / focal_mm"))
    verdict = notebook("verify(field_of_view)")
    assert verdict.kind == "syntax" and "line 2" in verdict.says and "'(' was never closed" in verdict.says
    notebook(right)
    assert notebook("verify(field_of_view)").passed
    notebook("field_of_view(")  # Calls it, wrongly; the definition stands.
    assert notebook("verify(field_of_view)").passed
    assert "SyntaxError" in capsys.readouterr().out


def zeros(right):
    """A result of the same form, with nothing but zeros."""
    if isinstance(right, tuple):
        return tuple(map(zeros, right))
    return np.zeros_like(right) if isinstance(right, np.ndarray) else type(right)(0)


NUMERIC = [
    task
    for task in tasks_of()
    if not isinstance(right := task.reference(*task.cases()[0]), str | bool | np.bool_)
    and getattr(right, "dtype", np.dtype(float)).kind != "b"
    and all(task.reference(*case) is not None for case in task.cases())
]


@pytest.mark.parametrize("task", NUMERIC, ids=lambda task: task.name)
def test_zeros_are_never_called_rounded(task):
    """Rounding makes zeros of small numbers, but who returns zeros everywhere has not rounded."""
    verdict = grade(task, lambda *inputs: zeros(task.reference(*inputs)))
    assert not verdict.passed
    assert "whole numbers" not in verdict.misconception and "rounded" not in verdict.misconception, verdict


def test_a_misconception_is_recognized_on_other_cases_after_it_was_on_the_first():
    """What misconceptions give is kept from one try to the next, for these cases alone."""
    task = task_named("field_of_view")
    misconception = task.misconceptions[0]
    for scale in (1, 1.5, 1):
        cases = [tuple(scale**n * one for n, one in enumerate(case)) for case in task.cases()]
        got = [Outcome("value", misconception.function(*case)) for case in cases]
        right = [task.reference(*case) for case in cases]
        assert recognize(task, cases, right, got)[0] == misconception.name


def test_rows_and_columns_are_said_to_have_changed_places_only_where_they_have():
    right = np.arange(6.0).reshape(2, 3)
    assert "Rows and columns" in compare(right, right.T, 1e-6, 0).says
    said = compare(right, np.ones((3, 2)), 1e-6, 0).says
    assert "(3, 2)" in said and "Rows and columns" not in said


@pytest.mark.parametrize(
    ("got", "words"), [("Post", "capital letters"), (" post\n", "spaces"), ("crate", "another word")]
)
def test_a_right_word_in_another_spelling_is_not_called_another_word(got, words):
    said = compare("post", got, 0, 0).says
    assert words in said and ("another word" in said) == (got == "crate")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("max([])", "nothing in it"),
        ("np.max(scores[:0, 0])", "nothing in it"),
        ("np.argmax(scores[:0, 0])", "nothing in it"),
        ("scores.reshape(7, 7, 7)", "product of the new shape"),
        ("1 / 0", "empty or has no size"),
        ("scores.sum(axis=2)", "axis=0 runs down the rows"),
        ("scores[0, 1.0]", "int(...)"),
        ("a = [1, 2]; a[1.0]", "int(...)"),
        ("a = [1, 2]; a[: 1.0]", "int(...)"),
        ("range(2.0)", "int(...)"),
        ("np.zeros(2.0)", "int(...)"),
    ],
)
def test_more_errors_are_explained(line, words):
    namespace = {"np": np}
    exec(f"def softmax(scores):\n    {line}\n    return scores", namespace)
    verdict = verify(namespace["softmax"])
    assert verdict.kind == "raised" and words in verdict.says, verdict


def test_a_hue_of_360_is_0():
    """The range ends before 360; a tiny negative angle % 360 is rounded up to it."""
    hues = np.array([360.0, 360.0])
    assert task_named("mean_hue").reference(hues) == 0
    verdict = grade(
        task_named("mean_hue"),
        lambda h: float(np.degrees(np.arctan2(np.sin(np.radians(h)).mean(), np.cos(np.radians(h)).mean())) % 360),
    )
    assert verdict.misconception == "360 in place of 0", verdict
