"""In a notebook a progress bar goes to stdout: Jupyter shows stderr on pink, as it shows errors."""

import sys

import pytest

from robotlab.color import ColorDetector
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.detections import Detections, as_detector
from robotlab.face_off import simulate_walk, timed_detections


def coins():
    return open_dataset(shipped("datasets/coins")).only(ids=[1, 2])


def posts():
    day = open_dataset(shipped("datasets/greenhouse")).only(recordings="day1")
    return day.having(day.pictures[:6])


def nothing(kind):
    return as_detector(lambda picture: Detections.none([kind]))


WORK = {
    "color": lambda: ColorDetector.from_dataset(posts(), ["post"], progress=True),
    "timed_detections": lambda: timed_detections(nothing("coin"), coins(), name="coins"),
    "simulate_walk": lambda: simulate_walk(nothing("post"), "straight", duration_s=0.2),
}


@pytest.mark.parametrize("name", WORK)
@pytest.mark.parametrize("in_notebook", [True, False])
def test_a_progress_bar_never_looks_like_an_error_in_a_notebook(name, in_notebook, monkeypatch, capsys):
    if in_notebook:
        monkeypatch.setitem(sys.modules, "ipykernel", object())
    else:
        monkeypatch.delitem(sys.modules, "ipykernel", raising=False)
    WORK[name]()
    said = capsys.readouterr()
    shown, silent = (said.out, said.err) if in_notebook else (said.err, said.out)
    assert "100%" in shown or "%|" in shown
    assert silent == ""
