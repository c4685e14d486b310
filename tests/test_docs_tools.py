"""The code is formatted, linted and typed as ``pyproject.toml`` says."""

import os
import subprocess
import sys

import pytest
from docs_walk import ROOT


@pytest.mark.parametrize(
    "words", ["ruff check .", "ruff format --check .", pytest.param("mypy", marks=pytest.mark.slow)]
)
def test_the_tools_find_nothing(words, tmp_path):
    # No cache of theirs is left in the checkout; mypy writes none where it is told this place, and is done sooner.
    cache = ["--cache-dir", os.devnull if words == "mypy" else str(tmp_path)]
    ran = subprocess.run(
        [sys.executable, "-m", *words.split(), *cache], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
