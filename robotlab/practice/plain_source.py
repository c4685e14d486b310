"""Check that a learner's function only computes, so that changed copies may be run; run them in counted steps.

Allowed is what cannot reach outside: arithmetic, loops, the harmless built-in functions, ``math``, NumPy and
SciPy without their doors to files, and the learner's own functions of the same kind.  Data from outside is
copied.  Loops are counted, so that a search ends after the same steps on every machine.
"""

from __future__ import annotations

import ast
import builtins
import copy
import inspect
import re
import textwrap
from collections.abc import Iterable, Iterator
from types import FunctionType, ModuleType
from typing import Any

import numpy as np

from robotlab.practice.source_changes import call_of

# Turns of loops in one call, and of one range() or array from outside.
STEPS_OF_A_CALL = 20_000
_MOST_VALUES = 100_000
_MODULES = ("math", "numpy", "scipy", "robotlab.boxes")
_STATEMENTS = (
    *(ast.FunctionDef, ast.Return, ast.Assign, ast.AugAssign, ast.AnnAssign, ast.For, ast.While, ast.If),
    *(ast.Expr, ast.Pass, ast.Break, ast.Continue, ast.Import, ast.ImportFrom),
)
_NO_EXPRESSIONS = (ast.Await, ast.Yield, ast.YieldFrom)
_BUILTINS = (
    *("abs", "all", "any", "bool", "dict", "divmod", "enumerate", "filter", "float", "int", "isinstance", "len"),
    *("list", "map", "max", "min", "pow", "print", "range", "reversed", "round", "set", "slice", "sorted", "str"),
    *("sum", "tuple", "zip"),
)
# Attributes that reach files, other programs or the state of a random generator.
_DOORS = re.compile(
    r"^_|load|save|open|file|memmap|genfromtxt|fromregex|DataSource|ctypes|f2py|test|show|write|read|dump|print|exec|"
    r"eval|system|remove|unlink|random|seed|^(lib|io|datasets|core|misc|info|source|setbufsize|seterr\w*)$"
)


class TooManySteps(Exception):
    """Raised in a changed function whose loops take too many turns."""


class Steps:
    """Counts the turns of loops.

    Parameters
    ----------
    total : int
        Turns allowed for all calls together.

    Examples
    --------
    >>> steps = Steps(3)
    >>> list(steps.count("abc"))
    ['a', 'b', 'c']
    >>> steps.used_up
    True
    """

    def __init__(self, total: int) -> None:
        self.total, self.in_this_call = total, 0

    @property
    def used_up(self) -> bool:
        """Whether none is left."""
        return self.total <= 0

    def turn(self) -> bool:
        """One turn.

        Returns
        -------
        bool
            Always true, so that it can stand in a condition.

        Raises
        ------
        TooManySteps
            If one call takes too many.

        Examples
        --------
        >>> Steps(1).turn()
        True
        """
        self.total, self.in_this_call = self.total - 1, self.in_this_call + 1
        if self.in_this_call > STEPS_OF_A_CALL:
            raise TooManySteps
        return True

    def count(self, items: Iterable) -> Iterator:
        """The items, one turn each.

        Parameters
        ----------
        items : iterable
            What a loop goes through.

        Yields
        ------
        object
            Each of them.

        Examples
        --------
        >>> list(Steps(9).count((1, 2)))
        [1, 2]
        """
        for one in items:
            self.turn()
            yield one


def parsed(function: object) -> tuple[ast.Module, str] | None:
    """Tree and source of a function, if it is one that was written with ``def`` and can be found.

    Parameters
    ----------
    function : object
        Anything.

    Returns
    -------
    tuple of (ast.Module, str) or None
        The module holds the ``def`` alone.

    Examples
    --------
    >>> from robotlab.practice.running import error_text
    >>> type(parsed(error_text)[0].body[0]).__name__
    'FunctionDef'
    >>> parsed(len) is None
    True
    """
    if not isinstance(function, FunctionType):
        return None
    try:
        source = textwrap.dedent(inspect.getsource(function))
        tree = ast.parse(source)
    except (OSError, TypeError, SyntaxError):
        return None
    one = len(tree.body) == 1 and isinstance(tree.body[0], ast.FunctionDef)
    return (tree, source) if one else None


def plain_names(tree: ast.Module, function: FunctionType, steps: Steps) -> dict[str, Any] | None:
    """Names for running a function's source, if it does nothing but compute.

    Parameters
    ----------
    tree : ast.Module
        Its source.
    function : function
        Itself; its names from outside are looked up, and it is not called.
    steps : Steps
        Counts the turns of its loops.

    Returns
    -------
    dict or None
        Globals for ``exec``; None where it does more, or where that cannot be told.

    Examples
    --------
    >>> from robotlab.practice.running import error_text, run_cases
    >>> plain_names(parsed(run_cases)[0], run_cases, Steps(9)) is None
    True
    """
    allowed = {name: getattr(builtins, name) for name in _BUILTINS}
    allowed |= {"print": lambda *_, **__: None, "range": _short_range, "__import__": builtins.__import__}
    names = {"__builtins__": allowed, "_turn": steps.turn, "_count": steps.count}
    return names if _gather(tree, function, names, (function.__name__,)) else None


def plain_copy(function: Any) -> tuple[FunctionType, str] | None:
    """A copy of a function, made from its source, that does nothing but compute; outside data are copied too.

    Parameters
    ----------
    function : object
        Anything; it is not called.

    Returns
    -------
    tuple of (function, str) or None
        The copy and its source; None where it does more, or where that cannot be told.

    Examples
    --------
    >>> from robotlab.practice.running import run_cases
    >>> plain_copy(len) is None, plain_copy(run_cases) is None
    (True, True)
    """
    found = parsed(function)
    names = plain_names(found[0], function, Steps(0)) if found else None
    if found is None or names is None:
        return None
    exec(compile(found[0], "<copied>", "exec"), names)
    return names[function.__name__], found[1]


def counted(tree: ast.AST) -> list[tuple[tuple[ast.AST, str, None], Any]]:
    """Where the loops of a tree must be counted.

    Parameters
    ----------
    tree : ast.AST
        Source.

    Returns
    -------
    list of (tuple, callable)
        Each place (:mod:`robotlab.practice.source_edits`), and what makes the counted expression of the plain one.

    Examples
    --------
    >>> len(counted(ast.parse("[x for x in y]")))
    1
    """
    found: list[tuple[tuple[ast.AST, str, None], Any]] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.For | ast.comprehension):
            found.append(((node, "iter", None), lambda n: call_of("_count", n)))
        elif isinstance(node, ast.While):
            found.append(((node, "test", None), lambda n: ast.BoolOp(ast.And(), [call_of("_turn"), n])))
    return found


def _gather(tree: ast.Module, function: FunctionType, names: dict[str, Any], above: tuple[str, ...]) -> bool:
    """Check a function and add what it reads from outside to the names."""
    body = tree.body[0]
    assert isinstance(body, ast.FunctionDef)
    if function.__closure__ or body.decorator_list or not _only_computes(body):
        return False
    own = {arg.arg for arg in ast.walk(body) if isinstance(arg, ast.arg)}
    own |= {n.id for n in ast.walk(body) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
    own |= {(one.asname or one.name).partition(".")[0] for one in ast.walk(body) if isinstance(one, ast.alias)}
    outside = {n.id for n in ast.walk(body) if isinstance(n, ast.Name)} - own
    for name in sorted(outside):
        if name in above or name.startswith("_"):  # A function that calls itself is not counted.
            return False
        if name not in function.__globals__:
            # An unknown name raises when it is read, as it does for the learner.
            if hasattr(builtins, name) and name not in _BUILTINS:
                return False
            continue
        value = function.__globals__[name]
        if name in names and names[name] is not value and not isinstance(value, FunctionType):
            continue
        if isinstance(value, FunctionType) and not _known(value.__module__ or ""):
            found = parsed(value)
            if found is None or found[0].body[0].name != name or not _gather(found[0], value, names, (*above, name)):  # type: ignore[attr-defined]
                return False
            for (holder, field, _), count in counted(found[0]):
                setattr(holder, field, count(getattr(holder, field)))
            exec(compile(ast.fix_missing_locations(found[0]), "<helper>", "exec"), names)
        elif isinstance(value, ModuleType):
            if not _known(value.__name__) or _DOORS.search(value.__name__.rpartition(".")[2]):
                return False
            names[name] = value
        elif _is_data(value):
            names[name] = copy.deepcopy(value)
        elif callable(value) and _known(getattr(value, "__module__", "") or type(value).__module__):
            if _DOORS.search(getattr(value, "__name__", "_")):
                return False
            names[name] = value
        else:
            return False
    return True


def _only_computes(body: ast.FunctionDef) -> bool:
    for node in ast.walk(body):
        if isinstance(node, _NO_EXPRESSIONS) or (isinstance(node, ast.stmt) and not isinstance(node, _STATEMENTS)):
            return False
        if isinstance(node, ast.FunctionDef) and node is not body:
            return False
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [one.name for one in node.names]
            modules = [node.module or ""] if isinstance(node, ast.ImportFrom) else names
            parts = [part for name in names for part in name.split(".")]
            if not all(map(_known, modules)) or any(map(_DOORS.search, parts)):
                return False
        if isinstance(node, ast.Attribute) and (_DOORS.search(node.attr) or not isinstance(node.ctx, ast.Load)):
            return False
    return True


def _known(module: str) -> bool:
    return any(module == one or module.startswith(f"{one}.") for one in _MODULES)


def _is_data(value: Any) -> bool:
    if isinstance(value, list | tuple):
        return len(value) <= _MOST_VALUES and all(isinstance(one, int | float | str) for one in value)
    if type(value) is np.ndarray:
        return value.size <= _MOST_VALUES and value.dtype.kind in "biuf"
    return isinstance(value, int | float | str | np.generic | None)


def _short_range(*limits: int) -> range:
    found = range(*limits)
    if len(found) > _MOST_VALUES:
        raise TooManySteps
    return found
