"""Marking: notebooks of strangers run in a sandbox without answers, and are judged outside."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.marking.key import MarkingKey, read_key
    from robotlab.marking.marking_run import Marking, mark_submissions
    from robotlab.marking.pages import save_pages
    from robotlab.marking.sandbox import Limits, missing_sandbox
    from robotlab.marking.tables import save_tables

load_lazily(__name__)
