"""Program slicing: the statements of a notebook that the learner's functions need; plots and training are not run.

A statement is needed if it binds a name that a needed one uses, beginning with
the tasks' names.  Whatever could bind names unseen (``exec``, ``import *``) is
always run.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable
from dataclasses import dataclass

_UNSEEN = {"exec", "eval", "globals", "locals", "vars", "setattr", "__import__", "get_ipython", "sys"}


@dataclass(frozen=True)
class Statement:
    """One statement at the top level of a cell.

    Parameters
    ----------
    cell : int
        Place of its cell in the notebook.
    node : ast.stmt
        The statement.
    binds, uses : frozenset of str
        Names that it gives a value, and that it asks for.
    always : bool
        It may bind names unseen.
    """

    cell: int
    node: ast.stmt
    binds: frozenset[str]
    uses: frozenset[str]
    always: bool


def without_magics(source: str) -> str:
    """A cell without the lines that only a notebook understands; they become empty, so that line numbers stay.

    Parameters
    ----------
    source : str
        Text of a cell.

    Returns
    -------
    str
        Python.

    Examples
    --------
    >>> without_magics("%matplotlib inline\\nx = 1")
    '\\nx = 1'
    """
    if source.lstrip().startswith("%%"):
        return ""
    return "\n".join("" if line.lstrip().startswith(("%", "!", "?")) else line for line in source.split("\n"))


def statements_of(cell: int, source: str) -> list[Statement]:
    """The statements of a cell.

    Parameters
    ----------
    cell : int
        Its place in the notebook.
    source : str
        Its text.

    Returns
    -------
    list of Statement
        In their order.

    Raises
    ------
    SyntaxError
        If it is not Python.

    Examples
    --------
    >>> [sorted(one.binds) for one in statements_of(0, "import math\\ndef f(x): return math.pi * x")]
    [['math'], ['f']]
    """
    return [Statement(cell, node, *_names(node)) for node in ast.parse(without_magics(source)).body]


def _names(statement: ast.stmt) -> tuple[frozenset[str], frozenset[str], bool]:
    loads: set[str] = set()
    stores: set[str] = set()
    inner: set[str] = set()
    always = False
    for node in ast.walk(statement):
        if isinstance(node, ast.Name):
            (loads if isinstance(node.ctx, ast.Load) else stores).add(node.id)
        elif isinstance(node, ast.arg):
            stores.add(node.arg)
        elif isinstance(node, ast.alias):
            stores.add(node.asname or node.name.partition(".")[0])
            always |= node.name == "*"
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            stores.add(node.name)
        elif isinstance(node, ast.Global):
            inner |= set(node.names)
        elif isinstance(node, ast.ExceptHandler) and node.name:
            stores.add(node.name)
        # table["a"] = 1, table.size = 2 and table.append(3) change what a name holds.
        elif isinstance(node, ast.Subscript | ast.Attribute):
            base: ast.AST = node
            while isinstance(base, ast.Subscript | ast.Attribute):
                base = base.value
            called = isinstance(statement, ast.Expr) and isinstance(node, ast.Attribute)
            if isinstance(base, ast.Name) and (called or not isinstance(node.ctx, ast.Load)):
                inner.add(base.id)
    always |= bool(loads & _UNSEEN)
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        return frozenset({statement.name} | inner), frozenset(loads - stores | inner), always
    return frozenset(stores | inner), frozenset(loads), always


def needed(statements: Iterable[Statement], names: Iterable[str]) -> list[Statement]:
    """The statements that these names need, in their order.

    Parameters
    ----------
    statements : iterable of Statement
        All of a notebook.
    names : iterable of str
        Functions that will be called.

    Returns
    -------
    list of Statement
        Some of them.

    Examples
    --------
    >>> all_of_it = statements_of(0, "import math\\nprint('hi')\\ndef f(x): return math.pi * x")
    >>> [one.node.lineno for one in needed(all_of_it, ["f"])]
    [1, 3]
    """
    everything, wanted, chosen = list(statements), set(names), set()
    new = {k for k, one in enumerate(everything) if one.always}
    while True:
        chosen |= new
        wanted.update(*(everything[k].uses for k in new))
        new = {k for k, one in enumerate(everything) if k not in chosen and one.binds & wanted}
        if not new:
            return [everything[k] for k in sorted(chosen)]
