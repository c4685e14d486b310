"""The timeline of a frame, without a browser: its words against closed forms and Little's law."""

import re

import numpy as np
import pytest

from robotlab.errors import InputError
from robotlab.image import decode
from robotlab.widgets import FramePicture
from robotlab.widgets.frame_picture import THREADS


def move(widget, **changes):
    """What the browser does."""
    values = {**widget.asked["values"], **changes}
    widget.asked = {"number": widget.asked["number"] + 1, "values": values}
    assert widget.answered == widget.asked["number"] and not widget.failed


def figures(widget):
    rate, late, work, wait, product = re.search(
        r"([\d.]+) of \d+ pictures/s.*Latency (\d+) ms, of which (\d+) ms are work and (\d+) ms waiting\. .* = ([\d.]+) frames",
        widget.text,
    ).groups()
    return float(rate), float(late), float(work), float(wait), float(product)


def test_one_thread_and_threads_by_the_closed_forms():
    widget = FramePicture(camera_hz=120, detect_ms=30, show_ms=10)
    rate, late, work, _, product = figures(widget)
    # 4 + 30 + 10 + 2 ms in a row.
    assert rate == pytest.approx(1 / 0.046, abs=0.06) and work == 46
    assert product == pytest.approx(rate * late / 1e3, abs=0.02)  # Little, 1961
    move(widget, threads=THREADS[1])
    rate, late, work, _, _ = figures(widget)
    assert rate == pytest.approx(1 / 0.030, abs=0.06) and work == 46 and "bound by detect" in widget.text
    move(widget, camera_hz=20)
    assert figures(widget)[:4] == (20.0, 46.0, 46.0, 0.0) and "bound by the camera" in widget.text


def test_a_full_buffer_waits_one_turn_for_each_place():
    widget = FramePicture(camera_hz=120)
    before = figures(widget)
    move(widget, buffer=5)
    after = figures(widget)
    assert after[0] == before[0]
    assert after[1] == pytest.approx(6 * 46, abs=9)  # a frame of the camera less at most
    move(widget, camera_hz=20)
    assert figures(widget)[3] == 0


@pytest.mark.parametrize("camera_hz", [10, 120])
@pytest.mark.parametrize("threads", THREADS)
@pytest.mark.parametrize("buffer", [0, 5])
def test_all_ends_of_the_sliders_can_be_drawn_at_one_size(camera_hz, threads, buffer):
    widget = FramePicture()
    size = decode(bytes(widget.picture)).shape
    for detect_ms, show_ms in ((2, 0), (80, 40)):
        move(widget, camera_hz=camera_hz, threads=threads, buffer=buffer, detect_ms=detect_ms, show_ms=show_ms)
        rate, late, work, wait, product = figures(widget)
        assert (
            rate <= camera_hz + 0.05
            and late + 1.1 >= work + wait
            and product == pytest.approx(rate * late / 1e3, rel=0.1)
        )
        assert decode(bytes(widget.picture)).shape == size


def test_each_slider_changes_the_picture():
    widget = FramePicture()
    seen = [decode(bytes(widget.picture))]
    for name, value in (("camera_hz", 30), ("detect_ms", 50), ("show_ms", 0), ("buffer", 3), ("threads", THREADS[1])):
        move(widget, **{name: value})
        seen.append(decode(bytes(widget.picture)))
        assert np.any(seen[-1] != seen[-2]), name


def test_what_is_refused():
    with pytest.raises(InputError, match="its start between"):
        FramePicture(camera_hz=500)
