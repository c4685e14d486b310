"""The Python side of the pictures in lessons 03 and 05; the browser's side is in tests/browser."""

import cv2
import pytest

from robotlab.color import Band
from robotlab.errors import InputError
from robotlab.greenhouse import WALKS, render
from robotlab.image import decode
from robotlab.loop import default_camera
from robotlab.widgets import ColorBands, TwoBoxes
from robotlab.widgets.color_bands import _outside


@pytest.fixture(scope="module")
def view():
    return render(WALKS["straight"].scene.with_post_at(2.0, 0.0), default_camera())


def ask(widget, **values):
    velocity = widget.asked
    widget.asked = {"number": velocity["number"] + 1, "values": {**velocity["values"], **values}}
    assert widget.answered == velocity["number"] + 1


@pytest.mark.parametrize("hue", [(6, 15), (100, 130), (170, 8)])
def test_pixels_in_the_band_are_those_of_opencv(view, hue):
    """cv2.inRange after cv2.cvtColor, in two pieces where the band goes through red."""
    shown = ColorBands(view.picture)
    ask(shown, hue_from=hue[0], hue_to=hue[1], saturation_from=90, value_from=60)
    hsv = cv2.cvtColor(view.picture, cv2.COLOR_RGB2HSV)
    pieces = [hue] if hue[0] <= hue[1] else [(hue[0], 179), (0, hue[1])]
    count = sum(int((cv2.inRange(hsv, (low, 90, 60), (high, 255, 255)) > 0).sum()) for low, high in pieces)
    assert count > 0 and shown.text.startswith(f"{count} pixels in the band")


def test_a_band_on_the_post_is_found_and_drawn(view):
    shown = ColorBands({"day": view.picture}, Band((6, 15), (200, 255), (100, 255)), {"day": view.truths.boxes[0]})
    assert shown.text.startswith("day: ") and shown.text.endswith(": found")
    before = decode(shown.picture)
    ask(shown, value_from=255)
    assert "no blob" in shown.text and shown.text.endswith("IoU with the ground truth 0.00: not found")
    after = decode(shown.picture)
    assert before.shape == after.shape and (before != after).any()
    ask(shown, value_from=100)
    # The same choice draws the same picture, whatever was drawn between.
    assert (decode(shown.picture) == before).all()


def test_what_a_band_leaves_out():
    assert _outside(6, 15, 180) == [(0, 6), (16, 180)]
    assert _outside(170, 8, 180) == [(9, 170)]
    assert _outside(0, 255, 256) == [(0, 0), (256, 256)]


def test_bands_refuse_what_they_cannot_show(view):
    with pytest.raises(InputError, match="of one size"):
        ColorBands({"a": view.picture, "b": view.picture[:-1]})
    with pytest.raises(InputError, match="use the names"):
        ColorBands({"a": view.picture}, truths={"b": [0, 0, 1, 1]})
    with pytest.raises(InputError, match="at least one"):
        ColorBands({})


def move(widget, first, second):
    widget.asked = {"number": widget.asked["number"] + 1, "boxes": [first, second]}


def test_two_boxes_say_the_published_overlaps():
    # 1/7 by hand; .25 is of the test suite of torchvision, here a tenth as large.
    two = TwoBoxes([0, 0, 10, 10], [5, 5, 15, 15])
    assert two.text.endswith("IoU 25 / 175 = 0.143")
    move(two, [0, 0, 10, 10], [0, 0, 5, 5])
    assert two.text.endswith("IoU 25 / 100 = 0.250") and two.answered == 1
    assert two.boxes.tolist() == [[0, 0, 10, 10], [0, 0, 5, 5]]
    move(two, [0, 0, 10, 10], [20, 0, 30, 10])
    assert "intersection 0 px²" in two.text and two.text.endswith("= 0.000")


def test_a_function_of_ones_own_is_shown_and_may_fail():
    two = TwoBoxes([0, 0, 10, 10], [5, 5, 15, 15], measure=lambda a, b: 1 / int(b[0] - 5))
    assert two.failed and "Your function stops: ZeroDivisionError" in two.text
    move(two, [0, 0, 10, 10], [7, 5, 17, 15])
    assert not two.failed and two.text.endswith("Your function gives 0.500")


def test_a_function_not_written_yet():
    two = TwoBoxes([0, 0, 10, 10], [5, 5, 15, 15], measure=lambda a, b: ...)
    assert two.failed and two.text.endswith("Your function gives no number yet: Ellipsis")


@pytest.mark.parametrize("box", [[-1, 0, 5, 5], [0, 0, 41, 5], [3, 3, 3, 9], [5, 5, 2, 9]])
def test_boxes_must_be_on_the_sheet(box):
    with pytest.raises(InputError):
        TwoBoxes([0, 0, 10, 10], box)
