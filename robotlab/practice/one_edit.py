"""Where in a wrong answer the mistake is, if one small change of its source would make it right.

The learner's source is changed in one place at a time, as learners mend it: another operator or
comparison, parentheses, another name, number or function, a part left out, a sign.  If a changed
function is right in every case, the verdict says which line and what kind of thing to read again; it
never says what to write.

Only plain computing is tried: no loops without end, nothing that reads, writes or imports.
"""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
import time
from collections.abc import Callable, Iterator, Sequence
from types import FunctionType
from typing import Any

from robotlab.practice.comparing import compare
from robotlab.practice.running import run_cases
from robotlab.practice.task import Task

# Seconds for all changes together; a verdict must not keep the learner waiting.
BUDGET_S = 3.0
_CASE_LIMIT_S = 0.5
_UNSAFE = (ast.While, ast.With, ast.Global, ast.Nonlocal, ast.Await, ast.Yield, ast.YieldFrom, ast.Delete)
_UNSAFE_NAMES = re.compile(r"open|exec|eval|input|print|system|write|save|load|unlink|remove|__")
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
    ("mean", "sum", "median", "max", "min"),
    ("floor", "ceil", "round"),
    ("radians", "degrees"),
    ("log", "log2", "log10", "log1p"),
)

# Functions of math that are left out.
_WRAPS = ("tan", "atan", "radians", "degrees", "sqrt")

# One place in the tree: the holder, its field, the place in a list or None.
Slot = tuple[ast.AST, str, int | None]
Change = Callable[[Any], Any]
Edit = tuple[list[Slot], Change, ast.AST, str]


def one_edit(task: Task, function: Callable, cases: Sequence[tuple], right: Sequence[Any]) -> tuple[str, str] | None:
    """The place of the mistake, if one change of the source makes the function right.

    Parameters
    ----------
    task : Task
        The task.
    function : callable
        The learner's; it is wrong.
    cases : sequence of tuple
        All cases, one that fails first.
    right : sequence of object
        Their right results.

    Returns
    -------
    tuple of (str, str) or None
        A name and a sentence.

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("field_of_view")
    >>> one_edit(task, len, task.cases(), []) is None
    True
    """
    source = _source(function)
    if source is None or not isinstance(function, FunctionType):
        return None
    tree = ast.parse(source)
    body = tree.body[0]
    if not isinstance(body, ast.FunctionDef) or function.__closure__ or not _is_plain(body):
        return None
    body.decorator_list = []
    end = time.monotonic() + BUDGET_S
    lines = source.splitlines()
    for slots, change, node, words in _edits(body, task):
        if time.monotonic() > end:
            return None
        old = [_get(slot) for slot in slots]
        for slot, one in zip(slots, old):
            _put(slot, change(one))
        try:
            found = _is_right(task, tree, function, cases, right)
        finally:
            for slot, one in zip(slots, old):
                _put(slot, one)
        if found:
            line = getattr(node, "lineno", 1)
            says = f"All but one thing is right. Read line {line} again, `{lines[line - 1].strip()}`: look at {words}."
            return "one thing in one line", says
    return None


def _source(function: Callable) -> str | None:
    try:
        return textwrap.dedent(inspect.getsource(function))
    except (OSError, TypeError, IndentationError):
        return None


def _is_plain(body: ast.FunctionDef) -> bool:
    for node in ast.walk(body):
        if isinstance(node, _UNSAFE) or (isinstance(node, ast.FunctionDef) and node is not body):
            return False
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [node.module] if isinstance(node, ast.ImportFrom) else [one.name for one in node.names]
            if any((name or "").partition(".")[0] not in ("math", "numpy", "scipy") for name in names):
                return False
        name = node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""
        if _UNSAFE_NAMES.search(name):
            return False
    return True


def _is_right(
    task: Task, tree: ast.Module, function: FunctionType, cases: Sequence[tuple], right: Sequence[Any]
) -> bool:
    names = dict(function.__globals__)
    try:
        exec(compile(ast.fix_missing_locations(tree), "<changed>", "exec"), names)
    except (SyntaxError, ValueError, TypeError):
        return False
    changed = names[function.__name__]
    for case, result in zip(cases, right):
        outcome = run_cases(changed, [case], _CASE_LIMIT_S)[0]
        if outcome.kind != "value" or outcome.changed:
            return False
        try:
            if compare(result, outcome.value, task.rtol, task.atol):
                return False
        except Exception:  # A learner's object may do anything when it is compared.
            return False
    return True


def _with_operator(operator: type) -> Change:
    return lambda n: ast.BinOp(n.left, operator(), n.right)


def _with_comparison(comparison: type) -> Change:
    return lambda n: ast.Compare(n.left, [comparison()], n.comparators)


def _as_number(number: Any) -> Change:
    return lambda n: ast.Constant(number)


def _as_name(name: str) -> Change:
    return lambda n: ast.Name(name, ast.Load())


def _name_of(call: Any) -> str:
    called = call.func
    return called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""


def _relatives(name: str) -> list[str]:
    return list(dict.fromkeys(one for family in _FAMILIES if name in family for one in family if one != name))


def _renamed(other: str) -> Change:
    def change(n: Any) -> ast.Call:
        name = ast.Name(other, ast.Load())
        called = name if isinstance(n.func, ast.Name) else ast.Attribute(n.func.value, other, ast.Load())
        return ast.Call(called, n.args, n.keywords)

    return change


def _is_comparison(node: Any) -> bool:
    return isinstance(node, ast.Compare) and len(node.ops) == 1


def _mirrored(n: Any) -> ast.Compare:
    return ast.Compare(n.comparators[0], n.ops, [n.left])


def _times(factor: float) -> Change:
    return lambda n: ast.BinOp(n, ast.Mult(), ast.Constant(factor))


def _wrapped(function: str) -> Change:
    called = ast.Attribute(ast.Name("math", ast.Load()), function, ast.Load())
    return lambda n: ast.Call(called, [n], [])


def _argument(place: int) -> Change:
    return lambda n: n.args[place]


def _group_right(n: Any) -> ast.BinOp:
    return ast.BinOp(n.left.left, n.left.op, ast.BinOp(n.left.right, n.op, n.right))


def _group_left(n: Any) -> ast.BinOp:
    return ast.BinOp(ast.BinOp(n.left, n.op, n.right.left), n.right.op, n.right.right)


def _get(slot: Slot) -> ast.AST:
    holder, field, place = slot
    value = getattr(holder, field)
    return value if place is None else value[place]


def _put(slot: Slot, node: ast.AST) -> None:
    holder, field, place = slot
    if place is None:
        setattr(holder, field, node)
    else:
        getattr(holder, field)[place] = node


def _slots(body: ast.AST) -> Iterator[Slot]:
    for holder in ast.walk(body):
        for field, value in ast.iter_fields(holder):
            if isinstance(value, ast.expr):
                yield holder, field, None
            elif isinstance(value, list):
                yield from ((holder, field, i) for i, one in enumerate(value) if isinstance(one, ast.expr))


def _edits(body: ast.FunctionDef, task: Task) -> Iterator[Edit]:
    """Every change: at one place, and at all places that read the same, in the whole or in one expression."""
    slots = [slot for slot in _slots(body) if not isinstance(slot[0], ast.arguments)]
    names = sorted(
        {arg.arg for arg in body.args.args}
        | {n.id for n in ast.walk(body) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
    )
    text = " ".join([task.statement, inspect.getdoc(task.reference) or "", *task.nudges])
    numbers = sorted({float(word) for word in re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", text) if len(word) < 8})
    stated = [slot for slot in slots if _nearest(_get(slot), numbers) is not None]
    if stated:
        yield stated, lambda n: ast.Constant(_nearest(n, numbers)), _get(stated[0]), "the numbers: they are rounded"
    comparisons = [slot for slot in slots if _is_comparison(_get(slot))]
    if len(comparisons) > 1:
        yield comparisons, _mirrored, _get(comparisons[0]), "the direction of the comparisons"
    called: dict[str, list[Slot]] = {}
    for slot in slots:
        if isinstance(_get(slot), ast.Call):
            called.setdefault(_name_of(_get(slot)), []).append(slot)
    for name, group in called.items():
        for other in _relatives(name) if len(group) > 1 else ():
            yield group, _renamed(other), _get(group[0]), f"the function {name}"
    same: dict[str, list[Slot]] = {}
    for slot in slots:
        same.setdefault(ast.dump(_get(slot)), []).append(slot)
    for slot in slots:
        node = _get(slot)
        for change, words in _changes(node, names, numbers):
            yield [slot], change, node, words
    for group in same.values():
        if len(group) > 1:
            for change, words in _changes(_get(group[0]), names, numbers):
                yield group, change, _get(group[0]), words
    for holder in slots:  # The same number twice in one call or sum.
        inner = _get(holder)
        if isinstance(inner, ast.Call | ast.BinOp):
            within: dict[str, list[Slot]] = {}
            for slot in _slots(inner):
                if isinstance(_get(slot), ast.Constant):
                    within.setdefault(ast.dump(_get(slot)), []).append(slot)
            for group in within.values():
                if len(group) > 1:
                    for change, words in _changes(_get(group[0]), names, numbers):
                        yield group, change, inner, words


def _nearest(node: Any, numbers: list[float]) -> float | None:
    """The number that the task states, where one like it is written."""
    if not (isinstance(node, ast.Constant) and type(node.value) in (int, float)):
        return None
    return next((one for one in numbers if one != node.value and abs(one - node.value) <= 0.05 * abs(one)), None)


def _changes(node: Any, names: list[str], numbers: list[float]) -> Iterator[tuple[Change, str]]:
    if isinstance(node, ast.BinOp):
        shown = f"the operator between `{ast.unparse(node.left)}` and `{ast.unparse(node.right)}`"
        for operator in _OPERATORS:
            if not isinstance(node.op, operator):
                yield (_with_operator(operator)), shown
        yield (lambda n: ast.BinOp(n.right, n.op, n.left)), f"the order in `{ast.unparse(node)}`"
        yield (lambda n: n.left), f"what `{ast.unparse(node.right)}` does there"
        yield (lambda n: n.right), f"what `{ast.unparse(node.left)}` does there"
        if isinstance(node.left, ast.BinOp):
            yield _group_right, f"the parentheses in `{ast.unparse(node)}`"
        if isinstance(node.right, ast.BinOp):
            yield _group_left, f"the parentheses in `{ast.unparse(node)}`"
    elif isinstance(node, ast.Compare) and len(node.ops) == 1:
        for comparison in _COMPARISONS:
            if not isinstance(node.ops[0], comparison):
                yield ((_with_comparison(comparison)), f"the comparison `{ast.unparse(node)}`")
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
    elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
        for name in names:
            if name != node.id and node.id in names:
                yield (_as_name(name)), f"the name {node.id}"
    elif isinstance(node, ast.Call):
        yield from _changes_of_call(node)
    if isinstance(node, ast.BinOp | ast.Call | ast.Name | ast.Subscript) and not isinstance(
        getattr(node, "ctx", None), ast.Store
    ):
        shown = f"the sign of `{ast.unparse(node)}`"
        yield (lambda n: ast.UnaryOp(ast.USub(), n)), shown
        yield (lambda n: ast.Call(ast.Name("abs", ast.Load()), [n], [])), shown
        yield (
            (lambda n: ast.Call(ast.Name("max", ast.Load()), [ast.Constant(0), n], [])),
            f"how small `{ast.unparse(node)}` may become",
        )
        for factor in (0.5, 2):
            yield _times(factor), f"the size of `{ast.unparse(node)}`"
        for function in _WRAPS:
            yield _wrapped(function), f"`{ast.unparse(node)}`: is a function missing there?"


def _changes_of_call(node: Any) -> Iterator[tuple[Change, str]]:
    name = _name_of(node)
    for other in _relatives(name):
        yield _renamed(other), f"the function {name}"
    for i, argument in enumerate(node.args):
        if not isinstance(argument, ast.Starred | ast.GeneratorExp):
            yield (_argument(i)), f"what {name} does there"
    if len(node.args) == 2:
        yield (lambda n: ast.Call(n.func, n.args[::-1], n.keywords)), f"the order of what {name} takes"
