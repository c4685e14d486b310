"""The color detector that comes with the course, so that no drive waits for its fit, is what that fit gives."""

from types import SimpleNamespace

import pytest

from robotlab.cli.shared import driving_detector
from robotlab.color import ColorDetector
from robotlab.course import measured, resources, shipped
from robotlab.data import open_dataset
from robotlab.errors import InputError
from robotlab.face_off import threshold


@pytest.mark.slow
def test_the_color_detector_of_a_drive_is_a_fit_on_the_whole_greenhouse():
    detector, score = driving_detector(SimpleNamespace(who="color"))
    source = open_dataset(shipped("datasets/greenhouse"))
    assert detector == ColorDetector.from_dataset(source)
    # A sum in another order may move the last bit.
    assert score == pytest.approx(threshold(detector, source), abs=1e-12)


@pytest.mark.parametrize(
    "change, words",
    [
        (lambda known: [known], "a detector and its score"),
        (lambda known: {"detector": known["detector"]}, "a detector and its score"),
        (lambda known: known | {"score": "high"}, "score must be a number"),
        (lambda known: known | {"score": 7}, "score must"),
        (lambda known: known | {"detector": known["detector"] | {"bands": {}}}, "color_detector.json: bands"),
    ],
)
def test_a_changed_color_detector_is_refused_in_a_sentence(change, words, monkeypatch):
    changed = change(measured("color_detector"))
    monkeypatch.setattr(resources, "read_json", lambda path: changed)
    with pytest.raises(InputError, match=words):
        driving_detector(SimpleNamespace(who="color"))
