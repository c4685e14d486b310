"""The frozen backbone: the two convex fits against scikit-learn, and the whole head fit."""

import sys

import numpy as np
import pytest

from robotlab.data import DataSet, LabeledImage
from robotlab.detections import Detections
from robotlab.errors import DataSetError, InputError
from robotlab.neural import NeuralDetector, fit, fitting
from robotlab.neural.augmentation import TrainingSample
from robotlab.neural.cells import FrozenBackbone, cells_of, gather_cells
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.head import fit_logistic, fit_ridge, softmax
from robotlab.neural.samples import SampleSource, choose_working
from robotlab.neural.spec import BACKBONE, first_weights
from robotlab.neural.validation import detect_all, metrics_of, split_validation

from .conftest import write_blocks


def rows(seed=0, count=400, width=5, classes=3):
    rng = np.random.default_rng(seed)
    x = np.concatenate([rng.normal(size=(count, width)), np.ones((count, 1))], axis=1).astype(np.float32)
    y = (x[:, :classes] + rng.normal(size=(count, classes))).argmax(axis=1)
    return x, y, rng.uniform(0.2, 3, count)


def test_softmax_never_overflows():
    assert softmax(np.array([1e4, 0.0, -1e4])).tolist() == [1, 0, 0]


def test_logistic_regression_equals_scikit_learns():
    linear_model = pytest.importorskip(
        "sklearn.linear_model", reason="scikit-learn is not installed: pip install 'robotlab[test]'"
    )
    x, y, weights = rows()
    penalty = 0.01
    ours = fit_logistic(x, y, weights, 3, penalty, steps=2000)
    # scikit-learn minimizes C sum w l + |W|^2 / 2, ours sum w l / sum w + penalty
    # |W|^2 / 2; the last column is the bias, penalized here, so given as a feature.
    theirs = linear_model.LogisticRegression(
        C=1 / (penalty * weights.sum()), fit_intercept=False, tol=1e-8, max_iter=5000
    )
    theirs.fit(x.astype(float), y, sample_weight=weights)
    np.testing.assert_allclose(softmax(x @ ours), theirs.predict_proba(x.astype(float)), atol=2e-3)


def test_logistic_regression_has_one_answer():
    x, y, weights = rows(1)
    rng = np.random.default_rng(0)
    one = fit_logistic(x, y, weights, 3, 0.01, steps=2000)
    other = fit_logistic(x, y, weights, 3, 0.01, start=rng.normal(size=one.shape) * 3, steps=2000)
    np.testing.assert_allclose(softmax(x @ one), softmax(x @ other), atol=2e-3)


def test_ridge_equals_scikit_learns():
    linear_model = pytest.importorskip(
        "sklearn.linear_model", reason="scikit-learn is not installed: pip install 'robotlab[test]'"
    )
    x, _, weights = rows(2)
    targets = np.random.default_rng(3).normal(size=(len(x), 2)) + x[:, :2]
    both = np.stack([weights, weights**2], axis=1)
    ours = fit_ridge(x, targets, both, 0.02)
    for t in range(2):
        theirs = linear_model.Ridge(alpha=0.02 * both[:, t].sum(), fit_intercept=False)
        theirs.fit(x.astype(float), targets[:, t], sample_weight=both[:, t])
        np.testing.assert_allclose(ours[:, t], theirs.coef_, atol=1e-6)


def test_cells_count_for_the_whole_background():
    rng = np.random.default_rng(0)
    sample = TrainingSample(
        np.zeros((96, 128, 3), np.uint8), np.array([[20, 20, 50, 60.0]]), np.array([1]), np.array([[90, 0, 128, 96.0]])
    )
    features = rng.normal(size=(24, 32, 4)).astype(np.float32)
    cells = cells_of(features, sample, 7, rng, None)
    centers = cells.classes > 0
    assert (cells.classes[centers] == 2).all() and centers.sum() >= 1 and set(cells.pictures) == {7}
    far = (cells.classes == 0) & (cells.box_weights == 0)
    # 768 cells, less those in the ignored strip (9.5 columns) and near the center.
    assert 768 * 22 / 32 * 0.8 < cells.weights[far].sum() < 768 * 23 / 32
    # Every row is a row of the picture's features.
    flat = {row.tobytes() for row in features.reshape(-1, 4)}
    assert all(row.tobytes() in flat for row in cells.features)


def test_hard_background_is_found_by_its_score():
    rng = np.random.default_rng(0)
    sample = TrainingSample(np.zeros((96, 128, 3), np.uint8), np.zeros((0, 4)), np.zeros(0, int), np.zeros((0, 4)))
    scores = np.zeros((24, 32))
    scores[3, 4], scores[9, 9] = 0.9, 0.5
    features = np.zeros((24, 32, 1), np.float32)
    features[3, 4], features[9, 9] = 1, 2
    cells = cells_of(features, sample, 0, rng, scores)
    assert {1.0, 2.0} <= set(cells.features[:, 0].tolist())
    assert (cells.weights[cells.features[:, 0] > 0] == 1).all()


def test_features_do_not_depend_on_gray_below():
    features = FrozenBackbone(first_weights(BACKBONE))
    assert features(np.zeros((50, 70, 3), np.uint8)).shape == (16, 20, 96) or BACKBONE[-1].channels != 96


# --- the validation set and its metrics -------------------------------------------------


def entries(*recordings, label=0):
    box = {"boxes": np.array([[0, 0, 4, 4.0]]), "labels": np.array([label])}
    return [LabeledImage(n, f"{n}.png", 8, 6, recording=name, **box) for n, name in enumerate(recordings)]


def data_of(rows_, classes=("post",)):
    return DataSet("annotations.json", classes, tuple(range(1, len(classes) + 1)), tuple(rows_))


def test_named_recordings_are_held_out():
    learned, held, words = split_validation(data_of(entries(*"aabbcc")), ["b"])
    assert learned.recordings == ("a", "c") and held.recordings == ("b",) and words == "recording b"
    with pytest.raises(InputError, match="must leave a recording"):
        split_validation(data_of(entries(*"aab")), ["a", "b"])
    with pytest.raises(DataSetError, match="recordings must be among"):
        split_validation(data_of(entries(*"aab")), "nowhere")


def test_last_recordings_are_held_out_and_one_recording_is_cut_in_time():
    learned, held, _ = split_validation(data_of(entries(*"aaaaabbbbbccccc")))
    assert held.recordings == ("c",) and learned.recordings == ("a", "b")
    learned, held, words = split_validation(data_of(entries(*"a" * 20)))
    assert [e.id for e in held] == [17, 18, 19] and words == "the last 3 pictures"
    assert split_validation(data_of(entries(*"aabb")))[1] is None


def test_the_only_recording_of_a_class_is_not_held_out():
    rows_ = entries(*"aaaaabbbbb") + entries(*"ccccc", label=1)
    learned, held, _ = split_validation(data_of(rows_, ("post", "crate")))
    assert held.recordings == ("b",)


def test_best_score_maximises_f1_by_trying_all():
    rng = np.random.default_rng(0)
    rows_ = [
        LabeledImage(
            n, f"{n}.png", 100, 100, boxes=np.array([[10, 10, 30, 30], [50, 50, 80, 90.0]]), labels=np.array([0, 0])
        )
        for n in range(8)
    ]
    data = data_of(rows_)
    found = []
    for entry in rows_:
        boxes = np.concatenate(
            [
                entry.boxes + rng.normal(0, 4, (2, 4)),
                rng.uniform(0, 40, (4, 2)).repeat(2, 0).reshape(4, 4) + [0, 0, 20, 20],
            ]
        )
        found.append(Detections(boxes.clip(0, 100), rng.uniform(0, 1, 6).round(1), np.zeros(6, int), ["post"]))
    best = metrics_of(data, found)
    tried = {}
    for score in np.unique(np.concatenate([d.scores for d in found])):
        kept = [d.pick(d.scores >= score) for d in found]
        total = sum(len(d) for d in kept)
        # With a threshold of its own the best F1 can only be as good or better.
        tried[score] = metrics_of(data, kept)["best_f1"], total
    assert best["best_f1"] == pytest.approx(max(f for f, _ in tried.values()))
    at = [d.pick(d.scores >= best["best_score"]) for d in found]
    assert metrics_of(data, at)["best_f1"] == pytest.approx(best["best_f1"])


def test_large_pictures_get_a_working_size_that_keeps_small_targets():
    def one(width, height, side):
        return data_of(
            [LabeledImage(1, "a.png", width, height, boxes=np.array([[0, 0, side, side]], float), labels=np.array([0]))]
        )

    assert choose_working(one(640, 480, 5)) == (None, 1.0)
    # Tiny pictures are enlarged, at most twice and to 320 px.
    assert choose_working(one(64, 48, 10)) == (None, 1.6)
    assert choose_working(one(64, 48, 2)) == (None, 2.0)
    assert choose_working(one(200, 150, 10)) == (None, 1.6)
    assert choose_working(one(300, 150, 4)) == (None, 1.07)
    assert choose_working(one(1280, 720, 100)) == (640, 1.0)
    # 20 px at 1920 must stay 16 px.
    assert choose_working(one(1920, 1080, 20))[0] == 1536
    assert choose_working(one(1920, 1080, 6))[0] == 1920


# --- the whole head fit ------------------------------------------------------------


@pytest.mark.parametrize("head", ["linear", "mlp"])
def test_head_fit_finds_blocks(blocks, head):
    detector = fit(blocks, seed=1, head=head, progress=False)
    assert detector.classes == ("post", "bucket")
    assert detector.facts["validation_split"] == "recording r2" and 0 < detector.facts["best_score"] < 1
    checked = metrics_of(blocks.only(recordings="r0"), detect_all(detector, blocks.only(recordings="r0")))
    assert checked["AP50"] > 0.8


def test_head_fit_is_repeatable(blocks, tmp_path):
    few = blocks.only(recordings=["r0", "r1"])
    one, two = (fit(few, seed=4, progress=False).save(tmp_path / name).read_bytes() for name in ("a.onnx", "b.onnx"))
    assert one == two
    other = fit(few, seed=5, progress=False).save(tmp_path / "c.onnx").read_bytes()
    assert other != one


def test_held_out_pictures_do_not_change_the_head_when_named(blocks):
    detector = fit(blocks, seed=0, hold_out="r2", progress=False)
    alone = fit(blocks.only(recordings=["r0", "r1"]), seed=0, hold_out="r1", progress=False)
    assert detector.facts["recordings"] == ["r0", "r1"] and alone.facts["recordings"] == ["r0"]
    assert "refit_on_all" not in detector.facts
    assert detector.facts["validation"] == {"pictures": 8, "recordings": ["r2"]}


def test_facts_name_all_that_was_learned_from(blocks):
    # Held out by itself, recording r2 chooses the threshold and is then learned from too.
    facts = fit(blocks, seed=0, progress=False).facts
    assert facts["validation_split"] == "recording r2" and facts["refit_on_all"]
    assert facts["recordings"] == ["r0", "r1", "r2"] and facts["pictures"] == len(blocks) == 24
    assert facts["truths"] == blocks.box_count and facts["validation"] == {"pictures": 0, "recordings": []}


def test_large_sets_are_sampled(blocks, monkeypatch):
    # Memory has a cap, whatever the number of pictures: 8000 took 12 GB.
    whole = fit(blocks, seed=0, progress=False).facts["cells"]
    monkeypatch.setattr(fitting, "MOST_CELLS", whole // 3)
    detector = fit(blocks, seed=0, progress=False)
    assert detector.facts["cells"] < 1.3 * whole // 3 and detector.facts["pictures"] == 24
    assert metrics_of(blocks, detect_all(detector, blocks))["AP50"] > 0.7


def test_passes_over_a_sampled_set_draw_other_pictures():
    seen = []

    class Noted(list):
        def __getitem__(self, index):
            seen.append(index)
            return super().__getitem__(index)

    sample = TrainingSample(
        np.zeros((32, 32, 3), np.uint8), np.array([[4, 4, 20, 20.0]]), np.array([0]), np.zeros((0, 4))
    )
    with WorkerPool(1) as pool:
        gather_cells(
            Noted([sample] * 10),
            lambda picture: np.ones((8, 8, 4), np.float32),
            lambda cells: lambda f: f[..., 0],
            0,
            pool,
            3,
            most=3,
        )
    assert len(seen) == 9 == len(set(seen))


def test_sizes_may_be_mixed_and_tiny(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    one = write_blocks(tmp_path / "a", 6, 128, 96)
    two = write_blocks(tmp_path / "b", 6, 72, 60, seed=1)
    both = one.having([*one.pictures, *two.pictures])
    detector = fit(both, progress=False)
    assert isinstance(detector, NeuralDetector)
    assert detector.detect(two.load(two.pictures[0])).boxes[:, 2].max(initial=0) <= 72


def test_nothing_to_learn_is_refused(blocks):
    bare = blocks.having([LabeledImage(1, "a.png", 8, 6)])
    with pytest.raises(DataSetError, match="must have at least one box"):
        fit(bare, progress=False)


@pytest.mark.parametrize(
    "option, words",
    [
        ({"training": "half"}, "training must be frozen_backbone or fine_tuning"),
        ({"engine": "x"}, "engine must be"),
        ({"head": "deep"}, "head must be"),
        ({"start": "x"}, "start must be"),
        ({"minutes": 0}, "minutes must be above 0"),
        ({"epochs": -1}, "epochs must be above 0"),
    ],
)
def test_unknown_options_are_refused(blocks, option, words):
    with pytest.raises(InputError, match=words):
        fit(blocks, progress=False, **option)


def test_something_else_than_a_data_set_is_refused():
    with pytest.raises(InputError, match="data must be a data set, got None"):
        fit(None, progress=False)


def test_a_picture_that_is_cut_short_is_named(tmp_path):
    data = write_blocks(tmp_path, 4)
    path = data.pictures[2].path
    path.write_bytes(path.read_bytes()[:400])
    with pytest.raises(DataSetError, match="002.png"):
        fit(data, progress=False)


def test_samples_are_read_once(blocks, monkeypatch):
    read = []
    load = DataSet.load
    monkeypatch.setattr(DataSet, "load", lambda self, entry: read.append(entry.id) or load(self, entry))
    source = SampleSource(blocks)
    for _ in range(2):
        for n in range(len(source)):
            source[n]
    assert sorted(read) == [entry.id for entry in blocks]


def test_cells_beside_a_center_are_the_thing_too_but_count_less():
    # Two things whose centers lie on the corners of four cells: all four count fully;
    # one between two cells: both; a center in the middle of a cell: its neighbors at
    # exp(-1 / (2 .6^2)) = .25 are below the limit.
    boxes, labels = np.array([[8, 8, 24, 24], [42, 40, 58, 56.0], [66, 10, 82, 26]]), np.array([1, 0, 1])
    sample = TrainingSample(np.zeros((64, 96, 3), np.uint8), boxes, labels, np.zeros((0, 4)))
    features = np.arange(16 * 24, dtype=np.float32).reshape(16, 24, 1)
    cells = cells_of(features, sample, 0, np.random.default_rng(0), None)
    for name, center in ((2, (16, 16)), (1, (50, 48)), (2, (74, 18))):
        of_it = {
            (int(f) // 24, int(f) % 24): w
            for f, c, w in zip(cells.features[:, 0], cells.classes, cells.weights, strict=True)
            if c == name
        }
        mine = {
            cell: w
            for cell, w in of_it.items()
            if abs(cell[1] * 4 + 2 - center[0]) < 8 and abs(cell[0] * 4 + 2 - center[1]) < 8
        }
        middle = np.array([[c * 4 + 2, r * 4 + 2] for r, c in mine], float)
        away = ((middle - center) ** 2).sum(axis=1) / 16 / (2 * 0.6**2)
        soft = np.exp(away.min() - away)
        assert (soft > 0.5).all()
        np.testing.assert_allclose(list(mine.values()), np.where(soft > 0.999, 1, soft**2), rtol=1e-4)
        every = [(r, c) for r in range(16) for c in range(24)]
        far = np.array(
            [((c * 4 + 2 - center[0]) ** 2 + (r * 4 + 2 - center[1]) ** 2) / 16 / (2 * 0.6**2) for r, c in every]
        )
        assert len(mine) == (np.exp(far.min() - far) > 0.5).sum()


@pytest.mark.parametrize(("notebook", "stream"), [(False, "err"), (True, "out")])
def test_a_progress_bar_in_a_notebook_does_not_look_like_an_error(notebook, stream, monkeypatch, capsys):
    from robotlab._progress import progress_bar as bar

    monkeypatch.delitem(sys.modules, "ipykernel", raising=False)
    if notebook:
        monkeypatch.setitem(sys.modules, "ipykernel", pytest)
    with bar(2, "learning", True) as shown:
        shown.update(2)
    written = capsys.readouterr()._asdict()
    assert "learning" in written.pop(stream) and not any(written.values())
