"""Your own pictures: plan them, gather them from a film, a camera or photographs, and check them before you train."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.gather.gathering import GatherReport, gather

__all__ = ["GatherReport", "gather"]

load_lazily(__name__)
