"""The course: building lessons from their sources, and what lessons need to know of their place.

The builder is :mod:`robotlab.course.builder`; it needs the ``build`` extra.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.course.kernel import KernelMatch, kernel_match
    from robotlab.course.resources import measured, shipped
    from robotlab.course.source_text import source_of

load_lazily(__name__)
