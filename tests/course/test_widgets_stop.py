"""The picture of a stop, without a browser: its curves and its words against closed forms."""

import re

import numpy as np
import pytest

from robotlab.errors import InputError, MotionError
from robotlab.image import decode
from robotlab.widgets import StopPicture
from robotlab.widgets.stop_picture import stop_course


def move(widget, **changes):
    """What the browser does."""
    values = {**widget.asked["values"], **changes}
    widget.asked = {"number": widget.asked["number"] + 1, "values": values}
    assert widget.answered == widget.asked["number"] and not widget.failed


def meters(widget):
    return [float(number) for number in re.findall(r"(\d+\.\d+) m\b(?!/)", widget.text)]


@pytest.mark.parametrize(("v", "a", "t", "way"), [(0.5, 1.0, 0.2, 0.225), (1.2, 1.5, 0.25, 0.78)])
def test_without_a_jerk_limit_it_is_the_textbooks_distance(v, a, t, way):
    # v^2 / (2 a) + v t.
    widget = StopPicture()
    move(widget, speed_mps=v, accel_mps2=a, delay_s=t)
    assert meters(widget)[-1] == pytest.approx(way, abs=5e-4)
    assert stop_course(v, a, None, t, 3.5)[3][-1] == pytest.approx(way, abs=0.005)


def test_a_jerk_limit_costs_its_time():
    # dv / a + a / j = .5 / 1 + 1 / 5 = .7 s; the way is half of it times the speed, after the delay.
    widget = StopPicture(speed_mps=0.5, accel_mps2=1.0, jerk_mps3=5.0, delay_s=0.2)
    assert widget.text.startswith(f"Stands after {0.1 + 0.5 * 0.7 / 2:.3f} m and {0.2 + 0.7:.2f} s")
    t, speed, accel, way = stop_course(0.5, 1.0, 5.0, 0.2, 3.5)
    assert way[-1] == pytest.approx(0.275, abs=0.003)
    assert np.abs(accel).max() <= 1 + 1e-9 and np.abs(np.diff(accel)).max() / (t[1] - t[0]) <= 5 + 1e-6
    assert speed[-1] == pytest.approx(0, abs=1e-9)


def test_it_says_how_fast_the_crate_is_hit():
    widget = StopPicture(clear_m=0.6)
    move(widget, speed_mps=1.0, accel_mps2=1.0, jerk_mps3=40.0, delay_s=0.2)
    # 0.4 m of ramp are left: v^2 = 1 - 2 a d, so about .45 m/s; the jerk limit brakes a little less.
    hit = float(re.search(r"hits the crate at (\d\.\d\d) m/s", widget.text)[1])
    assert hit == pytest.approx((1 - 2 * 1.0 * 0.4) ** 0.5, abs=0.03)
    move(widget, speed_mps=0.5)
    assert "to spare" in widget.text and "hits" not in widget.text


def test_each_slider_changes_the_picture_and_it_keeps_its_size():
    widget = StopPicture()
    seen = [decode(bytes(widget.picture))]
    for name, value in (("speed_mps", 1.0), ("accel_mps2", 2.0), ("jerk_mps3", 1.5), ("delay_s", 1.0)):
        move(widget, **{name: value})
        seen.append(decode(bytes(widget.picture)))
        assert seen[-1].shape == seen[0].shape and (seen[-1] != seen[-2]).any()


@pytest.mark.parametrize("speed", [0.1, 1.2])
@pytest.mark.parametrize("accel", [0.4, 3.0])
@pytest.mark.parametrize("jerk", [1.0, 40.0])
def test_all_ends_of_the_sliders_can_be_drawn(speed, accel, jerk):
    widget = StopPicture()
    for delay in (0.0, 1.0):
        move(widget, speed_mps=speed, accel_mps2=accel, jerk_mps3=jerk, delay_s=delay)
        assert meters(widget)[0] >= meters(widget)[-1]


def test_what_is_refused():
    with pytest.raises(MotionError, match="clear_m must be more than 0"):
        StopPicture(clear_m=0.0)
    with pytest.raises(InputError, match="its start between"):
        StopPicture(speed_mps=5.0)
