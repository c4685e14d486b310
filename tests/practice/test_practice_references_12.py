"""References of lesson 12's tasks against general-purpose libraries and their own definitions."""

import numpy as np
import pytest

from robotlab.practice import task_named


def reference(name):
    return task_named(name).reference


def cases(name):
    return task_named(name).cases()


def test_paired_interval_is_the_paired_t_interval_of_scipy():
    """With factor = t(.975, N - 1): scipy.stats.ttest_rel(...).confidence_interval."""
    from scipy import stats

    for simple, other, _ in cases("paired_interval"):
        if np.ptp(simple - other) == 0:
            continue
        factor = stats.t.ppf(0.975, len(simple) - 1)
        low, high = stats.ttest_rel(simple, other).confidence_interval(0.95)
        assert reference("paired_interval")(simple, other, factor) == pytest.approx((low, high), abs=1e-12)


def test_paired_interval_of_students_sleep_data():
    """Student, Biometrika 6:1-25, 1908: extra hours of sleep; t = 4.0621, mean 1.58 (from memory; as R prints it: 0.70 to 2.46)."""
    one = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
    two = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    assert reference("paired_interval")(two, one, 2.262157) == pytest.approx((0.7001142, 2.4598858), abs=1e-6)


def test_usable_distance_is_where_a_walk_away_must_stop():
    for distances, recalls, least in cases("usable_distance"):
        ways = [k for k in range(len(distances) + 1) if all(recall >= least for recall in recalls[:k].tolist())]
        farthest = distances[max(ways) - 1] if max(ways) else 0.0
        assert reference("usable_distance")(distances, recalls, least) == farthest


def test_choose_is_what_every_value_of_the_interval_would_choose():
    """By definition: the decision stands when all improvements from low to high lead to it."""
    seen = set()
    for low, high, matters in cases("choose"):
        worth = {value >= matters for value in np.linspace(low, high, 101).tolist()} | {high >= matters}
        expected = {frozenset({True}): "other", frozenset({False}): "simple"}.get(frozenset(worth), "more walks")
        assert reference("choose")(low, high, matters) == expected
        seen.add(expected)
    assert seen == {"other", "simple", "more walks"}
