"""Every example in the docstrings of robotlab.color runs and gives what it says."""

import doctest
import importlib
import pkgutil

import pytest

import robotlab.color

MODULES = [f"robotlab.color.{module.name}" for module in pkgutil.iter_modules(robotlab.color.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_everything_public_has_an_example():
    for name in robotlab.color.__all__:
        thing = getattr(robotlab.color, name)
        assert not callable(thing) or ">>>" in thing.__doc__ or name in ("Blobs", "LampCheck"), name
