"""The color detector: a threshold on color, the simple baseline.

``hsv`` and ``bands`` say which pixels fit, ``blobs`` puts touching pixels
together, ``detector`` makes detections of them; ``learn`` and ``fit`` choose the
numbers; ``lighting`` says when color is the wrong tool.  Tests prove the
fast paths equal to their references.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.color.bands import Band, LabBand, overlay
    from robotlab.color.colorspace import HUES, histogram, hsv, hue_step, mean_hue
    from robotlab.color.components import Components, connected_components
    from robotlab.color.detector import ColorDetector
    from robotlab.color.fast_threshold import pixels_in_band
    from robotlab.color.joining import join_stacked
    from robotlab.color.learn import click_boxes, core_pixels, learn_band, learn_from_boxes, learn_lab_band
    from robotlab.color.lighting import LightingCheck, lighting_check
    from robotlab.color.shape import Shape
    from robotlab.color.white_balance import apply_gains, gray_world
    from robotlab.image.morphology import dilate, erode, open_close

__all__ = [
    "HUES",
    "Band",
    "Components",
    "ColorDetector",
    "LabBand",
    "LightingCheck",
    "Shape",
    "apply_gains",
    "open_close",
    "click_boxes",
    "core_pixels",
    "connected_components",
    "gray_world",
    "dilate",
    "histogram",
    "hsv",
    "hue_step",
    "join_stacked",
    "lighting_check",
    "learn_band",
    "learn_from_boxes",
    "learn_lab_band",
    "mean_hue",
    "overlay",
    "pixels_in_band",
    "erode",
]


load_lazily(__name__)
