"""Packages show their names at once and load them when used."""

import importlib
import pkgutil
import subprocess
import sys
from types import ModuleType

import pytest

import robotlab

PACKAGES = [
    "robotlab",
    *(f"robotlab.{module.name}" for module in pkgutil.iter_modules(robotlab.__path__) if module.ispkg),
    "robotlab.neural.engine",
]


def shown(package) -> list[str]:
    return [name for name in dir(package) if not name.startswith("__")]


@pytest.mark.parametrize("name", PACKAGES)
def test_each_name_of_a_package_is_there(name):
    package = importlib.import_module(name)
    assert sorted(shown(package)) == sorted(package.__all__)
    for one in package.__all__:
        assert isinstance(getattr(package, one), ModuleType) == (package is robotlab), f"{name}.{one}"
    with pytest.raises(AttributeError, match="has no attribute 'no_such'"):
        package.no_such


def test_importing_robotlab_loads_nothing_and_shows_its_packages():
    code = (
        "import sys, robotlab\n"
        "loaded = [name for name in sys.modules if name.startswith('robotlab.')]\n"
        "print(sorted(loaded), 'numpy' in sys.modules, 'loop' in dir(robotlab), robotlab.control.DifferentialDrive.__name__)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "['robotlab._lazy', 'robotlab.errors'] False True DifferentialDrive"
