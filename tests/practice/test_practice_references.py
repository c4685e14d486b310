"""References of the tasks against published numbers and named general-purpose libraries."""

import math

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.practice import task_named


def reference(name):
    return task_named(name).reference


def cases(name):
    return task_named(name).cases()


# Published field of view, degrees, and how far the pinhole is known to be from it.
@pytest.mark.parametrize(
    ("sensor_mm", "focal_mm", "published_deg", "within_deg"),
    [
        pytest.param(2592 * 1.4e-3, 3.60, 53.50, 0.01, id="OV5647 module, published horizontal"),
        pytest.param(1944 * 1.4e-3, 3.60, 41.41, 0.01, id="OV5647 module, published vertical"),
        pytest.param(3.68, 3.04, 62.2, 0.2, id="IMX219 module, published horizontal"),
        pytest.param(2.76, 3.04, 48.8, 0.2, id="IMX219 module, published vertical"),
        pytest.param(6.45, 2.75, 102, 3.0, id="IMX708 wide lens, published horizontal: where the pinhole misses"),
    ],
)
def test_field_of_view_of_published_cameras(sensor_mm, focal_mm, published_deg, within_deg):
    assert math.degrees(reference("field_of_view")(sensor_mm, focal_mm)) == pytest.approx(published_deg, abs=within_deg)


def test_field_of_view_equals_opencv():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    for sensor_mm, focal_mm in cases("field_of_view"):
        focal_px = 100 * focal_mm / sensor_mm
        matrix = np.array([[focal_px, 0, 50], [0, focal_px, 50], [0, 0, 1]])
        degrees = cv2.calibrationMatrixValues(matrix, (100, 100), sensor_mm, sensor_mm)[0]
        assert math.degrees(reference("field_of_view")(sensor_mm, focal_mm)) == pytest.approx(degrees, abs=1e-9)


def test_pixels_on_target():
    # Hartley & Zisserman, 2nd ed., chapter 6 (from memory); the value recomputed by hand.
    assert reference("pixels_on_target")(0.10, 2.0, math.radians(62.2), 640) == pytest.approx(26.52, abs=0.005)
    # The trade's rule, common practice without a source: twice as far, half as many.
    assert reference("pixels_on_target")(0.1, 4, 1.0, 640) * 2 == pytest.approx(
        reference("pixels_on_target")(0.1, 2, 1.0, 640)
    )


def test_pixels_on_target_equals_a_projection_by_opencv():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    for size_m, distance_m, hfov_rad, width_px in cases("pixels_on_target"):
        focal = width_px / 2 / math.tan(hfov_rad / 2)
        matrix = np.array([[focal, 0, width_px / 2], [0, focal, 0], [0, 0, 1]])
        ends = np.array([[-size_m / 2, 0, distance_m], [size_m / 2, 0, distance_m]])
        px = cv2.projectPoints(ends, np.zeros(3), np.zeros(3), matrix, None)[0][:, 0, 0]
        assert reference("pixels_on_target")(size_m, distance_m, hfov_rad, width_px) == pytest.approx(
            px[1] - px[0], rel=1e-9
        )


def test_working_range_is_where_the_projected_thing_fits_and_is_just_large_enough():
    for object_m, smallest_px, hfov_rad, width_px, height_px in cases("working_range"):
        camera = Camera(width_px, height_px, hfov_rad, height_m=object_m / 2)
        near, far = reference("working_range")(object_m, smallest_px, hfov_rad, width_px, height_px)
        top = camera.project(np.array([[near, 0, object_m], [near, 0, 0]]))[0]
        assert top[:, 1] == pytest.approx([0, height_px], abs=1e-6)
        assert camera.height_in_image_px(far, object_m) == pytest.approx(smallest_px, rel=1e-9)


def test_bearing_has_the_sign_of_iso_8855_and_hits_what_is_projected():
    # ISO 8855: y left, yaw counter-clockwise, so a thing on the left has a positive angle.
    assert reference("bearing")(0.0, 320, 1.0) == pytest.approx(0.5)
    for x_px, width_px, hfov_rad in cases("bearing"):
        angle = reference("bearing")(x_px, width_px, hfov_rad)
        point = np.array([[math.cos(angle), math.sin(angle), 0.0]])
        assert Camera(width_px, 240, hfov_rad).project(point)[0][0, 0] == pytest.approx(x_px, abs=1e-6)


def test_luminance_equals_opencv_to_half_a_step():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    for (picture,) in cases("luminance"):
        gray = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        assert np.abs(reference("luminance")(picture) - gray).max() <= 0.5 + 1e-2
    # OpenCV and Pillow give 76, 150, 29 for pure red, green and blue (ITU-R BT.601).
    pure = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255]]], np.uint8)
    assert reference("luminance")(pure).round().tolist() == [[76, 150, 29]]


def test_shrink_equals_scikit_image_and_the_recomputed_table():
    from skimage.transform import downscale_local_mean

    # arange(16), 4 x 4 to 2 x 2 by area: OpenCV, Pillow and scikit-image agree.
    assert reference("shrink")(np.arange(16.0).reshape(4, 4), 2).ravel().tolist() == [2.5, 4.5, 10.5, 12.5]
    for gray, step in cases("shrink"):
        assert np.allclose(reference("shrink")(gray, step), downscale_local_mean(gray, (step, step)))


def test_scaled_size_equals_pillow_thumbnails():
    from PIL import Image

    for width, height, longest in cases("scaled_size"):
        if longest < max(width, height):  # A thumbnail never grows.
            image = Image.new("L", (width, height))
            image.thumbnail((longest, longest))
            ours = reference("scaled_size")(width, height, longest)
            # Pillow looks for the size with the best proportions, which may be one px away.
            assert max(image.size) == max(ours) and np.abs(np.subtract(image.size, ours)).max() <= 1


def test_alias_frequency_is_where_the_spectrum_peaks():
    # Recomputed with NumPy's FFT: cos(2 pi 0.4 n), every second sample, peaks at 0.2 cycles per sample.
    assert reference("alias_frequency")(0.4, 2) == pytest.approx(0.2)
    kept = 4000
    for cycles_per_px, step in cases("alias_frequency"):
        wave = np.cos(2 * np.pi * cycles_per_px * step * np.arange(kept))
        peak = np.abs(np.fft.rfft(wave)).argmax() / kept
        assert reference("alias_frequency")(cycles_per_px, step) == pytest.approx(peak, abs=1 / kept)


def test_in_band_equals_opencv_on_each_side_of_red():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    for hue, low, high in cases("in_band"):
        parts = [(low, high)] if low <= high else [(low, 179), (0, high)]
        mask = sum(cv2.inRange(hue, np.array([a]), np.array([b])).astype(int) for a, b in parts) > 0
        assert np.array_equal(reference("in_band")(hue, low, high), mask)


def test_centroid_equals_scikit_image():
    from skimage.measure import regionprops

    # A rectangle over rows 2 to 4 and columns 3 to 8: scikit-image says row 3.0, column 5.5, at pixel centers.
    mask = np.zeros((6, 10), bool)
    mask[2:5, 3:9] = True
    assert reference("centroid")(mask) == (6.0, 3.5)
    for (mask,) in cases("centroid"):
        if mask.any():
            row, column = regionprops(mask.astype(int))[0].centroid
            assert reference("centroid")(mask) == pytest.approx((column + 0.5, row + 0.5))


def test_largest_blob_has_the_size_that_opencv_finds():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    for (mask,) in cases("largest_blob"):
        count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
        ours = reference("largest_blob")(mask)
        assert ours.sum() == (stats[1:, cv2.CC_STAT_AREA].max() if count > 1 else 0)
        if ours.any():
            assert len(np.unique(labels[ours])) == 1 and (labels == labels[ours][0]).sum() == ours.sum()


def test_mean_hue_equals_scipy():
    from scipy.stats import circmean

    for (hues,) in cases("mean_hue"):
        assert reference("mean_hue")(hues) == pytest.approx(circmean(hues, high=360, low=0) % 360, abs=1e-9)
    # Textbook example, from memory: the circular mean of 350 and 10 degrees is 0.
    assert math.cos(math.radians(reference("mean_hue")(np.array([350.0, 10.0])))) == pytest.approx(1)


def test_softmax_equals_scipy():
    from scipy.special import softmax

    for (scores,) in cases("softmax"):
        assert np.allclose(reference("softmax")(scores), softmax(scores, axis=1), atol=1e-15)


def test_top_k_holds_the_scores_that_numpy_sorts_to_the_end():
    for scores, k in cases("top_k"):
        places = reference("top_k")(scores, k)
        assert np.array_equal(scores[places], np.sort(scores)[::-1][:k])
        ties = np.diff(scores[places]) == 0
        assert (np.diff(places)[ties] > 0).all()


def test_abstain_is_right_row_by_row():
    for probabilities, least in cases("abstain"):
        # Plain Python, by the words of the statement.
        rows = [
            max(range(len(row)), key=row.__getitem__) if max(row) >= least else -1 for row in probabilities.tolist()
        ]
        assert reference("abstain")(probabilities, least).tolist() == rows


def test_corners_are_those_of_the_coco_format():
    # COCO's form and the corners of VOC: [x, y, w, h] is [x, y, x + w, y + h] (Lin et al., ECCV 2014, annotation format).
    for (boxes,) in cases("corners_from_xywh"):
        assert reference("corners_from_xywh")(boxes).tolist() == [[x, y, x + w, y + h] for x, y, w, h in boxes.tolist()]


@pytest.mark.parametrize(
    ("a", "b", "published"),
    [
        pytest.param([0, 0, 10, 10], [5, 5, 15, 15], 1 / 7, id="recomputed: 25 / 175"),
        pytest.param([0, 0, 100, 100], [0, 0, 50, 50], 0.25, id="torchvision test suite"),
        pytest.param(
            [298.55, 98.96, 314.97, 151.79], [300, 100, 315, 150], 0.861366, id="torchmetrics documentation, .8614"
        ),
        pytest.param([258, 41, 606, 285], [214, 41, 562, 285], 304 / 392, id="torchmetrics documentation"),
    ],
)
def test_iou_of_published_boxes(a, b, published):
    assert reference("iou")(np.array(a, float), np.array(b, float)) == pytest.approx(published, abs=1e-6)


def test_iou_equals_shapely():
    shapely = pytest.importorskip("shapely", reason="shapely is not installed")
    for a, b in cases("iou"):
        one, other = shapely.box(*a), shapely.box(*b)
        together = one.union(other).area
        assert reference("iou")(a, b) == pytest.approx(one.intersection(other).area / together if together else 0.0)


def test_nms_equals_opencv_where_no_scores_tie():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    tried = 0
    for boxes, scores, limit in cases("nms"):
        # OpenCV has an order of its own for equal scores; a grain of the place makes them differ.
        scores = scores - 1e-3 * np.arange(len(scores))
        if len(boxes):
            xywh = np.column_stack([boxes[:, :2], boxes[:, 2:] - boxes[:, :2]])
            kept = cv2.dnn.NMSBoxes(xywh.tolist(), scores.tolist(), 0.0, limit)
            assert reference("nms")(boxes, scores, limit).tolist() == np.ravel(kept).tolist()
            tried += 1
    assert tried > 8
