"""Run a notebook in a kernel of this very environment."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import threading
import warnings
from pathlib import Path
from typing import Any

from robotlab.course.outputs import LessonError
from robotlab.errors import install_hint


def run(notebook: dict[str, Any], folder: str | Path, timeout_s: float) -> dict[str, Any]:
    """Run all cells of a notebook; the outputs are put into it.

    Parameters
    ----------
    notebook : dict
        In the notebook format, version 4.  Changed in place.
    folder : path-like
        Where the kernel runs.
    timeout_s : float
        The longest one cell may take, s.

    Returns
    -------
    dict
        The same notebook.

    Raises
    ------
    LessonError
        If nbclient is not installed, a cell takes too long, or the kernel dies.

    Examples
    --------
    >>> run({"cells": []}, ".", 10)
    {'cells': []}
    """
    if not any(cell["cell_type"] == "code" for cell in notebook["cells"]):
        return notebook
    try:
        import nbformat
        from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
        from jupyter_client.manager import AsyncKernelManager
        from nbclient import NotebookClient
        from nbclient.exceptions import CellTimeoutError
    except ModuleNotFoundError as error:
        raise LessonError(
            f"building lessons needs {error.name}, it is not installed; {install_hint('build')}"
        ) from None

    class ThisPython(KernelSpecManager):
        """Knows one kernel, this Python, whatever else is registered on the machine."""

        def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
            # A figure with text too small to read is an error; no name is left behind.
            watch = "__import__('robotlab.course.figure_text', fromlist=['*']).watch_figures()"
            argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
            argv += [f"--IPKernelApp.exec_lines={watch}"]
            return KernelSpec(argv=argv, display_name="Python 3", language="python")

    manager = AsyncKernelManager(kernel_name="python3", kernel_spec_manager=ThisPython())
    # The order of a set, and with it any text made from one, is then the same in each run.
    # A lesson that is built is nobody's progress.
    environment = {**os.environ, "PYTHONHASHSEED": "0", "ROBOTLAB_PROGRESS": "off"}
    opened = nbformat.from_dict(notebook)
    client = NotebookClient(
        opened,
        km=manager,
        timeout=timeout_s,
        allow_errors=True,
        record_timing=False,
        store_widget_state=False,
        resources={"metadata": {"path": str(folder)}},
    )
    # The client takes these signals for itself, and would leave them without our handlers.
    in_main = threading.current_thread() is threading.main_thread()
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)} if in_main else {}
    with warnings.catch_warnings():
        # Leak reports of the client's own sockets say nothing about the lesson.
        warnings.simplefilter("ignore", ResourceWarning)
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            # What the kernel program itself logs goes nowhere; what a cell writes is an output.
            # Left to itself, the client ends only a kernel whose manager it has made; ours would live on, with its memory.
            client.execute(cleanup_kc=True, env=environment, stderr=subprocess.DEVNULL)
        except BaseException as error:
            if getattr(client, "_async_cleanup_kernel_future", None):  # told by a signal, the client ended the kernel
                raise KeyboardInterrupt from None
            if isinstance(error, CellTimeoutError):
                raise LessonError(
                    f"a cell must end within {timeout_s:g} s, one did not; make it shorter: {str(error)[:200]}"
                ) from None
            if isinstance(error, RuntimeError):  # DeadKernelError, or one that died while it started
                raise LessonError(
                    f"a kernel must live until the last cell, it did not ({error}); was there memory enough?"
                ) from None
            raise
        finally:
            for number, handler in handlers.items():
                signal.signal(number, handler)
            # The client leaves its sockets to the collector; let that happen here.
            del client
            gc.collect()
    for cell, ran in zip(notebook["cells"], opened.cells):
        if cell["cell_type"] == "code":
            cell["outputs"] = [dict(output) for output in ran.outputs]
            cell["execution_count"] = ran.execution_count
    return notebook
