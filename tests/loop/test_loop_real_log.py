"""The log of a real drive, read as a run: what it can say, and what it refuses to say."""

import json
import math
import re
import time

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.loop import Run, Settings, drive
from robotlab.loop.decide import STATES
from robotlab.loop.replay import replay_html

CAMERA = Camera(64, 48, 1.0, height_m=0.25)
SETTINGS = Settings(frame_hz=50, delay_s=0.0, watchdog_s=5.0, max_mps=0.15, hold_s=0.05, slow_s=0.1, max_accel_mps2=4.0)
# Unknown to a real trolley.
TRUE = (
    "time_in_view",
    "distance_error_m",
    "bearing_error_rad",
    "contacts",
    "closest_m",
    "end_distance_m",
    "energy_j",
    "path_length_m",
    "peak_accel_mps2",
)


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """A post right of the middle, then none."""
    path = tmp_path_factory.mktemp("drive") / "run.jsonl"
    rng, begin = np.random.default_rng(0), time.monotonic()

    def take():
        time.sleep(0.02)
        return rng.integers(0, 255, (48, 64, 3), np.uint8)

    def see(picture):
        if time.monotonic() - begin < 0.5:
            return Detections([[40, 10, 44, 38.5], [3, 4, 5, 9]], [0.9, 0.4], [0, 1], ["post", "bucket"])
        return Detections.none(["post", "bucket"])

    drive(see, take, CAMERA, SETTINGS, SimulatedLink(), 1.2, log=path)
    return path


def test_it_loads_with_what_was_seen_and_commanded(log):
    run = Run.load(log)
    assert run.real and run.complete and run.camera == CAMERA and run.settings == SETTINGS
    seen = ~np.isnan(run.bearings_rad)
    assert 5 < seen.sum() < len(seen)
    assert run.boxes[seen].tolist() == [[40, 10, 44, 38.5]] * int(seen.sum())
    # ISO 8855: right of the middle is negative.
    assert run.bearings_rad[seen] == pytest.approx(CAMERA.bearing_rad(42.0, 24.25), abs=1e-6)
    first = run.found[int(np.flatnonzero(seen)[0])]
    assert first.shape == (2, 6) and first[:, 4].tolist() == [0.9, 0.4] and first[:, 5].tolist() == [0, 1]
    assert (np.diff(run.picture_t_s) > 0).all() and (np.diff(run.t_s) >= 0).all()
    # It turns right: the left wheel is commanded faster; later it stands.
    following = run.states == STATES.index("follow")
    assert (run.commands_mps[following] @ [1, -1] > 0).all()
    assert run.commands_mps[run.states == STATES.index("slow")].tolist() == [[0.0, 0.0]] * int(
        (run.states == STATES.index("slow")).sum()
    )


def test_the_scores_say_what_they_cannot_say(log):
    run = Run.load(log)
    scores = run.scores()
    assert all(math.isnan(scores[name]) for name in TRUE)
    # Followed for about .5 of 1.2 s; a loaded machine may shift it.
    assert 0.2 < scores["time_following"] < 0.8
    assert scores["losses"] == 1 and scores["recoveries"] == 0
    for values in (run.pose, run.wheels_mps, run.post_m, run.truths, run.visible, run.true_distances_m, run.speeds_mps):
        assert np.isnan(values).all()


@pytest.mark.parametrize("ask", [lambda run: run.contacts(), lambda run: run.sign_check()])
def test_what_needs_the_truth_is_refused(log, ask):
    with pytest.raises(InputError, match="needs to know where the trolley was"):
        ask(Run.load(log))


def test_the_replay_shows_what_was_seen_and_no_plan(log):
    page = replay_html(Run.load(log))
    data = json.loads(re.search(r'class="data">(.*?)</script>', page)[1])["runs"][0]
    assert data["real"] and 'class="plan"' not in page and "Simulated" not in page
    seen = [tick for tick in data["ticks"] if tick[7] is not None]
    assert seen and len(data["frames"]) == len(Run.load(log).picture_t_s)
    # The target stands right of the middle: a negative bearing, in degrees.
    assert all(tick[8] < 0 for tick in seen) and any(frame["box"] for frame in data["frames"])


def test_a_drive_that_was_cut_off_loads_up_to_its_last_record(log, tmp_path):
    cut = tmp_path / "cut.jsonl"
    cut.write_bytes(log.read_bytes()[:-60])
    run, whole = Run.load(cut), Run.load(log)
    assert not run.complete and 0 < len(whole.t_s) - len(run.t_s) <= 2
    assert run.t_s.tolist() == whole.t_s[: len(run.t_s)].tolist()
    run.save(tmp_path / "again.jsonl")
    assert Run.load(tmp_path / "again.jsonl").t_s.tolist() == run.t_s.tolist()


@pytest.mark.parametrize("spoil", [{"v": None}, {"yaw": "left"}, {"state": "dance"}, {"t": math.inf}])
def test_a_spoiled_record_gets_one_clear_error(log, tmp_path, spoil):
    lines = log.read_text().splitlines()
    place = next(i for i, line in enumerate(lines) if '"command"' in line)
    lines[place] = json.dumps(json.loads(lines[place]) | spoil)
    bad = tmp_path / "bad.jsonl"
    bad.write_text("\n".join(lines) + "\n")
    with pytest.raises(InputError, match="run log"):
        Run.load(bad)


def test_a_drive_without_a_command_is_no_run(tmp_path):
    path = tmp_path / "empty.jsonl"
    path.write_text(json.dumps({"kind": "start", "version": 1, "real": True}) + "\n")
    with pytest.raises(InputError, match="at least one tick"):
        Run.load(path)
