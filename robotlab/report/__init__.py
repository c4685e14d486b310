"""Report pages: one detector judged, two compared, a run, a design sheet."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.report.judged import evaluation_page
    from robotlab.report.page import Report, cell_text, text_table
    from robotlab.report.plots import (
        new_figure,
        plot_bands,
        plot_groups,
        plot_pictures,
        plot_precision_recall,
        plot_recall_by_size,
    )
    from robotlab.report.runs import RUN_WORDS, drive_page, face_off_page, face_off_text
    from robotlab.report.sheets import design_sheet_page, design_sheet_text

__all__ = [
    "RUN_WORDS",
    "Report",
    "cell_text",
    "design_sheet_page",
    "design_sheet_text",
    "drive_page",
    "evaluation_page",
    "face_off_page",
    "face_off_text",
    "new_figure",
    "plot_bands",
    "plot_groups",
    "plot_pictures",
    "plot_precision_recall",
    "plot_recall_by_size",
    "text_table",
]

load_lazily(__name__)
