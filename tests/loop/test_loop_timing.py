"""Frame times of runs, against Little's law and the published percentiles."""

import time

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.detections import Detections
from robotlab.errors import InputError, MotionError
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Run, Settings, drive, simulate
from robotlab.loop.campaigns import blind_distance_m
from robotlab.loop.faults import Dropped
from robotlab.loop.timing import frame_times, percentile


def times_of(seconds=20.0, **changes):
    run = simulate(
        GroundTruthDetector(), WALKS["weave"], settings=Settings(**changes), duration_s=seconds, pictures=False
    )
    return run, frame_times(run)


def test_thirty_pictures_a_second_and_a_tenth_of_a_second_are_three_in_flight():
    # Little, Operations Research 9:383-387, 1961: 30 frames/s x .1 s = 3 frames.
    _, times = times_of(frame_hz=30, delay_s=0.1)
    assert times.throughput_hz == pytest.approx(30, rel=0.01) and times.latency_mean_s == pytest.approx(0.1, abs=1e-5)
    assert times.in_flight == pytest.approx(3.0, rel=0.02)


@pytest.mark.parametrize(("delay", "detector"), [(0.1, 0.0), (0.25, 0.07), (0.0, 0.26), (0.13, 0.41)])
def test_littles_law_holds_whatever_the_stages(delay, detector):
    run, times = times_of(frame_hz=10, delay_s=delay, detector_s=detector)
    # As simulated: whole ticks.
    delay, detector = run.settings.delay_s, run.settings.detector_s
    # Counted in flight = throughput x latency, but for the pictures under way at the end.
    assert times.in_flight == pytest.approx(times.throughput_hz * times.latency_mean_s, abs=0.05)
    # Throughput is that of the slowest stage: the camera, or the detector.
    assert times.throughput_hz == pytest.approx(min(10, 1 / detector if detector else 10), rel=0.03)
    # Latency is the sum of the stages while the detector keeps up, and longer when pictures wait for it.
    if detector <= 0.1:
        assert times.latency_worst_s == pytest.approx(delay + detector, abs=0.011)
    else:
        assert delay + detector - 0.011 <= times.latency_p50_s <= delay + detector + 0.1 + 0.011


def test_period_of_a_broadcast_frame_rate():
    # 30000/1001 frames a second: 33.366667 ms (SMPTE 170M, from memory).
    settings = Settings(frame_hz=30000 / 1001)
    assert 1000 * settings.frame_s == pytest.approx(33.366667, abs=1e-6)
    run = simulate(GroundTruthDetector(), WALKS["straight"], settings=settings, duration_s=3, pictures=False)
    assert np.diff(run.picture_t_s) == pytest.approx(1001 / 30000, abs=2e-6)


def test_lost_pictures_are_taken_but_not_used():
    run = simulate(GroundTruthDetector(), WALKS["straight"], duration_s=10, pictures=False, faults=Dropped(0.0, 0.5))
    times = frame_times(run)
    assert times.taken == 101 and 30 < times.used < 70
    with pytest.raises(InputError, match="a picture that was acted on"):
        frame_times(
            simulate(
                GroundTruthDetector(),
                WALKS["straight"],
                duration_s=1,
                pictures=False,
                faults=Dropped(0.0),
                strict=False,
            )
        )


def test_frame_times_of_a_real_drive(tmp_path):
    rng = np.random.default_rng(0)

    def take():
        time.sleep(0.02)
        return rng.integers(0, 255, (48, 64, 3), np.uint8)

    def see(picture):
        time.sleep(0.03)
        return Detections([[31, 20, 33, 30]], [0.9], [0], ["post"])

    settings = Settings(frame_hz=20, delay_s=0.05, detector_s=0.03, watchdog_s=5.0, max_mps=0.15)
    done = drive(
        see, take, Camera(64, 48, 1.0, height_m=0.25), settings, SimulatedLink(), 1.0, log=tmp_path / "run.jsonl"
    )
    run = Run.load(tmp_path / "run.jsonl")
    times = frame_times(run)
    assert times.used == done.observations and times.latency_p50_s >= 0.05 + 0.03 - 1e-3
    assert times.throughput_hz <= 1 / 0.05 + 1
    # Little's law, on the real clock; what is under way at either end is the difference.
    assert times.in_flight == pytest.approx(times.throughput_hz * times.latency_mean_s, abs=0.5)
    with pytest.raises(InputError, match="the distance driven on one observation needs to know"):
        blind_distance_m(run)


class TestPercentile:
    def test_the_name_of_the_method_matters(self):
        # Hyndman and Fan, Am. Stat. 50:361-365, 1996: 29 by type 7, 20 by type 1.
        values = [15, 20, 35, 40, 50]
        assert percentile(values, 40) == pytest.approx(29.0)
        assert percentile(values, 40, "nearest_rank") == 20

    @pytest.mark.parametrize(("ours", "theirs"), [("linear", "linear"), ("nearest_rank", "inverted_cdf")])
    def test_against_numpy(self, ours, theirs):
        rng = np.random.default_rng(1)
        for count in (1, 2, 5, 10, 101):
            values = rng.normal(size=count)
            for percent in (0, 1, 10, 25, 50, 77, 95, 99, 100):
                assert percentile(values, percent, ours) == pytest.approx(
                    np.percentile(values, percent, method=theirs), abs=1e-12
                )

    def test_refusals(self):
        for arguments, words in (
            (([], 50), "at least one"),
            (([1, np.nan], 50), "finite"),
            (([1], 50, "best"), "method must be linear"),
        ):
            with pytest.raises(InputError, match=words):
                percentile(*arguments)
        with pytest.raises(MotionError, match="percent must be from 0 to 100"):
            percentile([1], 101)
