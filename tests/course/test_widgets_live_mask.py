"""The live mask: a camera's newest picture, let go by the button, by another one, and when nobody asks."""

import time

import numpy as np
import pytest

from robotlab.color import Band
from robotlab.errors import InputError
from robotlab.image import decode
from robotlab.widgets import LiveMask, live_mask

ORANGE = Band(hue=(5, 18), saturation=(150, 255), value=(80, 255))


def post_at(column):
    picture = np.zeros((480, 640, 3), np.uint8)
    picture[100:300, column : column + 40] = 230, 110, 20
    return picture


def asked(shown, **changed):
    """As a page asks: the same values, and the number of the start."""
    shown.asked = {"number": shown.asked["number"] + 1, "values": {**shown.asked["values"], **changed}}
    return shown.text


def until(true, timeout_s=20.0):
    end = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_each_question_gets_a_new_picture_and_the_button_keeps_the_last():
    given = []

    def take():
        given.append(post_at(100 * len(given)))
        return given[-1], 0.0  # with its time, as a robot's camera gives it

    live = LiveMask(take, ORANGE)
    shown = decode(live.picture)
    # 640 px become 320: a box of 20 x 100 px around the post, white within black, and the mask beside it.
    assert shown.shape == (240, 640, 3) and live.text.endswith("largest blob 2000 pixels, 20 wide and 100 tall")
    assert shown[100, 20].tolist() == [255] * 3 and shown[100, 22].tolist() == [0] * 3
    assert shown[100, 330].tolist() == [230, 110, 20] and len(given) == 1
    asked(live)
    assert decode(live.picture)[100, 320 + 60].tolist() == [230, 110, 20] and len(given) == 2
    # Stopped, the sliders go on working on the last picture.
    asked(live, live=0, hue_from=30, hue_to=60)
    assert live.text.startswith("0 pixels in the band") and len(given) == 2 and live.band.hue == (30, 60)
    asked(live, live=2, hue_from=5, hue_to=18)
    assert len(given) == 3 and not live.failed


def test_a_film_as_camera_and_another_widget_in_its_place(tmp_path):
    cv2 = pytest.importorskip("cv2")
    path = tmp_path / "walk.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 10, (640, 480))
    for _ in range(100):
        writer.write(np.ascontiguousarray(post_at(200)[..., ::-1]))
    writer.release()
    live = LiveMask(path, ORANGE)
    assert not live.failed and "20 wide and 100 tall" in live.text
    camera = live._take
    other = LiveMask(lambda: post_at(0), ORANGE)
    # The first was let go, and says so to a page that still asks.
    until(lambda: not camera._thread.is_alive())
    assert "let go" in asked(live) and live.failed
    assert "let go" not in asked(other)


def test_a_camera_is_let_go_when_no_page_asks(monkeypatch):
    monkeypatch.setattr(live_mask, "_NOBODY_S", 0.1)
    live = LiveMask(lambda: post_at(0), ORANGE)
    until(lambda: live._take is None)
    assert asked(live).startswith("the camera was let go") and live.failed
    assert "largest blob" in asked(live, live=2)
    live.close()
    assert live._take is None


def test_what_is_no_camera_is_said_in_one_line_and_looked_for_again(tmp_path):
    pytest.importorskip("cv2")
    path = tmp_path / "later.avi"
    live = LiveMask(path)
    assert live.failed and live.text.startswith("a film must exist to be read") and "\n" not in live.text
    path.write_bytes(b"no film")
    assert "must be an MP4" in asked(live, live=2)
    bad = LiveMask(lambda: np.zeros((4, 4)))
    assert bad.failed and "picture of the camera" in bad.text


@pytest.mark.parametrize(("camera", "every_ms"), [("", 250), (0, 0), (0, True), (0, 1.5), (0, 20_000)])
def test_an_empty_name_and_no_pause_are_refused(camera, every_ms):
    with pytest.raises(InputError):
        LiveMask(camera, every_ms=every_ms)


def test_without_opencv_it_says_what_to_install(monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "cv2", None)
    live = LiveMask(0)
    assert live.failed and "opencv-python-headless" in live.text and "install" in live.text
