"""Locate a mistake: find the one small change of the source that would make the answer right.

The learner's source is changed in one place at a time, as learners fix it: another operator or
comparison, parentheses, another name, number or function, a part left out or missing, a sign.  If a
changed function is right in every case, the verdict says which line and what kind of thing to read
again; it never says what to write.  If it then gives what a known mistake gives, there are two.

Only plain computing is tried (:mod:`robotlab.practice.plain_source`), and the search ends after a
count of changes and of loop turns, so that a busy machine gives the same verdict.
"""

from __future__ import annotations

import ast
import itertools
from collections.abc import Callable, Collection, Iterable, Sequence
from types import FunctionType
from typing import Any

import numpy as np

from robotlab.practice.comparing import agree, as_numbers, compare
from robotlab.practice.plain_source import Steps, counted, parsed, plain_names
from robotlab.practice.running import Outcome, outcome_of, run_cases
from robotlab.practice.slips import slips
from robotlab.practice.source_edits import Edit, edits, get, put
from robotlab.practice.task import Task

# Changes and loop turns for one answer: a verdict must not keep the learner waiting.
MOST_CHANGES = 5000
MOST_SLIPS = 400
MOST_TURNS = 200_000
# Only for a call into compiled code that does not come back.
_BACKSTOP_S = 20.0

# Changes that say so much by themselves that what is then left may be a second mistake.
_SURE = ("the operator", "the parentheses", "whether", "the number", "the size")
_EDGES_LEFT = "After that, an input at the border still fails, such as an empty or an equal one."

# What the learner's results would be with a known mistake: its sentence, a result for each case, and whether it is
# common to all tasks.
Known = tuple[str, Sequence[Any], bool]


def one_edit(
    task: Task,
    function: Callable,
    cases: Sequence[tuple],
    right: Sequence[Any],
    known: Sequence[Known] = (),
    edges: Collection[int] = (),
    undefined: bool = False,
) -> tuple[str, str] | None:
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
    known : sequence of (str, sequence, bool)
        Sentences of known mistakes, what they give, and whether they are common to all tasks; None in a case that
        does not count.
    edges : collection of int
        Which of the cases may still fail: then there are two things to fix.
    undefined : bool
        Whether the first result is not a number.

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
    found = parsed(function)
    if found is None:
        return None
    search = _Search(task, cases, right, known, edges)
    search.undefined = undefined
    outcome = run_cases(lambda: search.run(*found, function), [()], _BACKSTOP_S)[0]
    return outcome.value if outcome.kind == "value" else None


def one_slip(
    task: Task, function: Callable, cases: Sequence[tuple], right: Sequence[Any]
) -> tuple[str, str, bool] | None:
    """A slip of the pen that makes the whole difference, if there is one.

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
    tuple of (str, str, bool) or None
        A name, a sentence, and whether it says more than a known mistake (:func:`robotlab.practice.slips.slips`).

    Examples
    --------
    >>> from robotlab.practice import task_named
    >>> task = task_named("field_of_view")
    >>> one_slip(task, len, task.cases(), []) is None
    True
    """
    found = parsed(function)
    if found is None:
        return None
    search = _Search(task, cases, right, (), ())
    outcome = run_cases(lambda: search.slip(*found, function), [()], _BACKSTOP_S)[0]
    return outcome.value if outcome.kind == "value" else None


class _Search:
    def __init__(
        self, task: Task, cases: Sequence[tuple], right: Sequence[Any], known: Sequence[Known], edges: Collection[int]
    ) -> None:
        self.task, self.cases, self.right, self.known, self.edges = task, cases, right, known, edges
        self.steps, self.undefined = Steps(MOST_TURNS), False
        self.prints = np.array([_print_of(results[0]) for _, results, _ in known] or [np.nan])

    def run(self, tree: ast.Module, source: str, function: FunctionType) -> tuple[str, str] | None:
        body = tree.body[0]
        assert isinstance(body, ast.FunctionDef)
        names = plain_names(tree, function, self.steps)
        if names is None:
            return None
        loops, lines, two, nearly = counted(tree), source.splitlines(), None, None
        for edit in itertools.islice(edits(body, self.task), MOST_CHANGES):
            if self.steps.used_up:
                break
            _, _, node, words = edit
            if self.undefined and words.startswith("how "):
                continue  # max(0, NaN) is 0, by chance of the order.
            changed = self._changed(tree, loops, names, edit)
            squared = isinstance(node, ast.BinOp) and ast.dump(node.left) == ast.dump(node.right)
            may_be_one_of_two = two is None and words.startswith(_SURE) and not squared
            # Some number or other gives many a mistake of the task.
            axis = any(isinstance(holder, ast.keyword) and holder.arg == "axis" for holder, _, _ in edit[0])
            common_alone = words.startswith(("the number", "whether")) and not axis
            fits = self._fits(changed, may_be_one_of_two, common_alone) if changed else None
            if fits is None:
                continue
            place = _place(lines, node, words)
            if not fits:
                return "one thing in one line", f"All but one thing is right. {place}"
            if fits == _EDGES_LEFT:
                nearly = nearly or ("one thing, and an edge", f"{place} {fits}")
            else:
                two = "two things", f"Two things at once. {place} When that is fixed, look at this: {fits}"
        return nearly or two

    def slip(self, tree: ast.Module, source: str, function: FunctionType) -> tuple[str, str, bool] | None:
        body = tree.body[0]
        assert isinstance(body, ast.FunctionDef)
        names = plain_names(tree, function, self.steps)
        if names is None:
            return None
        loops, lines = counted(tree), source.splitlines()
        for edit, adds in itertools.islice(slips(body), MOST_SLIPS):
            if self.steps.used_up:
                break
            changed = self._changed(tree, loops, names, edit)
            if changed and self._fits(changed, False) == "":
                return "one thing in one line", _place(lines, edit[2], edit[3]), adds
        return None

    @staticmethod
    def _changed(tree: ast.Module, loops: Iterable, names: dict[str, Any], edit: Edit) -> Callable | None:
        slots, change, _, _ = edit
        old = [get(slot) for slot in slots]
        for slot, one in zip(slots, old):
            put(slot, change(one))
        try:
            return None if _holds_itself(tree) else _function(tree, loops, names, tree.body[0].name)  # type: ignore[attr-defined]
        finally:
            for slot, one in zip(slots, old):
                put(slot, one)

    def _fits(self, changed: Callable, also_known: bool, common_alone: bool = False) -> str | None:
        """Nothing for a right function, the sentence for one that makes a known mistake, None for any other."""
        first = self._call(changed, 0)
        if first.kind != "value" or first.changed:
            return None
        if self._is_right(first, 0):
            left = ""
            for i in range(1, len(self.cases)):
                if not self._is_right(self._call(changed, i), i):
                    if i not in self.edges:
                        return None
                    left = _EDGES_LEFT
            return left
        if not also_known:
            return None
        near = np.isclose(self.prints, _print_of(first.value), rtol=1e-5, atol=1e-9)
        for (says, results, common), close in zip(self.known, near):
            if (
                close
                and (common or not common_alone)
                and all(
                    result is None or _agree(self.task, result, self._call(changed, i))
                    for i, result in enumerate(results)
                )
            ):
                return says
        return None

    def _call(self, changed: Callable, place: int) -> Outcome:
        self.steps.in_this_call = 0
        return outcome_of(changed, self.cases[place])

    def _is_right(self, outcome: Outcome, place: int) -> bool:
        try:
            return outcome.kind == "value" and not compare(
                self.right[place], outcome.value, self.task.rtol, self.task.atol
            )
        except Exception:  # A learner's object may do anything when it is compared.
            return False


def _place(lines: Sequence[str], node: ast.AST, words: str) -> str:
    line = getattr(node, "lineno", 1)
    return f"Read line {line} again, `{lines[line - 1].strip()}`: look at {words}" + (
        "" if words.endswith("?") else "."
    )


def _function(tree: ast.Module, loops: Iterable, names: dict[str, Any], name: str) -> Callable | None:
    plain = [(holder, field, getattr(holder, field)) for holder, field, _ in loops]
    for (holder, field, change), (_, _, old) in zip(loops, plain):
        setattr(holder, field, change(old))
    names = dict(names)
    try:
        exec(compile(ast.fix_missing_locations(tree), "<changed>", "exec"), names)
    except (SyntaxError, ValueError, TypeError):
        return None
    finally:
        for holder, field, old in plain:
            setattr(holder, field, old)
    return names[name]


def _holds_itself(tree: ast.AST) -> bool:
    """Whether a list is put into itself; NumPy takes ages to see that such a list is no array."""
    return any(
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in ("append", "extend", "insert")
        and ast.dump(node.func.value) in [ast.dump(one) for value in node.args for one in ast.walk(value)]
        for node in ast.walk(tree)
    )


def _agree(task: Task, result: Any, outcome: Outcome) -> bool:
    try:
        return outcome.kind == "value" and agree(result, outcome.value, task.rtol, task.atol)
    except Exception:  # As above.
        return False


def _print_of(result: Any) -> float:
    """A number by which results that differ are mostly told apart at once; NaN where there is none."""
    if isinstance(result, str):
        return float(sum(map(ord, result)))
    numbers = as_numbers(result)
    if numbers is None or numbers.dtype.kind not in "biuf":
        return float("nan")
    with np.errstate(all="ignore"):
        return float((np.ravel(numbers) * np.arange(1, numbers.size + 1)).sum())
