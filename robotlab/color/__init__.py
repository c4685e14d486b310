"""The color detector: a threshold on color, the simple baseline.

``hsv_conversion`` and ``bands`` say which pixels fit, ``components`` puts touching pixels
together, ``detector`` makes detections of them; ``learn`` and ``fitting`` choose the
numbers; ``lighting_check`` says when color is the wrong tool.  Tests prove the
fast paths equal to their references.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.color.bands import Band, LabBand, overlay
    from robotlab.color.check_lighting import LightingCheck, lighting_check
    from robotlab.color.components import Components, connected_components
    from robotlab.color.detector import ColorDetector
    from robotlab.color.hsv_conversion import HUES, histogram, hsv, mean_hue
    from robotlab.color.learn import click_boxes, core_pixels, learn_band, learn_from_boxes, learn_lab_band
    from robotlab.color.shape_limits import Shape
    from robotlab.color.white_balance import apply_gains, gray_world

load_lazily(__name__)
