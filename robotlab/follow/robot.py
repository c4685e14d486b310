"""The loop on a real trolley: perceive -> decide -> act.

Before it runs for the first time: wheels off the ground, a hand on the power
switch, slow limits, and :func:`robotlab.motion.sign_check` passed.  Then a
clear floor, people and pets out of reach.  A stop in software is not a safety
function (IEC 60204-1, ISO 13850); the switch that cuts the power is.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import asdict, dataclass

import numpy as np

from robotlab.camera import Camera
from robotlab.errors import MotionError
from robotlab.follow.decide import Follower
from robotlab.follow.log import LOG_VERSION, RunLog
from robotlab.follow.settings import Settings
from robotlab.motion import Jitter, MotorLink, RampThread, Watchdog
from robotlab.motion.checks import number
from robotlab.picture import check_picture, resize
from robotlab.trackers import Detections, Tracker, as_tracker


@dataclass(frozen=True)
class DriveReport:
    """What a drive came to.

    Attributes
    ----------
    pictures : int
        Pictures taken in.
    sights : int
        Pictures in which the target was believed.
    state : str
        Last state; ``"fault"`` when the watchdog or an error ended it.
    reason : str
        Why it ended.
    jitter : Jitter or None
        How steady the ramp was.
    """

    pictures: int
    sights: int
    state: str
    reason: str
    jitter: Jitter | None


def drive(
    take: Callable[[], np.ndarray],
    tracker: Tracker | Callable[[np.ndarray], Detections],
    camera: Camera,
    settings: Settings,
    link: MotorLink,
    seconds: float,
    *,
    log: str | os.PathLike | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> DriveReport:
    """Follow with a real camera and real motors, for a limited time.

    Parameters
    ----------
    take : callable
        Waits for the next picture and returns it, (H, W, 3) uint8.
    tracker : Tracker or callable
        Finds the target.
    camera : Camera
        Field of view and size of the pictures.
    settings : Settings
        All the numbers; `delay_s` is how old a picture is when `take`
        returns it.
    link : MotorLink
        The motors.
    seconds : float
        Stop after this long.
    log : path-like, optional
        Also write what was seen and wished.
    clock : callable
        Monotonic time, s.

    Returns
    -------
    DriveReport
        How it went; the motors have been stopped.

    Raises
    ------
    MotionError
        If the settings have no acceleration limit, or a picture has not the
        camera's size.
    PictureError
        If `take` returns something else than pictures.

    Notes
    -----
    The ramp runs in a thread of its own and looks at the watchdog there: when
    `take` or the tracker hangs, the trolley still ramps down and stops.  The
    same picture twice is no sign of life.  Whatever happens, also an error in
    the tracker, the motors are ramped down and stopped.

    Examples
    --------
    >>> from robotlab.motion import SimulatedLink
    >>> rng = np.random.default_rng(0)
    >>> take = lambda: (time.sleep(0.02), rng.integers(0, 255, (48, 64, 3), np.uint8))[1]
    >>> see = lambda picture: Detections([[30, 10, 34, 40]], [0.9], [0], ["post"])
    >>> camera = Camera(64, 48, 1.0, height_m=0.25)
    >>> drive(take, see, camera, Settings(frame_hz=50, delay_s=0.0), SimulatedLink(), 0.3).reason
    'the time was over'
    """
    tracker = as_tracker(tracker)
    seconds = number(seconds, "seconds", 0, open_low=True)
    if settings.max_accel is None:
        raise MotionError("a real trolley needs an acceleration limit, got max_accel None; give one, 0.5 m/s^2 to start with")
    limits = dict.fromkeys(("camera", "tracker", "link"), settings.silence_s)
    dog = Watchdog(limits, max_gap_s=settings.silence_s, clock=clock)
    follower = Follower(camera, settings, clock())
    pictures = sights = 0
    state, reason, last = "wait", "the time was over", None
    with ExitStack() as stack:
        file = stack.enter_context(RunLog(log, sync_s=1.0)) if log is not None else None
        if file is not None:
            file.write({"kind": "start", "version": LOG_VERSION, "camera": asdict(camera), "settings": asdict(settings), "real": True})
        # A wish that is not renewed is a lost target: keep it as long as one coasts.
        patience = settings.delay_s + settings.tracker_s + settings.frame_s + settings.coast_s
        ramp = stack.enter_context(
            RampThread(link, settings.drive, max_accel=settings.max_accel, max_yaw_accel=settings.max_yaw_accel or 6.0, max_mps=settings.motor.max_mps,
                       max_jerk=settings.max_jerk, rate_hz=settings.ramp_hz, command_s=patience, watchdog=dog)
        )  # fmt: skip
        begin = clock()
        while clock() - begin < seconds and ramp.error is None:
            picture = _checked(take(), camera)
            now = clock()
            if last is None or not np.array_equal(picture, last):
                dog.feed("camera")
                pictures, last = pictures + 1, picture
                sight = follower.see(_find(tracker, picture, camera, settings), now - settings.delay_s)
                dog.feed("tracker")
                sights += sight is not None
            wish = follower.wish(clock())
            state = wish.state
            if file is not None:
                file.write({"kind": "wish", "t": round(now - begin, 4), "v": wish.v_mps, "yaw": wish.yaw_radps, "state": state})
            try:
                ramp.want(wish.v_mps, settings.steering_sign * wish.yaw_radps)
            except MotionError:
                # The thread has ended since the loop looked: it has stopped the motors, and says why.
                break
        if ramp.error is not None:
            state, reason = "fault", str(ramp.error)
    jitter = ramp.jitter() if ramp.steps else None
    return DriveReport(pictures, sights, state, reason, jitter)


def _checked(picture: np.ndarray, camera: Camera) -> np.ndarray:
    check_picture(picture, "the picture that take() returned")
    if picture.shape[:2] != (camera.height_px, camera.width_px):
        raise MotionError(
            f"pictures must have the camera's size {camera.width_px}x{camera.height_px} px, got {picture.shape[1]}x{picture.shape[0]}; "
            "give Camera the size of the pictures"
        )
    return picture


def _find(tracker: Tracker, picture: np.ndarray, camera: Camera, settings: Settings) -> Detections:
    if settings.tracker_px is None:
        return tracker.find(picture)
    found = tracker.find(resize(picture, settings.tracker_px))
    scale = np.array([camera.width_px / settings.tracker_px[0], camera.height_px / settings.tracker_px[1]] * 2)
    return Detections(found.boxes * scale, found.scores, found.labels, found.classes)
