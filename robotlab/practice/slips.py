"""Slips of the pen: changes of a learner's source that are hardly ever right by chance.

Parentheses, a comparison, a line inside a loop that belongs behind it, two questions in the wrong order, min
for max.  They are tried before anything is guessed from the results (:mod:`robotlab.practice.patterns`) and
before the many small changes of :mod:`robotlab.practice.source_edits`, which may fit by chance.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from typing import Any

from robotlab.practice.source_changes import Change, as_part, called_name
from robotlab.practice.source_edits import Edit, Slot, get, slots_of

_COMPARISONS = (ast.Lt, ast.LtE, ast.Gt, ast.GtE)
# The same comparison with its limit in or out.
_AT_LIMIT = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
_OPPOSITES = {"min": "max", "minimum": "maximum", "argmin": "argmax", "floor": "ceil", "any": "all"}
_OPPOSITES |= {other: one for one, other in _OPPOSITES.items()}
# What is inside their parentheses is not what is outside.
_CURVES = ("sin", "cos", "tan", "asin", "acos", "atan", "arcsin", "arccos", "arctan", "exp", "log", "sqrt")
_OTHER_OPERATORS = {
    ast.Mult: (ast.Div, ast.MatMult, ast.Pow),
    ast.Div: (ast.Mult,),
    ast.FloorDiv: (ast.Div,),
    ast.MatMult: (ast.Mult,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.BitXor: (ast.Pow,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
}


def slips(body: ast.FunctionDef) -> Iterator[tuple[Edit, bool]]:
    """The changes, likely ones first.

    Parameters
    ----------
    body : ast.FunctionDef
        The learner's function.

    Yields
    ------
    tuple of (tuple, bool)
        A change as in :func:`robotlab.practice.source_edits.edits`, and whether it says where to look even where
        the mistake has a sentence of its own; other changes may do the same by chance.

    Examples
    --------
    >>> body = ast.parse("def f(v, a): return v**2 / 2 * a").body[0]
    >>> next(slips(body))[0][3]
    'the parentheses in `v ** 2 / 2 * a`'
    """
    slots = [slot for slot in slots_of(body) if not isinstance(slot[0], ast.arguments)]
    yield from ((edit, True) for edit in _comparisons(slots, at_limit=True))
    for slot in slots:
        for change, words in _parentheses(get(slot)):
            yield ([slot], change, get(slot), words), False
    for line in sorted({getattr(get(slot), "lineno", 0) for slot in slots}):
        group = [slot for slot in slots if getattr(get(slot), "lineno", 0) == line and _is_product_of_sum(get(slot))]
        if len(group) > 1:
            first = get(group[0])
            yield (group, _second_alone, first, f"the parentheses in `{ast.unparse(first)}` and its like"), False
    for edit in _moved_lines(body):
        yield edit, True
    for slot in slots:
        for change, words in _pitfalls(get(slot)):
            yield ([slot], change, get(slot), words), True
    yield from ((edit, True) for edit in _comparisons(slots, at_limit=False))
    for edit in _one_sign(slots):
        yield edit, not isinstance(getattr(edit[2], "op", None), ast.Add | ast.Sub)
    yield from ((edit, True) for edit in _exchanged_functions(slots))
    yield from ((edit, True) for edit in _ones_left_out(body))
    yield from ((edit, False) for edit in _places_in_loops(body))
    yield from ((edit, False) for edit in _first_values(body))


def _parentheses(node: Any) -> Iterator[tuple[Change, str]]:
    shown = f"the parentheses in `{ast.unparse(node)}`" if isinstance(node, ast.expr) else ""
    if isinstance(node, ast.BinOp):
        top, rest = _after_division(node)
        if rest is not None:
            yield (lambda n: ast.BinOp(top, ast.Div(), rest)), shown
        if isinstance(node.left, ast.BinOp):
            yield (lambda n: ast.BinOp(n.left.left, n.left.op, ast.BinOp(n.left.right, n.op, n.right))), shown
        if isinstance(node.right, ast.BinOp):
            yield (lambda n: ast.BinOp(ast.BinOp(n.left, n.op, n.right.left), n.right.op, n.right.right)), shown
        if called_name(node.left) in _CURVES and len(node.left.args) == 1 and isinstance(node.right, ast.Constant):  # type: ignore[attr-defined]
            yield (lambda n: ast.Call(n.left.func, [ast.BinOp(n.left.args[0], n.op, n.right)], n.left.keywords)), shown
        if isinstance(node.op, ast.Mult | ast.Div) and isinstance(node.right, ast.Constant):
            for side in _sides_of_sum(node.left):
                yield side, shown
        if isinstance(node.op, ast.Add | ast.Sub):
            yield from _what_is_divided(node)
            inner, outer = node.left, getattr(node.left, "op", None)
            if isinstance(inner, ast.BinOp) and isinstance(outer, ast.Add | ast.Sub):
                top, rest = _after_division(ast.BinOp(inner.right, node.op, node.right))
                if rest is not None:  # `1 - a / b + c`
                    yield as_part(ast.BinOp(inner.left, outer, ast.BinOp(top, ast.Div(), rest))), shown
    elif called_name(node) in _CURVES and len(node.args) == 1 and isinstance(node.args[0], ast.BinOp):
        yield (
            (lambda n: ast.BinOp(ast.Call(n.func, [n.args[0].left], n.keywords), n.args[0].op, n.args[0].right)),
            shown,
        )
    elif isinstance(node, ast.IfExp):
        words = f"`{ast.unparse(node)}`: without parentheses `... if ... else ...` reaches over the whole of it"
        if isinstance(node.body, ast.BinOp):
            yield (lambda n: ast.BinOp(n.body.left, n.body.op, ast.IfExp(n.test, n.body.right, n.orelse))), words
        if isinstance(node.orelse, ast.BinOp):
            yield (lambda n: ast.BinOp(ast.IfExp(n.test, n.body, n.orelse.left), n.orelse.op, n.orelse.right)), words


def _after_division(node: ast.BinOp) -> tuple[ast.AST, Any]:
    """``top / a + b - c`` or ``top / a * b``, taken as ``top / (a + b - c)``; None where it is neither."""
    same = (ast.Add, ast.Sub) if isinstance(node.op, ast.Add | ast.Sub) else (ast.Mult,)
    if not isinstance(node.op, same):
        return node, None
    if isinstance(node.left, ast.BinOp) and isinstance(node.left.op, ast.Div):
        return node.left.left, ast.BinOp(node.left.right, node.op, node.right)
    if isinstance(node.left, ast.BinOp):
        top, rest = _after_division(node.left)
        if rest is not None:
            return top, ast.BinOp(rest, node.op, node.right)
    return node, None


def _sides_of_sum(total: Any) -> Iterator[Change]:
    """``(a + b) / 2``, taken as ``a + b / 2`` or ``a / 2 + b``."""
    if isinstance(total, ast.BinOp) and isinstance(total.op, ast.Add | ast.Sub):
        yield lambda n: ast.BinOp(n.left.left, n.left.op, ast.BinOp(n.left.right, n.op, n.right))
        yield lambda n: ast.BinOp(ast.BinOp(n.left.left, n.op, n.right), n.left.op, n.left.right)


def _is_product_of_sum(node: Any) -> bool:
    return (
        isinstance(node, ast.BinOp)
        and isinstance(node.op, ast.Mult | ast.Div)
        and isinstance(node.left, ast.BinOp)
        and isinstance(node.left.op, ast.Add | ast.Sub)
    )


def _second_alone(node: Any) -> ast.BinOp:
    """``(a + b) * c`` taken as ``a + b * c``."""
    return ast.BinOp(node.left.left, node.left.op, ast.BinOp(node.left.right, node.op, node.right))


def _what_is_divided(node: ast.BinOp) -> Iterator[tuple[Change, str]]:
    """``a - b / 2`` taken as ``a / 2 - b``, and the other way around."""
    for inner, outer in ((node.right, node.left), (node.left, node.right)):
        if isinstance(inner, ast.BinOp) and isinstance(inner.right, ast.Constant):
            moved = ast.BinOp(outer, inner.op, inner.right)
            both = (moved, inner.left) if inner is node.right else (inner.left, moved)
            words = f"what the {ast.unparse(inner.right)} belongs to in `{ast.unparse(node)}`"
            yield as_part(ast.BinOp(both[0], node.op, both[1])), words


def _statement_lists(body: ast.AST) -> Iterator[tuple[ast.AST, str, list[ast.stmt]]]:
    for holder in ast.walk(body):
        for field, value in ast.iter_fields(holder):
            if isinstance(value, list) and value and isinstance(value[0], ast.stmt):
                yield holder, field, value


def _moved_lines(body: ast.FunctionDef) -> Iterator[Edit]:
    """A line moved out of a loop or into it, two questions exchanged, a guard left out, break for continue."""
    for holder, field, lines in list(_statement_lists(body)):
        for i, line in enumerate(lines):
            if isinstance(line, ast.For | ast.While):
                yield from _around_loop(holder, field, lines, i)
            after = lines[i + 1] if i + 1 < len(lines) else None
            if isinstance(line, ast.If) and isinstance(after, ast.If):
                swapped = [*lines[:i], after, line, *lines[i + 2 :]]
                yield _lists([(holder, field, swapped)], after, "the order of this question and the one before it")
            if isinstance(line, ast.If) and len(line.orelse) == 1 and isinstance(line.orelse[0], ast.If):
                second = line.orelse[0]
                slots: list[Slot] = [(line, "test", None), (second, "test", None)]
                pairs: list[tuple[Any, Any]] = [(line.test, second.test), (second.test, line.test)]
                bodies: list[Slot] = [(line, "body", None), (second, "body", None)]
                pairs += [(line.body, second.body), (second.body, line.body)]
                yield ([*slots, *bodies], _exchange(pairs), second, "the order of this question and the one before it")
            if isinstance(line, ast.If) and not line.orelse and len(lines) > 1:
                left = [*lines[:i], *lines[i + 1 :]]
                yield _lists([(holder, field, left)], line, "whether this question is needed, and what it catches")
            if isinstance(line, ast.Break | ast.Continue):
                other = ast.Continue() if isinstance(line, ast.Break) else ast.Break()
                words = "`break` and `continue`: end the loop, or go on with the next one"
                yield _lists([(holder, field, [*lines[:i], other, *lines[i + 1 :]])], line, words)


def _around_loop(holder: ast.AST, field: str, lines: list[ast.stmt], i: int) -> Iterator[Edit]:
    loop: Any = lines[i]
    last, first = loop.body[-1], loop.body[0]
    in_loop = "where it stands: inside the loop it is done in every turn"
    if len(loop.body) > 1:
        words = "where it stands: inside the loop it ends the function in the first turn"
        moved = [*lines[: i + 1], last, *lines[i + 1 :]]
        yield _lists(
            [(holder, field, moved), (loop, "body", loop.body[:-1])],
            last,
            words if isinstance(last, ast.Return) else in_loop,
        )
        if isinstance(first, ast.Assign):
            moved = [*lines[:i], first, *lines[i:]]
            yield _lists([(holder, field, moved), (loop, "body", loop.body[1:])], first, in_loop)
    behind = lines[i + 1] if i + 1 < len(lines) - 1 else None
    outside = "where it stands: outside of the loop it is done once"
    if behind is not None and not isinstance(behind, ast.Return):
        left = [*lines[: i + 1], *lines[i + 2 :]]
        yield _lists([(holder, field, left), (loop, "body", [*loop.body, behind])], behind, outside)
    if i and isinstance(lines[i - 1], ast.Assign):
        left = [*lines[: i - 1], *lines[i:]]
        for inner in [one for one in ast.walk(loop) if isinstance(one, ast.For | ast.While)]:
            yield _lists([(holder, field, left), (inner, "body", [lines[i - 1], *inner.body])], lines[i - 1], outside)


def _lists(places: list[tuple[ast.AST, str, list[ast.stmt]]], shown: ast.AST, words: str) -> Edit:
    """New lists of statements in the place of old ones."""
    pairs = [(getattr(holder, field), new) for holder, field, new in places]
    return [(holder, field, None) for holder, field, _ in places], _exchange(pairs), shown, words


def _exchange(pairs: list[tuple[Any, Any]]) -> Change:
    return lambda old: next(new for one, new in pairs if one is old)


def _pitfalls(node: Any) -> Iterator[tuple[Change, str]]:
    """What Python and NumPy read otherwise than it looks."""
    if isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Slice) and isinstance(node.ctx, ast.Load):
        lower = node.slice.lower
        if isinstance(lower, ast.UnaryOp) and isinstance(lower.op, ast.USub) and isinstance(lower.operand, ast.Name):
            count = ast.Call(ast.Name("len", ast.Load()), [node.value], [])
            begin = ast.BinOp(count, ast.Sub(), lower.operand)
            held = ast.Call(ast.Name("max", ast.Load()), [ast.Constant(0), begin], [])
            words = f"`[{ast.unparse(node.slice)}]`: where {lower.operand.id} is 0 it takes all, since -0 is 0"
            yield (lambda n: ast.Subscript(n.value, ast.Slice(held, n.slice.upper, n.slice.step), n.ctx)), words
    asks = isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and not node.args
    if asks and node.func.attr in ("any", "all"):
        size = ast.Attribute(node.func.value, "size", ast.Load())
        words = f"`{ast.unparse(node)}`: it asks whether values are other than 0, not whether there are any"
        yield (lambda n: ast.Compare(size, [ast.Gt()], [ast.Constant(0)])), words
    if isinstance(node, ast.Call) and called_name(node) in ("zeros_like", "ones_like", "empty_like", "full_like"):
        words = (
            f"`{ast.unparse(node)}`: it has the type of the input, and bytes or whole numbers cannot hold the result"
        )
        dtype = ast.keyword("dtype", ast.Name("float", ast.Load()))
        yield (lambda n: ast.Call(n.func, n.args, [k for k in n.keywords if k.arg != "dtype"] + [dtype])), words
    if isinstance(node, ast.Name) and node.id == "int" and isinstance(node.ctx, ast.Load):
        yield (lambda n: ast.Name("float", ast.Load())), "`int`: fractions are cut off there"


def _first_values(body: ast.AST) -> Iterator[Edit]:
    """A 0 with which a search begins, or that marks what was used."""
    for line in ast.walk(body):
        if isinstance(line, ast.Assign) and isinstance(line.value, ast.Constant) and line.value.value == 0:
            for other, side in (("-inf", "below"), ("inf", "above")):
                number = ast.Call(ast.Name("float", ast.Load()), [ast.Constant(other)], [])
                yield [(line, "value", None)], as_part(number), line, f"the number 0: other values may lie {side} it"


def _comparisons(slots: list[Slot], at_limit: bool) -> Iterator[Edit]:
    """Each sign of ``a <= b < c``: with its limit in or out, or any other."""
    for slot in slots:
        node: Any = get(slot)
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            for i, sign in enumerate(node.ops):
                shown = f"the comparison `{ast.unparse(ast.Compare(sides[i], [sign], [sides[i + 1]]))}`"
                for one in _COMPARISONS if isinstance(sign, _COMPARISONS) else ():
                    if not isinstance(sign, one) and at_limit == (_AT_LIMIT[type(sign)] is one):
                        changed = ast.Compare(node.left, [*node.ops[:i], one(), *node.ops[i + 1 :]], node.comparators)
                        yield [slot], as_part(changed), node, shown


def _one_sign(slots: list[Slot]) -> Iterator[Edit]:
    """And/or, an operator."""
    for slot in slots:
        node: Any = get(slot)
        if isinstance(node, ast.BoolOp):
            other = ast.And if isinstance(node.op, ast.Or) else ast.Or
            yield [slot], as_part(ast.BoolOp(other(), node.values)), node, "`and` and `or`"
        elif isinstance(node, ast.BinOp):
            left = node.left
            if isinstance(node.op, ast.Add) and isinstance(left, ast.BinOp) and isinstance(left.op, ast.Add):
                product = ast.BinOp(left.left, ast.Add(), ast.BinOp(left.right, ast.Mult(), node.right))
                words = f"the operator between `{ast.unparse(left.right)}` and `{ast.unparse(node.right)}`"
                yield [slot], as_part(product), node, words
            shown = f"the operator between `{ast.unparse(node.left)}` and `{ast.unparse(node.right)}`"
            for operator in _OTHER_OPERATORS.get(type(node.op), ()):
                yield [slot], as_part(ast.BinOp(node.left, operator(), node.right)), node, shown


def _exchanged_functions(slots: list[Slot]) -> Iterator[Edit]:
    """Min for max and the like: in one call, in all calls of one line, in all of the function."""
    calls: list[Any] = [get(slot) for slot in slots if called_name(get(slot)) in _OPPOSITES]
    lines = sorted({call.lineno for call in calls})
    groups = [[call] for call in calls]
    groups += [[call for call in calls if call.lineno == line] for line in lines]
    # A limit such as max(0, ...) may be right where the others are not.
    free = [call for call in calls if not any(isinstance(one, ast.Constant) for one in call.args)]
    groups += [calls] if len(lines) > 1 else []
    if len(free) < len(calls):
        groups += [[call for call in free if call.lineno == line] for line in lines] + [free]
    for group in filter(None, groups):
        names = sorted({called_name(call) for call in group})
        words = f"the function {names[0]}" if len(group) == 1 else f"what is {' and what is '.join(names)} there"
        yield [(call, "func", None) for call in group], _opposite, group[0], words


def _opposite(called: Any) -> ast.expr:
    if isinstance(called, ast.Name):
        return ast.Name(_OPPOSITES[called.id], ast.Load())
    return ast.Attribute(called.value, _OPPOSITES[called.attr], ast.Load())


def _ones_left_out(body: ast.AST) -> Iterator[Edit]:
    """All ``+ 1`` or all ``- 1`` of one line left out."""
    for _, _, lines in list(_statement_lists(body)):
        for line in lines:
            for operator, sign in ((ast.Sub, "-"), (ast.Add, "+")):
                found = [
                    slot
                    for slot in slots_of(line)
                    if isinstance(get(slot), ast.BinOp)
                    and isinstance(get(slot).op, operator)  # type: ignore[attr-defined]
                    and isinstance(get(slot).right, ast.Constant)  # type: ignore[attr-defined]
                    and get(slot).right.value == 1  # type: ignore[attr-defined]
                ]
                if len(found) > 1:
                    yield found, (lambda n: n.left), get(found[0]), f"what the {sign} 1 does there"


def _places_in_loops(body: ast.AST) -> Iterator[Edit]:
    """A fixed place in a loop where its own counter is meant."""
    for loop in ast.walk(body):
        if isinstance(loop, ast.For) and isinstance(loop.target, ast.Name):
            counter = loop.target.id
            fixed = [
                slot
                for line in loop.body
                for slot in slots_of(line)
                if isinstance(slot[0], ast.Subscript) and slot[1] == "slice" and isinstance(get(slot), ast.Constant)
            ]
            change = as_part(ast.Name(counter, ast.Load()))
            for group in ([fixed] if len(fixed) > 1 else []) + [[slot] for slot in fixed]:
                words = f"the place `[{ast.unparse(get(group[0]))}]`: the loop counts with {counter}"
                yield group, change, get(group[0]), words
