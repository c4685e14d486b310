"""The numbers of one following trolley, in one frozen object.

:class:`Settings` is put together from one group for each part of the loop:
what the camera and the detector take (``perception.PerceptionSettings``), what
is followed (``target.TargetSettings``), how it is steered to and what is done
without it (``decide.SteeringSettings``, ``decide.LostTargetSettings``), the
limits of the motion (:class:`RampSettings`), the trolley itself
(:class:`ChassisSettings`), and when it stops by itself (:class:`StopSettings`).
A function that needs one group only says so in its signature.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

from robotlab.control import DifferentialDrive, Motor
from robotlab.control.checked_fields import CheckedFields, one_of, positive
from robotlab.control.stability import GAIN_MARGIN, ultimate_gain
from robotlab.errors import MotionError
from robotlab.loop.decide import FollowerSettings


@dataclass(frozen=True, kw_only=True)
class RampSettings(CheckedFields):
    """Limits of how the speeds change.

    Parameters
    ----------
    max_accel_mps2 : float or None
        Acceleration limit, m/s^2; ``None`` has the speed jump.
    max_yaw_accel_radps2 : float or None
        Limit of the change of the yaw rate, rad/s^2; not used when
        `max_accel_mps2` is ``None``.
    max_jerk_mps3 : float or None
        Jerk limit of the forward speed, m/s^3.
    ramp_hz : float
        Least rate of the ramp; a frame is cut into whole steps.

    Raises
    ------
    MotionError
        If a number is out of its range, or jerk is limited but acceleration is not.
    """

    max_accel_mps2: float | None = positive(0.8, optional=True)
    max_yaw_accel_radps2: float | None = positive(6.0, optional=True)
    max_jerk_mps3: float | None = positive(None, optional=True)
    ramp_hz: float = positive(50.0)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.max_jerk_mps3 is not None and self.max_accel_mps2 is None:
            raise MotionError("a jerk limit needs an acceleration limit, got max_accel_mps2 None; give both or neither")


@dataclass(frozen=True, kw_only=True)
class ChassisSettings(CheckedFields):
    """The trolley itself.

    Parameters
    ----------
    drive : DifferentialDrive
        Wheels.
    motor : Motor
        Motors.
    steering_sign : int
        +1, or -1 for a trolley whose steering is wired the wrong way.
    mass_kg : float
        Mass of the trolley, for energy.
    radius_m : float
        The trolley touches what is nearer than this to its middle.

    Raises
    ------
    MotionError
        If a number is out of its range.
    """

    drive: DifferentialDrive = field(default_factory=DifferentialDrive)
    motor: Motor = field(default_factory=Motor)
    steering_sign: int = one_of(1, (1, -1))
    mass_kg: float = positive(8.0)
    radius_m: float = positive(0.20)


@dataclass(frozen=True, kw_only=True)
class StopSettings(CheckedFields):
    """When the trolley stops because a part is silent.

    Parameters
    ----------
    watchdog_s : float or None
        Time-out of the watchdog: longest silence of camera, detector and motor
        link; ``None`` takes two frames, the latency and .3 s.
    link_timeout_s : float
        Command time-out of the motor board: the motors halt by themselves
        after this long without a command.

    Raises
    ------
    MotionError
        If a number is out of its range.
    """

    watchdog_s: float | None = positive(None, optional=True)
    link_timeout_s: float = positive(0.25)


@dataclass(frozen=True, kw_only=True)
class Settings(StopSettings, ChassisSettings, RampSettings, FollowerSettings):
    """How the trolley sees, decides and moves.

    Parameters
    ----------
    frame_hz, delay_s, detector_s, detector_px, hfov_rad
        As in :class:`~robotlab.loop.perception.PerceptionSettings`.
    target, min_score, gate, target_height_m, target_width_m, distance_from
        As in :class:`~robotlab.loop.target.TargetSettings`.
    following_distance_m, turn_gain, drive_gain, law, derivative_gain, max_mps, max_yaw_radps, max_reverse_mps
        As in :class:`~robotlab.loop.decide.SteeringSettings`.
    hold_s, slow_s, search_s, search_radps
        As in :class:`~robotlab.loop.decide.LostTargetSettings`.
    max_accel_mps2, max_yaw_accel_radps2, max_jerk_mps3, ramp_hz
        As in :class:`~robotlab.loop.settings.RampSettings`.
    drive, motor, steering_sign, mass_kg, radius_m
        As in :class:`~robotlab.loop.settings.ChassisSettings`.
    watchdog_s, link_timeout_s
        As in :class:`~robotlab.loop.settings.StopSettings`.

    Raises
    ------
    MotionError
        If a number is out of its range or a word is unknown.

    Examples
    --------
    >>> Settings(turn_gain=1.5).but(steering_sign=-1).steering_sign
    -1
    """

    def __post_init__(self) -> None:
        super().__post_init__()
        least = self.frame_s + self.latency_s
        if self.watchdog_s is not None and self.watchdog_s <= least:
            raise MotionError(
                f"watchdog_s must be longer than a frame and the latency ({least:.3g} s), got {self.watchdog_s}; "
                "else the watchdog trips on a healthy loop"
            )

    def but(self, **changes) -> Settings:
        """The same settings with some changed.

        Parameters
        ----------
        **changes
            Any parameter of the class.

        Returns
        -------
        Settings
            New settings.

        Raises
        ------
        MotionError
            If a name is unknown or a value is out of range.

        Examples
        --------
        >>> Settings().but(max_accel_mps2=None).max_accel_mps2 is None
        True
        """
        known = [item.name for item in fields(self)]
        unknown = [name for name in changes if name not in known]
        if unknown:
            raise MotionError(
                f"settings must be among {', '.join(known)}, got {', '.join(unknown)}; check the spelling"
            )
        return replace(self, **changes)

    @property
    def silence_s(self) -> float:
        """Longest silence that the watchdog allows, s."""
        if self.watchdog_s is not None:
            return self.watchdog_s
        # Two frames may be lost before a silence is one; the rest is reserve (common practice, no source).
        return 2 * self.frame_s + self.latency_s + 0.3

    def supervision(self) -> dict[str, Any]:
        """What :class:`robotlab.control.Supervisor` is told, simulated or real.

        Returns
        -------
        dict
            Its limits of motion and of silence.

        Examples
        --------
        >>> Settings().supervision()["board_timeout_s"]
        0.25
        """
        ramped = self.max_accel_mps2 is not None
        return {
            "max_accel_mps2": self.max_accel_mps2,
            "max_yaw_accel_radps2": self.max_yaw_accel_radps2 if ramped else None,
            "max_jerk_mps3": self.max_jerk_mps3,
            "limits_s": dict.fromkeys(("camera", "detector", "loop", "link"), self.silence_s),
            "delay_s": self.delay_s,
            "board_timeout_s": self.link_timeout_s,
        }

    @property
    def ultimate_gain(self) -> float:
        """Ultimate gain of this loop, 1/s: from it on the oscillation grows.

        For a target that stands still far away and a detector that keeps up;
        the ramp and the speed limits are not in it.
        """
        return ultimate_gain(self.frame_s, self.latency_s, self.motor.lag_s)

    @property
    def safe_gain(self) -> float:
        """Largest safe steering gain, 1/s: :func:`robotlab.control.stability.safe_gain` of this loop."""
        return self.ultimate_gain / GAIN_MARGIN
