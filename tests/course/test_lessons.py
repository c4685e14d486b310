"""The lessons as they are shipped: what their sources say, and running from top to bottom.

With all tests each lesson runs once.  The learner's notebook, whose answers are not in yet, is run by its
browser test, which compares every printed word with the worked notebook.  The worked one is
the same cells and the answers: tests/practice proves that those pass, and a test here that
no other cell sees them.  Where there is no browser, or the browser test is long and left out,
the learner's runs here, without a browser.  Those that compute longest are long here too:
by default their calls and commands are held to the library alone.
"""

import ast
import json
import os
import re
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from notebook_words import differences, shown

import robotlab
from robotlab.course.builder import build
from robotlab.course.outputs import CHECKS_NOTHING
from robotlab.course.runner import run

ROOT = Path(robotlab.__file__).resolve().parents[1]
LESSONS, WORKED = ROOT / "lessons", ROOT / "instructor" / "worked"
NAMES = sorted(path.stem for path in (ROOT / "instructor" / "source").glob("*.py"))
# Seconds; a cell that trains must stay well below this on two cores.
CELL_TIMEOUT_S = 180
# More than 15 s of one core each, five sixths of what all lessons compute.  Lesson 00 takes as long, and begins the course.
LONG = (
    "04_what_versus_where",
    "06_gather_and_label",
    "07_train_a_detector",
    "08_judge_it",
    "10_steer",
    "11_smooth_and_safe",
    "12_face_off",
    "13_onto_your_robot",
)


def test_there_are_lessons():
    assert "00_start_here" in NAMES


def test_notebooks_are_what_their_sources_say():
    assert build(ROOT / "instructor" / "source", LESSONS, WORKED, check=True) == []


def nbval(path):
    """All cells of a notebook, in a kernel of this Python, show what the notebook shows."""
    words = [
        sys.executable,
        "-m",
        "pytest",
        "--nbval",
        "--nbval-current-env",
        f"--nbval-cell-timeout={CELL_TIMEOUT_S}",
        # Its own rules: a warning of the runner itself is not a fault of a lesson.
        "-p",
        "no:cacheprovider",
        "-o",
        "filterwarnings=default",
        "-o",
        "addopts=",
        "-q",
        str(path),
    ]
    ran = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
    assert ran.returncode == 0, ran.stdout[-6000:] + ran.stderr[-2000:]
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    count = sum(cell["cell_type"] == "code" for cell in cells)
    assert re.search(rf"\b{count} passed", ran.stdout), ran.stdout[-500:]


def cells_of(folder: Path, name: str) -> list[dict]:
    return json.loads((folder / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]


@pytest.mark.parametrize("name", NAMES)
def test_worked_notebooks_show_passed_tasks_and_browser_tests_run_the_learners(name):
    browser_test = ROOT / "tests" / "browser" / f"test_lesson_{name[:2]}.py"
    text = browser_test.read_text(encoding="utf-8")
    for words in (f"{name}.ipynb", "ran = notebook.run_all(", "assert notebook.troubles(ran) == []"):
        assert words in text
    for cell in cells_of(WORKED, name):
        tags = cell["metadata"].get("tags", [])
        assert "worked" not in tags or cell["outputs"] == [], "an answer shows something, which nobody compares"
        if "verify" in tags:
            (task,) = re.findall(r"verify\((\w+)\)", "".join(cell["source"]))
            said = "".join(line for output in cell["outputs"] for line in output["data"]["text/plain"])
            assert said.startswith(f"✓ {task}: passed"), said


@pytest.mark.slow
@pytest.mark.parametrize("name", [pytest.param(name, marks=[pytest.mark.long()] * (name in LONG)) for name in NAMES])
def test_notebooks_run_and_print_what_they_show(name, chromium_path, tmp_path, request):
    """The browser test runs the learner's notebook and compares each word with the worked one; where it is not run, we do.

    ROBOTLAB_NBVAL="05 09" runs the worked ones of these lessons with nbval as well, strictly; "all" all.
    """
    if {name[:2], "all"} & set(os.environ.get("ROBOTLAB_NBVAL", "").split()):
        nbval(WORKED / f"{name}.ipynb")
    there = any(one.name == f"test_lesson_{name[:2]}_in_the_browser" for one in request.session.items)
    if chromium_path is None or not there:
        import nbformat  # takes a second: not at the start of every process of tests

        lesson = nbformat.read(LESSONS / f"{name}.ipynb", as_version=4)
        with ThreadPoolExecutor(1) as thread:  # of its own: an event loop
            ran = thread.submit(run, lesson, tmp_path, CELL_TIMEOUT_S).result()
        loud = [shown(cell["outputs"]) for cell in of_code(ran["cells"], CHECKS_NOTHING)]
        assert [cell for cell in loud if "stderr" in cell or "error" in cell] == []
        assert differences(ran, {"cells": cells_of(WORKED, name)}) == []


def of_code(cells: list[dict], *left_out: str) -> list[dict]:
    """The code cells without these tags."""
    return [
        cell for cell in cells if cell["cell_type"] == "code" and not {*left_out} & {*cell["metadata"].get("tags", [])}
    ]


def answers_seen(cells: list[dict]) -> list[str]:
    """What ties other cells to answers or starters: more than a definition in theirs, the name of one in another."""
    own, seen = set(), []
    others = of_code(cells, "worked", "starter")
    for cell in of_code(cells):
        if cell not in others:
            for node in ast.parse("".join(cell["source"])).body:
                if isinstance(node, ast.FunctionDef) and not (node.decorator_list or node.args.defaults):
                    own.add(node.name)
                elif isinstance(node, ast.ImportFrom):
                    own |= {alias.asname or alias.name for alias in node.names}
                else:
                    seen.append(ast.unparse(node))
    for cell in of_code(others, "verify"):
        for node in ast.walk(ast.parse("".join(cell["source"]))):
            # Of a use the id; of what is imported the name that it gets; of a definition its name.
            names = [getattr(node, kind, None) for kind in ("id", "asname", "name")]
            seen += own & {next(filter(None, names), None)}
    return seen


def test_what_ties_a_cell_to_an_answer_is_seen():
    def cell(source, *tags):
        return {"cell_type": "code", "source": [source], "metadata": {"tags": [*tags]}}

    answer = cell("from math import tan\ndef lean(x):\n    return tan(x)", "worked")
    assert answers_seen([answer, cell("verify(lean)", "verify"), cell("x = 1")]) == []
    assert answers_seen([answer, cell("x = lean(1)"), cell("from math import tan")]) == ["lean", "tan"]
    assert answers_seen([cell("x = 3", "worked"), cell("def f(x=[]):\n    ...", "starter")]) != []


@pytest.mark.parametrize("name", NAMES)
def test_a_worked_notebook_is_the_learners_with_answers_that_no_other_cell_sees(name):
    """So its other cells show what they show in the learner's, which runs in the browser."""
    learners, worked = cells_of(LESSONS, name), cells_of(WORKED, name)
    assert answers_seen(worked) == [] == answers_seen(learners)
    same, shown_too = of_code(learners, "worked", "starter"), of_code(worked, "worked", "starter")
    assert [(cell["id"], cell["source"]) for cell in same] == [(cell["id"], cell["source"]) for cell in shown_too]


def test_another_word_and_a_cell_that_is_not_there_are_seen():
    worked = json.loads((WORKED / "00_start_here.ipynb").read_text(encoding="utf-8"))
    assert differences(worked, worked) == []
    ran = json.loads(json.dumps(worked))
    shows = [cell for cell in ran["cells"] if cell["cell_type"] == "code" and shown(cell["outputs"]).get("stdout")]
    shows[0]["outputs"][0]["text"][0] += "."
    ran["cells"].remove(shows[-1])
    assert len(differences(ran, worked)) == 2


@pytest.mark.parametrize("name", NAMES)
def test_every_picture_of_a_lesson_is_there_and_has_words(name):
    for folder in (LESSONS, WORKED):
        for cell in cells_of(folder, name):
            if cell["cell_type"] != "markdown":
                continue
            for alt, where in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", "".join(cell["source"])):
                assert len(alt) > 20, f"{where}: its text alternative is {alt!r}"
                assert (folder / where).is_file(), where


@pytest.mark.parametrize("name", NAMES)
def test_a_lesson_has_the_parts_every_lesson_has(name):
    """Outcome, time, cautions first; what to remember, own robot and sources last."""
    text = "\n".join("".join(cell["source"]) for cell in cells_of(LESSONS, name) if cell["cell_type"] == "markdown")
    places = [
        text.find(words)
        for words in (
            "What you will have",
            "Time",
            "**Predict.**",
            "**Why.**",
            "What to remember",
            "On your own",
            "Sources",
        )
    ]
    assert -1 not in places
    # What first readers took, tasks included; a long lesson says where to stop.
    time = next(line for line in text.splitlines() if line.startswith("**Time**"))
    minutes = int(re.search(r"(\d+) minutes", time.replace("an hour", "60 minutes"))[1])
    assert 25 <= minutes <= 75 or (minutes <= 100 and re.search("sitting|break", time))


@pytest.mark.parametrize("name", NAMES)
def test_a_lesson_ends_with_what_one_can_do_now_and_five_questions(name):
    """Three lines, five questions, five folded answers; formulas are LaTeX, and no code is marked for a tool."""
    text = (ROOT / "instructor" / "source" / f"{name}.py").read_text(encoding="utf-8")
    now = re.search(r"# On your own robot you can now:?\n((?:# - .*\n)+)", text)
    assert now and now[1].count("\n") == 3
    questions = text.split("# ### Check your understanding\n")[1].split("\n# Next:")[0].split("\n# ## Sources")[0]
    asked, answered = questions.split("# <details><summary>Answers</summary>\n")
    for part in (asked, answered):
        assert re.findall(r"^# (\d)\. ", part, flags=re.MULTILINE) == list("12345")
    assert "</details>" in answered and "\n# $$" in text
    assert not re.search(r"# fmt: |# noqa|# type: |^_ = ", text, flags=re.MULTILINE)


@pytest.mark.parametrize("name", NAMES)
def test_lesson_and_guide_promise_the_same_minutes(name):
    """Two sittings are added up: "of about 65 minutes each", "of 45 and 50 minutes"."""
    said = re.search(
        r"\*\*Time\*\*: (.*?minutes( each)?)",
        (ROOT / "instructor" / "source" / f"{name}.py").read_text(encoding="utf-8"),
    )
    promised = sum(map(int, re.findall(r"\d+", said[1]))) * (2 if said[2] else 1)
    guide = (ROOT / "instructor" / "guide.md").read_text(encoding="utf-8")
    section = guide.split(f"## Lesson {name[:2]}: ")[1].split("\n## ")[0]
    sittings = section.split("*second sitting*")
    ends = [re.findall(r"(?m)^\| \d+-(\d+) \|", sitting)[-1] for sitting in sittings]
    assert sum(map(int, ends)) == promised
