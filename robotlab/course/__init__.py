"""The course: building lessons from their sources, and what lessons need to know of their place."""

from robotlab.course.builder import build
from robotlab.course.kernel import Match, match
from robotlab.course.places import shipped

__all__ = ["Match", "build", "match", "shipped"]
