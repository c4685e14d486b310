"""The design sheet: predicted limits of a robot, beside the measured ones.

:class:`Robot` holds the plain facts; :func:`predict` computes the limits from
them, and :func:`measure` also measures each in simulation, by ways that
do not use the formulas.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.design_sheet.measure_motion import measure_gain_limit, measure_safe_speed, measure_stop_m
    from robotlab.design_sheet.measure_vision import (
        heights_found,
        measure_band,
        measure_smallest_object_m,
        rendered_height_px,
        usable_height_px,
    )
    from robotlab.design_sheet.predictions import (
        Robot,
        predict_band,
        predict_gain_limit,
        predict_safe_speed,
        predict_smallest_object_m,
        predict_stop_m,
    )
    from robotlab.design_sheet.sheets import DesignSheet, Row, measure, predict

__all__ = [
    "DesignSheet",
    "Robot",
    "Row",
    "heights_found",
    "measure",
    "measure_band",
    "measure_gain_limit",
    "measure_safe_speed",
    "measure_smallest_object_m",
    "measure_stop_m",
    "predict",
    "predict_band",
    "predict_gain_limit",
    "predict_safe_speed",
    "predict_smallest_object_m",
    "predict_stop_m",
    "rendered_height_px",
    "usable_height_px",
]

load_lazily(__name__)
