"""Watchdog, clocks and stop categories: stop when a part of the loop falls silent.

What is here helps a trolley to stop in an orderly way.  It is **not a safety
function**: the program can hang, and then none of it runs.  Stop categories
are those of IEC 60204-1: 0, power is removed at once; 1, the machine is
braked under power, then power is removed; 2, it is braked and held under
power.  An *emergency* stop is category 0 or 1, acts without software, has a
red actuator, and releasing it starts nothing (ISO 13850).  First design the
danger out, then guard it, then warn of it (ISO 12100, from memory).
"""

from __future__ import annotations

import enum
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from robotlab.checks import number
from robotlab.errors import MotionError

# The clock that goes on while the machine sleeps: Linux calls it CLOCK_BOOTTIME;
# on macOS CLOCK_MONOTONIC does so (both from memory of their manuals).
_AWAKE_OR_NOT = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))
# Two clocks read further apart than this are read again.
_APART_S = 0.01


def steady_s() -> float:
    """The time on a clock that only goes forward, also while the machine sleeps.

    ``time.monotonic`` stands still on Linux while the lid of a laptop is closed:
    measured with it, ten minutes asleep are not silence.

    Returns
    -------
    float
        Seconds since some moment in the past.

    Examples
    --------
    >>> steady_s() <= steady_s()
    True
    """
    return time.monotonic() if _AWAKE_OR_NOT is None else time.clock_gettime(_AWAKE_OR_NOT)


class ClockError(MotionError):
    """A clock that gave no number."""


def read_clocks(clock: Callable[[], float]) -> tuple[float, float]:
    """:func:`steady_s` and another clock, read at the same moment.

    Parameters
    ----------
    clock : callable
        The other clock.

    Returns
    -------
    (steady_s, clock_s) : tuple of float
        Read again while they are far apart, up to five times.

    Raises
    ------
    ClockError
        If the other one gives no finite number.

    Examples
    --------
    >>> read_clocks(lambda: 5.0)[1]
    5.0
    """
    try:
        for _ in range(5):
            before, now, after = steady_s(), clock(), steady_s()
            if after - before < _APART_S:
                break
        return after, number(now, "the clock's time", repair="pass a clock that gives seconds, such as time.monotonic")
    except MotionError as error:
        raise ClockError(str(error)) from None


class StopKind(enum.Enum):
    """How the trolley is brought to rest (categories of IEC 60204-1).

    ``HOLD`` (category 2) brakes along the ramp and stays ready: the target is
    lost.  ``RELEASE`` (category 1) brakes along the ramp, then lets go of the
    motors and stays stopped until a person resets it: a part has failed.
    Category 0 is the power switch in a person's hand; software has none.

    Examples
    --------
    >>> StopKind.RELEASE.category
    1
    """

    HOLD = "hold"
    RELEASE = "release"

    @property
    def category(self) -> int:
        """The stop category of IEC 60204-1, as a number.

        Returns
        -------
        int
            1 or 2.
        """
        return 2 if self is StopKind.HOLD else 1


@dataclass(frozen=True)
class Fault:
    """One part that fell silent, or a clock that jumped.

    Attributes
    ----------
    part : str
        Which part.
    t_s : float
        When it was noticed, on the watchdog's clock.
    message : str
        What was expected and what happened.
    """

    part: str
    t_s: float
    message: str


class Watchdog:
    """Trip when the heartbeat of a part of the loop is silent for too long.

    Parameters
    ----------
    limits_s : mapping of str to float
        Longest silence of each part, in the order in which they feed each
        other, for instance ``{"camera": 0.5, "detector": 0.5, "link": 0.3}``.
    max_gap_s : float
        Longest time between two checks; a longer one, or one backward,
        means that the clock jumped or that the program was held up.
    clock : callable
        Gives the time in seconds; must never go backward.
    steady : callable, optional
        A second clock to hold the first one against: a clock that stands
        still, or runs too fast or too slow, never reports a silence.  They may
        differ by a quarter of `max_gap_s` within any such time.

    Attributes
    ----------
    fault : Fault or None
        The first fault; it stays until :meth:`reset`.

    Raises
    ------
    MotionError
        If a limit is not a positive number.

    Notes
    -----
    This is a software watchdog and no safety function: one in the motor
    board, which stops the wheels when commands stop coming, must stand behind
    it, and a switch that cuts the power behind both.

    Examples
    --------
    >>> now = [0.0]
    >>> watchdog = Watchdog({"camera": 0.5}, clock=lambda: now[0])
    >>> now[0] = 0.4
    >>> watchdog.check() is None
    True
    >>> now[0] = 0.6
    >>> watchdog.check().part
    'camera'
    """

    def __init__(
        self,
        limits_s: Mapping[str, float],
        max_gap_s: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        steady: Callable[[], float] | None = None,
    ) -> None:
        self._limits = {
            str(part): number(
                limit, f"limit of {part}", 0, open_low=True, repair="give its longest silence, in seconds"
            )
            for part, limit in limits_s.items()
        }
        self._gap = number(max_gap_s, "max_gap_s", 0, open_low=True)
        self._clock, self._steady = clock, steady
        self.fault: Fault | None = None
        self._seen: dict[str, float] = {}
        self._checked, self._compared = 0.0, (0.0, 0.0, 0.0)
        self.reset()

    def feed(self, part: str, late_s: float = 0.0) -> None:
        """Note a sign of life.

        Parameters
        ----------
        part : str
            The part that has just worked.
        late_s : float
            How much older than now the sign is.

        Raises
        ------
        MotionError
            If the watchdog does not watch it.

        Examples
        --------
        >>> Watchdog({"camera": 0.5}).feed("camera")
        """
        if part not in self._limits:
            raise MotionError(f"part must be one of {', '.join(self._limits)}, got {part!r}; add it to limits_s")
        self._seen[part] = self._clock() - late_s

    def watches(self, part: str) -> bool:
        """Whether a part is watched.

        Parameters
        ----------
        part : str
            Its name.

        Returns
        -------
        bool
            True if it has a limit.

        Examples
        --------
        >>> Watchdog({"camera": 0.5}).watches("link")
        False
        """
        return part in self._limits

    def check(self) -> Fault | None:
        """Look at all parts; call this at a steady rate.

        Returns
        -------
        Fault or None
            The first fault since the last reset.

        Examples
        --------
        >>> Watchdog({"camera": 0.5}).check() is None
        True
        """
        before, now, after = self._three_times()
        if self.fault is None:
            gap = now - self._checked
            if not 0 <= gap <= self._gap:  # NaN fails this, too
                self.fault = Fault("clock", now, f"two checks must be 0 to {self._gap:g} s apart, they were {gap:g} s")
            elif not (drift := self._drift_s(before, now, after)) <= self._gap / 4:
                self.fault = Fault(
                    "clock", now, f"two clocks must agree within {self._gap / 4:.3g} s, they came {drift:.3g} s apart"
                )
            else:
                # The longest overdue first, so that the message names the cause; of two
                # equal ones the first given: a dead camera silences the detector, too.
                late = {part: now - self._seen[part] - limit for part, limit in self._limits.items()}
                overdue = max(late.values(), default=0.0)
                ahead = next((part for part, seen in self._seen.items() if not seen <= now), None)
                if ahead is not None:
                    by = self._seen[ahead] - now
                    self.fault = Fault(
                        ahead, now, f"{ahead} must answer before it is asked, its answer is {by:.3g} s in the future"
                    )
                elif overdue > 0:
                    part = next(part for part, by in late.items() if by >= overdue - 1e-9)
                    limit = self._limits[part]
                    self.fault = Fault(
                        part, now, f"{part} must answer every {limit:g} s, it was silent for {limit + overdue:.3g} s"
                    )
        self._checked = now
        return self.fault

    def _three_times(self) -> tuple[float, float, float]:
        """The clock, between two readings of the second one."""
        before = 0.0 if self._steady is None else self._steady()
        now = self._clock()
        return before, now, 0.0 if self._steady is None else self._steady()

    def _drift_s(self, before: float, now: float, after: float) -> float:
        """How far the two clocks came apart since they were last compared anew."""
        if self._steady is None:
            return 0.0
        first_before, first, first_after = self._compared
        # Held up between two readings, the program knows only these two ends.
        least, most = before - first_after, after - first_before
        if most > self._gap:
            self._compared = before, now, after
        return max(least - (now - first), (now - first) - most, 0.0)

    def reset(self) -> None:
        """Forget the fault and start to count anew; a person decides to.

        Examples
        --------
        >>> Watchdog({"camera": 0.5}).reset()
        """
        self._compared = self._three_times()
        now = self._compared[1]
        self.fault = None
        self._checked = now
        self._seen = dict.fromkeys(self._limits, now)
