"""The real camera: always its newest picture, with the time when it was taken."""

from __future__ import annotations

import os
import statistics
import threading
import time
from collections import deque
from dataclasses import dataclass

import numpy as np

from robotlab.checks import error_message, number
from robotlab.errors import InputError, PictureError
from robotlab.image.video import Video, open_video
from robotlab.loop.perception import FreezeDetector, check_size
from robotlab.robot.covered_lens import view_fault

# The rate is measured over so many intervals (common practice, no source).
_INTERVALS = 60
# The view is looked at this often, s, and a fault counts when it is there so many times in a row: exposure settles
# at the start (common practice, no source).
_LOOK_S, _IN_A_ROW = 0.1, 5
# Between two tries to open a camera again, s (common practice, no source).
_RETRY_S = 0.25
# A driver's own stamps are believed when the first one is so fresh, s: others count on another clock, or not at all.
_FRESH_S = 1.0


@dataclass(frozen=True)
class CameraReport:
    """What a camera has done so far.

    Attributes
    ----------
    source : str
        Number, device, film or address.
    size : (int, int)
        Width and height of its pictures, px.
    rate_hz : float or None
        Pictures a second, measured over the last 60; None before the second.
    exposure_s : float or None
        Exposure time as the driver says; None where it does not.
    delay_s : float
        Stated delay, taken off each picture's time.
    waiting_s : float or None
        Median time that a picture waited here until it was handed over.
    pictures, handed, reconnects : int
        Pictures that came, that were handed over, and times the camera was lost and came back.
    fault : str
        What is wrong with the view, or nothing.
    """

    source: str
    size: tuple[int, int]
    rate_hz: float | None
    exposure_s: float | None
    delay_s: float
    waiting_s: float | None
    pictures: int
    handed: int
    reconnects: int
    fault: str

    def __str__(self) -> str:
        said = [f"camera {self.source}: {self.size[0]} x {self.size[1]} px"]
        said.append(f"{self.rate_hz:.1f} pictures a second" if self.rate_hz else "rate not measured yet")
        said.append("exposure not told" if self.exposure_s is None else f"exposure {1000 * self.exposure_s:.1f} ms")
        if self.waiting_s is not None:
            said.append(f"handed over after {1000 * self.waiting_s:.1f} ms")
        said.append(f"{self.pictures - self.handed} of {self.pictures} passed over for newer ones")
        if self.reconnects:
            said.append(f"lost and found again {self.reconnects} times")
        return ", ".join([*said, self.fault] if self.fault else said)


class VideoCamera:
    """A camera by number, device, film or network stream, as ``take`` of :func:`robotlab.loop.drive`.

    A thread reads it all the time and keeps the newest picture alone, so that
    a slow detector never sees an old one.

    Parameters
    ----------
    source : int, str or path-like
        A camera's number, its device such as ``/dev/video0``, the address of
        a stream, or a film, which plays at its own speed.
    size : (int, int), optional
        Width and height that its pictures must have, px.
    rate_hz : float, optional
        Pictures a second to ask a camera for; the measured rate is in :meth:`report`.
    delay_s : float
        From the middle of the exposure until a picture comes: measure it
        with :func:`robotlab.robot.measure_delay`.  It is taken off the time.
    reconnect_s : float
        A camera that is lost is opened again; without a picture for this
        long it is given up, for good.

    Raises
    ------
    InputError
        If OpenCV is not installed, or the camera is not there.
    PictureError
        If its pictures have another size, or the film cannot be read.

    Notes
    -----
    That a camera comes back starts no robot: :func:`robotlab.loop.drive` has
    halted by then if it was away for longer than `silence_s`, and stays so.

    The time is the driver's own stamp where it gives one (Video for Linux),
    else the time at which the picture came; both on ``time.monotonic``.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> VideoCamera(pathlib.Path(tempfile.mkdtemp()) / "walk.mp4")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    robotlab.errors.PictureError: a film must exist to be read, ...walk.mp4 does not; check its name and folder
    """

    def __init__(
        self,
        source: int | str | os.PathLike,
        size: tuple[int, int] | None = None,
        rate_hz: float | None = None,
        delay_s: float = 0.0,
        reconnect_s: float = 5.0,
    ) -> None:
        self._source, self._wanted, self._rate = source, size, rate_hz
        self._delay = number(delay_s, "delay_s", 0)
        self._patience = number(reconnect_s, "reconnect_s", 0)
        self._video = self._open()
        self._lock = threading.Condition()
        self._newest: tuple[np.ndarray, float, float] | None = None
        self._error: str | None = None
        self._closing = False
        self._came: deque[float] = deque(maxlen=_INTERVALS + 1)
        self._waits: deque[float] = deque(maxlen=_INTERVALS)
        self._pictures = self._handed = self._reconnects = 0
        self._last = time.monotonic()
        self._freeze, self._fault, self._row = FreezeDetector(), "", 0
        self._looked = 0.0
        self._stamped: bool | None = None
        self._exposure: float | None = None
        self._size = self._video.size
        self._thread = threading.Thread(target=self._run, name="video_camera", daemon=True)
        self._thread.start()

    def __enter__(self) -> VideoCamera:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __call__(self) -> tuple[np.ndarray, float]:
        """Wait for a picture that has not been handed over yet; the newest one.

        Returns
        -------
        picture : (H, W, 3) ndarray of uint8
            Red-green-blue.
        time_s : float
            Middle of its exposure on ``time.monotonic``.

        Raises
        ------
        PictureError
            If none has come for `reconnect_s`, the film is over, or the
            camera was closed.
        """
        with self._lock:
            while self._newest is None:
                if self._error is not None:
                    raise PictureError(self._error)
                left_s = self._last + self._patience + _RETRY_S - time.monotonic()
                if left_s <= 0:
                    raise PictureError(self._lost())
                self._lock.wait(left_s)
            picture, taken_s, came_s = self._newest
            self._newest = None
            self._handed += 1
            self._waits.append(time.monotonic() - came_s)
            return picture, taken_s

    @property
    def fault(self) -> str:
        """What is wrong with the view, and the repair; nothing when all is well."""
        with self._lock:
            if self._freeze.frozen >= _IN_A_ROW and not self._fault:
                return "the picture never changes; check that the camera's program runs, start it again"
            return self._fault if self._row >= _IN_A_ROW else ""

    def report(self) -> CameraReport:
        """What it has done so far.

        Returns
        -------
        CameraReport
            Size, measured rate, exposure, delay, what was passed over, and the fault of the view.
        """
        fault = self.fault
        with self._lock:
            span_s = self._came[-1] - self._came[0] if len(self._came) > 1 else 0.0
            rate_hz = (len(self._came) - 1) / span_s if span_s > 0 else None
            waiting_s = statistics.median(self._waits) if self._waits else None
            return CameraReport(
                source=str(self._source),
                size=self._size,
                rate_hz=rate_hz,
                exposure_s=self._exposure,
                delay_s=self._delay,
                waiting_s=waiting_s,
                pictures=self._pictures,
                handed=self._handed,
                reconnects=self._reconnects,
                fault=fault,
            )

    def close(self) -> None:
        """Let the camera go; a picture that is waited for is not handed over anymore."""
        with self._lock:
            self._closing = True
            self._end(f"camera {self._source} must be open to be read, it was closed; open it again")
        # A driver that hangs is left behind.
        self._thread.join(1.0)

    def _open(self) -> Video:
        video = open_video(self._source, self._wanted, self._rate)
        if self._wanted is not None and video.size != tuple(self._wanted):
            video.close()
            raise PictureError(
                f"camera {self._source} must give pictures of {self._wanted[0]} x {self._wanted[1]} px, it gives "
                f"{video.size[0]} x {video.size[1]}; ask for that size, or for another one that it has"
            )
        return video

    def _end(self, words: str) -> None:
        """Say why no picture comes anymore; the first reason stays."""
        self._error, self._newest = self._error or words, None
        self._lock.notify_all()

    def _lost(self) -> str:
        return f"camera {self._source} must give pictures, none came for {self._patience:g} s; check cable and power, then start again"

    def _run(self) -> None:
        begin = time.monotonic()
        try:
            while not self._closing:
                picture = self._video.read()
                if picture is None:
                    if not self._video.live:
                        raise PictureError(
                            f"camera {self._source} must go on, the film is over; begin again, or choose a longer one"
                        )
                    self._reconnect()
                    continue
                if not self._video.live:  # at its own speed
                    time.sleep(max(0.0, begin + self._video.time_s - time.monotonic()))
                self._take_in(picture)
        except BaseException as error:
            with self._lock:
                self._end(error_message(error))
        finally:
            self._video.close()

    def _take_in(self, picture: np.ndarray) -> None:
        # A stream may change its size on the way.
        check_size(picture, self._size, f"a picture of camera {self._source}")
        now, came = time.monotonic(), self._video.grabbed_s if self._video.live else time.monotonic()
        if self._stamped is None:
            self._stamped = self._video.driver() == "V4L2" and 0 <= came - self._video.time_s < _FRESH_S
        # Believed from then on: a picture that lay in a buffer while the program slept is an old one.
        came = self._video.time_s if self._stamped else came
        if now - self._looked >= _LOOK_S:
            self._look(picture, now)
        with self._lock:
            if not self._closing:
                self._newest = picture, came - self._delay, now
                self._last = now
                self._came.append(came)
                self._pictures += 1
                self._lock.notify_all()

    def _look(self, picture: np.ndarray, now: float) -> None:
        words, self._looked = view_fault(picture), now
        # Asked here: a driver is not to be asked by two threads.
        exposure = self._video.exposure_s()
        with self._lock:
            self._exposure = exposure
            self._freeze.live(picture)
            self._row = self._row + 1 if words == self._fault else 1
            self._fault = words

    def _reconnect(self) -> None:
        """Open the camera again, or raise that it is lost."""
        self._video.close()
        while not self._closing:
            time.sleep(_RETRY_S)
            if time.monotonic() - self._last > self._patience:
                raise PictureError(self._lost())
            try:
                video = self._open()
            except InputError:  # not yet, or a size that drivers give at first
                continue
            with self._lock:
                self._video, self._reconnects = video, self._reconnects + 1
                self._came.clear()
                self._stamped = None
            return
