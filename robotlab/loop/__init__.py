"""The loop: perceive -> decide -> act, simulated or real; the run log; the replay.

Start with :func:`simulate`; :class:`Follower` is the part that decides, the same
for a simulated and a real trolley.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.loop.campaigns import fault_campaign
    from robotlab.loop.decide import Follower, VelocityCommand
    from robotlab.loop.driving import drive
    from robotlab.loop.fault_model import FaultModel
    from robotlab.loop.faults import FAULTS
    from robotlab.loop.ground_truth import GroundTruthDetector
    from robotlab.loop.limits import free_distance_m, safe_speed_mps, stopping_times_s, worst_stopping_distance_m
    from robotlab.loop.log import read_log
    from robotlab.loop.replay import replay_pair_html, share_on_target
    from robotlab.loop.run import Run
    from robotlab.loop.settings import Settings
    from robotlab.loop.simulation import default_camera, simulate
    from robotlab.loop.target import Observation
    from robotlab.loop.vectorized import simulate_many

load_lazily(__name__)
