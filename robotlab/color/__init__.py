"""The color tracker: a threshold on colour, the simple baseline.

``hsv`` and ``bands`` say which pixels fit, ``blobs`` puts touching pixels
together, ``tracker`` makes detections of them; ``learn`` and ``fit`` choose the
numbers; ``lamp`` says when colour is the wrong tool.  Tests prove the
fast ways equal to slow and clear ones.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.color.balance import apply_gains, grey_world
    from robotlab.color.bands import Band, LabBand, overlay
    from robotlab.color.blobs import Blobs, find_blobs
    from robotlab.color.cleanup import clean, grow, shrink
    from robotlab.color.fast import pixels_in_band
    from robotlab.color.colorspace import HUES, histogram, hsv, hue_step, mean_hue
    from robotlab.color.join import join_stacked
    from robotlab.color.lamp import LampCheck, lamp_check
    from robotlab.color.learn import click_boxes, core_pixels, learn_band, learn_from_boxes, learn_lab_band
    from robotlab.color.shape import Shape
    from robotlab.color.tracker import ColorTracker

__all__ = [
    "HUES",
    "Band",
    "Blobs",
    "ColorTracker",
    "LabBand",
    "LampCheck",
    "Shape",
    "apply_gains",
    "clean",
    "click_boxes",
    "core_pixels",
    "find_blobs",
    "grey_world",
    "grow",
    "histogram",
    "hsv",
    "hue_step",
    "join_stacked",
    "lamp_check",
    "learn_band",
    "learn_from_boxes",
    "learn_lab_band",
    "mean_hue",
    "overlay",
    "pixels_in_band",
    "shrink",
]


load_lazily(__name__)
