"""What a camera sees now, and which of it has the color of a band."""

from __future__ import annotations

import threading
import time
import weakref
from collections.abc import Callable
from typing import Any, ClassVar

import numpy as np

from robotlab.checks import error_message
from robotlab.color import Band, Shape, connected_components, overlay
from robotlab.data import draw_boxes
from robotlab.errors import InputError
from robotlab.image import check_picture, resize
from robotlab.robot import VideoCamera
from robotlab.widgets.color_bands import band_at, band_sliders, mask_text
from robotlab.widgets.kit import picture_bytes
from robotlab.widgets.slider_picture import SliderPicture

# Longer side of what is worked on and shown, px: as small as the course's pictures.
_LONGEST_PX = 320
# A camera is let go when no page has asked for so long, s: its tab is closed, or sleeps.
_NOBODY_S = 10.0
# A camera that gives no picture for so long is given up, s; the kernel waits meanwhile.
_PATIENCE_S = 2.0


class LiveMask(SliderPicture):
    """The newest picture of a camera, a few times a second, and the mask of the thresholds set now.

    Parameters
    ----------
    camera : int, str, path-like or callable
        What :class:`robotlab.robot.VideoCamera` opens: a number, a device, a
        film, a stream; or a function that waits for a picture (H, W, 3) of
        uint8, RGB, and returns it, alone or with its time.
    band : Band, optional
        Where the sliders start.
    every_ms : int
        Pause between two pictures, ms.

    Raises
    ------
    InputError
        If there is no pause, or `camera` can be none.

    Notes
    -----
    The button stops it and lets the camera go; so do running the cell again
    (one camera at a time), a page that asks no more for ten seconds, and the
    end of the kernel.  A camera that is missing is said on the page, in one
    line, and looked for again when the button is pressed.  ``band`` is the
    band that the sliders say.  Nothing is kept: pictures live until the next.

    Examples
    --------
    >>> picture = np.zeros((60, 80, 3), np.uint8)
    >>> picture[20:50, 30:40] = 230, 110, 20
    >>> live = LiveMask(lambda: picture, Band(hue=(5, 18), saturation=(150, 255), value=(80, 255)))
    >>> live.text
    '300 pixels in the band, 6.2 % of the picture; largest blob 300 pixels, 10 wide and 30 tall'
    >>> live.stop()
    """

    _newest: ClassVar[Callable[[], LiveMask | None]] = lambda: None
    _take: Callable[[], Any] | None = None

    def __init__(self, camera: Any, band: Band | None = None, every_ms: int = 250) -> None:
        if isinstance(every_ms, bool) or not isinstance(every_ms, int) or not 50 <= every_ms <= 10_000:
            raise InputError(f"every_ms must be a whole number from 50 to 10000, got {every_ms!r}; 250 is usual")
        if not callable(camera) and not str(camera).strip():
            raise InputError("a camera must be a number, a name or a function, got an empty name; the first one is 0")
        before = LiveMask._newest()
        if before is not None:
            before.stop()
        self._source, self._start = camera, Band() if band is None else band
        self.band, self._started = self._start, 0
        self._picture = np.zeros((120, 160, 3), np.uint8)
        sliders: dict[str, Any] = {**band_sliders(self._start)}
        super().__init__(
            self._mask,
            alt="What a camera sees, with a box around the largest blob; beside it the same picture, dark except for the mask, "
            "the pixels in the band.",
            **sliders,
        )
        self.every_ms = every_ms
        LiveMask._newest = weakref.ref(self)

    def stop(self) -> None:
        """Let the camera go; the last picture stays, and the sliders go on working on it."""
        camera, self._take = self._take, None
        if isinstance(camera, VideoCamera):
            camera.close()

    def close(self) -> None:
        """Let the camera go, and take the widget off the page."""
        self.stop()
        super().close()

    def _seen(self, asked: dict[str, Any]) -> dict[str, Any]:
        values = dict(asked["values"])
        # The button counts: 0 is stopped, each start has a number of its own.
        live, trouble = values.pop("live", 1), ""
        try:
            self._look(live)
        except InputError as error:
            self.stop()
            trouble = error_message(error)
        drawn, text = self._mask(**values)
        return {"picture": picture_bytes(drawn), "text": trouble or text, "failed": bool(trouble)}

    def _look(self, live: int) -> None:
        """Take a new picture, unless it is stopped; open the camera where it is to start."""
        self._asked_s = time.monotonic()
        if live == 0:
            self.stop()
            return
        if live != self._started:
            self.stop()
            self._started = live
            self._take = self._source if callable(self._source) else VideoCamera(self._source, reconnect_s=_PATIENCE_S)
            threading.Thread(target=_let_go, args=(weakref.ref(self), self._take), daemon=True).start()
        if self._take is None:
            raise InputError("the camera was let go; press Start to go on")
        given = self._take()
        picture = check_picture(given[0] if isinstance(given, tuple) else given, "a picture of the camera")
        height, width = picture.shape[:2]
        smaller = min(1.0, _LONGEST_PX / max(height, width))
        self._picture = resize(picture, (max(1, round(width * smaller)), max(1, round(height * smaller))))

    def _mask(self, **thresholds: float) -> tuple[np.ndarray, str]:
        self.band = band_at(self._start, **thresholds)
        mask = self.band.mask(self._picture)
        blobs = connected_components(mask, Shape().min_area_px)
        boxed = self._picture
        for thick_px, shade in ((3, 0), (1, 255)):  # White within black shows on any ground.
            reach = np.array([-thick_px, -thick_px, thick_px, thick_px])
            boxed = draw_boxes(boxed, blobs.boxes[:1] + reach, [(shade,) * 3] * len(blobs.boxes[:1]), thick_px)
        return np.hstack([boxed, overlay(self._picture, mask)]), mask_text(mask, blobs)


def _let_go(widget: Callable[[], LiveMask | None], camera: Any) -> None:
    """Wait until no page has asked for a while, then let this camera go."""
    while (now := widget()) is not None and now._take is camera:
        if time.monotonic() - now._asked_s > _NOBODY_S:
            now.stop()
            return
        del now
        time.sleep(0.5)
    if isinstance(camera, VideoCamera):
        camera.close()
