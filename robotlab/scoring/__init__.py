"""Scoring: what a detector found, against what is there.

:func:`judge` does all of it.  Below it, in reading order: ``matching`` (which
detection found which thing), ``curves`` (precision, recall, average
precision), ``coco`` (COCO's twelve numbers), ``faults`` (kinds of error), ``chance`` and
``bootstrap`` (how much of a difference is luck), ``paired`` (is it enough to
matter), ``compare`` (two detectors).

Names: an ``AP``, ``precision``, ``recall`` or ``F1`` is better when larger, an
``error`` when smaller.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.scoring.chance import mcnemar, resample_weights, wilson
    from robotlab.scoring.coco import AREA_RANGES, IOU_LIMITS, NUMBERS, RECALL_LEVELS, CocoTable, evaluate
    from robotlab.scoring.compare import Comparison, compare_judgements
    from robotlab.scoring.curves import AP_METHODS, Curve, average_precision, calibration, precision_recall
    from robotlab.scoring.judgement import Judgement
    from robotlab.scoring.judging import judge, read_results_table, results_table, truth_table
    from robotlab.scoring.matching import Match, match
    from robotlab.scoring.paired import PairedMean, paired_mean
    from robotlab.scoring.tables import FoundTable, TruthTable, found_from_results, found_table

__all__ = [
    "AP_METHODS",
    "AREA_RANGES",
    "IOU_LIMITS",
    "NUMBERS",
    "PairedMean",
    "RECALL_LEVELS",
    "CocoTable",
    "Comparison",
    "Curve",
    "FoundTable",
    "Judgement",
    "Match",
    "TruthTable",
    "average_precision",
    "calibration",
    "compare_judgements",
    "evaluate",
    "found_from_results",
    "found_table",
    "judge",
    "match",
    "mcnemar",
    "paired_mean",
    "precision_recall",
    "read_results_table",
    "resample_weights",
    "results_table",
    "truth_table",
    "wilson",
]


load_lazily(__name__)
