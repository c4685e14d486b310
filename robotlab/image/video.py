"""Read films and cameras through OpenCV: the one place that opens them.

The rule: a film is a plain file of at most 64 GiB that begins like one of the
containers MP4, QuickTime, Matroska, WebM, AVI and MPEG-TS: a playlist, which
could name other files and addresses, is none.  A camera is a number or a
device's path; a network stream is an address that is written out.  Pictures
have at most 64 million pixels.  The first picture is read at once, so what
opens can be read.
"""

from __future__ import annotations

import math
import os
import stat
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from robotlab.errors import InputError, PictureError, install_hint
from robotlab.files import open_plain
from robotlab.image.file import MOST_PIXELS

# An evening of a phone's film; larger ones are refused before they are opened (a choice, no source).
LARGEST_FILM_BYTES = 64 * 2**30
# How addresses of network streams begin.
STREAMS = ("rtsp://", "rtsps://", "http://", "https://", "rtp://", "udp://", "tcp://")
# How the containers begin: ISO/IEC 14496-12 (boxes, the type at byte 4), RFC 8794
# (EBML head), the RIFF of AVI; MPEG-TS repeats its sync byte every 188 bytes (ISO/IEC 13818-1).
_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
_EBML = b"\x1a\x45\xdf\xa3"
_TS_PACKET, _TS_SYNC = 188, 0x47
# A stream that is silent for longer has ended, s (common practice, no source).
STREAM_PATIENCE_S = 5.0


class Video:
    """An open film, camera or stream; :func:`open_video` opens one.

    Parameters
    ----------
    capture : cv2.VideoCapture
        Open.
    name : str
        For messages.
    live : bool
        A camera or a stream: pictures come when they come.

    Attributes
    ----------
    name : str
        What was opened.
    live : bool
        It is a camera or a stream, not a film.
    size : (int, int)
        Width and height of the pictures, upright, px.
    rate_hz : float or None
        Pictures a second, as the film or the driver says; None where it does not.
    frames : int or None
        How many pictures the film says it has; None for what has no end.
    time_s : float
        Time of the last picture read: in the film, or what the driver stamped it with.
    grabbed_s : float
        When it came, on ``time.monotonic``.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "walk.avi"
    >>> writer = opencv().VideoWriter(str(path), opencv().VideoWriter_fourcc(*"MJPG"), 10, (64, 48))
    >>> for _ in range(3):
    ...     _ = writer.write(np.full((48, 64, 3), 90, np.uint8))
    >>> writer.release()
    >>> with open_video(path) as film:
    ...     print(film.size, film.rate_hz, film.frames, film.read().shape)
    (64, 48) 10.0 3 (48, 64, 3)
    """

    def __init__(self, capture: Any, name: str, live: bool) -> None:
        cv2 = opencv()
        self._cv2, self._capture, self.name, self.live = cv2, capture, name, live
        capture.set(cv2.CAP_PROP_ORIENTATION_AUTO, 1)
        width, height = capture.get(cv2.CAP_PROP_FRAME_WIDTH), capture.get(cv2.CAP_PROP_FRAME_HEIGHT)
        if width * height > MOST_PIXELS:
            self.close()
            raise PictureError(
                f"pictures of a film must have at most {MOST_PIXELS // 10**6} million pixels, {name} has "
                f"{width:.0f} x {height:.0f} px; make it smaller first"
            )
        rate, count = capture.get(cv2.CAP_PROP_FPS), capture.get(cv2.CAP_PROP_FRAME_COUNT)
        # Drivers that do not know say 0, and some containers a number of clock ticks.
        self.rate_hz = float(rate) if math.isfinite(rate) and 0 < rate <= 1000 else None
        self.frames = int(count) if not live and math.isfinite(count) and count > 0 else None
        self.time_s = self.grabbed_s = 0.0
        self._first: np.ndarray | None = None
        self._passed: np.ndarray | None = None
        self._first = self.read()
        if self._first is None:
            self.close()
            raise PictureError(
                f"{name} must give pictures, it opens and gives none; "
                + ("check that no other program has the camera" if live else "copy or export it again")
            )
        self.size = self._first.shape[1], self._first.shape[0]

    def __enter__(self) -> Video:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def read(self) -> np.ndarray | None:
        """The next picture.

        Returns
        -------
        (H, W, 3) ndarray of uint8 or None
            Red-green-blue, turned upright where the film notes its rotation;
            None at the end, or where a camera or a stream is gone.
        """
        return self.passed() if self.skip() else None

    def skip(self) -> bool:
        """Pass over a picture without turning it into an array, which is several times as fast; its time is known.

        Returns
        -------
        bool
            False at the end.
        """
        if self._first is not None:
            self._passed, self._first = self._first, None
            return True
        self._passed = None
        try:
            good = bool(self._capture.grab())
            time_s = self._capture.get(self._cv2.CAP_PROP_POS_MSEC) / 1000
        except self._cv2.error:  # damaged content
            return False
        self.grabbed_s = time.monotonic()
        self.time_s = time_s if math.isfinite(time_s) else 0.0
        return good

    def passed(self) -> np.ndarray | None:
        """The picture that :meth:`skip` has passed over last.

        Returns
        -------
        (H, W, 3) ndarray of uint8 or None
            As :meth:`read`.
        """
        if self._passed is None:
            self._passed = self._retrieved()
        return self._passed

    def exposure_s(self) -> float | None:
        """Exposure time that the driver says.

        Returns
        -------
        float or None
            In seconds; None where the driver's unit is not known.
        """
        value, kind = self._capture.get(self._cv2.CAP_PROP_EXPOSURE), self.driver()
        if not math.isfinite(value):
            return None
        # V4L2_CID_EXPOSURE_ABSOLUTE counts 100 us (Video for Linux API); DirectShow gives log2 of the
        # seconds (IAMCameraControl), and Media Foundation took that over (from memory).
        if kind == "V4L2":
            return value * 1e-4 if value > 0 else None
        return 2.0**value if kind in ("DSHOW", "MSMF") and -20 < value < 5 else None

    def driver(self) -> str:
        """Name of the OpenCV backend that opened it.

        Returns
        -------
        str
            Such as ``"V4L2"`` or ``"FFMPEG"``.
        """
        try:
            return self._capture.getBackendName()
        except self._cv2.error:
            return ""

    def close(self) -> None:
        """Close the film or the camera."""
        self._capture.release()

    def _retrieved(self) -> np.ndarray | None:
        try:
            good, picture = self._capture.retrieve()
        except self._cv2.error:  # damaged content
            return None
        if not good or picture is None or picture.size == 0:
            return None
        if picture.ndim == 2:
            return np.repeat(picture[..., None], 3, axis=2)
        return np.ascontiguousarray(picture[..., 2::-1])


def open_video(
    source: int | str | os.PathLike, size: tuple[int, int] | None = None, rate_hz: float | None = None
) -> Video:
    """Open a film, a camera or a network stream.

    Parameters
    ----------
    source : int, str or path-like
        A camera's number, its device such as ``/dev/video0``, a film, or the
        address of a stream, such as ``rtsp://...``.
    size : (int, int), optional
        Width and height to ask a camera for, px; a driver may give another:
        look at `Video.size`.
    rate_hz : float, optional
        Pictures a second to ask a camera for.

    Returns
    -------
    Video
        To be read, and closed.

    Raises
    ------
    InputError
        If OpenCV is not installed, the film or the camera is missing, or the
        file is not a film (a :class:`robotlab.errors.PictureError`).

    Examples
    --------
    >>> open_video("nowhere.mp4")
    Traceback (most recent call last):
    robotlab.errors.PictureError: a film must exist to be read, nowhere.mp4 does not; check its name and folder
    """
    cv2 = opencv()
    name = str(source)
    address = name.lower().startswith(STREAMS)
    number = _camera_number(source)
    if number is not None or _is_device(name):
        _check_device(name, number)
        device: int | str = name if number is None else number
        way = cv2.CAP_V4L2 if sys.platform.startswith("linux") else cv2.CAP_ANY
        wanted = [(cv2.CAP_PROP_FPS, rate_hz)]
        if size is not None:
            wanted = [(cv2.CAP_PROP_FRAME_WIDTH, size[0]), (cv2.CAP_PROP_FRAME_HEIGHT, size[1]), *wanted]
        capture = cv2.VideoCapture(device, way)
        for key, value in wanted:
            if value is not None:
                capture.set(key, value)
        # An old picture is worse than none: keep as few as the driver allows.
        capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        hint = "check the cable, the rights (group video), and that no other program has it"
        name = f"camera {name}"
    elif address:
        patience_ms = int(1000 * STREAM_PATIENCE_S)
        options = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, patience_ms, cv2.CAP_PROP_READ_TIMEOUT_MSEC, patience_ms]
        # Each more thread of a decoder holds one more picture back.
        options += [cv2.CAP_PROP_N_THREADS, 1]
        capture = cv2.VideoCapture(name, cv2.CAP_FFMPEG, options)
        hint = "check the address, the network, and that the sender runs"
    elif isinstance(source, int):  # True and False
        raise InputError(f"a film must be a file, an address or a camera's number, got {source}; the first camera is 0")
    else:
        with open_plain(source, LARGEST_FILM_BYTES, "a film", PictureError) as file:
            head = file.read(2 * _TS_PACKET)
        if not _begins_like_a_film(head):
            raise PictureError(
                f"a film must be an MP4, QuickTime, Matroska, WebM, AVI or MPEG-TS file, {name} is none; convert it first"
            )
        # The whole path: a name that reads like an address stays a name.
        capture = cv2.VideoCapture(str(Path(source).absolute()), cv2.CAP_FFMPEG)
        hint = "it is damaged or cut short; copy or export it again"
    if not capture.isOpened():
        capture.release()
        raise PictureError(f"{name} must open as a film, a camera or a stream, it does not; {hint}")
    return Video(capture, name, live=address or name.startswith("camera "))


def opencv() -> Any:
    """The package cv2, quiet; an error that says how to install it where it is not.

    Returns
    -------
    module
        ``cv2``.

    Raises
    ------
    InputError
        If it is not installed.

    Examples
    --------
    >>> opencv().__name__
    'cv2'
    """
    # FFmpeg tells the terminal about damaged films; we tell it in one line (set before its first use).
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
    # Of a camera that was pulled out; OpenCV waits 10 s else.
    os.environ.setdefault("OPENCV_VIDEOIO_V4L_SELECT_TIMEOUT", "2")
    try:
        import cv2
    except ImportError:
        raise InputError(
            f"films and cameras need the package opencv-python-headless, it is not installed; {install_hint('robot')}"
        ) from None
    return cv2


def _camera_number(source: object) -> int | None:
    """The number of a camera, also written as text; None for everything else."""
    if isinstance(source, str) and source.isascii() and source.isdigit() and len(source) < 4:
        return int(source)
    if isinstance(source, (int, np.integer)) and not isinstance(source, bool):
        if not 0 <= source < 1000:
            raise InputError(f"a camera's number must be from 0 to 999, got {source}; the first one is 0")
        return int(source)
    return None


def _is_device(name: str) -> bool:
    if name.startswith("/dev/"):
        return True
    try:
        return stat.S_ISCHR(os.stat(name).st_mode)
    except (OSError, ValueError):
        return False


def _check_device(name: str, number: int | None) -> None:
    path = name if number is None else f"/dev/video{number}"
    if (number is None or sys.platform.startswith("linux")) and not os.path.exists(path):
        present = ", ".join(sorted(str(each) for each in Path("/dev").glob("video*"))) or "there is none"
        raise InputError(f"a camera must be there to be opened, {path} is not (cameras: {present}); check its cable")


def _begins_like_a_film(head: bytes) -> bool:
    return (
        head[4:8] in _BOXES
        or head[:4] == _EBML
        or (head[:4] == b"RIFF" and head[8:12] == b"AVI ")
        or (len(head) > _TS_PACKET and head[0] == _TS_SYNC == head[_TS_PACKET])
    )
