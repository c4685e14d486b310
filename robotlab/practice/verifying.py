"""What a lesson uses: ``verify``, ``nudge``, ``progress_map``."""

from __future__ import annotations

import ast
import difflib
import re
import sys
import textwrap
from collections.abc import Callable
from dataclasses import dataclass

from robotlab.errors import InputError
from robotlab.practice.grading import grade
from robotlab.practice.progress import ProgressMap, map_of, open_progress
from robotlab.practice.running import TIME_LIMIT_S
from robotlab.practice.task import Task
from robotlab.practice.tasks import all_tasks
from robotlab.practice.verdict import Verdict

# Tries after which a verdict offers a nudge, and shows what is right in the case shown: this is not an exam.
TRIES_BEFORE_NUDGE = 3
TRIES_BEFORE_ANSWER = 5


def tasks_of(lesson: int | None = None) -> tuple[Task, ...]:
    """The tasks of the course, or of one lesson.

    Parameters
    ----------
    lesson : int, optional
        Its number.

    Returns
    -------
    tuple of Task
        In the order of the course; empty for a lesson without tasks.

    Examples
    --------
    >>> [task.name for task in tasks_of(2)]
    ['field_of_view', 'pixels_on_target', 'working_range', 'bearing']
    """
    return tuple(task for task in all_tasks() if lesson in (None, task.lesson))


def task_named(name: str) -> Task:
    """The task with this name.

    Parameters
    ----------
    name : str
        Name of the function to write.

    Returns
    -------
    Task
        The task.

    Raises
    ------
    InputError
        If there is none; the message names the closest.

    Examples
    --------
    >>> task_named("bearing").lesson
    2
    """
    for task in all_tasks():
        if task.name == name:
            return task
    raise InputError(_no_such_task(name))


def verify(function: Callable, time_limit_s: float = TIME_LIMIT_S) -> Verdict:
    """Check your function against the task of its name.

    Parameters
    ----------
    function : callable
        Your function itself, without parentheses.
    time_limit_s : float
        Seconds for all cases together.

    Returns
    -------
    Verdict
        What a notebook shows; true when passed.  Mistakes in your function
        become verdicts, never errors, so that "run all" goes on.

    Examples
    --------
    >>> import math
    >>> def field_of_view(sensor_mm, focal_mm):
    ...     return math.atan(sensor_mm / (2 * focal_mm))
    >>> verify(field_of_view).misconception
    'half the angle'
    """
    name = _name_of(function)
    if name is None:
        shown = "the result of a call" if not callable(function) else f"a {type(function).__name__}"
        says = f"verify takes your function by its name, without parentheses, as in verify(bearing); it got {shown}."
        return Verdict("verify", "no function", says)
    try:
        task = task_named(name)
    except InputError as error:
        return Verdict(name, "unknown", str(error))
    stale = _syntax_error(name)
    progress = open_progress()
    known = progress.record(task.name)
    tries = known.tries + 1
    reveal = known.state != "passed" and tries >= TRIES_BEFORE_ANSWER
    verdict = Verdict(name, "syntax", stale) if stale else grade(task, function, time_limit_s, reveal)
    if verdict.kind not in ("not started", "syntax"):
        progress.add_try(task.name, verdict.passed)
        if not verdict.passed and known.state != "passed" and tries >= TRIES_BEFORE_NUDGE:
            verdict = verdict.with_note(_offer(task, tries, known.nudges))
    note = progress.take_note()
    return verdict.with_note(note) if note else verdict


@dataclass(frozen=True)
class Nudge:
    """One hint.

    Parameters
    ----------
    name : str
        The task.
    number, of : int
        Which of how many.
    says : str
        The hint.

    Examples
    --------
    >>> Nudge("iou", 1, 3, "Draw both boxes.")
    iou, nudge 1 of 3: Draw both boxes.
    """

    name: str
    number: int
    of: int
    says: str

    def __repr__(self) -> str:
        count = f", nudge {self.number} of {self.of}" if self.of else ""
        return "\n  ".join(textwrap.wrap(f"{self.name}{count}: {self.says}", 96))


def nudge(function: Callable | str) -> Nudge:
    """The next hint for a task; after the last one, the last again.

    Parameters
    ----------
    function : callable or str
        Your function, or its name.

    Returns
    -------
    Nudge
        What a notebook shows.

    Examples
    --------
    >>> nudge("bearing").of >= 3
    True
    """
    name = function if isinstance(function, str) else _name_of(function)
    try:
        task = task_named(name or "")
    except InputError as error:
        return Nudge(name or "nudge", 0, 0, str(error))
    number = min(open_progress().add_nudge(task.name), len(task.nudges))
    return Nudge(task.name, number, len(task.nudges), task.nudges[number - 1])


def progress_map() -> ProgressMap:
    """All tasks of the course, with what you have done of them on this machine.

    Returns
    -------
    ProgressMap
        A table in a notebook, text elsewhere.

    Examples
    --------
    >>> print(str(progress_map()).splitlines()[-1])
    ✓ passed   ◐ tried   ○ not started
    """
    return map_of(open_progress(), all_tasks())


def _offer(task: Task, tries: int, seen: int) -> str:
    left = len(task.nudges) - seen
    if left > 0:
        return f"Try {tries}: nudge({task.name}) gives the next of {left} hints."
    return f"Try {tries}: You have seen all hints; read the last one again."


def _syntax_error(name: str) -> str:
    """What is wrong with the last cell that defines this name, if Python refused it and holds an older function."""
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    cells = shell.user_ns.get("In", []) if shell else []
    begins = re.compile(rf"^(async\s+)?def\s+{re.escape(name)}\b", re.MULTILINE)
    last = next((cell for cell in reversed(cells) if begins.search(cell)), "")
    try:
        ast.parse(last)
    except (SyntaxError, ValueError) as error:
        where = f"line {error.lineno}: {error.msg}" if isinstance(error, SyntaxError) else str(error)
        return (
            f"The last cell that defines {name} did not run ({where}), so Python still holds the function from before. "
            "Correct that cell, run it, then verify again."
        )
    return ""


def _name_of(function: object) -> str | None:
    name = getattr(function, "__name__", None)
    return name if callable(function) and isinstance(name, str) else None


def _no_such_task(name: str) -> str:
    lessons = {task.name: task.lesson for task in all_tasks()}
    close = difflib.get_close_matches(name, lessons, n=1, cutoff=0.5)
    if name == "<lambda>":
        return "A task is found by your function's name, and a lambda has none; write def with the task's name."
    if close:
        there = f"Lesson {lessons[close[0]]:02d} has {_names_of(lessons[close[0]])}."
        return f"A task is found by your function's name; none is called {name}. Did you mean {close[0]}? {there}"
    by_lesson = "; ".join(f"lesson {lesson:02d}: {_names_of(lesson)}" for lesson in sorted(set(lessons.values())))
    return f"A task is found by your function's name; none is called {name}. There are, in {by_lesson}."


def _names_of(lesson: int) -> str:
    return ", ".join(task.name for task in tasks_of(lesson))
