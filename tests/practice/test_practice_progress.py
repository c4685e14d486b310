"""Progress: kept in one local file, whole or not at all, never lost, never in a test's home."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from robotlab.practice import nudge, progress_map, progress_path, task_named, tasks_of, verify
from robotlab.practice.progress import Progress


@pytest.fixture
def file(tmp_path, monkeypatch):
    path = tmp_path / "deep" / "progress.json"
    monkeypatch.setenv("ROBOTLAB_PROGRESS", str(path))
    return path


def right():
    return task_named("iou").reference


def wrong(a, b):
    return 5.0


wrong.__name__ = "iou"


def untouched(a, b): ...


untouched.__name__ = "iou"


def test_tries_passes_and_nudges_are_kept(file):
    verify(untouched)
    assert not file.exists(), "an unstarted starter is not a try"
    verify(wrong)
    assert json.loads(file.read_text()) == {"version": 1, "tasks": {"iou": {"state": "tried", "tries": 1, "nudges": 0}}}
    verify(right())
    assert nudge(right()).number == 1 and nudge("iou").number == 2
    verify(wrong)
    # Once passed it stays passed.
    assert json.loads(file.read_text())["tasks"]["iou"] == {"state": "passed", "tries": 3, "nudges": 2}
    assert "✓ iou" in str(progress_map()) and "1 of 3" in str(progress_map())


def test_another_python_goes_on_where_this_one_stopped(file):
    verify(right())
    code = "from robotlab.practice import nudge, progress_map; print(nudge('iou')); print(progress_map())"
    ran = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
    )
    assert "✓ iou" in ran.stdout
    # And this one sees what the other wrote.
    assert nudge("iou").number == 2


def test_nudges_come_in_order_and_the_last_one_stays(file):
    task = task_named("bearing")
    said = [nudge("bearing") for _ in range(len(task.nudges) + 2)]
    assert [one.says for one in said] == [*task.nudges, task.nudges[-1], task.nudges[-1]]
    assert str(said[0]).startswith(f"bearing, nudge 1 of {len(task.nudges)}: ")


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"\xff\xfe",
        b'{"version": 1}',
        b'{"version": 7, "tasks": {}}',
        b'{"version": 1, "tasks": {"iou": 3}}',
        b'{"version": 1, "tasks": {"iou": {"state": "great", "tries": 1, "nudges": 0}}}',
        b'{"version": 1, "tasks": {"iou": {"state": "tried", "tries": "many", "nudges": 0}}}',
        b'{"version": 1, "tasks": {"iou": {"state": "tried", "tries": -1, "nudges": 0}}}',
        b'{"version": 1, "tasks": {"iou": {"state": ["tried"], "tries": 1, "nudges": 0}}}',
        b"[" * 100_000,
        b" " * 2_000_000,
    ],
    ids=range(14),
)
def test_a_damaged_file_is_moved_beside_and_said_so(file, content):
    file.parent.mkdir()
    file.write_bytes(content)
    verdict = verify(right())
    assert verdict.passed
    assert "progress.damaged-1.json" in str(verdict)
    assert file.with_name("progress.damaged-1.json").read_bytes() == content
    assert json.loads(file.read_text())["tasks"]["iou"]["state"] == "passed"
    # Said once; a second damaged file does not push out the first.
    assert "damaged" not in str(verify(right()))
    file.write_bytes(b"{")
    assert "progress.damaged-2.json" in str(verify(wrong))
    assert file.with_name("progress.damaged-1.json").read_bytes() == content


def test_tasks_that_this_version_does_not_know_are_kept(file):
    file.parent.mkdir()
    other = {"state": "passed", "tries": 2, "nudges": 0}
    file.write_text(json.dumps({"version": 1, "tasks": {"of_another_day": other}}))
    verify(wrong)
    assert json.loads(file.read_text())["tasks"]["of_another_day"] == other


def test_where_nothing_can_be_written_progress_is_kept_in_memory(tmp_path, monkeypatch):
    (tmp_path / "a_file").write_text("in the way")
    monkeypatch.setenv("ROBOTLAB_PROGRESS", str(tmp_path / "a_file" / "progress.json"))
    verdict = verify(right())
    assert verdict.passed and "could not be" in str(verdict)
    assert "✓ iou" in str(progress_map())


def test_off_writes_nothing(tmp_path, monkeypatch):
    monkeypatch.setenv("ROBOTLAB_PROGRESS", "off")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    verify(right())
    assert progress_path() is None and list(tmp_path.iterdir()) == []


def test_the_variable_names_the_file(monkeypatch):
    monkeypatch.setenv("ROBOTLAB_PROGRESS", "~/mine.json")
    assert progress_path() == Path.home() / "mine.json"
    monkeypatch.setenv("ROBOTLAB_PROGRESS", " OFF ")
    assert progress_path() is None


def test_the_users_data_folder(monkeypatch):
    monkeypatch.delenv("ROBOTLAB_PROGRESS")
    monkeypatch.setenv("XDG_DATA_HOME", "/data")
    path = progress_path()
    assert path.name == "progress.json" and "robotlab" in path.parts
    if sys.platform == "linux":
        # XDG Base Directory Specification 0.8: $XDG_DATA_HOME, and without it ~/.local/share.
        assert path == Path("/data/robotlab/progress.json")
        monkeypatch.setenv("XDG_DATA_HOME", "")
        assert progress_path() == Path.home() / ".local/share/robotlab/progress.json"


def test_these_tests_do_not_write_into_the_home():
    assert os.environ["ROBOTLAB_PROGRESS"] == "off"


def test_the_map_names_every_task_in_text_and_in_html(file):
    verify(wrong)
    page, text = progress_map()._repr_html_(), str(progress_map())
    for task in tasks_of():
        assert task.name in page and task.name in text
    assert "◐ iou" in text and "◐ iou" in page and "○ nms" in text
    assert 'scope="col"' in page and "passed, ◐ tried" in page


def test_a_folder_in_its_place_is_not_lost(tmp_path):
    (tmp_path / "progress.json").mkdir()
    progress = Progress(Path(tmp_path / "progress.json"))
    progress.add_try("iou", passed=True)
    assert progress.record("iou").state == "passed" and progress.take_note()
    assert (tmp_path / "progress.json").is_dir()


@pytest.mark.skipif(os.name != "posix", reason="devices are POSIX files")
def test_a_device_in_its_place_is_not_read_without_end(file):
    file.parent.mkdir()
    file.symlink_to("/dev/zero")
    progress = Progress(file)
    progress.add_try("iou", passed=False)
    assert progress.record("iou").tries == 1 and "not a plain file" in progress.take_note()
