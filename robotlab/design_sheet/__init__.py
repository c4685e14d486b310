"""The design sheet: predicted limits of a robot, beside the measured ones.

:class:`Robot` holds the plain facts; :func:`predict` computes the limits from
them, and :func:`measure` also measures each in simulation, by ways that
do not use the formulas.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.design_sheet.measure_motion import measure_safe_speed, measure_stop_m, measure_ultimate_gain
    from robotlab.design_sheet.measure_vision import measure_band, measure_smallest_object_m, rendered_height_px
    from robotlab.design_sheet.predictions import (
        Robot,
        predict_band,
        predict_safe_speed,
        predict_smallest_object_m,
        predict_stop_m,
        predict_ultimate_gain,
    )
    from robotlab.design_sheet.rows import Row
    from robotlab.design_sheet.sheets import DesignSheet, measure, predict
    from robotlab.design_sheet.smallest_height import heights_found, usable_height_px

load_lazily(__name__)
