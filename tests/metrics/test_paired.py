"""Paired means against SciPy's paired t-test and Student's own example."""

import numpy as np
import pytest
import scipy  # which imports its parts when they are first used

from robotlab.errors import InputError
from robotlab.metrics import paired_mean


def test_equals_scipy():
    rng = np.random.default_rng(3)
    for n in (2, 4, 30):
        hard = rng.uniform(0, 1, n)
        first, second = hard + rng.normal(0.1, 0.1, n), hard
        for confidence in (0.8, 0.95):
            ours = paired_mean(first, second, confidence)
            assert (ours.low, ours.high) == pytest.approx(
                tuple(scipy.stats.ttest_rel(first, second).confidence_interval(confidence)), abs=1e-12
            )


def test_students_sleep_data():
    """Student, Biometrika 6:1-25, 1908: mean 1.58, interval 0.70 to 2.46 (from memory, as R prints it)."""
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    ours = paired_mean(two, one)
    assert (ours.mean, ours.low, ours.high) == pytest.approx((1.58, 0.7001142, 2.4598858), abs=1e-6)


def test_the_interval_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(8)
    truth, held = 0.2, 0
    for _ in range(2000):
        hard = rng.uniform(0, 5, 6)
        ours = paired_mean(hard + truth + rng.normal(0, 0.1, 6), hard)
        held += ours.low <= truth <= ours.high
    # 95 % of 2000, four standard errors each way.
    assert abs(held - 1900) < 40


@pytest.mark.parametrize(
    ("gain", "decision", "words"),
    [
        (0.30, "other", "is worth its price"),
        (0.00, "simple", "is enough here"),
        (-0.30, "simple", "worse than color"),
        (0.10, "more", "do not decide it"),
    ],
)
def test_the_sentence_follows_the_interval(gain, decision, words):
    simple = np.array([0.5, 0.6, 0.4, 0.9])
    ours = paired_mean(simple, simple - gain + np.array([0.02, -0.02, 0.01, -0.01]))
    assert ours.decide(0.1) == decision
    assert words in ours.sentence("color", "detector", 0.1)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: paired_mean([1.0], [1.0]), "2 or more"),
        (lambda: paired_mean([1.0, 2.0], [1.0]), "equally long"),
        (lambda: paired_mean([1.0, np.nan], [1.0, 2.0]), "finite"),
        (lambda: paired_mean([1.0, 2.0], [1.0, 2.0], 95), "between 0 and 1"),
        (lambda: paired_mean([1.0, 2.0], [1.0, 2.0]).decide(-1), "0 or more"),
    ],
)
def test_bad_input_gets_one_clear_error(make, words):
    with pytest.raises(InputError, match=words):
        make()
