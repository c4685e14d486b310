"""Simulate frames through the stages of a loop, one by one: a check of the formulas of frame time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from robotlab.budget.frame import check_stages
from robotlab.checks import number, whole
from robotlab.errors import InputError


@dataclass(frozen=True, eq=False)
class FrameTimeline:
    """When each frame was in which stage.

    Attributes
    ----------
    stages : tuple of str
        In the order of the work.
    frame : (F,) ndarray of int
        Numbers of the frames that reached the end.
    taken_s : (F,) ndarray
        When the camera had taken them.
    begin_s, end_s : (F, S) ndarray
        When each stage began and ended with them.
    taken : int
        Frames that the camera took, the lost ones too.
    """

    stages: tuple[str, ...]
    frame: np.ndarray
    taken_s: np.ndarray
    begin_s: np.ndarray
    end_s: np.ndarray
    taken: int

    @property
    def latency_s(self) -> np.ndarray:
        """Age of each frame when its last stage ended, (F,), s."""
        return self.end_s[:, -1] - self.taken_s

    @property
    def throughput_hz(self) -> float:
        """Frames a second that reached the end, once the loop is running steadily."""
        ends = self.end_s[len(self.frame) // 2 :, -1]
        return (len(ends) - 1) / float(ends[-1] - ends[0])

    @property
    def in_flight(self) -> float:
        """Mean number of frames under way at once, of those that reached the end: counted, not computed from the others."""
        ends = self.end_s[:, -1]
        # From the middle to the last frame whose time is wholly known.
        low, high = ends[len(ends) // 2], self.taken_s[-1]
        if high <= low:
            low, high = 0.0, ends[-1]
        under_way = np.clip(ends, low, high) - np.clip(self.taken_s, low, high)
        return float(under_way.sum() / (high - low))


def simulate_frames(
    stages_s: Mapping[str, float],
    camera_hz: float,
    own_threads: bool = False,
    buffer: int = 0,
    duration_s: float = 10.0,
) -> FrameTimeline:
    """Send frames through the stages of a loop.

    Parameters
    ----------
    stages_s : mapping of str to float
        Time of each stage, s, in the order of the work.
    camera_hz : float
        Pictures a second that the camera gives.
    own_threads : bool
        Whether each stage has a thread of its own.
    buffer : int
        0: only the newest frame waits, older ones are dropped.  Else so many
        wait in a row, the oldest first, and new ones are lost while it is full:
        what a camera's driver does if nobody asks it not to.
    duration_s : float
        How long the camera takes pictures.

    Returns
    -------
    FrameTimeline
        Each frame that reached the end.

    Raises
    ------
    InputError
        If a number is out of range.

    Notes
    -----
    Between stages with threads of their own the newest frame waits too.

    Examples
    --------
    >>> stages = {"read": 0.01, "detect": 0.02, "send": 0.01}
    >>> for buffer in (0, 4):
    ...     line = simulate_frames(stages, camera_hz=1000, buffer=buffer)
    ...     print(round(line.throughput_hz), round(1e3 * line.latency_s[-1]))
    25 40
    25 200
    """
    times = check_stages(stages_s)
    hz = number(camera_hz, "camera_hz", 0, 1e5, open_low=True, repair="give the camera's pictures a second")
    count = int(hz * number(duration_s, "duration_s", 0, open_low=True) + _SAME_S) + 1
    if count > 100_000:
        raise InputError(
            f"there must be 100000 frames or fewer, got {count}; a loop is steady long before, shorten duration_s"
        )
    places = whole(buffer, "buffer")
    taken = np.arange(count) / hz
    # In one thread all stages are one server; its parts come one after the other.
    servers = [[name] for name in times] if own_threads else [list(times)]
    number_of, ready = np.arange(count), taken
    begins: list[np.ndarray] = []
    ends: list[np.ndarray] = []
    for place, names in enumerate(servers):
        busy = sum(times[name] for name in names)
        waits_in_row = places > 0 and place == 0
        chosen, start = _in_row(ready, busy, places) if waits_in_row else _newest(ready, busy)
        number_of = number_of[chosen]
        begins, ends = [old[chosen] for old in begins], [old[chosen] for old in ends]
        for name in names:
            begins.append(start)
            start = start + times[name]
            ends.append(start)
        ready = start
    if len(number_of) < 4:
        raise InputError(
            f"the stages must let frames through, {len(number_of)} of {count} reached the end; lengthen duration_s"
        )
    return FrameTimeline(tuple(times), number_of, taken[number_of], np.stack(begins, 1), np.stack(ends, 1), count)


# Times that are equal but for rounding, s.
_SAME_S = 1e-9


def _newest(ready: np.ndarray, busy_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Places of the frames that are served, and when: always the newest that is there."""
    chosen, starts, free, place = [], [], 0.0, 0
    while place < len(ready):
        start = max(free, float(ready[place]))
        if start > ready[-1] + _SAME_S:
            break  # no frame comes any more: from here on the newest would be an old one
        place = int(np.searchsorted(ready, start + _SAME_S, side="right")) - 1
        chosen.append(place)
        starts.append(start)
        free, place = start + busy_s, place + 1
    return np.array(chosen), np.array(starts)


def _in_row(ready: np.ndarray, busy_s: float, places: int) -> tuple[np.ndarray, np.ndarray]:
    """Places of the frames that are served, and when: the oldest first, none let in while the row is full."""
    chosen: list[int] = []
    starts: list[float] = []
    free, gone = 0.0, 0
    for place, now in enumerate(ready.tolist()):
        while gone < len(starts) and starts[gone] <= now + _SAME_S:
            gone += 1
        if len(starts) - gone < places:
            chosen.append(place)
            starts.append(max(free, now))
            free = starts[-1] + busy_s
    return np.array(chosen), np.array(starts)
