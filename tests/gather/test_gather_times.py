"""Films whose frames come at varying rates, or say nothing about their times."""

from pathlib import Path

import numpy as np
import pytest

from robotlab.data import open_dataset
from robotlab.gather import gather
from robotlab.gather.sources import Frames

# HEVC, stored 64 × 48 and noted as turned: two seconds at 30 Hz, three at 5 Hz, one at 60 Hz; brighter from left to
# right as stored, and in time. Made for this test with FFmpeg.
PHONE = Path(__file__).with_name("films") / "phone.mov"
KEEP = ["near-duplicates", "blurred"]


def take(folder, **more):
    return gather(PHONE, folder, "walk", keep=KEEP, progress=False, **more)


def test_a_phones_film_of_varying_frame_rate_is_looked_at_twice_a_second_and_upright(tmp_path):
    report = take(tmp_path / "set")
    times = [entry.record["time_s"] for entry in report.data]
    assert times == pytest.approx(np.arange(12) / 2, abs=0.11) and not report.notes
    picture = report.data.load(report.data[0])
    assert picture.shape == (64, 48, 3)
    brightness = picture.astype(int).mean(axis=(1, 2))
    assert (np.diff(brightness[::8]) < -10).all()  # turned counter-clockwise: what was right is up
    # Every n-th frame, where that is what was asked for.
    frames = take(tmp_path / "frames", every=11).data
    assert max(np.diff([entry.record["time_s"] for entry in frames])) > 1.5


def test_a_gather_of_a_varying_film_goes_on_where_it_was(tmp_path):
    whole = take(tmp_path / "whole")
    assert [take(tmp_path / "parts", most=most).new for most in (1, 4, 5, 99)] == [1, 3, 1, 7]
    assert [entry.record["source"] for entry in open_dataset(tmp_path / "parts", unlabeled=True)] == [
        entry.record["source"] for entry in whole.data
    ]


class StandingTimes:
    """A film whose container has no times."""

    rate_hz, frames, live, size, name, time_s = 10.0, 20, False, (8, 6), "old.avi", 0.0

    def __init__(self):
        self.left = 20

    def skip(self):
        self.left -= 1
        return self.left >= 0

    def passed(self):
        return np.zeros((6, 8, 3), np.uint8)


def test_a_film_without_times_is_counted(monkeypatch, tmp_path):
    (tmp_path / "old.avi").touch()
    monkeypatch.setattr("robotlab.gather.sources.open_video", lambda _: StandingTimes())
    frames = Frames(tmp_path / "old.avi", None)
    assert frames.total == 4
    assert [one.place for one in frames.candidates(set(), 0)] == [0, 5, 10, 15] and not frames.ended_early
