"""Camera and detector of a real trolley, in a thread of their own."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import queue
import signal
import statistics
import sys
import threading
import time
from collections import deque
from collections.abc import Iterable
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import numpy as np

from robotlab.detections import Detections
from robotlab.errors import MotionError, PictureError
from robotlab.image import resize
from robotlab.loop.limits import check_gains
from robotlab.loop.perception import STALLED, FreezeDetector, StallDetector, check_size, in_camera_px, show

# Waiting longer for a camera at the end helps nobody.
_PATIENCE_S = 1.0
# The rate is the median of so many intervals; it is too low when they are so many frames long (common practice, no source).
_INTERVALS, _SLOW = 10, 1.5
# Of prctl(2).
_SET_SUBREAPER, _GET_SUBREAPER = 36, 37


class CameraThread:
    """Takes pictures, tells the state machine of the stop, and shows them to the detector."""

    def __init__(self, detector, take, camera, settings, ramp, lifted) -> None:
        self._take, self._detector, self._camera, self._settings = take, detector, camera, settings
        self._ramp, self._lifted = ramp, lifted
        self._news: queue.SimpleQueue = queue.SimpleQueue()
        self._leave = threading.Event()
        self._view, self._stall, self._refused = FreezeDetector(), StallDetector(), 0
        self._taken: deque[float] = deque(maxlen=_INTERVALS + 1)
        self._program, self._native = os.getpid(), 0
        self._children: set[int] = set()
        self._adopted = Adoption()
        self._thread = threading.Thread(target=self._run, name="camera_thread", daemon=True)

    def __enter__(self) -> CameraThread:
        self._adopted.begin()
        try:
            self._thread.start()
        except BaseException:
            self._adopted.end()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> int:
        """End the thread and the processes that it has started; how many those were."""
        if not self._leave.is_set():
            self._leave.set()
            # The motors stand by now; a camera or a detector that hangs is left behind.
            self._thread.join(min(self._settings.silence_s, _PATIENCE_S))
            if self._thread.is_alive():  # else it has done so itself, and its number may be another's by now
                self._children |= end_children(self._native)
            self._children |= self._adopted.end()
        return len(self._children)

    def next(self, wait_s: float) -> tuple[Detections, float, np.ndarray] | None:
        """What was found, when its picture was taken, and the picture; None if nothing is new; raises what the thread raised."""
        self._adopted.reap()
        try:
            news = self._news.get(timeout=wait_s)
        except queue.Empty:
            return None
        if isinstance(news, BaseException):
            raise news
        return news

    def remark(self) -> str:
        """What silence alone does not say."""
        if self._view.frozen > 1:
            return f" (the camera gave the same picture {self._view.frozen + 1} times, or old ones again)"
        if self._refused > 1:
            return f" ({self._refused} pictures were too old, older than the last, or of the future)"
        return ""

    def _run(self) -> None:
        self._native = threading.get_native_id()
        try:
            while not self._leave.is_set():
                self._look()
        except BaseException as error:
            self._news.put(error)
        finally:
            self._children |= end_children(self._native)

    def _look(self) -> None:
        s, name = self._settings, "the picture that take() returned"
        picture, stamp = self._take(), None
        self._still_the_driver()
        if isinstance(picture, tuple):
            if len(picture) != 2:
                raise PictureError(
                    f"take() must return a picture or (picture, time), got {len(picture)} things; return those two"
                )
            picture, stamp = picture
            try:
                stamp = None if stamp is None else float(stamp)
            except (TypeError, ValueError, OverflowError):
                raise PictureError(
                    f"the time of a picture must be a number of seconds on drive()'s clock, got {stamp!r:.40}; return (picture, time)"
                ) from None
        check_size(picture, (self._camera.width_px, self._camera.height_px), name)
        # A copy: a camera may write each picture into the same memory.
        picture = picture.copy()
        taken = None
        if self._view.live(picture):
            taken = self._ramp.tell(
                lambda stop, t_s, now_s: stop.picture(t_s, now_s - s.delay_s if stamp is None else stamp, now_s)
            )
            self._refused = 0 if taken is not None else self._refused + 1
        if taken is None:
            # A broken take() that waits for nothing must not starve the ramp.
            time.sleep(s.frame_s / 10)
            return
        self._check_rate(taken)
        if not self._lifted and self._stall.stalled(picture, self._ramp.turned_rad, time.monotonic()):
            self._ramp.tell(lambda stop, *_: stop.fail(STALLED))
        small = picture if s.detector_px is None else resize(picture, s.detector_px)
        found = show(self._detector, small)
        self._still_the_driver()
        found = in_camera_px(found, self._camera, s)
        self._ramp.tell(lambda stop, t, _: stop.result(t))
        self._news.put((found, taken, picture))

    def _check_rate(self, taken_s: float) -> None:
        """Hold the stated frame rate, on which the largest safe gain rests, against the real one."""
        self._taken.append(taken_s)
        if len(self._taken) == self._taken.maxlen:
            measured_s = statistics.median(later - sooner for sooner, later in pairwise(self._taken))
            if measured_s > _SLOW * self._settings.frame_s:
                try:
                    check_gains(self._settings, measured_s)
                except MotionError as error:
                    reason = f"the camera is slower than frame_hz says: {error}"
                    self._ramp.tell(lambda stop, *_: stop.fail(reason))

    def _still_the_driver(self) -> None:
        """A detector that forks comes back twice: the copy must not drive."""
        if os.getpid() != self._program:
            os._exit(1)


class Adoption:
    """Orphans that the camera or the detector leave come to this program, which can end them (Linux, main thread only).

    A child that starts a child and ends itself leaves an orphan, which else
    would be the system's (PR_SET_CHILD_SUBREAPER, prctl(2)); it may hold the
    serial port for good.  Only in the main thread: it starts nothing else
    while it drives, so that what comes to it is an orphan.
    """

    def __init__(self) -> None:
        self._control = None
        if sys.platform == "linux" and threading.current_thread() is threading.main_thread():
            self._control = getattr(ctypes.CDLL(None), "prctl", None)

    def begin(self) -> None:
        """Adopt orphans from now on."""
        if self._control is not None:
            self._was = ctypes.c_int()
            self._control(_GET_SUBREAPER, ctypes.byref(self._was), 0, 0, 0)
            self._main = Path(f"/proc/self/task/{os.getpid()}/children")
            self._before = _family(os.getpid())
            self._control(_SET_SUBREAPER, 1, 0, 0, 0)

    def reap(self) -> None:
        """Clear away those that have ended by themselves."""
        if self._control is not None:
            for orphan in set(_started_by(self._main)).difference(self._before):
                with suppress(OSError):
                    os.waitpid(orphan, os.WNOHANG)

    def end(self) -> set[int]:
        """End those that came, and theirs; their numbers."""
        if self._control is None:
            return set()
        self.reap()
        ended: set[int] = set()
        # An orphan that ends leaves its children as orphans.
        while more := end_children(os.getpid(), spared=self._before):
            ended |= more
        self._control(_SET_SUBREAPER, self._was.value, 0, 0, 0)
        return ended


def end_children(thread: int, spared: Iterable[int] = ()) -> set[int]:
    """End the processes that a thread has started, and theirs (Linux; elsewhere nothing).

    Parameters
    ----------
    thread : int
        Native number of the thread, of this program.
    spared : iterable of int
        Children that are let live.

    Returns
    -------
    set of int
        Their numbers.
    """
    ended = set()
    # Workers of a pool end with their pool; killed, they would hang it.
    spared = {
        *spared,
        *(child.pid for child in multiprocessing.active_children() if child.pid and "PoolWorker" in child.name),
    }
    for child in _started_by(Path(f"/proc/self/task/{thread}/children")):
        if child in spared:
            continue
        for process in _family(child):
            with suppress(OSError):
                os.kill(process, signal.SIGKILL)
                ended.add(process)
        with suppress(OSError):
            os.waitpid(child, 0)
    return ended


def _family(process: int) -> list[int]:
    """A process, those that it has started, and theirs."""
    family = [process]
    for each in family:
        family += [other for task in Path(f"/proc/{each}/task").glob("*/children") for other in _started_by(task)]
    return family


def _started_by(children: Path) -> list[int]:
    try:
        return [int(word) for word in children.read_text().split()]
    except OSError:
        return []
