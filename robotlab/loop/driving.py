"""The loop on a real trolley: perceive -> decide -> act.

Before it runs for the first time: wheels off the ground, a hand on the power
switch, slow limits, and :func:`robotlab.control.sign_check` passed.  Then a
clear floor, people and pets out of reach.  A stop in software is not a safety
function (IEC 60204-1, ISO 13850).  A plain switch that cuts the power is not
a certified one either, but it works when the program hangs.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from robotlab.camera import Camera
from robotlab.checks import error_message, number
from robotlab.control import MotorLink, RampThread
from robotlab.control.jitter import Jitter
from robotlab.control.safety import steady_s
from robotlab.detections import Detections, Detector, as_detector
from robotlab.errors import MotionError
from robotlab.loop.camera_thread import CameraThread
from robotlab.loop.decide import Follower, VelocityCommand
from robotlab.loop.limits import check_hold_to_run, check_real_limits
from robotlab.loop.log import RunLog
from robotlab.loop.records import observation_record, start_record
from robotlab.loop.settings import Settings
from robotlab.loop.viewers import HoldToRun, Viewer, ViewerFrame

# As every reason of a fault, it is followed by what to do.
HUNG = "show() must return, it has hung for longer than any part may be silent"


@dataclass(frozen=True)
class DriveReport:
    """Outcome of a drive.

    Attributes
    ----------
    pictures : int
        Pictures taken in.
    observations : int
        Pictures in which the target was believed.
    state : str
        Last state; ``"fault"`` when the watchdog or an error ended it.
    reason : str
        Why it ended.
    jitter : Jitter or None
        How steady the ramp was.
    halt_confirmed : bool
        The board has confirmed the last HALT; else `reason` says so, and the
        power is to be cut.
    log : Path or None
        Where the log is; an older one of the same name was left alone.
    children : int
        Processes that the camera or the detector had started in the drive, and
        that were ended with it.
    """

    pictures: int
    observations: int
    state: str
    reason: str
    jitter: Jitter | None
    halt_confirmed: bool = True
    log: Path | None = None
    children: int = 0


def drive(
    detector: Detector | Callable[[np.ndarray], Detections],
    take: Callable[[], np.ndarray | tuple[np.ndarray, float]],
    camera: Camera,
    settings: Settings,
    link: MotorLink,
    duration_s: float,
    *,
    log: str | os.PathLike | None = None,
    clock: Callable[[], float] = time.monotonic,
    lifted: bool = False,
    show: Callable[[ViewerFrame], object] | None = None,
    hold: HoldToRun | None = None,
) -> DriveReport:
    """Follow with a real camera and real motors, for a limited time.

    Parameters
    ----------
    detector : Detector or callable
        Finds the target.
    take : callable
        Waits for the next picture and returns it, (H, W, 3) uint8; better
        ``(picture, time)``, the middle of its exposure on `clock`: a driver
        that hands out old pictures shows in nothing else.
    camera : Camera
        Field of view and size of the pictures.
    settings : Settings
        All the numbers; `delay_s` is how old a picture is when `take`
        returns it.
    link : MotorLink
        The motors; it can have one drive at a time.
    duration_s : float
        Stop after this long.
    log : path-like, optional
        Also write what was seen and commanded; :meth:`robotlab.loop.Run.load`
        reads it.  An older log is never overwritten.
    clock : callable
        Monotonic time, s.
    lifted : bool
        The wheels are off the ground: that the view stays is not a fault.
    show : callable, optional
        Called with each :class:`~robotlab.loop.viewers.ViewerFrame` in a thread of its own; one that is slow gets the
        newest and misses others.  Whatever it raises ends the drive, and so does one that hangs.
    hold : HoldToRun, optional
        A control that a person must hold: without it nothing moves.  Let go, the
        robot ramps down and stands; pressed anew, it first looks for the target again.

    Returns
    -------
    DriveReport
        How it went; the motors have been stopped.

    Raises
    ------
    MotionError
        If the settings have no acceleration limit or the feed-forward law,
        which needs odometry; the clock gives no number; or the link is being
        driven already.
    PictureError
        If `take` returns something else than pictures of the camera's size.
    InputError
        If the log cannot be written, or is a pipe that nobody reads.

    Notes
    -----
    `take` and the detector run in a thread of their own, and so does the ramp,
    which asks :class:`robotlab.control.Supervisor` what may be sent: its page
    says what stops the trolley.  After a fault nothing but HALT is sent, also
    by threads that hung and come back; only another call drives again.  A
    picture counts as none if its time is older than the last one's, in the
    future or too old, or if it has been seen before (all but a few pixels).
    A turn that the view does not follow is a fault of the motors, and pictures
    so much rarer than `frame_hz` says that a gain is too high for them is one
    of the camera.

    Whatever happens, the motors are stopped: also by an error in `take` or the
    detector, which is then raised here, by Ctrl-C, and by a polite kill
    (SIGTERM, or SIGHUP when the terminal closes) where the call runs in the
    main thread.  Not by ``kill -9``, nor while a detector holds up every thread
    of the program: then the board's own time-out is the last guard.  Processes
    that `take` or the detector start meanwhile are ended with the drive (Linux;
    those that have lost their parent only where the call runs in the main thread).

    Examples
    --------
    >>> from robotlab.control import SimulatedLink
    >>> rng = np.random.default_rng(0)
    >>> take = lambda: (time.sleep(0.02), rng.integers(0, 255, (48, 64, 3), np.uint8))[1]
    >>> see = lambda picture: Detections([[30, 10, 34, 40]], [0.9], [0], ["post"])
    >>> camera = Camera(64, 48, 1.0, height_m=0.25)
    >>> drive(see, take, camera, Settings(frame_hz=50, delay_s=0.0), SimulatedLink(), 0.3).reason
    'the time was over'
    """
    detector = as_detector(detector)
    duration_s = number(duration_s, "duration_s", 0, open_low=True)
    if settings.max_accel_mps2 is None:
        raise MotionError(
            "a real trolley needs an acceleration limit, got max_accel_mps2 None; give one, 0.5 m/s^2 to start with"
        )
    check_real_limits(settings, camera)
    if hold is not None:
        check_hold_to_run(settings, hold.timeout_s)
    if settings.law == "feed_forward":
        raise MotionError(
            "feed-forward needs to know how far the trolley has turned, and a motor link does not tell; use law='p' or 'pd'"
        )
    if settings.hfov_rad is not None:
        camera = replace(camera, hfov_rad=settings.hfov_rad)

    follower = Follower(camera, settings, steady_s())
    pictures = observations = 0
    state, reason = "wait", "the time was over"
    with ExitStack() as stack:
        file = stack.enter_context(RunLog(log, sync_s=1.0)) if log is not None else None
        write = file.write if file is not None else lambda record: None
        write(start_record(detector, camera, settings, real=True))
        stack.enter_context(_polite_kills_unwind())
        # A command that is not renewed is a lost target: hold the last one as long as the follower does.
        patience = settings.latency_s + settings.frame_s + settings.hold_s
        ramp = RampThread(
            link,
            settings.drive,
            max_mps=settings.motor.max_mps,
            rate_hz=settings.ramp_hz,
            command_hold_s=patience,
            **settings.supervision() | {"max_yaw_accel_radps2": settings.max_yaw_accel_radps2 or 6.0},
            clock=clock,
            hold_to_run_s=None if hold is None else hold.timeout_s,
        )
        begin, held = steady_s(), hold is None

        def event(what: str, text: str) -> None:
            write({"kind": "event", "t": round(steady_s() - begin, 4), "what": what, "text": text})

        def note_error(kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
            # The log says why; that the file cannot be written must not hide the error.
            if kind is not None:
                with suppress(OSError, ValueError):
                    event("fault", f"{kind.__name__}: {error_message(error)}")

        # What is put on the stack first comes last: a disk that stalls must not keep the motors running.
        stack.push(note_error)
        viewer = stack.enter_context(Viewer(show)) if show is not None else None
        camera_thread = stack.enter_context(CameraThread(detector, take, camera, settings, ramp, lifted))
        stack.enter_context(ramp)
        if hold is not None:
            hold.begin(ramp.tell)
        while steady_s() - begin < duration_s and ramp.silent_s() <= settings.silence_s:
            if ramp.error is not None:
                break
            news = camera_thread.next(1 / settings.ramp_hz)
            if hold is not None and held != (held := ramp.held):
                event("held" if held else "let go", "the control that is to be held")
                follower.reset(steady_s())
            observation = None
            if news is not None:
                found, taken_s, picture = news
                observation = follower.observe(found, taken_s)
                if file is not None:
                    write({"kind": "picture", "i": pictures, "t": round(taken_s - begin, 4)})
                    write(observation_record(pictures, steady_s() - begin, found, observation))
            at = steady_s()
            velocity = follower.velocity(at) if held else VelocityCommand(0.0, 0.0, "wait")
            state = velocity.state
            if viewer is not None and viewer.hung_s() > settings.silence_s:
                ramp.tell(lambda stop, *_: stop.fail(HUNG))
            if news is not None:
                if viewer is not None:
                    viewer.look(ViewerFrame(pictures, picture, found, observation, velocity, taken_s, at))
                pictures += 1
                observations += observation is not None
            wanted = {"v": float(velocity.v_mps), "yaw": float(velocity.yaw_radps), "state": state}
            write({"kind": "command", "t": round(at - begin, 4)} | wanted)
            try:
                ramp.command(velocity.v_mps, settings.steering_sign * velocity.yaw_radps)
            except MotionError:
                # The thread has ended since the loop looked: it has stopped the motors, and says why.
                break
        ramp.close()
        if ramp.clock_error is not None:
            raise ramp.clock_error
        children = camera_thread.close()
        if ramp.error is not None:
            state, reason = "fault", error_message(ramp.error)
            reason += camera_thread.remark() if reason.startswith("camera") else ""
        elif hold is not None and hold.ended:
            state, reason = "stop", hold.ended
            event("stop", reason)
        if ramp.halt_error is not None:
            state, reason = "fault", reason if ramp.halt_error is ramp.error else f"{reason}; {ramp.halt_error}"
        if children:
            reason += f"; {children} processes of the camera or the detector were ended"
        if state == "fault" or children:
            event("fault", reason)
        write({"kind": "end", "t": round(steady_s() - begin, 4)})
    jitter, confirmed = ramp.jitter() if ramp.steps else None, ramp.halt_error is None
    path = file.path if file is not None else None
    return DriveReport(pictures, observations, state, reason, jitter, confirmed, path, children)


@contextmanager
def _polite_kills_unwind() -> Iterator[None]:
    """SIGTERM and SIGHUP end the program as Ctrl-C does, so that the motors are stopped on the way out; none cuts that short."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    plain = {"SIGTERM": signal.SIG_DFL, "SIGHUP": signal.SIG_DFL, "SIGINT": signal.default_int_handler}
    # Whoever has a handler of his own for a signal keeps it.
    ours = {
        kind: old
        for name, old in plain.items()
        if (kind := getattr(signal, name, None)) and signal.getsignal(kind) == old
    }

    def leave(kind: int, _: object) -> None:
        for each in ours:
            signal.signal(each, signal.SIG_IGN)
        raise KeyboardInterrupt if kind == signal.SIGINT else SystemExit(128 + kind)

    try:
        for kind in ours:
            signal.signal(kind, leave)
        yield
    finally:
        for kind, old in ours.items():
            signal.signal(kind, old)
