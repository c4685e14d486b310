"""Report pages: one detector judged, two compared, a run, a design sheet."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.report.judged import evaluation_page, numbers_table
    from robotlab.report.page import Report
    from robotlab.report.plots import (
        new_figure,
        plot_bands,
        plot_groups,
        plot_pictures,
        plot_precision_recall,
        plot_recall_by_size,
    )
    from robotlab.report.runs import (
        RUN_LABELS,
        SAFETY_NOTE,
        drive_page,
        face_off_page,
        face_off_part,
        face_off_text,
        runs_table,
        walks_part,
    )
    from robotlab.report.sheets import design_sheet_page, design_sheet_part

load_lazily(__name__)
