"""The kit of interactive pictures, without a browser: what it draws, says and refuses."""

import numpy as np
import pytest

from robotlab.errors import InputError, PictureError
from robotlab.image import decode
from robotlab.report.plots import new_figure
from robotlab.widgets import Replay, Slider, SliderPicture
from robotlab.widgets.kit import browser_code, picture_bytes


def gray(level):
    return np.full((4, 6, 3), int(level), np.uint8), f"level {level:.0f}"


@pytest.fixture
def widget():
    return SliderPicture(gray, alt="One even gray.", level=Slider(0, 255, 90, 1, "gray level"))


def move(widget, number, **values):
    """What the browser does."""
    widget.asked = {"number": number, "values": values}


def test_a_move_draws_anew_and_is_answered_by_its_number(widget):
    assert decode(bytes(widget.picture))[0, 0].tolist() == [90, 90, 90] and widget.answered == 0
    move(widget, 7, level=12)
    assert decode(bytes(widget.picture))[0, 0].tolist() == [12, 12, 12]
    assert (widget.answered, widget.text, widget.failed) == (7, "level 12", False)


def test_picture_and_text_go_out_in_one_message(widget):
    sent = []
    widget.send_state = lambda key=None: sent.append({key} if isinstance(key, str) else set(key))
    move(widget, 1, level=200)
    (together,) = (keys for keys in sent if "picture" in keys)
    assert {"picture", "text", "answered"} <= together


def test_a_failing_function_is_shown_and_the_last_picture_stays(widget):
    def draw(level):
        if level > 250:
            raise InputError("too bright")
        return gray(level)

    widget = SliderPicture(draw, alt="gray", level=Slider(0, 255, 90, 1, "gray level"))
    move(widget, 1, level=255)
    assert (widget.answered, widget.text, widget.failed) == (1, "InputError: too bright", True)
    assert decode(bytes(widget.picture))[0, 0].tolist() == [90, 90, 90]
    move(widget, 2, level=5)
    assert not widget.failed and widget.text == "level 5"


def test_a_kept_figure_keeps_its_size_and_its_axes():
    figure, axes = new_figure(width_in=3, height_in=2)
    (line,) = axes[0, 0].plot([0, 1], [0, 1])
    first = decode(picture_bytes(figure))
    place = axes[0, 0].get_position().bounds
    line.set_ydata([0, 1e6])
    axes[0, 0].set_ylim(0, 1e6)
    second = decode(picture_bytes(figure))
    assert first.shape == second.shape == (200, 300, 3)
    assert axes[0, 0].get_position().bounds == place
    assert (first != second).any()


def test_every_widget_says_in_words_what_it_shows(widget):
    assert repr(widget) == "Picture with sliders (gray level): One even gray. Now: level 90"
    assert repr(Replay("<p>x</p>", alt="A run.")) == "Replay: A run."


@pytest.mark.parametrize(
    ("make", "error", "message"),
    [
        (lambda: SliderPicture(gray, alt="gray"), InputError, "one at least"),
        (lambda: SliderPicture(gray, alt=" ", level=Slider(0, 9, 1, 1, "x")), InputError, "alt must say in words"),
        (lambda: SliderPicture(lambda x: "gray", alt="a", x=Slider(0, 9, 1, 1, "x")), PictureError, "got str"),
        (lambda: Slider(3, 3, 3, 1, "x"), InputError, "low < high"),
        (lambda: Slider(0, 9, 10, 1, "x"), InputError, "its start between"),
        (lambda: Slider(0, float("nan"), 0, 1, "x"), InputError, "finite"),
        (lambda: Replay("", alt="a"), InputError, "one is empty"),
    ],
)
def test_what_is_refused(make, error, message):
    with pytest.raises(error, match=message):
        make()


def test_browser_code_loads_nothing_from_elsewhere():
    for name in ("slider_picture", "replay"):
        code = browser_code(name)
        assert "http" not in code and "import " not in code
