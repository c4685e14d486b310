"""The ramp in a thread of its own, at a steady rate.

Pictures come unevenly; motors want even steps.  So the loop that sees only
sets a wanted speed, and this thread steps the ramp and talks to the motors,
whatever the tracker is doing.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

import numpy as np

from robotlab.errors import MotionError
from robotlab.motion.checks import number
from robotlab.motion.drive import Drive, keep_turn
from robotlab.motion.link import MotorLink
from robotlab.motion.ramp import JerkRamp, Ramp, make_ramp, speed_change_time_s
from robotlab.motion.safety import Watchdog


# A link that has not come back this long after the ramp should be over hangs:
# ten times the longest wait for an answer of the serial link.
_GRACE_S = 1.0


@dataclass(frozen=True)
class Jitter:
    """How steady the thread was.

    Attributes
    ----------
    steps : int
        Steps measured.
    mean_s : float
        Mean lateness of a step, s.
    p99_s : float
        Lateness that 99 % of the steps stay under (linear method), s.
    worst_s : float
        Largest lateness of a step, s.
    missed : int
        Steps left out because the one before took too long.
    """

    steps: int
    mean_s: float
    p99_s: float
    worst_s: float
    missed: int


class RampThread:
    """Step the ramps and send the wheel speeds, at a steady rate.

    Parameters
    ----------
    link : MotorLink
        Where wheel speeds go.
    drive : Drive
        The trolley's wheels.
    max_accel : float
        Acceleration limit, m/s^2.
    max_yaw_accel : float
        Limit of the change of the yaw rate, rad/s^2.
    max_mps : float
        Speed limit of each wheel.
    max_jerk : float or None
        Jerk limit of the forward speed, m/s^3.
    rate_hz : float
        Steps a second.
    command_s : float
        Without a new wanted speed for this long, the wanted speed is 0.
    watchdog : Watchdog or None
        Checked at each step; it is fed ``"link"`` after each good send if it
        watches that, and then a send that fails is tried again at the next
        step; else it ends the thread.  When it trips, the thread ramps down,
        stops the link and ends.

    Attributes
    ----------
    error : BaseException or None
        What ended the thread, or kept it from stopping the link.

    Raises
    ------
    MotionError
        If a limit is not a positive number.

    Notes
    -----
    Steps are due at fixed times, so lateness does not add up.  On a machine
    that is not a real-time one a step can be late by milliseconds: measure it
    with :meth:`jitter`.  Steps left out are made up for where the trolley slows
    down, so that a slow link does not lengthen a stop; where it speeds up they
    are not.  Use the thread as a context manager: leaving it, even by an error,
    ramps down and stops the link.

    Examples
    --------
    >>> from robotlab.motion.link import SimulatedLink
    >>> link = SimulatedLink()
    >>> with RampThread(link, Drive(), max_accel=1.0, rate_hz=100) as thread:
    ...     thread.want(0.1, 0.0)
    ...     time.sleep(0.1)
    >>> link.wheels()
    (0.0, 0.0)
    """

    def __init__(
        self,
        link: MotorLink,
        drive: Drive,
        *,
        max_accel: float,
        max_yaw_accel: float = 6.0,
        max_mps: float = 0.8,
        max_jerk: float | None = None,
        rate_hz: float = 50.0,
        command_s: float = 0.5,
        watchdog: Watchdog | None = None,
    ) -> None:
        self._link, self._drive, self._watchdog = link, drive, watchdog
        self._speed = make_ramp(max_accel, max_jerk)
        self._yaw = make_ramp(max_yaw_accel)
        self._max = number(max_mps, "max_mps", 0, open_low=True)
        self._period = 1 / number(rate_hz, "rate_hz", 0, open_low=True)
        self._patience = number(command_s, "command_s", 0, open_low=True)
        self._lock = threading.Lock()
        self._wanted = (0.0, 0.0)
        self._wanted_at = time.monotonic()
        self._leave = threading.Event()
        self._late: list[float] = []
        self._missed = 0
        self._due_steps = 1
        self._done_at = time.monotonic()
        self._refused: Exception | None = None
        self._left = False
        self._thread = threading.Thread(target=self._run, name="ramp", daemon=True)
        self.error: BaseException | None = None

    def __enter__(self) -> RampThread:
        self._done_at = time.monotonic()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def want(self, v_mps: float, yaw_radps: float) -> None:
        """Set the wanted motion; it holds for `command_s`.

        Parameters
        ----------
        v_mps : float
            Forward speed.
        yaw_radps : float
            Yaw rate, positive to the left.

        Raises
        ------
        MotionError
            If a number is not finite, or the thread has ended.
        """
        wanted = number(v_mps, "v_mps"), number(yaw_radps, "yaw_radps")
        if not self._thread.is_alive():
            raise MotionError(f"the ramp thread must be running, it ended ({self.error or 'closed'}); start a new one")
        with self._lock:
            self._wanted, self._wanted_at = wanted, time.monotonic()

    def close(self) -> None:
        """Ramp down, stop the link and end the thread.

        A second Ctrl-C waits until that is done.  A link that hangs is told to
        stop once more from here and then left; :attr:`error` says so.
        """
        self._leave.set()
        pressed = self._join(self._thread, 0.0 if self._left else self._stop_time_s() + _GRACE_S)
        if self._thread.is_alive() and not self._left:
            self._left = True
            self.error = self.error or MotionError(
                f"the motor link must come back, it hung for {self.silent_s():.3g} s; cut the power, then check cable and board"
            )
            last = threading.Thread(target=self._stop_link, name="last stop", daemon=True)
            last.start()
            pressed = self._join(last, _GRACE_S) or pressed
        if pressed is not None:
            raise pressed

    def _stop_time_s(self) -> float:
        """Longest time that ramping down takes from now."""
        speed, turn = self._speed, self._yaw
        jerk = getattr(speed, "max_jerk", None)
        ways = [speed_change_time_s(turn.speed, turn.max_accel), speed_change_time_s(speed.speed, speed.max_accel, jerk)]
        # Still speeding up: the acceleration has to be taken back first.
        return max(ways) + (2 * speed.max_accel / jerk if jerk else 0.0) + 2 * self._period

    @staticmethod
    def _join(thread: threading.Thread, seconds: float) -> BaseException | None:
        """Wait for a thread; an interruption waits as well, and is given back."""
        pressed, end = None, time.monotonic() + seconds
        while thread.is_alive() and (left := end - time.monotonic()) > 0:
            try:
                thread.join(left)
            except BaseException as error:  # noqa: BLE001 - Ctrl-C now would leave the trolley driving
                pressed = error
        return pressed

    def silent_s(self) -> float:
        """How long the thread has been waiting for the link.

        Returns
        -------
        float
            Time since the last step was done, s; long when the link hangs.
        """
        return time.monotonic() - self._done_at

    @property
    def steps(self) -> int:
        """Steps made so far."""
        return len(self._late)

    def jitter(self) -> Jitter:
        """How late the steps were so far.

        Returns
        -------
        Jitter
            Measured on this machine's monotonic clock.

        Raises
        ------
        MotionError
            If no step has been made yet.
        """
        late = np.array(self._late)
        if not len(late):
            raise MotionError("jitter needs steps to measure, none was made; start the thread and wait")
        return Jitter(len(late), float(late.mean()), float(np.percentile(late, 99)), float(late.max()), self._missed)

    def _run(self) -> None:
        try:
            due = time.monotonic()
            while not self._leave.is_set():
                due = self._wait_until(due + self._period)
                if self._watchdog is not None:
                    fault = self._watchdog.check()
                    if fault is not None:
                        said = f" ({self._refused})" if fault.part == "link" and self._refused else ""
                        raise MotionError(f"{fault.message}{said}; find the cause, then start again")
                with self._lock:
                    wanted, age = self._wanted, time.monotonic() - self._wanted_at
                self._step(*(wanted if age <= self._patience else (0.0, 0.0)))
        except BaseException as error:  # noqa: BLE001 - whatever ended it is kept for the caller
            self.error = error
        finally:
            self._ramp_down()

    def _wait_until(self, due: float) -> float:
        now = time.monotonic()
        skipped = int((now - due) / self._period) if now - due > self._period else 0
        # Left out, not sent in a burst.
        self._missed += skipped
        due += skipped * self._period
        self._due_steps = 1 + skipped
        time.sleep(max(0.0, due - now))
        self._late.append(time.monotonic() - due)
        return due

    def _step(self, v_mps: float, yaw_radps: float) -> None:
        v, yaw = self._ramp(self._speed, v_mps), self._ramp(self._yaw, yaw_radps)
        watched = self._watchdog is not None and self._watchdog.watches("link")
        try:
            self._link.send(*keep_turn(*self._drive.wheels(v, yaw), self._max))
        except Exception as error:
            # One lost line is no lost link: the watchdog says when it is.
            if not watched:
                raise
            self._refused = error
        else:
            if watched:
                self._watchdog.feed("link")
        self._done_at = time.monotonic()

    def _ramp(self, ramp: Ramp | JerkRamp, wanted: float) -> float:
        """One step, or as many as are due where the speed falls."""
        ramp.step(wanted, self._period)
        for _ in range(self._due_steps - 1):
            if ramp.speed == wanted or abs(wanted) > abs(ramp.speed):
                break
            ramp.step(wanted, self._period)
        return ramp.speed

    def _stop_link(self) -> None:
        try:
            self._link.stop()
        except BaseException as error:  # noqa: BLE001 - kept for the caller
            self.error = self.error or error

    def _ramp_down(self) -> None:
        try:
            due = time.monotonic()
            while abs(self._speed.speed) > 1e-9 or abs(self._yaw.speed) > 1e-9:
                due = self._wait_until(due + self._period)
                self._step(0.0, 0.0)
        except BaseException as error:  # noqa: BLE001 - the link itself is gone
            self.error = self.error or error
        finally:
            self._stop_link()
