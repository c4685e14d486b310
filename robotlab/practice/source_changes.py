"""Changes of one expression of a learner's source, and words that say where to look."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

Change = Callable[[Any], Any]
Changes = Iterator[tuple[Change, str]]

_OPERATORS = (ast.Add, ast.Sub, ast.Mult, ast.Div)
_COMPARISONS = (ast.Lt, ast.LtE, ast.Gt, ast.GtE)
# Functions that are taken for one another.
_FAMILIES = (
    ("sin", "cos", "tan"),
    ("asin", "acos", "atan"),
    ("arcsin", "arccos", "arctan"),
    ("sin", "asin"),
    ("tan", "atan"),
    ("cos", "acos"),
    ("tan", "arctan"),
    ("min", "max"),
    ("minimum", "maximum"),
    ("argmin", "argmax"),
    ("max", "argmax"),
    ("min", "argmin"),
    ("mean", "sum", "median", "max", "min"),
    ("floor", "ceil", "round"),
    ("radians", "degrees"),
    ("any", "all"),
    ("log", "log2", "log10", "log1p"),
)

# Methods and functions that take an array together.
_REDUCTIONS = ("sum", "mean", "max", "min", "argmax", "argmin", "std", "var", "any", "all")
# Functions of math that are left out.
_WRAPS = ("tan", "atan", "radians", "degrees", "sqrt")


def _with_operator(operator: type) -> Change:
    return lambda n: ast.BinOp(n.left, operator(), n.right)


def _with_comparison(comparison: type) -> Change:
    return lambda n: ast.Compare(n.left, [comparison()], n.comparators)


def _as_number(number: Any) -> Change:
    return lambda n: ast.Constant(number)


def as_part(part: ast.AST) -> Change:
    """A change to another part of the same source.

    Parameters
    ----------
    part : ast.AST
        The other part.

    Returns
    -------
    callable
        The change.

    Examples
    --------
    >>> as_part(ast.Constant(1))(ast.Constant(2)).value
    1
    """
    return lambda n: part


def _as_name(name: str) -> Change:
    return lambda n: ast.Name(name, ast.Load())


def called_name(call: Any) -> str:
    """Name of the function in a call.

    Parameters
    ----------
    call : ast.Call
        The call.

    Returns
    -------
    str
        Without its module; empty where it has no name.

    Examples
    --------
    >>> called_name(ast.parse("math.tan(1)", mode="eval").body)
    'tan'
    """
    called = getattr(call, "func", None)
    return called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""


def relatives(name: str) -> list[str]:
    """Functions that are taken for this one.

    Parameters
    ----------
    name : str
        Its name.

    Returns
    -------
    list of str
        Their names.

    Examples
    --------
    >>> relatives("any")
    ['all']
    """
    return list(dict.fromkeys(one for family in _FAMILIES if name in family for one in family if one != name))


def renamed(other: str) -> Change:
    """A change of a call to another function.

    Parameters
    ----------
    other : str
        Its name.

    Returns
    -------
    callable
        The change.

    Examples
    --------
    >>> ast.unparse(renamed("tan")(ast.parse("math.sin(1)", mode="eval").body))
    'math.tan(1)'
    """

    def change(n: Any) -> ast.Call:
        name = ast.Name(other, ast.Load())
        called = name if isinstance(n.func, ast.Name) else ast.Attribute(n.func.value, other, ast.Load())
        return ast.Call(called, n.args, n.keywords)

    return change


def is_comparison(node: Any) -> bool:
    """Whether this compares two values.

    Parameters
    ----------
    node : ast.AST
        The expression.

    Returns
    -------
    bool
        True for ``a < b``, not for ``a < b < c``.

    Examples
    --------
    >>> is_comparison(ast.parse("a < b", mode="eval").body)
    True
    """
    return isinstance(node, ast.Compare) and len(node.ops) == 1


def _times(factor: float) -> Change:
    return lambda n: ast.BinOp(n, ast.Mult(), ast.Constant(factor))


def _wrapped(function: str) -> Change:
    called = ast.Attribute(ast.Name("math", ast.Load()), function, ast.Load())
    return lambda n: ast.Call(called, [n], [])


def _power(exponent: float) -> Change:
    return lambda n: ast.BinOp(n, ast.Pow(), ast.Constant(exponent))


def _power_of_left(exponent: float) -> Change:
    return lambda n: ast.BinOp(_power(exponent)(n.left), n.op, n.right)


def _plus(offset: float) -> Change:
    return lambda n: ast.BinOp(n, ast.Add(), ast.Constant(offset))


def _joined(operator: type, name: str) -> Change:
    return lambda n: ast.BinOp(n, operator(), ast.Name(name, ast.Load()))


def _less(name: str) -> Change:
    return lambda n: ast.BinOp(ast.Name(name, ast.Load()), ast.Sub(), n)


def _held(function: str, name: str) -> Change:
    return lambda n: ast.Call(ast.Name(function, ast.Load()), [n, ast.Name(name, ast.Load())], [])


def _exchanged(n: Any, outer: str, inner: str) -> ast.BinOp:
    """Two operands of ``a * b + c`` in each other's place."""
    other = "left" if outer == "right" else "right"
    nested = getattr(n, other)
    parts = {"left": nested.left, "right": nested.right, inner: getattr(n, outer)}
    both = {other: ast.BinOp(parts["left"], nested.op, parts["right"]), outer: getattr(nested, inner)}
    return ast.BinOp(both["left"], n.op, both["right"])


def _swapped(place: int) -> Change:
    def change(n: Any) -> ast.Tuple:
        values = list(n.elts)
        values[place : place + 2] = values[place : place + 2][::-1]
        return ast.Tuple(values, ast.Load())

    return change


def _along(axis: int, keep: bool) -> Change:
    def change(n: Any) -> ast.Call:
        keywords = [ast.keyword("axis", ast.Constant(axis)), ast.keyword("keepdims", ast.Constant(keep))]
        return ast.Call(n.func, n.args, keywords[: 2 if keep else 1])

    return change


def _without_keyword(place: int) -> Change:
    return lambda n: ast.Call(n.func, n.args, n.keywords[:place] + n.keywords[place + 1 :])


def _without_argument(place: int) -> Change:
    return lambda n: ast.Call(n.func, n.args[:place] + n.args[place + 1 :], n.keywords)


def _argument(place: int) -> Change:
    return lambda n: n.args[place]


def _group_right(n: Any) -> ast.BinOp:
    return ast.BinOp(n.left.left, n.left.op, ast.BinOp(n.left.right, n.op, n.right))


def _group_left(n: Any) -> ast.BinOp:
    return ast.BinOp(ast.BinOp(n.left, n.op, n.right.left), n.right.op, n.right.right)


def changes(node: Any, names: list[str], numbers: list[float]) -> Iterator[tuple[Change, str]]:
    """What learners fix: an operator, a comparison, a name, a number, a function, parentheses, a sign.

    Parameters
    ----------
    node : ast.AST
        The expression.
    names : list of str
        Names in the function.
    numbers : list of float
        Numbers in the task's text.

    Yields
    ------
    tuple of (callable, str)
        A change, and words for where to look.

    Examples
    --------
    >>> next(changes(ast.parse("a + b", mode="eval").body, [], []))[1]
    'the operator between `a` and `b`'
    """
    if isinstance(node, ast.BinOp):
        shown = f"the operator between `{ast.unparse(node.left)}` and `{ast.unparse(node.right)}`"
        for operator in _OPERATORS:
            if not isinstance(node.op, operator):
                yield (_with_operator(operator)), shown
        yield (lambda n: ast.BinOp(n.right, n.op, n.left)), f"the order in `{ast.unparse(node)}`"
        yield (lambda n: n.left), f"what `{ast.unparse(node.right)}` does there"
        yield (lambda n: n.right), f"what `{ast.unparse(node.left)}` does there"
        if isinstance(node.op, ast.Mult | ast.Div) and isinstance(node.left, ast.BinOp | ast.Call | ast.Name):
            for power in (2, 0.5):
                yield _power_of_left(power), f"the power of `{ast.unparse(node.left)}`"
        for outer, nested in (("right", node.left), ("left", node.right)):
            if isinstance(nested, ast.BinOp):
                for inner in ("left", "right"):
                    yield partial(_exchanged, outer=outer, inner=inner), f"the order in `{ast.unparse(node)}`"
        if isinstance(node.left, ast.BinOp):
            yield _group_right, f"the parentheses in `{ast.unparse(node)}`"
        if isinstance(node.right, ast.BinOp):
            yield _group_left, f"the parentheses in `{ast.unparse(node)}`"
    elif isinstance(node, ast.Compare) and len(node.ops) == 1:
        for comparison in _COMPARISONS:
            if not isinstance(node.ops[0], comparison):
                yield ((_with_comparison(comparison)), f"the comparison `{ast.unparse(node)}`")
        yield (
            (lambda n: ast.UnaryOp(ast.Not(), n)),
            f"what happens where `{ast.unparse(node)}` holds, and what elsewhere",
        )
    elif isinstance(node, ast.IfExp):
        shown = f"what happens where `{ast.unparse(node.test)}` holds, and what elsewhere"
        yield (lambda n: ast.IfExp(n.test, n.orelse, n.body)), shown
    elif isinstance(node, ast.Tuple) and isinstance(node.ctx, ast.Load) and len(node.elts) > 1:
        for i in range(len(node.elts) - 1):
            yield _swapped(i), f"the order of `{ast.unparse(node)}`"
    elif isinstance(node, ast.BoolOp):
        other = ast.And if isinstance(node.op, ast.Or) else ast.Or
        yield (lambda n: ast.BoolOp(other(), n.values)), "`and` and `or`"
    elif isinstance(node, ast.UnaryOp):
        yield (lambda n: n.operand), f"the sign in `{ast.unparse(node)}`"
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        value = node.value
        near = [value + 1, value - 1, value * 2, value / 2, value * 10, value / 10, -value, 0, 1, 2, 0.5, *numbers]
        for number in dict.fromkeys(near):
            whole = int(number) if float(number).is_integer() else number
            if whole != value:
                yield (_as_number(whole)), f"the number {value!r}"
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield (_as_number(not node.value)), f"the value {node.value}"
    elif isinstance(node, ast.Subscript) and isinstance(node.ctx, ast.Load):
        yield (lambda n: n.value), f"what `[{ast.unparse(node.slice)}]` does there"
    elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
        for name in names:
            if name != node.id and node.id in names:
                yield (_as_name(name)), f"the name {node.id}"
    elif isinstance(node, ast.Call):
        yield from _changes_of_call(node)
    if _is_read(node):
        shown = f"the sign of `{ast.unparse(node)}`"
        yield (lambda n: ast.UnaryOp(ast.USub(), n)), shown
        yield (lambda n: ast.Call(ast.Name("abs", ast.Load()), [n], [])), shown


def rescaled(node: Any, names: list[str], numbers: list[float]) -> Iterator[tuple[Change, str]]:
    """A value held, shifted, or scaled: tried after what is written there."""
    if _is_read(node):
        yield (
            (lambda n: ast.Call(ast.Name("max", ast.Load()), [ast.Constant(0), n], [])),
            f"how small `{ast.unparse(node)}` may become",
        )
        yield (
            (lambda n: ast.Call(ast.Name("min", ast.Load()), [ast.Constant(1), n], [])),
            f"how large `{ast.unparse(node)}` may become",
        )
        yield _power(2), f"the power of `{ast.unparse(node)}`"
        for offset in (0.5, -0.5, 1, -1):
            yield _plus(offset), f"whether `{ast.unparse(node)}` is off by a half or by one"
        for factor in (0.5, 2):
            yield _times(factor), f"the size of `{ast.unparse(node)}`"
        for function in _WRAPS:
            yield _wrapped(function), f"`{ast.unparse(node)}`: is a function missing there?"


def _is_read(node: Any) -> bool:
    return isinstance(node, ast.BinOp | ast.Call | ast.Name | ast.Subscript) and not isinstance(
        getattr(node, "ctx", None), ast.Store
    )


def missing(node: Any, names: list[str], numbers: list[float]) -> Iterator[tuple[Change, str]]:
    """One more term, factor or limit."""
    if not (_is_read(node) and not isinstance(node, ast.Subscript)):
        return
    shown = f"`{ast.unparse(node)}`: is something missing there?"
    for name in names:
        if isinstance(node, ast.Name) and (node.id == name or node.id not in names):
            continue
        for operator in (ast.Mult, ast.Div, ast.Sub, ast.Add):
            yield _joined(operator, name), shown
        yield _less(name), shown
        yield _held("min", name), f"how large `{ast.unparse(node)}` may become"
        yield _held("max", name), f"how small `{ast.unparse(node)}` may become"


def _changes_of_call(node: Any) -> Iterator[tuple[Change, str]]:
    name = called_name(node)
    for other in relatives(name):
        yield renamed(other), f"the function {name}"
    for i, argument in enumerate(node.args):
        if not isinstance(argument, ast.Starred | ast.GeneratorExp):
            yield (_argument(i)), f"what {name} does there"
    if name in _REDUCTIONS and not node.keywords:
        for axis in (1, 0):
            for keep in (True, False):
                yield _along(axis, keep), f"what {name} takes together: everything, or each row by itself"
    if name in _REDUCTIONS and [one.arg for one in node.keywords] == ["axis"]:
        for axis in (1, 0):
            yield _along(axis, True), f"the axis along which {name} works, and whether that axis is kept"
    for i in range(len(node.keywords)):
        yield _without_keyword(i), f"what `{ast.unparse(node.keywords[i])}` does there"
    for i in range(1, len(node.args)):
        yield _without_argument(i), f"what `{ast.unparse(node.args[i])}` does there"
    if len(node.args) == 2:
        yield (lambda n: ast.Call(n.func, n.args[::-1], n.keywords)), f"the order of what {name} takes"
