"""Small changes of a learner's source, as learners fix it: one place at a time, or one thing at all its places."""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Iterator
from typing import Any

from robotlab.practice.source_changes import (
    Change,
    as_part,
    called_name,
    changes,
    is_comparison,
    missing,
    relatives,
    renamed,
    rescaled,
)
from robotlab.practice.task import Task

# One place in the tree: the holder, its field, the place in a list or None.
Slot = tuple[ast.AST, str, int | None]
Edit = tuple[list[Slot], Change, ast.AST, str]


def get(slot: Slot) -> ast.AST:
    """What stands in a place of the tree.

    Parameters
    ----------
    slot : tuple of (ast.AST, str, int or None)
        The place.

    Returns
    -------
    ast.AST
        The node.

    Examples
    --------
    >>> get((ast.parse("1"), "body", 0)).lineno
    1
    """
    holder, field, place = slot
    value = getattr(holder, field)
    return value if place is None else value[place]


def put(slot: Slot, node: ast.AST) -> None:
    """Put a node in a place of the tree.

    Parameters
    ----------
    slot : tuple of (ast.AST, str, int or None)
        The place.
    node : ast.AST
        What is to stand there.

    Examples
    --------
    >>> tree = ast.parse("1")
    >>> put((tree, "body", 0), ast.Pass())
    >>> ast.unparse(tree)
    'pass'
    """
    holder, field, place = slot
    if place is None:
        setattr(holder, field, node)
    else:
        getattr(holder, field)[place] = node


def slots_of(body: ast.AST) -> Iterator[Slot]:
    """Every place of an expression in a tree.

    Parameters
    ----------
    body : ast.AST
        The tree.

    Yields
    ------
    tuple of (ast.AST, str, int or None)
        A place for :func:`get` and :func:`put`.

    Examples
    --------
    >>> len(list(slots_of(ast.parse("a + b"))))
    3
    """
    for holder in ast.walk(body):
        for field, value in ast.iter_fields(holder):
            if isinstance(value, ast.expr):
                yield holder, field, None
            elif isinstance(value, list):
                yield from ((holder, field, i) for i, one in enumerate(value) if isinstance(one, ast.expr))


def edits(body: ast.FunctionDef, task: Task) -> Iterator[Edit]:
    """Every change: at one place, and at all places that read the same, in the whole or in one expression.

    Parameters
    ----------
    body : ast.FunctionDef
        The learner's function.
    task : Task
        Its task; the numbers of its text are tried.

    Yields
    ------
    tuple of (list, callable, ast.AST, str)
        Places, change, the node to show, and words for it.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> body = ast.parse("def field_of_view(sensor_mm, focal_mm): return sensor_mm + focal_mm").body[0]
    >>> next(edits(body, task_named("field_of_view")))[3]
    'the operator between `sensor_mm` and `focal_mm`'
    """
    slots = [slot for slot in slots_of(body) if not isinstance(slot[0], ast.arguments)]
    names = sorted(
        {arg.arg for arg in body.args.args}
        | {n.id for n in ast.walk(body) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
    )
    text = " ".join([task.statement, inspect.getdoc(task.reference) or "", *task.nudges])
    numbers = sorted({float(word) for word in re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", text) if len(word) < 8})
    stated = [slot for slot in slots if _nearest(get(slot), numbers) is not None]
    if stated:
        yield stated, lambda n: ast.Constant(_nearest(n, numbers)), get(stated[0]), "the numbers: they are rounded"
    comparisons = [slot for slot in slots if is_comparison(get(slot))]
    if len(comparisons) > 1:
        yield comparisons, _mirrored, get(comparisons[0]), "the direction of the comparisons"
    called: dict[str, list[Slot]] = {}
    for slot in slots:
        if isinstance(get(slot), ast.Call):
            called.setdefault(called_name(get(slot)), []).append(slot)
    for name, group in called.items():
        for other in relatives(name) if len(group) > 1 else ():
            yield group, renamed(other), get(group[0]), f"the function {name}"
    same: dict[str, list[Slot]] = {}
    for slot in slots:
        same.setdefault(ast.dump(get(slot)), []).append(slot)
    within = list(_groups_within(slots))
    for kind in (changes, rescaled):
        for slot in slots:
            for change, words in kind(get(slot), names, numbers):
                yield [slot], change, get(slot), words
        for group in same.values():
            if len(group) > 1:
                for change, words in kind(get(group[0]), names, numbers):
                    yield group, change, get(group[0]), words
        for inner, group in within:
            for change, words in kind(get(group[0]), names, numbers):
                yield group, change, inner, words
    own = [arg.arg for arg in body.args.args]
    for slot in slots:
        if isinstance(get(slot), ast.BinOp | ast.Call):
            for name in own:
                words = f"`{ast.unparse(get(slot))}`: is that what belongs there?"
                yield [slot], as_part(ast.Name(name, ast.Load())), get(slot), words
    for slot in slots:
        for change, words in missing(get(slot), names, numbers):
            yield [slot], change, get(slot), words
    parts = {ast.dump(get(slot)): get(slot) for slot in slots if isinstance(get(slot), ast.Call | ast.BinOp)}
    for inner, group in [*((get(slot), [slot]) for slot in slots), *within]:
        node = get(group[0])
        if isinstance(node, ast.Name) and node.id in names and isinstance(node.ctx, ast.Load):
            for part in parts.values():
                if any(one is holder for one in ast.walk(part) for holder, _, _ in group):
                    continue  # Put into itself, it would have no end.
                yield group, as_part(part), inner, f"the name {node.id}"


def _groups_within(slots: list[Slot]) -> Iterator[tuple[ast.AST, list[Slot]]]:
    """The same number or name twice in one call, sum or row of values."""
    for holder in slots:
        inner = get(holder)
        if isinstance(inner, ast.Call | ast.BinOp | ast.Tuple):
            same: dict[str, list[Slot]] = {}
            for slot in slots_of(inner):
                if isinstance(get(slot), ast.Constant | ast.Name):
                    same.setdefault(ast.dump(get(slot)), []).append(slot)
            yield from ((inner, group) for group in same.values() if len(group) > 1)


def _nearest(node: Any, numbers: list[float]) -> float | None:
    """The number that the task states, where one like it is written."""
    if not (isinstance(node, ast.Constant) and type(node.value) in (int, float)):
        return None
    return next((one for one in numbers if one != node.value and abs(one - node.value) <= 0.05 * abs(one)), None)


def _mirrored(n: Any) -> ast.Compare:
    return ast.Compare(n.comparators[0], n.ops, [n.left])
