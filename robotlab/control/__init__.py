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
    from robotlab.control.differential_drive import DifferentialDrive, advance, scale_wheel_speeds
    from robotlab.control.gain_search import find_gain_limit
    from robotlab.control.link import MotorLink, SerialLink, SimulatedLink
    from robotlab.control.motor import Motor
    from robotlab.control.oscillation import latency_from_film_s, measure_oscillation
    from robotlab.control.ramp import Ramp, make_ramp, move_time_s, speed_change_time_s, stopping_distance_m
    from robotlab.control.ramp_thread import RampThread
    from robotlab.control.safety import Watchdog
    from robotlab.control.steering import sign_check, turn_toward
    from robotlab.control.supervisor import Supervisor

__all__ = [
    "DifferentialDrive",
    "Motor",
    "MotorLink",
    "Ramp",
    "RampThread",
    "SerialLink",
    "SimulatedLink",
    "Supervisor",
    "Watchdog",
    "advance",
    "find_gain_limit",
    "latency_from_film_s",
    "make_ramp",
    "measure_oscillation",
    "move_time_s",
    "scale_wheel_speeds",
    "sign_check",
    "speed_change_time_s",
    "stopping_distance_m",
    "turn_toward",
]

load_lazily(__name__)
