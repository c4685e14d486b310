"""References of lesson 06's tasks against named general-purpose libraries and numbers worked out by hand."""

import numpy as np
import pytest

from robotlab.practice import task_named


def reference(name):
    return task_named(name).reference


def cases(name):
    return task_named(name).cases()


def test_distance_counts_by_the_pinhole_and_pandas_like_bins():
    for heights, tall, focal, edges in cases("distance_counts"):
        # NumPy's own bins are half open too, but for the last upper edge, which is pushed out of reach here.
        distances = focal * tall / heights
        expected = np.histogram(distances[distances < edges[-1]], edges)[0]
        assert reference("distance_counts")(heights, tall, focal, edges).tolist() == expected.tolist()
    # .10 m at 2 m, 640 px, 62.2 degrees: 26.52 px (pinhole; Hartley & Zisserman, 2nd ed., chapter 6, from memory).
    focal = 320 / np.tan(np.radians(62.2) / 2)
    found = reference("distance_counts")(np.array([26.52]), 0.10, focal, np.array([1.99, 2.01]))
    assert found.tolist() == [1]


def test_blur_measure_equals_opencv_and_scipy():
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed")
    from scipy.ndimage import laplace

    for (gray,) in cases("blur_measure"):
        # Variance of the Laplacian: Pech-Pacheco et al., ICPR 2000 (cited from memory).
        expected = cv2.Laplacian(gray, cv2.CV_64F, ksize=1)[1:-1, 1:-1].var()
        assert reference("blur_measure")(gray) == pytest.approx(expected, abs=1e-9)
        assert reference("blur_measure")(gray) == pytest.approx(laplace(gray)[1:-1, 1:-1].var(), abs=1e-9)


def test_label_agreement_equals_the_best_assignment_where_pairs_are_clear():
    from scipy.optimize import linear_sum_assignment

    from robotlab.boxes import iou

    clear = 0
    for first, second, least in cases("label_agreement"):
        if not len(first) + len(second):
            assert reference("label_agreement")(first, second, least) == 1.0
            continue
        # From an IoU of .5 on, boxes of one person that lie apart have one partner at most: greedy is best.
        good = (iou(first, second) >= least).astype(float)
        if len(first) == len(second) == 2 and good.sum() > 2:
            continue  # Boxes of one person that overlap: the surest pair first is not always the best for both.
        clear += 1
        pairs = good[linear_sum_assignment(-good)].sum()
        assert reference("label_agreement")(first, second, least) == pytest.approx(
            2 * pairs / (len(first) + len(second))
        )
    assert clear > 10


def test_leaked_part_equals_a_tree_of_neighbors():
    from scipy.spatial import cKDTree

    for train, test, near in cases("leaked_part"):
        away = cKDTree(train[:, None]).query(test[:, None])[0] if len(train) else np.full(len(test), np.inf)
        assert reference("leaked_part")(train, test, near) == pytest.approx((away <= near).mean())
