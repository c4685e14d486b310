"""Control: wheels, motors, ramps, steering laws, watchdog, the stop, motor links.

A command flows down through this folder: a steering law gives forward speed and
yaw rate (:mod:`.steering`), ramps smooth them (:mod:`.ramp`) under the state
machine of the stop (:mod:`.supervisor`), the drive turns them into wheel speeds
(:mod:`.differential_drive`), a link carries these (:mod:`.link`, in the lines of
:mod:`.line_protocol`) to the board (:mod:`.board`), and the motors lag behind
(:mod:`.motor`).  :mod:`.ramp_thread` does that on a robot, at a steady rate.
Beside it: how large a gain may be (:mod:`.stability`, :mod:`.oscillation`,
:mod:`.gain_search`), what to do when a part falls silent (:mod:`.safety`), and
what acceleration does to what stands on the wheels (:mod:`.load`).
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.control.differential_drive import DifferentialDrive, advance, scale_wheel_speeds
    from robotlab.control.gain_search import find_ultimate_gain
    from robotlab.control.link import MotorLink, SerialLink, SimulatedLink
    from robotlab.control.motor import Motor
    from robotlab.control.oscillation import latency_from_film_s, measure_oscillation
    from robotlab.control.ramp import Ramp, make_ramp, move_time_s, speed_change_time_s, stopping_distance_m
    from robotlab.control.ramp_thread import RampThread
    from robotlab.control.safety import Watchdog
    from robotlab.control.steering import sign_check, turn_toward
    from robotlab.control.supervisor import Supervisor

load_lazily(__name__)
