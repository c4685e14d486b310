"""The course's own classifier, and the two ways from what to where."""

import math

import numpy as np
import pytest
from scipy.optimize import minimize

from robotlab.boxes import intersection
from robotlab.classify import CellMap, Classifier, Crops, SlidingWindowDetector, labeled_crops, square_crop
from robotlab.classify.softmax_regression import pooled
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.detections import Detector
from robotlab.errors import BoxError, InputError, PictureError
from robotlab.image import decode, resize
from robotlab.neural.cells import FrozenBackbone
from robotlab.neural.detector import NeuralDetector
from robotlab.neural.facts import pretrained_weights
from robotlab.neural.graph import head_layers
from robotlab.neural.spec import BACKBONE, channels_of


@pytest.fixture(scope="module")
def greenhouse():
    return open_dataset(shipped("datasets/greenhouse"))


@pytest.fixture(scope="module")
def crops(greenhouse):
    return labeled_crops(greenhouse.only(recordings=("day1", "overcast1")), empty=3)


@pytest.fixture(scope="module")
def classifier(crops):
    return Classifier.learn(crops)


# ---------------------------------------------------------------- crops


def test_a_crop_holds_the_pixels_under_its_box():
    picture = np.arange(60 * 80, dtype=np.uint16).reshape(60, 80)
    picture = np.stack([picture % 256, picture // 256, np.zeros_like(picture)], axis=2).astype(np.uint8)
    crop = square_crop(picture, [10, 20, 20, 40], margin=0)
    # 10 wide and 20 tall: a square of 20 around the middle (15, 30), columns 5 to 25, rows 20 to 40.
    np.testing.assert_array_equal(crop, picture[20:40, 5:25])
    # Beyond the corner the corner's pixel is repeated.
    outside = square_crop(picture, [-10, -10, 10, 10], margin=0)
    np.testing.assert_array_equal(outside[:10, :10], np.broadcast_to(picture[0, 0], (10, 10, 3)))
    np.testing.assert_array_equal(outside[10:, 10:], picture[:10, :10])


def test_a_crop_refuses_what_is_no_box():
    picture = np.zeros((60, 80, 3), np.uint8)
    for box in ([1, 2, 3], [[1, 2, 3, 4]], [5, 5, 1, 1], [np.nan, 0, 1, 1], [90, 0, 100, 10]):
        with pytest.raises(BoxError):
            square_crop(picture, box)
    with pytest.raises(PictureError):
        square_crop(picture[..., 0], [1, 1, 5, 5])
    for margin in (-0.1, np.nan, np.inf):
        with pytest.raises(InputError, match="margin"):
            square_crop(picture, [1, 1, 5, 5], margin)


def test_every_label_that_counts_gives_one_crop(greenhouse):
    data = greenhouse.only(recordings=("day1",))
    crops = labeled_crops(data)
    counts = [np.sum((entry.labels == label) & ~(entry.crowd | entry.ignore)) for label in range(3) for entry in data]
    assert np.bincount(crops.labels).tolist() == np.sum(np.reshape(counts, (3, -1)), axis=1).tolist()
    assert crops.classes == data.classes
    assert len(crops.of_class("post")) == np.sum(crops.labels == 0)
    with pytest.raises(InputError, match="one of post, bucket, crate"):
        crops.of_class("drum")
    with pytest.raises(InputError, match="empty"):
        labeled_crops(data, empty=-1)


def test_empty_pieces_keep_away_from_every_box(greenhouse):
    from robotlab.classify.crops import _empty_boxes

    rng = np.random.default_rng(4)
    seen = 0
    for entry in greenhouse.only(recordings=("dusk1",)):
        for box in _empty_boxes(entry.boxes, 320, 240, 4, rng):
            seen += 1
            assert box[0] >= 0 and box[1] >= 0 and box[2] <= 320 and box[3] <= 240
            if len(entry.boxes):
                smaller = np.minimum((box[2] - box[0]) ** 2, (entry.boxes[:, 2:] - entry.boxes[:, :2]).prod(axis=1))
                assert (intersection(box[None], entry.boxes)[0] / smaller).max() < 0.2
    assert seen > 80


# ---------------------------------------------------------------- the course's own classes


def test_learning_finds_the_one_best_answer(crops, classifier):
    """Against a plain fit of the same convex problem by another method of another library's optimizer, in float64."""
    few = np.concatenate([np.flatnonzero(crops.labels == label)[:12] for label in range(4)])
    small = Crops(tuple(crops.pictures[row] for row in few), crops.labels[few], crops.classes)
    ours = Classifier.learn(small, penalty=0.1)
    network = FrozenBackbone(pretrained_weights())
    x = np.stack([pooled(network, picture) for picture in small.pictures])
    x = np.column_stack([(x - x.mean(axis=0)) / (x.std(axis=0) + 1e-6), np.ones(len(x))])

    def loss(flat):
        w = flat.reshape(x.shape[1], 4)
        scores = x @ w
        logs = scores - np.log(np.exp(scores).sum(axis=1, keepdims=True))
        gradient = x.T @ (np.exp(logs) - np.eye(4)[small.labels]) / len(x) + 0.1 * w
        return -logs[np.arange(len(x)), small.labels].mean() + 0.05 * (w**2).sum(), gradient.ravel()

    slow = minimize(loss, np.zeros(x.shape[1] * 4), jac=True, method="CG", options={"gtol": 1e-6, "maxiter": 2000})
    np.testing.assert_allclose(ours.scores(small.pictures), x @ slow.x.reshape(-1, 4), atol=5e-3)


def test_it_tells_things_apart_on_drives_it_has_not_seen(greenhouse, classifier):
    test = labeled_crops(greenhouse.only(recordings=("day4", "overcast3")), empty=3)
    shares = classifier.probabilities(test.pictures)
    np.testing.assert_allclose(shares.sum(axis=1), 1, atol=1e-6)
    assert (shares.argmax(axis=1) == test.labels).mean() > 0.9
    # The same crops, the same answer; and labels in another order would be noticed.
    assert (shares.argmax(axis=1) == np.roll(test.labels, 1)).mean() < 0.6


def test_learning_twice_gives_the_same(crops, classifier):
    again = Classifier.learn(crops)
    np.testing.assert_array_equal(again.scores(crops.pictures[:5]), classifier.scores(crops.pictures[:5]))


def test_what_cannot_be_learned_is_refused():
    one = (np.zeros((20, 20, 3), np.uint8),) * 2
    with pytest.raises(InputError, match="two classes, each with a crop, got a 2, b 0"):
        Classifier.learn(Crops(one, np.array([0, 0]), ("a", "b")))
    with pytest.raises(InputError, match="two classes"):
        Classifier.learn(Crops(one, np.array([0, 0]), ("a",)))
    for penalty in (0, -1, math.nan):
        with pytest.raises(InputError, match="penalty"):
            Classifier.learn(Crops(one, np.array([0, 1]), ("a", "b")), penalty)


def test_no_pictures_and_odd_pictures(classifier):
    assert classifier.probabilities([]).shape == (0, 4)
    assert classifier.probabilities([np.zeros((1, 1, 3), np.uint8), np.zeros((7, 300, 3), np.uint8)]).shape == (2, 4)
    with pytest.raises(PictureError):
        classifier.probabilities([np.zeros((20, 20))])


# ---------------------------------------------------------------- from what to where


def test_windows_cover_the_picture_and_stay_inside(classifier):
    windows = SlidingWindowDetector(classifier, sides_px=(40, 60, 90, 135)).windows(320, 240)
    # Counted by hand: (320 - s) / (s / 4) + 1 places across, (240 - s) / (s / 4) + 1 down, rounded down.
    assert len(windows) == 29 * 21 + 18 * 13 + 11 * 7 + 6 * 4
    assert windows.min() >= 0 and windows[:, 2].max() <= 320 and windows[:, 3].max() <= 240
    assert SlidingWindowDetector(classifier, sides_px=(400,)).windows(320, 240).shape == (0, 4)
    assert len(SlidingWindowDetector(classifier, sides_px=(400,)).detect(np.zeros((240, 320, 3), np.uint8))) == 0


def test_sliding_finds_things_and_is_a_detector(greenhouse, classifier):
    detector = SlidingWindowDetector(classifier, sides_px=(60,), min_score=0.9)
    assert isinstance(detector, Detector) and detector.classes == ("post", "bucket", "crate")
    hits = []
    for entry in greenhouse.only(recordings=("day1",)).pictures:
        # Those that about fill a window of 60 px.
        tall = np.ptp(entry.boxes[:, [1, 3]], axis=1)
        boxes = entry.boxes[(entry.labels == 1) & (tall > 40) & (tall < 60)]
        if not len(boxes):
            continue
        found = detector.detect(greenhouse.load(entry)).of_class("bucket")
        assert (found.scores >= 0.9).all()
        for x, y in (boxes[:, :2] + boxes[:, 2:]) / 2:
            hits.append(any(x0 <= x <= x1 and y0 <= y <= y1 for x0, y0, x1, y1 in found.boxes))
    assert len(hits) >= 5 and np.mean(hits) > 0.8


def test_sliding_needs_a_class_of_nothing(greenhouse):
    rng = np.random.default_rng(0)
    pictures = tuple(rng.integers(0, 255, (4, 20, 20, 3), np.uint8))
    no_nothing = Classifier.learn(Crops(pictures, np.array([0, 1, 0, 1]), ("post", "bucket")))
    with pytest.raises(InputError, match="nothing"):
        SlidingWindowDetector(no_nothing)


def test_cells_say_what_the_detector_says(greenhouse):
    """Wherever the detector's own graph reports a peak, the cell there has just that share."""
    rng = np.random.default_rng(5)
    head = {
        "head.kernel": rng.normal(0, 0.3, (8, channels_of(BACKBONE)["features"], 1, 1)).astype(np.float32),
        "head.bias": np.zeros(8, np.float32),
    }
    detector = NeuralDetector.build(
        (*BACKBONE, *head_layers(3)), {**pretrained_weights(), **head}, greenhouse.classes, {}, working_px=200
    )
    cells = CellMap(detector)
    picture = greenhouse.load(greenhouse.only(recordings=("day4",))[0])
    shares = cells.probabilities(picture)
    assert cells.classes == ("background", *detector.classes)
    np.testing.assert_allclose(shares.sum(axis=2), 1, atol=1e-5)
    peaks, _ = detector.outputs(resize(picture, (200, 150), "area"))
    # Padding has cells too, so a peak may be higher there, never lower than in the picture.
    inside = peaks[:, : shares.shape[0], : shares.shape[1]]
    rows, columns = np.nonzero(inside.max(axis=0))
    label = inside[:, rows, columns].argmax(axis=0)
    assert len(rows) > 10
    np.testing.assert_allclose(shares[rows, columns, label + 1], inside[label, rows, columns], atol=1e-6)
    # 320x240 px shrunk to 200x150: 50 by 38 cells of 4 px, without those of padding.
    assert shares.shape == (38, 50, 4)


# ---------------------------------------------------------------- the interactive picture


def test_the_picture_of_top_classes(greenhouse, classifier):
    from robotlab.widgets.top_classes import TopClasses

    entry = greenhouse.only(recordings=("day1",))[0]
    picture = greenhouse.load(entry)
    look = TopClasses(picture, classifier, (160, 120), 60, alt="A greenhouse.")
    shares = classifier.probabilities([square_crop(picture, [130, 90, 190, 150], margin=0)])[0]
    best = classifier.classes[shares.argmax()]
    assert f"{best}: {shares.max():.2f}" in look.text
    # A click on the drawing counts where the picture is in it; the square's outline differs.
    drawing = decode(bytes(look.picture))
    (left, top, width, height) = (np.array(look.panels[0]) * [640, 300, 640, 300]).round().astype(int)
    small = resize(drawing[top : top + height, left : left + width], (80, 60)).astype(int)
    assert np.median(np.abs(small - resize(picture, (80, 60)))) < 6
    before = look.picture
    look.asked = {"number": 1, "values": {"x_px": 0, "y_px": 240, "side_px": 240, "least": 1.0}}
    assert look.answered == 1 and not look.failed and look.picture != before
    # Corners and the largest square work; nothing is sure enough for a limit of 1 but 1 itself.
    assert look.text.startswith("no answer: ")
    with pytest.raises(InputError, match="24 px"):
        TopClasses(picture[:20], classifier, (10, 10), 12, alt="A strip.")
