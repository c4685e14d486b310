"""Motion: wheels, motors, ramps, steering laws, watchdog, motor link.

Command flows down through this folder: a steering law gives a body twist
(:mod:`.steer`), a ramp smooths it (:mod:`.ramp`) under the machine of the stop
(:mod:`.supervisor`), the drive turns it into wheel speeds (:mod:`.drive`), a link
carries them (:mod:`.link`) to the board (:mod:`.board`), the motors lag behind
(:mod:`.motor`).  Beside it: how large a gain may be (:mod:`.stability`,
:mod:`.tuning`), what to do when a part falls silent (:mod:`.safety`), and what
a jolt does to what stands on the wheels (:mod:`.jolt`).
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.motion.board import Board, BoardWheels
    from robotlab.motion.drive import Drive, advance, advance_many, keep_turn, wrap_rad
    from robotlab.motion.gain_search import GainSearch, find_limit, sweep, swing_growth
    from robotlab.motion.jolt import grip, grip_limit_mps2, ramp_course, shake, tilt, tip_limit_mps2
    from robotlab.motion.link import LinkError, MotorLink, SerialLink, SimulatedLink
    from robotlab.motion.motor import Motor
    from robotlab.motion.pacer import Jitter, RampThread
    from robotlab.motion.ramp import (
        JerkRamp,
        Ramp,
        make_ramp,
        move_speed_mps,
        move_time_s,
        speed_change_time_s,
        stopping_distance_m,
    )
    from robotlab.motion.safety import Fault, StopKind, Watchdog, promised_stop_m
    from robotlab.motion.stability import (
        GAIN_MARGIN,
        continuous_bearing,
        continuous_critical,
        continuous_limit,
        growth_per_frame,
        loop_limit,
        margins,
        safe_gain,
        sampled_bearing,
        sampled_critical,
        sampled_limit,
    )
    from robotlab.motion.steer import FeedForwardTurn, PDTurn, SignCheck, sign_check, speed_toward, turn_toward
    from robotlab.motion.supervisor import HALT, StopState, Supervisor
    from robotlab.motion.tuning import Swing, latency_from_film_s, measure_swing

__all__ = [
    "HALT", "Board", "BoardWheels", "Drive", "Fault", "FeedForwardTurn", "GainSearch", "JerkRamp", "Jitter", "LinkError", "Motor",
    "MotorLink", "PDTurn", "Ramp", "RampThread", "SerialLink", "SignCheck", "SimulatedLink", "StopKind", "StopState", "Supervisor",
    "GAIN_MARGIN", "Swing", "Watchdog", "advance", "advance_many", "continuous_bearing", "continuous_critical", "continuous_limit", "find_limit",
    "grip", "grip_limit_mps2", "growth_per_frame", "keep_turn", "latency_from_film_s", "loop_limit", "make_ramp", "margins",
    "measure_swing", "move_speed_mps", "move_time_s", "promised_stop_m", "ramp_course", "safe_gain", "sampled_bearing", "sampled_critical", "sampled_limit",
    "shake", "sign_check", "speed_change_time_s", "speed_toward", "stopping_distance_m", "sweep", "swing_growth",
    "tilt", "tip_limit_mps2", "turn_toward", "wrap_rad",
]  # fmt: skip

load_lazily(__name__)
