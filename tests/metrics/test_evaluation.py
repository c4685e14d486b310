"""A whole evaluation: breakdowns, error kinds, confusion, intervals, comparison, text, JSON."""

from __future__ import annotations

import json
import math
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy  # which imports its parts when they are first used

from robotlab.boxes import corners_from_xywh, iou
from robotlab.data import DataSet, LabeledImage
from robotlab.detections import Detections
from robotlab.errors import DataSetError, InputError
from robotlab.metrics import (
    Curve,
    bootstrap,
    breakdown,
    calibration,
    compare_evaluations,
    evaluate,
    match_detections,
    precision_recall,
    wilson_interval,
)
from robotlab.metrics.bootstrap import bootstrap_weights
from robotlab.metrics.breakdown import smallest_usable_px
from robotlab.metrics.error_analysis import ERROR_KINDS, error_kinds
from robotlab.metrics.from_data import results_table
from robotlab.metrics.significance import mcnemar_test
from robotlab.report import Report
from robotlab.report.judged import numbers_table, size_table, threshold_words

from .sets import as_dataset, pycocotools_eval, random_set

CLASSES = ("post", "bucket")


def world(rows: list[dict], classes: tuple[str, ...] = CLASSES) -> DataSet:
    """A data set from rows of Entry arguments; ids fall, so that order matters."""
    entries = tuple(LabeledImage(100 - n, Path(f"{n}.png"), 320, 240, **row) for n, row in enumerate(rows))
    return DataSet(Path("annotations.json"), classes, tuple(range(1, len(classes) + 1)), entries)


def seen(*rows: tuple) -> Detections:
    """Detections from rows (box, score, label)."""
    boxes, scores, labels = zip(*rows, strict=True) if rows else ((), (), ())
    return Detections(np.array(boxes).reshape(-1, 4), scores, np.array(labels, dtype=int), CLASSES)


A, B, FAR = [0, 0, 20, 40], [100, 0, 130, 60], [200, 200, 220, 220]


@pytest.fixture
def small():
    data = world(
        [
            {"boxes": [A, B], "labels": [0, 1], "recording": "morning", "lighting": "dusk", "distances_m": [1.2, 3.5]},
            {"boxes": [A], "labels": [0], "recording": "evening", "distance_m": 0.8},
            {"recording": "evening"},
        ]
    )
    found = [
        seen((A, 0.9, 0), ([1, 0, 21, 40], 0.8, 0), (B, 0.7, 0), (FAR, 0.6, 1)),
        seen(([0, 0, 20, 15], 0.5, 0)),
        seen(),
    ]
    return data, found


def test_error_kinds_of_a_scene_checked_by_eye(small):
    # True positive: A. Duplicate: the second on A. Wrong class: B called post. Background: FAR. Poor overlap: 15 of 40 px of A.
    evaluation = evaluate(*small, score=0.1)
    assert evaluation.errors == {
        "true positive": 1,
        "wrong class": 1,
        "poor overlap": 1,
        "duplicate": 1,
        "background": 1,
        "false negative": 2,
    }
    assert evaluation.confusion.tolist() == [[1, 0, 1], [1, 0, 0], [2, 1, 0]]


def test_false_positives_are_all_of_them_in_report_text_and_json(small):
    """Five detections, one on its thing: precision .2, so four are false positives, of four kinds."""
    evaluation = evaluate(*small, score=0.1)
    row = {"TP": 1, "FP": 4, "FN": 2, "precision": 0.2}
    assert {key: evaluation.at[key] for key in row} == row
    page = Report("checked by eye")
    numbers_table(page, {"eye": evaluation})
    head, cells = re.search(r"<thead>(.*?)</thead>\s*<tbody>(.*?)</tr>", page.html(), re.DOTALL).groups()
    names, values = (re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", part) for part in (head, cells))
    shown = dict(zip(names, values, strict=True))
    assert (shown["false positives"], shown["false negatives"]) == ("4", "2")
    assert "1 TP, 4 FP (1 wrong class, 1 poor overlap, 1 duplicate, 1 background), 2 FN" in " ".join(
        evaluation.text().split()
    )


def test_breakdowns_of_a_scene_checked_by_eye(small):
    evaluation = evaluate(*small, score=0.1)
    assert (evaluation.at["TP"], evaluation.at["FN"]) == (1, 2)
    assert evaluation.per_distance["1-1.5 m"]["recall"] == 1.0
    assert evaluation.per_distance["3-4 m"]["recall"] == 0.0
    # The picture's own distance stands in where its one thing has none.
    assert evaluation.per_distance["0.5-1 m"]["truths"] == 1
    assert [row["pictures"] for row in evaluation.per_recording.values()] == [2, 1]
    assert list(evaluation.per_recording) == ["evening", "morning"]  # ids fall along the list
    assert list(evaluation.per_lighting) == ["dusk"]
    sizes = {row["from_px"]: (row["truths"], row["found"]) for row in evaluation.recall_by_size if row["truths"]}
    assert sizes == {24.0: (2, 1), 32.0: (1, 0)}  # roots of 800 and 1800 px²
    # Report and text have the same steps of size.
    page = Report("sizes")
    size_table(page, evaluation)
    assert re.findall(r'scope="row">(.*?)<.*?<td>(\d+)<', page.html()) == [("24-32 px", "2"), ("32-48 px", "1")]
    assert [line.split()[:3] for line in evaluation.text().splitlines() if "32" in line] == [
        ["24-32", "px", "2"],
        ["32-48", "px", "1"],
    ]
    assert [evaluation.per_size[size]["truths"] for size in ("small", "medium", "large")] == [2, 1, 0]


def test_detections_follow_the_pictures_of_the_data_set_not_their_ids(small):
    data, found = small
    turned = data.having(data.pictures[::-1])
    assert evaluate(turned, found[::-1]).to_json() == evaluate(data, found).to_json()


def test_class_names_are_matched_by_name():
    data = world([{"boxes": [A], "labels": [0]}])
    found = Detections([A], [0.9], [1], ("bucket", "post"))
    assert pytest.approx(1) == evaluate(data, [found]).AP50


def slow_errors(evaluation) -> dict[str, int]:
    """Error kinds again, detection by detection, over plain IoU."""
    counts = dict.fromkeys((*ERROR_KINDS, "false negative"), 0)
    truths, found = evaluation.truths, evaluation.found
    true_boxes, found_boxes = corners_from_xywh(truths.xywh), corners_from_xywh(found.xywh)
    for picture in range(truths.pictures):
        there = np.flatnonzero(truths.picture == picture)
        here = np.flatnonzero((found.picture == picture) & (found.score >= evaluation.score))
        share = iou(found_boxes[here], true_boxes[there])
        state, lost = {}, set(there.tolist())
        for k in range(len(truths.classes)):
            mine, theirs = here[found.label[here] == k], there[truths.label[there] == k]
            result = match_detections(found_boxes[mine], found.score[mine], true_boxes[theirs])
            state |= dict(zip(mine.tolist(), result.truth.tolist(), strict=True))
            lost -= {int(theirs[g]) for g in result.truth if g >= 0}
        counts["false negative"] += len(lost)
        for place, row in enumerate(here):
            same = truths.label[there] == found.label[row]
            own = share[place][same].max(initial=0)
            other = share[place][~same].max(initial=0)
            if state[int(row)] >= 0:
                kind = "true positive"
            elif other >= 0.5 and other > own:
                kind = "wrong class"
            elif own >= 0.5:
                kind = "duplicate"
            elif own >= 0.1:
                kind = "poor overlap"
            else:
                kind = "background"
            counts[kind] += 1
    return counts


@pytest.fixture(scope="module")
def crowd_free():
    labels, results = random_set(np.random.default_rng(11), pictures=40, classes=3, crowds=0, spread=120)
    data = as_dataset(labels)
    return labels, results, data, evaluate(data, results_table(data, results), "striped")


def test_error_kinds_equal_a_slow_second_way(crowd_free):
    evaluation = crowd_free[3]
    assert evaluation.errors == slow_errors(evaluation)
    assert min(evaluation.errors.values()) > 0


def test_every_count_adds_up(crowd_free):
    evaluation = crowd_free[3]
    table, errors, at = evaluation.confusion, evaluation.errors, evaluation.at
    assert table[:-1].sum() == len(evaluation.truths)  # every truth is in one row
    assert table[:, :-1].sum() == at["found"]  # every detection in one column
    assert np.trace(table) == at["TP"] == errors["true positive"]
    assert errors["false negative"] == at["FN"] == len(evaluation.truths) - at["TP"]
    assert sum(errors[kind] for kind in ERROR_KINDS) == at["found"] == at["TP"] + at["FP"]
    for groups in (evaluation.per_recording, evaluation.per_class):
        assert sum(row["truths"] for row in groups.values()) == len(evaluation.truths)
    assert sum(row["truths"] for row in evaluation.recall_by_size) == len(evaluation.truths)
    assert sum(row["found"] for row in evaluation.recall_by_size) == at["TP"]
    place = error_kinds(evaluation.truths, evaluation.found, evaluation.table.matches, evaluation.score)[0]
    assert len(place) == at["found"]


def test_per_class_and_per_recording_equal_pycocotools(crowd_free, monkeypatch):
    # Reference: pycocotools on the pictures of one recording; mean precision of one class.
    labels, results, data, evaluation = crowd_free
    reference = pycocotools_eval(labels, results)
    for k, number in enumerate(sorted(category["id"] for category in labels["categories"])):
        precision = reference.eval["precision"][:, :, k, 0, 2]
        row = evaluation.per_class[f"class {number}"]
        if precision.max() < 0:
            assert row["AP"] is None and row["truths"] == 0
        else:
            assert (row["AP"], row["AP50"]) == (precision.mean(), precision[0].mean())
    for name, row in evaluation.per_recording.items():
        here = {entry.id for entry in data if entry.recording == name}
        part = {
            key: [item for item in labels[key] if item[id_key] in here]
            for key, id_key in (("images", "id"), ("annotations", "image_id"))
        }
        stats = pycocotools_eval({**labels, **part}, [item for item in results if item["image_id"] in here]).stats
        assert (row["AP"], row["AP50"]) == (stats[0], stats[1])
    monkeypatch.setattr(breakdown, "_CHUNK", 1)  # one recording at a time, as where there are very many
    assert breakdown.by_group(evaluation, evaluation.recordings) == evaluation.per_recording


def test_best_score_is_the_best_of_all_thresholds(crowd_free):
    evaluation = crowd_free[3]
    curve = evaluation.curve()
    scan = max((curve.at(score)["F1"], score) for score in np.unique(curve.score))
    assert (evaluation.at["F1"], evaluation.score) == scan
    # The same detections under a fixed threshold, matched anew: greedy matching in score order does not look ahead.
    used = [row for row in crowd_free[1] if row["score"] >= evaluation.score]
    again = evaluate(crowd_free[2], results_table(crowd_free[2], used), score=0.0)
    assert (again.at["TP"], again.at["found"]) == (evaluation.at["TP"], evaluation.at["found"])


def test_curve_and_calibration_by_hand():
    curve = Curve(np.array([0.9, 0.8, 0.8, 0.3]), np.array([True, True, False, True]), 4)
    assert curve.precision.tolist() == [1, 1, 2 / 3, 3 / 4]
    assert curve.recall.tolist() == [0.25, 0.5, 0.5, 0.75]
    assert curve.at(0.8) == {
        "score": 0.8,
        "found": 3,
        "TP": 2,
        "FP": 1,
        "FN": 2,
        "precision": 2 / 3,
        "recall": 0.5,
        "F1": 4 / 7,
    }
    assert curve.best()["score"] == 0.3
    assert curve.at(2.0)["precision"] is None
    # Equal scores stand or fall together: .8 alone can not be cut in two.
    assert Curve(np.array([0.8, 0.8]), np.array([True, False]), 1).best()["F1"] == pytest.approx(2 / 3)
    # Two bins: mean .85, half right -> .35; mean .25, all right -> .75; half the weight each.
    assert calibration(np.array([0.9, 0.8, 0.3, 0.2]), np.array([1, 0, 1, 1]), bins=2)["error"] == pytest.approx(0.55)
    assert calibration(np.array([1.0]), np.array([True]))["bins"][-1]["count"] == 1
    assert calibration(np.array([3.0]), np.array([True])) is None


def test_what_cannot_be_judged_is_an_error_of_ours(crowd_free):
    with pytest.raises(InputError, match="score and hit must be rows of the same length"):
        calibration(np.array([1.0]), np.array([True, False]))
    with pytest.raises(InputError, match="data must be a data set, got None"):
        evaluate(None, [])
    for wrong in (None, Detections([[0, 0, 10, 10]], [0.9], [0], ["post"])):
        with pytest.raises(InputError, match="detections must be one Detections for each picture"):
            evaluate(crowd_free[2], wrong)


def test_a_threshold_chosen_on_these_pictures_is_called_optimistic(small):
    chosen, given = evaluate(*small), evaluate(*small, score=0.1)
    assert "the best F1 on these pictures: optimistic)" in chosen.text() and "optimistic" not in given.text()
    assert "on these pictures (optimistic)" in threshold_words([chosen])
    assert "optimistic" not in threshold_words([given])


def test_calibrated_scores_have_no_calibration_error():
    rng = np.random.default_rng(0)
    score = rng.random(200_000)
    hit = rng.random(200_000) < score
    assert calibration(score, hit)["error"] < 0.01  # sampling noise: .5 / sqrt(20000) a bin
    assert calibration(score, ~hit)["error"] == pytest.approx(0.5, abs=0.01)


def test_voc_rules_differ_from_coco():
    # Everingham et al. 2010: overlap must exceed the limit, and a detection looks at its best truth only.
    half = ([[0, 0, 10, 10]], [0.9], [[0, 0, 10, 5]])
    assert match_detections(*half).truth.tolist() == [0]
    assert match_detections(*half, rules="voc").truth.tolist() == [-1]
    truths = [[0, 0, 10, 10], [2, 0, 12, 10]]
    pair = ([[0, 0, 10, 10], [0.5, 0, 10.5, 10]], [0.9, 0.8], truths)
    assert match_detections(*pair).truth.tolist() == [0, 1]
    assert match_detections(*pair, rules="voc").truth.tolist() == [0, -1]
    assert match_detections(*pair, rules="voc").false_negatives.tolist() == [1]
    hard = match_detections(*pair, rules="voc", ignore=np.array([True, False]))
    assert (hard.truth.tolist(), hard.ignored.tolist()) == ([-1, -1], [True, True])
    assert match_detections(*pair).hits.tolist() == [True, True]


def test_matching_prefers_what_counts_and_the_last_of_equals():
    truths = [[0, 0, 10, 10], [0, 0, 10, 10], [0, 0, 10, 11]]
    ignore = np.array([False, False, True])
    result = match_detections([[0, 0, 10, 11]] * 4, [0.9, 0.8, 0.7, 0.6], truths, ignore=ignore)
    assert result.truth.tolist() == [1, 0, -1, -1]
    assert result.ignored.tolist() == [False, False, True, False]


def test_intervals_over_recordings(crowd_free):
    evaluation = crowd_free[3]
    spread = evaluation.intervals
    for key in ("AP", "AP50"):
        assert spread[key][0] <= evaluation.coco[key] <= spread[key][1]
        assert spread[key][1] - spread[key][0] > 0.02
    one = evaluate(
        crowd_free[2].only(recordings=["walk 1"]),
        results_table(crowd_free[2].only(recordings=["walk 1"]), crowd_free[1]),
    )
    assert one.intervals["AP"] is None and "two recordings" in one.intervals["note"]


def test_bootstrap_equals_judging_repeated_pictures(crowd_free, monkeypatch):
    # A resample, written out: every picture of a recording drawn twice comes twice, with its detections.
    labels, results, data, evaluation = crowd_free
    order = list(dict.fromkeys(evaluation.recordings))
    for weight in bootstrap_weights(4, 6, seed=3):
        times = dict(zip(order, weight, strict=True))
        images, notes, rows = [], [], []
        for entry in data:
            for copy in range(times[entry.recording]):
                number = entry.id * 10 + copy
                images.append({"id": number, "width": 640, "height": 480})
                notes += [
                    {**a, "id": len(notes) + n + 1, "image_id": number}
                    for n, a in enumerate(a for a in labels["annotations"] if a["image_id"] == entry.id)
                ]
                rows += [{**r, "image_id": number} for r in results if r["image_id"] == entry.id]
        stats = pycocotools_eval({**labels, "images": images, "annotations": notes}, rows).stats
        values = evaluation.resampled(weight[None], evaluation.recordings)
        assert (values.mean(), values[0, 0]) == pytest.approx((stats[0], stats[1]), abs=1e-12)
        with monkeypatch.context() as many:  # the way for very many recordings
            many.setattr(bootstrap, "MOST_TOGETHER", 0)
            assert np.array_equal(evaluation.resampled(weight[None], evaluation.recordings), values)


def test_weights_of_one_give_the_ap_itself(crowd_free):
    evaluation = crowd_free[3]
    values = evaluation.resampled(np.ones((1, 4)), evaluation.recordings)
    assert values.mean() == pytest.approx(evaluation.AP, abs=1e-12)


def test_statistics_equal_scipys_and_exact_sums():
    """Wilson's interval and chi-square by SciPy, the binomial test by whole numbers, chi-square's tail by ``math.erfc``."""
    rng = np.random.default_rng(5)
    for _ in range(40):
        trials = int(rng.integers(1, 300))
        hits = int(rng.integers(0, trials + 1))
        known = scipy.stats.binomtest(hits, trials).proportion_ci(0.95, "wilson")
        assert wilson_interval(hits, trials) == pytest.approx((known.low, known.high), abs=1e-12)
        b, c = (int(n) for n in rng.integers(0, 60, 2))
        if b + c:
            tail = 2 * Fraction(sum(math.comb(b + c, n) for n in range(min(b, c) + 1)), 2 ** (b + c))
            assert mcnemar_test(b, c)[1] == pytest.approx(float(min(tail, 1)), abs=1e-12)
            # Both counts are as likely: expected is their mean.  Edwards' correction moves each by a half toward it.
            for method, counts in (("plain", [b, c]), ("corrected", [min(b, c) + 0.5, max(b, c) - 0.5])):
                statistic, p = mcnemar_test(b, c, method)
                if method == "plain" or b != c:  # a difference of 0 would be corrected to -1, and squared
                    assert statistic == pytest.approx(scipy.stats.chisquare(counts).statistic, abs=1e-12)
                    assert p == pytest.approx(math.erfc(math.sqrt(statistic / 2)), abs=1e-12)


def test_wilson_covers_the_truth_about_as_often_as_it_says():
    rng = np.random.default_rng(6)
    for p in (0.1, 0.5, 0.9):
        bounds = {hits: wilson_interval(hits, 40) for hits in range(41)}
        inside = [bounds[hits][0] <= p <= bounds[hits][1] for hits in rng.binomial(40, p, 4000).tolist()]
        assert 0.92 < np.mean(inside) < 0.98


def many_recordings(rng, quality: dict[str, float], recordings: int = 10, each: int = 12):
    """A truth a picture; detector `name` finds it with its quality."""
    data = world(
        [{"boxes": [A], "labels": [0], "recording": f"r{n // each}"} for n in range(recordings * each)], ("post",)
    )
    answers = {}
    for name, share in quality.items():
        answers[name] = [
            Detections([A if rng.random() < share else FAR], [rng.uniform(0.5, 1)], [0], ("post",))
            for _ in range(len(data))
        ]
    return data, answers


def test_a_clear_difference_is_called_one():
    data, answers = many_recordings(np.random.default_rng(0), {"color": 0.5, "detector": 0.9})
    a, b = (evaluate(data, answers[name], name) for name in answers)
    result = compare_evaluations(a, b)
    assert result.better == "detector" and compare_evaluations(b, a).better == "detector"
    assert "detector finds more" in str(result) and "more than chance explains" in str(result)
    assert result.ap50_interval[0] > 0 and result.p_exact < 0.001
    assert json.loads(json.dumps(result.to_json(), allow_nan=False))["only_b"] == result.only_b
    back = compare_evaluations(b, a)
    assert (back.only_a, back.only_b, back.p_exact) == (result.only_b, result.only_a, result.p_exact)
    assert back.ap50_difference == pytest.approx(-result.ap50_difference)


def test_a_small_difference_could_be_chance():
    data, answers = many_recordings(np.random.default_rng(1), {"color": 0.7, "detector": 0.75}, recordings=4, each=6)
    a, b = (evaluate(data, answers[name], name) for name in answers)
    result = compare_evaluations(a, b)
    assert result.better is None and "could be chance" in result.sentence and "rough guide" in result.sentence


def test_the_same_detector_twice_shows_no_difference(crowd_free):
    result = compare_evaluations(crowd_free[3], crowd_free[3])
    assert (result.only_a, result.only_b, result.p_exact, result.better) == (0, 0, 1.0, None)
    assert "No difference shows" in result.sentence


def test_two_equal_detectors_are_seldom_called_different():
    called = 0
    for seed in range(30):
        data, answers = many_recordings(np.random.default_rng(seed), {"a": 0.7, "b": 0.7}, recordings=6, each=5)
        a, b = (evaluate(data, answers[name], name) for name in answers)
        called += compare_evaluations(a, b, resamples=300).better is not None
    assert called <= 4  # .05 of 30 is 1.5; 5 or more would come by chance about once in fifty


def test_judgments_of_other_pictures_are_not_compared(crowd_free, small):
    with pytest.raises(InputError, match="same pictures"):
        compare_evaluations(crowd_free[3], evaluate(*small))


def test_json_is_finite_and_ap_comes_first(crowd_free, small):
    for evaluation in (crowd_free[3], evaluate(*small), evaluate(small[0], [seen()] * 3)):
        row = evaluation.to_json()
        assert list(row)[:2] == ["AP", "AP50"]
        assert json.loads(json.dumps(row, allow_nan=False)) == row
        assert list(row["coco"].values()) == list(evaluation.coco.values())
        for key in ("per_class", "per_lighting", "per_size", "per_distance", "per_recording"):
            assert isinstance(row[key], dict)


def test_text_fits_a_terminal(crowd_free, small):
    for evaluation in (crowd_free[3], evaluate(*small), evaluate(small[0], [seen()] * 3)):
        text = evaluation.text()
        assert evaluation.name in text and "AP50" in text
        assert max(map(len, text.splitlines())) <= 79
        for name in evaluation.classes:
            assert name in text


def test_nothing_to_find_is_minus_one_and_null():
    data = world([{}])
    evaluation = evaluate(data, [seen((A, 0.9, 0))])
    assert (evaluation.AP, evaluation.AP50) == (-1, -1)
    assert evaluation.to_json()["per_class"]["post"]["AP"] is None
    assert evaluation.text()


def test_smallest_usable_size_needs_all_larger_ones():
    steps = [(0, 0.9, 9), (8, 0.2, 9), (12, 0.6, 9), (16, 0.1, 3), (24, 0.9, 9)]
    rows = [{"from_px": low, "recall": recall, "truths": count} for low, recall, count in steps]
    assert smallest_usable_px(rows) == 12
    assert smallest_usable_px([{"from_px": 0, "recall": 0.2, "truths": 9}]) is None


def test_wrong_input_of_judging(small):
    data, found = small
    with pytest.raises(DataSetError, match="must be 3"):
        evaluate(data, found[:2])
    with pytest.raises(DataSetError, match="entry 1"):
        evaluate(data, [found[0], None, found[2]])
    with pytest.raises(DataSetError, match="crate"):
        evaluate(data, [Detections([A], [0.9], [0], ("crate",)), *found[1:]])
    with pytest.raises(InputError, match="finite"):
        evaluate(data, found, score=float("nan"))
    with pytest.raises(InputError, match="post, bucket"):
        evaluate(data, found).curve("crate")
    with pytest.raises(InputError, match="truths"):
        precision_recall([True, True], 1)
