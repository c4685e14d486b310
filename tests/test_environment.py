"""Machines that are not quite ready: each is told what is wrong, and what helps."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import robotlab
from robotlab.environment import find_above, is_writable

PACKAGE = Path(robotlab.__file__).resolve().parent


def run(words, cwd=PACKAGE.parent, **variables):
    variables = {**os.environ, "PYTHONPATH": str(PACKAGE.parent), **variables}
    return subprocess.run([sys.executable, *words], cwd=cwd, env=variables, capture_output=True, check=False)


@pytest.mark.slow
def test_without_the_cloned_folder_the_advice_is_not_a_circle(tmp_path):
    """As from a wheel: the package alone, and nothing of the course beside it."""
    # Not what other processes of these tests are compiling at the moment.
    shutil.copytree(PACKAGE, tmp_path / "site" / "robotlab", ignore=shutil.ignore_patterns("*.pyc.*"))
    code = (
        "from robotlab.cli import main\n"
        "for words in (['open'], ['tour', '--quiet'], ['drive', '--quiet', '--time', '1'], ['checkup']):\n"
        "    print('code', main(words), flush=True)"
    )
    ran = run(["-c", code], tmp_path, PYTHONPATH=str(tmp_path / "site"))
    shown, errors = ran.stdout.decode(), ran.stderr.decode().splitlines()
    # The greenhouse is drawn and the color detector comes with the package: a drive needs no folder.
    assert [part[0] for part in shown.split("code ")[1:]] == ["2", "2", "0", "1"]
    assert len(errors) == 2
    for line in errors:
        advice = line.partition(": ")[2]
        assert "clone" in advice and "robotlab open" not in advice
    assert "FIX  not found" in shown and "ready for the course" not in shown


def test_a_home_that_cannot_be_written_is_said_and_the_kernel_not_blamed(tmp_path):
    (tmp_path / "a_file").touch()
    own = {"HOME": str(tmp_path / "a_file" / "home"), "JUPYTER_CONFIG_DIR": "", "JUPYTER_DATA_DIR": ""}
    ran = run(["-m", "robotlab", "checkup", "--json"], **own)
    lines = {line["name"]: line for line in json.loads(ran.stdout)["lines"]}
    assert lines["Jupyter's kernel"]["ok"] and "cannot be written" in lines["home folder"]["value"]
    assert "set HOME" in lines["home folder"]["repair"]
    assert not ran.stderr


def test_an_old_encoding_gets_plain_characters():
    ran = run(["-m", "robotlab", "checkup", "datasets/coins"], PYTHONIOENCODING="cp1252")
    assert ran.returncode == 0 and not ran.stderr
    assert "##########" in ran.stdout.decode("cp1252")


def test_writable_is_tried(tmp_path):
    (tmp_path / "a_file").touch()
    assert is_writable(tmp_path) and is_writable(tmp_path / "to" / "be" / "made")
    assert not is_writable(tmp_path / "a_file" / "home")
    assert list(tmp_path.iterdir()) == [tmp_path / "a_file"]


def test_the_folder_above_goes_before_the_librarys(tmp_path):
    (tmp_path / "lessons" / "deep").mkdir(parents=True)
    assert find_above("lessons", tmp_path / "lessons" / "deep") == tmp_path / "lessons"
    assert find_above("lessons", tmp_path.parent) == PACKAGE.parent / "lessons"
    assert find_above("no_such_thing") is None
