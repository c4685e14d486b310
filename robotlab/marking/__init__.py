"""Marking: notebooks of strangers are run in a sandbox without answers, and judged outside."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.marking.room import Limits, missing_sandbox

__all__ = ["Limits", "missing_sandbox"]

load_lazily(__name__)
