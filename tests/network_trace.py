"""Runs a program and says which outside addresses it, or anything it starts, turned to.

By ``strace``: it sees what native code does as well, which Python's audit hooks
do not, and needs no rights, unlike a network namespace.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

# Calls that open a way out or send on one; a look-up of a name is a connect to port 53.
CALLS = "connect,sendto,sendmsg,sendmmsg"
INSIDE = re.compile(r"127\.|0\.0\.0\.0|::1?$|::ffff:127\.")


def traced(words: list[str], log: Path) -> list[str]:
    """Command that runs `words` and writes its calls to `log`; skips, with the reason, where it cannot be traced."""
    strace = shutil.which("strace")
    if strace is None:
        why = "strace is not installed, so nothing says whether anything is sent: apt install strace"
        (pytest.fail if os.environ.get("ROBOTLAB_NEED_STRACE") else pytest.skip)(why)
    return [strace, "-f", "--seccomp-bpf", "-qq", "-e", f"trace={CALLS}", "-o", str(log), *words]


def outside(log: Path) -> list[str]:
    """Lines of a trace that name an address beyond this machine."""
    found = []
    for line in log.read_text(errors="replace").splitlines():
        address = re.search(r'inet_addr\("([^"]+)"\)|inet_pton\(AF_INET6, "([^"]+)"', line)
        if address and not INSIDE.match(address[1] or address[2]):
            found.append(line)
    return found


def private_home(folder: Path) -> dict[str, str]:
    """Environment of a user of their own, with no telemetry setting of ours inherited."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("XDG_", "JUPYTER_", "ORT_", "IPYTHON"))
    }
    return {**kept, "HOME": str(folder), "ROBOTLAB_PROGRESS": "off", "OMP_NUM_THREADS": "1"}


def run_traced(words: list[str], folder: Path, timeout_s: float = 300) -> tuple[list[str], list[str]]:
    """Outside addresses, and files that telemetry keeps in the user's home."""
    home, log = folder / "home", folder / "trace.txt"
    home.mkdir()
    ran = subprocess.run(
        traced(words, log),
        env=private_home(home),
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout[-2000:] + ran.stderr[-2000:]
    return outside(log), telemetry_files(home)


def telemetry_files(home: Path) -> list[str]:
    """What looks like a device id or a database of events."""
    return [
        str(path.relative_to(home))
        for path in home.rglob("*")
        if path.name in ("deviceid", "onnxruntime.db") or path.suffix == ".db"
    ]
