"""Changes of one expression of a learner's source, and words that say where to look."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from typing import Any, TypeGuard

# What may stand in the place of an expression, and words that say where to look.
Changes = Iterator[tuple[Any, str]]

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


def renamed(call: Any, other: str) -> ast.Call:
    """The same call of another function.

    Parameters
    ----------
    call : ast.Call
        The call.
    other : str
        Name of the function.

    Returns
    -------
    ast.Call
        The new one.

    Examples
    --------
    >>> ast.unparse(renamed(ast.parse("math.sin(1)", mode="eval").body, "tan"))
    'math.tan(1)'
    """
    name = name_of(other)
    called = name if isinstance(call.func, ast.Name) else ast.Attribute(call.func.value, other, ast.Load())
    return ast.Call(called, call.args, call.keywords)


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


def is_binary(node: Any, *operators: type) -> TypeGuard[ast.BinOp]:
    """Whether this is one of these operators between two operands.

    Parameters
    ----------
    node : ast.AST
        The expression.
    *operators : type
        Such as ``ast.Add``.

    Returns
    -------
    bool
        True for ``a + b`` and ``ast.Add``, not for ``a += b``.

    Examples
    --------
    >>> is_binary(ast.parse("a + b", mode="eval").body, ast.Add, ast.Sub)
    True
    """
    return isinstance(node, ast.BinOp) and isinstance(node.op, operators)


def name_of(name: str) -> ast.Name:
    """A name that is read.

    Parameters
    ----------
    name : str
        The name.

    Returns
    -------
    ast.Name
        Its node.

    Examples
    --------
    >>> ast.unparse(name_of("width_px"))
    'width_px'
    """
    return ast.Name(name, ast.Load())


def call_of(function: str, *inputs: ast.expr) -> ast.Call:
    """A call of a function that Python knows.

    Parameters
    ----------
    function : str
        Its name.
    *inputs : ast.expr
        What it takes.

    Returns
    -------
    ast.Call
        The call.

    Examples
    --------
    >>> ast.unparse(call_of("max", ast.Constant(0), name_of("x")))
    'max(0, x)'
    """
    return ast.Call(name_of(function), list(inputs), [])


def regrouped(node: ast.BinOp) -> Iterator[ast.BinOp]:
    """The parentheses of ``(a + b) * c`` or ``a * (b + c)`` around the other two.

    Parameters
    ----------
    node : ast.BinOp
        The expression.

    Yields
    ------
    ast.BinOp
        None, one or two.

    Examples
    --------
    >>> [ast.unparse(one) for one in regrouped(ast.parse("(a + b) * c", mode="eval").body)]
    ['a + b * c']
    """
    left: Any = node.left
    right: Any = node.right
    if isinstance(left, ast.BinOp):
        yield ast.BinOp(left.left, left.op, ast.BinOp(left.right, node.op, right))
    if isinstance(right, ast.BinOp):
        yield ast.BinOp(ast.BinOp(left, node.op, right.left), right.op, right.right)


def _exchanged(n: Any, outer: str, inner: str) -> ast.BinOp:
    """Two operands of ``a * b + c`` in each other's place."""
    other = "left" if outer == "right" else "right"
    nested = getattr(n, other)
    parts = {"left": nested.left, "right": nested.right, inner: getattr(n, outer)}
    both = {other: ast.BinOp(parts["left"], nested.op, parts["right"]), outer: getattr(nested, inner)}
    return ast.BinOp(both["left"], n.op, both["right"])


def _along(call: ast.Call, axis: int, keep: bool) -> ast.Call:
    keywords = [ast.keyword("axis", ast.Constant(axis)), ast.keyword("keepdims", ast.Constant(keep))]
    return ast.Call(call.func, call.args, keywords[: 2 if keep else 1])


def changes(node: Any, names: list[str], numbers: list[float]) -> Changes:
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
    tuple of (ast.AST, str)
        What stands there in its place, and words for where to look.

    Examples
    --------
    >>> next(changes(ast.parse("a + b", mode="eval").body, [], []))[1]
    'the operator between `a` and `b`'
    """
    here = f"`{ast.unparse(node)}`"
    if isinstance(node, ast.BinOp):
        left, right = ast.unparse(node.left), ast.unparse(node.right)
        for operator in _OPERATORS:
            if not isinstance(node.op, operator):
                yield ast.BinOp(node.left, operator(), node.right), f"the operator between `{left}` and `{right}`"
        yield ast.BinOp(node.right, node.op, node.left), f"the order in {here}"
        yield node.left, f"what `{right}` does there"
        yield node.right, f"what `{left}` does there"
        if isinstance(node.op, ast.Mult | ast.Div) and isinstance(node.left, ast.BinOp | ast.Call | ast.Name):
            for power in (2, 0.5):
                base = ast.BinOp(node.left, ast.Pow(), ast.Constant(power))
                yield ast.BinOp(base, node.op, node.right), f"the power of `{left}`"
        for outer, nested in (("right", node.left), ("left", node.right)):
            if isinstance(nested, ast.BinOp):
                for inner in ("left", "right"):
                    yield _exchanged(node, outer, inner), f"the order in {here}"
        for other in regrouped(node):
            yield other, f"the parentheses in {here}"
    elif is_comparison(node):
        for comparison in _COMPARISONS:
            if not isinstance(node.ops[0], comparison):
                yield ast.Compare(node.left, [comparison()], node.comparators), f"the comparison {here}"
        yield ast.UnaryOp(ast.Not(), node), f"what happens where {here} holds, and what elsewhere"
    elif isinstance(node, ast.IfExp):
        shown = f"what happens where `{ast.unparse(node.test)}` holds, and what elsewhere"
        yield ast.IfExp(node.test, node.orelse, node.body), shown
    elif isinstance(node, ast.Tuple) and isinstance(node.ctx, ast.Load):
        for i in range(len(node.elts) - 1):
            swapped = [*node.elts[:i], node.elts[i + 1], node.elts[i], *node.elts[i + 2 :]]
            yield ast.Tuple(swapped, ast.Load()), f"the order of {here}"
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.And() if isinstance(node.op, ast.Or) else ast.Or(), node.values), "`and` and `or`"
    elif isinstance(node, ast.UnaryOp):
        yield node.operand, f"the sign in {here}"
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float) and not isinstance(node.value, bool):
        value = node.value
        near = [value + 1, value - 1, value * 2, value / 2, value * 10, value / 10, -value, 0, 1, 2, 0.5, *numbers]
        for number in dict.fromkeys(near):
            whole = int(number) if float(number).is_integer() else number
            if whole != value:
                yield ast.Constant(whole), f"the number {value!r}"
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value), f"the value {node.value}"
    elif isinstance(node, ast.Subscript) and isinstance(node.ctx, ast.Load):
        yield node.value, f"what `[{ast.unparse(node.slice)}]` does there"
    elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
        for name in names:
            if name != node.id and node.id in names:
                yield name_of(name), f"the name {node.id}"
    elif isinstance(node, ast.Call):
        yield from _changes_of_call(node)
    if _is_read(node):
        yield ast.UnaryOp(ast.USub(), node), f"the sign of {here}"
        yield call_of("abs", node), f"the sign of {here}"


def rescaled(node: Any) -> Changes:
    """A value held, shifted, or scaled: tried after what is written there."""
    if not _is_read(node):
        return
    here = f"`{ast.unparse(node)}`"
    yield call_of("max", ast.Constant(0), node), f"how small {here} may become"
    yield call_of("min", ast.Constant(1), node), f"how large {here} may become"
    yield ast.BinOp(node, ast.Pow(), ast.Constant(2)), f"the power of {here}"
    for offset in (0.5, -0.5, 1, -1):
        yield ast.BinOp(node, ast.Add(), ast.Constant(offset)), f"whether {here} is off by a half or by one"
    for factor in (0.5, 2):
        yield ast.BinOp(node, ast.Mult(), ast.Constant(factor)), f"the size of {here}"
    for function in _WRAPS:
        called = ast.Attribute(name_of("math"), function, ast.Load())
        yield ast.Call(called, [node], []), f"{here}: is a function missing there?"


def _is_read(node: Any) -> bool:
    stored = isinstance(getattr(node, "ctx", None), ast.Store)
    return isinstance(node, ast.BinOp | ast.Call | ast.Name | ast.Subscript) and not stored


def missing(node: Any, names: list[str]) -> Changes:
    """One more term, factor or limit."""
    if not _is_read(node) or isinstance(node, ast.Subscript):
        return
    here = f"`{ast.unparse(node)}`"
    for name in names:
        if isinstance(node, ast.Name) and (node.id == name or node.id not in names):
            continue
        for operator in (ast.Mult, ast.Div, ast.Sub, ast.Add):
            yield ast.BinOp(node, operator(), name_of(name)), f"{here}: is something missing there?"
        yield ast.BinOp(name_of(name), ast.Sub(), node), f"{here}: is something missing there?"
        yield call_of("min", node, name_of(name)), f"how large {here} may become"
        yield call_of("max", node, name_of(name)), f"how small {here} may become"


def _changes_of_call(node: ast.Call) -> Changes:
    name, given, named = called_name(node), node.args, node.keywords
    for other in relatives(name):
        yield renamed(node, other), f"the function {name}"
    for argument in given:
        if not isinstance(argument, ast.Starred | ast.GeneratorExp):
            yield argument, f"what {name} does there"
    if name in _REDUCTIONS and not named:
        for axis in (1, 0):
            for keep in (True, False):
                yield _along(node, axis, keep), f"what {name} takes together: everything, or each row by itself"
    if name in _REDUCTIONS and [one.arg for one in named] == ["axis"]:
        for axis in (1, 0):
            yield _along(node, axis, True), f"the axis along which {name} works, and whether that axis is kept"
    for i, one in enumerate(named):
        yield ast.Call(node.func, given, named[:i] + named[i + 1 :]), f"what `{ast.unparse(one)}` does there"
    for i, argument in enumerate(given[1:], 1):
        yield ast.Call(node.func, given[:i] + given[i + 1 :], named), f"what `{ast.unparse(argument)}` does there"
    if len(given) == 2:
        yield ast.Call(node.func, given[::-1], named), f"the order of what {name} takes"
