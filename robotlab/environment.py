"""Is this machine ready for the course?  What is missing, and how to mend it."""

from __future__ import annotations

import importlib.metadata
import platform
import shutil
import subprocess
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from robotlab.json_file import parse_json


# Packages that the course cannot do without; the list of pyproject.toml.
PACKAGES = (
    "jupyterlab", "numpy", "scipy", "matplotlib", "ipywidgets", "anywidget", "scikit-image", "onnx", "onnxruntime",
    "pillow", "tqdm", "joblib",
)  # fmt: skip
# Room for pictures, models and reports of the whole course; measured: under 300 MB.
FREE_DISK_MB = 500
OLDEST_PYTHON = (3, 11)


@dataclass(frozen=True)
class Line:
    """One thing that was looked at.

    Parameters
    ----------
    name : str
        What.
    value : str
        What was found.
    ok : bool
        Whether it will do.
    repair : str
        What to do where it will not; also a remark on things nobody needs.
    """

    name: str
    value: str
    ok: bool = True
    repair: str = ""


@dataclass(frozen=True)
class Environment:
    """What :func:`checkup` found.

    Parameters
    ----------
    lines : tuple of Line
        In the order looked at.

    Examples
    --------
    >>> Environment((Line("Python", "3.11", True),)).ok
    True
    """

    lines: tuple[Line, ...]

    @property
    def ok(self) -> bool:
        """True if the course can be taken here."""
        return all(line.ok for line in self.lines)

    def to_dict(self) -> dict[str, Any]:
        """Plain values, for JSON.

        Returns
        -------
        dict
            ``ok`` and ``lines``.
        """
        return {"ok": self.ok, "lines": [asdict(line) for line in self.lines]}

    def text(self) -> str:
        """A table for a terminal.

        Returns
        -------
        str
            Several lines and a conclusion.
        """
        rows = [(line.name, "ok" if line.ok else "MEND", line.value) for line in self.lines]
        width = max(len(name) for name, _, _ in rows)
        table = "\n".join(f"{name:<{width}}  {state:<4}  {value}".rstrip() for name, state, value in rows)
        mends = [f"{line.name}: {line.repair}" for line in self.lines if line.repair]
        end = "This machine is ready for the course." if self.ok else "Mend these first, then run it again."
        return "\n".join([table, *mends, end])


def _packages() -> list[Line]:
    lines = []
    for name in PACKAGES:
        try:
            lines.append(Line(name, importlib.metadata.version(name)))
        except importlib.metadata.PackageNotFoundError:
            lines.append(Line(name, "missing", False, f"{sys.executable} -m pip install {name}"))
    return lines


def _kernel(timeout_s: float = 20.0) -> Line:
    """Does Jupyter start this very Python?  The commonest trouble of widgets."""
    words = [sys.executable, "-m", "jupyter", "kernelspec", "list", "--json"]
    try:
        listed = parse_json(subprocess.run(words, capture_output=True, timeout=timeout_s, check=True).stdout, "the list of kernels")
        command = listed["kernelspecs"]["python3"]["spec"]["argv"][0]
    except (OSError, subprocess.SubprocessError, ValueError, KeyError, IndexError):
        return Line("Jupyter's kernel", "not found", False, f"{sys.executable} -m pip install ipykernel")
    found = shutil.which(command) or command
    # "python" in a kernel's command means the Python that runs Jupyter.
    same = command in ("python", "python3") or Path(found).absolute().parent == Path(sys.executable).absolute().parent
    if same:
        return Line("Jupyter's kernel", "the same Python")
    return Line(
        "Jupyter's kernel", str(found), False,
        f"notebooks would run in another Python; mend with {sys.executable} -m ipykernel install --sys-prefix --name python3",
    )  # fmt: skip


def checkup(folder: str = ".", kernel: bool = True) -> Environment:
    """Look at Python, packages, disk and Jupyter.

    Parameters
    ----------
    folder : str
        Whose disk must have room.
    kernel : bool
        Also ask Jupyter which Python it starts (about a second).

    Returns
    -------
    Environment
        One line for each thing.

    Examples
    --------
    >>> checkup(kernel=False).lines[0].name
    'Python'
    """
    version = ".".join(str(part) for part in sys.version_info[:3])
    wanted = ".".join(str(part) for part in OLDEST_PYTHON)
    new_enough = sys.version_info[:2] >= OLDEST_PYTHON
    lines = [
        Line("Python", f"{version} on {platform.system()} {platform.machine()}", new_enough,
             "" if new_enough else f"install Python {wanted} or newer"),
        *_packages(),
    ]  # fmt: skip
    free = shutil.disk_usage(folder).free // 2**20
    room = free >= FREE_DISK_MB
    lines.append(Line("free disk", f"{free} MB", room, "" if room else f"make room: the course wants {FREE_DISK_MB} MB"))
    if kernel:
        lines.append(_kernel())
    try:
        lines.append(Line("PyTorch", importlib.metadata.version("torch")))
    except importlib.metadata.PackageNotFoundError:
        lines.append(Line("PyTorch", "not installed; the course does not need it"))
    return Environment(tuple(lines))
