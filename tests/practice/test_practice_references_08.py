"""References of the tasks of lesson 08 against published numbers and named general-purpose libraries."""

from fractions import Fraction

import numpy as np
import pytest
import scipy  # which imports its parts when they are first used

from robotlab.practice import task_named
from robotlab.practice.grading import grade


def reference(name):
    return task_named(name).reference


def cases(name):
    return task_named(name).cases()


def test_matching_finds_as_many_as_pycocotools():
    """COCO's own program on boxes made for each table of overlaps: in a strip, one after the other, so that only wanted pairs meet."""
    coco = pytest.importorskip("pycocotools.coco", reason="pycocotools is not installed")
    from pycocotools.cocoeval import COCOeval

    for overlaps, scores, limit in cases("match_boxes"):
        if not overlaps.size:
            continue
        truths = coco.COCO()
        notes = [
            {"id": g + 1, "image_id": 1, "category_id": 1, "bbox": [100 * g, 0, 10, 10], "area": 100, "iscrowd": 0}
            for g in range(overlaps.shape[1])
        ]
        truths.dataset = {
            "images": [{"id": 1, "width": 999, "height": 99}],
            "annotations": notes,
            "categories": [{"id": 1, "name": "post"}],
        }
        truths.createIndex()
        rows = [
            {
                "id": d + 1,
                "image_id": 1,
                "category_id": 1,
                "bbox": [0, 0, 1, 1],
                "area": 1,
                "iscrowd": 0,
                "score": float(s),
            }
            for d, s in enumerate(scores)
        ]
        found = coco.COCO()
        found.dataset = {**truths.dataset, "annotations": rows}
        found.createIndex()
        judged = COCOeval(truths, found, "bbox")
        judged.params.imgIds, judged.params.catIds = [1], [1]
        judged.params.iouThrs = np.array([limit])
        judged._prepare()
        # Its matching is what is asked for, so it gets our overlaps, best score first as it sorts them.
        order = np.argsort(-scores, kind="mergesort")
        judged.ious = {(1, 1): overlaps[order]}
        out = judged.evaluateImg(1, 1, [0, 1e10], 100)
        theirs = np.full(len(scores), -1)
        theirs[order] = out["dtMatches"][0].astype(int) - 1
        assert reference("match_boxes")(overlaps, scores, limit).tolist() == theirs.tolist()


def test_precision_and_recall_equal_scikit_learn_where_nothing_was_missed():
    from sklearn.metrics import precision_recall_curve

    for hits, truths in cases("precision_recall"):
        if not hits.any():
            continue
        precision, recall = reference("precision_recall")(hits, truths)
        theirs, share, _ = precision_recall_curve(hits, np.linspace(1, 0.1, len(hits)), drop_intermediate=False)
        # Theirs begins with the whole list and ends with a point of its own; its recall knows no missed things.
        assert np.allclose(precision, theirs[-2::-1][: len(hits)], atol=1e-15)
        assert np.allclose(recall, share[-2::-1][: len(hits)] * hits.sum() / truths, atol=1e-15)


# Published or worked by hand; sources stand in tests/references/average_precision.csv, where the library's own functions meet the same rows.
@pytest.mark.parametrize(
    ("hits", "truths", "published", "within"),
    [
        pytest.param(
            "101000000101110000000010",
            15,
            0.2456,
            1e-4,
            id="Padilla et al., IWSSIP 2020, printed 24.56 % (the print truncates)",
        ),
        pytest.param(
            "101000000101110000000010", 15, 1 / 15 + 2 / 45 + 4 / 35 + 7 / 345, 1e-12, id="the same in fractions"
        ),
        pytest.param("101", 2, 5 / 6, 1e-12, id="by hand: 1/2 · 1 + 1/2 · 2/3"),
        pytest.param("11010", 4, 0.6875, 1e-12, id="by hand: 1/2 · 1 + 1/4 · 3/4"),
        pytest.param("01", 1, 0.5, 1e-12, id="by hand: a wrong one first"),
        pytest.param("10", 1, 1.0, 1e-12, id="by hand: a wrong one last"),
    ],
)
def test_average_precision_of_published_lists(hits, truths, published, within):
    assert reference("average_precision")(np.array([mark == "1" for mark in hits]), truths) == pytest.approx(
        published, abs=within
    )


def test_average_precision_is_at_least_the_plain_sum_of_scikit_learn():
    """Its sum has no falling envelope and knows no missed things; scaled by what was found it bounds ours from below."""
    from sklearn.metrics import average_precision_score

    for hits, truths in cases("average_precision"):
        if hits.any():
            plain = average_precision_score(hits, np.linspace(1, 0.1, len(hits))) * hits.sum() / truths
            precision = np.cumsum(hits) / np.arange(1, len(hits) + 1)
            never_rises = (np.diff(precision[hits]) <= 0).all()
            ours = reference("average_precision")(hits, truths)
            assert ours == pytest.approx(plain, abs=1e-12) if never_rises else ours > plain


@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [
        pytest.param(81, 263, 0.2553, 0.3662, id="Newcombe, Stat. Med. 17:857-872, 1998 (from memory)"),
        pytest.param(15, 148, 0.0624, 0.1605, id="Newcombe 1998 (from memory): 15 of 148"),
        pytest.param(0, 20, 0.0, 0.1611, id="Newcombe 1998 (from memory): 0 of 20"),
        pytest.param(1, 29, 0.0061, 0.1718, id="Newcombe 1998 (from memory): 1 of 29"),
        pytest.param(10, 100, 0.0552285, 0.1743674, id="a worked example with z = 1.96, seven digits"),
    ],
)
def test_wilson_of_published_examples(hits, trials, low, high):
    within = 1.5e-7 if trials == 100 else 6e-5
    assert reference("wilson_interval")(hits, trials) == pytest.approx((low, high), abs=within)


def test_wilson_of_scipy_passes_with_its_own_z():
    """SciPy takes z = 1.959964; a learner who calls it is right."""

    def wilson_interval(hits, trials):
        return tuple(scipy.stats.binomtest(hits, trials).proportion_ci(0.95, "wilson"))

    assert grade(task_named("wilson_interval"), wilson_interval).kind == "passed"


def test_wilson_equals_scipy():
    level = 2 * scipy.stats.norm.cdf(1.96) - 1  # z = 1.96 is a hair more than 95 %.
    for hits, trials in cases("wilson_interval"):
        ours = reference("wilson_interval")(hits, trials)
        theirs = scipy.stats.binomtest(hits, trials).proportion_ci(level, "wilson")
        assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@pytest.mark.parametrize(
    ("only_a", "only_b", "published"),
    [
        pytest.param(150, 86, 3.7159e-5, id="Agresti, approval ratings; exact p recomputed with statsmodels"),
        pytest.param(12, 4, 0.076813, id="binomial distribution, 12 against 4"),
    ],
)
def test_mcnemar_of_published_tables(only_a, only_b, published):
    assert reference("mcnemar_p")(only_a, only_b) == pytest.approx(published, rel=2e-5)


def test_mcnemar_equals_scipy_and_exact_sums():
    for only_a, only_b in cases("mcnemar_p"):
        ours = reference("mcnemar_p")(only_a, only_b)
        if only_a + only_b:
            total, ways = only_a + only_b, [1]
            for n in range(min(only_a, only_b)):  # each binomial coefficient from the one before
                ways.append(ways[-1] * (total - n) // (n + 1))
            assert ours == pytest.approx(float(min(Fraction(2 * sum(ways), 2**total), 1)), rel=1e-9)
            assert ours == pytest.approx(scipy.stats.binomtest(only_a, only_a + only_b).pvalue, rel=1e-9)
