"""The time of a frame: formulas against frames simulated one by one, and against published numbers."""

import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robotlab.budget import StageTimer, frame_budget, percentile, showing_cost_s, simulate_frames
from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.loop import Settings, drive

STAGES = {"read": 0.004, "detect": 0.016, "decide": 0.001, "send": 0.002}
times = st.dictionaries(st.sampled_from("abcde"), st.floats(0.001, 0.05), min_size=1)


def test_littles_law_of_its_paper():
    # Little, Operations Research 9:383-387, 1961: 30 frames a second, each .1 s under way, are 3 at a time.
    budget = frame_budget(dict.fromkeys("abc", 1 / 30), camera_hz=30, own_threads=True)
    assert budget.throughput_hz == pytest.approx(30) and budget.latency_s == pytest.approx(0.1)
    assert budget.in_flight == pytest.approx(3)


def test_a_camera_of_the_television_norm():
    # 30000/1001 frames a second are 33.366667 ms each (SMPTE 170M, from memory).
    budget = frame_budget({"detect": 0.001}, camera_hz=30000 / 1001)
    assert 1e3 / budget.throughput_hz == pytest.approx(33.366667, abs=5e-7)
    assert budget.bound_by == "the camera"


@pytest.mark.parametrize("own_threads", [False, True])
@given(stages=times)
@settings(max_examples=25, deadline=None)
def test_formulas_are_what_frames_do_one_by_one(own_threads, stages):
    # A camera so fast that a fresh frame is always there; counted, not computed.
    budget = frame_budget(stages, 5000, own_threads)
    line = simulate_frames(stages, 5000, own_threads, duration_s=4.0)
    assert line.throughput_hz == pytest.approx(budget.throughput_hz, rel=0.02)
    # Little's law holds whatever happens on the way, waiting included.
    counted, latency = line.in_flight, line.latency_s[len(line.frame) // 2 :].mean()
    assert counted == pytest.approx(line.throughput_hz * latency, rel=0.03)
    assert line.latency_s.min() >= budget.latency_s - 1e-6
    if not own_threads:
        assert latency == pytest.approx(budget.latency_s, abs=5e-4)


def test_a_slow_camera_leaves_no_frame_waiting():
    for own_threads in (False, True):
        line = simulate_frames(STAGES, 20, own_threads)
        assert line.latency_s == pytest.approx(sum(STAGES.values()))
        assert len(line.frame) == line.taken and line.throughput_hz == pytest.approx(20)


@pytest.mark.parametrize("buffer", [1, 2, 5])
def test_a_buffer_adds_latency_and_no_throughput(buffer):
    plain, queued = (simulate_frames(STAGES, 1000, buffer=places) for places in (0, buffer))
    assert queued.throughput_hz == pytest.approx(plain.throughput_hz, rel=0.01)
    # Each frame that waits in front costs one whole turn of the loop; a camera's frame less at most.
    assert queued.latency_s[-1] == pytest.approx((buffer + 1) * sum(STAGES.values()), abs=0.0011)


def test_stages_are_in_order_and_no_thread_does_two_frames_at_once():
    for own_threads in (False, True):
        line = simulate_frames(STAGES, 61, own_threads)
        assert (line.begin_s[:, 0] >= line.taken_s - 1e-9).all()
        assert (line.begin_s[:, 1:] >= line.end_s[:, :-1] - 1e-9).all()
        assert (line.begin_s[1:] >= line.end_s[:-1] - 1e-9).all()
        assert (np.diff(line.frame) > 0).all()


def test_showing_costs_a_time():
    # 47 falling to 40 frames a second: 3.72 ms (common practice, no source; by hand 1/40 - 1/47).
    assert 1e3 * showing_cost_s(47, 40) == pytest.approx(3.7234, abs=5e-5)
    assert showing_cost_s(30, 30) == 0
    with pytest.raises(InputError, match="cannot make a loop faster"):
        showing_cost_s(40, 47)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: frame_budget({}, 30), "time of each stage by its name"),
        (lambda: frame_budget([0.1], 30), "time of each stage by its name"),
        (lambda: frame_budget({"a": -0.1}, 30), "the time of a"),
        (lambda: frame_budget({"a": float("nan")}, 30), "the time of a"),
        (lambda: frame_budget({"a": 0.0}, 30), "all are 0"),
        (lambda: frame_budget(STAGES, 0), "camera_hz must be"),
        (lambda: simulate_frames(STAGES, 1e5, duration_s=100), "100000 frames or fewer"),
        (lambda: simulate_frames(STAGES, 10, duration_s=0.2), "lengthen duration_s"),
        (lambda: simulate_frames(STAGES, 10, buffer=-1), "buffer must be"),
        (lambda: StageTimer(keep=0), "keep must be"),
        (lambda: StageTimer().times_s("x"), "run the loop first"),
    ],
)
def test_what_is_refused(call, words):
    with pytest.raises(InputError, match=words):
        call()


class Clock:
    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


def test_percentiles_name_their_method():
    # Hyndman and Fan, The American Statistician 50:361-365, 1996: types 7 and 1.
    clock = Clock()
    timer = StageTimer(clock=clock)
    for time_s in (15, 20, 35, 40, 50):
        with timer.stage("detect"):
            clock.now += time_s
    assert timer.stages_s(40) == {"detect": 20} and percentile(timer.times_s("detect"), 40) == pytest.approx(29)


def test_a_stage_that_fails_or_is_suspended_is_timed_too_and_memory_stays_bounded():
    clock = Clock()
    timer = StageTimer(keep=3, clock=clock)
    with pytest.raises(ZeroDivisionError), timer.stage("detect"):
        clock.now += 60.0  # as a process that was stopped and goes on
        1 / 0
    assert timer.times_s("detect") == [60.0]
    for _ in range(5):
        timer.timed("detect", lambda: None)()
    assert timer.times_s("detect") == [0.0, 0.0, 0.0]


def test_threads_may_time_the_same_stage():
    timer = StageTimer()
    threads = [
        threading.Thread(target=lambda: [timer.timed("x", int)() for _ in range(500)], daemon=True) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(timer.times_s("x")) == 2000


def test_stages_of_a_running_loop():
    timer, rng, calls = StageTimer(), np.random.default_rng(0), []

    def take():
        threading.Event().wait(0.02)
        return rng.integers(0, 255, (48, 64, 3), np.uint8)

    def look(picture):
        calls.append(1)
        return Detections.none(["post"])

    report = drive(
        timer.timed("detect", look),
        timer.timed("read", take),
        Camera(64, 48, 1.0, height_m=0.25),
        Settings(frame_hz=40, delay_s=0.0),
        SimulatedLink(),
        0.4,
    )
    assert report.pictures and len(timer.times_s("detect")) == len(calls)
    assert min(timer.times_s("read")) >= 0.019 and list(timer.stages_s()) == ["read", "detect"]
    assert frame_budget(timer.stages_s(), 1000).throughput_hz < 51
