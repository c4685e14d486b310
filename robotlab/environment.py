"""Check that this machine is ready for the course, and say what is missing and how to fix it."""

from __future__ import annotations

import importlib.metadata
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, ClassVar

from robotlab.json_file import parse_json

# Packages that the course cannot do without; the list of pyproject.toml.
PACKAGES = (
    "jupyterlab",
    "numpy",
    "scipy",
    "matplotlib",
    "ipywidgets",
    "anywidget",
    "scikit-image",
    "onnx",
    "onnxruntime",
    "pillow",
    "tqdm",
)
# Room for pictures, models and reports of the whole course; measured: under 300 MB.
FREE_DISK_MB = 500
OLDEST_PYTHON = (3, 11)
READ_ONLY = "your work in the lessons could not be saved; copy the folder to a place of yours, and start there"
FIRST_LESSON = "lessons/00_start_here.ipynb"
# Where Jupyter and what it starts write, by the variable that names the place.
_JUPYTER_FOLDERS = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR", "MPLCONFIGDIR")


@dataclass(frozen=True)
class CheckLine:
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
class CheckReport:
    """What was looked at, one line each.

    Parameters
    ----------
    lines : tuple of CheckLine
        In the order looked at.
    """

    lines: tuple[CheckLine, ...]
    # The last line, where nothing is to be done.
    all_well: ClassVar[str] = "Nothing to do."

    @property
    def ok(self) -> bool:
        """True if every line is."""
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
        rows = [(line.name, "ok" if line.ok else "FIX", line.value) for line in self.lines]
        width = max(len(name) for name, _, _ in rows)
        table = "\n".join(f"{name:<{width}}  {state:<3}  {value}".rstrip() for name, state, value in rows)
        repairs = [f"{line.name}: {line.repair}" for line in self.lines if line.repair]
        end = self.all_well if self.ok else "Fix these first, then run it again."
        return "\n".join([table, *repairs, end])


@dataclass(frozen=True)
class Environment(CheckReport):
    """What :func:`check_environment` found.

    Parameters
    ----------
    lines : tuple of CheckLine
        In the order looked at.

    Examples
    --------
    >>> Environment((CheckLine("Python", "3.11", True),)).ok
    True
    """

    all_well: ClassVar[str] = "This machine is ready for the course."


def installed(package: str) -> str | None:
    """The version of a package that is installed here.

    Parameters
    ----------
    package : str
        As the package index calls it.

    Returns
    -------
    str or None
        None where it is not installed.

    Examples
    --------
    >>> installed("no-such-package") is None
    True
    """
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return None


def find_above(name: str, start: str | Path = ".") -> Path | None:
    """Look for a file or folder of the course.

    Parameters
    ----------
    name : str
        As seen from the folder you cloned.
    start : path-like
        Where the search begins.

    Returns
    -------
    Path or None
        In `start` or above it, or else where the library is; None if in neither place.

    Examples
    --------
    >>> find_above("robotlab/camera.py").name
    'camera.py'
    """
    here = Path(start).absolute()
    for folder in (here, *here.parents, Path(__file__).resolve().parents[1]):
        if (folder / name).exists():
            return folder / name
    return None


def is_writable(folder: str | Path) -> bool:
    """Whether a file can be made in a folder, or in a folder to be made there: tried, not asked.

    Parameters
    ----------
    folder : path-like
        It need not exist.

    Returns
    -------
    bool
        False also where the disk is full or mounted read-only.

    Examples
    --------
    >>> is_writable(tempfile.gettempdir())
    True
    """
    folder = Path(folder).absolute()
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def jupyter_folders() -> dict[str, str]:
    """Environment variables that Jupyter needs where the user's home cannot be written.

    Returns
    -------
    dict
        Empty where the home can be written; else every folder that Jupyter,
        IPython and matplotlib write to, in a temporary place.

    Examples
    --------
    >>> sorted(jupyter_folders())[:1] in ([], ["IPYTHONDIR"])
    True
    """
    if is_writable(Path.home()):
        return {}
    place = Path(tempfile.gettempdir()) / f"robotlab-jupyter-{os.getpid()}"
    # What the user has set already stays.
    return {name: str(place / name.lower()) for name in _JUPYTER_FOLDERS if not os.environ.get(name)}


def _home() -> CheckLine:
    if is_writable(Path.home()):
        return CheckLine("home folder", "can be written")
    remark = "JupyterLab's settings and your progress last until it ends; to keep them, set HOME to a folder of yours"
    return CheckLine("home folder", f"{Path.home()} cannot be written", True, remark)


def _lessons(folder: str) -> CheckLine:
    """The lessons, in a place where a learner's work can be saved."""
    first = find_above(FIRST_LESSON, folder)
    if first is None:
        where = "they are in the folder that you clone, not in the installed package; change into it"
        return CheckLine("lessons", "not found", False, f"{where}, {Path(folder).absolute()} is not in it")
    if not is_writable(first.parent):
        return CheckLine("lessons", f"{first.parent} cannot be written", False, READ_ONLY)
    return CheckLine("lessons", "found, and can be written")


def _package(name: str) -> CheckLine:
    version = installed(name)
    if version is None:
        return CheckLine(name, "missing", False, f"{sys.executable} -m pip install {name}")
    return CheckLine(name, version)


def _kernel() -> CheckLine:
    """Does Jupyter start this very Python?  The commonest trouble of widgets."""
    words = [sys.executable, "-m", "jupyter", "kernelspec", "list", "--json"]
    try:
        environment = {**os.environ, **jupyter_folders()}
        said = subprocess.run(words, capture_output=True, timeout=20.0, check=True, env=environment).stdout
        listed = parse_json(said, "the list of kernels")
        command = listed["kernelspecs"]["python3"]["spec"]["argv"][0]
    except (OSError, subprocess.SubprocessError, ValueError, KeyError, IndexError):
        return CheckLine("Jupyter's kernel", "not found", False, f"{sys.executable} -m pip install ipykernel")
    found = shutil.which(command) or command
    # "python" in a kernel's command means the Python that runs Jupyter.
    here = Path(sys.executable).absolute().parent
    if command in ("python", "python3") or Path(found).absolute().parent == here:
        return CheckLine("Jupyter's kernel", "the same Python")
    fix = f"{sys.executable} -m ipykernel install --sys-prefix --name python3"
    return CheckLine("Jupyter's kernel", str(found), False, f"notebooks would run in another Python; fix it with {fix}")


def check_environment(folder: str = ".", kernel: bool = True) -> Environment:
    """Look at Python, packages, lessons, disk, home folder and Jupyter.

    Parameters
    ----------
    folder : str
        The course's folder or one in it; its disk must have room.
    kernel : bool
        Also ask Jupyter which Python it starts (about a second).

    Returns
    -------
    Environment
        One line for each thing.

    Examples
    --------
    >>> check_environment(kernel=False).lines[0].name
    'Python'
    """
    version = f"{platform.python_version()} on {platform.system()} {platform.machine()}"
    new_enough = sys.version_info[:2] >= OLDEST_PYTHON
    newer = f"install Python {'.'.join(map(str, OLDEST_PYTHON))} or newer"
    free = shutil.disk_usage(folder).free // 2**20
    room = free >= FREE_DISK_MB
    return Environment(
        (
            CheckLine("Python", version, new_enough, "" if new_enough else newer),
            *map(_package, PACKAGES),
            CheckLine(
                "free disk", f"{free} MB", room, "" if room else f"make room: the course wants {FREE_DISK_MB} MB"
            ),
            _lessons(folder),
            _home(),
            *([_kernel()] if kernel else []),
            CheckLine("PyTorch", installed("torch") or "not installed; the course does not need it"),
        )
    )
