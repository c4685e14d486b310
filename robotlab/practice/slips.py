"""Recognize single slips in a learner's source: the one change that makes it right.

Parentheses, a comparison, a line inside a loop that belongs behind it, two questions in the wrong order, min
for max.  Such a change is hardly ever right by chance, so these are tried before anything is guessed from the
results (:mod:`robotlab.practice.patterns`) and before the many small changes of
:mod:`robotlab.practice.source_edits`, which may fit by chance.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from typing import Any

from robotlab.practice.source_changes import Changes, call_of, called_name, is_binary, name_of, regrouped, renamed
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
    >>> next(slips(body))[0][2]
    'the parentheses in `v ** 2 / 2 * a`'
    """
    slots = [slot for slot in slots_of(body) if not isinstance(slot[0], ast.arguments)]
    yield from ((edit, True) for edit in _comparisons(slots, at_limit=True))
    for slot in slots:
        for new, words in _parentheses(get(slot)):
            yield ([(slot, new)], get(slot), words), False
    sums = [slot for slot in slots if _is_product_of_sum(get(slot))]
    for line in sorted({get(slot).lineno for slot in sums}):
        group = [slot for slot in sums if get(slot).lineno == line]
        if len(group) > 1:
            first = get(group[0])
            second_alone = [(slot, next(regrouped(get(slot)))) for slot in group]
            yield (second_alone, first, f"the parentheses in `{ast.unparse(first)}` and its like"), False
    yield from ((edit, True) for edit in _moved_lines(body))
    for slot in slots:
        for new, words in _pitfalls(get(slot)):
            yield ([(slot, new)], get(slot), words), True
    yield from ((edit, True) for edit in _comparisons(slots, at_limit=False))
    for edit in _one_sign(slots):
        yield edit, not isinstance(getattr(edit[1], "op", None), ast.Add | ast.Sub)
    yield from ((edit, True) for edit in _exchanged_functions(slots))
    yield from ((edit, True) for edit in _ones_left_out(body))
    yield from ((edit, False) for edit in _places_in_loops(body))
    yield from ((edit, False) for edit in _first_values(body))


def _parentheses(node: Any) -> Changes:
    shown = f"the parentheses in `{ast.unparse(node)}`"
    if isinstance(node, ast.BinOp):
        top, rest = _after_division(node)
        if rest is not None:
            yield ast.BinOp(top, ast.Div(), rest), shown
        for changed in regrouped(node):
            yield changed, shown
        inner: Any = node.left
        if called_name(inner) in _CURVES and len(inner.args) == 1 and isinstance(node.right, ast.Constant):
            yield ast.Call(inner.func, [ast.BinOp(inner.args[0], node.op, node.right)], inner.keywords), shown
        if _is_product_of_sum(node) and isinstance(node.right, ast.Constant):
            # `(a + b) / 2`, taken as `a + b / 2` or `a / 2 + b`.
            yield next(regrouped(node)), shown
            yield ast.BinOp(ast.BinOp(inner.left, node.op, node.right), inner.op, inner.right), shown
        if isinstance(node.op, ast.Add | ast.Sub):
            yield from _what_is_divided(node)
            if is_binary(inner, ast.Add, ast.Sub):
                top, rest = _after_division(ast.BinOp(inner.right, node.op, node.right))
                if rest is not None:  # `1 - a / b + c`
                    yield ast.BinOp(inner.left, inner.op, ast.BinOp(top, ast.Div(), rest)), shown
    elif called_name(node) in _CURVES and len(node.args) == 1 and isinstance(node.args[0], ast.BinOp):
        inside = node.args[0]
        yield ast.BinOp(ast.Call(node.func, [inside.left], node.keywords), inside.op, inside.right), shown
    elif isinstance(node, ast.IfExp):
        words = f"`{ast.unparse(node)}`: without parentheses `... if ... else ...` reaches over the whole of it"
        test, body, other = node.test, node.body, node.orelse
        if isinstance(body, ast.BinOp):
            yield ast.BinOp(body.left, body.op, ast.IfExp(test, body.right, other)), words
        if isinstance(other, ast.BinOp):
            yield ast.BinOp(ast.IfExp(test, body, other.left), other.op, other.right), words


def _after_division(node: ast.BinOp) -> tuple[ast.expr, Any]:
    """``top / a + b - c`` or ``top / a * b``, taken as ``top / (a + b - c)``; None where it is neither."""
    same = (ast.Add, ast.Sub) if is_binary(node, ast.Add, ast.Sub) else (ast.Mult,)
    if not is_binary(node, *same):
        return node, None
    if is_binary(node.left, ast.Div):
        return node.left.left, ast.BinOp(node.left.right, node.op, node.right)
    if isinstance(node.left, ast.BinOp):
        top, rest = _after_division(node.left)
        if rest is not None:
            return top, ast.BinOp(rest, node.op, node.right)
    return node, None


def _is_product_of_sum(node: Any) -> bool:
    return is_binary(node, ast.Mult, ast.Div) and is_binary(node.left, ast.Add, ast.Sub)


def _what_is_divided(node: ast.BinOp) -> Changes:
    """``a - b / 2`` taken as ``a / 2 - b``, and the other way around."""
    for inner, outer in ((node.right, node.left), (node.left, node.right)):
        if isinstance(inner, ast.BinOp) and isinstance(inner.right, ast.Constant):
            moved = ast.BinOp(outer, inner.op, inner.right)
            both = (moved, inner.left) if inner is node.right else (inner.left, moved)
            words = f"what the {ast.unparse(inner.right)} belongs to in `{ast.unparse(node)}`"
            yield ast.BinOp(both[0], node.op, both[1]), words


def _statement_lists(body: ast.AST) -> Iterator[tuple[Slot, list[ast.stmt]]]:
    for holder in ast.walk(body):
        for field, value in ast.iter_fields(holder):
            if isinstance(value, list) and value and isinstance(value[0], ast.stmt):
                yield (holder, field, None), value


def _moved_lines(body: ast.FunctionDef) -> Iterator[Edit]:
    """A line moved out of a loop or into it, two questions exchanged, a guard left out, break for continue."""
    order = "the order of this question and the one before it"
    for slot, lines in list(_statement_lists(body)):
        for i, line in enumerate(lines):
            before, after = lines[:i], lines[i + 1 :]
            if isinstance(line, ast.For | ast.While):
                yield from _around_loop(slot, lines, i)
            if isinstance(line, ast.If) and after and isinstance(after[0], ast.If):
                yield [(slot, [*before, after[0], line, *after[1:]])], after[0], order
            if isinstance(line, ast.If) and len(line.orelse) == 1 and isinstance(line.orelse[0], ast.If):
                second = line.orelse[0]
                pairs = ((line, second), (second, line))
                exchanged: list[tuple[Slot, Any]] = [((one, "test", None), other.test) for one, other in pairs]
                exchanged += [((one, "body", None), other.body) for one, other in pairs]
                yield exchanged, second, order
            if isinstance(line, ast.If) and not line.orelse and len(lines) > 1:
                yield [(slot, before + after)], line, "whether this question is needed, and what it catches"
            if isinstance(line, ast.Break | ast.Continue):
                other = ast.Continue() if isinstance(line, ast.Break) else ast.Break()
                words = "`break` and `continue`: end the loop, or go on with the next one"
                yield [(slot, [*before, other, *after])], line, words


def _around_loop(slot: Slot, lines: list[ast.stmt], i: int) -> Iterator[Edit]:
    loop: Any = lines[i]
    before, after, inside = lines[:i], lines[i + 1 :], (loop, "body", None)
    first, last = loop.body[0], loop.body[-1]
    in_loop = "where it stands: inside the loop it is done in every turn"
    if len(loop.body) > 1:
        ends = "where it stands: inside the loop it ends the function in the first turn"
        moved = [(slot, [*before, loop, last, *after]), (inside, loop.body[:-1])]
        yield moved, last, ends if isinstance(last, ast.Return) else in_loop
        if isinstance(first, ast.Assign):
            yield [(slot, [*before, first, loop, *after]), (inside, loop.body[1:])], first, in_loop
    outside = "where it stands: outside of the loop it is done once"
    if len(after) > 1 and not isinstance(after[0], ast.Return):
        yield [(slot, [*before, loop, *after[1:]]), (inside, [*loop.body, after[0]])], after[0], outside
    if before and isinstance(before[-1], ast.Assign):
        for inner in [one for one in ast.walk(loop) if isinstance(one, ast.For | ast.While)]:
            moved = [(slot, [*before[:-1], loop, *after]), ((inner, "body", None), [before[-1], *inner.body])]
            yield moved, before[-1], outside


def _pitfalls(node: Any) -> Changes:
    """What Python and NumPy read otherwise than it looks."""
    if isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Slice) and isinstance(node.ctx, ast.Load):
        lower = node.slice.lower
        if isinstance(lower, ast.UnaryOp) and isinstance(lower.op, ast.USub) and isinstance(lower.operand, ast.Name):
            begin = ast.BinOp(call_of("len", node.value), ast.Sub(), lower.operand)
            held = ast.Slice(call_of("max", ast.Constant(0), begin), node.slice.upper, node.slice.step)
            words = f"`[{ast.unparse(node.slice)}]`: where {lower.operand.id} is 0 it takes all, since -0 is 0"
            yield ast.Subscript(node.value, held, node.ctx), words
    asks = isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and not node.args
    if asks and node.func.attr in ("any", "all"):
        size = ast.Attribute(node.func.value, "size", ast.Load())
        words = f"`{ast.unparse(node)}`: it asks whether values are other than 0, not whether there are any"
        yield ast.Compare(size, [ast.Gt()], [ast.Constant(0)]), words
    if called_name(node) in ("zeros_like", "ones_like", "empty_like", "full_like"):
        words = (
            f"`{ast.unparse(node)}`: it has the type of the input, and bytes or whole numbers cannot hold the result"
        )
        others = [keyword for keyword in node.keywords if keyword.arg != "dtype"]
        yield ast.Call(node.func, node.args, [*others, ast.keyword("dtype", name_of("float"))]), words
    if isinstance(node, ast.Name) and node.id == "int" and isinstance(node.ctx, ast.Load):
        yield name_of("float"), "`int`: fractions are cut off there"


def _first_values(body: ast.AST) -> Iterator[Edit]:
    """A 0 with which a search begins, or that marks what was used."""
    for line in ast.walk(body):
        if isinstance(line, ast.Assign) and isinstance(line.value, ast.Constant) and line.value.value == 0:
            for other, side in (("-inf", "below"), ("inf", "above")):
                number = call_of("float", ast.Constant(other))
                yield [((line, "value", None), number)], line, f"the number 0: other values may lie {side} it"


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
                        yield [(slot, changed)], node, shown


def _one_sign(slots: list[Slot]) -> Iterator[Edit]:
    """And/or, an operator."""
    for slot in slots:
        node: Any = get(slot)
        if isinstance(node, ast.BoolOp):
            other = ast.And if isinstance(node.op, ast.Or) else ast.Or
            yield [(slot, ast.BoolOp(other(), node.values))], node, "`and` and `or`"
        elif isinstance(node, ast.BinOp):
            left = node.left
            if is_binary(node, ast.Add) and is_binary(left, ast.Add):
                product = ast.BinOp(left.left, ast.Add(), ast.BinOp(left.right, ast.Mult(), node.right))
                words = f"the operator between `{ast.unparse(left.right)}` and `{ast.unparse(node.right)}`"
                yield [(slot, product)], node, words
            shown = f"the operator between `{ast.unparse(left)}` and `{ast.unparse(node.right)}`"
            for operator in _OTHER_OPERATORS.get(type(node.op), ()):
                yield [(slot, ast.BinOp(left, operator(), node.right))], node, shown


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
        opposites = [(call, renamed(call, _OPPOSITES[called_name(call)])) for call in group]
        yield [((call, "func", None), other.func) for call, other in opposites], group[0], words


def _ones_left_out(body: ast.AST) -> Iterator[Edit]:
    """All ``+ 1`` or all ``- 1`` of one line left out."""
    for _, lines in list(_statement_lists(body)):
        for line in lines:
            for operator, sign in ((ast.Sub, "-"), (ast.Add, "+")):
                pairs = [(slot, get(slot)) for slot in slots_of(line)]
                found = [
                    (slot, node.left)
                    for slot, node in pairs
                    if is_binary(node, operator) and isinstance(node.right, ast.Constant) and node.right.value == 1
                ]
                if len(found) > 1:
                    yield found, get(found[0][0]), f"what the {sign} 1 does there"


def _places_in_loops(body: ast.AST) -> Iterator[Edit]:
    """A fixed place in a loop where its own counter is meant."""
    for loop in ast.walk(body):
        if isinstance(loop, ast.For) and isinstance(loop.target, ast.Name):
            counter = loop.target.id
            places = [slot for line in loop.body for slot in slots_of(line) if isinstance(slot[0], ast.Subscript)]
            fixed = [slot for slot in places if slot[1] == "slice" and isinstance(get(slot), ast.Constant)]
            for group in ([fixed] if len(fixed) > 1 else []) + [[slot] for slot in fixed]:
                words = f"the place `[{ast.unparse(get(group[0]))}]`: the loop counts with {counter}"
                yield [(slot, name_of(counter)) for slot in group], get(group[0]), words
