"""The course: building lessons from their sources, and what lessons need to know of their place.

The builder is :mod:`robotlab.course.builder`; it needs the ``build`` extra.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.course.kernel import Match, match
    from robotlab.course.places import measured, shipped
    from robotlab.course.reading import source_of

__all__ = ["Match", "match", "measured", "shipped", "source_of"]

load_lazily(__name__)
