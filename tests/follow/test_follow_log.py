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
from robotlab.follow import Oracle, Run, RunLog, Settings, read_log, simulate
from robotlab.greenhouse import WALKS


@pytest.fixture(scope="module")
def run():
    return simulate(Oracle(noise_px=1.0, miss=0.2), WALKS["weave"], duration_s=6, pictures=False, seed=5)


def test_saved_run_is_the_same_run(run, tmp_path):
    run.save(tmp_path / "run.jsonl")
    back = Run.load(tmp_path / "run.jsonl")
    assert back.complete and back.settings == run.settings and back.camera == run.camera
    for name in ("t_s", "pose", "wheels_mps", "states", "boxes", "truths", "distances_m"):
        np.testing.assert_array_equal(getattr(back, name), getattr(run, name))
    assert back.scores() == run.scores()


def test_log_written_while_running_is_the_log_saved_after(run, tmp_path):
    again = simulate(Oracle(noise_px=1.0, miss=0.2), WALKS["weave"], duration_s=6, pictures=False, seed=5,
                     log=tmp_path / "a.jsonl", sync_s=0.0)  # fmt: skip
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
from robotlab.follow import Oracle, simulate
from robotlab.greenhouse import WALKS
simulate(Oracle(), WALKS["weave"], duration_s=100000, pictures=False, log=sys.argv[1])
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
        (b'[1, 2]\n', "line 1 of"),
        (b'{"kind": "event"}\n', "a start record"),
        (b'{"kind": "start", "version": 99}\n{"kind": "tick"}\n', "version 1, this one is 99"),
        (b'{"kind": "start", "version": 1}\n{"kind": "tick"}\n', "does not"),
    ],
)
def test_damaged_logs_are_refused(content, words, tmp_path):
    path = tmp_path / "run.jsonl"
    path.write_bytes(content)
    with pytest.raises(InputError, match=words):
        Run.load(path)


def test_missing_log_and_unwritable_folder(tmp_path):
    with pytest.raises(InputError, match="must be a readable file"):
        read_log(tmp_path / "none.jsonl")
    with pytest.raises(InputError, match="can be written"):
        RunLog(tmp_path / "no" / "folder.jsonl")


def test_nan_never_reaches_the_log(tmp_path):
    with RunLog(tmp_path / "run.jsonl") as log, pytest.raises(ValueError, match="JSON"):
        log.write({"kind": "tick", "t": float("nan")})
    assert (tmp_path / "run.jsonl").read_bytes() == b""


class TestScores:
    """Scores of runs made by hand."""

    def run(self, speeds, post=(3.0, 0.0), tick=0.02):
        settings = Settings()
        one = simulate(Oracle(), WALKS["straight"], duration_s=0.1, pictures=False)
        start = json.loads(json.dumps(one._records[0])) | {"tick_s": tick, "things": [], "room": [-9, -9, 99, 9]}
        records, x = [start], 0.0
        for k, speed in enumerate(speeds):
            records.append({"kind": "tick", "t": k * tick, "pose": [x, 0.0, 0.0], "wheels": [speed, speed], "command": [speed, speed],
                            "state": "follow", "post": list(post)})  # fmt: skip
            x += speed * tick
        assert settings.motor.slip == 0
        return Run.from_records(records)

    def test_ramp(self):
        speeds = np.clip(0.8 * 0.02 * np.arange(200), 0, 0.5)
        scores = self.run(speeds, post=(50.0, 0.0)).scores()
        assert scores["peak_accel_mps2"] == pytest.approx(0.8, rel=1e-6)
        # The corner of a ramp, taken over 0.1 s.
        assert scores["peak_jerk_mps3"] == pytest.approx(8.0, rel=0.01)
        # Work: half m v^2 and rolling .02 m g over the way.
        way = speeds.sum() * 0.02
        assert scores["energy_j"] == pytest.approx(0.5 * 8 * 0.5**2 + 0.02 * 8 * 9.81 * way, rel=0.01)
        assert scores["way_m"] == pytest.approx(way)

    def test_contact_is_counted_once(self):
        run = self.run(np.full(400, 0.5), post=(2.0, 0.0))
        contacts = run.contacts()
        assert [what for _, what in contacts] == ["post"]
        # Trolley radius .2 m, post radius .035 m: at 2 - .235 = 1.765 m, after 3.53 s.
        assert contacts[0][0] == pytest.approx(3.53, abs=0.03)
        assert run.scores()["closest_m"] == pytest.approx(0.0, abs=0.01)

    def test_contact_with_a_turned_crate(self):
        from robotlab.follow.run import _gap

        crate = {"shape": "box", "size": [0.5, 0.3, 0.3], "x": 1.0, "y": 2.0, "heading": np.pi / 2}
        places = np.array([[1.0, 2.0], [1.35, 2.0], [1.0, 2.45], [1.15 + 0.3, 2.25 + 0.4]])
        np.testing.assert_allclose(_gap(crate, places), [0.0, 0.2, 0.2, 0.5], atol=1e-12)
