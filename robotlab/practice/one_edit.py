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
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from types import FunctionType
from typing import Any

import numpy as np

from robotlab.practice.comparing import as_numbers
from robotlab.practice.plain_source import Steps, counted, parsed, plain_names
from robotlab.practice.running import Outcome, outcome_of, run_cases
from robotlab.practice.slips import slips
from robotlab.practice.source_edits import Edit, edits, get, in_place
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
    return _searched(function, lambda *source: _Search(source, task, cases, right, known, edges).edit(undefined))


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
    return _searched(function, lambda *source: _Search(source, task, cases, right).slip())


def _searched(function: Callable, search: Callable[[ast.Module, str, Callable], Any]) -> Any:
    """What a search in the function's tree and source finds, if it comes back."""
    found = parsed(function)
    if found is None:
        return None
    outcome = run_cases(lambda: search(*found, function), [()], _BACKSTOP_S)[0]
    return outcome.value if outcome.kind == "value" else None


@dataclass
class _Search:
    """Changed copies of one function, tried on the cases."""

    source: tuple[ast.Module, str, FunctionType]
    task: Task
    cases: Sequence[tuple]
    right: Sequence[Any]
    known: Sequence[Known] = ()
    edges: Collection[int] = ()

    def __post_init__(self) -> None:
        self.tree, text, function = self.source
        self.body: Any = self.tree.body[0]
        self.lines, self.loops, self.steps = text.splitlines(), counted(self.tree), Steps(MOST_TURNS)
        self.names = plain_names(self.tree, function, self.steps)
        # Whether anything may be put into a list.
        self.grows = any(map(_grows, ast.walk(self.tree)))
        self.prints = np.array([_print_of(results[0]) for _, results, _ in self.known] or [np.nan])

    def edit(self, undefined: bool) -> tuple[str, str] | None:
        two, nearly = None, None
        for edit in self._until_used_up(edits(self.body, self.task), MOST_CHANGES):
            replaced, node, words = edit
            if undefined and words.startswith("how "):
                continue  # max(0, NaN) is 0, by chance of the order.
            squared = isinstance(node, ast.BinOp) and ast.dump(node.left) == ast.dump(node.right)
            may_be_one_of_two = two is None and words.startswith(_SURE) and not squared
            # Some number or other gives many a mistake of the task.
            axis = any(isinstance(holder, ast.keyword) and holder.arg == "axis" for (holder, _, _), _ in replaced)
            common_alone = words.startswith(("the number", "whether")) and not axis
            fits = self._fits(edit, may_be_one_of_two, common_alone)
            if fits is None:
                continue
            place = self._place(edit)
            if not fits:
                return "one thing in one line", f"All but one thing is right. {place}"
            if fits == _EDGES_LEFT:
                nearly = nearly or ("one thing, and an edge", f"{place} {fits}")
            else:
                two = "two things", f"Two things at once. {place} When that is fixed, look at this: {fits}"
        return nearly or two

    def slip(self) -> tuple[str, str, bool] | None:
        for edit, adds in self._until_used_up(slips(self.body), MOST_SLIPS):
            if self._fits(edit) == "":
                return "one thing in one line", self._place(edit), adds
        return None

    def _until_used_up(self, items: Iterator, most: int) -> Iterator:
        """The first of these, as long as turns are left; none where the function does more than compute."""
        if self.names is not None:
            yield from itertools.takewhile(lambda _: not self.steps.used_up, itertools.islice(items, most))

    def _changed(self, edit: Edit) -> Callable | None:
        """The function with a change and with counted loops; None where that is not a function."""
        with in_place(edit[0]):
            self._settle(new for _, new in edit[0])
            if self.grows and _holds_itself(self.tree):
                return None
            loops = [(slot, count(get(slot))) for slot, count in self.loops]
            self._settle(loop for _, loop in loops)
            with in_place(loops):
                names = dict(self.names or {})
                try:
                    exec(compile(self.tree, "<changed>", "exec"), names)
                except (SyntaxError, ValueError, TypeError):
                    return None
        return names[self.body.name]

    def _settle(self, put: Iterable[Any]) -> None:
        """Give new nodes a place in the source, which compiling asks for; those from the source have one, and all below them."""
        todo = [node for one in put for node in (one if isinstance(one, list) else [one]) if isinstance(node, ast.AST)]
        while todo:
            node = todo.pop()
            if not hasattr(node, "lineno"):
                self.grows = self.grows or _grows(node)
                if "lineno" in node._attributes:
                    node.lineno, node.col_offset, node.end_lineno, node.end_col_offset = 1, 0, 1, 0  # type: ignore[attr-defined]
                todo.extend(ast.iter_child_nodes(node))

    def _fits(self, edit: Edit, also_known: bool = False, common_alone: bool = False) -> str | None:
        """Nothing for a right function, the sentence for one that makes a known mistake, None for any other."""
        changed = self._changed(edit)
        if changed is None:
            return None
        first = self._call(changed, 0)
        if first.kind != "value" or first.changed:
            return None
        if self._is_right(first, 0):
            wrong = (i for i in range(1, len(self.cases)) if not self._is_right(self._call(changed, i), i))
            left = ""
            for i in wrong:
                if i not in self.edges:
                    return None
                left = _EDGES_LEFT
            return left
        if not also_known:
            return None
        near = np.isclose(self.prints, _print_of(first.value), rtol=1e-5, atol=1e-9)
        for (says, results, common), close in zip(self.known, near):
            if close and (common or not common_alone) and self._gives(changed, results):
                return says
        return None

    def _gives(self, changed: Callable, results: Sequence[Any]) -> bool:
        for i, result in enumerate(results):
            if result is not None:
                outcome = self._call(changed, i)
                if outcome.kind != "value" or not self.task.agree(result, outcome.value):
                    return False
        return True

    def _call(self, changed: Callable, place: int) -> Outcome:
        self.steps.in_this_call = 0
        return outcome_of(changed, self.cases[place])

    def _is_right(self, outcome: Outcome, place: int) -> bool:
        return outcome.kind == "value" and self.task.is_right(self.right[place], outcome.value)

    def _place(self, edit: Edit) -> str:
        _, node, words = edit
        line = getattr(node, "lineno", 1)
        end = "" if words.endswith("?") else "."
        return f"Read line {line} again, `{self.lines[line - 1].strip()}`: look at {words}{end}"


def _grows(node: ast.AST) -> bool:
    """Whether this puts something into a list."""
    return isinstance(node, ast.Attribute) and node.attr in ("append", "extend", "insert")


def _holds_itself(tree: ast.AST) -> bool:
    """Whether a list is put into itself; NumPy takes ages to see that such a list is not an array."""
    return any(
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and _grows(node.func)
        and ast.dump(node.func.value) in [ast.dump(one) for value in node.args for one in ast.walk(value)]
        for node in ast.walk(tree)
    )


def _print_of(result: Any) -> float:
    """A number by which results that differ are mostly told apart at once; NaN where there is none."""
    if isinstance(result, str):
        return float(sum(map(ord, result)))
    numbers = as_numbers(result)
    if numbers is None or numbers.dtype.kind not in "biuf":
        return float("nan")
    with np.errstate(all="ignore"):
        return float((np.ravel(numbers) * np.arange(1, numbers.size + 1)).sum())
