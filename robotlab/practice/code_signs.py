"""Static checks of a learner's source: lines that cannot do what they look like."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np

from robotlab.practice.plain_source import parsed
from robotlab.practice.source_changes import is_binary

Found = tuple[str, str]
# The name of each sign and what it says; the braces are for what stands there.
_SAYS = {
    "& before comparisons": "& and | are done before comparisons. Put each comparison into parentheses.",
    "compared with NaN": "NaN equals nothing, not even itself. math.isnan(x) asks for it.",
    "is for ==": "`is` asks whether two names hold the same object. == compares values.",
    "minus 0": "where {0} is 0, [-{0}:] takes all, since -0 is 0.",
    "^ is not a power": "^ is not a power in Python; ** is.",
    "the first of equals": ".index(...) gives the first place with this value, also for its equals.",
    "return in the loop": "it stands in the loop, so the function ends in the first turn.",
    "a list changed in its loop": "it changes {0} while the loop goes through it, so values are skipped or come twice.",
    "the same in each turn": "{0} says where the result goes, and nothing in the loop reads it. Each turn computes the same.",
    "a value that is not used": "nothing uses {0} after that. Is another name meant below?",
}


def code_sign(function: Callable, failing: Sequence[tuple] = (), counting: bool = False) -> Found | None:
    """The first line that cannot do what it looks like.

    Parameters
    ----------
    function : callable
        The learner's; it is only read.
    failing : sequence of tuple
        Inputs with which it fails.
    counting : bool
        Also lines that are only likely to be wrong: a value that nobody reads.

    Returns
    -------
    tuple of (str, str) or None
        A name and a sentence.

    Examples
    --------
    >>> from robotlab.practice.running import error_text
    >>> code_sign(error_text) is None
    True
    """
    found = parsed(function)
    if found is None:
        return None
    tree, source = found
    lines = source.splitlines()
    for node, name, there in _signs(tree.body[0], failing, counting):
        says = _SAYS[name].format(there)
        return name, f"Read line {node.lineno} again, `{lines[node.lineno - 1].strip()}`: {says}"
    return None


def _signs(body: Any, failing: Sequence[tuple], counting: bool) -> Iterator[tuple[Any, str, str]]:
    """Where to look, the name of the sign, and what stands there."""
    for node in ast.walk(body):
        if isinstance(node, ast.For | ast.While):
            yield from _loop(node)
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            if any(is_binary(one, ast.BitAnd, ast.BitOr) for one in sides):
                yield node, "& before comparisons", ""
            if any(_is_nan(one) for one in sides):
                yield node, "compared with NaN", ""
            if any(isinstance(op, ast.Is | ast.IsNot) for op in node.ops) and not any(map(_is_none, sides)):
                yield node, "is for ==", ""
        if isinstance(node, ast.Slice) and isinstance(node.lower, ast.UnaryOp) and isinstance(node.lower.op, ast.USub):
            own = [arg.arg for arg in body.args.args]
            name = ast.unparse(node.lower.operand)
            given = [case[own.index(name)] for case in failing] if name in own else []
            if any(np.ndim(value) == 0 and value == 0 for value in given):
                yield node.lower, "minus 0", name
        if is_binary(node, ast.BitXor):
            yield node, "^ is not a power", ""
        if _calls(node, ("index",)) and failing and all(map(_holds_equals, failing)):
            yield node, "the first of equals", ""
    if counting:
        yield from _unread(body)


def _loop(loop: Any) -> Iterator[tuple[Any, str, str]]:
    last = loop.body[-1]
    inner: list[Any] = [node for line in loop.body for node in ast.walk(line)]
    ends = isinstance(last, ast.Return) or (
        isinstance(last, ast.If) and bool(last.orelse) and _returns(last.body) and _returns(last.orelse)
    )
    if ends and not any(isinstance(node, ast.Continue) for node in inner):
        last_return = next(node for node in reversed(list(ast.walk(last))) if isinstance(node, ast.Return))
        yield last_return, "return in the loop", ""
    if isinstance(loop, ast.For):
        through = ast.unparse(loop.iter)
        for node in inner:
            if _calls(node, ("remove", "pop", "append", "insert")) and ast.unparse(node.func.value) == through:
                yield node, "a list changed in its loop", through
        if isinstance(loop.target, ast.Name) and not loop.target.id.startswith("_"):
            stores = [node for node in inner if isinstance(node, ast.Subscript) and isinstance(node.ctx, ast.Store)]
            places = {id(name) for node in stores for name in ast.walk(node.slice)}
            read = [n for n in inner if isinstance(n, ast.Name) and n.id == loop.target.id and id(n) not in places]
            if stores and not read:
                yield loop, "the same in each turn", loop.target.id


def _calls(node: Any, methods: tuple[str, ...]) -> bool:
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in methods


def _returns(lines: list[ast.stmt]) -> bool:
    return isinstance(lines[-1], ast.Return)


def _unread(body: Any) -> Iterator[tuple[Any, str, str]]:
    read = {node.id for node in ast.walk(body) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)}
    for node in ast.walk(body):
        if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
            name = node.targets[0].id
            if name not in read and not name.startswith("_"):
                yield node, "a value that is not used", name


def _is_nan(node: ast.AST) -> bool:
    return ast.unparse(node).lower() in ("np.nan", "math.nan", "float('nan')", "numpy.nan")


def _is_none(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and (node.value is None or isinstance(node.value, bool))


def _holds_equals(case: tuple) -> bool:
    return any(
        isinstance(value, np.ndarray) and value.ndim == 1 and len(np.unique(value)) < value.size for value in case
    )
