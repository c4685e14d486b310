"""The README's two commands: single lines, and the ones that are tested."""

import re
import subprocess
import sys
import tomllib

import pytest
from docs_walk import ROOT

from robotlab.cli import main

README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^python3 -m venv .*$", README, flags=re.MULTILINE)


def test_two_commands_each_make_their_own_environment():
    course, tests = COMMANDS
    # Debian and others refuse pip outside a virtual environment (PEP 668), so each line makes one.
    assert (
        course
        == 'python3 -m venv --upgrade-deps .venv && .venv/bin/pip install -e ".[course]" && .venv/bin/robotlab open'
    )
    assert (
        tests
        == 'python3 -m venv --upgrade-deps .venv-test && .venv-test/bin/pip install --no-compile -e ".[test]" && .venv-test/bin/python -m pytest'
    )


def test_both_commands_stand_near_the_top():
    lines = README.splitlines()
    assert max(lines.index(command) for command in COMMANDS) < 25


def test_continuous_integration_runs_the_test_command_of_the_readme():
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    pattern = re.search(r"grep -m1 -E '([^']+)' README\.md", run)[1]
    assert re.findall(pattern, README, flags=re.MULTILINE) == [COMMANDS[1]]


def test_commands_named_in_the_readme_exist(capsys):
    named = set(
        re.findall(
            r"robotlab (open|tour|checkup|fit|judge|compare|drive|build|gather|plan|split|export|mark|pack)\b", README
        )
    )
    assert {"open", "tour", "fit", "judge", "compare"} <= named
    for name in sorted(named):
        with pytest.raises(SystemExit) as end:
            main([name, "--help"])
        assert end.value.code == 0 and f"robotlab {name}" in capsys.readouterr().out, name
    # And the command itself, as a shell starts it.
    words = [sys.executable, "-m", "robotlab", "open", "--help"]
    ran = subprocess.run(words, capture_output=True, text=True, check=False)
    assert ran.returncode == 0 and "robotlab open" in ran.stdout, ran.stderr


def test_extras_named_in_the_readme_exist():
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    assert set(re.findall(r"\.\[([a-z]+)\]", README)) <= set(extras)
