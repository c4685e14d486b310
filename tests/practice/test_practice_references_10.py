"""References of lesson 10's tasks against published numbers and named general-purpose libraries."""

import math

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.control import DifferentialDrive, advance, find_ultimate_gain
from robotlab.control.stability import sampled_bearing
from robotlab.practice import task_named


def reference(name):
    return task_named(name).reference


def cases(name):
    return task_named(name).cases()


def test_bearing_error_has_the_sign_of_iso_8855_and_faces_what_is_projected():
    # ISO 8855 vehicle axes: y left, yaw counter-clockwise, so a target right of center needs a negative turn.
    assert reference("bearing_error")((170.0, 0.0, 190.0, 9.0), 320, 1.0) < 0
    for (x0, y0, x1, y1), width_px, hfov_rad in cases("bearing_error"):
        turn = reference("bearing_error")((x0, y0, x1, y1), width_px, hfov_rad)
        ahead = np.array([[math.cos(turn), math.sin(turn), 0.0]])
        assert Camera(width_px, 240, hfov_rad).project(ahead)[0][0, 0] == pytest.approx((x0 + x1) / 2, abs=1e-6)


def test_bearing_error_equals_a_projection_by_opencv():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    for box, width_px, hfov_rad in cases("bearing_error"):
        turn, focal = reference("bearing_error")(box, width_px, hfov_rad), width_px / 2 / math.tan(hfov_rad / 2)
        matrix = np.array([[focal, 0, width_px / 2], [0, focal, 0], [0, 0, 1]])
        # OpenCV's camera axes are x right, z forward: left is negative there.
        point = np.array([[-math.sin(turn), 0.0, math.cos(turn)]])
        assert cv2.projectPoints(point, np.zeros(3), np.zeros(3), matrix, None)[0][0, 0, 0] == pytest.approx(
            (box[0] + box[2]) / 2
        )


def test_p_law_is_a_proportional_controller_within_its_limits():
    import control  # which takes a second: not at the start of every process of tests

    # The gain of python-control's static system, limited by NumPy.
    for bearing, distance, turn_gain, drive_gain, keep, max_yaw, max_mps in cases("p_law"):
        law = control.ss([], [], [], np.diag([drive_gain, turn_gain]))
        wanted = np.real(law(0)) @ [distance - keep, bearing]
        limited = np.clip(wanted, [0, -max_yaw], [max_mps, max_yaw])
        assert reference("p_law")(bearing, distance, turn_gain, drive_gain, keep, max_yaw, max_mps) == pytest.approx(
            limited
        )


def test_wheel_speeds_of_the_textbook():
    # Siegwart, Nourbakhsh, Scaramuzza, 2nd ed., section 3.2 (formula from memory), recomputed:
    # wheels of 33 mm at 5 and 7 rad/s, 160 mm apart, are .198 m/s and .4125 rad/s.
    assert reference("wheel_speeds")(0.198, 0.4125, 0.16, 1.0) == pytest.approx((5 * 0.033, 7 * 0.033))


def test_limited_wheels_keep_the_circle():
    for v, yaw, track, most in cases("wheel_speeds"):
        left, right = reference("wheel_speeds")(v, yaw, track, most)
        assert max(abs(left), abs(right)) <= most * (1 + 1e-12)
        speed, turn = DifferentialDrive(track).twist(left, right)
        # Thrun, Burgard, Fox, section 5.3 (from memory): the radius is v / w; slower, on the same circle.
        assert speed * yaw == pytest.approx(turn * v)
        slower = turn / yaw
        assert 0 < slower <= 1 + 1e-12
        assert advance(0, 0, 0, speed, turn, 1 / slower) == pytest.approx(advance(0, 0, 0, v, yaw, 1.0))


# Levin and May, Theor. Popul. Biol. 9:178-187, 1976 (from memory; the numbers recomputed from eigenvalues).
@pytest.mark.parametrize(
    ("frames", "limit"), [(0, 2.0), (1, 1.0), (2, 0.618034), (3, 0.445042), (5, 0.284630), (10, 0.149460)]
)
def test_gain_limit_published(frames, limit):
    assert reference("gain_limit")(frames, 1.0) == pytest.approx(limit, abs=1e-6)
    assert reference("gain_limit")(frames, 0.05) == pytest.approx(20 * limit, rel=1e-5)


def test_gain_limit_is_the_gain_margin_of_python_control():
    import control  # which takes a second: not at the start of every process of tests

    for frames, frame_s in cases("gain_limit"):
        # Frequency response of 1 / (z^d (z - 1)), up to a half turn in each frame, the most that frames can show.
        turn = np.linspace(0.02, 1.0, 1001) * math.pi
        z = np.exp(1j * turn)
        gain_margins, *_ = control.stability_margins(
            control.FRD(1 / (z**frames * (z - 1)), turn / frame_s, smooth=True), returnall=True
        )
        if frames:
            assert reference("gain_limit")(frames, frame_s) * frame_s == pytest.approx(min(gain_margins), rel=1e-3)
        else:  # Without delay it crosses at the very end: 1 / (z - 1) at z = -1 is -1/2.
            assert reference("gain_limit")(frames, frame_s) * frame_s == pytest.approx(2)


@pytest.mark.parametrize("frames", [1, 3])
def test_gain_limit_is_where_a_stepped_loop_begins_to_grow(frames):
    found = find_ultimate_gain(lambda gain: sampled_bearing(0.1 * gain, frames, 2000), first_gain=1.0)
    assert found.ultimate_gain == pytest.approx(reference("gain_limit")(frames, 0.1), rel=0.01)
