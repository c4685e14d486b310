"""The builder: who gets which cell, the same files each time, and what it refuses."""

import json
import os
import re
import shutil
import subprocess
import sys

import psutil
import pytest
from matplotlib.figure import Figure
from some_long import some_long

from robotlab.course.builder import build, main, read_source
from robotlab.course.figure_text import smallest_text_px
from robotlab.course.kernel import KernelMatch, environment_of
from robotlab.course.outputs import LessonError, tidy
from robotlab.course.runner import run

SOURCE = """# %% [markdown]
# # A small lesson

# %% tags=["explore"]
width_px = 320
print(f"{width_px} px")

# %% tags=["starter"]
def half(width_px):
    ...

# %% tags=["worked"]
def half(width_px):
    return width_px / 2

# %% tags=["verify"]
print(half)  if half(2) is None else print(f"{half(width_px):.1f}")

# %% tags=["still"] picture="line" alt="A line that rises."
import matplotlib.pyplot as plt
_, axes = plt.subplots(figsize=(2, 1))
_ = axes.plot([0, width_px])
"""


@pytest.fixture
def folders(tmp_path):
    source = tmp_path / "source"
    source.mkdir()
    (source / "00_small.py").write_text(SOURCE)
    return source, tmp_path / "lessons", tmp_path / "worked"


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Built once; the tests that change a file make their own."""
    root = tmp_path_factory.mktemp("built")
    source = root / "source"
    source.mkdir()
    (source / "00_small.py").write_text(SOURCE)
    folders = source, root / "lessons", root / "worked"
    build(*folders)
    return folders


def cells(folder):
    return json.loads((folder / "00_small.ipynb").read_text())["cells"]


def test_who_gets_which_cell(built):
    _, lessons, worked = built
    learner = ["".join(cell["source"]) for cell in cells(lessons)]
    teacher = ["".join(cell["source"]) for cell in cells(worked)]
    assert len(learner) == len(teacher) == 5
    assert "..." in learner[2] and "return" not in "".join(learner)
    assert "return width_px / 2" in teacher[2] and "..." not in "".join(teacher)
    assert learner[4] == "![A line that rises.](pictures/00_line.png)"
    assert teacher[4] == "![A line that rises.](../lessons/pictures/00_line.png)"
    assert (lessons / "pictures" / "00_line.png").read_bytes()[1:4] == b"PNG"


def test_the_learners_notebook_is_not_run_and_the_worked_one_is(built):
    _, lessons, worked = built
    assert all(
        cell["outputs"] == [] and cell["execution_count"] is None
        for cell in cells(lessons)
        if cell["cell_type"] == "code"
    )
    ran = [cell for cell in cells(worked) if cell["cell_type"] == "code"]
    assert [cell["execution_count"] for cell in ran] == [1, 2, 3]
    assert "".join(ran[0]["outputs"][0]["text"]) == "320 px\n"
    assert "".join(ran[2]["outputs"][0]["text"]) == "160.0\n"


def test_shared_cells_have_one_id_in_both_and_an_edit_elsewhere_leaves_it(built, folders):
    learner, teacher = cells(built[1]), cells(built[2])
    same = [
        (a["id"], b["id"])
        for a, b in zip(learner, teacher)
        if a["metadata"].get("tags") not in (["starter"], ["worked"])
    ]
    assert all(a == b for a, b in same)
    source, lessons, worked = folders
    (source / "00_small.py").write_text(
        SOURCE.replace("# # A small lesson", "# # A small lesson\n# More text.\n\n# %%\n1 + 1")
    )
    build(source, lessons, worked)
    assert {cell["id"] for cell in learner[1:]} < {cell["id"] for cell in cells(lessons)}


def test_built_twice_is_built_the_same(built, folders):
    build(*folders)
    for one, other in zip(built[1:], folders[1:]):
        assert (one / "00_small.ipynb").read_bytes() == (other / "00_small.ipynb").read_bytes()


def test_check_finds_every_kind_of_drift(built, folders):
    source, lessons, worked = folders
    for whole, copy in zip(built[1:], folders[1:]):
        shutil.copytree(whole, copy)
    assert build(*folders, check=True) == []
    learner, teacher, still = (
        lessons / "00_small.ipynb",
        worked / "00_small.ipynb",
        lessons / "pictures" / "00_line.png",
    )
    for path, old, new, said in (
        (learner, "320", "321", "lessons/00_small.ipynb differs from its source"),
        (teacher, "return width_px / 2", "return width_px // 2", "worked/00_small.ipynb differs from its source"),
        (
            teacher,
            '"execution_count": 2',
            '"execution_count": null',
            "worked/00_small.ipynb has 1 code cells that were not run",
        ),
    ):
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
        assert build(*folders, check=True) == [f"00_small: {said}"]
        path.write_text(text)
    # Only a still's code changes: no notebook holds it, the picture is old all the same.
    (source / "00_small.py").write_text(SOURCE.replace("figsize=(2, 1)", "figsize=(2, 2)"))
    assert len(build(*folders, check=True)) == 2
    (source / "00_small.py").write_text(SOURCE)
    still.unlink()
    assert build(*folders, check=True) == ["00_small: lessons/pictures/00_line.png is missing"]
    (lessons / "01_gone.ipynb").write_text("{}")
    assert "01_gone: lessons/01_gone.ipynb has no source" in build(*folders, check=True)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('tags=["explore"]', 'tags=["exlpore"]', "a tag must be one of"),
        ('tags=["explore"]', 'tags=["explore", "verify"]', "of one kind"),
        ('tags=["explore"]', 'tags=["explore"] color="red"', "no metadata but tags"),
        ('picture="line" ', "", "a still must be code with"),
        ("# # A small lesson", "# A small lesson", "must begin with a markdown cell and its title"),
        ('tags=["starter"]', "", "each starter must have its worked cell"),
    ],
)
def test_a_source_that_breaks_a_rule_is_refused(folders, old, new, message):
    path = folders[0] / "00_small.py"
    path.write_text(SOURCE.replace(old, new))
    with pytest.raises(LessonError, match=re.escape(message)):
        read_source(path)


@pytest.mark.parametrize(
    ("line", "message"),
    some_long(
        [
            ("1 / 0", "it raised ZeroDivisionError"),
            ("import warnings; warnings.warn('old name')", "must run without warnings"),
            ("print(object())", "the same in every run"),
            ("import sys; print(sys.prefix + '/lib')", "no folder of this machine"),
        ],
        every=4,
    ),
)
def test_a_run_that_is_not_fit_to_keep_writes_nothing(folders, line, message):
    source, lessons, worked = folders
    (source / "00_small.py").write_text(SOURCE.replace("width_px = 320", f"width_px = 320\n{line}"))
    with pytest.raises(LessonError, match=re.escape(message)):
        build(source, lessons, worked)
    assert not lessons.exists() and not worked.exists()


def test_a_kernel_ends_with_its_notebook(tmp_path):
    """It ends as after Kernel > Shut Down: what the lesson has asked for at its end is done."""
    source = "import atexit, os; _ = atexit.register(lambda: os.mkdir('ended')); os.getpid()"
    cell = {"cell_type": "code", "id": "a", "metadata": {}, "outputs": [], "execution_count": None, "source": source}
    notebook = {"cells": [cell], "metadata": {}, "nbformat": 4, "nbformat_minor": 5}
    ran = run(notebook, tmp_path, 90)
    pid = int(ran["cells"][0]["outputs"][0]["data"]["text/plain"])
    assert not psutil.pid_exists(pid) and (tmp_path / "ended").is_dir()


RUN_TWICE = """
import signal
from robotlab.course.runner import run
def handler(*_): raise SystemExit(143)
signal.signal(signal.SIGTERM, handler)
for source in ("import os; os._exit(1)", "import os, time; os.kill(os.getppid(), 15); time.sleep(60)"):
    cell = {"cell_type": "code", "id": "a", "metadata": {}, "outputs": [], "execution_count": None, "source": source}
    try:
        run({"cells": [cell], "metadata": {}, "nbformat": 4, "nbformat_minor": 5}, ".", 90)
    except BaseException as error:
        print(type(error).__name__, str(error)[:46], signal.getsignal(signal.SIGTERM) is handler)
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals are sent as POSIX sends them")
def test_a_kernel_that_dies_and_a_signal_are_said_and_leave_our_handlers():
    # In a process of its own, which takes the sockets of an ended kernel with it.
    ran = subprocess.run([sys.executable, "-c", RUN_TWICE], capture_output=True, text=True, timeout=120, check=False)
    assert ran.stdout.splitlines() == [
        "LessonError a kernel must live until the last cell, it did True",
        "KeyboardInterrupt  True",
    ], ran.stderr


def test_a_still_must_draw_one_picture(folders):
    source, lessons, worked = folders
    (source / "00_small.py").write_text(SOURCE.replace("_ = axes.plot([0, width_px])", "plt.close('all')"))
    with pytest.raises(LessonError, match="a still must draw one picture, it drew 0"):
        build(source, lessons, worked)


def test_a_figure_must_be_readable_in_a_small_window(folders):
    source, lessons, worked = folders
    # 10 points at 100 dots an inch are 13.9 px, of a picture 911 px wide (a margin of 0.1 inch is cut off) in 605 px.
    wide = "figsize=(9, 1), layout='constrained'"
    (source / "00_small.py").write_text(SOURCE.replace("figsize=(2, 1)", wide))
    with pytest.raises(
        LessonError, match=re.escape("still line: it must run, it raised LessonError: the text")
    ) as told:
        build(source, lessons, worked)
    assert "911 px wide, is 9.2; make the figure narrower" in str(told.value)


def test_the_smallest_text_counts_if_it_is_shown():
    figure = Figure(figsize=(6, 4), dpi=100)
    axes = figure.subplots()
    axes.set_xlabel("usual")
    assert smallest_text_px(figure, 600) == pytest.approx(10 * 100 / 72)
    axes.set_title("far", fontsize=7)
    axes.text(0, 0, "", fontsize=3)
    axes.text(0, 0, "hidden", fontsize=3, visible=False)
    assert smallest_text_px(figure, 600) == pytest.approx(7 * 100 / 72)
    assert smallest_text_px(figure, 1200, shown_px=600) == pytest.approx(3.5 * 100 / 72)
    assert smallest_text_px(Figure(), 600) == float("inf")


def test_outputs_lose_what_only_a_running_kernel_knows():
    view = {"application/vnd.jupyter.widget-view+json": {"model_id": "8f0c"}, "text/plain": "Replay: a walk"}
    kept = tidy([{"output_type": "display_data", "data": view, "metadata": {"x": 1}}], 1, [], "a cell")
    assert kept == [{"output_type": "display_data", "data": {"text/plain": "Replay: a walk"}, "metadata": {}}]


def test_a_cell_whose_output_is_its_machines_affair_keeps_its_pictures_only():
    outputs = [
        {"output_type": "stream", "name": "stderr", "text": "100 %"},
        {"output_type": "display_data", "data": {"image/png": "aGk="}, "metadata": {}},
    ]
    assert [out["output_type"] for out in tidy(outputs, 1, ["nbval-ignore-output"], "a cell")] == ["display_data"]


def test_a_link_to_a_page_beside_the_lessons_works_from_both_notebooks(folders):
    source, lessons, worked = folders
    (source / "00_small.py").write_text(
        "# %% [markdown]\n# # Small\n#\n# The [glossary](glossary.md), and [more](01_next.ipynb).\n"
    )
    build(*folders)
    texts = ["".join(cells(folder)[0]["source"]).splitlines()[-1] for folder in (lessons, worked)]
    assert texts == [f"The [glossary]({place}glossary.md), and [more](01_next.ipynb)." for place in ("", "../lessons/")]
    assert cells(lessons)[0]["id"] == cells(worked)[0]["id"]
    assert build(*folders, check=True) == []


def test_approximate_numbers_are_kept_and_not_compared(folders):
    source, lessons, worked = folders
    (source / "00_small.py").write_text(SOURCE.replace('["explore"]', '["approximate"]'))
    build(*folders)
    cell = cells(worked)[1]
    assert cell["metadata"]["tags"] == cells(lessons)[1]["metadata"]["tags"] == ["approximate", "nbval-ignore-output"]
    assert "".join(cell["outputs"][0]["text"]) == "320 px\n"
    assert build(*folders, check=True) == []


def test_command_gives_its_exit_codes(folders, capsys):
    source, lessons, worked = folders
    root = source.parent
    (root / "instructor").mkdir()
    source.rename(root / "instructor" / "source")
    assert main([str(root)]) == 0
    assert main(["--check", str(root)]) == 0
    (root / "lessons" / "00_small.ipynb").unlink()
    assert main(["--check", str(root)]) == 1
    assert main(["--check", "--only", "07", str(root)]) == 2
    assert "holds none" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("same", "words"),
    [(True, "one environment"), (False, "Close Jupyter and start it with robotlab open"), (None, "robotlab open")],
)
def test_kernel_and_jupyter_are_compared_in_words(same, words):
    assert words in KernelMatch(same, "here", "there").text()


def test_environment_of_a_python_on_windows_and_elsewhere():
    assert environment_of("venv/bin/python") == environment_of("venv/Scripts/python.exe") == "venv"


def test_a_folded_cell_is_closed_in_both_notebooks_and_its_picture_stays(tmp_path):
    source = tmp_path / "00_small.py"
    source.write_text('# %% [markdown]\n# # A lesson\n\n# %% tags=["folded"]\nwidth_px = 320\n\n# %%\nwidth_px\n')
    folders = tmp_path, tmp_path / "lessons", tmp_path / "worked"
    build(*folders)
    for folder in folders[1:]:
        _, drawing, plain = cells(folder)
        assert drawing["metadata"] == {"tags": ["folded"], "jupyter": {"source_hidden": True}}
        assert plain["metadata"] == {}
    assert build(*folders, check=True) == []
    source.write_text('# %% [markdown]\n# # A lesson\n\n# %% [markdown] tags=["folded"]\n# text\n')
    with pytest.raises(LessonError, match="only a code cell can be folded"):
        read_source(source)
    source.write_text(f'# %% [markdown]\n# # A lesson\n\n# %% tags=["folded"]\nguess("{60 * "a"}", "b")\n')
    with pytest.raises(LessonError, match="at most 70 characters, got 74"):
        read_source(source)


def test_a_still_stands_in_the_place_of_the_picture_until_that_is_run(tmp_path):
    source = tmp_path / "00_small.py"
    source.write_text(
        '# %% [markdown]\n# # A lesson\n\n# %% tags=["explore"]\nwidth_px = 320\n\n'
        '# %% tags=["still"] picture="line" alt="A line."\nimport matplotlib.pyplot as plt\n\nplt.plot([0, 1]);\n'
    )
    folders = tmp_path, tmp_path / "lessons", tmp_path / "worked"
    build(*folders)
    _, explore = cells(folders[1])
    assert "".join(explore["outputs"][0]["data"]["text/markdown"]) == "![A line.](pictures/00_line.png)"
    assert "".join(explore["outputs"][0]["data"]["text/plain"]) == "A line."
    assert [cell["cell_type"] for cell in cells(folders[2])] == ["markdown", "code", "markdown"]
    assert build(*folders, check=True) == []
