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
    from robotlab.control.board import Board, BoardWheels
    from robotlab.control.differential_drive import (
        DifferentialDrive,
        advance,
        advance_many,
        scale_wheel_speeds,
        wrap_rad,
    )
    from robotlab.control.gain_search import GainSearch, find_ultimate_gain, gain_sweep, oscillation_growth
    from robotlab.control.link import LinkError, MotorLink, SerialLink, SimulatedLink
    from robotlab.control.load import grip, grip_limit_mps2, mast_vibration, ramp_response, tilt, tip_limit_mps2
    from robotlab.control.motor import Motor
    from robotlab.control.oscillation import Oscillation, latency_from_film_s, measure_oscillation
    from robotlab.control.ramp import (
        JerkRamp,
        Ramp,
        make_ramp,
        move_speed_mps,
        move_time_s,
        speed_change_time_s,
        stopping_distance_m,
    )
    from robotlab.control.ramp_thread import Jitter, RampThread
    from robotlab.control.safety import Fault, StopKind, Watchdog
    from robotlab.control.stability import (
        GAIN_MARGIN,
        continuous_bearing,
        continuous_critical,
        continuous_ultimate_gain,
        growth_per_frame,
        margins,
        safe_gain,
        sampled_bearing,
        sampled_critical,
        sampled_ultimate_gain,
        ultimate_gain,
    )
    from robotlab.control.steering import FeedForwardTurn, PDTurn, SignCheck, sign_check, speed_toward, turn_toward
    from robotlab.control.supervisor import HALT, StopState, Supervisor

__all__ = [
    "HALT",
    "Board",
    "BoardWheels",
    "DifferentialDrive",
    "Fault",
    "FeedForwardTurn",
    "GainSearch",
    "JerkRamp",
    "Jitter",
    "LinkError",
    "Motor",
    "MotorLink",
    "PDTurn",
    "Ramp",
    "RampThread",
    "SerialLink",
    "SignCheck",
    "SimulatedLink",
    "StopKind",
    "StopState",
    "Supervisor",
    "GAIN_MARGIN",
    "Oscillation",
    "Watchdog",
    "advance",
    "advance_many",
    "continuous_bearing",
    "continuous_critical",
    "continuous_ultimate_gain",
    "find_ultimate_gain",
    "grip",
    "grip_limit_mps2",
    "growth_per_frame",
    "scale_wheel_speeds",
    "latency_from_film_s",
    "ultimate_gain",
    "make_ramp",
    "margins",
    "measure_oscillation",
    "move_speed_mps",
    "move_time_s",
    "ramp_response",
    "safe_gain",
    "sampled_bearing",
    "sampled_critical",
    "sampled_ultimate_gain",
    "mast_vibration",
    "sign_check",
    "speed_change_time_s",
    "speed_toward",
    "stopping_distance_m",
    "gain_sweep",
    "oscillation_growth",
    "tilt",
    "tip_limit_mps2",
    "turn_toward",
    "wrap_rad",
]

load_lazily(__name__)
