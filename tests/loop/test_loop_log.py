"""The run log survives; runs come back from it."""

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from robotlab.errors import InputError
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Run, read_log, simulate
from robotlab.loop.log import RunLog


@pytest.fixture(scope="module")
def run():
    return simulate(
        GroundTruthDetector(noise_px=1.0, miss_rate=0.2), WALKS["weave"], duration_s=6, pictures=False, seed=5
    )


def test_saved_run_is_the_same_run(run, tmp_path):
    run.save(tmp_path / "run.jsonl")
    back = Run.load(tmp_path / "run.jsonl")
    assert back.complete and back.settings == run.settings and back.camera == run.camera
    for name in ("t_s", "pose", "wheels_mps", "states", "boxes", "truths", "distances_m"):
        np.testing.assert_array_equal(getattr(back, name), getattr(run, name))
    assert back.scores() == run.scores()


def test_log_written_while_running_is_the_log_saved_after(run, tmp_path):
    again = simulate(
        GroundTruthDetector(noise_px=1.0, miss_rate=0.2),
        WALKS["weave"],
        duration_s=6,
        pictures=False,
        seed=5,
        log=tmp_path / "a.jsonl",
        sync_s=0.0,
    )
    run.save(tmp_path / "b.jsonl")
    assert (tmp_path / "a.jsonl").read_bytes() == (tmp_path / "b.jsonl").read_bytes()
    assert again.scores() == run.scores()


def test_every_cut_of_the_file_can_be_read(run, tmp_path):
    path = tmp_path / "run.jsonl"
    run.save(path)
    content = path.read_bytes()
    rng = np.random.default_rng(2)
    first = content.index(b"\n") + 1
    for end in rng.integers(first, len(content), 40):
        path.write_bytes(content[:end])
        log = read_log(path)
        assert len(log.records) == content[:end].count(b"\n")
        assert not log.complete
    # Enough for a replay of what there was.
    assert not Run.load(path).complete


PROGRAM = """
import sys
from robotlab.loop import GroundTruthDetector, simulate
from robotlab.greenhouse import WALKS
simulate(GroundTruthDetector(), WALKS["weave"], duration_s=100000, pictures=False, log=sys.argv[1])
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_log_of_a_killed_program(tmp_path):
    path = tmp_path / "run.jsonl"
    process = subprocess.Popen([sys.executable, "-c", PROGRAM, str(path)])
    try:
        end = time.monotonic() + 60
        while time.monotonic() < end and (not path.exists() or path.stat().st_size < 200_000):
            assert process.poll() is None
            time.sleep(0.02)
        os.kill(process.pid, signal.SIGKILL)
    finally:
        process.kill()
        process.wait()
    size = path.stat().st_size
    log = read_log(path)
    assert not log.complete and len(log.records) > 500
    # Nothing but the last, half record is lost.
    kept = sum(len(line) + 1 for line in path.read_bytes().split(b"\n")[:-1])
    assert size - kept < 400
    cut = Run.from_records(log.records)
    assert not cut.complete and cut.scores()["time_in_view"] == 1.0
    # Ticks without a gap.
    np.testing.assert_allclose(np.diff(cut.t_s), cut.facts["tick_s"], atol=2e-6)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "at least one full record"),
        (b'{"kind": "start"}', "at least one full record"),
        (b'{"kind": "start"}\nnot json\n{"kind": "end"}\n', "line 2 of"),
        (b"[1, 2]\n", "line 1 of"),
        (b'{"kind": "event"}\n', "a start record"),
        (b'{"kind": "start", "version": 99}\n{"kind": "tick"}\n', "version 2, this one is 99"),
        (b'{"kind": "start", "version": 2}\n{"kind": "tick"}\n', "does not"),
    ],
)
def test_damaged_logs_are_refused(content, words, tmp_path):
    path = tmp_path / "run.jsonl"
    path.write_bytes(content)
    with pytest.raises(InputError, match=words):
        Run.load(path)


def test_missing_log_and_unwritable_folder(tmp_path):
    with pytest.raises(InputError, match="must exist to be read"):
        read_log(tmp_path / "none.jsonl")
    with pytest.raises(InputError, match="can be written"):
        RunLog(tmp_path / "no" / "folder.jsonl")


def test_nan_never_reaches_the_log(tmp_path):
    with RunLog(tmp_path / "run.jsonl") as log, pytest.raises(ValueError, match="JSON"):
        log.write({"kind": "tick", "t": float("nan")})
    assert (tmp_path / "run.jsonl").read_bytes() == b""


def test_every_byte_at_which_a_log_can_end(tmp_path):
    path = tmp_path / "run.jsonl"
    simulate(GroundTruthDetector(), WALKS["weave"], duration_s=0.1, pictures=False).save(path)
    content = path.read_bytes()
    first, ticks = content.index(b"\n") + 1, content.index(b'"tick"')
    # The long first line is cut at some places, all that follows at every byte, from the end on.
    for end in [*range(len(content) - 1, first - 1, -1), first - 1, *range(first - 2, 0, -97), 0]:
        os.truncate(path, end)
        if end < first:
            with pytest.raises(InputError, match="at least one full record"):
                read_log(path)
            continue
        log = read_log(path)
        assert len(log.records) == content[:end].count(b"\n") and not log.complete
        if b"\n" in content[ticks:end]:
            assert len(Run.load(path).t_s) == sum(record["kind"] == "tick" for record in log.records)
        else:
            with pytest.raises(InputError, match="at least one tick"):
                Run.load(path)
    path.write_bytes(content)
    assert read_log(path).complete


def test_a_log_of_anything_else_is_refused(run):
    """One entry of one record is replaced or left out: a run, or a clear word; never another error."""
    rng = np.random.default_rng(4)
    values = [None, 0, -1, 10**400, 1e300, "x", [], [1], [1, 2, 3, 4, 5], {}, [None], [[]]]
    start, rest = (
        json.loads(json.dumps(run._records[0])),
        [json.loads(json.dumps(record)) for record in run._records[1:60]],
    )
    refused = 0
    for _ in range(400):
        records = [start, *rest]
        k = 0 if rng.random() < 0.4 else int(rng.integers(len(records)))
        record = records[k] = json.loads(json.dumps(records[k]))
        place = record
        while True:
            keys = [key for key in (place if isinstance(place, dict) else range(len(place))) if key != "kind"]
            key = keys[rng.integers(len(keys))]
            if not isinstance(place[key], dict | list) or not place[key] or rng.random() < 0.3:
                break
            place = place[key]
        if rng.random() < 0.2:
            del place[key]
        else:
            place[key] = values[rng.integers(len(values))]
        try:
            scores = Run.from_records(records).scores()
        except InputError:
            refused += 1
        else:
            assert all(np.isfinite(value) for value in scores.values())
    assert 100 < refused < 400


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")
def test_a_full_disk_is_named_and_nothing_follows_half_a_record():
    log = RunLog("/dev/full")
    with pytest.raises(InputError, match="disk with room"):
        log.write({"kind": "event"})
    with pytest.raises(InputError, match="broke off earlier"):
        log.write({"kind": "event"})
    log.close()


@pytest.mark.parametrize(
    "line",
    [b'{"kind": "tick", "t": NaN}', b'{"kind": "tick", "t": Infinity}', b"[" * 100_000, b"\x00" * 9, b"\xff\xfe"],
)
def test_lines_that_are_no_record(line, tmp_path):
    (tmp_path / "run.jsonl").write_bytes(b'{"kind": "start"}\n' + line + b"\n")
    with pytest.raises(InputError, match="line 2 of"):
        read_log(tmp_path / "run.jsonl")
    # Without its line feed it was being written: all before it counts.
    (tmp_path / "run.jsonl").write_bytes(b'{"kind": "start"}\n' + line)
    assert len(read_log(tmp_path / "run.jsonl").records) == 1
