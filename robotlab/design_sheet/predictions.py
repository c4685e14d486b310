"""A robot's plain facts, and the limits that follow from them by formula."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

from scipy.optimize import bisect

from robotlab.camera import Camera, working_range
from robotlab.checks import number
from robotlab.control.checked_fields import CheckedFields, required
from robotlab.errors import InputError
from robotlab.loop import Settings, free_distance_m, safe_speed_mps, stopping_times_s, worst_stopping_distance_m

# Figures that are measured on a robot and stand elsewhere than in its settings.
_PARTS = {
    "robot": ("smallest_px",),
    "camera": ("hfov_rad", "height_m", "pitch_rad"),
    "motor": ("lag_s", "dead_band_mps", "slip"),
}


@dataclass(frozen=True)
class Robot(CheckedFields):
    """What is known of a robot before it is built.

    Parameters
    ----------
    camera : Camera
        Size of the picture, field of view, height and pitch.
    smallest_px : float
        Smallest usable height of the target for its detector, px of the
        picture that the detector gets, from the detector's own judging (for
        instance :func:`robotlab.design_sheet.usable_height_px`).
    settings : Settings
        Object, frame rate, delays, speeds, acceleration, motors, distance
        kept.
    name : str
        What the sheet calls it.
    assumed : Robot or None
        What was assumed of it before it was measured; set by :meth:`with_measured`.

    Raises
    ------
    InputError
        If a number is out of range.
    MotionError
        If `smallest_px` is not a positive number.

    Notes
    -----
    A field of view in the settings replaces the camera's, as it does in the
    loop.

    Examples
    --------
    >>> robot = Robot(Camera(320, 240, math.radians(62.2), 0.25), smallest_px=20)
    >>> round(robot.reaction_s, 3)
    1.09
    """

    camera: Camera
    smallest_px: float = required(
        low=0, open_low=True, repair="give the height in px from which the detector is usable"
    )
    settings: Settings = field(default_factory=Settings)
    name: str = "robot"
    assumed: Robot | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        s = self.settings
        for name, kind in (("camera", Camera), ("settings", Settings)):
            if not isinstance(getattr(self, name), kind):
                raise InputError(
                    f"{name} must be a {kind.__name__}, got {type(getattr(self, name)).__name__}; make one first"
                )
        super().__post_init__()
        if s.hfov_rad is not None:
            object.__setattr__(self, "camera", replace(self.camera, hfov_rad=s.hfov_rad))
            object.__setattr__(self, "settings", s.but(hfov_rad=None))
        if self.camera.height_m <= 0:
            raise InputError(f"the lens must be above the ground, got height_m {self.camera.height_m:g}; measure it")
        if s.max_accel_mps2 is None:
            raise InputError(
                "a design sheet needs an acceleration limit, got max_accel_mps2 None; give the one that the ramp keeps"
            )
        if s.detector_s > s.frame_s * (1 + 1e-9):
            raise InputError(
                f"the detector must keep up with the pictures, it takes {s.detector_s:g} s and they come every {s.frame_s:g} s; "
                f"set frame_hz to {1 / s.detector_s:.3g} or less"
            )
        if self.free_m <= 0:
            raise InputError(
                f"the distance kept must leave room before contact, following_distance_m {s.following_distance_m:g} does not beside radius_m {s.radius_m:g}; keep farther away"
            )

    def with_measured(self, **figures: float) -> Robot:
        """The same robot with measured figures in place of assumed ones.

        Parameters
        ----------
        **figures : float
            ``smallest_px``; ``hfov_rad``, ``height_m`` or ``pitch_rad`` of the
            camera; ``lag_s``, ``dead_band_mps`` or ``slip`` of the motors; or any
            number of :class:`robotlab.loop.Settings`, such as ``frame_hz``,
            ``delay_s`` and ``detector_s``.

        Returns
        -------
        Robot
            It knows what was assumed, so its sheet can say what changed.

        Raises
        ------
        InputError
            If a name is unknown or a number out of range.

        Examples
        --------
        >>> robot = Robot(Camera(320, 240, 1.0, 0.25), smallest_px=20)
        >>> robot.with_measured(frame_hz=8.0, lag_s=0.16).changes()
        {'lag_s': (0.1, 0.16), 'frame_hz': (10.0, 8.0)}
        """
        known = self._figures()
        unknown = [name for name in figures if name not in known]
        if unknown:
            raise InputError(
                f"measured figures must be among {', '.join(known)}, got {', '.join(unknown)}; check the spelling"
            )
        plain = {name: number(value, name) for name, value in figures.items()}
        parts: dict[str, dict[str, Any]] = {
            one: {name: plain[name] for name in names if name in plain} for one, names in _PARTS.items()
        }
        rest = {name: value for name, value in plain.items() if not any(name in part for part in parts.values())}
        settings = self.settings.but(motor=replace(self.settings.motor, **parts["motor"]), **rest)
        return replace(
            self,
            **parts["robot"],
            camera=replace(self.camera, **parts["camera"]),
            settings=settings,
            assumed=self.assumed or self,
        )

    def _figures(self) -> dict[str, float]:
        """All figures that can be measured, by name."""
        homes: dict[str, Any] = {"robot": self, "camera": self.camera, "motor": self.settings.motor}
        found = {name: getattr(homes[part], name) for part, names in _PARTS.items() for name in names}
        own = {name: value for name, value in vars(self.settings).items() if type(value) in (int, float)}
        return found | own

    def changes(self) -> dict[str, tuple[float, float]]:
        """What was measured otherwise than assumed.

        Returns
        -------
        dict of str to (float, float)
            Assumed and measured, by name; empty where nothing was measured.
        """
        if self.assumed is None:
            return {}
        before, now = self.assumed._figures(), self._figures()
        return {name: (before[name], now[name]) for name in now if before.get(name) != now[name] and name in before}

    @property
    def picture_px(self) -> tuple[int, int]:
        """Width and height of the picture that the detector gets, px."""
        return self.settings.detector_px or (self.camera.width_px, self.camera.height_px)

    @property
    def smallest_camera_px(self) -> float:
        """`smallest_px` in pixels of the camera's own picture."""
        return self.smallest_px * self.camera.height_px / self.picture_px[1]

    @property
    def top_mps(self) -> float:
        """Highest speed over the ground, m/s."""
        motor = self.settings.motor
        return motor.ground(min(self.settings.max_mps, motor.max_mps))

    @property
    def reaction_s(self) -> float:
        """Longest time that it drives on after its last good picture, s: all of :func:`robotlab.loop.stopping_times_s`."""
        return sum(stopping_times_s(self.settings).values())

    @property
    def free_m(self) -> float:
        """Way from the distance kept to contact with the target, m."""
        return free_distance_m(self.settings)


def predict_band(robot: Robot) -> tuple[float, float]:
    """Nearest and farthest usable distance, by formula.

    Parameters
    ----------
    robot : Robot
        Its facts.

    Returns
    -------
    near_m, far_m : float
        Along the ground to the middle of the target, m; no distance is usable
        when near exceeds far.

    Notes
    -----
    :func:`robotlab.camera.working_range` (pinhole, Hartley & Zisserman,
    chapter 6).  The front of a round target is half its width nearer than its
    middle, and it is the front that leaves the picture.

    Examples
    --------
    >>> robot = Robot(Camera(320, 240, math.radians(62.2), 0.25), smallest_px=20)
    >>> [round(value, 2) for value in predict_band(robot)]
    [0.59, 6.63]
    """
    s = robot.settings
    near, far = working_range(robot.camera, s.target_height_m, robot.smallest_camera_px, s.target_width_m)
    return near + s.target_width_m / 2, far


def predict_smallest_object_m(robot: Robot, distance_m: float) -> float:
    """Height of the smallest object that is usable at a distance, by formula.

    Parameters
    ----------
    robot : Robot
        Its facts.
    distance_m : float
        Along the ground, m.

    Returns
    -------
    float
        m; ``smallest_px * Z / f`` for a level camera, else
        :meth:`robotlab.camera.Camera.height_in_image_px` solved for the height.

    Examples
    --------
    >>> robot = Robot(Camera(320, 240, math.radians(62.2), 0.25), smallest_px=20)
    >>> round(predict_smallest_object_m(robot, 1.2), 4)
    0.0905
    """
    # A pitched camera can need more than a level one; it never needs 100 times as much.
    distance = number(distance_m, "distance_m", 0, open_low=True)
    most = 100 * robot.smallest_camera_px * distance / robot.camera.focal_px

    def excess_px(height_m: float) -> float:
        try:
            return robot.camera.height_in_image_px(distance, height_m) - robot.smallest_camera_px
        except InputError:  # So tall that it reaches behind the lens.
            return math.inf

    return float(bisect(excess_px, 1e-9 * most, most))


def predict_ultimate_gain(robot: Robot) -> float:
    """Ultimate gain of the steering loop, by formula.

    Parameters
    ----------
    robot : Robot
        Its facts.

    Returns
    -------
    float
        1/s; from it on the oscillation grows.  ``2 sin(pi / (2 (2 d + 1))) / frame_s`` for `d` whole frames of
        delay and motors without lag (Levin & May, Theoretical Population
        Biology 9:178-187, 1976); else the gain at which the largest
        eigenvalue of the same sampled loop reaches 1.  Wheels that slip turn
        less, so the command may be larger by what is lost.

    Examples
    --------
    >>> from robotlab.control import Motor
    >>> robot = Robot(Camera(320, 240, 1.0, 0.25), 20, Settings(delay_s=0.1, motor=Motor(lag_s=0)))
    >>> round(predict_ultimate_gain(robot), 6)
    10.0
    """
    grip = 1 - robot.settings.motor.slip
    return robot.settings.ultimate_gain / grip if grip else math.inf


def predict_stop_m(robot: Robot, speed_mps: float | None = None) -> float:
    """Stopping distance: way from the last good picture to rest, by formula.

    Parameters
    ----------
    robot : Robot
        Its facts.
    speed_mps : float, optional
        Speed over the ground; the top speed when left out.

    Returns
    -------
    float
        m: :func:`robotlab.loop.worst_stopping_distance_m`, less what the wheels slip.

    Examples
    --------
    >>> robot = Robot(Camera(320, 240, 1.0, 0.25), 20, Settings(max_mps=0.5, max_accel_mps2=1.0))
    >>> round(predict_stop_m(robot), 6)  # 0.5 * 1.09 + 0.125
    0.67
    """
    s = robot.settings
    grip = 1 - s.motor.slip
    speed = robot.top_mps if speed_mps is None else number(speed_mps, "speed_mps", 0)
    # The ramp shapes the wheels' speed; slip takes its fraction of every meter.
    return grip * worst_stopping_distance_m(s, speed / grip) if grip else 0.0


def predict_safe_speed(robot: Robot) -> float:
    """Largest speed whose stopping distance fits before contact, by formula.

    Parameters
    ----------
    robot : Robot
        Its facts.

    Returns
    -------
    float
        m/s over the ground; ``a (sqrt(t^2 + 2 D / a) - t)`` with the free way
        D and the reaction time t, when neither slip nor jerk is in it:
        :func:`robotlab.loop.safe_speed_mps`.

    Examples
    --------
    >>> robot = Robot(Camera(320, 240, 1.0, 0.25), 20, Settings(following_distance_m=1.2, max_accel_mps2=0.8))
    >>> speed = predict_safe_speed(robot)
    >>> round(speed, 3), round(predict_stop_m(robot, speed), 3), round(robot.free_m, 3)
    (0.646, 0.965, 0.965)
    """
    grip = 1 - robot.settings.motor.slip
    # On slipping wheels the same free way is longer, counted at their rims.
    return grip * safe_speed_mps(robot.settings, robot.free_m / grip) if grip else math.inf
