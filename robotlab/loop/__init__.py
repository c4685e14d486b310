"""Follow: perceive -> decide -> act, simulated or real; the run log; the replay.

Start with :func:`simulate`; :class:`Follower` is the part that decides, the same
for a simulated and a real trolley.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.loop.campaigns import FaultReport, blind_distance_m, fault_campaign
    from robotlab.loop.decide import STATES, Follower, VelocityCommand
    from robotlab.loop.driving import DriveReport, drive
    from robotlab.loop.fault_model import CameraFrame, FaultModel
    from robotlab.loop.faults import FAULTS
    from robotlab.loop.ground_truth import GroundTruthDetector, SimulatedDetector, post_box
    from robotlab.loop.limits import check_real_limits, free_distance_m, safe_speed_mps, stopping_m, stopping_times_s
    from robotlab.loop.log import LogContent, RunLog, read_log
    from robotlab.loop.replay import replay_html, replay_pair_html, share_on_post, summary
    from robotlab.loop.run import Run
    from robotlab.loop.settings import Settings
    from robotlab.loop.simulation import default_camera, simulate
    from robotlab.loop.snapshots import filmstrip, save_gif, snapshot
    from robotlab.loop.surrogates import Surrogate, fit_surrogate, surrogate_of
    from robotlab.loop.target import Observation, distance_from_box
    from robotlab.loop.timing import FrameTimes, frame_times, percentile
    from robotlab.loop.vectorized import ManyRuns, simulate_many

__all__ = [
    "FAULTS",
    "STATES",
    "DriveReport",
    "FaultReport",
    "ManyRuns",
    "Follower",
    "FrameTimes",
    "LogContent",
    "FaultModel",
    "GroundTruthDetector",
    "Run",
    "RunLog",
    "Settings",
    "CameraFrame",
    "Observation",
    "Surrogate",
    "SimulatedDetector",
    "VelocityCommand",
    "blind_distance_m",
    "fault_campaign",
    "check_real_limits",
    "default_camera",
    "distance_from_box",
    "drive",
    "filmstrip",
    "fit_surrogate",
    "simulate_many",
    "frame_times",
    "free_distance_m",
    "snapshot",
    "percentile",
    "post_box",
    "read_log",
    "replay_html",
    "replay_pair_html",
    "safe_speed_mps",
    "save_gif",
    "share_on_post",
    "simulate",
    "stopping_m",
    "stopping_times_s",
    "summary",
    "surrogate_of",
]

load_lazily(__name__)
