"""The color detector that comes with the course, so that no drive waits for its fit, is what that fit gives."""

from types import SimpleNamespace

import pytest

from robotlab.cli.shared import driving_detector
from robotlab.color import ColorDetector
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.face_off import threshold


@pytest.mark.slow
def test_the_color_detector_of_a_drive_is_a_fit_on_the_whole_greenhouse():
    detector, score = driving_detector(SimpleNamespace(who="color"))
    source = open_dataset(shipped("datasets/greenhouse"))
    assert detector == ColorDetector.from_dataset(source)
    # A sum in another order may move the last bit.
    assert score == pytest.approx(threshold(detector, source), abs=1e-12)
