"""Onto a real robot: its camera, its wheels, and measuring both.

Wheels off the ground first, a hand on the power switch, a clear floor, slow
limits, people and pets out of reach.  A stop in software is not a safety
function (IEC 60204-1, ISO 13850).
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.robot.camera import VideoCamera
    from robotlab.robot.view import view_fault

__all__ = ["VideoCamera", "view_fault"]

load_lazily(__name__)
