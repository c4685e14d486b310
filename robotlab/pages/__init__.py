"""Report pages: one tracker judged, two compared, a run, a design sheet."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.pages.judged import (
        curves_figure,
        group_table,
        groups_figure,
        judgement_page,
        numbers_table,
        picture_of,
        pictures_part,
    )
    from robotlab.pages.runs import (
        MOVING,
        RUN_WORDS,
        drive_page,
        face_off_page,
        face_off_part,
        face_off_text,
        runs_table,
        walks_part,
    )
    from robotlab.pages.sheets import design_sheet_page, design_sheet_part, design_sheet_text

__all__ = [
    "MOVING",
    "RUN_WORDS",
    "curves_figure",
    "design_sheet_page",
    "design_sheet_part",
    "design_sheet_text",
    "drive_page",
    "face_off_page",
    "face_off_part",
    "face_off_text",
    "group_table",
    "groups_figure",
    "judgement_page",
    "numbers_table",
    "picture_of",
    "pictures_part",
    "runs_table",
    "walks_part",
]

load_lazily(__name__)
