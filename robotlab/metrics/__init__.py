"""Metrics of detection: detections against ground truth.

:func:`evaluate` does all of it.  Below it, in reading order: ``matching`` (which
detection found which object), ``curves`` (precision, recall, average
precision), ``coco`` (COCO's twelve numbers), ``error_analysis`` (kinds of false
positives, confusion matrix), ``significance`` and ``bootstrap`` (intervals and tests),
``paired_means`` (is a difference large enough to matter), ``comparison`` (two detectors).

Names: an ``AP``, ``precision``, ``recall`` or ``F1`` is better when larger, an
``error`` when smaller.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.metrics.bootstrap import bootstrap_weights
    from robotlab.metrics.coco import evaluate_coco
    from robotlab.metrics.comparison import Comparison, compare_evaluations
    from robotlab.metrics.curves import Curve, average_precision, calibration, precision_recall
    from robotlab.metrics.evaluation import Evaluation
    from robotlab.metrics.from_data import evaluate, ground_truth_table, read_results_table
    from robotlab.metrics.matching import Matching, match_detections
    from robotlab.metrics.paired_means import paired_mean
    from robotlab.metrics.significance import mcnemar_test, wilson_interval
    from robotlab.metrics.tables import DetectionTable, GroundTruthTable, detection_table

load_lazily(__name__)
