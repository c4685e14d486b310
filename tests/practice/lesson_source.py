"""Proves of a lesson's source that its starters have not begun and its worked cells pass."""

from __future__ import annotations

import ast
from pathlib import Path
from types import FunctionType

from robotlab.course.builder import read_source
from robotlab.practice import tasks_of
from robotlab.practice.grading import grade


def check_lesson_source(path: str | Path) -> list[str]:
    """What is wrong with the tasks of a lesson; nothing when all is well.

    Of each cell only imports, functions, classes and constants are run, so that
    no picture is rendered and nothing trained.
    """
    path = Path(path)
    tasks = {task.name: task for task in tasks_of(int(path.stem[:2]))}
    cells = read_source(path)
    if not tasks and not any("starter" in cell["tags"] for cell in cells):
        return []
    faults, verified = [], set()
    stubs: dict[str, FunctionType] = {}
    answers: dict[str, FunctionType] = {}
    namespace: dict[str, object] = {"__name__": "lesson"}
    for number, cell in enumerate(cells, start=1):
        if cell["type"] != "code":
            continue
        where, tree = f"{path.name}, cell {number}", ast.parse(cell["source"])
        if "starter" in cell["tags"]:
            found = _run(tree, dict(namespace), where)
            stubs.update(found)
            faults += [f"{where}: {name} is not a task of this lesson" for name in found if name not in tasks]
            if not found:
                faults.append(f"{where}: a starter cell must hold the function of a task")
        else:
            found = _run(tree, namespace, where)
            if "worked" in cell["tags"]:
                answers.update(found)
            verified |= _names_given_to_verify(tree)
    for name, task in tasks.items():
        if name not in stubs or name not in answers:
            faults.append(f"{path.name}: {name} must have a starter and a worked cell")
            continue
        begun = grade(task, stubs[name])
        if begun.kind != "not started":
            faults.append(f"{path.name}: the starter of {name} must not have begun, it is judged: {begun.kind}")
        inputs = stubs[name].__code__.co_varnames[: stubs[name].__code__.co_argcount]
        if inputs != task.inputs:
            faults.append(f"{path.name}: the starter of {name} must take {task.inputs}, it takes {inputs}")
        done = grade(task, answers[name])
        if not done.passed:
            faults.append(f"{path.name}: the worked answer of {name} must pass: {done}")
        if name not in verified:
            faults.append(f"{path.name}: no cell calls verify({name})")
    return faults


def _run(tree: ast.Module, namespace: dict[str, object], where: str) -> dict[str, FunctionType]:
    """Run what defines names; give the functions that the cell itself defines."""
    kept = [
        node
        for node in tree.body
        if isinstance(node, ast.Import | ast.ImportFrom | ast.FunctionDef | ast.ClassDef) or _is_constant(node)
    ]
    exec(compile(ast.Module(kept, []), where, "exec"), namespace)
    return {node.name: namespace[node.name] for node in kept if isinstance(node, ast.FunctionDef)}


def _is_constant(node: ast.stmt) -> bool:
    if not (isinstance(node, ast.Assign) and all(isinstance(target, ast.Name) for target in node.targets)):
        return False
    try:
        ast.literal_eval(node.value)
    except ValueError:
        return False
    return True


def _names_given_to_verify(tree: ast.Module) -> set[str]:
    return {
        node.args[0].id
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "verify"
        and node.args
        and isinstance(node.args[0], ast.Name)
    }
