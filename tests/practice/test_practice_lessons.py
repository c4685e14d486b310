"""Of every lesson: starters have not begun, worked answers pass, all its tasks are there."""

import inspect
import re
from pathlib import Path

import pytest
import worked_answers
from lesson_source import check_lesson_source

import robotlab
from robotlab.practice import task_named, tasks_of

SOURCES = sorted((Path(robotlab.__file__).resolve().parents[1] / "instructor" / "source").glob("*.py"))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_lesson(path):
    assert check_lesson_source(path) == []


def lesson_text(lesson):
    """A lesson with nothing but its tasks, made of starters and worked answers."""
    cells = [
        f"# %% [markdown]\n# # Lesson {lesson}",
        "# %%\nimport math\n\nimport numpy as np\n\nfrom robotlab.practice import verify",
    ]
    for task in tasks_of(lesson):
        worked = inspect.getsource(getattr(worked_answers, task.name))
        cells += [
            f'# %% tags=["starter"]\n{task.starter}',
            f'# %% tags=["worked"]\n{worked}',
            f'# %% tags=["verify"]\nverify({task.name})',
        ]
    return "\n\n".join(cells) + "\n"


@pytest.mark.parametrize("lesson", sorted({task.lesson for task in tasks_of()}))
def test_a_lesson_of_starters_and_worked_answers_is_right(lesson, tmp_path):
    path = tmp_path / f"{lesson:02d}_example.py"
    path.write_text(lesson_text(lesson), encoding="utf-8")
    assert check_lesson_source(path) == []


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            task_named("bearing").starter,
            "def bearing(x_px, width_px, hfov_rad):\n    return 0.0\n",
            "must not have begun",
        ),
        ('def bearing(x_px, width_px, hfov_rad):\n    "', 'def bearing(x, width_px, hfov_rad):\n    "', "must take"),
        ("(width_px - 2 * x_px)", "(2 * x_px - width_px)", "recognized: sign"),
        ("verify(bearing)", "bearing", "no cell calls verify(bearing)"),
        (task_named("bearing").starter, "answer = ...\n", "a starter cell must hold the function of a task"),
        (task_named("bearing").starter, "def bear(x):\n    ...\n", "bear is not a task of this lesson"),
    ],
)
def test_faults_of_a_lesson_are_found(old, new, fault, tmp_path):
    text = lesson_text(2)
    assert old in text
    path = tmp_path / "02_example.py"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    assert any(fault in said for said in check_lesson_source(path)), check_lesson_source(path)


def test_the_answers_are_not_in_what_a_learner_gets():
    for task in tasks_of():
        assert re.search(r"\n    \.\.\.\n$", task.starter) and "return" not in task.starter
