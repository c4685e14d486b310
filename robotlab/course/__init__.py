"""The course: building lessons from their sources, and what lessons need to know of their place.

The builder is :mod:`robotlab.course.builder`; it needs the ``build`` extra.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.course.drawings import draw_overlap, draw_pinhole
    from robotlab.course.kernel import KernelMatch, kernel_match
    from robotlab.course.loop_drawings import (
        plot_backbone_and_head,
        plot_delay_and_hold,
        plot_lost_target_states,
        plot_precision_and_recall,
        plot_ramp,
        plot_supervisor_states,
    )
    from robotlab.course.resources import measured, shipped
    from robotlab.course.source_text import source_of
    from robotlab.course.tables import Table

load_lazily(__name__)
