"""The lessons as they are shipped: what their sources say, and running from top to bottom.

The learners' notebooks, whose answers are not in yet, are run by their browser tests,
which compare every printed word with the worked notebooks.  Where there is no browser
nbval runs both, the worked ones strictly.
"""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from notebook_words import differences, shown

import robotlab
from robotlab.course.builder import build

ROOT = Path(robotlab.__file__).resolve().parents[1]
LESSONS, WORKED = ROOT / "lessons", ROOT / "instructor" / "worked"
NAMES = sorted(path.stem for path in (ROOT / "instructor" / "source").glob("*.py"))
# Seconds; a cell that trains must stay well below this on two cores.
CELL_TIMEOUT_S = 180


def test_there_are_lessons():
    assert "00_start_here" in NAMES


def test_notebooks_are_what_their_sources_say():
    assert build(ROOT / "instructor" / "source", LESSONS, WORKED, check=True) == []


def run(path, how):
    """All cells of a notebook, in a kernel of this Python."""
    words = [
        sys.executable,
        "-m",
        "pytest",
        how,
        "--nbval-current-env",
        f"--nbval-cell-timeout={CELL_TIMEOUT_S}",
        # Its own rules: a warning of the runner itself is no fault of a lesson.
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


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_notebooks_run_and_print_what_they_show(name, chromium_path, tmp_path):
    """In the browser test, each word of the learner's notebook is compared with the worked one; nbval where there is no browser.

    What only the worked one has are the answers: tests/practice proves that they pass.
    ROBOTLAB_NBVAL=1 runs the worked one with nbval as well, strictly.
    """
    browser_test = ROOT / "tests" / "browser" / f"test_lesson_{name[:2]}.py"
    text = browser_test.read_text(encoding="utf-8")
    assert f"{name}.ipynb" in text and "notebook.run_all(" in text and "assert notebook.troubles() == []" in text
    worked = json.loads((WORKED / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]
    for cell in worked:
        tags = cell["metadata"].get("tags", [])
        assert "worked" not in tags or cell["outputs"] == [], "an answer shows something, which nobody compares"
        if "verify" in tags:
            (task,) = re.findall(r"verify\((\w+)\)", "".join(cell["source"]))
            said = "".join(line for output in cell["outputs"] for line in output["data"]["text/plain"])
            assert said.startswith(f"✓ {task}: passed"), said
    if chromium_path is None or os.environ.get("ROBOTLAB_NBVAL") == "1":
        run(WORKED / f"{name}.ipynb", "--nbval")
    if chromium_path is None:
        # A still stands as the output of a cell that has not run, which nbval refuses.
        lesson = json.loads((LESSONS / f"{name}.ipynb").read_text(encoding="utf-8"))
        for cell in lesson["cells"]:
            if cell["cell_type"] == "code":
                cell["outputs"] = []
        (tmp_path / f"{name}.ipynb").write_text(json.dumps(lesson), encoding="utf-8")
        run(tmp_path / f"{name}.ipynb", "--nbval-lax")


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
        for cell in json.loads((folder / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]:
            if cell["cell_type"] != "markdown":
                continue
            for alt, where in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", "".join(cell["source"])):
                assert len(alt) > 20, f"{where}: its text alternative is {alt!r}"
                assert (folder / where).is_file(), where


@pytest.mark.parametrize("name", NAMES)
def test_a_lesson_has_the_parts_every_lesson_has(name):
    """Outcome, time, cautions first; what to remember, own robot and sources last."""
    text = "\n".join(
        "".join(cell["source"])
        for cell in json.loads((LESSONS / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]
        if cell["cell_type"] == "markdown"
    )
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
