"""The code is formatted, linted, typed and documented as ``pyproject.toml`` says."""

import os
import subprocess
import sys

import pytest
from docs_walk import ROOT

# mypy turns the search for garbage on again by itself.
MYPY_KEEPS_ALL = """
import gc
gc.disable()
gc.enable = lambda: None
from mypy.__main__ import console_entry
console_entry()
"""


@pytest.mark.parametrize(
    "words",
    ["ruff check .", "ruff format --check .", pytest.param("mypy", marks=[pytest.mark.slow, pytest.mark.long()])],
)
def test_the_tools_find_nothing(words, tmp_path):
    # No cache of theirs is left in the checkout; mypy writes none where it is told this place, and is done sooner.
    cache = ["--cache-dir", os.devnull if words == "mypy" else str(tmp_path)]
    # Nearly all that mypy makes stays to the end: looking for garbage among it takes an eighth of its time.
    program = ["-c", MYPY_KEEPS_ALL] if words == "mypy" else ["-m", *words.split()]
    ran = subprocess.run([sys.executable, *program, *cache], cwd=ROOT, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr


# It looks for pyproject.toml beside the files and above them.
VALIDATE = [sys.executable, "-m", "numpydoc", "lint"]


@pytest.mark.slow
@pytest.mark.long(short="test_numpydoc_sees_a_docstring_that_breaks_a_rule")
def test_docstrings_pass_numpydoc_as_configured():
    files = [str(path.relative_to(ROOT)) for path in sorted((ROOT / "robotlab").rglob("*.py"))]
    ran = subprocess.run([*VALIDATE, *files], cwd=ROOT, capture_output=True, text=True, check=False)
    assert len(files) > 100 and ran.returncode == 0, ran.stdout + ran.stderr


def test_numpydoc_sees_a_docstring_that_breaks_a_rule(tmp_path):
    (tmp_path / "pyproject.toml").write_bytes((ROOT / "pyproject.toml").read_bytes())
    (tmp_path / "bad.py").write_text('def area():\n    """no capital, no period"""\n', encoding="utf-8")
    ran = subprocess.run([*VALIDATE, "bad.py"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert ran.returncode == 1 and "SS03" in ran.stdout + ran.stderr
