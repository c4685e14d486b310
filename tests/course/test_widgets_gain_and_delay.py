"""The interactive picture of lesson 10, without a browser: what it shows against the theory of the loop."""

import math
import re

import numpy as np
import pytest

from robotlab.control import measure_oscillation
from robotlab.control.stability import sampled_bearing, sampled_critical
from robotlab.image import decode
from robotlab.widgets import GainAndDelay
from robotlab.widgets.gain_and_delay import LASTS_S, SPEED_MPS, STEP_RAD, step_response


def move(widget, **values):
    """What the browser does."""
    widget.asked = {"number": widget.asked["number"] + 1, "values": {**widget.asked["values"], **values}}
    assert widget.answered == widget.asked["number"]
    return widget.text


@pytest.mark.parametrize("frames", [0, 1, 3, 6])
def test_the_curve_is_that_of_the_sampled_loop(frames):
    gain = 5 * sampled_critical(frames)
    turn = step_response(gain, frames)
    at_frames = turn.bearing_rad[::5]
    # Nothing moves until the first picture has become a command.
    assert np.array_equal(at_frames[: frames + 1], np.full(frames + 1, STEP_RAD))
    theory = STEP_RAD * np.array(sampled_bearing(0.1 * gain, frames, len(at_frames) - frames))
    assert at_frames[frames:] == pytest.approx(theory, abs=1e-12)


@pytest.mark.parametrize(("gain", "frames", "lag_s"), [(2.0, 3, 0.0), (1.0, 2, 0.3), (9.0, 1, 0.0)])
def test_the_way_has_the_length_that_was_driven_and_points_to_the_post(gain, frames, lag_s):
    turn = step_response(gain, frames, lag_s)
    steps = np.hypot(*np.diff(turn.pose[:, :2], axis=0).T)
    assert steps.sum() == pytest.approx(SPEED_MPS * turn.t_s[-1], rel=2e-3)
    assert turn.bearing_rad == pytest.approx(STEP_RAD - turn.pose[:, 2])
    # The post is to the left, which is positive (ISO 8855).
    assert turn.pose[-1, 1] > 0


# Levin and May, Theor. Popul. Biol. 9:178-187, 1976 (from memory): limits of a = gain · frame, frames of a tenth of a second.
@pytest.mark.parametrize(("delay_s", "limit"), [(0.1, 10.0), (0.2, 6.18034), (0.3, 4.45042), (0.5, 2.84630)])
def test_the_text_and_the_swings_know_the_published_limit(delay_s, limit):
    widget = GainAndDelay()
    for share, dies_out in ((0.95, True), (1.05, False)):
        gain = round(share * limit, 1)
        text = move(widget, gain=gain, delay_s=delay_s)
        said, percent = (
            float(re.search(r"ultimate gain, ([\d.]+) 1/s", text)[1]),
            int(re.search(r"(\d+) % of the ultimate gain", text)[1]),
        )
        assert said == pytest.approx(limit, abs=0.005)
        assert percent == round(100 * gain / limit)
        ratio = measure_oscillation(step_response(gain, round(10 * delay_s)).bearing_rad[::5], 0.1).ratio
        assert (ratio < 1) == dies_out


def test_motor_lag_lowers_the_limit():
    widget = GainAndDelay(gain=2.0, delay_s=0.3)
    assert "4.45 1/s" in widget.text
    # python-control gives the gain margin of exp(-T s) / (s (1 + lag s)) in tests/control; 3.75 is this loop's.
    assert "3.75 1/s" in move(widget, lag_s=0.1)


def test_each_sentence_comes_where_it_is_true():
    widget = GainAndDelay()
    assert "does not overshoot, and stays within 1°" in move(widget, gain=1.0, delay_s=0.1)
    assert re.search(r"overshoots by 3\.1°, and stays within 1° after", move(widget, gain=2.0, delay_s=0.3))
    assert re.search(r"overshoots by 15\.9°, and is still \d+\.\d° off in the last 2 s", move(widget, gain=4.4))
    text = move(widget, gain=6.0)
    lost = float(re.search(r"leaves the picture after ([\d.]+) s", text)[1])
    turn = step_response(6.0, 3)
    assert lost == pytest.approx(turn.t_s[-1], abs=0.05) and lost < LASTS_S
    assert abs(turn.bearing_rad[-1]) > math.radians(31.1) > np.abs(turn.bearing_rad[:-1:5]).max()


def test_the_picture_follows_the_sliders_and_comes_back():
    widget = GainAndDelay()
    first = bytes(widget.picture)
    move(widget, gain=6.0)
    wild = decode(bytes(widget.picture)).astype(int)
    # Vermilion is there only when swings grow (Okabe and Ito's #d55e00).
    assert (np.abs(wild - [213, 94, 0]).max(axis=2) < 12).sum() > 200
    move(widget, gain=2.0)
    calm = decode(bytes(widget.picture)).astype(int)
    assert bytes(widget.picture) == first
    assert (np.abs(calm - [213, 94, 0]).max(axis=2) < 12).sum() == 0


def test_it_says_what_it_shows():
    widget = GainAndDelay()
    assert "Three panels" in widget.alt and "Three panels" in repr(widget) and widget.text in repr(widget)
    assert [slider["label"] for slider in widget.sliders] == ["gain", "latency", "motor lag"]
