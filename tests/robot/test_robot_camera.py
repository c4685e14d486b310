"""The camera: the newest picture with its time; its size, its loss, and faults of the view."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from robot_stand_ins import StandInVideo, jpeg_stream, number_of, numbered, write_film

from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.detections import Detections
from robotlab.errors import InputError, MotionError, PictureError
from robotlab.greenhouse import LIGHTINGS, random_scene, render
from robotlab.loop import Settings, drive
from robotlab.robot import VideoCamera, view_fault
from robotlab.robot import camera as module


def stand_in(monkeypatch, *videos):
    """Each time a camera is opened the next of these is; an error among them is raised."""
    left = list(videos)

    def open_video(*_):
        video = left.pop(0) if left else PictureError("gone")
        if isinstance(video, Exception):
            raise video
        return video

    monkeypatch.setattr(module, "open_video", open_video)


def until(true, wait_s=5.0):
    end = time.monotonic() + wait_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_a_slow_reader_gets_the_newest_picture_and_its_time(monkeypatch):
    stand_in(monkeypatch, StandInVideo(numbered, rate_hz=200))
    with VideoCamera(0, delay_s=0.25) as take:
        numbers, ages = [], []
        for _ in range(5):
            time.sleep(0.05)  # ten pictures
            picture, taken_s = take()
            numbers.append(number_of(picture))
            ages.append(time.monotonic() - taken_s)
        report = take.report()
    assert min(np.diff(numbers)) >= 3
    # The delay is taken off; a picture never waits longer than for the next one, and nobody gets one twice.
    assert 0.25 <= min(ages) < 0.28
    assert report.handed == 5 and report.pictures > 20 and report.delay_s == 0.25
    assert report.exposure_s == 0.01 and report.rate_hz <= 200 and report.waiting_s < 0.2
    assert "64 x 48 px" in str(report) and "exposure 10.0 ms" in str(report)


def test_a_picture_is_handed_over_once(monkeypatch):
    stand_in(monkeypatch, StandInVideo(numbered, rate_hz=50))
    with VideoCamera(0) as take:
        numbers = [number_of(take()[0]) for _ in range(6)]
    assert min(np.diff(numbers)) >= 1


class StampedVideo(StandInVideo):
    """A driver that stamps its pictures; from the fifth on they lay in a buffer for three seconds."""

    def __init__(self, kind: str, first_age_s: float) -> None:
        super().__init__(numbered)
        self._kind, self._first_age = kind, first_age_s

    def read(self):
        picture = super().read()
        self.time_s = self.grabbed_s - (self._first_age if self._count < 5 else 3.0)
        return picture

    def driver(self):
        return self._kind


@pytest.mark.parametrize(
    ("kind", "first_age_s", "wanted_s"),
    # Believed for good once they are fresh; from another clock, of the future, or of a file they are not.
    [("V4L2", 0.04, 3.0), ("V4L2", 5e8, 0.0), ("V4L2", -9.0, 0.0), ("FFMPEG", 0.04, 0.0)],
)
def test_the_drivers_stamp_tells_old_pictures(monkeypatch, kind, first_age_s, wanted_s):
    stand_in(monkeypatch, StampedVideo(kind, first_age_s))
    with VideoCamera(0) as take:
        until(lambda: take.report().pictures > 8)
        take()
        picture, taken_s = take()
        assert time.monotonic() - taken_s == pytest.approx(wanted_s, abs=0.5)


@pytest.mark.parametrize("size", [(640, 480), (48, 64)])
def test_another_size_than_asked_for_is_refused(monkeypatch, size):
    video = StandInVideo(numbered)
    stand_in(monkeypatch, video)
    with pytest.raises(PictureError, match=f"must give pictures of {size[0]} x {size[1]} px, it gives 64 x 48"):
        VideoCamera(0, size=size)
    assert video.closed


def test_a_size_that_changes_on_the_way_ends_it(monkeypatch):
    stand_in(monkeypatch, StandInVideo(lambda n: numbered(n, (64, 48) if n < 5 else (32, 24))))
    with VideoCamera(0) as take, pytest.raises(PictureError, match="size 64x48 px, got 32x24"):
        for _ in range(10):
            take()


def test_a_lost_camera_is_opened_again(monkeypatch):
    first = StandInVideo(lambda n: numbered(n) if n < 4 else None)
    stand_in(monkeypatch, first, PictureError("not yet"), StandInVideo(numbered))
    with VideoCamera(0) as take:
        until(lambda: take.report().reconnects == 1)
        assert number_of(take()[0]) < 250
        assert first.closed and "lost and found again 1 times" in str(take.report())


def test_a_camera_that_stays_away_is_given_up_for_good(monkeypatch):
    stand_in(monkeypatch, StandInVideo(lambda n: numbered(n) if n < 4 else None))
    with VideoCamera(0, reconnect_s=0.4) as take:
        with pytest.raises(PictureError, match=r"none came for 0.4 s; check cable"):
            for _ in range(10):
                take()
        until(lambda: not take._thread.is_alive())
        with pytest.raises(PictureError, match=r"none came for 0.4 s"):
            take()


def test_a_driver_that_hangs_ends_the_wait(monkeypatch):
    stand_in(monkeypatch, StandInVideo(lambda n: numbered(n) if n < 2 else time.sleep(2)))
    with VideoCamera(0, reconnect_s=0.2) as take:
        begin = time.monotonic()
        with pytest.raises(PictureError, match=r"none came for 0.2 s"):
            for _ in range(10):
                take()
        assert time.monotonic() - begin < 2


def test_closing_ends_a_wait_and_says_so(monkeypatch):
    video = StandInVideo(numbered)
    stand_in(monkeypatch, video)
    take = VideoCamera(0)
    take.close()
    with pytest.raises(PictureError, match="it was closed; open it again"):
        take()
    assert video.closed


@pytest.mark.parametrize("bad", [{"delay_s": -1}, {"reconnect_s": math.nan}, {"delay_s": "slow"}])
def test_numbers_out_of_range_are_refused_before_anything_is_opened(monkeypatch, bad):
    monkeypatch.setattr(module, "open_video", lambda *_: pytest.fail("opened"))
    with pytest.raises(MotionError):
        VideoCamera(0, **bad)


# --- faults of the view ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("picture_of", "words"),
    [
        (lambda n: np.random.default_rng(n).integers(0, 9, (48, 64, 3), np.uint8), "the picture is black"),
        (lambda n: np.random.default_rng(n).integers(60, 70, (48, 64, 3), np.uint8), "no detail; uncover the lens"),
        (lambda n: numbered(7), "never changes"),
        (numbered, ""),
    ],
)
def test_a_fault_of_the_view_is_noticed_and_said(monkeypatch, picture_of, words):
    monkeypatch.setattr(module, "_LOOK_S", 0.0)
    stand_in(monkeypatch, StandInVideo(picture_of))
    with VideoCamera(0) as take:
        assert take.fault == ""
        until(lambda: take.report().pictures > 10)
        assert words in take.fault and bool(words) == bool(take.fault)
        assert take.report().fault == take.fault


@pytest.mark.parametrize("noise", [0, 1, 4])
@pytest.mark.parametrize("lighting", LIGHTINGS)
def test_no_rendered_scene_passes_for_a_covered_lens(lighting, noise):
    camera = Camera(160, 120, math.radians(62), height_m=0.25, pitch_rad=0.1)
    scene = random_scene(2, post=(2.0, 0.0)).under(lighting)
    assert view_fault(render(scene, camera, noise=noise).picture) == ""
    # A tenth of a percent of the light: what comes through a cap.
    assert "black" in view_fault(render(scene, camera, noise=noise, exposure=1e-3).picture)


@pytest.mark.parametrize("spread", [0, 5, 20])
@pytest.mark.parametrize("size", [(160, 120), (640, 480)])
def test_a_finger_on_the_lens_is_seen_through_noise(spread, size):
    # Light through skin: red, a smooth slope, and noise.
    slope = np.linspace(0, 30, size[0])[None, :, None] + np.array([120, 20, 10])
    noise = np.random.default_rng(1).normal(0, spread, (size[1], size[0], 3))
    assert "no detail" in view_fault((slope + noise).clip(0, 255).astype(np.uint8))


# --- the real thing --------------------------------------------------------------------


def test_a_film_plays_at_its_own_speed_and_then_is_over(tmp_path):
    path = write_film(tmp_path / "walk.avi", [numbered(10 * n) for n in range(10)], rate_hz=50)
    begin = time.monotonic()
    with VideoCamera(path) as take, pytest.raises(PictureError, match="the film is over"):
        while True:
            last = take()[0]
    assert time.monotonic() - begin >= 0.18
    # The newest picture counts: a busy machine may miss the last ones.
    assert number_of(last) > 45


def test_a_stream_that_breaks_off_is_joined_again():
    with jpeg_stream() as address, VideoCamera(address, size=(64, 48), reconnect_s=20) as take:
        assert take()[0].shape == (48, 64, 3)
        port = int(address.rstrip("/").rpartition(":")[2])
        take_more = [take() for _ in range(5)]
        assert all(later[1] > sooner[1] for sooner, later in zip(take_more, take_more[1:], strict=False))
        with jpeg_stream(pictures=5) as short, VideoCamera(short, reconnect_s=20) as other:
            until(lambda: other.report().reconnects >= 1, 20)
            assert other()[0].shape == (48, 64, 3)
        assert port


def test_a_camera_that_comes_back_starts_no_robot(monkeypatch):
    """It is away for longer than silence_s: the drive halts, and what the camera shows later moves nothing."""
    away = [False]

    def picture_of(number):
        if number == 30:
            away[0] = True
            return None
        return np.random.default_rng(number).integers(0, 255, (48, 64, 3), np.uint8)

    later = StandInVideo(picture_of, rate_hz=100)
    later._count = 31
    stand_in(monkeypatch, StandInVideo(picture_of, rate_hz=100), *[PictureError("not yet")] * 3, later)
    link = SimulatedLink()
    see = lambda picture: Detections([[10, 10, 20, 24]], [0.9], [0], ["post"])  # noqa: E731
    settings = Settings(frame_hz=50, delay_s=0.0)
    with VideoCamera(0) as take:
        report = drive(see, take, Camera(64, 48, 1.0, height_m=0.25), settings, link, 10.0)
        assert report.state == "fault" and report.reason.startswith("camera") and report.halt_confirmed
        moved, sent = [entry for entry in link.sent if entry[1:] != (0.0, 0.0)], len(link.sent)
        assert moved and link.wheels() == (0.0, 0.0)
        until(lambda: take.report().reconnects == 1)
        take()
    assert away[0] and len(link.sent) == sent


def test_what_is_missing_is_said(tmp_path):
    with pytest.raises(InputError, match="/dev/video987 is not"):
        VideoCamera(987)
    with pytest.raises(InputError, match="from 0 to 999"):
        VideoCamera(-1)
