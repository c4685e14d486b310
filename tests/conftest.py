"""For all tests: no progress is written into the user's home, and the whole suite uses all cores.

``python -m pytest`` without a file starts one process for each core and one more (pytest-xdist),
up to four, and deals out whole files, so that what a file prepares is prepared once.
With a file or a folder named, all runs in one process, where a debugger and ``-s``
work; so does ``-n 0``, or ``-p no:xdist``.
"""

import os
import shutil
from collections import Counter

import pytest

os.environ["ROBOTLAB_PROGRESS"] = "off"
WORKER = "PYTEST_XDIST_WORKER"  # set by pytest-xdist in each process that it starts
# Each process holds a browser, a JupyterLab and a kernel: up to 1.5 GB.
MOST_PROCESSES = 4
CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")


@pytest.fixture(scope="session")
def chromium_path():
    """A Chromium, of ROBOTLAB_CHROMIUM or on the path, or None."""
    path = os.environ.get("ROBOTLAB_CHROMIUM") or next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)
    return path if path and os.path.exists(path) else None


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config):
    option = config.option
    whole = config.args_source is config.ArgsSource.TESTPATHS
    # The processes that this starts come here too, and must not start more.
    if (
        WORKER in os.environ
        or not (whole and config.pluginmanager.hasplugin("xdist"))
        or option.usepdb
        or option.collectonly
    ):
        return
    if option.numprocesses is None and option.dist == "no":
        # One more than cores: a third of the time a test waits, for a page, a kernel or a clock (measured).
        option.numprocesses = min(os.cpu_count() or 1, MOST_PROCESSES)
        option.dist, option.loadscopereorder = "loadfile", False
        # One thread each: threads of two processes on the same cores wait for one another.
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
            os.environ.setdefault(name, "1")


@pytest.fixture(autouse=True)
def numpy_prints_as_by_itself():
    """A reference library that sets NumPy's print options when it is imported changes no later test's output."""
    import numpy as np

    np.set_printoptions(legacy=False)


def pytest_collection_modifyitems(items):
    """Dealt out: the longest files first, so that the last ones are short and no core waits for another."""
    if WORKER in os.environ:
        weight: Counter = Counter()
        for item in items:
            # A lesson in the browser takes about as long as ten other slow tests.
            weight[item.path] += 10 * bool(item.get_closest_marker("browser")) or bool(item.get_closest_marker("slow"))
        items.sort(key=lambda item: -weight[item.path])
