"""References of lesson 13's tasks against rendered sheets and blinks, a link with true wheels, and the board itself."""

import math
import statistics
from contextlib import suppress

import numpy as np
import pytest

from robotlab.control import SimulatedLink
from robotlab.control.board import BoardWheels
from robotlab.control.line_protocol import LinkError, frame, unframe
from robotlab.practice import task_named
from robotlab.robot import CalibratedLink, delay_from_blinks, measure_field_of_view


def reference(name):
    return task_named(name).reference


def test_hfov_of_a_right_angle_and_of_the_published_formula():
    # A sheet as wide as twice its distance, filling the picture: 45 degrees to each side, by symmetry.
    assert reference("hfov_from_sheet")(1.0, 0.5, 320, 320) == pytest.approx(math.pi / 2)
    # HFOV = 2 atan(W / (2 f)) (Hartley and Zisserman, 2nd ed. 2004, ch. 6, from memory), projected corner by corner.
    for sheet, distance, seen, width in task_named("hfov_from_sheet").cases():
        half = reference("hfov_from_sheet")(sheet, distance, seen, width) / 2
        corner_px = width / 2 * (sheet / 2 / distance) / math.tan(half)
        assert 2 * corner_px == pytest.approx(seen)


def test_hfov_agrees_with_a_picture_of_a_sheet():
    picture = np.full((240, 320, 3), 60, np.uint8)
    picture[78:162, 100:219] = 230
    found = measure_field_of_view(picture, 0.5, (0.238, 0.168))
    assert reference("hfov_from_sheet")(0.238, 0.5, 119, 320) == pytest.approx(found.hfov_rad, rel=0.005)


def test_camera_delay_is_found_in_pictures_of_a_light():
    rng = np.random.default_rng(0)
    switched = np.cumsum(rng.uniform(0.4, 0.6, 40))
    taken = np.arange(0, switched[-1] + 1, 1 / 200)
    bright = 100.0 * (np.searchsorted(switched, taken - 0.13) % 2)
    first = taken[np.flatnonzero(np.diff(bright)) + 1]
    assert reference("camera_delay")(first, switched) == pytest.approx(
        delay_from_blinks(taken, bright, switched).delay_s, abs=1 / 200
    )
    # The median as Python's own statistics has it.
    for seen, all_switched in task_named("camera_delay").cases():
        delays = [one - max(t for t in all_switched if t < one) for one in seen]
        assert reference("camera_delay")(seen, all_switched) == pytest.approx(statistics.median(delays))


def test_wheel_commands_come_true_on_wheels_with_these_factors():
    for wanted, came, told in task_named("wheel_commands").cases():
        left, right = came.mean(axis=0) / told
        link = SimulatedLink()
        CalibratedLink(link, left, right).send(*wanted)
        sent = reference("wheel_commands")(wanted, came, told)
        assert link.sent[-1][1:] == pytest.approx(tuple(sent))
        assert sent * (left, right) == pytest.approx(wanted)


def test_halts_at_is_when_the_board_halts():
    for times, good, timeout_s, until_s in task_named("halts_at").cases():
        # Lines as they come over the wire, the damaged ones with one bit turned; the board is asked every half millisecond.
        wire = [bytes([ord("G") ^ (not agrees)]) + frame("GO", 1, 100, 100)[1:] for agrees in good]
        board, halted, coming = BoardWheels(None, timeout_s), until_s, list(zip(times, wire, strict=True))
        for now in np.arange(0, until_s, 0.0005):
            while coming and coming[0][0] <= now:
                when, line = coming.pop(0)
                with suppress(LinkError):
                    unframe(line)
                    board.drive(when, 0.1, 0.1)
            board.at(now)
            if now > times[0] and board.halted:
                halted = now
                break
        assert reference("halts_at")(times, good, timeout_s, until_s) == pytest.approx(halted, abs=0.002)
