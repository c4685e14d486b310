"""Reading the library's own code in a lesson."""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Callable


def source_of(function: Callable) -> str:
    """The code of a function, without its docstring and the types of its inputs.

    Parameters
    ----------
    function : callable
        Written in Python.

    Returns
    -------
    str
        Its lines, comments kept.

    Examples
    --------
    >>> from robotlab.neural.engine.layers import padding
    >>> print(source_of(padding))
    def padding(layer):
        return layer.dilation * (layer.kernel - 1) // 2
    """
    text = textwrap.dedent(inspect.getsource(function))
    definition = ast.parse(text).body[0]
    assert isinstance(definition, ast.FunctionDef)
    inputs = ", ".join(inspect.signature(function).parameters)
    body = definition.body[1:] if ast.get_docstring(definition) else definition.body
    # A comment above the first statement belongs to it.
    first = definition.body[0].end_lineno if ast.get_docstring(definition) else body[0].lineno - 1
    lines = text.splitlines()[first:]
    return "\n".join([f"def {definition.name}({inputs}):", *lines])
