"""The whole suite takes several processes; none of those takes more, or they would never end."""

import importlib.util
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import Mock

import pytest
from some_long import some_long


def conftest():
    """tests/conftest.py as a module of its own."""
    spec = importlib.util.spec_from_file_location("suite", Path(__file__).with_name("conftest.py"))
    suite = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(suite)
    return suite


MALLOC = ("MALLOC_MMAP_THRESHOLD_", "MALLOC_TRIM_THRESHOLD_")


def processes(place, monkeypatch, **option):
    """What the hook of tests/conftest.py asks pytest-xdist for."""
    suite = conftest()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", *MALLOC):
        monkeypatch.setenv(name, "1")
    for name in MALLOC:
        monkeypatch.delenv(name)
    given = {"numprocesses": None, "dist": "no", "usepdb": False, "collectonly": False} | option
    config = SimpleNamespace(
        option=SimpleNamespace(**given),
        ArgsSource=pytest.Config.ArgsSource,
        args_source=place,
        pluginmanager=SimpleNamespace(hasplugin=lambda name: name == "xdist"),
    )
    suite.pytest_cmdline_main(config)
    assert {os.environ.get(name) for name in MALLOC} == {str(10**9) if config.option.numprocesses else None}
    return config.option.numprocesses


def test_the_whole_suite_takes_several_processes_and_they_take_no_more(monkeypatch):
    whole, named = pytest.Config.ArgsSource.TESTPATHS, pytest.Config.ArgsSource.ARGS
    monkeypatch.delenv("PYTEST_XDIST_WORKER", raising=False)
    assert 3 <= processes(whole, monkeypatch) <= 5
    assert processes(named, monkeypatch) is None
    assert processes(whole, monkeypatch, usepdb=True) is None and processes(whole, monkeypatch, numprocesses=0) == 0
    monkeypatch.setenv("PYTEST_XDIST_WORKER", "gw0")
    assert processes(whole, monkeypatch) is None


@pytest.mark.parametrize(("cores", "free_gb", "count"), [(1, 16, 3), (2, 16, 4), (64, 16, 5), (2, 5, 3), (2, 0.5, 3)])
def test_there_are_as_many_processes_as_cores_and_memory_have_room_for(cores, free_gb, count, monkeypatch):
    monkeypatch.delenv("PYTEST_XDIST_WORKER", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    monkeypatch.setattr("psutil.virtual_memory", lambda: SimpleNamespace(available=free_gb * 1e9))
    assert processes(pytest.Config.ArgsSource.TESTPATHS, monkeypatch) == count


def test_the_files_that_are_named_are_there():
    suite = conftest()
    here = {
        path.relative_to(Path(__file__).parent).with_suffix("").as_posix()
        for path in Path(__file__).parent.rglob("test_*.py")
    }
    assert set(suite.ABOUT_S) <= here
    assert all(any(name.startswith(one) for name in here) for one in suite.REAL_TIME)


def test_the_longest_files_are_dealt_out_first(monkeypatch):
    suite, place = conftest(), Path("tests")
    monkeypatch.setenv("PYTEST_XDIST_WORKER", "gw0")

    def item(name, mark=None):
        return SimpleNamespace(path=place / f"{name}.py", get_closest_marker=lambda asked: asked == mark or None)

    items = [
        item("test_quick"),
        item("color/test_color"),
        item("color/test_color", "slow"),
        item("test_network", "slow"),
    ]
    items += [item("browser/test_any", "browser")]
    suite.pytest_collection_modifyitems(items)
    assert [one.path.stem for one in items] == ["test_network", "test_any", "test_color", "test_color", "test_quick"]


@pytest.mark.skipif(not (hasattr(os, "geteuid") and os.geteuid() == 0), reason="only root may raise a priority")
@pytest.mark.skipif(not shutil.which("setpriv"), reason="needs setpriv, of util-linux")
def test_a_browser_that_root_starts_cannot_raise_itself_above_what_keeps_to_a_clock(tmp_path):
    words = ["-c", "import os; print(os.setpriority(os.PRIO_PROCESS, 0, os.nice(0) - 1))"]
    for program, code in ((sys.executable, 0), (conftest().kept_down(sys.executable, tmp_path), 1)):
        ran = subprocess.run([program, *words], capture_output=True, text=True, timeout=60, check=False)
        assert ran.returncode == code, ran.stderr


WRITES = """
import os, pathlib, pytest, signal
@pytest.mark.parametrize("n", range(3))
def test_it(n):
    assert signal.getsignal(signal.SIGINT) is not signal.SIG_IGN
    with open({said!r}, "a") as said:
        said.write(f"{{pathlib.Path(__file__).parent.name}} {{os.environ['PYTEST_XDIST_WORKER']}} {{os.nice(0)}}\\n")
"""


LOWERED = """
import os, pathlib, pytest, subprocess, time
@pytest.mark.skipif(not os.path.exists("/proc/self/autogroup"), reason="sessions are weighed on Linux only")
def test_a_session_that_a_child_starts_gives_way():
    words = "setsid sh -c 'echo $$; exec sleep 60' & wait"
    with subprocess.Popen(["sh", "-c", words], stdout=subprocess.PIPE, text=True) as child:
        session, until = int(child.stdout.readline()), time.monotonic() + 20
        place = pathlib.Path(f"/proc/{session}/autogroup")
        while " nice 10" not in (said := place.read_text()) and time.monotonic() < until:
            time.sleep(0.1)
        os.kill(session, 9)
    assert " nice 10" in said
"""


@pytest.mark.skipif(not hasattr(os, "nice"), reason="this system has no niceness")
@pytest.mark.slow
@pytest.mark.parametrize("others", some_long([7, 1], every=2))
def test_what_keeps_to_a_clock_runs_in_one_process_and_the_others_give_way_to_it(others, tmp_path):
    said = tmp_path / "said"
    for folder, count in (("robot", 3), ("color", others)):
        (tmp_path / "tests" / folder).mkdir(parents=True)
        for n in range(count):
            (tmp_path / "tests" / folder / f"test_{folder}_{n}.py").write_text(WRITES.format(said=str(said)))
    (tmp_path / "tests" / "color" / "test_sessions.py").write_text(LOWERED)
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path / "tests")
    (tmp_path / "pytest.ini").write_text("[pytest]\ntestpaths = tests\n")
    env = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    env["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    # With Ctrl+C ignored, as a shell starts what runs in the background.
    shell = ["sh", "-c", 'trap \'\' INT; exec "$0" "$@"']
    words = [*shell, sys.executable, "-m", "pytest", "-q", "-p", "xdist", "-p", "no:cacheprovider"]
    ran = subprocess.run(words, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    lines = [line.split() for line in said.read_text().splitlines()]
    assert len(lines) == 3 * (3 + others)
    clocks = {(worker, int(nice)) for folder, worker, nice in lines if folder == "robot"}
    assert clocks == {("gw0", os.nice(0))}
    assert {int(nice) for folder, _, nice in lines if folder == "color"} == {min(os.nice(0) + 10, 19)}


def test_files_in_a_browser_go_to_the_second_process_and_to_the_others_when_nothing_else_is_left():
    pytest.importorskip("xdist", reason="pytest-xdist is not installed")
    config = SimpleNamespace(option=SimpleNamespace(dist="loadfile"), getvalue=lambda name: 4 * ["popen"])
    dealer = conftest().pytest_xdist_make_scheduler(config, None)
    nodes = [Mock(gateway=Mock(id=f"gw{number}")) for number in range(4)]
    dealer.assigned_work = dict.fromkeys(reversed(nodes))
    page, other_page, compute, clock = "browser/test_a", "browser/test_b", "color/test_c", "robot/test_d"
    live = "browser/test_live_page"  # in a browser, and keeps to a clock
    for queue, wanted in (
        ([page, compute, other_page, clock], [clock, page, compute, compute]),
        ([page, compute, other_page], [compute, page, compute, compute]),
        ([page, other_page], [page, page, page, page]),
        ([compute, clock], [clock, compute, compute, compute]),
        ([compute, live], [live, compute, compute, compute]),
        ([clock], [clock, None, None, None]),
    ):
        dealer.workqueue = {f"tests/{file}.py": {} for file in queue}
        dealt = [dealer._next(node) for node in nodes]
        assert dealt == [file and f"tests/{file}.py" for file in wanted]


LATE = """
import os, signal, subprocess, sys, pathlib, time
import pytest
TURNS = {turns: 0 for turns in ("late once", "always late", "never late", "fixture", "setup")}
def stopped_for_a_moment():
    words = f"import os, time; os.kill({os.getpid()}, 19); time.sleep(0.9); os.kill({os.getpid()}, 18)"
    subprocess.run([sys.executable, "-c", words], check=True)
def turn(name):
    TURNS[name] += 1
    if name != "never late":
        stopped_for_a_moment()
    return TURNS[name]
def test_once(tmp_path):
    assert turn("late once") == 2
def test_always(monkeypatch):
    monkeypatch.setattr(time, "sleep", lambda s: None)
    assert turn("always late") == 0
def test_never():
    assert turn("never late") == 2
@pytest.fixture(scope="module")
def kept():
    return turn("fixture")
def test_fixture(kept):
    stopped_for_a_moment()
    assert kept == 2
@pytest.fixture
def late():
    assert turn("setup") == 2
def test_setup(late):
    pass
def test_turns():
    assert TURNS == {"late once": 2, "always late": 3, "never late": 1, "fixture": 2, "setup": 2}
"""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="this system cannot stop a process for a moment")
def test_what_keeps_to_a_clock_runs_again_only_where_it_failed_and_the_computer_was_late(tmp_path):
    (tmp_path / "robot").mkdir()
    (tmp_path / "robot" / "test_late.py").write_text(LATE)
    # No computer, however busy, is this late by itself while such a test runs.
    text = Path(__file__).with_name("conftest.py").read_text(encoding="utf-8")
    assert "\nLATE_S = 0.02\n" in text
    (tmp_path / "conftest.py").write_text(text.replace("LATE_S = 0.02", "LATE_S = 0.75"), encoding="utf-8")
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    env = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    env["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    words = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-p", "no:xdist"]
    ran = subprocess.run(words, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == 1 and "2 failed, 4 passed" in ran.stdout, ran.stdout + ran.stderr
    again = [line.split()[2] for line in ran.stdout.splitlines() if line.startswith("RUN AGAIN")]
    assert sorted(again) == [
        f"robot/test_late.py::test_{name}" for name in ("always", "always", "fixture", "once", "setup")
    ]


AROUND = """
import pytest
@pytest.fixture
def breaks():
    raise ValueError
@pytest.fixture
def breaks_later():
    yield
    raise ValueError
@pytest.fixture
def skips():
    pytest.skip("not here")
def test_before(breaks):
    pass
def test_after(breaks_later):
    pass
def test_skipped(skips):
    pass
def test_quick():
    pass
"""


def test_a_process_that_tests_are_dealt_to_tells_what_goes_wrong_before_and_after_them(tmp_path):
    (tmp_path / "test_around.py").write_text(AROUND)
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    (tmp_path / "pytest.ini").write_text("[pytest]\naddopts = --durations-min=2 -ra\n")
    env = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    env |= {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTEST_XDIST_WORKER": "gw0", "PYTEST_XDIST_WORKER_COUNT": "1"}
    words = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-p", "no:xdist"]
    ran = subprocess.run(words, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == 1 and "2 passed, 1 skipped, 2 errors" in ran.stdout, ran.stdout + ran.stderr
    for line in ("ERROR test_around.py::test_before", "ERROR test_around.py::test_after", "not here"):
        assert line in ran.stdout
