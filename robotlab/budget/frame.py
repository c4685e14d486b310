"""The time of a frame: how often and how late, from the times of its stages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from robotlab.checks import number
from robotlab.errors import InputError


def check_stages(stages_s: Mapping[str, float]) -> dict[str, float]:
    """Return stage times as floats, or say what is wrong.

    Parameters
    ----------
    stages_s : mapping of str to float
        Time of each stage, s, in the order of the work.

    Returns
    -------
    dict of str to float
        At least one, none negative, not all 0.

    Raises
    ------
    InputError
        If there is none, or all are 0.
    MotionError
        If a time is not a number of 0 or more.

    Examples
    --------
    >>> check_stages({"detect": 0.016})
    {'detect': 0.016}
    """
    if not isinstance(stages_s, Mapping) or not stages_s:
        raise InputError(
            f"stages_s must be the time of each stage by its name, got {stages_s!r:.60}; for instance {{'detect': 0.016}}"
        )
    checked = {
        str(name): number(value, f"the time of {name}, s,", 0, 3600, repair="measure it in seconds")
        for name, value in stages_s.items()
    }
    if not any(checked.values()):
        raise InputError("stages_s must hold a time above 0, all are 0; measure them with StageTimer")
    return checked


@dataclass(frozen=True)
class FrameBudget:
    """Throughput and latency of a loop.

    Parameters
    ----------
    stages_s : dict of str to float
        Time of each stage, s.
    camera_hz : float
        Pictures a second that the camera gives.
    own_threads : bool
        Whether each stage works beside the others on another frame; else one
        thread does one stage after the other.

    Examples
    --------
    >>> budget = FrameBudget({"read": 0.01, "detect": 0.02, "send": 0.01}, camera_hz=100)
    >>> round(budget.throughput_hz, 3), round(budget.latency_s, 3), budget.bound_by
    (25.0, 0.04, 'all stages together')
    """

    stages_s: dict[str, float]
    camera_hz: float
    own_threads: bool = False

    @property
    def busy_s(self) -> float:
        """Shortest time between two results that the stages allow, s: the slowest stage, or in one thread all of them."""
        return max(self.stages_s.values()) if self.own_threads else sum(self.stages_s.values())

    @property
    def throughput_hz(self) -> float:
        """Pictures worked on each second; the camera gives no more than it takes."""
        return min(self.camera_hz, 1 / self.busy_s)

    @property
    def latency_s(self) -> float:
        """Age of a picture when its last stage ends, s, if it never waits: the sum of the stages."""
        return sum(self.stages_s.values())

    @property
    def in_flight(self) -> float:
        """Mean number of pictures under way.

        Little's law (*Operations Research* 9:383-387, 1961): throughput times latency.
        """
        return self.throughput_hz * self.latency_s

    @property
    def bound_by(self) -> str:
        """What would have to be faster for a higher throughput."""
        if self.camera_hz * self.busy_s <= 1:
            return "the camera"
        return max(self.stages_s, key=self.stages_s.__getitem__) if self.own_threads else "all stages together"

    def __str__(self) -> str:
        return (
            f"{self.throughput_hz:.1f} pictures/s, bound by {self.bound_by}; latency {1e3 * self.latency_s:.1f} ms, "
            f"{self.in_flight:.2f} frames in flight (the newest picture is taken; one that waits is older by up to {1e3 / self.camera_hz:.0f} ms)"
        )


def frame_budget(stages_s: Mapping[str, float], camera_hz: float, own_threads: bool = False) -> FrameBudget:
    """Throughput and latency from the times of the stages.

    Parameters
    ----------
    stages_s : mapping of str to float
        Time of each stage, s, in the order of the work.
    camera_hz : float
        Pictures a second that the camera gives.
    own_threads : bool
        Whether each stage has a thread and a core of its own.

    Returns
    -------
    FrameBudget
        Throughput is 1 / (slowest stage) with own threads and 1 / (sum of the
        stages) in one; latency is the sum in both.

    Raises
    ------
    InputError
        If there is no stage, or a number is out of range.

    Notes
    -----
    Threads raise the throughput, not the latency, and only where each really
    has a core; in Python also only where the work leaves the interpreter, as
    in a detector's matrix products.

    Examples
    --------
    >>> budget = frame_budget({"read": 0.01, "detect": 0.02, "send": 0.01}, camera_hz=100, own_threads=True)
    >>> print(budget)
    50.0 pictures/s, bound by detect; latency 40.0 ms, 2.00 frames in flight (the newest picture is taken; one that waits is older by up to 10 ms)
    """
    return FrameBudget(
        check_stages(stages_s),
        number(camera_hz, "camera_hz", 0, 1e5, open_low=True, repair="give the camera's pictures a second"),
        bool(own_threads),
    )


def showing_cost_s(without_hz: float, with_hz: float) -> float:
    """What it costs to show the picture, for each frame.

    Parameters
    ----------
    without_hz : float
        Frames a second of the loop with nothing shown.
    with_hz : float
        Frames a second with the picture shown.

    Returns
    -------
    float
        ``1 / with_hz - 1 / without_hz``, s.

    Raises
    ------
    InputError
        If the loop got faster by showing.

    Notes
    -----
    A cost is a time.  This is not the difference of the two rates, which for
    the same picture is another one at every rate: what takes a loop from 47 to
    40 frames a second takes one of 200 to 115.

    Examples
    --------
    >>> round(1e3 * showing_cost_s(47, 40), 2)  # common practice, no source
    3.72
    """
    before, after = (
        number(value, name, 0, open_low=True, repair="count frames over ten seconds")
        for name, value in (("without_hz", without_hz), ("with_hz", with_hz))
    )
    if after > before:
        raise InputError(
            f"with_hz must be at most without_hz, got {after:g} and {before:g}: showing cannot make a loop faster; "
            "measure both again, for ten seconds each, with nothing else running"
        )
    return 1 / after - 1 / before
