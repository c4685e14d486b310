"""Strangers' notebooks: none gains a mark, none gets out, none harms the next, whatever it does."""

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from strangers import ESCAPED, FILES, HONEST, hostile_cells, notebook

from robotlab.cli import main
from robotlab.errors import InputError
from robotlab.marking import Limits, confinement, mark_submissions, missing_sandbox, save_pages, save_tables
from robotlab.marking.confinement import DENIED
from robotlab.marking.sandbox import _fence
from robotlab.marking.values import decode

LIMITS = Limits(wall_s=2.5, cell_s=0.7, task_s=0.7, memory_mb=256, folder_mb=8, file_mb=4)


@pytest.fixture(scope="module")
def sandbox():
    """Skips where there is none, but not where CI asks for one."""
    why = missing_sandbox()
    if why and os.environ.get("ROBOTLAB_NEED_BWRAP"):
        pytest.fail(f"ROBOTLAB_NEED_BWRAP is set, so the sandbox must work here: {why}")
    if why:
        pytest.skip(why)


@pytest.fixture(scope="module")
def marked(sandbox, tmp_path_factory):
    """All of them marked at once, an honest notebook at the beginning, in the middle and at the end."""
    place = tmp_path_factory.mktemp("strangers")
    folder, out = place / "in", place / "out"
    folder.mkdir()
    (place / "secret.txt").write_text("the secret")
    os.environ["MARKING_SECRET"] = "1"
    cells = hostile_cells(canary=str(place / "secret.txt"), others=str(folder), out=str(place))
    for name, cell in cells.items():
        (folder / f"{re.sub('[^a-zA-Z,]+', ' ', name).strip()}.ipynb").write_bytes(notebook(cell))
    for name in ("a honest", "m honest", "zz honest"):
        (folder / f"{name}.ipynb").write_bytes(notebook(HONEST))
    for name, content in FILES.items():
        (folder / name).write_bytes(content)
    (folder / "link.ipynb").symlink_to("/etc/passwd")
    (folder / "endless.ipynb").symlink_to("/dev/zero")
    os.mkfifo(folder / "pipe.ipynb")
    (folder / "folder.ipynb").mkdir()
    (folder / "circle").symlink_to(folder)
    before = {path: path.read_bytes() for path in place.rglob("*") if path.is_file() and not path.is_symlink()}
    try:
        marking = mark_submissions(folder, out, limits=LIMITS, seed=5, jobs=1, progress=False)
    finally:
        del os.environ["MARKING_SECRET"]
    written = save_tables(marking, out, anonymous=False)
    save_pages(marking, written, out)
    assert before == {path: path.read_bytes() for path in before}
    assert not (place / "x").exists()
    return marking, out, cells


@pytest.mark.slow
def test_at_least_forty_and_none_gains_a_mark(marked):
    marking, _, cells = marked
    assert len(cells) >= 60
    gained = {
        one.label: [name for name, task in one.tasks.items() if task["points"]]
        for one in marking.notebooks
        if "honest" not in one.label and any(task["points"] for task in one.tasks.values())
    }
    assert gained == {}


@pytest.mark.slow
def test_none_gets_out(marked):
    marking, out, _ = marked
    told = [one.label for one in marking.notebooks if ESCAPED in json.dumps([one.tasks, one.cells]).replace("\\", "")]
    # The code itself may be quoted as the line of an error; a result or a print may not hold the word.
    values = [
        (one.label, task["table"], task["printed"])
        for one in marking.notebooks
        for task in one.tasks.values()
        if ESCAPED in json.dumps([task["table"], task["printed"]])
    ]
    assert values == [], told


@pytest.mark.slow
def test_the_honest_ones_are_marked_as_if_they_were_alone(marked):
    marking, _, _ = marked
    honest = [one.tasks for one in marking.notebooks if "honest" in one.label]
    assert len(honest) == 3 and honest[0] == honest[1] == honest[2]
    assert honest[0]["field_of_view"]["kind"] == "passed" and honest[0]["field_of_view"]["points"] == 4


@pytest.mark.slow
def test_what_cannot_be_read_is_said_and_stops_nothing(marked):
    marking, out, cells = marked
    problems = {one.label: one.submission.problem for one in marking.notebooks if one.submission.problem}
    files = [name for name in FILES if not name.startswith(".")]  # Hidden ones are nobody's.
    assert len(problems) == len(files) + 3 and all(problem.isprintable() for problem in problems.values())
    assert "link" in problems["link"] and "link" in problems["endless"] and "plain file" in problems["pipe"]
    assert len(marking.notebooks) == len(cells) + 3 + len(problems)


@pytest.mark.slow
def test_pages_and_tables_hold_text_and_no_markup_of_strangers(marked):
    _, out, _ = marked
    pages = list((out / "feedback").iterdir()) + [out / "class.html"]
    assert len(pages) > 80 and all(re.fullmatch(r"[A-Za-z0-9_]+\.html", page.name) for page in pages)
    for page in pages:
        text = page.read_text("utf-8")
        assert "<script" not in text and "<img" not in text and "\x1b" not in text and "\u202e" not in text
    assert "&lt;script&gt;alert(1)" in (out / "answers.csv").read_text("utf-8").replace("<", "&lt;").replace(
        ">", "&gt;"
    )
    for line in (out / "marks.csv").read_text("utf-8").splitlines():
        assert not line.startswith(("=", "+", "-", "@"))


@pytest.mark.slow
def test_endings_are_told_apart(marked):
    marking, _, _ = marked
    kinds = {one.label: one.tasks["field_of_view"] for one in marking.notebooks if one.tasks}
    for label in ("endless loop", "signals blocked", "timer switched off", "loop that catches everything", "clocks"):
        assert kinds[label]["kind"] == "hang", (label, kinds[label])
    assert kinds["print flood"]["kind"] == "flood"
    assert "ended" in kinds["an end without a word"]["says"] and "ended" in kinds["a crash"]["says"]
    assert "MemoryError" in kinds["memory at once"]["says"]
    assert "half" not in kinds["the inputs"]["says"]


@pytest.mark.slow
def test_nothing_is_left_behind(marked):
    if not os.path.isdir("/proc"):
        pytest.skip("/proc is Linux's")
    rooms = []
    for number in filter(str.isdigit, os.listdir("/proc")):
        try:
            with open(f"/proc/{number}/cmdline", "rb") as file:
                words = file.read()
            with open(f"/proc/{number}/stat") as file:
                parent = int(file.read().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if b"robotlab.marking.sandboxed" in words and parent == os.getpid():
            rooms.append(number)
    # The warm room of this process, which ends with it.
    assert len(rooms) <= 2


@pytest.mark.parametrize(
    "data",
    [
        ["array", "<f8", [2**22, 2**22], ""],
        ["array", "|O", [1], "AAAA"],
        ["array", "<f8", [-1], ""],
        ["array", "<f8", [1.0], ""],
        ["array", "<f8", [True], "AAAAAAAAAAA="],
        ["array", "<f8", [1], "AAAA"],
        ["array", "<f8", [1] * 99, ""],
        ["array", "<f8", [1]],
        ["array", "<f8", [0] * 3, "AAAA"],
        ["int", "9" * 5000],
        ["int", "1_0"],
        ["float", "nan" * 30],
        ["float", 1.0],
        ["tuple", 3],
        ["tuple", [[]]],
        ["other", "a"],
        ["unknown"],
        {"a": 1},
        1.5,
        7,
        "text",
        [],
        [[]],
        ["str", 3],
        ["str"],
        ["int"],
        ["scalar", "<f8", [1], "AAAAAAAAAAA="],
        ["tuple", [["tuple", [["tuple", [["tuple", [["tuple", [["tuple", [["tuple", []]]]]]]]]]]]]],
    ],
    ids=str,
)
def test_data_of_another_form_is_not_read(data):
    if data == ["int", "1_0"]:
        assert decode(data) == 10
        return
    with pytest.raises(InputError, match="must be data of known form"):
        decode(data)


def test_without_a_sandbox_strangers_are_refused(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PATH", str(tmp_path))
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.ipynb").write_bytes(notebook(HONEST))
    words = ["mark", str(tmp_path / "in"), "-o", str(tmp_path / "out"), "--quiet", "--jobs", "1"]
    assert main(words) == 2
    said = capsys.readouterr().err
    assert "must run in a sandbox" in said and "--trusted" in said and "docker run" in said
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="marking forks")
def test_trusted_notebooks_need_no_sandbox(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PATH", str(tmp_path))
    (tmp_path / "in").mkdir()
    for name, cell in (("a", HONEST), ("b", "def field_of_view(s, f):\n    while True: pass")):
        (tmp_path / "in" / f"{name}.ipynb").write_bytes(notebook(cell))
    words = ["mark", str(tmp_path / "in"), "-o", str(tmp_path / "out"), "--quiet", "--jobs", "1", "--limit-s", "4"]
    assert main([*words, "--trusted"]) == 0
    rows = (tmp_path / "out" / "answers.csv").read_text()
    assert "a,02,field_of_view,4.0,4.0,passed" in rows and "b,02,field_of_view,0.0,4.0,hang" in rows


def test_numbers_of_system_calls_are_those_of_the_system():
    """The header of the C library, asm/unistd_64.h."""
    header = "/usr/include/x86_64-linux-gnu/asm/unistd_64.h"
    if not os.path.exists(header):
        pytest.skip("the C library's headers are not installed")
    with open(header) as file:
        known = dict(re.findall(r"#define __NR_(\w+) (\d+)", file.read()))
    assert {name: int(known[name]) for name in DENIED["x86_64"]} == DENIED["x86_64"]


@pytest.mark.slow
@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="the administrator alone can become another user"
)
def test_a_user_without_rights_has_the_same_sandbox(sandbox, monkeypatch):
    """For a user bubblewrap takes the other way, user namespaces; a fork gives up as much there."""
    python = shutil.which("python3", path="/usr/bin")
    if not (shutil.which("setpriv") and python):
        pytest.skip("setpriv of util-linux, or a Python of the system, is not installed")
    # The module alone, since packages may lie where another user cannot read.
    script = (
        "import ctypes, os, sys\nsys.path.insert(0, '/here')\nimport confinement\n"
        "me = os.pidfd_open(os.getpid())\n"
        "for _ in range(2):\n"
        "    confinement.unshare(confinement.NEW_PIDS)\n    child = os.fork()\n"
        "    if not child:\n"
        "        confinement.own_folder(1)\n        confinement.set_limits(2**30, 5, 2**20)\n        confinement.give_up_rights()\n"
        "        c = ctypes.CDLL(None)\n"
        "        fine = os.getpid() == 1 and os.listdir('.') == []\n"
        "        open('/desk/a', 'w').close()\n"
        "        calls = (c.fork, c.vfork, lambda: c.socket(2, 1, 0), lambda: c.unshare(0x10000000), lambda: c.ptrace(0, 0, 0, 0),\n"
        "                 lambda: c.mount(b'a', b'/desk', b'tmpfs', 0, None), lambda: c.shmget(0, 4096, 0o1600))\n"
        "        os._exit(0 if fine and all(call() == -1 for call in calls) else 3)\n"
        "    confinement.back_to(me)\n"
        "    assert os.waitpid(child, 0)[1] == 0\n"
    )
    monkeypatch.setattr(os, "getuid", lambda: 1000)
    fence = _fence()
    monkeypatch.undo()
    words = [
        *fence,
        "--ro-bind",
        "/usr",
        "/usr",
        "--symlink",
        "usr/lib",
        "/lib",
        "--symlink",
        "usr/lib64",
        "/lib64",
        "--ro-bind-data",
        "0",
        "/here/confinement.py",
        "--dir",
        "/desk",
    ]
    ran = subprocess.run(
        ["setpriv", "--reuid", "65534", "--regid", "65534", "--clear-groups", *words, python, "-c", script],
        input=Path(confinement.__file__).read_text(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
