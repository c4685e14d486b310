"""Nothing is sent anywhere: the network traced, and what telemetry keeps on the disk looked for."""

import ast
import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from docs_walk import ROOT
from network_trace import outside, private_home, run_traced, telemetry_files, traced

from robotlab.data import open_dataset, write_dataset

PYTHON = sys.executable
RUN_A_NETWORK = f"""
import onnxruntime
onnxruntime.InferenceSession({str(ROOT / "robotlab" / "neural" / "features.onnx")!r}, providers=["CPUExecutionProvider"])
"""


def test_one_module_alone_imports_onnxruntime():
    found = set()
    for path in (ROOT / "robotlab").rglob("*.py"):
        source = path.read_text(encoding="utf-8")
        # Who imports it names it; to parse the others takes a second.
        for node in ast.walk(ast.parse(source)) if "onnxruntime" in source else ():
            names = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [getattr(node, "module", None) or ""]
            )
            if any(name.partition(".")[0] == "onnxruntime" for name in names):
                found.add(str(path.relative_to(ROOT)))
    assert found == {os.path.join("robotlab", "neural", "session.py")}


@pytest.mark.parametrize("first", ["import robotlab", "import robotlab.boxes", "from robotlab.neural import session"])
def test_a_cell_that_imports_onnxruntime_after_robotlab_leaves_no_device_id(tmp_path, first):
    # ONNX Runtime 1.32 writes it when it is imported; no tracer is needed to see that.
    ran = subprocess.run(
        [PYTHON, "-c", first + RUN_A_NETWORK],
        env=private_home(tmp_path),
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert telemetry_files(tmp_path) == []


def test_the_trace_itself_sees_a_call_outside(tmp_path):
    # TEST-NET-1 (RFC 5737) is nobody's; a datagram needs no answer.
    code = "import socket; s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.connect(('192.0.2.1', 9)); s.connect(('127.0.0.1', 9))"
    seen, _ = run_traced([PYTHON, "-c", code], tmp_path)
    assert len(seen) == 1 and "192.0.2.1" in seen[0]


# A kernel that inherits no setting of ours, as in a Jupyter that robotlab open did not start.
LESSON = f"""
import json, os, pathlib
from robotlab.course.runner import run
del os.environ["ORT_DISABLE_TELEMETRY"]
notebook = json.loads(pathlib.Path({str(ROOT / "instructor" / "worked" / "05_boxes.ipynb")!r}).read_text())
notebook["cells"].append({{"cell_type": "code", "id": "last", "metadata": {{}}, "outputs": [], "execution_count": None, "source": {RUN_A_NETWORK!r}}})
for cell in notebook["cells"]:
    cell["source"] = "".join(cell["source"])
ran = run(notebook, {str(ROOT / "lessons")!r}, 180)
errors = [output for cell in ran["cells"] for output in cell.get("outputs", ()) if output["output_type"] == "error"]
assert not errors, errors
"""


# The command with its defaults; how many pictures it takes, and how long its walks are, changes nobody it turns to.
TOUR = """
import functools, sys
from robotlab import face_off, tour
from robotlab.cli import main
tour.TRAINING_PICTURES = tour.JUDGE_PICTURES = 3
tour.POSTS = 1
face_off.simulate = functools.partial(face_off.simulate, duration_s=0.5)
tour.simulate = functools.partial(tour.simulate, duration_s=5)
sys.exit(main(["tour", "--quiet"]))
"""


@pytest.fixture(scope="module")
def few(tmp_path_factory):
    """Eight coin pictures of each recording: who is asked does not depend on how many there are."""
    data = open_dataset(ROOT / "datasets" / "coins")
    ids = [entry.id for name in data.recordings for entry in list(data.only(recordings=name))[:8]]
    folder = tmp_path_factory.mktemp("few") / "coins"
    write_dataset(folder, data.only(ids=ids))
    return str(folder)


@pytest.mark.slow
@pytest.mark.parametrize(
    "words",
    [
        pytest.param(["-c", TOUR], id="tour", marks=pytest.mark.long()),
        pytest.param(
            ["-m", "robotlab", "fit", "DATA", "-o", "m.onnx", "--recordings", "left", "--quiet"],
            id="fit",
            marks=pytest.mark.long(),
        ),
        pytest.param(
            ["-m", "robotlab", "judge", "DATA", "--with", "color", "--recordings", "right", "--quiet"], id="judge"
        ),
        pytest.param(["-c", LESSON], id="a lesson", marks=pytest.mark.long()),
    ],
)
def test_nothing_is_sent(tmp_path, few, words):
    words = [few if word == "DATA" else word for word in words]
    assert run_traced([PYTHON, *words], tmp_path) == ([], [])


@pytest.mark.slow
def test_open_sends_nothing_though_its_page_asks_for_news_updates_and_extensions(tmp_path):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    home, log, said = tmp_path / "home", tmp_path / "trace.txt", tmp_path / "open.log"
    home.mkdir()
    words = traced([PYTHON, "-m", "robotlab", "open", "--no-browser", "--port", str(port)], log)
    with said.open("w") as out:
        process = subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            env=private_home(home),
            cwd=ROOT,
            start_new_session=True,
        )
    try:
        until, found = time.monotonic() + 120, None
        while found is None and process.poll() is None and time.monotonic() < until:
            time.sleep(0.3)
            found = re.search(rf"http://127\.0\.0\.1:{port}/\S*\?token=(\w+)", said.read_text())
        assert found, said.read_text()[-2000:]
        # It says its address a moment before it listens.
        while time.monotonic() < until:
            with contextlib.suppress(ConnectionRefusedError), socket.create_connection(("127.0.0.1", port), 60):
                break
            time.sleep(0.1)

        def ask(path):
            request = urllib.request.Request(
                f"http://127.0.0.1:{port}{path}", headers={"Authorization": f"token {found[1]}"}
            )
            with urllib.request.urlopen(request, timeout=60) as reply:
                return reply.read().decode()

        page = ask("/lab")
        config = json.loads(
            re.search(r'<script id="jupyter-config-data" type="application/json">(.*?)</script>', page, re.DOTALL)[1]
        )
        assert config["news"] == {"disabled": True}
        assert json.loads(ask("/lab/api/update"))["notification"] is None
        ask("/lab/api/extensions?query=widget&refresh=1")
    finally:
        # The server, not the tracer: that ends when all it traces has ended.
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        for child in children:
            os.kill(int(child), signal.SIGTERM)
        try:
            process.wait(60)
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
    assert (outside(log), telemetry_files(home)) == ([], [])
