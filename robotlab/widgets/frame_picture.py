"""Frames on their way through the stages of a loop: a timeline with sliders."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from robotlab.budget import frame_budget, simulate_frames
from robotlab.widgets.kit import KeptFigure, label_axes
from robotlab.widgets.slider_picture import Choice, Slider, SliderPicture

# Stages of the loop: a name, a color and a hatch (Okabe and Ito, 2008), in the order of the work.
_LOOKS = {"read": ("#56b4e9", ""), "detect": ("#e69f00", "//"), "show": ("#cc79a7", ".."), "send": ("#009e73", "xx")}
# What reading the camera and sending a command take, s: a USB camera and a serial line (common practice, no source).
_READ_S, _SEND_S = 0.004, 0.002
# What fits on the axes, and the moment from which it is shown, when the loop is steady.
_ROWS, _SPAN_S, _FROM_S = 9, 0.36, 3.0
_SIZE_PX, _FONT_PT = (680, 380), 12.0
THREADS = ("one thread", "a thread for each stage")


class FramePicture(SliderPicture):
    """Sliders for camera, detector, showing and buffer; above them a bar for each frame.

    Parameters
    ----------
    camera_hz : float
        Where its slider starts, pictures a second.
    detect_ms, show_ms : float
        Where they start, ms.
    buffer : int
        Where it starts: pictures that the camera's driver keeps; 0 is the newest only.

    Raises
    ------
    InputError
        If a slider would start outside of its range.

    Examples
    --------
    >>> FramePicture(camera_hz=60, detect_ms=30, show_ms=4).text
    'One thread: 25.0 of 60 pictures/s, bound by all stages together. Latency 47 ms, of which 40 ms are work and 7 ms waiting. 25.0 · 0.047 = 1.17 frames in flight.'
    """

    def __init__(self, camera_hz: float = 60, detect_ms: float = 30, show_ms: float = 10, buffer: int = 0) -> None:
        self._build()
        super().__init__(
            self._show,
            alt="A timeline. Each row is a picture, from when the camera has it to when its command is sent: first a gray bar while it waits, then bars "
            "for reading, detecting, showing and sending. Crosses beneath are pictures that nobody looks at.",
            camera_hz=Slider(10, 120, camera_hz, 5, "camera", "pictures/s"),
            detect_ms=Slider(2, 80, detect_ms, 1, "detector", "ms"),
            show_ms=Slider(0, 40, show_ms, 1, "showing the picture", "ms"),
            buffer=Slider(0, 5, buffer, 1, "driver's buffer", "pictures"),
            threads=Choice(THREADS, "work"),
        )

    def _build(self) -> None:
        figure = Figure(figsize=(_SIZE_PX[0] / 100, _SIZE_PX[1] / 100), dpi=100, layout="constrained")
        ax = figure.add_subplot()
        looks = {"wait": ("#dddddd", ""), **_LOOKS}
        self._bars: dict[str, Any] = {}
        for name, (color, hatch) in looks.items():
            bars = PolyCollection([], facecolor=color, edgecolor="black", linewidth=0.6, hatch=hatch, label=name)
            self._bars[name] = ax.add_collection(bars)
        (self._lost,) = ax.plot([], [], "x", color="#d55e00", markersize=7, label="lost")
        ax.set(xlim=(0, 1e3 * _SPAN_S), ylim=(_ROWS + 0.1, -0.7), yticks=range(_ROWS))
        ax.set_yticklabels([f"{place + 1}" for place in range(_ROWS)])
        label_axes(ax, "time, ms", "picture", _FONT_PT)
        figure.legend(loc="outside upper center", ncols=len(looks) + 1, frameon=False, fontsize=_FONT_PT - 1)
        self._figure = KeptFigure(figure, [*self._bars.values(), self._lost])

    def _show(
        self, camera_hz: float, detect_ms: float, show_ms: float, buffer: float, threads: str
    ) -> tuple[np.ndarray, str]:
        stages = {"read": _READ_S, "detect": detect_ms / 1e3, "show": show_ms / 1e3, "send": _SEND_S}
        own, places = threads == THREADS[1], round(buffer)
        line = simulate_frames(stages, camera_hz, own, places, duration_s=8.0)
        first = int(np.searchsorted(line.taken_s, _FROM_S))
        start = line.taken_s[first]
        rows = range(min(_ROWS, len(line.frame) - first))
        bars: dict[str, list] = {name: [] for name in self._bars}
        for row in rows:
            # Before its first stage, and with threads between two stages.
            ready = line.taken_s[first + row]
            for place, name in enumerate(line.stages):
                begin, end = line.begin_s[first + row, place], line.end_s[first + row, place]
                bars["wait"].append(_bar(row, ready - start, begin - start))
                bars[name].append(_bar(row, begin - start, end - start))
                ready = end
        for name, corners in bars.items():
            self._bars[name].set_verts(corners)
        numbers = np.arange(line.frame[first], line.frame[first] + int(_SPAN_S * camera_hz) + 1)
        lost = np.setdiff1d(numbers, line.frame)
        self._lost.set_data(1e3 * (lost / camera_hz - start), np.full(len(lost), _ROWS - 0.35))
        late = line.latency_s[first:].mean()
        work = sum(stages.values())
        rate = line.throughput_hz
        bound = frame_budget(stages, camera_hz, own).bound_by
        return self._figure.draw(), (
            f"{threads.capitalize()}: {rate:.1f} of {camera_hz:.0f} pictures/s, bound by {bound}. Latency {1e3 * late:.0f} ms, of which {1e3 * work:.0f} ms are "
            f"work and {max(0.0, 1e3 * (late - work)):.0f} ms waiting. {rate:.1f} · {late:.3f} = {rate * late:.2f} frames in flight."
        )


def _bar(row: int, begin_s: float, end_s: float) -> list[tuple[float, float]]:
    """Corners of one bar, ms and rows."""
    left, right = 1e3 * begin_s, 1e3 * end_s
    return [(left, row - 0.38), (right, row - 0.38), (right, row + 0.38), (left, row + 0.38)]
