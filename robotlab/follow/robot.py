"""The loop on a real trolley: perceive -> decide -> act.

Before it runs for the first time: wheels off the ground, a hand on the power
switch, slow limits, and :func:`robotlab.motion.sign_check` passed.  Then a
clear floor, people and pets out of reach.  A stop in software is not a safety
function (IEC 60204-1, ISO 13850).  A plain switch that cuts the power is no
certified one either, but it works when the program hangs.
"""

from __future__ import annotations

import os
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, replace

import numpy as np

from robotlab.camera import Camera
from robotlab.errors import MotionError
from robotlab.follow.decide import Follower, Sight
from robotlab.follow.limits import check_real_limits
from robotlab.follow.log import LOG_VERSION, RunLog
from robotlab.follow.look import check_size, in_camera_px, show
from robotlab.follow.settings import Settings
from robotlab.motion import Jitter, MotorLink, RampThread, Watchdog
from robotlab.motion.checks import number
from robotlab.picture import resize
from robotlab.trackers import Detections, Tracker, as_tracker


# Waiting longer for a camera at the end helps nobody.
_PATIENCE_S = 1.0


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
        Also write what was seen and wished; :meth:`robotlab.follow.Run.load`
        reads it.
    clock : callable
        Monotonic time, s.

    Returns
    -------
    DriveReport
        How it went; the motors have been stopped.

    Raises
    ------
    MotionError
        If the settings have no acceleration limit or the feed-forward law,
        which needs odometry; or the clock gives no number.
    PictureError
        If `take` returns something else than pictures of the camera's size.

    Notes
    -----
    `take` and the tracker run in a thread of their own, and so does the ramp,
    which looks at the watchdog: when one of them hangs, the trolley ramps
    down and stops, and the call returns.  The same picture twice is no sign of
    life.  Whatever happens, the motors are ramped down and stopped: also by an
    error in `take` or the tracker, which is then raised here, by Ctrl-C, and
    by a polite kill (SIGTERM, or SIGHUP when the terminal closes) where the
    call runs in the main thread.  Not by ``kill -9``, nor while a tracker
    holds up every thread of the program: then the board's own time-out is the
    last guard.

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
    check_real_limits(settings, camera)
    if settings.law == "feed_forward":
        raise MotionError("feed-forward needs to know how far the trolley has turned, and a motor link does not tell; use law='p' or 'pd'")
    if settings.hfov_rad is not None:
        camera = replace(camera, hfov_rad=settings.hfov_rad)

    def now() -> float:
        return number(clock(), "the clock's time", repair="pass a clock that gives seconds, such as time.monotonic")

    limits = dict.fromkeys(("camera", "tracker", "link"), settings.silence_s)
    follower = Follower(camera, settings, now())
    pictures = sights = 0
    state, reason = "wait", "the time was over"
    with ExitStack() as stack:
        file = stack.enter_context(RunLog(log, sync_s=1.0)) if log is not None else None
        write = file.write if file is not None else lambda record: None
        write({
            "kind": "start", "version": LOG_VERSION, "real": True, "tracker": type(tracker).__name__, "camera": asdict(camera),
            "settings": asdict(settings),
        })  # fmt: skip
        stack.enter_context(_polite_kills_unwind())
        dog = Watchdog(limits, max_gap_s=settings.silence_s, clock=clock, steady=time.monotonic)
        eyes = stack.enter_context(_Eyes(take, tracker, camera, settings, dog, now))
        # A wish that is not renewed is a lost target: keep it as long as one coasts.
        patience = settings.delay_s + settings.tracker_s + settings.frame_s + settings.coast_s
        ramp = stack.enter_context(
            RampThread(link, settings.drive, max_accel=settings.max_accel, max_yaw_accel=settings.max_yaw_accel or 6.0, max_mps=settings.motor.max_mps,
                       max_jerk=settings.max_jerk, rate_hz=settings.ramp_hz, command_s=patience, watchdog=dog)
        )  # fmt: skip
        begin, begun = now(), time.monotonic()

        def note(text: str) -> None:
            # By the second clock: the first may be what is at fault.
            write({"kind": "event", "t": round(time.monotonic() - begun, 4), "what": "fault", "text": text})

        try:
            while now() - begin < seconds and ramp.error is None and ramp.silent_s() <= settings.silence_s:
                news = eyes.next(1 / settings.ramp_hz)
                if news is not None:
                    sight = follower.see(*news)
                    for record in _seen(pictures, *news, sight, now(), begin):
                        write(record)
                    pictures += 1
                    sights += sight is not None
                wish = follower.wish(now())
                state = wish.state
                write({"kind": "wish", "t": round(now() - begin, 4), "v": float(wish.v_mps), "yaw": float(wish.yaw_radps), "state": state})
                try:
                    ramp.want(wish.v_mps, settings.steering_sign * wish.yaw_radps)
                except MotionError:
                    # The thread has ended since the loop looked: it has stopped the motors, and says why.
                    break
        except BaseException as error:
            # The log says why; that the file cannot be written must not hide the error.
            with suppress(OSError, ValueError):
                note(f"{type(error).__name__}: {error}")
            raise
        ramp.close()
        if ramp.error is not None:
            state, reason = "fault", f"{ramp.error}{eyes.remark()}"
            note(reason)
        write({"kind": "end", "t": round(time.monotonic() - begun, 4)})
    jitter = ramp.jitter() if ramp.steps else None
    return DriveReport(pictures, sights, state, reason, jitter)


def _seen(index: int, found: Detections, taken_s: float, sight: Sight | None, now_s: float, begin_s: float) -> list[dict]:
    """The records of one picture, in the form of a simulated run's; what is really there nobody knows."""
    rows = [[*(round(float(edge), 3) for edge in box), round(float(score), 4), int(label)]
            for box, score, label in zip(found.boxes, found.scores, found.labels, strict=True)]  # fmt: skip
    record = {"kind": "sight", "i": index, "t": round(now_s - begin_s, 4), "found": rows, "classes": list(found.classes), "box": None}
    if sight is not None:
        record.update(box=[round(float(edge), 3) for edge in sight.box], score=round(sight.score, 4), bearing=round(sight.bearing_rad, 6),
                      distance=round(sight.distance_m, 4))  # fmt: skip
    return [{"kind": "picture", "i": index, "t": round(taken_s - begin_s, 4)}, record]


class _Eyes:
    """Takes pictures and shows them to the tracker, in a thread of its own."""

    def __init__(self, take, tracker, camera, settings, dog, now) -> None:
        self._take, self._tracker, self._camera, self._settings = take, tracker, camera, settings
        self._dog, self._now = dog, now
        self._news: queue.SimpleQueue = queue.SimpleQueue()
        self._leave = threading.Event()
        self._same = 0
        self._thread = threading.Thread(target=self._run, name="eyes", daemon=True)

    def __enter__(self) -> _Eyes:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._leave.set()
        # The motors stand by now; a camera or a tracker that hangs is left behind.
        self._thread.join(min(self._settings.silence_s, _PATIENCE_S))

    def next(self, wait_s: float) -> tuple[Detections, float] | None:
        """What was found, and when its picture was taken; None if nothing is new; raises what the thread raised."""
        try:
            news = self._news.get(timeout=wait_s)
        except queue.Empty:
            return None
        if isinstance(news, BaseException):
            raise news
        return news

    def remark(self) -> str:
        """What the watchdog cannot know."""
        return f" (the camera gave the same picture {self._same + 1} times)" if self._same > 1 else ""

    def _run(self) -> None:
        try:
            self._look()
        except BaseException as error:  # noqa: BLE001 - raised where drive() was called
            self._news.put(error)

    def _look(self) -> None:
        size, last = (self._camera.width_px, self._camera.height_px), None
        while not self._leave.is_set():
            picture = check_size(self._take(), size, "the picture that take() returned")
            taken = self._now() - self._settings.delay_s
            if last is not None and np.array_equal(picture, last):
                self._same += 1
                # A broken take() that waits for nothing must not starve the ramp.
                time.sleep(self._settings.frame_s / 10)
                continue
            # A copy: a camera may write each picture into the same memory.
            self._same, last = 0, picture.copy()
            self._dog.feed("camera")
            small = last if self._settings.tracker_px is None else resize(last, self._settings.tracker_px)
            found = in_camera_px(show(self._tracker, small), self._camera, self._settings)
            self._dog.feed("tracker")
            self._news.put((found, taken))


@contextmanager
def _polite_kills_unwind() -> Iterator[None]:
    """SIGTERM and SIGHUP end the program as Ctrl-C does, so that the motors are stopped on the way out; none cuts that short."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    plain = {"SIGTERM": signal.SIG_DFL, "SIGHUP": signal.SIG_DFL, "SIGINT": signal.default_int_handler}
    # Whoever has a handler of his own for a signal keeps it.
    ours = {kind: old for name, old in plain.items() if (kind := getattr(signal, name, None)) and signal.getsignal(kind) == old}

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
