"""Follow: perceive -> decide -> act, simulated or real; the run log; the replay.

Start with :func:`simulate`; :class:`Follower` is the part that decides, the same
for a simulated and a real trolley.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.follow.campaign import FaultReport, blind_way_m, campaign, promise_m
    from robotlab.follow.decide import STATES, Follower, Sight, Wish, distance_from_box
    from robotlab.follow.faults import FAULTS
    from robotlab.follow.film import filmstrip, moment, save_gif
    from robotlab.follow.fleet import Fleet, fleet, fleet_slow
    from robotlab.follow.hooks import NoFaults, Shot
    from robotlab.follow.limits import check_real_limits, free_way_m, safe_speed_mps, stopping_m, stopping_times_s
    from robotlab.follow.log import LogContent, RunLog, read_log
    from robotlab.follow.oracle import Oracle, TruthTracker, post_box
    from robotlab.follow.replay import replay_html, replay_pair_html, share_on_post, summary
    from robotlab.follow.robot import DriveReport, drive
    from robotlab.follow.run import Run
    from robotlab.follow.settings import Settings
    from robotlab.follow.simulate import default_camera, simulate
    from robotlab.follow.surrogate import Surrogate, fit_surrogate, surrogate_of
    from robotlab.follow.timing import FrameTimes, frame_times, percentile

__all__ = [
    "FAULTS", "STATES", "DriveReport", "FaultReport", "Fleet", "Follower", "FrameTimes", "LogContent", "NoFaults", "Oracle",
    "Run", "RunLog", "Settings", "Shot", "Sight", "Surrogate", "TruthTracker", "Wish", "blind_way_m", "campaign", "check_real_limits",
    "default_camera", "distance_from_box", "drive", "filmstrip", "fit_surrogate", "fleet", "fleet_slow", "frame_times", "free_way_m",
    "moment", "percentile", "post_box", "promise_m", "read_log", "replay_html", "replay_pair_html", "safe_speed_mps", "save_gif", "share_on_post", "simulate",
    "stopping_m", "stopping_times_s",
    "summary", "surrogate_of",
]  # fmt: skip

load_lazily(__name__)
