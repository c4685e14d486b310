"""Packages whose names are loaded when they are first used, in the way of PEP 562.

What a package offers stands once, as imports under ``if TYPE_CHECKING:`` in
its ``__init__``: a type checker follows them, Python skips them, and
:func:`load_lazily` reads from them where each name comes from, and ``__all__``.
"""

from __future__ import annotations

import ast
import importlib
import sys
from types import ModuleType
from typing import Any

from robotlab.errors import install_hint


class _LazyPackage(ModuleType):
    """A package that imports the module behind a name when the name is asked for."""

    _origins: dict[str, str]

    def __getattr__(self, name: str) -> Any:
        origin = self._origins.get(name)
        if origin is None:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        try:
            if origin == self.__name__:
                return importlib.import_module(f"{origin}.{name}")
            value = getattr(importlib.import_module(origin), name)
        except ModuleNotFoundError as error:
            if not error.name or error.name.partition(".")[0] in ("robotlab", *sys.stdlib_module_names):
                raise
            words = f"{self.__name__}.{name} needs {error.name}, it is not installed; {install_hint('course')}"
            raise ModuleNotFoundError(words, name=error.name) from None
        setattr(self, name, value)
        return value

    def __dir__(self) -> list[str]:
        return [*self._origins, *(name for name in vars(self) if name.startswith("__"))]


def load_lazily(package: str) -> None:
    """Let a package load its names when they are first used.

    Parameters
    ----------
    package : str
        Its name, ``__name__`` in its ``__init__``.
    """
    module = sys.modules[package]
    # A package that was imported has one, and its loader knows the source, in a folder and in a zip file.
    spec: Any = module.__spec__
    source = spec.loader.get_source(package)
    origins: dict[str, str] = {}
    for node in ast.parse(source).body:
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            for line in node.body:
                assert isinstance(line, ast.ImportFrom) and line.module
                origins.update((alias.name, line.module) for alias in line.names)
    vars(module).update(_origins=origins, __all__=sorted(origins))
    module.__class__ = _LazyPackage
