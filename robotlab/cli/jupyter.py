"""Start JupyterLab, in this environment, in place of this process."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

from robotlab.cli.shared import say


def start_jupyterlab(root: Path, notebook: str, port: int, no_browser: bool) -> int:
    """Start JupyterLab at a notebook.

    Parameters
    ----------
    root : Path
        The folder that it shows.
    notebook : str
        The notebook below it, with ``/``.
    port : int
        First port to try.
    no_browser : bool
        Open no browser window, print the address.

    Returns
    -------
    int
        Its exit code, where the system cannot replace this process.

    Raises
    ------
    ModuleNotFoundError
        If JupyterLab is not installed.
    """
    from robotlab.environment import jupyter_folders

    if importlib.util.find_spec("jupyterlab") is None:
        raise ModuleNotFoundError("JupyterLab is started", name="jupyterlab")
    words = [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={root}",
        # One document to the window: beside the list of files a small window would leave it 350 px.
        f"--LabApp.default_url=/doc/tree/{notebook}",
        f"--ServerApp.port={port}",
        # Nothing is sent anywhere: no look for updates, no news, no list of extensions from the package index.
        "--LabApp.check_for_updates_class=jupyterlab.handlers.announcements.NeverCheckForUpdate",
        "--LabApp.news_url=None",
        "--LabApp.extension_manager=readonly",
    ]
    # Without a display Python would open a text browser, if there is one, over this terminal.
    display = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    no_display = sys.platform.startswith("linux") and not display
    if no_browser or no_display:
        words.append("--no-browser")
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        # In a container one often is root, and Jupyter then wants to be asked twice.
        words.append("--allow-root")
    instead = jupyter_folders()
    if instead:
        say(f"{Path.home()} cannot be written: JupyterLab's settings and your progress last until it ends")
    say(f"starting JupyterLab in {root}; stop it with Ctrl+C")
    if no_display and not no_browser:
        say("there is no display here: open the address below in a browser")
    sys.stdout.flush()
    # Our kernel is Python's own with one extension, which says after a restart what to run first. Our settings
    # wrap long lines of code, which a small window would cut off, and answer the question about news, which would stand
    # over the page at the first start; the learner's own settings come before them.
    ours = str(Path(__file__).parents[1] / "course" / "jupyter")
    environment = {**os.environ, **instead}
    for name in ("JUPYTER_PATH", "JUPYTER_CONFIG_PATH"):
        environment[name] = os.pathsep.join(filter(None, [ours, os.environ.get(name)]))
    # Replace this process, so that Ctrl+C reaches JupyterLab alone.
    if os.name == "posix":
        os.execve(words[0], words, environment)
    import subprocess

    return subprocess.call(words, env=environment)
