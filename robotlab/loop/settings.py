"""The numbers of one following trolley, in one frozen object."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

from robotlab.checks import number
from robotlab.control import DifferentialDrive, Motor
from robotlab.control.stability import GAIN_MARGIN, loop_limit
from robotlab.errors import MotionError

LAWS = ("p", "pd", "feed_forward")
RULERS = ("height", "width", "nearer")


@dataclass(frozen=True)
class Settings:
    """How the trolley sees, decides and moves.

    Parameters
    ----------
    frame_hz : float
        Pictures a second.
    delay_s : float
        From the middle of the exposure until the detector may start: exposure,
        transfer, decoding; on a robot the way of the command to the wheels,
        too.  Pictures under way do not hold up each other.
    detector_s : float
        Time the detector needs for one picture.  It does one at a time; what
        arrives meanwhile waits, and only the newest is kept.
    detector_px : (int, int) or None
        The picture is squeezed to this width and height before the detector
        sees it; ``None`` leaves it as it is.
    hfov_rad : float or None
        Replaces the camera's horizontal field of view.
    target : str
        Class that is followed.
    min_score : float
        Boxes with a lower score are not believed.
    gate : float or None
        While the target is in sight, the next box must have its middle within
        this share of the picture's width from the last one's; ``None`` takes
        the best score anywhere.
    target_height_m, target_width_m : float
        Real size of the target.
    distance_from : {"height", "width", "nearer"}
        Which side of the box measures the distance.  A side that the edge of
        the picture cuts is left out while the other is whole.  ``"nearer"``
        takes the shorter of both distances: whatever hides a part of the post
        makes that side read too far.
    keep_m : float
        Distance to keep.
    turn_gain : float
        Proportional gain of steering: yaw rate for each radian of bearing,
        1/s.
    drive_gain : float
        Proportional gain of the distance: speed for each meter too far, 1/s.
    law : {"p", "pd", "feed_forward"}
        Steering law.
    damping : float
        Derivative gain of ``"pd"``: yaw rate for each rad/s of change of the
        bearing.
    steering_sign : int
        +1, or -1 for a trolley whose steering is wired the wrong way.
    max_mps, max_yaw_radps : float
        Limits of the wanted speed and yaw rate.
    max_reverse_mps : float
        Limit of the speed backward.  0 never backs up: the camera looks
        forward, and a wrong box that fills the picture would drive the
        trolley blindly to where it cannot see.
    max_accel_mps2 : float or None
        Acceleration limit, m/s^2; ``None`` has the speed jump.
    max_yaw_accel_radps2 : float or None
        Limit of the change of the yaw rate, rad/s^2; not used when
        `max_accel_mps2` is ``None``.
    max_jerk_mps3 : float or None
        Jerk limit of the forward speed, m/s^3.
    hold_s, slow_s, search_s : float
        After the target was last seen: hold the last command for `hold_s`,
        ramp down and stand for `slow_s`, turn on the spot to where it went
        for `search_s`, then stop and stay stopped.
    search_radps : float
        Yaw rate of the search.
    watchdog_s : float or None
        Time-out of the watchdog: longest silence of camera, detector and motor
        link; ``None`` takes two frames, the latency and .3 s.
    link_timeout_s : float
        Command time-out of the motor board: the motors halt by themselves
        after this long without a command.
    ramp_hz : float
        Least rate of the ramp; a frame is cut into whole steps.
    drive : DifferentialDrive
        Wheels.
    motor : Motor
        Motors.
    mass_kg : float
        Mass of the trolley, for energy.
    radius_m : float
        The trolley touches what is nearer than this to its middle.

    Raises
    ------
    MotionError
        If a number is out of its range or a word is unknown.

    Examples
    --------
    >>> Settings(turn_gain=1.5).but(steering_sign=-1).steering_sign
    -1
    """

    frame_hz: float = 10.0
    delay_s: float = 0.10
    detector_s: float = 0.0
    detector_px: tuple[int, int] | None = None
    hfov_rad: float | None = None
    target: str = "post"
    min_score: float = 0.3
    gate: float | None = None
    target_height_m: float = 0.50
    target_width_m: float = 0.07
    distance_from: str = "nearer"
    keep_m: float = 1.2
    turn_gain: float = 1.8
    drive_gain: float = 1.2
    law: str = "p"
    damping: float = 0.1
    steering_sign: int = 1
    max_mps: float = 0.6
    max_yaw_radps: float = 1.5
    max_reverse_mps: float = 0.0
    max_accel_mps2: float | None = 0.8
    max_yaw_accel_radps2: float | None = 6.0
    max_jerk_mps3: float | None = None
    hold_s: float = 0.4
    slow_s: float = 0.6
    search_s: float = 8.0
    search_radps: float = 0.8
    watchdog_s: float | None = None
    link_timeout_s: float = 0.25
    ramp_hz: float = 50.0
    drive: DifferentialDrive = field(default_factory=DifferentialDrive)
    motor: Motor = field(default_factory=Motor)
    mass_kg: float = 8.0
    radius_m: float = 0.20

    def __post_init__(self) -> None:
        positive = (
            "frame_hz",
            "target_height_m",
            "target_width_m",
            "keep_m",
            "max_mps",
            "max_yaw_radps",
            "ramp_hz",
            "link_timeout_s",
            "mass_kg",
            "radius_m",
        )
        not_negative = (
            "delay_s",
            "detector_s",
            "min_score",
            "turn_gain",
            "drive_gain",
            "damping",
            "max_reverse_mps",
            "hold_s",
            "slow_s",
            "search_s",
            "search_radps",
        )
        for name in positive:
            object.__setattr__(self, name, number(getattr(self, name), name, 0, open_low=True))
        for name in not_negative:
            object.__setattr__(self, name, number(getattr(self, name), name, 0))
        for name in ("gate", "hfov_rad", "max_accel_mps2", "max_yaw_accel_radps2", "max_jerk_mps3", "watchdog_s"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, number(getattr(self, name), name, 0, open_low=True))
        for name, words in (("law", LAWS), ("distance_from", RULERS), ("steering_sign", (1, -1))):
            if getattr(self, name) not in words:
                raise MotionError(
                    f"{name} must be one of {', '.join(map(str, words))}, got {getattr(self, name)!r}; choose one of them"
                )
        if self.max_jerk_mps3 is not None and self.max_accel_mps2 is None:
            raise MotionError("a jerk limit needs an acceleration limit, got max_accel_mps2 None; give both or neither")
        if self.detector_px is not None:
            size = tuple(int(number(n, "detector_px", 1)) for n in self.detector_px)
            if len(size) != 2:
                raise MotionError(
                    f"detector_px must be width and height, got {self.detector_px}; for instance (160, 120)"
                )
            object.__setattr__(self, "detector_px", size)
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
    def frame_s(self) -> float:
        """Time between two pictures, s."""
        return 1 / self.frame_hz

    @property
    def silence_s(self) -> float:
        """Longest silence that the watchdog allows, s."""
        if self.watchdog_s is not None:
            return self.watchdog_s
        # Two frames may be lost before a silence is one; the rest is reserve (common practice, no source).
        return 2 * self.frame_s + self.latency_s + 0.3

    @property
    def latency_s(self) -> float:
        """Age of a picture when its command acts, s: from exposure to wheel.

        What :func:`robotlab.control.latency_from_film_s` measures on a robot.
        """
        return self.delay_s + self.detector_s

    @property
    def gain_limit(self) -> float:
        """Ultimate gain of this loop, 1/s: from it on the oscillation grows.

        For a target that stands still far away and a detector that keeps up;
        the ramp and the speed limits are not in it.
        """
        return loop_limit(self.frame_s, self.latency_s, self.motor.lag_s)

    @property
    def safe_gain(self) -> float:
        """Largest safe steering gain, 1/s: :func:`robotlab.control.safe_gain` of this loop."""
        return self.gain_limit / GAIN_MARGIN
