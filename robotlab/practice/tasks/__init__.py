"""The tasks, one module a lesson: ``lesson_NN.py`` holds ``TASKS`` in the order of the lesson."""

from __future__ import annotations

import functools
import importlib
import pkgutil
import re
from dataclasses import replace
from pathlib import Path

from robotlab.errors import InputError
from robotlab.practice.task import Misconception, Task

# A class pack has the modules in an archive, where nobody meets the references by chance.
__path__ += [str(Path(__file__).with_name("tasks.zip"))]


@functools.cache
def all_tasks() -> tuple[Task, ...]:
    """Every task of the course, found by the names of the modules here.

    Returns
    -------
    tuple of Task
        By lesson, then in the order of its module.

    Raises
    ------
    InputError
        If two tasks have one name, or a task stands in another lesson's module.

    Examples
    --------
    >>> all_tasks()[0].lesson
    1
    """
    from robotlab.practice.tasks.more_misconceptions import EDGES, MORE
    from robotlab.practice.tasks.more_misconceptions_later import LATER
    from robotlab.practice.tasks.more_misconceptions_since import SINCE, SINCE_EDGES

    found: dict[str, Task] = {}
    for name in sorted(module.name for module in pkgutil.iter_modules(__path__)):
        if not re.fullmatch(r"lesson_\d\d", name):
            continue
        for task in importlib.import_module(f"{__name__}.{name}").TASKS:
            if task.lesson != int(name[-2:]):
                raise InputError(
                    f"{task.name}: a task must stand in its own lesson's module, {name} has one of lesson {task.lesson}; move it"
                )
            if task.name in found:
                raise InputError(
                    f"each task must have a name of its own, lessons {found[task.name].lesson} and {task.lesson} have {task.name}; rename one"
                )
            found[task.name] = replace(
                task,
                misconceptions=_merged(
                    task.misconceptions,
                    (*MORE.get(task.name, ()), *LATER.get(task.name, ()), *SINCE.get(task.name, ())),
                ),
                edges=task.edges + EDGES.get(task.name, ()) + SINCE_EDGES.get(task.name, ()),
            )
    return tuple(found.values())


def _merged(known: tuple[Misconception, ...], more: tuple[Misconception, ...]) -> tuple[Misconception, ...]:
    """Both; one of a known name is another spelling of it."""
    merged = {one.name: one for one in known}
    for one in more:
        old = merged.get(one.name)
        merged[one.name] = replace(old, also=(*old.also, one.function, *one.also)) if old else one
    return tuple(merged.values())
