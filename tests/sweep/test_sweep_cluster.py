"""A cluster of other code is refused, an address that is none is said at once, and Ctrl-C is one line at any moment."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time

import pytest
from dask_cluster import CODE, dask_cluster

import robotlab
from robotlab import parallel
from robotlab.cli import main, parser
from robotlab.errors import InputError
from robotlab.parallel import parts_done

PLAN = "duration_s = 1\n[vary]\nturn_gain = [1.0, 2.0]\nframe_hz = [5, 10]\n"
NEEDS_DISTRIBUTED = "distributed is an extra: pip install 'robotlab[cluster]'"


@pytest.fixture
def plan(tmp_path):
    (tmp_path / "plan.toml").write_text(PLAN)
    return str(tmp_path / "plan.toml")


@pytest.mark.parametrize(
    "address",
    ["nonsense", "127.0.0.1", "tcp://", "tcp://127.0.0.1", "http://127.0.0.1:8786", "tcp://a:0", "tcp://a:65536"],
)
def test_an_address_of_another_form_is_one_line(address, plan, tmp_path, capsys):
    assert main(["sweep", plan, "-o", str(tmp_path / "out"), "--cluster", address, "--quiet"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("robotlab sweep: a cluster must answer at its scheduler's address") and address in said
    assert said.count("\n") == 1


@pytest.mark.parametrize("address", ["tcp://10.0.0.5:8786", "tls://node-1.lab:8786", "localhost:8786", "tcp://[::1]:1"])
def test_forms_that_dask_takes_are_taken(address):
    assert parallel._ADDRESS.fullmatch(address)


@pytest.mark.slow
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "tls://127.0.0.1:9"])
def test_a_scheduler_that_is_not_there_is_one_line(address, plan, tmp_path):
    """In a process of its own, as Dask prints when the program ends too."""
    pytest.importorskip("distributed", reason=NEEDS_DISTRIBUTED)
    program = (
        "import sys; from robotlab import parallel; from robotlab.cli import run; parallel.CONNECT_S = 0.2; "
        f"sys.argv[1:] = ['sweep', {plan!r}, '-o', {str(tmp_path / 'out')!r}, '--cluster', {address!r}, '--quiet']; run()"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=50)
    assert ran.returncode == 2 and "address, " + address + " does not" in ran.stderr
    assert ran.stderr.count("\n") == 1


def test_workers_of_other_code_are_refused():
    ours = parallel._code()
    parallel._check_workers({"tcp://a:1": ours, "tcp://gone:1": OSError("closed")})
    for other in ({**ours, "numpy": "1.0"}, {**ours, "robotlab's source files": "0"}, {}):
        with pytest.raises(
            InputError, match=r"must run the same code as this computer, .*tcp://b:1 has .*install the same"
        ):
            parallel._check_workers({"tcp://a:1": ours, "tcp://b:1": other})
    with pytest.raises(InputError, match="tcp://b:1 has another robotlab, or none"):
        parallel._check_workers({"tcp://b:1": Exception("AttributeError(...)")})
    with pytest.raises(InputError, match=f"numpy 1.0 \\(here {ours['numpy']}\\)"):
        parallel._check_code("a worker", {**ours, "numpy": "1.0"})


def test_a_result_brings_the_code_that_it_comes_from():
    assert parallel._with_code(abs, -3) == (parallel._code(), 3)


def copied_code(folder, change=b""):
    """What a copy of this package says of itself, in a process of its own."""
    package = os.path.dirname(robotlab.__file__)
    shutil.copytree(package, folder / "robotlab", ignore=shutil.ignore_patterns("__pycache__"))
    with open(folder / "robotlab" / "boxes.py", "ab") as file:
        file.write(change)
    program = "import json; from robotlab import parallel; print(json.dumps([parallel.__file__, parallel._code()]))"
    words = {
        "capture_output": True,
        "text": True,
        "check": True,
        "cwd": folder,
        "env": {**os.environ, "PYTHONPATH": str(folder)},
    }
    where, code = json.loads(subprocess.run([sys.executable, "-c", program], **words).stdout)
    assert where.startswith(str(folder))
    return code


@pytest.mark.slow
def test_the_digest_is_of_the_source_files_alone(tmp_path):
    assert copied_code(tmp_path / "same") == parallel._code()
    other = copied_code(tmp_path / "other", b"# One more line.\n")
    assert {name for name, value in parallel._code().items() if other[name] != value} == {"robotlab's source files"}


@pytest.mark.slow
@pytest.mark.long(short="test_workers_of_other_code_are_refused")
def test_a_worker_of_other_code_is_refused_at_the_start_and_when_it_comes_later(plan, tmp_path):
    pytest.importorskip("distributed", reason=NEEDS_DISTRIBUTED)
    copied_code(tmp_path / "other", b"# One more line.\n")
    with dask_cluster(tmp_path) as cluster:
        words = [sys.executable, "-m", "robotlab", "sweep", plan, "-o", str(tmp_path / "out")]
        words += ["--cluster", cluster.address, "--quiet"]
        ours = {"cwd": tmp_path, "env": CODE, "stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE, "text": True}
        # No worker yet: the other one gets parts when it comes.
        sweep = subprocess.Popen(words, **ours)
        while not (tmp_path / "out" / "plan.toml").exists():
            assert sweep.poll() is None
            time.sleep(0.05)
        time.sleep(3)
        cluster.add_worker({**os.environ, "PYTHONPATH": str(tmp_path / "other")})
        said = sweep.communicate(timeout=120)[1]
        assert sweep.returncode == 2 and "that came later has robotlab's source files" in said
        again = subprocess.run(words, **ours)
        assert again.returncode == 2 and "tcp://127.0.0.1" in again.stderr and "source files" in again.stderr
        assert said.count("\n") == again.stderr.count("\n") == 1
        assert (tmp_path / "out" / "parts.jsonl").read_bytes() == b""


def _dies_the_first_time(flag):
    if not os.path.exists(flag):
        open(flag, "w").close()
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.3)
    return os.path.basename(flag)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kills are sent as POSIX sends them")
def test_kills_are_counted_from_the_last_part_done(tmp_path, monkeypatch):
    """Six workers are killed, with parts done in between: more than would be allowed in a row."""
    monkeypatch.setattr(parallel, "RETRIES", 2)
    flags = [str(tmp_path / str(k)) for k in range(6)]
    assert sorted(name for _, name in parts_done(_dies_the_first_time, flags, jobs=2)) == [*"012345"]


def _pid(_):
    time.sleep(0.2)
    return os.getpid()


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="signals are held as POSIX holds them")
def test_workers_do_not_see_an_interrupt_and_end_with_their_parent(tmp_path):
    program = (
        "import os, signal, sys; from robotlab.parallel import parts_done; from test_sweep_cluster import _pid\n"
        "pids = {pid for _, pid in parts_done(_pid, range(8), 2)}\n"
        "for pid in pids: os.kill(pid, signal.SIGINT)\n"
        "assert {pid for _, pid in parts_done(_pid, range(8), 2)} == pids\n"
        "print(*pids, flush=True); os.kill(os.getpid(), signal.SIGKILL)"
    )
    paths = os.pathsep.join([os.path.dirname(__file__), *filter(None, sys.path)])
    # To a file: workers that lived on would keep a pipe open.
    with open(tmp_path / "said", "w+") as said:
        ran = subprocess.run(
            [sys.executable, "-c", program], stdout=said, env={**os.environ, "PYTHONPATH": paths}, timeout=60
        )
        said.seek(0)
        pids = said.read().split()
    assert ran.returncode == -signal.SIGKILL and pids
    until = time.monotonic() + 30
    while any(_lives(int(pid)) for pid in pids):
        assert time.monotonic() < until, "workers live on"
        time.sleep(0.05)


def _lives(pid):
    try:
        with open(f"/proc/{pid}/stat") as file:
            return file.read().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_an_interrupt_of_an_import_of_native_code_is_an_interrupt(plan, tmp_path, capsys, monkeypatch):
    """It comes as an ImportError that an interrupt caused; what an interrupt only preceded stays what it is."""

    def interrupted(options):
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt as error:
            raise ImportError("initialization failed") from error

    monkeypatch.setattr("robotlab.cli.sweep.run", interrupted)
    assert main(["sweep", plan]) == 130
    assert capsys.readouterr().err == "robotlab sweep: interrupted; what was finished is kept\n"

    def full(options):
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt:
            (tmp_path / "nowhere" / "state").write_bytes(b"")

    monkeypatch.setattr("robotlab.cli.sweep.run", full)
    assert main(["sweep", plan]) == 2
    assert "No such file" in capsys.readouterr().err


def test_an_interrupt_before_the_command_began_is_one_line(monkeypatch, capsys):
    def interrupted():
        raise KeyboardInterrupt

    monkeypatch.setattr(parser, "main", interrupted)
    for name in ("open_streams", "print_plainly", "handle_signals"):
        monkeypatch.setattr(parser, name, lambda: None)
    monkeypatch.setattr(parser.signal, "signal", lambda *_: None)
    with pytest.raises(SystemExit) as end:
        parser.run()
    assert end.value.code == 130 and capsys.readouterr().err == "robotlab: interrupted; what was finished is kept\n"
