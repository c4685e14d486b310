"""A sweep is killed, resumed, spread over processes and over a cluster: the table is the same."""

import json
import math
import os
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest
from dask_cluster import dask_cluster

from robotlab.cli import main
from robotlab.errors import InputError
from robotlab.greenhouse import WALKS
from robotlab.loop import simulate_many
from robotlab.one_writer import append_line, one_writer
from robotlab.parallel import parts_done
from robotlab.sweep import SweepTable, mean_interval, parse_plan, run_sweep
from robotlab.sweep.parameters import noise_of, settings_of
from robotlab.sweep.report import differences, sweep_page
from robotlab.sweep.running import PARTS, PLAN, TABLE, VERSIONS, _line

TEXT = (
    "duration_s = 3\n[vary]\nturn_gain = {from = 0.5, to = 6, steps = 6}\n"
    "latency_s = {from = 0.1, to = 0.5, steps = 5}\nseed = [0, 1, 2, 3]\n"
)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The table of the plan, run in one go in this process."""
    folder = tmp_path_factory.mktemp("whole")
    run_sweep(parse_plan(TEXT), folder, jobs=1, progress=False)
    return (folder / TABLE).read_bytes()


def test_a_row_is_a_run_of_the_loop(whole, tmp_path):
    """Without chance a row is what simulate_many gives for its settings."""
    plan = parse_plan("duration_s = 4\n[fixed]\nedge_noise_px = 0\n[vary]\nturn_gain = [1.0, 3.0]\nhfov_deg = [40, 90]")
    table = run_sweep(plan, tmp_path, jobs=1, progress=False)
    for k, row in enumerate(plan.rows()):
        alone = simulate_many(
            WALKS["weave"], settings_of(row), 1, hfov_rad=np.radians(row["hfov_deg"]), duration_s=4, vary=noise_of(row)
        )
        assert table["bearing_error_rad"][k] == pytest.approx(alone.bearing_error_rad[0], abs=1e-6)
        assert table["time_in_view"][k] == pytest.approx(alone.time_in_view[0], abs=1e-6)


def test_the_table_is_tidy_and_comes_back(whole, tmp_path):
    (tmp_path / "t.csv").write_bytes(whole)
    table = SweepTable.load(tmp_path / "t.csv")
    assert len(table) == 120 and table["run"].tolist() == list(range(120))
    table.save(tmp_path / "again.csv")
    assert (tmp_path / "again.csv").read_bytes() == whole
    (tmp_path / "t.csv").write_bytes(whole.replace(b"turn_gain", b"gain", 1))
    with pytest.raises(InputError, match="must be the table of a sweep"):
        SweepTable.load(tmp_path / "t.csv")


@pytest.mark.slow
@pytest.mark.long(short="test_a_full_disk_is_one_line_and_the_sweep_goes_on_after_it")
def test_killed_at_any_moment_it_goes_on_to_the_same_table(whole, tmp_path):
    (tmp_path / "plan.toml").write_text(TEXT)
    command = [sys.executable, "-m", "robotlab", "sweep", "plan.toml", "-o", "out", "--quiet", "--jobs", "1"]
    parts = tmp_path / "out" / PARTS
    for least in (1, 8):
        child = subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.DEVNULL)
        while child.poll() is None and not (parts.exists() and parts.read_bytes().count(b"\n") >= least):
            time.sleep(0.01)
        child.send_signal(signal.SIGKILL)
        child.wait()
    assert not (tmp_path / "out" / TABLE).exists(), "it was over before it was killed"
    # The kill may have cut a line in two.
    with open(parts, "ab") as file:
        file.write(b'{"part": 1, "rows": [{"ru')
    kept = parts.read_bytes().count(b"\n")
    assert subprocess.run(command, cwd=tmp_path, stdout=subprocess.DEVNULL).returncode == 0
    assert (tmp_path / "out" / TABLE).read_bytes() == whole
    assert kept >= 8 and parts.read_bytes().count(b"\n") == 20


@pytest.mark.slow
def test_two_processes_give_the_same_table(whole, tmp_path):
    run_sweep(parse_plan(TEXT), tmp_path, jobs=2, progress=False)
    assert (tmp_path / TABLE).read_bytes() == whole


def _dies_once(flag):
    """Ends its worker at the first call."""
    if not os.path.exists(flag):
        open(flag, "w").close()
        os.kill(os.getpid(), signal.SIGKILL)
    return os.path.basename(flag)


@pytest.mark.slow
@pytest.mark.long(short="test_two_processes_give_the_same_table")
def test_a_killed_worker_of_this_machine_loses_nothing(tmp_path):
    flags = [str(tmp_path / name) for name in ("a", "b")]
    assert sorted(parts_done(_dies_once, flags, jobs=2)) == [(0, "a"), (1, "b")]


@pytest.mark.slow
@pytest.mark.long(short="test_two_processes_give_the_same_table")
def test_a_dask_cluster_gives_the_same_table_although_a_worker_is_killed(whole, tmp_path, monkeypatch):
    """A scheduler and two workers in processes of their own; one is killed once it has done some work."""
    pytest.importorskip("distributed", reason="distributed is an extra: pip install 'robotlab[cluster]'")
    out = tmp_path / "out"
    with dask_cluster(tmp_path) as cluster:
        # Without a worker it says so, and does not wait for ever.
        with monkeypatch.context() as patch:
            patch.setattr("robotlab.parallel.WORKERS_S", 0.2)
            with pytest.raises(InputError, match="must have a worker"):
                list(parts_done(abs, [1, 2], cluster=cluster.address))
        for _ in range(2):
            cluster.add_worker()
        done_at_kill = []

        def kill_one():
            while not (out / PARTS).exists() or (out / PARTS).read_bytes().count(b"\n") < 2:
                time.sleep(0.01)
            cluster.children[1].kill()
            done_at_kill.append((out / PARTS).read_bytes().count(b"\n"))

        killer = threading.Thread(target=kill_one, daemon=True)
        killer.start()
        run_sweep(parse_plan(TEXT), out, cluster=cluster.address, progress=False)
        killer.join(10)
        assert (out / TABLE).read_bytes() == whole and done_at_kill[0] >= 2


def test_a_cluster_that_does_not_answer_is_said(monkeypatch):
    pytest.importorskip("distributed", reason="distributed is an extra: pip install 'robotlab[cluster]'")
    monkeypatch.setattr("robotlab.parallel.CONNECT_S", 0.2)
    with pytest.raises(InputError, match="must answer at its scheduler's address"):
        list(parts_done(abs, [1], cluster="tcp://127.0.0.1:1"))
    with pytest.raises(InputError, match="must answer at its scheduler's address"):
        list(parts_done(abs, [1], cluster="nonsense"))


def test_results_of_another_plan_are_left_alone(tmp_path):
    run_sweep(parse_plan("duration_s = 1\n[vary]\nseed = [1]"), tmp_path / "a", jobs=1, progress=False)
    before = (tmp_path / "a" / TABLE).read_bytes()
    other = parse_plan("duration_s = 1\n[vary]\nseed = [2]")
    with pytest.raises(InputError, match="must hold results of this plan"):
        run_sweep(other, tmp_path / "a", jobs=1, progress=False)
    assert (tmp_path / "a" / TABLE).read_bytes() == before
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "diary.txt").write_text("mine")
    with pytest.raises(InputError, match="empty folder or their own"):
        run_sweep(other, tmp_path / "b", jobs=1, progress=False)
    assert [entry.name for entry in (tmp_path / "b").iterdir()] == ["diary.txt"]
    with pytest.raises(InputError, match="must go into a folder"):
        run_sweep(other, tmp_path / "b" / "diary.txt", jobs=1, progress=False)
    (tmp_path / "a" / PARTS).write_text('{"part": 7, "rows": []}\n')
    with pytest.raises(InputError, match="line 1 is another's or damaged"):
        run_sweep(parse_plan("duration_s = 1\n[vary]\nseed = [1]"), tmp_path / "a", jobs=1, progress=False)


SMALL = "duration_s = 1\n[vary]\nturn_gain = [1.0, 2.0]\nframe_hz = [5, 10]\nlatency_s = [0.1, 0.3]\n"


@pytest.fixture
def small(tmp_path):
    """Results of a small plan, and its table."""
    run_sweep(parse_plan(SMALL), tmp_path, jobs=1, progress=False)
    return tmp_path, (tmp_path / TABLE).read_bytes()


def again(folder):
    run_sweep(parse_plan(SMALL), folder, jobs=1, progress=False)
    return (folder / TABLE).read_bytes()


@pytest.mark.parametrize(
    "damage",
    [
        lambda line: line[:40],
        lambda line: line.replace(b'"time_in_view"', b'"time"'),
        lambda line: line.replace(b'"rendered":false', b'"rendered":true'),
        lambda line: line.replace(b'"losses":0', b'"losses":"0"'),
        lambda line: line.replace(b'"part":1', b'"part":-3'),
        lambda line: b"[]",
        lambda line: b"\x00\xff",
    ],
)
def test_a_damaged_line_is_named_and_without_it_the_table_is_the_same(small, damage):
    folder, table = small
    lines = (folder / PARTS).read_bytes().splitlines()
    (folder / PARTS).write_bytes(b"\n".join([lines[0], damage(lines[1]), *lines[2:]]) + b"\n")
    with pytest.raises(InputError, match="line 2 is another's or damaged; remove that line"):
        again(folder)
    (folder / PARTS).write_bytes(b"\n".join([lines[0], *lines[2:]]) + b"\n")
    assert again(folder) == table


def test_nan_in_a_part_is_an_empty_cell(small):
    folder, _ = small
    with (folder / PARTS).open("r+b") as file:
        lines = [json.loads(line) for line in file]
        file.seek(0)
        file.truncate()
        for line in lines:
            rows = [{**row, "distance_error_m": math.nan} for row in line["rows"]]
            append_line(file, _line(line["part"], rows, line["of"]))
    again(folder)
    table = SweepTable.load(folder / TABLE)
    assert np.isnan(table["distance_error_m"]).all() and np.isfinite(table["time_in_view"]).all()
    page = sweep_page(parse_plan(SMALL), table, {}).html()
    assert "distance_error_m is unknown in all runs" in page


def test_versions_are_noted_again_when_missing_and_when_they_changed(small, monkeypatch):
    folder, table = small
    first = json.loads((folder / VERSIONS).read_text())
    (folder / VERSIONS).unlink()
    assert again(folder) == table and json.loads((folder / VERSIONS).read_text()) == first
    # With nothing left to run, other versions change nothing; else they are noted beside the first.
    monkeypatch.setattr("robotlab.sweep.running.versions", lambda: {"python": "9"})
    again(folder)
    assert json.loads((folder / VERSIONS).read_text()) == first
    for _ in range(2):
        (folder / PARTS).write_bytes((folder / PARTS).read_bytes().splitlines(True)[0])
        again(folder)
    assert json.loads((folder / VERSIONS).read_text()) == {**first, "went_on_with": [{"python": "9"}]}
    (folder / VERSIONS).write_text("[]")
    with pytest.raises(InputError, match="must hold the versions of a sweep"):
        again(folder)


def test_what_a_kill_left_half_written_is_no_hindrance(tmp_path):
    """Killed between a new file and its name, before the plan had one."""
    (tmp_path / f".{PLAN}.x1.part").write_text("dur")
    (tmp_path / f".{VERSIONS}.x2.part").write_text("{")
    (tmp_path / PARTS).write_bytes(b"")
    assert again(tmp_path).count(b"\n") == 9


def test_a_plan_with_line_ends_of_windows_goes_on(tmp_path):
    plan = parse_plan(SMALL.replace("\n", "\r\n"))
    for _ in range(2):
        assert len(run_sweep(plan, tmp_path, jobs=1, progress=False)) == 8


def test_a_plan_that_came_in_between_is_not_mixed(tmp_path, monkeypatch):
    """Another sweep takes the empty folder after this one looked, and ends before this one has the lock."""
    other = parse_plan("duration_s = 1\n[vary]\nseed = [1]")

    def late(folder, who):
        (tmp_path / PLAN).write_text(other.text)
        (tmp_path / PARTS).write_bytes(b"")
        return one_writer(folder, who)

    monkeypatch.setattr("robotlab.sweep.running.one_writer", late)
    with pytest.raises(InputError, match="must hold results of this plan"):
        again(tmp_path)
    assert not (tmp_path / TABLE).exists()


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGXFSZ"), reason="a limit on the size of files, which POSIX systems have")
def test_a_full_disk_is_one_line_and_the_sweep_goes_on_after_it(whole, tmp_path, capsys):
    """The limit cuts a line in two, as a full disk does."""
    import resource

    (tmp_path / "plan.toml").write_text(TEXT)
    words = ["sweep", str(tmp_path / "plan.toml"), "-o", str(tmp_path / "out"), "--jobs", "1", "--quiet"]
    limits, kept = resource.getrlimit(resource.RLIMIT_FSIZE), signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5000, limits[1]))
    try:
        assert main(words) == 2
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, kept)
    said = capsys.readouterr().err
    assert "the free disk" in said and said.count("\n") == 1
    assert not (tmp_path / "out" / PARTS).read_bytes().endswith(b"\n")
    run_sweep(parse_plan(TEXT), tmp_path / "out", jobs=1, progress=False)
    assert (tmp_path / "out" / TABLE).read_bytes() == whole


def test_one_sweep_at_a_time_writes_into_a_folder(tmp_path):
    with one_writer(tmp_path, "another sweep"):
        with pytest.raises(InputError, match="one program at a time, another sweep has it"):
            run_sweep(parse_plan("duration_s = 1\n[vary]\nseed = [1]"), tmp_path, jobs=1, progress=False)


@pytest.mark.slow
def test_the_chosen_rows_are_rendered_and_compared(tmp_path, capsys):
    (tmp_path / "plan.toml").write_text(
        "duration_s = 2\n[fixed]\ndetector = 'ground_truth'\n[vary]\nturn_gain = [1.0, 2.0]\nhfov_deg = [50, 80]\n[rendered]\nchosen = 2\n"
    )
    assert main(["sweep", str(tmp_path / "plan.toml"), "-o", str(tmp_path / "out"), "--jobs", "1", "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "6 runs" in said and "rendered - fast" in said
    table = SweepTable.load(tmp_path / "out" / TABLE)
    assert table["rendered"].tolist() == [0, 0, 0, 0, 1, 1] and table["run"].tolist() == [0, 1, 2, 3, 0, 3]
    (name, pairs, fast, rendered, mean, _), *_ = differences(table)
    assert (name, pairs) == ("time_in_view", 2) and mean == pytest.approx(rendered - fast)
    page = (tmp_path / "out" / "report.html").read_text()
    assert "Fast runs beside rendered ones" in page and "4 fast runs" in page


def test_the_interval_is_scipys():
    from scipy import stats

    values = np.random.default_rng(0).normal(3, 2, 7)
    mean, half = mean_interval(values)
    low, high = stats.t.interval(0.95, 6, values.mean(), stats.sem(values))
    assert (mean - half, mean + half) == pytest.approx((low, high))
