"""Small changes of a learner's source, as learners fix it: one place at a time, or one thing at all its places."""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any

from robotlab.practice.source_changes import (
    called_name,
    changes,
    is_comparison,
    missing,
    name_of,
    relatives,
    renamed,
    rescaled,
)
from robotlab.practice.task import Task

# One place in the tree: the holder, its field, the place in a list or None.
Slot = tuple[ast.AST, str, int | None]
# What stands where in an edit, the expression or line that is shown, and words that say where to look.
Edit = tuple[list[tuple[Slot, Any]], ast.AST, str]


def get(slot: Slot) -> Any:
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


@contextmanager
def in_place(replaced: Sequence[tuple[Slot, Any]]) -> Iterator[None]:
    """Put nodes in places of the tree, and the old ones back at the end.

    Parameters
    ----------
    replaced : sequence of (tuple, ast.AST)
        Holder, field and place in a list or None, and what is put there.

    Examples
    --------
    >>> tree = ast.parse("a + b", mode="eval")
    >>> with in_place([((tree, "body", None), ast.Constant(3))]):
    ...     ast.unparse(tree)
    '3'
    >>> ast.unparse(tree)
    'a + b'
    """
    old = [(slot, get(slot)) for slot, _ in replaced]
    try:
        _put(replaced)
        yield
    finally:
        _put(old)


def _put(replaced: Sequence[tuple[Slot, Any]]) -> None:
    for (holder, field, place), node in replaced:
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
    tuple of (list, ast.AST, str)
        What stands where in it, the node to show, and words for it.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> body = ast.parse("def field_of_view(sensor_mm, focal_mm): return sensor_mm + focal_mm").body[0]
    >>> next(edits(body, task_named("field_of_view")))[2]
    'the operator between `sensor_mm` and `focal_mm`'
    """
    slots = [slot for slot in slots_of(body) if not isinstance(slot[0], ast.arguments)]
    own = [arg.arg for arg in body.args.args]
    stored = {n.id for n in ast.walk(body) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
    names = sorted(stored.union(own))
    text = " ".join([task.statement, inspect.getdoc(task.reference) or "", *task.nudges])
    numbers = sorted({float(word) for word in re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", text) if len(word) < 8})
    stated = [(slot, ast.Constant(_nearest(get(slot), numbers))) for slot in slots]
    stated = [(slot, number) for slot, number in stated if number.value is not None]
    if stated:
        yield stated, get(stated[0][0]), "the numbers: they are rounded"
    comparisons = [(slot, get(slot)) for slot in slots if is_comparison(get(slot))]
    if len(comparisons) > 1:
        mirrored = [(slot, ast.Compare(n.comparators[0], n.ops, [n.left])) for slot, n in comparisons]
        yield mirrored, comparisons[0][1], "the direction of the comparisons"
    for group in _alike([slot for slot in slots if isinstance(get(slot), ast.Call)], called_name):
        name = called_name(get(group[0]))
        for other in relatives(name):
            yield [(slot, renamed(get(slot), other)) for slot in group], get(group[0]), f"the function {name}"
    single = [(get(slot), [slot]) for slot in slots]
    same = [(get(group[0]), group) for group in _alike(slots, ast.dump)]
    within = list(_groups_within(slots))
    for kind in (partial(changes, names=names, numbers=numbers), rescaled):
        for shown, group in (*single, *same, *within):
            for new, words in kind(get(group[0])):
                yield [(slot, new) for slot in group], shown, words
    for node, group in single:
        if isinstance(node, ast.BinOp | ast.Call):
            for name in own:
                yield [(group[0], name_of(name))], node, f"`{ast.unparse(node)}`: is that what belongs there?"
    for node, group in single:
        for new, words in missing(node, names):
            yield [(group[0], new)], node, words
    parts = {ast.dump(node): node for node, _ in single if isinstance(node, ast.Call | ast.BinOp)}
    for shown, group in (*single, *within):
        node = get(group[0])
        if isinstance(node, ast.Name) and node.id in names and isinstance(node.ctx, ast.Load):
            for part in parts.values():
                if any(one is holder for one in ast.walk(part) for holder, _, _ in group):
                    continue  # Put into itself, it would have no end.
                yield [(slot, part) for slot in group], shown, f"the name {node.id}"


def _alike(slots: Sequence[Slot], key: Callable[[Any], str]) -> list[list[Slot]]:
    """Groups of two or more places that have the same key."""
    groups: dict[str, list[Slot]] = {}
    for slot in slots:
        groups.setdefault(key(get(slot)), []).append(slot)
    return [group for group in groups.values() if len(group) > 1]


def _groups_within(slots: list[Slot]) -> Iterator[tuple[ast.AST, list[Slot]]]:
    """The same number or name twice in one call, sum or row of values."""
    for holder in slots:
        inner = get(holder)
        if isinstance(inner, ast.Call | ast.BinOp | ast.Tuple):
            plain = [slot for slot in slots_of(inner) if isinstance(get(slot), ast.Constant | ast.Name)]
            yield from ((inner, group) for group in _alike(plain, ast.dump))


def _nearest(node: Any, numbers: list[float]) -> float | None:
    """The number that the task states, where one like it is written."""
    if not isinstance(node, ast.Constant) or not isinstance(node.value, int | float) or isinstance(node.value, bool):
        return None
    written = node.value
    return next((one for one in numbers if one != written and abs(one - written) <= 0.05 * abs(one)), None)
