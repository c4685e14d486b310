"""Sweeps: ten thousand fast runs on the cores of this machine, and one Dask worker beside two.

Needs the extra ``cluster`` for all but the first three rows.  The time of a sweep includes starting its
processes and writing every part to the disk; that of the cluster does not include starting
the scheduler and the workers.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from timing import Missing, alone, side_by_side

from robotlab.sweep import parse_plan, run_sweep

PLAN = """
design = "latin_hypercube"
samples = {samples}
[vary]
turn_gain = {{ from = 0.5, to = 6 }}
drive_gain = {{ from = 0.2, to = 3 }}
hfov_deg = {{ from = 40, to = 100 }}
edge_noise_px = {{ from = 0, to = 4 }}
latency_s = {{ from = 0.05, to = 0.5, steps = 10 }}
frame_hz = [5, 10, 20]
"""

# Where no two runs share a latency, a frame rate or a seed.
DRAWN = """
design = "latin_hypercube"
samples = 10000
[vary]
turn_gain = { from = 0.5, to = 6 }
latency_s = { from = 0.05, to = 0.5 }
frame_hz = { from = 5, to = 30 }
hfov_deg = { from = 40, to = 110 }
"""
SEEDS = "[vary]\nseed = { from = 0, to = 9999, steps = 10000 }\n"

# What a cluster is for: a run takes a large part of a second.
RENDERED = """
runs = "rendered"
duration_s = 8
[vary]
turn_gain = [1, 2, 3, 4]
seed = [0, 1, 2, 3, 4, 5]
"""


def run(plan: str, jobs: int | None = None, cluster: str | None = None) -> bytes:
    """Run a plan, and give the table."""
    with tempfile.TemporaryDirectory() as folder:
        run_sweep(parse_plan(plan), folder, jobs, cluster, progress=False)
        return (Path(folder) / "table.csv").read_bytes()


def sweep(samples: int, jobs: int | None = None, cluster: str | None = None) -> bytes:
    """So many fast runs."""
    return run(PLAN.format(samples=samples), jobs, cluster)


@contextlib.contextmanager
def cluster_of(workers: int) -> Iterator[str]:
    """A scheduler and workers of one thread, each a process of its own."""
    dask = [sys.executable, "-W", "ignore", "-m"]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "scheduler.json"
        quiet = {"cwd": folder, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        children = [
            subprocess.Popen(
                [
                    *dask,
                    "distributed.cli.dask_scheduler",
                    "--port",
                    "0",
                    "--host",
                    "127.0.0.1",
                    "--no-dashboard",
                    "--scheduler-file",
                    str(place),
                ],
                **quiet,
            )
        ]
        try:
            while not place.exists() or not place.read_text().strip():
                time.sleep(0.05)
            address = json.loads(place.read_text())["address"]
            children += [
                subprocess.Popen(
                    [*dask, "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard"],
                    **quiet,
                )
                for _ in range(workers)
            ]
            from distributed import Client

            with Client(address, set_as_default=False) as client:
                client.wait_for_workers(workers, timeout=60)
            yield address
        finally:
            for child in children:
                child.kill()
                child.wait()


def rows() -> list[dict]:
    """The sweep's rows of the results table."""
    load = f"load {os.getloadavg()[0]:.1f} before" if hasattr(os, "getloadavg") else ""
    first = [
        alone(lambda plan=plan: run(plan, jobs=2), repeats=1, threads=2).row(
            f"sweep, 10 000 {what}, two processes", None, note=load, aim_s=60
        )
        for what, plan in (("fast runs", PLAN.format(samples=10_000)), ("drawn runs", DRAWN), ("seeds", SEEDS))
    ]
    try:
        import distributed  # noqa: F401
    except ImportError:
        raise Missing("distributed") from None
    with cluster_of(2) as two, cluster_of(1) as one:

        def same(a: bytes, b: bytes) -> None:
            assert a == b, "another table"

        fast = side_by_side(
            lambda: sweep(10_000, cluster=two), lambda: sweep(10_000, cluster=one), repeats=3, threads=2, check=same
        )
        rendered = side_by_side(
            lambda: run(RENDERED, cluster=two), lambda: run(RENDERED, cluster=one), repeats=3, threads=2, check=same
        )
    return [
        *first,
        fast.row(
            "the same on two Dask workers",
            "one Dask worker",
            aim=1 / 1.7,
            note=f"scheduler and client beside them; {load}",
        ),
        rendered.row("24 rendered runs on two Dask workers", "one Dask worker", aim=1 / 1.7, note=load),
    ]


if __name__ == "__main__":
    for row in rows():
        print(json.dumps(row))
