"""Marking a class: points, tables, written answers, going on after a kill, a cluster."""

import csv
import json
import os
import signal
import subprocess
import sys
import time

import pytest
from dask_cluster import dask_cluster

from robotlab.cli import main
from robotlab.errors import InputError
from robotlab.marking import Limits, MarkingKey, mark_submissions, missing_sandbox, read_key
from robotlab.marking.judging import unseen_cases
from robotlab.marking.marking_run import STATE
from robotlab.one_writer import one_writer
from robotlab.practice import task_named
from robotlab.practice.comparing import agree

# Notebooks of our own need no sandbox; where there is one, the same tests go through it.
TRUSTED = ["--trusted"] if missing_sandbox() else []
RIGHT = {
    "field_of_view": "def field_of_view(s, f):\n    return 2 * math.atan2(s / 2, f)",
    "pixels_on_target": "def pixels_on_target(s, z, a, w):\n    return s / (2 * z * math.tan(a / 2) / w)",
    "bearing": "def bearing(x, w, a):\n    return math.atan2((w - 2 * x) * math.tan(a / 2), w)",
}
DEGREES = "def field_of_view(s, f):\n    return math.degrees(2 * math.atan2(s / 2, f))"
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="marking forks")


def notebook(*cells, lesson="02_what_the_camera_sees.py", **written):
    found = [{"cell_type": "code", "source": f"{cell}\n", "metadata": {}, "outputs": []} for cell in cells]
    for name, guess in written.items():
        data = {"application/vnd.robotlab.guess+json": {"name": f"02.{name}", "guess": guess, "answer": "6 px"}}
        output = {"output_type": "display_data", "data": data, "metadata": {}}
        found.append({"cell_type": "code", "source": "1", "metadata": {}, "outputs": [output]})
    return json.dumps({"cells": found, "metadata": {"robotlab": {"source": f"{lesson} 0"}}, "nbformat": 4})


@pytest.fixture(scope="module")
def submissions(tmp_path_factory):
    folder = tmp_path_factory.mktemp("class") / "in"
    (folder / "Zoe").mkdir(parents=True)
    (folder / "Zoe" / "02.ipynb").write_text(notebook("import math", *RIGHT.values(), post_width="6 px"))
    (folder / "Ada.ipynb").write_text(notebook("import math", DEGREES, RIGHT["bearing"], post_width="=20 px"))
    calls = "from robotlab import camera as eye\ndef field_of_view(s, f):\n    return eye.fov_rad(s, f)"
    (folder / "Ben.ipynb").write_text(notebook(calls, "1 / 0", "%matplotlib inline\ndef bearing(x, w, a):\n    ..."))
    (folder / "Cem.ipynb").write_text("{}")
    return folder


def command(submissions, out, *more):
    return ["mark", str(submissions), "-o", str(out), "--quiet", "--jobs", "1", "--seed", "3", *TRUSTED, *more]


@pytest.fixture(scope="module")
def marked(submissions, tmp_path_factory):
    out = tmp_path_factory.mktemp("marks") / "out"
    assert main(command(submissions, out)) == 1  # One notebook cannot be read.
    return out


def rows_of(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def files_of(folder):
    return {
        str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file() and p.name != STATE
    }


@pytest.mark.slow
def test_a_marks_file_worked_out_by_hand(marked):
    """4 points a task; a known misconception gives a quarter; not started and unknown give none."""
    rows = {row["learner"]: row for row in rows_of(marked / "marks.csv")}
    assert [rows["Zoe"][f"02.{name}"] for name in (*RIGHT, "working_range")] == ["4.0", "4.0", "4.0", "0.0"]
    assert (rows["Zoe"]["total"], rows["Zoe"]["of"]) == ("12.0", "16.0")
    assert (rows["Ada"]["02.field_of_view"], rows["Ada"]["02.bearing"], rows["Ada"]["total"]) == ("1.0", "4.0", "5.0")
    assert rows["Ben"]["total"] == "4.0" and rows["Cem"]["total"] == "0.0" and "list of at most" in rows["Cem"]["note"]
    answers = {(row["learner"], row["task"]): row for row in rows_of(marked / "answers.csv")}
    assert answers["Ada", "field_of_view"]["misconception"] == "in degrees"
    assert (
        answers["Ben", "field_of_view"]["library"] == "eye.fov_rad"
        and answers["Ben", "bearing"]["result"] == "not started"
    )
    assert answers["Ben", "working_range"]["result"] == "no function"


@pytest.mark.slow
def test_the_feedback_says_what_failed_on_which_case_and_what_to_do(marked):
    page = next((marked / "feedback").glob("Ada_*.html")).read_text()
    task = task_named("field_of_view")
    says = next(m.says for m in task.misconceptions if m.name == "in degrees")
    assert says.split(".")[0] in page and "sensor_mm" in page and "your result" in page and task.nudges[1][:30] in page
    whole = (marked / "class.html").read_text()
    assert (
        "working_range" in whole.split("What nobody solved")[2][:400]
        and "in degrees" in whole
        and "eye.fov_rad" in whole
    )


@pytest.mark.slow
def test_marking_again_and_in_another_folder_gives_the_same_bytes(submissions, marked, tmp_path):
    before, state = files_of(marked), (marked / STATE).read_bytes()
    assert main(command(submissions, marked)) == 1
    assert files_of(marked) == before and (marked / STATE).read_bytes() == state
    assert main(command(submissions, tmp_path / "other")) == 1
    assert files_of(tmp_path / "other") == before


@pytest.mark.slow
def test_points_that_a_person_gives_go_into_the_same_table(submissions, tmp_path, capsys):
    out = tmp_path / "out"
    main(command(submissions, out))
    assert "2 written answers wait" in capsys.readouterr().out
    path = out / "written.csv"
    rows = rows_of(path)
    assert [(row["learner"], row["question_id"], row["answer"], row["points"]) for row in rows] == [
        ("Ada", "02.post_width", "'=20 px", ""),
        ("Zoe", "02.post_width", "6 px", ""),
    ]
    # As a spreadsheet of another country saves it.
    text = path.read_text().splitlines()
    text[2] = text[2].replace(",,1.0,", ',"0,5",1.0,')
    path.write_text("\ufeff" + "\r\n".join(text) + "\r\n")
    main(command(submissions, out))
    totals = {row["learner"]: (row["written"], row["total"], row["of"]) for row in rows_of(out / "marks.csv")}
    assert totals["Zoe"] == ("0.5", "12.5", "17.0") and totals["Ada"] == ("0.0", "5.0", "16.0")
    before = files_of(out)
    main(command(submissions, out))
    assert files_of(out) == before
    path.write_text(path.read_text().replace(",0.5,", ",5,"))
    assert main(command(submissions, out)) == 2
    assert "points in" in capsys.readouterr().err and ",5," in path.read_text()


@pytest.mark.slow
def test_points_are_never_lost(submissions, tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "Zoe.ipynb").write_text(notebook("1", post_width="6 px"))
    (folder / "Ada.ipynb").write_text(notebook("1", post_width="7 px"))
    out = tmp_path / "out"
    main(command(folder, out))
    (out / "written.csv").write_text((out / "written.csv").read_text().replace(",,1.0,", ",1,1.0,"))
    (folder / "Zoe.ipynb").write_text(notebook("1", post_width="8 px"))
    (folder / "Ada.ipynb").unlink()
    main(command(folder, out))
    rows = {row["learner"]: row for row in rows_of(out / "written.csv")}
    assert (rows["Zoe"]["answer"], rows["Zoe"]["points"]) == ("8 px", "1.0") and "earlier answer" in rows["Zoe"]["note"]
    assert (rows["Ada"]["answer"], rows["Ada"]["points"]) == ("7 px", "1.0") and "no such answer" in rows["Ada"]["note"]
    before = files_of(out)
    main(command(folder, out))
    assert files_of(out) == before


@pytest.mark.slow
def test_names_become_numbers(submissions, tmp_path):
    out = tmp_path / "out"
    assert main(command(submissions, out, "--anonymous")) == 1
    names = {row["name"]: row["learner"] for row in rows_of(out / "names.csv")}
    assert sorted(names) == ["Ada", "Ben", "Cem", "Zoe"] and sorted(names.values()) == [
        f"learner {n:03d}" for n in range(1, 5)
    ]
    for path in out.rglob("*"):
        if path.is_file() and path.name != "names.csv":
            text = path.name + path.read_text()
            assert not [name for name in names if name in text], path


@pytest.mark.slow
@pytest.mark.long(short="test_marking_again_and_in_another_folder_gives_the_same_bytes")
def test_killed_at_any_moment_it_goes_on_to_the_same_marks(submissions, marked, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    for k in range(8):
        (folder / f"{k}.ipynb").write_text(notebook("import math", RIGHT["bearing"] if k % 3 else DEGREES, f"x = {k}"))
    words = [sys.executable, "-m", "robotlab", *command(folder, out)]
    state = out / STATE
    for least in (2, 5):
        child = subprocess.Popen(words, stdout=subprocess.DEVNULL)
        while child.poll() is None and not (state.exists() and state.read_bytes().count(b"\n") >= least):
            time.sleep(0.002)
        child.send_signal(signal.SIGKILL)
        child.wait()
    with open(state, "ab") as file:
        file.write(b'{"place": "0", "mark')
    assert main(command(folder, out)) == 0
    lines = [line for line in state.read_bytes().split(b"\n") if b'"marked"' in line]
    assert len(lines) == 8, "none is marked twice"
    assert main(command(folder, tmp_path / "whole")) == 0
    assert files_of(out) == files_of(tmp_path / "whole")


@pytest.mark.slow
@pytest.mark.long(short="test_marking_again_and_in_another_folder_gives_the_same_bytes")
def test_a_cluster_gives_the_same_marks_although_a_worker_is_killed(submissions, marked, tmp_path):
    """A scheduler and two workers in processes of their own; one is killed before it has done any work."""
    pytest.importorskip("distributed", reason="distributed is an extra: pip install 'robotlab[cluster]'")
    with dask_cluster(tmp_path, workers=2) as cluster:
        out = tmp_path / "out"
        words = [sys.executable, "-m", "robotlab", *command(submissions, out), "--cluster", cluster.address]
        marking = subprocess.Popen(words, stdout=subprocess.DEVNULL)
        while not (out / STATE).exists():
            assert marking.poll() is None
            time.sleep(0.01)
        cluster.children[1].kill()
        assert marking.wait(120) == 1
        assert files_of(out) == files_of(marked)


def test_cases_are_unseen_and_the_same_for_a_seed():
    for name in ("field_of_view", "iou", "in_band"):
        task = task_named(name)
        cases, right = unseen_cases(name, 3)
        again, _ = unseen_cases.__wrapped__(name, 3)
        assert all(agree(a, b, 0, 0) for one, two in zip(cases, again) for a, b in zip(one, two))
        drawn, shown = cases[len(task.fixed) : task.plain], task.cases()[len(task.fixed) : task.plain]
        assert len(cases) == len(task.cases()) == len(right)
        assert not any(all(agree(a, b, 0, 0) for a, b in zip(one, two)) for one in drawn for two in shown)


def test_edges_count_once_the_plain_cases_are_right(tmp_path):
    """Two boxes without a size: the formula alone divides 0 by 0."""
    cell = (
        "def iou(a, b):\n    w = min(a[2], b[2]) - max(a[0], b[0])\n    h = min(a[3], b[3]) - max(a[1], b[1])\n"
        "    both = max(0, w) * max(0, h)\n"
        "    return both / ((a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - both)"
    )
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.ipynb").write_text(notebook(cell, lesson="05_boxes.py"))
    marking = mark_submissions(
        tmp_path / "in",
        tmp_path / "out",
        MarkingKey(edge_share=0.5),
        seed=1,
        trusted=bool(TRUSTED),
        jobs=1,
        progress=False,
    )
    task = marking.notebooks[0].tasks["iou"]
    edges = task_named("iou").edges
    assert edges and task["kind"] != "passed" and 2 <= task["points"] < 4


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("points =", "must be TOML"),
        ("point = 3", "must hold points"),
        ("points = -1", "from 0 to 1000"),
        ("edge_share = 2", "from 0 to 1"),
        ("points = true", "must be a number"),
        ("tasks = 3", "must be a table"),
        ("[tasks]\nnothing = 3", "must be known ones"),
        ("[misconceptions]\nnothing = 0.5", "must be known ones"),
    ],
)
def test_a_wrong_key_is_refused(text, said, tmp_path):
    (tmp_path / "key.toml").write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        read_key(tmp_path / "key.toml")
    assert "\n" not in str(caught.value)


def test_folders_that_are_no_folders_of_marks_are_left_alone(submissions, tmp_path, capsys):
    (tmp_path / "diary").mkdir()
    (tmp_path / "diary" / "mine.txt").write_text("mine")
    assert main(command(submissions, tmp_path / "diary")) == 2
    assert main(command(submissions, tmp_path / "diary" / "mine.txt")) == 2
    assert main(command(tmp_path / "diary", tmp_path / "new")) == 2
    assert main(command(tmp_path / "nowhere", tmp_path / "new")) == 2
    assert [path.name for path in tmp_path.rglob("*")] == ["diary", "mine.txt"]
    assert capsys.readouterr().err.count("robotlab mark: ") == 4


def test_one_marking_at_a_time(submissions, tmp_path):
    with one_writer(tmp_path, "another marking"):
        with pytest.raises(InputError, match="one program at a time, another marking has it"):
            mark_submissions(submissions, tmp_path, limits=Limits(), trusted=True, jobs=1, progress=False)
