"""A Dask scheduler and its workers in processes of their own, ended with the test."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

DASK = [sys.executable, "-W", "ignore", "-m"]
SCHEDULER = ["distributed.cli.dask_scheduler", "--port", "0", "--host", "127.0.0.1", "--no-dashboard"]
# What these processes and the commands of the tests import.
CODE = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}


class DaskCluster:
    """The scheduler's address, and its processes: the scheduler first, then each worker."""

    def __init__(self, folder: Path) -> None:
        self.folder, file = folder, folder / "scheduler.json"
        self.children: list[subprocess.Popen] = []
        self._start([*SCHEDULER, "--scheduler-file", str(file)], CODE)
        while not file.exists() or not file.read_text().strip():
            assert self.children[0].poll() is None
            time.sleep(0.05)
        self.address = json.loads(file.read_text())["address"]

    def _start(self, words: list[str], env: dict[str, str]) -> None:
        quiet = {"cwd": self.folder, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.children.append(subprocess.Popen([*DASK, *words], env=env, **quiet))

    def add_worker(self, env: dict[str, str] = CODE) -> None:
        """Start one worker of one thread."""
        words = ["distributed.cli.dask_worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        self._start([*words, "--local-directory", str(self.folder)], env)


@contextmanager
def dask_cluster(folder: Path, workers: int = 0) -> Iterator[DaskCluster]:
    """A scheduler and so many workers, until the block ends."""
    cluster = DaskCluster(folder)
    try:
        for _ in range(workers):
            cluster.add_worker()
        yield cluster
    finally:
        for child in cluster.children:
            child.kill()
            child.wait()
