"""A camera that always hands over its newest picture."""

from __future__ import annotations


class VideoCamera:
    """A camera by number, device, film or network stream."""
