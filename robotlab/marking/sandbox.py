"""The sandbox from outside: start it, send jobs in, get results out, all as data.

It is made by bubblewrap: mount, process, network, IPC and host-name
namespaces, a cleared environment, the interpreter and its packages read-only,
a copy of robotlab without tasks, answers and keys, and nothing else of the
machine.  In it a warm process forks for each notebook (:mod:`robotlab.marking.sandboxed`),
and each fork closes itself off once more (:mod:`robotlab.marking.confinement`).
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import json
import os
import select
import shutil
import site
import socket
import subprocess
import sys
import sysconfig
import tempfile
import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import robotlab
from robotlab.errors import InputError

# Bytes that a job may send back in all.
MOST_OUTPUT = 2**24
# For the sandbox to be ready: imports on a busy machine, s.
READY_S = 120.0
# Modules of the copy that stay of rooms that know answers, or how they are marked.
_KEPT = {
    "practice": {"running.py"},
    "marking": {"__init__.py", "sandboxed.py", "confinement.py", "slicing.py", "values.py"},
}
_STUB = "marking/stub_practice.py"
CONTAINER = (
    "docker run --rm --network none --security-opt seccomp=unconfined --cap-add SYS_ADMIN "
    '-v "$PWD/submissions:/in:ro" -v "$PWD/marks:/out" IMAGE robotlab mark /in -o /out'
)


@dataclass(frozen=True)
class Limits:
    """What one notebook may use.

    Parameters
    ----------
    wall_s : float
        Seconds for all of it, also of processor time.
    cell_s : float
        Seconds for one statement.
    task_s : float
        Seconds for all cases of one task.
    memory_mb : int
        Address space beyond that of the libraries, MiB.
    folder_mb : int
        Its own folder for files, MiB.
    file_mb : int
        One file, MiB.

    Examples
    --------
    >>> Limits().task_s < Limits().wall_s
    True
    """

    wall_s: float = 60.0
    cell_s: float = 20.0
    task_s: float = 5.0
    memory_mb: int = 1024
    folder_mb: int = 32
    file_mb: int = 16


def missing_sandbox() -> str:
    """Why strangers' notebooks cannot be run here; empty if they can.

    Returns
    -------
    str
        One sentence and the repair.

    Examples
    --------
    >>> isinstance(missing_sandbox(), str)
    True
    """
    from robotlab.marking.confinement import DENIED

    if sys.platform != "linux":
        return "notebooks of strangers must run in a sandbox, bubblewrap, which Linux alone has"
    if os.uname().machine not in DENIED:
        return f"notebooks of strangers must run in a sandbox, it has no table of system calls for {os.uname().machine}"
    if not shutil.which("bwrap"):
        return "notebooks of strangers must run in a sandbox, bubblewrap (the command bwrap) is not installed"
    ran = subprocess.run(
        [*_fence(), "--ro-bind", "/", "/", "/bin/sh", "-c", "exit 0"], capture_output=True, text=True, check=False
    )
    if ran.returncode:
        said = " ".join(ran.stderr.split())[:200]
        return f"notebooks of strangers must run in a sandbox, bubblewrap cannot make one here ({said})"
    return ""


def _fence() -> list[str]:
    """Namespaces; the administrator needs none for users, and gives up its rights in each fork."""
    words = ["bwrap", "--unshare-pid", "--unshare-net", "--unshare-ipc", "--unshare-uts", "--unshare-cgroup-try"]
    words += ["--die-with-parent", "--new-session", "--hostname", "sandbox", "--cap-drop", "ALL"]
    if os.getuid():
        return [*words[:1], "--unshare-user", *words[1:], "--cap-add", "CAP_SYS_ADMIN"]
    for name in ("SYS_ADMIN", "SETUID", "SETGID", "SETPCAP", "KILL"):
        words += ["--cap-add", f"CAP_{name}"]
    return words


@functools.cache
def library_copy() -> Path:
    """A copy of robotlab without tasks, misconceptions, keys and the marking itself; removed at the end.

    Returns
    -------
    Path
        A folder that holds the folder ``robotlab``.

    Examples
    --------
    >>> (library_copy() / "robotlab" / "practice" / "tasks").exists()
    False
    """
    own = Path(robotlab.__file__).parent
    folder = Path(tempfile.mkdtemp(prefix="robotlab-sandbox-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)

    def left_out(where: str, names: list[str]) -> set[str]:
        part = Path(where).relative_to(own).parts
        out = {name for name in names if name == "__pycache__"}
        if len(part) == 1 and part[0] in _KEPT:
            out |= set(names) - _KEPT[part[0]]
        return out

    shutil.copytree(own, folder / "robotlab", ignore=left_out)
    shutil.copyfile(own / _STUB, folder / "robotlab" / "practice" / "__init__.py")
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o755 if path.is_dir() else 0o644)
    return folder


def _packages() -> list[Path]:
    """Folders of installed packages of this interpreter."""
    names = {*site.getsitepackages(), sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    return sorted(Path(name) for name in names if os.path.isdir(name))


def _walls() -> list[str]:
    """What of the machine is seen in the sandbox: the interpreter, its libraries, three devices."""
    base, packages, own = Path(sys.base_prefix).resolve(), _packages(), Path(robotlab.__file__).resolve().parents[1]
    # Folders that bubblewrap makes on its own way are its user's alone.
    above = {parent for path in (base, *packages) for parent in path.parents} - {Path("/"), Path("/usr")}
    words = [part for path in sorted(above) if Path("/usr") not in path.parents for part in ("--dir", str(path))]
    for path in (Path("/usr"), *(Path(f"/{name}") for name in ("lib", "lib64", "lib32", "bin")), base):
        if path.is_symlink():
            words += ["--symlink", os.readlink(path), str(path)]
        elif path.is_dir() and not (path != Path("/usr") and Path("/usr") in path.parents):
            words += ["--ro-bind", str(path), str(path)]
    if os.path.exists("/etc/ld.so.cache"):
        words += ["--ro-bind", "/etc/ld.so.cache", "/etc/ld.so.cache"]
    seen = (Path("/usr"), base)
    # A checkout that lies below what is seen would show its answers.
    emptied: list[str] = []
    if own not in packages and any(top in own.parents for top in seen):
        words += ["--tmpfs", str(own)]
        emptied.append(str(own))
    for folder in packages:
        if not any(top in folder.resolve().parents for top in seen) or own in folder.parents:
            words += ["--ro-bind", str(folder), str(folder)]
        if (folder / "robotlab").is_dir():
            words += ["--tmpfs", str(folder / "robotlab")]
            emptied.append(str(folder / "robotlab"))
    package = Path(robotlab.__file__).resolve().parent
    words += ["--ro-bind", str(package), "/sandbox/robotlab"]
    for part, names in _KEPT.items():
        words += ["--tmpfs", f"/sandbox/robotlab/{part}"]
        emptied.append(f"/sandbox/robotlab/{part}")
        for name in sorted(names):
            words += ["--ro-bind", str(package / part / name), f"/sandbox/robotlab/{part}/{name}"]
    words += ["--ro-bind", str(package / _STUB), "/sandbox/robotlab/practice/__init__.py"]
    for device in ("null", "zero", "urandom", "random"):
        words += ["--dev-bind", f"/dev/{device}", f"/dev/{device}"]
    words += ["--dir", "/desk"]
    # Nothing that one fork could leave for the next can be written: each has a /desk of its own.
    for place in ("/", *emptied):
        words += ["--remount-ro", place]
    return [*words, "--tmpfs", "/desk", "--chdir", "/desk"]


def _environment(library: str) -> dict[str, str]:
    """All that the sandbox knows of the outside."""
    packages = os.pathsep.join(str(folder) for folder in _packages())
    return {
        "PYTHONPATH": f"{library}{os.pathsep}{packages}",
        "PATH": "/usr/bin:/bin",
        "HOME": "/desk",
        "TMPDIR": "/desk",
        "LANG": "C.UTF-8",
        "MPLBACKEND": "Agg",
        "MPLCONFIGDIR": "/desk",
        "PYTHONHASHSEED": "0",
        "PYTHONDONTWRITEBYTECODE": "1",
        **dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "ORT_DISABLE_TELEMETRY"), "1"),
        "ROBOTLAB_PROGRESS": "off",
    }


class Sandbox:
    """A warm process in a sandbox; it marks nothing, it gives back what functions returned.

    Parameters
    ----------
    limits : Limits
        Of each notebook.
    closed : bool
        False runs it on this very account, with limits alone.
    """

    def __init__(self, limits: Limits, closed: bool = True) -> None:
        self.limits = limits
        self.control, inner = socket.socketpair()
        options = json.dumps({**asdict(limits), "control": inner.fileno(), "closed": closed})
        python = [os.path.realpath(sys.executable), "-S", "-W", "ignore", "-m", "robotlab.marking.sandboxed", options]
        if closed:
            environment = _environment("/sandbox")
            words = [part for pair in environment.items() for part in ("--setenv", *pair)]
            command = [*_fence(), *_walls(), "--clearenv", *words, *python]
        else:
            environment, command = _environment(str(library_copy())), python
            environment |= dict.fromkeys(("HOME", "TMPDIR", "MPLCONFIGDIR"), tempfile.gettempdir())
        try:
            with inner:
                self.process = subprocess.Popen(
                    command,
                    env=environment,
                    pass_fds=[inner.fileno()],
                    cwd=None if closed else tempfile.gettempdir(),
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.PIPE,
                    start_new_session=True,
                )
        except OSError as problem:
            raise InputError(
                f"the sandbox must come up, {command[0]} does not start ({problem.strerror}); install bubblewrap"
            ) from None
        if self._told(READY_S) != b"ready":
            self.close()
            said = (self.process.stderr.read(4000) if self.process.stderr else b"").decode("utf-8", "replace")
            raise InputError(
                f"the sandbox must come up, it did not ({' '.join(said.split())[-300:]}); see instructor/marking.md"
            )

    def _told(self, seconds: float) -> bytes:
        ready, _, _ = select.select([self.control], [], [], seconds)
        try:
            return self.control.recv(64) if ready else b""
        except OSError:
            return b""

    def run(self, job: bytes) -> tuple[bytes, str]:
        """Run one job.

        Parameters
        ----------
        job : bytes
            JSON.

        Returns
        -------
        output : bytes
            Lines, whatever they hold, within the limits.
        ending : {"done", "time", "output", "died", "sandbox"}
            How it ended: by itself, over its time, over its output, killed, or
            with its sandbox.
        """
        end = time.monotonic() + self.limits.wall_s + 1
        read, write = os.pipe()
        with tempfile.TemporaryFile() as file:
            file.write(job)
            file.flush()
            file.seek(0)
            try:
                socket.send_fds(self.control, [b"job"], [file.fileno(), write])
            except OSError:
                os.close(read)
                return b"", "sandbox"
            finally:
                os.close(write)
        parts, size, ending = [], 0, "done"
        with open(read, "rb", buffering=0) as results:
            while True:
                ready, _, _ = select.select([results], [], [], max(0.0, end - time.monotonic()))
                part = results.read(2**16) if ready else None
                if part is None:
                    ending = "time"
                elif size + len(part) > MOST_OUTPUT:
                    ending = "output"
                elif part:
                    parts.append(part)
                    size += len(part)
                    continue
                break
        if ending != "done":
            with contextlib.suppress(OSError):
                self.control.send(b"end")
        status = self._told(max(0.0, end - time.monotonic()) + 5)
        if not status:
            self.close()
            return b"".join(parts), "sandbox" if ending == "done" else ending
        if ending == "done":
            ending = status.decode("ascii", "replace")
        return b"".join(parts), ending

    def close(self) -> None:
        """End it, and all that is in it."""
        self.control.close()
        self.process.kill()
        self.process.wait()


_rooms = threading.local()


def sandbox_for(limits: Limits, closed: bool) -> Sandbox:
    """The warm sandbox of this thread, made at its first call and when it has ended.

    Parameters
    ----------
    limits : Limits
        Of each notebook.
    closed : bool
        As for :class:`Sandbox`.

    Returns
    -------
    Sandbox
        Ready.
    """
    known = vars(_rooms).setdefault("rooms", {})
    sandbox = known.get((limits, closed))
    if sandbox is None or sandbox.process.poll() is not None or sandbox.control.fileno() < 0:
        sandbox = known[limits, closed] = Sandbox(limits, closed)
        atexit.register(sandbox.close)
    return sandbox
