"""Limits of the settings: stopping distance, safe speed, safe gain.

One definition each, shared by lessons, design sheet and :func:`robotlab.loop.drive`:
the stopping distance (:func:`worst_stopping_distance_m`), the largest safe speed that follows
from it (:func:`safe_speed_mps`), and the largest safe gain
(:attr:`robotlab.loop.Settings.safe_gain`).  These are computed figures for a
flat, dry floor.  Measure on yours; software is not a safety function.
"""

from __future__ import annotations

from dataclasses import replace

from robotlab.camera import Camera
from robotlab.checks import number
from robotlab.control import stopping_distance_m
from robotlab.control.load import grip_limit_mps2
from robotlab.control.stability import GAIN_MARGIN, ultimate_gain
from robotlab.errors import MotionError
from robotlab.loop.settings import Settings

# Whatever the distance allows, nothing holds a command or stays unnoticed for
# longer on a robot; a ramp steps at least so often, and sends at least so many
# commands within the board's time-out (common practice, no source).
_MOST_HOLD_S, _MOST_SILENCE_S, _LEAST_RAMP_HZ, _LEAST_COMMANDS = 1.0, 5.0, 20.0, 3
# One who steps up to a trolley that stands must not be met by one that starts again (common practice, no source).
_MOST_LOST_S = 30.0
# Rubber on a dry floor, all weight on the driven wheels: order of magnitude, from memory.
_MOST_ACCEL_MPS2 = grip_limit_mps2(0.6)
# Halvings that bring a bracket of any size down to the last bits.
_HALVINGS = 60


def stopping_times_s(settings: Settings) -> dict[str, float]:
    """Times in which a trolley drives on before its stop ramp begins, at worst.

    Parameters
    ----------
    settings : Settings
        All the numbers.

    Returns
    -------
    dict of str to float
        Name of each time, s, in the order in which they pass: latency of the
        last good picture; the longer of watchdog time-out and hold last
        command; two steps of the ramp's thread; the board's command time-out,
        for a computer that hangs just before it would have braked; motor lag.

    Examples
    --------
    >>> round(sum(stopping_times_s(Settings()).values()), 2)
    1.09
    """
    s = settings
    hold_s = s.frame_s + s.hold_s
    patience = {"one frame + hold last command": hold_s} if hold_s > s.silence_s else {"watchdog time-out": s.silence_s}
    return {
        "latency of the last good picture": s.latency_s,
        **patience,
        "two steps of the ramp": 2 / s.ramp_hz,
        "command time-out of the board": s.link_timeout_s,
        "motor lag": s.motor.lag_s,
    }


def worst_stopping_distance_m(settings: Settings, speed_mps: float | None = None) -> float:
    """Stopping distance: the longest way from the last good picture to rest.

    Parameters
    ----------
    settings : Settings
        All the numbers.
    speed_mps : float, optional
        Speed of the wheels; the top speed when left out.

    Returns
    -------
    float
        ``v t + v^2 / (2 a)``, m, with all of :func:`stopping_times_s` in t.  A
        jerk limit makes the ramp longer when the target is lost, but not after
        a fault: then the motor board brakes, without it.

    Notes
    -----
    The form is that of a safety distance, speed times the sum of reaction and
    stopping time (ISO 13855, from memory); uniform deceleration from
    L. Biagiotti, C. Melchiorri, *Trajectory Planning for Automatic Machines
    and Robots*, 2008, chapter 3.

    Examples
    --------
    >>> round(worst_stopping_distance_m(Settings(max_mps=0.5, max_accel_mps2=1.0)), 3)  # 0.5 * 1.09 + 0.125
    0.67
    """
    s = settings
    speed = _top_mps(s) if speed_mps is None else number(speed_mps, "speed_mps", 0)
    # Without a limit the wheels stop as fast as the motors can.
    accel = s.max_accel_mps2 if s.max_accel_mps2 is not None else 1e9
    wait_s = s.latency_s + 2 / s.ramp_hz + s.link_timeout_s + s.motor.lag_s
    lost = stopping_distance_m(speed, accel, wait_s + s.frame_s + s.hold_s, max_jerk_mps3=s.max_jerk_mps3)
    silent = stopping_distance_m(speed, accel, wait_s + s.silence_s)
    return max(lost, silent)


def _top_mps(s: Settings) -> float:
    """The highest speed, forward or backward."""
    return min(max(s.max_mps, s.max_reverse_mps), s.motor.max_mps)


def free_distance_m(settings: Settings) -> float:
    """Way from the distance kept to contact with the target.

    Parameters
    ----------
    settings : Settings
        All the numbers.

    Returns
    -------
    float
        ``following_distance_m - radius_m - target_width_m / 2``, m.

    Examples
    --------
    >>> round(free_distance_m(Settings()), 3)
    0.965
    """
    return settings.following_distance_m - settings.radius_m - settings.target_width_m / 2


def safe_speed_mps(settings: Settings, clear_m: float | None = None) -> float:
    """Largest speed whose stopping distance fits into what is free.

    Parameters
    ----------
    settings : Settings
        All the numbers; `max_mps` is not used.
    clear_m : float, optional
        Way that is free; :func:`free_distance_m` when left out.

    Returns
    -------
    float
        m/s; 0 if there is no free way.

    Examples
    --------
    >>> speed = safe_speed_mps(Settings())
    >>> round(speed, 3), round(worst_stopping_distance_m(Settings(), speed), 3)
    (0.646, 0.965)
    """
    free, low, high = free_distance_m(settings) if clear_m is None else number(clear_m, "clear_m", 0), 0.0, 1.0
    if free <= 0:
        return 0.0
    while worst_stopping_distance_m(settings, high) < free:
        low, high = high, 2 * high
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if worst_stopping_distance_m(settings, middle) > free else (middle, high)
    return low


def check_real_limits(settings: Settings, camera: Camera) -> None:
    """Refuse settings with which a real robot would oscillate or stop too late.

    Parameters
    ----------
    settings : Settings
        All the numbers.
    camera : Camera
        The robot's camera.

    Raises
    ------
    MotionError
        If there is no acceleration limit or the wheels would slip; a gain is
        or the derivative gain is above the largest safe one; the ramp steps too
        seldom; the stopping distance, forward or backward, is longer than the
        free way; the last command is held, or a silence or the search allowed, for too long;
        or the search turns faster than the limit, or so fast that the target
        is out of the picture again before the robot can react.  The message
        says what is allowed.

    Examples
    --------
    >>> from robotlab.loop import default_camera
    >>> check_real_limits(Settings(), default_camera())
    >>> check_real_limits(Settings(turn_gain=9.0), default_camera())
    Traceback (most recent call last):
    robotlab.errors.MotionError: turn_gain must be at most 4.02 1/s on a real robot (ultimate gain 8.05 1/s ...
    """
    s = settings
    if s.hfov_rad is not None:
        camera = replace(camera, hfov_rad=s.hfov_rad)
    if s.max_accel_mps2 is None:
        raise MotionError(
            "a real robot needs an acceleration limit, got max_accel_mps2 None; give one, 0.5 m/s^2 to start with"
        )
    if s.max_accel_mps2 > _MOST_ACCEL_MPS2:
        raise MotionError(
            f"max_accel_mps2 must be at most {_MOST_ACCEL_MPS2:.1f} m/s^2, above which rubber slips on a dry floor, "
            f"got {s.max_accel_mps2:g}; 0.5 to start with"
        )
    # A turn speeds up each wheel by half the track times its own rate.
    rim = (s.max_yaw_accel_radps2 or 0.0) * s.drive.track_m / 2
    if s.max_accel_mps2 + rim > _MOST_ACCEL_MPS2:
        most = (_MOST_ACCEL_MPS2 - s.max_accel_mps2) / (s.drive.track_m / 2)
        raise MotionError(
            f"max_yaw_accel_radps2 must be at most {most:.3g} rad/s^2 with this track and max_accel_mps2 (above it rubber slips on a dry floor), "
            f"got {s.max_yaw_accel_radps2:g}; 6 to start with"
        )
    if s.law == "pd" and s.derivative_gain > 1 / GAIN_MARGIN:
        raise MotionError(
            f"derivative_gain must be at most {1 / GAIN_MARGIN:g} on a real robot (each change of the bearing comes back times this gain, so from 1 on it grows; "
            f"gain margin {GAIN_MARGIN:g}), got {s.derivative_gain:g}; 0.1 to start with"
        )
    check_gains(s)
    least_hz = max(_LEAST_RAMP_HZ, _LEAST_COMMANDS / s.link_timeout_s)
    if s.ramp_hz < least_hz:
        raise MotionError(
            f"ramp_hz must be at least {least_hz:.3g} Hz on a real robot ({_LEAST_COMMANDS} commands within the board's time-out "
            f"of {s.link_timeout_s:g} s, and no jerks), got {s.ramp_hz:g}; 50 is usual"
        )
    _check_stop(s)
    if s.search_s > 0:
        if s.search_radps > s.max_yaw_radps:
            raise MotionError(
                f"search_radps must be at most max_yaw_radps, {s.max_yaw_radps:g} rad/s, got {s.search_radps:g}; turn more slowly"
            )
        # A step of the search is over before the robot can react to what it has seen.
        most = camera.hfov_rad / 2 / (s.frame_s + s.latency_s)
        if s.search_radps > most:
            raise MotionError(
                f"search_radps must be at most {most:.2f} rad/s (half the field of view within one frame and the latency), "
                f"got {s.search_radps:g}; turn more slowly, or do without: search_s=0"
            )


def check_hold_to_run(settings: Settings, timeout_s: float) -> None:
    """Refuse a hold-to-run control whose time-out is too long for the stopping distance.

    Parameters
    ----------
    settings : Settings
        All the numbers.
    timeout_s : float
        Longest silence of the control.

    Raises
    ------
    MotionError
        If the distance from the last sign of the control to rest is longer than :func:`worst_stopping_distance_m`.

    Examples
    --------
    >>> check_hold_to_run(Settings(), 0.4)
    >>> check_hold_to_run(Settings(), 2.0)
    Traceback (most recent call last):
    robotlab.errors.MotionError: the silence of a control to be held must be at most ...
    """
    s, top = settings, _top_mps(settings)
    rest_s = 2 / s.ramp_hz + s.motor.lag_s
    accel = s.max_accel_mps2 if s.max_accel_mps2 is not None else 1e9
    brake_m = stopping_distance_m(top, accel, rest_s, max_jerk_mps3=s.max_jerk_mps3)
    most_s = (worst_stopping_distance_m(s) - brake_m) / top
    if timeout_s > most_s:
        raise MotionError(
            f"the silence of a control to be held must be at most {most_s:.2f} s, for the stopping distance of {worst_stopping_distance_m(s):.2f} m to hold, "
            f"got {timeout_s:g}; shorten it"
        )


def check_gains(settings: Settings, measured_s: float | None = None) -> None:
    """Refuse a steering gain above the largest safe one.

    Parameters
    ----------
    settings : Settings
        All the numbers.
    measured_s : float, optional
        Measured time between two pictures; one frame of the settings when left out.

    Raises
    ------
    MotionError
        If the turn or the drive gain is too high; the message says what is allowed.

    Examples
    --------
    >>> check_gains(Settings())
    >>> check_gains(Settings(), measured_s=1.0)
    Traceback (most recent call last):
    robotlab.errors.MotionError: turn_gain must be at most ...
    """
    s = settings
    frame_s = s.frame_s if measured_s is None else measured_s
    ultimate = ultimate_gain(frame_s, s.latency_s, s.motor.lag_s)
    rate = "pictures per second" if measured_s is None else f"pictures per second measured instead of {s.frame_hz:g},"
    for name in ("turn_gain", "drive_gain"):
        if getattr(s, name) > ultimate / GAIN_MARGIN:
            raise MotionError(
                f"{name} must be at most {ultimate / GAIN_MARGIN:.2f} 1/s on a real robot (ultimate gain {ultimate:.2f} 1/s at {1 / frame_s:.3g} {rate} "
                f"and {s.latency_s:.2f} s of latency, gain margin {GAIN_MARGIN:g}), got {getattr(s, name):g}; lower it, or shorten the latency"
            )


def _check_stop(s: Settings) -> None:
    """Refuse a stopping distance longer than the free way, and times that no distance justifies."""
    free, need, top = free_distance_m(s), worst_stopping_distance_m(s), _top_mps(s)
    if free <= 0:
        raise MotionError(
            f"following_distance_m must leave a way before contact, got {s.following_distance_m:g} m with radius_m {s.radius_m:g}; keep farther away"
        )
    if need > free:
        times = stopping_times_s(s)
        longest = max(times, key=lambda name: times[name])
        room_s = times[longest] - (need - free) / top
        shorten = f", or {longest} at most {room_s:.2f} s" if room_s > 0 else ""
        raise MotionError(
            f"the stopping distance must be at most the free way of {free:.2f} m (following_distance_m less radius_m less half the target) on a real robot, "
            f"got {need:.2f} m: at {top:g} m/s, {longest} {times[longest]:.2f} s; allowed: max_mps and max_reverse_mps at most {safe_speed_mps(s):.2f} m/s{shorten}"
        )
    for name, value, most in (
        ("hold_s (hold last command)", s.hold_s, _MOST_HOLD_S),
        ("the watchdog time-out (watchdog_s)", s.silence_s, _MOST_SILENCE_S),
        ("link_timeout_s", s.link_timeout_s, _MOST_SILENCE_S),
        ("slow_s + search_s (after which a robot without target stays stopped)", s.slow_s + s.search_s, _MOST_LOST_S),
    ):
        if value > most:
            raise MotionError(f"{name} must be at most {most:g} s on a real robot, got {value:g}; shorten it")
