"""Onto a real robot: its camera, its wheels, and measuring both.

Wheels off the ground first, a hand on the power switch, a clear floor, slow
limits, people and pets out of reach.  A stop in software is not a safety
function (IEC 60204-1, ISO 13850).
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.robot.camera import VideoCamera
    from robotlab.robot.camera_delay import delay_from_blinks, measure_delay
    from robotlab.robot.covered_lens import view_fault
    from robotlab.robot.field_of_view import measure_field_of_view
    from robotlab.robot.live_page import LivePage
    from robotlab.robot.pins import PinLink
    from robotlab.robot.recording import load_run
    from robotlab.robot.rehearsal import EmulatedBoard, RenderedCamera
    from robotlab.robot.wheel_calibration import CalibratedLink, calibrate_wheels
    from robotlab.robot.wheels import open_wheels

load_lazily(__name__)
