"""The camera against published sensor tables, OpenCV, and its own inverse."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotlab.camera import Camera, focal_px, fov_rad, pixels_on_target, working_range
from robotlab.errors import InputError

# Sensor, active area (m), focal length (m), published field of view (degrees), tolerance (degrees).
# The makers' sensor and lens tables as printed; the wide lens misses by 3 degrees because a
# pinhole has no distortion.
PUBLISHED = [
    pytest.param(
        (2592 * 1.4e-6, 1944 * 1.4e-6), 3.60e-3, (53.50, 41.41), 0.01, id="OV5647 data sheet, 2592x1944 px of 1.4 um"
    ),
    pytest.param((3.68e-3, 2.76e-3), 3.04e-3, (62.2, 48.8), 0.2, id="IMX219 module table, f 3.04 mm"),
    pytest.param((6.45e-3, 3.63e-3), 4.74e-3, (66.0, 41.0), 3.0, id="IMX708 module table, f 4.74 mm"),
    pytest.param((6.45e-3, 3.63e-3), 2.75e-3, (102.0, 67.0), 3.0, id="IMX708 wide module table, f 2.75 mm"),
]


@pytest.mark.parametrize(("sensor_m", "focal_m", "published_deg", "tolerance_deg"), PUBLISHED)
def test_field_of_view_of_published_sensors(sensor_m, focal_m, published_deg, tolerance_deg):
    found = [math.degrees(fov_rad(side, focal_m)) for side in sensor_m]
    assert found == pytest.approx(published_deg, abs=tolerance_deg)


def test_the_pinhole_misses_the_published_wide_lens():
    # Same table: 102 degrees published, the pinhole says 99.09.
    assert math.degrees(fov_rad(6.45e-3, 2.75e-3)) == pytest.approx(99.09, abs=0.01)


def test_published_full_hd_camera():
    # Maker's table of a 1920x1080 depth camera's color sensor: H 70.42, V 43.3, D 78 degrees.
    camera = Camera(1920, 1080, math.radians(70.42))
    assert camera.focal_px == pytest.approx(1360.38, abs=0.01)
    assert math.degrees(camera.vfov_rad) == pytest.approx(43.3, abs=0.05)


def test_pixels_on_target_worked_example():
    # Hartley & Zisserman, Multiple View Geometry, 2nd ed., chapter 6 (from memory): N = W s / (2 Z tan(HFOV/2)).
    found = pixels_on_target(0.10, 2.0, math.radians(62.2), 640)
    assert found == pytest.approx(26.52, abs=0.005)
    assert found == pytest.approx(640 * 0.10 / (2 * 2.0 * math.tan(math.radians(31.1))), rel=1e-12)


def test_field_of_view_equals_opencv():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed: pip install robotlab[test]")
    matrix = np.array([[800.0, 0, 320], [0, 800, 240], [0, 0, 1]])
    width_deg, height_deg, focal_mm, _, _ = cv2.calibrationMatrixValues(matrix, (640, 480), 3.6, 2.7)
    camera = Camera(640, 480, fov_rad(640, 800))
    assert math.degrees(camera.hfov_rad) == pytest.approx(width_deg, abs=1e-9) == pytest.approx(43.60281897, abs=1e-8)
    assert math.degrees(camera.vfov_rad) == pytest.approx(height_deg, abs=1e-9) == pytest.approx(33.39848847, abs=1e-8)
    assert camera.focal_px * 3.6 / 640 == pytest.approx(focal_mm, abs=1e-9) == pytest.approx(4.5, abs=1e-9)
    # A middle that is off by 20 px: the two half angles no longer match (43.58153723 from the same function).
    halves = math.degrees(math.atan(300 / 800) + math.atan(340 / 800))
    matrix[0, 2] = 300
    assert (
        cv2.calibrationMatrixValues(matrix, (640, 480), 3.6, 2.7)[0]
        == pytest.approx(halves, abs=1e-9)
        == pytest.approx(43.58153723, abs=1e-8)
    )


@pytest.mark.parametrize("pitch", [-0.3, 0.0, 0.2, 0.7])
def test_projection_equals_opencv(pitch):
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed: pip install robotlab[test]")
    camera = Camera(640, 480, 1.1, height_m=0.3, pitch_rad=pitch)
    rng = np.random.default_rng(3)
    points = rng.uniform([2.0, -2, 0], [6, 2, 1.5], (200, 3))
    # Body axes to OpenCV's camera axes (x right, y down, z ahead): a level camera, then the pitch about its x.
    level = np.array([[0.0, -1, 0], [0, 0, -1], [1, 0, 0]])
    tilt, _ = cv2.Rodrigues(np.array([pitch, 0.0, 0]))
    turn = tilt @ level
    shift = -turn @ np.array([0, 0, camera.height_m])
    matrix = np.array([[camera.focal_px, 0, 320], [0, camera.focal_px, 240], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], shift, matrix, None)
    ours, depth = camera.project(points)
    assert (depth > 0).all()
    np.testing.assert_allclose(ours, theirs[:, 0], atol=1e-8)


def test_positive_pitch_looks_down_and_positive_bearing_is_left():
    level, down = Camera(320, 240, 1.0, 0.3), Camera(320, 240, 1.0, 0.3, pitch_rad=0.2)
    far_floor = np.array([[3.0, 0.0, 0.0]])
    assert down.project(far_floor)[0][0, 1] < level.project(far_floor)[0][0, 1]
    left = np.array([[3.0, 1.0, 0.3]])
    x = level.project(left)[0][0, 0]
    # ISO 8855 vehicle axes: y and yaw are positive to the left.
    assert x < 160
    assert level.bearing_rad(x) == pytest.approx(math.atan2(1, 3), abs=1e-12)
    assert level.bearing_rad(320 - x) == pytest.approx(-math.atan2(1, 3), abs=1e-12)


def test_points_behind_the_lens_have_no_pixel():
    pixels, depth = Camera(320, 240, 1.0, 0.3).project(np.array([[-1.0, 0, 0.3], [1.0, 0, 0.3]]))
    assert np.isnan(pixels[0]).all() and depth[0] < 0
    assert pixels[1].tolist() == [160.0, 120.0]


@given(
    distance=st.floats(0.5, 8),
    bearing=st.floats(-0.5, 0.5),
    pitch=st.floats(-0.1, 0.35),
    height=st.floats(0.1, 0.6),
    tall=st.floats(0.1, 1.5),
)
def test_distance_and_bearing_undo_the_projection(distance, bearing, pitch, height, tall):
    camera = Camera(640, 480, 1.2, height, pitch)
    x, y = distance * math.cos(bearing), distance * math.sin(bearing)
    (foot, top), depth = camera.project(np.array([[x, y, 0.0], [x, y, tall]]))
    if not (depth > 0.05).all():
        return
    # The rows come out exactly; a pitched picture leans the thing, so the column is that of a box's middle.
    assert camera.bearing_rad(foot[0], foot[1]) == pytest.approx(bearing, abs=1e-9)
    box = [min(foot[0], top[0]), top[1], max(foot[0], top[0]), foot[1]]
    ahead = camera.distance_m(box, tall) * math.cos(camera.bearing_rad((box[0] + box[2]) / 2, (box[1] + box[3]) / 2))
    assert ahead == pytest.approx(x, rel=1e-8)
    assert camera.distance_m(box, tall) == pytest.approx(distance, rel=0.03)


@pytest.mark.parametrize(
    ("height", "pitch", "tall"), [(0.25, 0.0, 0.5), (0.3, 0.15, 0.5), (0.6, 0.3, 0.27), (0.4, -0.1, 0.9)]
)
def test_working_range_is_where_the_thing_fits_and_is_large_enough(height, pitch, tall):
    camera = Camera(320, 240, math.radians(62.2), height, pitch)
    near, far = working_range(camera, tall, smallest_px=12)

    def fits(distance):
        pixels, _ = camera.project(np.array([[distance, 0, 0], [distance, 0, tall]]))
        return bool((pixels[:, 1] >= 0).all() and (pixels[:, 1] <= camera.height_px).all())

    assert 0 < near < far
    assert fits(near * 1.001) and not fits(near * 0.999)
    assert fits(far * 0.999)
    assert camera.height_in_image_px(far * 0.999, tall) >= 12
    assert camera.height_in_image_px(far * 1.001, tall) < 12 or not fits(far * 1.001)


def test_working_range_of_a_level_camera_in_closed_form():
    camera = Camera(320, 240, math.radians(62.2), height_m=0.25)
    near, far = working_range(camera, 0.5, smallest_px=12)
    assert near == pytest.approx(0.25 / math.tan(camera.vfov_rad / 2), rel=1e-12)
    assert far == pytest.approx(camera.focal_px * 0.5 / 12, rel=1e-6)
    wide_near, _ = working_range(camera, 0.5, 12, object_width_m=1.0)
    assert wide_near == pytest.approx(camera.focal_px / 320, rel=1e-12)


def test_facts_of_the_trade():
    # Common practice, no source: a picture squeezed small loses a far thing; a narrow view loses a near one.
    wide, narrow = (Camera(640, 480, math.radians(angle), height_m=0.25) for angle in (80, 40))
    small = Camera(160, 120, math.radians(80), height_m=0.25)
    assert working_range(small, 0.5, 12)[1] == pytest.approx(working_range(wide, 0.5, 12)[1] / 4, rel=1e-4)
    assert working_range(narrow, 0.5, 12)[0] > 2 * working_range(wide, 0.5, 12)[0]


def test_a_camera_that_looks_up_never_sees_the_foot():
    near, _ = working_range(Camera(320, 240, 0.6, 0.3, pitch_rad=-0.6), 0.5, 12)
    assert near == math.inf


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: focal_px(640, 0.0), "between 0 and pi"),
        (lambda: focal_px(640, 62.2), "62.2 degrees is math.radians"),
        (lambda: focal_px(-1, 1.0), "more than 0"),
        (lambda: fov_rad(float("nan"), 1.0), "more than 0"),
        (lambda: pixels_on_target(0.1, 0.0, 1.0, 640), "distance_m"),
        (lambda: Camera(0, 240, 1.0), "width_px"),
        (lambda: Camera(320.5, 240, 1.0), "whole number"),
        (lambda: Camera(np.complex128(320), 240, 1.0), "whole number"),
        (lambda: Camera("wide", 240, 1.0), "whole number"),
        (lambda: Camera(320, 240, 1.0, height_m=-0.1), "height_m"),
        (lambda: Camera(320, 240, 1.0, pitch_rad=2.0), "pitch_rad"),
        (lambda: Camera(320, 240, 1.0).project(np.zeros(3)), r"point\[None, :\]"),
        (lambda: Camera(320, 240, 1.0).project(np.full((1, 3), np.nan)), "finite"),
        (lambda: Camera(320, 240, 1.0, 0.3).distance_m([0, 10, 5, 10], 0.5), "y1 > y0"),
        (lambda: Camera(320, 240, 1.0, 0.3).distance_m([0, 0, np.nan, 10], 0.5), "finite"),
        (lambda: working_range(Camera(320, 240, 1.0, 0.3), 0.5, 0), "smallest_px"),
        (lambda: working_range(Camera(320, 240, 1.0, 0.3), 1e300, 12), r"from at most 1e\+09 m"),
    ],
)
def test_bad_input_is_refused_with_the_repair(call, words):
    with pytest.raises(InputError, match=words):
        call()
