"""Budgets of a robot: what a frame, a link, a disk and a battery can give, before anything is built.

Each answer stands beside the assumption that it rests on (:class:`Answer`).
:func:`check_robot` goes through a whole robot, described in one file.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.budget.answer import Answer
    from robotlab.budget.battery import Charger, Pack, charging_time_min, running_time_min
    from robotlab.budget.checkup import check_robot
    from robotlab.budget.frame import FrameBudget, frame_budget, showing_cost_s
    from robotlab.budget.frame_simulation import FrameTimeline, simulate_frames
    from robotlab.budget.robot_file import RobotFile, read_robot
    from robotlab.budget.stage_timer import StageTimer
    from robotlab.budget.storage import capture_storage, network_load, training_budget
    from robotlab.loop.timing import frame_times, percentile

load_lazily(__name__)
