"""The surrogate of a detector, against what it was fitted to and against rendered runs."""

import numpy as np
import pytest

from robotlab.color import Band, ColorDetector
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.greenhouse import WALKS, render
from robotlab.loop import GroundTruthDetector, default_camera, simulate
from robotlab.loop.ground_truth import SimulatedDetector
from robotlab.loop.surrogates import fit_surrogate


def made_up(count=4000, seed=0):
    """A detector whose mistakes are known."""
    rng = np.random.default_rng(seed)
    truths, visible, found = [], [], []
    for _ in range(count):
        height = 2 ** rng.uniform(2.5, 7)
        box = np.array([100, 50, 100 + height / 7, 50 + height])
        share = rng.uniform(0.3, 1)
        truths.append(box[None])
        visible.append(np.array([share]))
        chance = 1 / (1 + np.exp(-(0.5 + 1.5 * np.log2(height / 16) + 3 * (share - 1))))
        rows = (
            [box + [0, 0, 0, -0.05 * height] + rng.standard_normal(4) * [0.1, 0.1, 0.1, 0.02 * height]]
            if rng.random() < chance
            else []
        )
        rows += [[200.0, 10, 210, 40]] if rng.random() < 0.1 else []
        found.append(Detections(rows, [0.9] * len(rows), [0] * len(rows), ["post"]))
    return truths, visible, found


def test_known_mistakes_are_found_again():
    surrogate = fit_surrogate(*made_up(), (320, 240))
    np.testing.assert_allclose(surrogate.weights, [0.5, 1.5, 3.0], atol=0.35)
    np.testing.assert_allclose(surrogate.bias, [0, 0, 0, -0.05], atol=0.004)
    np.testing.assert_allclose(surrogate.spread_px[:3], 0.1, atol=0.03)
    assert surrogate.spread_share[3] == pytest.approx(0.02, abs=0.004)
    assert surrogate.false_rate == pytest.approx(0.1, abs=0.02)


def test_logistic_fit_is_that_of_scikit_learn():
    from sklearn.linear_model import LogisticRegression

    from robotlab.loop.surrogates import _PRIOR, _features, _logistic

    rng = np.random.default_rng(1)
    rows = np.array(
        [_features(h, v) for h, v in zip(2 ** rng.uniform(2, 7, 500), rng.uniform(0.2, 1, 500), strict=True)]
    )
    hits = (rng.random(500) < 0.6).astype(float)
    theirs = LogisticRegression(C=_PRIOR**2, fit_intercept=False, tol=1e-10, max_iter=1000).fit(rows, hits)
    np.testing.assert_allclose(_logistic(rows, hits), theirs.coef_[0], atol=1e-5)


def test_it_draws_what_it_says():
    surrogate = fit_surrogate(*made_up(), (320, 240))
    surrogate.begin(3)
    box = np.array([100.0, 50, 103, 66])
    draws = [surrogate.detect_ground_truth(box, 1.0) for _ in range(4000)]
    share = np.mean([(draw.scores == 1).any() for draw in draws])
    assert share == pytest.approx(surrogate.recall(16.0), abs=0.025)
    assert np.mean([(draw.scores == 0.5).sum() for draw in draws]) == pytest.approx(0.1, abs=0.02)
    assert isinstance(surrogate, SimulatedDetector)


def test_perfect_and_useless_detectors_stay_finite():
    truths, visible, _ = made_up(60)
    perfect = fit_surrogate(truths, visible, [Detections(box, [1.0], [0], ["post"]) for box in truths], (320, 240))
    assert np.isfinite(perfect.weights).all() and perfect.recall(60) > 0.99
    assert not perfect.spread_px.any() and perfect.false_rate == 0
    with pytest.raises(InputError, match="one found, got 60 and 0"):
        fit_surrogate(truths, visible, [Detections.none(["post"])] * 60, (320, 240))
    with pytest.raises(InputError, match="equally long"):
        fit_surrogate(truths, visible, [], (320, 240))


def test_runs_with_it_are_like_rendered_runs():
    """Fitted on pictures from other places, compared on a walk."""
    camera = default_camera()
    detector = ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})
    truths, visible, found = [], [], []
    rng = np.random.default_rng(0)
    walk = WALKS["stop_and_go"]
    for i in range(50):
        t = rng.uniform(0, walk.duration_s)
        x, y = walk.post_at(t)
        far, aside = rng.uniform(0.8, 5), rng.uniform(-0.3, 0.3)
        frame = render(walk.scene_at(t), camera, (max(x - far, -2.5), y - aside * far, 0.0), seed=i)
        rows = frame.truths.labels == 0
        truths.append(frame.truths.boxes[rows])
        visible.append(frame.truths.visibility[rows])
        found.append(detector.detect(frame.picture))
    surrogate = fit_surrogate(truths, visible, found, (320, 240))
    assert surrogate.recall(60) > 0.9
    rendered = simulate(detector, walk, camera, duration_s=12).scores()
    quick = [simulate(surrogate, walk, camera, seed=seed, duration_s=12, pictures=False).scores() for seed in range(8)]
    truth = simulate(GroundTruthDetector(), walk, camera, duration_s=12, pictures=False).scores()
    mean = {name: np.mean([scores[name] for scores in quick]) for name in rendered}
    assert mean["time_following"] == pytest.approx(rendered["time_following"], abs=0.03)
    assert mean["bearing_error_rad"] == pytest.approx(rendered["bearing_error_rad"], abs=0.01)
    assert mean["distance_error_m"] == pytest.approx(rendered["distance_error_m"], abs=0.06)
    # The detector's noise shows in the ride: more jerk than with a perfect one.
    assert mean["rms_jerk_mps3"] > truth["rms_jerk_mps3"] < rendered["rms_jerk_mps3"]
