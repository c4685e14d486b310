"""``robotlab open`` starts a JupyterLab that serves lesson 00."""

import os
import re
import socket
import subprocess
import sys
import time
import urllib.request

import pytest


@pytest.mark.slow
def test_open_serves_the_first_lesson(tmp_path):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log = tmp_path / "open.log"
    places = {name: str(tmp_path / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR")}
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "robotlab", "open", "--no-browser", "--port", str(port)],
            stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT, env={**os.environ, **places},
        )  # fmt: skip
    try:
        until = time.monotonic() + 90
        found = None
        while found is None and process.poll() is None and time.monotonic() < until:
            time.sleep(0.3)
            found = re.search(rf"http://(?:localhost|127\.0\.0\.1):{port}/lab/tree/lessons/00_start_here\.ipynb\S*", log.read_text())
        assert found, log.read_text()[-2000:]
        with urllib.request.urlopen(found[0], timeout=30) as reply:
            assert reply.status == 200 and b"JupyterLab" in reply.read()
    finally:
        process.terminate()
        process.wait(30)
