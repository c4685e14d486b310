"""``robotlab open`` starts a JupyterLab that serves lesson 00, in places where that is not easy too."""

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from contextlib import suppress
from pathlib import Path

import pytest

import robotlab.cli.commands
import robotlab.environment
from robotlab.cli import main

FIRST = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "00_start_here.ipynb"


@pytest.fixture
def course(tmp_path):
    """A folder with a space and an emoji in its name, and the first lesson in it."""
    folder = tmp_path / "my course \N{POTTED PLANT}"
    (folder / "lessons").mkdir(parents=True)
    shutil.copy(FIRST, folder / "lessons")
    return folder


@pytest.mark.slow
def test_open_serves_the_first_lesson_without_a_home_or_a_display(course, tmp_path):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log, a_file = tmp_path / "open.log", tmp_path / "a_file"
    a_file.touch()
    # Below a file nothing can be written, not even by root.
    own = {
        name: value for name, value in os.environ.items() if not name.startswith(("JUPYTER", "IPYTHON", "MPLCONFIG"))
    }
    own |= {"HOME": str(a_file / "home"), "DISPLAY": "", "WAYLAND_DISPLAY": ""}
    shy = [] if sys.platform.startswith("linux") else ["--no-browser"]
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "robotlab", "open", *shy, "--port", str(port)],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            env=own,
            cwd=course,
        )
    try:
        until = time.monotonic() + 90
        found = None
        while found is None and process.poll() is None and time.monotonic() < until:
            time.sleep(0.1)
            found = re.search(
                rf"http://(?:localhost|127\.0\.0\.1):{port}/doc/tree/lessons/00_start_here\.ipynb\S*", log.read_text()
            )
        assert found, log.read_text()[-2000:]
        # JupyterLab says its address just before it listens there.
        while time.monotonic() < until:
            with suppress(ConnectionRefusedError), socket.create_connection(("127.0.0.1", port), timeout=5):
                break
            time.sleep(0.1)
        with urllib.request.urlopen(found[0], timeout=30) as reply:
            assert reply.status == 200 and b"JupyterLab" in reply.read()
        said = log.read_text()
        assert f"{a_file / 'home'} cannot be written" in said and "Traceback" not in said
        assert shy or "no display" in said
    finally:
        process.terminate()
        process.wait(30)


@pytest.mark.skipif(os.name != "posix", reason="rights of a folder are set with POSIX modes")
def test_open_refuses_a_folder_where_no_work_can_be_saved(course, capsys, monkeypatch):
    # Outside of pytest's own folder, which is private, for a user without any rights.
    place = Path(tempfile.mkdtemp())
    lessons = shutil.copytree(course, place / "course") / "lessons"
    monkeypatch.chdir(lessons)
    place.chmod(0o755)
    lessons.chmod(0o555)
    root = os.geteuid() == 0
    try:
        if root:  # root may write anywhere; a user without rights may not even see this environment
            from robotlab.environment import is_writable

            with pytest.raises(SystemExit):  # all commands are loaded while it can be seen
                main(["--help"])
            assert is_writable(lessons)
            os.seteuid(65534)
        assert main(["open"]) == 2
    finally:
        if root:
            os.seteuid(0)
        lessons.chmod(0o755)
        shutil.rmtree(place)
    error = capsys.readouterr().err
    assert "lessons cannot be written" in error and "copy the folder" in error and error.count("\n") == 1


def test_jupyterlab_knows_the_settings_that_the_course_changes():
    from jupyterlab.commands import get_app_dir

    course = Path(robotlab.__file__).parent / "course" / "jupyter" / "labconfig" / "default_setting_overrides.json"
    changed = json.loads(course.read_text())
    for name, values in changed.items():
        plugin, _, part = name.partition(":")
        known = json.loads((Path(get_app_dir()) / "schemas" / plugin / f"{part}.json").read_text())["properties"]
        assert set(values) <= set(known), name
    # A browser that dies takes no more than this with it: typed answers, and what a reopened page shows.
    assert changed["@jupyterlab/docmanager-extension:plugin"]["autosaveInterval"] <= 20
    # Ctrl+S while a slow computer still saves by itself is not a change by somebody else.
    assert changed["@jupyterlab/docmanager-extension:plugin"]["lastModifiedCheckMargin"] >= 3000
