"""Finds every module of the package and its public names, for the tests of the documentation."""

from __future__ import annotations

import functools
import importlib
import inspect
import pkgutil
from pathlib import Path
from types import ModuleType

import pytest

import robotlab

ROOT = Path(robotlab.__file__).resolve().parents[1]
# Packages of extras that a learner need not have, by the name one imports.
OPTIONAL = {
    "torch": "torch",
    "serial": "robot",
    "cv2": "robot",
    "gpiozero": "robot",
    "tornado": "robot",
    "distributed": "cluster",
}

# What stands behind the commands: chains of whole parts and their pages, no building blocks.
COMMANDS = ("cli", "tour")
PAGES = ("robotlab.report.judged", "robotlab.report.runs", "robotlab.report.sheets")


@functools.cache
def module_names() -> tuple[str, ...]:
    """All modules of the package by name; the packages among them are imported for it."""
    found = ["robotlab"]
    for module in pkgutil.walk_packages(robotlab.__path__, "robotlab.", onerror=lambda name: None):
        if not module.name.endswith("__main__"):
            found.append(module.name)
    return tuple(found)


def load(name: str) -> ModuleType:
    """A module, or a skip with the reason where it needs an extra that is not installed."""
    try:
        return importlib.import_module(name)
    except ModuleNotFoundError as error:
        if error.name in OPTIONAL:
            pytest.skip(f"{name} needs {error.name}, of the extra {OPTIONAL[error.name]!r}, which is not installed")
        raise


def public(module: ModuleType) -> list[tuple[str, object]]:
    """Functions and classes that a module itself defines, under names without an underscore."""
    return [
        (name, thing)
        for name, thing in vars(module).items()
        if not name.startswith("_")
        and (inspect.isfunction(thing) or inspect.isclass(thing))
        and thing.__module__ == module.__name__
    ]


def is_api(name: str) -> bool:
    """True for modules straight under the package that are not commands: all their names are API."""
    return name.count(".") == 1 and not name.startswith("robotlab._") and name.split(".")[1] not in COMMANDS


@functools.cache
def exported() -> frozenset[object]:
    """What the packages below robotlab offer by their own name: the API of those packages."""
    found = set()
    for name in module_names():
        package = importlib.import_module(name) if name.count(".") == 1 and name.split(".")[1] not in COMMANDS else None
        for short in package.__all__ if hasattr(package, "__path__") else ():
            thing = getattr(package, short)
            if not (inspect.isfunction(thing) or inspect.isclass(thing)):
                continue
            if thing.__module__.startswith("robotlab.") and thing.__module__ not in PAGES:
                found.add(thing)
    return frozenset(found)
