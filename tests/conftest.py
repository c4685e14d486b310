"""For all tests: no progress is written into the user's home, and the whole suite uses all cores.

``python -m pytest`` without a file starts two processes more than there are cores (pytest-xdist),
three to five, and deals out whole files, the longest first, so that what a file prepares is prepared once.
The first process begins with the files that keep to a clock, which wait more than they compute.
The other files run at a lower priority, so that no clock is late because of them, and so do the
browsers, JupyterLabs and kernels that they start.
Where one is late all the same, because the computer is, a test that failed meanwhile is run
again; the last lines say which.
With a file or a folder named, all runs in one process, where a debugger and ``-s``
work; so does ``-n 0``, or ``-p no:xdist``.
Tests marked ``long`` are left out unless ``-m`` says otherwise (pyproject.toml); the last lines say how many.
"""

import gc
import os
import shlex
import shutil
import signal
import sys
import threading
from collections import Counter
from contextlib import suppress
from pathlib import Path

# By name: tests put clocks of their own in the place of these.
from time import monotonic, sleep

import psutil
import pytest
from _pytest.runner import runtestprotocol

os.environ["ROBOTLAB_PROGRESS"] = "off"
# Each process that the tests start would compile robotlab anew, and what was installed without compiling.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# A shell starts what runs in the background with Ctrl+C ignored, and so would be all that tests start, and interrupt.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
# Whoever reads a notebook imports nbformat, which imports jsonschema, and that, where it can, 38 grammars of addresses that
# take two seconds to build.  nbformat never asks for the check that needs them.
sys.modules.setdefault("rfc3987_syntax", None)
WORKER = "PYTEST_XDIST_WORKER"  # set by pytest-xdist in each process that it starts
# Each process holds a browser, a JupyterLab and a kernel: up to 1.5 GB.
MOST_PROCESSES, EACH_BYTES = 5, 1.5e9
# About how long a test takes, s on two cores that other tests use as well: a long one in a browser, another one there, a
# slow one, another.
LONG_S, BROWSER_S, SLOW_S, QUICK_S = 30.0, 6.0, 4.0, 0.03
# Files that take much longer or less than that, s, without and with their long tests, below tests/; only the order in which
# files are begun depends on it.
ABOUT_S = {
    "browser/test_hostile_names": (6, 35),
    "browser/test_lesson_06": (1, 60),
    "browser/test_lesson_07": (1, 110),
    "browser/test_lesson_08": (1, 80),
    "browser/test_lesson_12": (1, 95),
    "browser/test_lesson_13": (1, 70),
    "browser/test_labeler": (25, 65),
    "browser/test_replay": (15, 15),
    "course/test_builder": (25, 30),
    "course/test_guide": (5, 5),
    "course/test_lessons": (60, 300),
    "greenhouse/test_renderer": (18, 18),
    "hostile/test_fuzz": (15, 40),
    "hostile/test_interrupt": (5, 45),
    "hostile/test_marking": (35, 35),
    "loop/test_loop_faults": (8, 13),
    "neural/test_detector_training": (35, 45),
    "packs/test_packs_offline": (16, 16),
    "practice/test_practice_engine": (6, 12),
    "practice/test_practice_fresh_answers": (8, 20),
    "practice/test_practice_tasks": (10, 15),
    "practice/test_practice_wrong_answers": (10, 20),
    "sweep/test_sealed_test": (1, 16),
    "test_cli": (13, 13),
    "test_design_sheet": (15, 55),
    "test_docs_examples": (16, 28),
    "test_docs_tools": (2, 38),
    "test_network": (12, 55),
}
# What drives, holds or stops against a clock, below tests/.
REAL_TIME = (
    "browser/test_live_page",
    "control/test_link_safety",
    "loop/test_loop_driving",
    "loop/test_loop_hostile_drive",
    "loop/test_loop_log",
    "loop/test_loop_real_log",
    "loop/test_loop_stop",
    "loop/test_loop_timing",
    "loop/test_loop_viewers",
    "robot/",
)
# Where tests open a page, mostly in JupyterLab.
BROWSER = "tests/browser/"
# A thread that is woken this much too late, s: no test can tell then who was late, this computer or what it tests.
LATE_S = 0.02
# So often such a test is run at most.
TURNS = 3
# How many long tests were left out; and every test there is, long or not, for tests/test_long_tests.py.
LEFT_OUT, COLLECTED = pytest.StashKey[int](), pytest.StashKey[list]()
# Of this file each test is dealt out by itself: where there is no browser each runs a lesson.
LESSONS = "tests/course/test_lessons.py::test_notebooks_run"
CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")


def kept_down(program, folder):
    """For root on Linux: a script that runs a program without the right to raise its own priority, as Chromium does."""
    setpriv = shutil.which("setpriv")
    if not (setpriv and hasattr(os, "geteuid") and os.geteuid() == 0):
        return program
    script = folder / "kept_down"
    right = "--bounding-set=-sys_nice --inh-caps=-sys_nice"
    script.write_text(f'#!/bin/sh\nexec {setpriv} {right} -- {shlex.quote(program)} "$@"\n')
    script.chmod(0o755)
    return str(script)


@pytest.fixture(scope="session")
def chromium_path(tmp_path_factory):
    """A Chromium, of ROBOTLAB_CHROMIUM or on the path, or None."""
    path = os.environ.get("ROBOTLAB_CHROMIUM") or next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)
    return kept_down(path, tmp_path_factory.mktemp("chromium")) if path and os.path.exists(path) else None


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
        # More than cores: the first one waits for clocks most of its time, and the others for pages a quarter of theirs.
        room = int(psutil.virtual_memory().available / EACH_BYTES)
        option.numprocesses = max(3, min(2 + (os.cpu_count() or 1), MOST_PROCESSES, room))
        option.dist, option.loadscopereorder = "loadfile", False
        # One thread each: threads of two processes on the same cores wait for one another.
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
            os.environ.setdefault(name, "1")
        # With the GNU C library memory that an array has left stays with its process: to ask the system for it anew,
        # page by page, took a thirtieth of the time of a lesson that renders.
        for name in ("MALLOC_MMAP_THRESHOLD_", "MALLOC_TRIM_THRESHOLD_"):
            os.environ.setdefault(name, str(10**9))


@pytest.hookimpl(wrapper=True)
def pytest_collection(session):
    """Before the first test file: an example of Hypothesis may take as long as a busy machine needs.

    Nearly all that the files make when they are imported stays to the end: looking for garbage among it took a
    quarter of their time, and is not done later either.
    """
    if session.config.pluginmanager.hasplugin("hypothesispytest"):
        from hypothesis import HealthCheck, settings

        settings.register_profile("busy", deadline=None, suppress_health_check=[HealthCheck.too_slow])
        settings.load_profile("busy")
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    """Dealt out: each process goes through the files from another one on, and finds later ones made ready by the others.

    What pytest makes of a file's asserts takes longer than the file, and is kept beside it.
    """
    report = yield
    if WORKER in os.environ and isinstance(collector, pytest.Directory) and report.result:
        number, count = int(os.environ[WORKER].removeprefix("gw")), int(os.environ["PYTEST_XDIST_WORKER_COUNT"])
        first = len(report.result) * number // count
        report.result = report.result[first:] + report.result[:first]
    return report


@pytest.fixture(autouse=True)
def numpy_prints_as_by_itself():
    """A reference library that sets NumPy's print options when it is imported changes no later test's output."""
    import numpy as np

    np.set_printoptions(legacy=False)


@pytest.fixture
def collected(request):
    """Every test that was found, run or left out."""
    return request.config.stash[COLLECTED]


def keeps_to_a_clock(nodeid: str) -> bool:
    """Of a test, or of a file of tests."""
    return nodeid.removeprefix("tests/").startswith(REAL_TIME)


class Lateness(threading.Thread):
    """How much too late this process was woken at worst, s, while a block ran."""

    worst_s, over = 0.0, False

    def __enter__(self):
        self.start()
        return self

    def run(self):
        while not self.over:
            before = monotonic()
            sleep(0.01)
            self.worst_s = max(self.worst_s, monotonic() - before - 0.01)

    def __exit__(self, *_):
        self.over = True
        self.join()


def in_turns(item, nextitem):
    """Reports of a test that keeps to a clock: one that failed while this computer was late is run again."""
    for left in reversed(range(TURNS)):
        with Lateness(daemon=True) as late:
            reports = runtestprotocol(item, log=False, nextitem=nextitem)
        if not (any(report.failed for report in reports) and late.worst_s > LATE_S and left):
            break
        item.user_properties.append(("run again", f"woken {late.worst_s:.2f} s too late"))
        # What a fixture of the module or session did late would be handed on.
        item.session._setupstate.teardown_exact(None)
        item._initrequest()
    return reports


def pytest_runtest_protocol(item, nextitem):
    """Dealt out: that fixtures were made and taken down is only told where it failed, skips the test or took long.

    Each report costs the process and the one that gathers them more than most tests.
    """
    clock, dealt_out = keeps_to_a_clock(item.nodeid), WORKER in os.environ
    if not (clock or dealt_out):
        return None
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    for report in in_turns(item, nextitem) if clock else runtestprotocol(item, log=False, nextitem=nextitem):
        shown = report.duration >= (item.config.option.durations_min or 0)
        if report.when == "call" or not report.passed or shown or not dealt_out:
            item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def pytest_itemcollected(item):
    item.config.stash.setdefault(COLLECTED, []).append(item)


def pytest_deselected(items):
    """Count what ``-m "not long"`` leaves out, which is long tests alone."""
    if all(item.get_closest_marker("long") for item in items):
        items[0].config.stash[LEFT_OUT] = len(items)


def pytest_sessionfinish(session):
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["left out"] = session.config.stash.get(LEFT_OUT, 0)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node):
    """Each process leaves the same ones out; one that crashed has nothing to say."""
    stash = node.config.stash
    stash[LEFT_OUT] = max(stash.get(LEFT_OUT, 0), getattr(node, "workeroutput", {}).get("left out", 0))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_terminal_summary(terminalreporter, config):
    """At the end: how many long tests were left out; which tests were run again, and how late this computer was."""
    yield
    if count := config.stash.get(LEFT_OUT, 0):
        tests = "1 long test was" if count == 1 else f"{count} long tests were"
        terminalreporter.write_line(
            f'LEFT OUT {tests} not run; add -m "" to run all: python -m pytest -m "" [file or test], as .ci/run does'
        )
    for report in (report for kind in terminalreporter.stats.values() for report in kind):
        if getattr(report, "when", None) == "call":
            for name, value in report.user_properties:
                if name == "run again":
                    terminalreporter.write_line(f"RUN AGAIN {report.nodeid} - {value}")


gave_way = False


def lower_sessions():
    """Lower the priority of this process's session, and of those that it starts, now and later.

    Linux weighs sessions against one another (sched(7), autogroup), and niceness counts within each alone: a browser
    or a kernel, each a session of its own, would weigh as much as all that keeps to a clock.
    """
    me, asked = os.getpid(), {0}
    while True:
        # To ask for the sessions of all processes takes a fifth of the time that looking for children does, or less.
        for pid in filter(str.isdigit, os.listdir("/proc")):
            with suppress(OSError, psutil.Error):
                session = os.getsid(int(pid))
                if session not in asked:
                    leader = psutil.Process(session)
                    if me in (one.pid for one in (leader, *leader.parents())):
                        Path(f"/proc/{session}/autogroup").write_text("10")
                    asked.add(session)
        sleep(0.5)


def pytest_runtest_setup(item):
    """Dealt out: a process that computes gives way to one that keeps to a clock."""
    global gave_way
    if WORKER in os.environ and not gave_way and not keeps_to_a_clock(item.nodeid) and hasattr(os, "nice"):
        gave_way = True
        os.nice(10)
        if os.path.exists("/proc/self/autogroup"):
            os.setsid()
            threading.Thread(target=lower_sessions, daemon=True).start()


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items):
    """Dealt out: the longest files first, so that the last ones are short and no core waits for another."""
    if WORKER in os.environ:
        takes_s: Counter = Counter()
        long = {item.path for item in items if item.get_closest_marker("long")}
        for item in items:
            in_browser = LONG_S if item.get_closest_marker("long") else BROWSER_S
            slow = next(
                (s for name, s in (("browser", in_browser), ("slow", SLOW_S)) if item.get_closest_marker(name)), 0
            )
            takes_s[item.path] += slow or QUICK_S
        for path in takes_s:
            for name in [name for name in ABOUT_S if path.with_suffix("").as_posix().endswith(f"tests/{name}")]:
                takes_s[path] = ABOUT_S[name][path in long]
        items.sort(key=lambda item: (-takes_s[item.path], item.path))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    if config.option.dist != "loadfile":
        return None
    from xdist.scheduler import LoadFileScheduling

    class ClocksFirst(LoadFileScheduling):
        """Whole files; those that keep to a clock one after another, in the first process alone, which begins with them.

        Of the others the second process takes those in a browser first, the others take them last: a page leaves a core
        free for a quarter of its time, which these fill; and each process that opens one starts a JupyterLab and a Chromium.
        """

        def _split_scope(self, nodeid):
            return nodeid if nodeid.startswith(LESSONS) else super()._split_scope(nodeid)

        def _reschedule(self, node):
            if self.workqueue and not node.shutting_down and self._next(node) is None:
                node.shutdown()  # Only the other lane's files are left; without this it would keep its last test.
            else:
                super()._reschedule(node)

        def _next(self, node):
            in_order = sorted(self.nodes, key=lambda one: one.gateway.id)
            mine = [file for file in self.workqueue if node is in_order[0] or not keeps_to_a_clock(file)]
            pages = node in in_order[1:2]
            return max(mine, key=lambda file: (keeps_to_a_clock(file), (BROWSER in file) is pages), default=None)

        def _assign_work_unit(self, node):
            file = self._next(node)
            if file is not None:
                self.workqueue.move_to_end(file, last=False)
                super()._assign_work_unit(node)

    return ClocksFirst(config, log)
