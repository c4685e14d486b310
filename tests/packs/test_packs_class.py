"""The class pack: all that a learner needs, and none of the answers where one meets them."""

import ast
import inspect
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import textwrap
import time
import zipfile

import pytest
from docs_walk import ROOT

from robotlab.cli import main
from robotlab.errors import InputError
from robotlab.packs import pack_class
from robotlab.packs.class_pack import lesson_files
from robotlab.packs.library_wheel import library_wheel
from robotlab.practice import tasks_of


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory):
    """A class pack, made and unpacked."""
    home = tmp_path_factory.mktemp("class")
    pack = pack_class(home / "class.zip")
    assert pack.size_bytes == (home / "class.zip").stat().st_size
    with zipfile.ZipFile(home / "class.zip") as archive:
        assert len(archive.namelist()) == pack.files and archive.testzip() is None
        archive.extractall(home)
    return home / "class"


def worked_cells():
    for path in sorted((ROOT / "instructor" / "source").glob("*.py")):
        for cell in path.read_text("utf-8").split("\n# %%")[1:]:
            head, _, code = cell.partition("\n")
            if '"worked"' in head:
                yield path.stem, code


def bodies(code):
    """Each function of some code, without its name and docstring."""
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.FunctionDef):
            body = [
                line for line in node.body if not (isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant))
            ]
            if body:
                yield node.name, ast.dump(ast.Module(body, []))


def answers():
    """What each worked cell and each reference says, by name."""
    found = {}
    for lesson, code in worked_cells():
        found.update({f"{lesson}: {name}": body for name, body in bodies(code)})
    for task in tasks_of():
        code = textwrap.dedent(inspect.getsource(task.reference))
        found.update({f"reference: {name}": body for name, body in bodies(code)})
    return found


ANSWERS = answers()


def answers_readable_in(folder):
    """Answers that stand in a module, a page or a notebook there, and where."""
    found = []
    for path in sorted(folder.rglob("*")):
        if path.suffix == ".py":
            codes = [path.read_text("utf-8")]
        elif path.suffix == ".ipynb":
            cells = json.loads(path.read_text("utf-8"))["cells"]
            codes = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
        else:
            continue
        for code in codes:
            there = {body for _, body in bodies(code)}
            found += [(name, path.relative_to(folder).as_posix()) for name, body in ANSWERS.items() if body in there]
    return found


def test_there_is_something_to_find():
    assert len(list(worked_cells())) >= 35 and len(ANSWERS) >= 70


def test_no_answer_and_no_key_is_inside(unpacked):
    assert answers_readable_in(unpacked) == []
    names = {path.relative_to(unpacked).as_posix() for path in unpacked.rglob("*")}
    assert {path.name for path in unpacked.iterdir()} == {
        *("LICENSE", "README.md", "datasets", "lessons", "pyproject.toml", "robotlab")
    }
    assert not [name for name in names if "marking_key" in name or "worked" in name or name.endswith(".pyc")]
    assert "robotlab/practice/tasks/tasks.zip" in names and "lessons/00_start_here.ipynb" in names


@pytest.mark.parametrize("place", ["lessons/05_boxes.ipynb", "robotlab/boxes.py"])
def test_the_search_sees_an_answer_under_another_name(unpacked, tmp_path, place):
    code = next(code for lesson, code in worked_cells() if "def nms" in code).replace("def nms", "def mine")
    (tmp_path / place).parent.mkdir(parents=True)
    if place.endswith(".py"):
        (tmp_path / place).write_text((unpacked / place).read_text("utf-8") + "\n\n" + code, "utf-8")
    else:
        notebook = json.loads((unpacked / place).read_text("utf-8"))
        notebook["cells"].append({"cell_type": "code", "source": [code]})
        (tmp_path / place).write_text(json.dumps(notebook), "utf-8")
    assert ("05_boxes: nms", place) in answers_readable_in(tmp_path)


def test_the_readme_says_what_stays_readable(unpacked):
    text = (unpacked / "README.md").read_text("utf-8")
    for words in ("tasks.zip", "who unpacks it can read them", "library does what you are asked", "folded answers"):
        assert words in text


VERIFY = """
import json, robotlab
from robotlab.practice import tasks_of, verify
def iou(a, b):
    return 0.0
wrong = verify(iou)
def iou(a, b):
    w, h = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    shared = max(w, 0) * max(h, 0)
    both = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - shared
    return shared / both if both > 0 else 0.0
right = verify(iou)
tasks = [(task.name, task.starter, len(task.misconceptions), len(task.edges)) for task in tasks_of()]
print(json.dumps([robotlab.__file__, bool(wrong), bool(right), tasks]))
"""


def check_that_it_verifies(folder, place):
    environment = {**os.environ, "PYTHONPATH": str(folder), "ROBOTLAB_PROGRESS": "off"}
    ran = subprocess.run(
        [sys.executable, "-c", VERIFY], capture_output=True, text=True, cwd=place, env=environment, check=False
    )
    assert ran.returncode == 0, ran.stderr
    where, wrong, right, tasks = json.loads(ran.stdout)
    assert where.startswith(str(folder)) and (wrong, right) == (False, True)
    assert tasks == [[task.name, task.starter, len(task.misconceptions), len(task.edges)] for task in tasks_of()]


def test_the_pack_verifies(unpacked, tmp_path):
    check_that_it_verifies(unpacked, tmp_path)


@pytest.mark.slow
@pytest.mark.long(short="test_the_pack_verifies")
def test_the_installed_library_verifies_and_holds_no_answer_either(tmp_path):
    name, content = library_wheel(ROOT)
    (tmp_path / name).write_bytes(content)
    words = [sys.executable, "-m", "pip", "install", "--no-index", "--no-deps", "--no-compile", "--quiet"]
    subprocess.run([*words, "--target", tmp_path / "site", tmp_path / name], check=True)
    check_that_it_verifies(tmp_path / "site", tmp_path)
    assert answers_readable_in(tmp_path / "site") == []
    # What the packages need beside modules came along.
    for kind in ("*.py", "*.onnx", "*.json", "*.css", "*.js", "*.md", "py.typed", "names.txt", "*.c"):
        here = {path.relative_to(ROOT / "robotlab") for path in (ROOT / "robotlab").rglob(kind)}
        there = {
            path.relative_to(tmp_path / "site" / "robotlab")
            for path in (tmp_path / "site").rglob(kind)
            if path.is_relative_to(tmp_path / "site" / "robotlab")
        }
        gone = {path for path in here - there if path.parts[:2] != ("practice", "tasks")}
        assert not {path for path in gone if not set(path.parts) & {"__pycache__", ".ipynb_checkpoints"}}


def test_two_packs_are_the_same_byte_for_byte(tmp_path):
    a, b = (pack_class(tmp_path / name / "class.zip").path.read_bytes() for name in "ab")
    assert a == b


# --- what must not be handed out, and what must not be lost ---------------------------------


def course(folder):
    """A small course, to be spoiled."""
    shutil.copytree(ROOT / "lessons", folder / "lessons")
    for name in ("datasets", "robotlab"):
        (folder / name).symlink_to(ROOT / name)
    for name in ("pyproject.toml", "LICENSE"):
        shutil.copy(ROOT / name, folder)
    return folder


def ran_once(notebook):
    notebook["cells"][-1] = {"cell_type": "code", "execution_count": 1, "metadata": {}, "outputs": [], "source": "1"}


def filled_in(notebook):
    cell = next(cell for cell in notebook["cells"] if "starter" in cell["metadata"].get("tags", ()))
    cell["source"] = "".join(cell["source"]).replace("    ...", "    return 1.0")


def no_cells(notebook):
    notebook["cells"] = 7


@pytest.mark.parametrize("spoil", [ran_once, filled_in, no_cells])
def test_a_notebook_that_was_worked_in_is_refused(tmp_path, spoil):
    root = course(tmp_path)
    path = root / "lessons" / "05_boxes.ipynb"
    notebook = json.loads(path.read_text("utf-8"))
    spoil(notebook)
    path.write_text(json.dumps(notebook), "utf-8")
    with pytest.raises(InputError, match=r"05_boxes\.ipynb has been worked in"):
        pack_class(tmp_path / "p.zip", root)
    assert not (tmp_path / "p.zip").exists()


def test_a_copy_beside_the_lessons_is_refused_or_left_out(tmp_path):
    root = course(tmp_path)
    (root / "lessons" / "answers.ipynb").write_text("{}")
    (root / "lessons" / "05_boxes.py").write_text("iou = 1")
    assert not {"lessons/answers.ipynb", "lessons/05_boxes.py"} & lesson_files(root).keys()


def test_without_the_course_it_says_so(tmp_path):
    with pytest.raises(InputError, match="must be made from the folder of the course"):
        pack_class(tmp_path / "p", tmp_path)


def said(capsys, *words):
    code = main(["pack", *map(str, words)])
    out, error = capsys.readouterr()
    return code, out, error


def test_nothing_is_overwritten(tmp_path, capsys):
    mine, full = tmp_path / "mine.zip", tmp_path / "full"
    mine.write_text("mine")
    full.mkdir()
    (full / "a.txt").write_text("mine")
    (tmp_path / "dangling.zip").symlink_to(tmp_path / "nowhere")
    for output in (mine, full, tmp_path / "dangling.zip"):
        code, out, error = said(capsys, "class", "-o", output)
        assert (code, out, error.count("\n")) == (2, "", 1) and "is there already" in error
    assert mine.read_text() == "mine" and [path.name for path in full.iterdir()] == ["a.txt"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["class", "-o", "p", "--platform", "linux-x86_64"], "--platform goes with robotlab pack offline or robot"),
        (["offline", "-o", "p", "--with", "m.onnx"], "--with goes with robotlab pack robot"),
        (["offline", "-o", "p", "--platform", "toaster"], "--platform must be one of linux-x86_64"),
        (["offline", "-o", "p", "--python", "2.7"], "--python must be a version from 3.11"),
        (["robot", "-o", "p", "--with", "m.onnx"], "must have --robot"),
        (["robot", "-o", "p", "--with", "m", "--robot", "r", "--wheels", "rope"], "--wheels must be serial:PORT"),
        (["class", "-o", ""], "--output must have a value"),
    ],
)
def test_bad_options_are_one_line(tmp_path, monkeypatch, capsys, words, says):
    monkeypatch.chdir(tmp_path)
    code, out, error = said(capsys, *words)
    assert (code, out, error.count("\n")) == (2, "", 1) and says in error
    assert not list(tmp_path.iterdir())


def test_it_says_what_where_how_large_and_what_next(tmp_path, capsys):
    code, out, _ = said(capsys, "class", "-o", tmp_path / "p.zip")
    assert code == 0
    first, then = out.splitlines()
    assert first.startswith("class pack: ") and first.endswith(f"MB, in {tmp_path / 'p.zip'}") and "next: " in then


@pytest.mark.slow
@pytest.mark.parametrize("output", ["p", "p.zip"])
def test_ended_at_any_moment_nothing_half_written_is_left(tmp_path, output):
    for after_s in (0.0, 0.2):
        words = [sys.executable, "-m", "robotlab", "pack", "class", "-o", output]
        child = subprocess.Popen(words, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        while child.poll() is None and not any(tmp_path.iterdir()):
            time.sleep(0.005)
        time.sleep(after_s)
        child.send_signal(signal.SIGTERM)
        child.communicate(timeout=60)
        left = {path.name for path in tmp_path.iterdir()}
        assert child.returncode in (0, 128 + signal.SIGTERM)
        # It may have been faster; then the pack is whole.
        assert left in (set(), {output}), left
        if left and output == "p.zip":
            assert zipfile.ZipFile(tmp_path / output).testzip() is None
        if left:
            return


@pytest.mark.parametrize("step", ["write", "name", "remove"])
def test_interrupted_at_each_step_nothing_half_written_is_left(tmp_path, monkeypatch, step):
    from robotlab.packs import writing

    real, calls = shutil.rmtree, []

    def interrupt(*_, **__):
        raise KeyboardInterrupt

    def interrupt_once(path, **options):
        calls.append(path)
        if len(calls) == 1:
            raise KeyboardInterrupt
        real(path, **options)

    change = {
        "write": (writing, "write_zip", interrupt),
        "name": (os, "replace", interrupt),
        "remove": (shutil, "rmtree", interrupt_once),
    }[step]
    monkeypatch.setattr(*change)
    with pytest.raises(KeyboardInterrupt), writing.new_pack(tmp_path / "p.zip") as folder:
        writing.put(folder, {"a.txt": b"ten crates"})
    assert [path.name for path in tmp_path.iterdir()] == (["p.zip"] if step == "remove" else [])


def test_a_full_disk_is_one_line_and_leaves_nothing(tmp_path):
    words = [sys.executable, "-m", "robotlab", "pack", "class", "-o", "p.zip"]
    # No file may grow beyond 1 MB: what a full disk looks like to a program.
    limit = (2**20, 2**20)
    ran = subprocess.run(
        words,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        preexec_fn=lambda: (
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN),
            resource.setrlimit(resource.RLIMIT_FSIZE, limit),
        ),
    )
    assert ran.returncode == 2 and ran.stderr.count("\n") == 1, ran.stderr
    assert not list(tmp_path.iterdir())
