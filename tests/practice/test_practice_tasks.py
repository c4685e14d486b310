"""Every task: right answers pass, starters have not begun, every misconception is rejected and named as itself."""

import dataclasses
import inspect
import itertools
import re
import sys
import types
from pathlib import Path

import numpy as np
import pytest
import worked_answers
from some_long import some_long

import robotlab
from robotlab.errors import InputError
from robotlab.practice import Misconception, tasks_of
from robotlab.practice.grading import grade
from robotlab.practice.running import outcome_of, run_cases
from robotlab.practice.task import Task
from robotlab.practice.tasks import all_tasks

SOURCES = sorted((Path(robotlab.__file__).resolve().parents[1] / "instructor" / "source").glob("*.py"))
TASKS = tasks_of()


def of_task(one):
    return one.name


def test_every_lesson_but_the_first_has_three_tasks_or_more():
    lessons = {int(path.stem[:2]) for path in SOURCES} - {0}  # nothing is to be solved in the first
    assert len(lessons) >= 10
    for lesson in sorted(lessons):
        assert len(tasks_of(lesson)) >= 3, lesson


@pytest.mark.parametrize("task", TASKS, ids=of_task)
def test_a_worked_answer_passes(task):
    verdict = grade(task, getattr(worked_answers, task.name))
    assert verdict.passed, verdict
    assert verdict.cases == len(task.fixed) + task.draws + len(task.edges)


@pytest.mark.parametrize("task", TASKS, ids=of_task)
def test_the_starter_is_not_started(task):
    namespace = {}
    exec(task.starter, namespace)
    function = namespace[task.name]
    verdict = grade(task, function)
    assert verdict.kind == "not started"
    assert verdict.says == task.statement
    assert not verdict.passed
    assert tuple(function.__code__.co_varnames) == task.inputs
    assert function.__doc__.strip(), "the starter must say what to write"


@pytest.mark.parametrize("task", some_long(TASKS, every=3), ids=of_task)
def test_each_misconception_is_named_as_itself(task):
    faults = []
    for misconception in task.misconceptions:
        verdict = grade(task, misconception.function)
        named = verdict.kind == "misconception" and verdict.misconception == misconception.name
        # Where it stops with an error, that is said first.
        error = verdict.says.removesuffix(misconception.says)
        if not named or error == verdict.says or (error and not re.match(r"\w+Error: ", error)):
            faults.append(f"{misconception.name}: {verdict}")
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize("task", [task for task in TASKS if any(one.also for one in task.misconceptions)], ids=of_task)
def test_other_spellings_of_a_misconception_are_never_named_as_another(task):
    """Where NumPy leaves an order open, a spelling may be right on one machine and wrong on the next."""
    for misconception in task.misconceptions:
        for spelling in misconception.also:
            verdict = grade(task, spelling)
            assert verdict.passed or verdict.misconception == misconception.name, (misconception.name, verdict)


@pytest.mark.parametrize("task", TASKS, ids=of_task)
def test_cases_tell_misconceptions_apart_by_far(task):
    """Two misconceptions, or a misconception and the right answer, differ by much more than the tolerance somewhere."""
    answers = {misconception.name: misconception.function for misconception in task.misconceptions} | {
        "right": task.reference
    }
    values = {name: [outcome_of(function, case).value for case in task.cases()] for name, function in answers.items()}
    for one, other in itertools.combinations(values, 2):
        assert any(far_apart(a, b, 100 * task.rtol) for a, b in zip(values[one], values[other])), f"{one} and {other}"


def far_apart(a, b, rtol):
    if a is None or b is None:
        return a is not b
    if isinstance(a, str) or isinstance(b, str):
        return a != b
    a, b = np.asarray(a, float), np.asarray(b, float)
    if a.shape != b.shape:
        return True
    if (np.isnan(a) != np.isnan(b)).any() or (np.isinf(a) != np.isinf(b)).any():
        return True
    finite = np.isfinite(a) & np.isfinite(b)
    return bool((np.abs(a[finite] - b[finite]) > rtol * np.abs(b[finite]) + 1e-6).any())


@pytest.mark.parametrize("task", TASKS, ids=of_task)
def test_references_and_misconceptions_leave_their_inputs_alone_and_references_give_values(task):
    for function in (task.reference, *(misconception.function for misconception in task.misconceptions)):
        outcomes = run_cases(function, task.cases())
        assert not any(outcome.changed for outcome in outcomes)
        if function is task.reference:
            assert all(outcome.kind == "value" for outcome in outcomes)
            finite = [
                np.isfinite(np.asarray(one.value, float)).all()
                for one in outcomes
                if one.value is not None and not isinstance(one.value, str)
            ]
            assert all(finite) and (finite or isinstance(outcomes[0].value, str))


@pytest.mark.parametrize("task", TASKS, ids=of_task)
def test_cases_are_the_same_in_every_run_and_in_reach(task):
    first, second = task.cases(), task.cases()
    assert repr(first) == repr(second)
    assert all(len(case) == len(task.inputs) for case in first)
    # The random ones are not one case again and again.
    assert len({repr(case) for case in first[len(task.fixed) : task.plain]}) == task.draws


@pytest.mark.parametrize("task", TASKS, ids=of_task)
def test_words_help_and_do_not_give_the_answer_away(task):
    texts = [*task.nudges, *(misconception.says for misconception in task.misconceptions)]
    assert len(set(texts)) == len(texts)
    for text in (task.statement, *texts):
        assert 15 < len(text) < 560 and text[-1] in ".?", text
    for name in task.inputs:
        assert name in task.statement, f"the statement does not speak of {name}"
    # No hint holds a line of the reference's own code.
    code = [
        line.strip().removeprefix("return ")
        for line in inspect.getsource(task.reference).splitlines()
        if "=" in line or "return" in line
    ]
    for text in texts:
        assert not any(line in text for line in code if len(line) > 12), text


def test_a_task_needs_nudges_and_misconceptions():
    def twice(x):
        """Two times x."""
        return 2 * x

    misconceptions = tuple(Misconception(f"misconception {n}", "A sentence.", lambda x, n=n: x + n) for n in range(3))
    parts = {
        "reference": twice,
        "lesson": 1,
        "statement": "",
        "unit": "",
        "fixed": ((1,),),
        "draw": lambda rng: (2,),
        "nudges": ("a", "b", "c"),
        "misconceptions": misconceptions,
    }
    Task(**parts)
    with pytest.raises(InputError, match="3 nudges or more, got 1"):
        Task(**{**parts, "nudges": ("a",)})
    with pytest.raises(InputError, match="3 misconceptions or more, got 2"):
        Task(**{**parts, "misconceptions": misconceptions[:2]})
    with pytest.raises(InputError, match="a name of its own"):
        Task(**{**parts, "misconceptions": (*misconceptions, misconceptions[0])})


@pytest.mark.parametrize(("lesson", "match"), [(6, "must stand in its own lesson's module"), (99, "a name of its own")])
def test_a_task_in_the_wrong_place_is_refused(lesson, match, monkeypatch):
    """A module for a lesson 99 that holds tasks of other lessons, or one that is there already."""
    from robotlab.practice import tasks as package

    module = types.ModuleType("robotlab.practice.tasks.lesson_99")
    module.TASKS = (dataclasses.replace(TASKS[0], lesson=lesson),)
    monkeypatch.setitem(sys.modules, module.__name__, module)
    found = [*package.pkgutil.iter_modules(package.__path__), types.SimpleNamespace(name="lesson_99")]
    monkeypatch.setattr(package.pkgutil, "iter_modules", lambda path: found)
    with pytest.raises(InputError, match=match):
        all_tasks.__wrapped__()
