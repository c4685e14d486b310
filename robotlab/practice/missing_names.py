"""After a restart of the kernel: say which cells to run, in place of ``NameError``.

A kernel that has just been started knows no name of the notebook.  Loaded as an extension
of IPython (``robotlab open`` does so, see ``robotlab/course/jupyter``; so does the first
cell of a lesson, by importing :func:`robotlab.practice.guess`), this looks a missing name up
in the notebook: where a cell makes it, one line says which part to run; any other
``NameError`` is shown as always.  A file of the learner's own that is not a picture or film is
said in one line too: the way through the library to it helps nobody.
"""

from __future__ import annotations

import ast
import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from robotlab.errors import InputError, PictureError, printable
from robotlab.json_file import read_json
from robotlab.practice.notebook_data import part_of, text_of_cell

# Where Jupyter's server says which notebook a kernel belongs to (jupyter_server, from its source).
_NOTEBOOK_VARIABLE = "JPY_SESSION_NAME"


def load_ipython_extension(shell: Any) -> None:
    """Let a shell explain missing names; IPython calls this.

    Parameters
    ----------
    shell : IPython.core.interactiveshell.InteractiveShell
        The running one.

    Examples
    --------
    >>> from IPython.core.interactiveshell import InteractiveShell
    >>> shell = InteractiveShell.instance()
    >>> load_ipython_extension(shell)
    >>> NameError in shell.custom_exceptions
    True
    """
    if NameError not in shell.custom_exceptions:
        shell.set_custom_exc((*shell.custom_exceptions, NameError, PictureError), _explain)


def install() -> None:
    """Load the extension where this Python is a notebook's kernel.

    Examples
    --------
    >>> install()
    """
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    if shell is not None and not shell.custom_exceptions:
        load_ipython_extension(shell)


def where_from(name: str, notebook: dict[str, Any]) -> str | None:
    """The heading above the first cell that makes a name.

    Parameters
    ----------
    name : str
        A variable, function or import.
    notebook : dict
        A notebook file's content, format 4.

    Returns
    -------
    str or None
        Empty for a cell without a heading above it, None where no cell makes the name.

    Examples
    --------
    >>> cells = [
    ...     {"cell_type": "markdown", "source": ["## 2. The camera"]},
    ...     {"cell_type": "code", "source": ["width_px = 320"]},
    ... ]
    >>> where_from("width_px", {"cells": cells}), where_from("height_px", {"cells": cells})
    ('2. The camera', None)
    """
    heading = ""
    for kind, source in _cells(notebook):
        if kind == "markdown":
            heading = (re.findall(r"^##? +(.*)", source, re.MULTILINE) or [heading])[-1]
        elif kind == "code" and name in _made_in(source):
            return heading
    return None


def _cells(notebook: object) -> Iterator[tuple[str, str]]:
    return ((part_of(cell, "cell_type", str), text_of_cell(cell)) for cell in part_of(notebook, "cells", list))


def _made_in(source: str) -> set[str]:
    """Names that a cell gives a value to, outside of its functions."""
    try:
        todo: list[ast.AST] = [ast.parse(source)]
    except (SyntaxError, ValueError, RecursionError):
        return set()
    made = set()
    while todo:
        node = todo.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            made.add(node.name)
            continue
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            made.add(node.id)
        if isinstance(node, ast.alias):
            made.add(node.asname or node.name.partition(".")[0])
        todo += ast.iter_child_nodes(node)
    return made


def _explain(shell: Any, kind: type, error: Exception, trace: Any, tb_offset: int | None = None) -> None:
    name = getattr(error, "name", None)
    if isinstance(error, PictureError):
        _show_only(error, printable(error))
    elif name and not isinstance(error, UnboundLocalError) and name not in shell.user_ns:
        heading = next((found for one in _notebooks(shell) if (found := where_from(name, one)) is not None), None)
        if heading is not None:
            part = f", in “{printable(heading)}”" if heading else ""
            says = (
                f"{name} is made in a cell above{part}, which has not run to its end since the kernel started. "
                "With this cell selected choose Run, Run All Above Selected Cell; then run it again."
            )
            _show_only(error, says)
    shell.showtraceback((kind, error, trace), tb_offset=tb_offset)


def _show_only(error: Exception, says: str) -> None:
    """IPython's own way for an error to say what is shown of it."""
    error._render_traceback_ = lambda: [says]  # type: ignore[attr-defined]


def _notebooks(shell: Any) -> Iterator[dict[str, Any]]:
    """The notebook that runs; where Jupyter does not say which, those beside it that hold the running cell."""
    named = os.environ.get(_NOTEBOOK_VARIABLE, "")
    running = (shell.user_ns.get("In") or [""])[-1].strip()
    for path in [Path(named)] if named.endswith(".ipynb") else sorted(Path.cwd().glob("*.ipynb")):
        try:
            notebook = read_json(path, "a notebook")
        except (InputError, OSError):
            continue
        if named or any(source.strip() == running for _, source in _cells(notebook)):
            yield notebook
