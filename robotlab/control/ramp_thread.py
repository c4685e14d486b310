"""The ramp in a thread of its own, at a steady rate.

Pictures come unevenly; motors want even steps: the loop only sets a velocity command, and this thread sends it.
"""

from __future__ import annotations

import ctypes
import math
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import TypeVar

from robotlab.checks import error_message, number
from robotlab.control.differential_drive import DifferentialDrive, scale_wheel_speeds
from robotlab.control.jitter import Jitter
from robotlab.control.line_protocol import BOARD_TIMEOUT_S
from robotlab.control.link import MotorLink, call_confirmed
from robotlab.control.ramp import speed_change_time_s
from robotlab.control.safety import read_clocks, steady_s
from robotlab.control.supervisor import HALT, StopState, Supervisor
from robotlab.errors import MotionError

T = TypeVar("T")

# How long a link may hang, and an unconfirmed HALT is sent again: ten times the serial link's longest wait.
_GRACE_S = 1.0
# Links in use, by their stream if they have one: each has one owner, until its thread has ended.
_OWNED: dict[int, object] = {}
_OWNING = threading.Lock()


class RampThread:
    """Step the ramps and send the wheel speeds, at a steady rate.

    Parameters
    ----------
    link : MotorLink
        Where wheel speeds go.
    drive : DifferentialDrive
        The trolley's wheels.
    max_accel_mps2 : float
        Acceleration limit, m/s^2.
    max_yaw_accel_radps2 : float
        Limit of the change of the yaw rate, rad/s^2.
    max_mps : float
        Speed limit of each wheel.
    max_jerk_mps3 : float or None
        Jerk limit of the forward speed, m/s^3.
    rate_hz : float
        Steps a second.
    command_hold_s : float
        Without a new velocity command for this long, it is 0.
    limits_s, delay_s, board_timeout_s, hold_to_run_s
        As in :class:`~robotlab.control.supervisor.Supervisor`.  Where the link is watched, a send that fails is
        tried again at the next step; else it is a fault.  A picture older than the camera's limit counts as none.
    clock : callable
        The time of the pictures, s; held against :func:`~robotlab.control.safety.steady_s`.

    Attributes
    ----------
    error : BaseException or None
        The fault that ended the thread.
    clock_error : Exception or None
        What `clock` raised, or that it gave no number.
    halt_error : BaseException or None
        Why no HALT was confirmed; ``None`` if one was.

    Raises
    ------
    MotionError
        If a limit is not a positive number or the link lacks ``send`` or
        ``stop``, or, at the start, if the link has another owner.

    Notes
    -----
    What may be sent is for :class:`~robotlab.control.supervisor.Supervisor` to say: after a fault only HALT, which is
    sent again until it is confirmed or one second is over.  Steps are due at fixed times, so lateness does not add up.
    On a machine that is not a real-time one a step can be late by milliseconds: measure it with :meth:`jitter`.  Use the
    thread as a context manager: leaving it ramps down and stops the link; leaving it by an error is a fault.

    Examples
    --------
    >>> from robotlab.control.link import SimulatedLink
    >>> link = SimulatedLink()
    >>> with RampThread(link, DifferentialDrive(), max_accel_mps2=1.0, rate_hz=100) as thread:
    ...     thread.command(0.1, 0.0)
    ...     time.sleep(0.1)
    >>> link.wheels()
    (0.0, 0.0)
    """

    def __init__(
        self,
        link: MotorLink,
        drive: DifferentialDrive,
        *,
        max_accel_mps2: float,
        max_yaw_accel_radps2: float = 6.0,
        max_mps: float = 0.8,
        max_jerk_mps3: float | None = None,
        rate_hz: float = 50.0,
        command_hold_s: float = 0.5,
        limits_s: Mapping[str, float] | None = None,
        delay_s: float = 0.0,
        board_timeout_s: float = BOARD_TIMEOUT_S,
        hold_to_run_s: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if not isinstance(link, MotorLink):
            raise MotionError(
                f"a motor link must have send(left_mps, right_mps) and stop(), {type(link).__name__} has not; "
                "without stop() nothing could halt the motors"
            )
        self._link, self._drive, self._clock = link, drive, clock
        self._owned = getattr(link, "stream", link)
        self._max = number(max_mps, "max_mps", 0, open_low=True)
        self._period = 1 / number(rate_hz, "rate_hz", 0, open_low=True)
        limits_s = dict(limits_s or {})
        self._limits, self._watched = (max_accel_mps2, max_yaw_accel_radps2, max_jerk_mps3), "link" in limits_s
        self._stop = Supervisor(
            *read_clocks(clock),
            max_accel_mps2=max_accel_mps2,
            max_yaw_accel_radps2=max_yaw_accel_radps2,
            max_jerk_mps3=max_jerk_mps3,
            period_s=self._period,
            command_hold_s=number(command_hold_s, "command_hold_s", 0, open_low=True),
            limits_s=limits_s,
            delay_s=delay_s,
            max_age_s=limits_s.get("camera", math.inf),
            board_timeout_s=board_timeout_s,
            hold_to_run_s=hold_to_run_s,
        )
        # It holds the state machine, never a call of something that is not ours: a clock or a link may hang.
        self._lock, self._told_s = threading.Lock(), -math.inf
        self._in_clock = self._left = False
        self._late: list[float] = []
        self._missed, self._turned = 0, 0.0
        self._done_at = time.monotonic()
        self._refused: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="ramp", daemon=True)
        self.error: BaseException | None = None
        self.clock_error: Exception | None = None
        self.halt_error: BaseException | None = None

    def __enter__(self) -> RampThread:
        if self._thread.ident is not None:
            raise MotionError("a ramp thread must be started once, this one has been; make a new one")
        with _OWNING:
            if id(self._owned) in _OWNED:
                raise MotionError(
                    "a motor link must have one owner, this one is being driven already; end that drive first, "
                    "or make a new link if its thread hangs"
                )
            _OWNED[id(self._owned)] = self._owned
        self._done_at = time.monotonic()
        try:
            self._thread.start()
        except BaseException:
            self._disown()
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        # Ctrl-C and SystemExit are a person's stop; anything else is a part that failed.
        if isinstance(error, Exception):
            with self._at_once():
                self._stop.fail(error_message(error))
        self.close()
        if error is not None and self.halt_error is not None:
            error.add_note(str(self.halt_error))

    def tell(self, event: Callable[[Supervisor, float, float], T]) -> T:
        """Tell the state machine of the stop what has happened.

        Parameters
        ----------
        event : callable
            Called with the :class:`~robotlab.control.supervisor.Supervisor`,
            the time and the time on `clock`, while the thread waits.

        Returns
        -------
        object
            What `event` returns.
        """
        while True:
            t_s, now_s = read_clocks(self._clock)
            with self._lock:
                # Another thread was quicker: read again, for the time told must not go back.
                if t_s >= self._told_s:
                    self._told_s = t_s
                    return event(self._stop, t_s, now_s)

    @contextmanager
    def _at_once(self) -> Iterator[None]:
        """Hold the lock if it can be had in time: what forbids motion is not to wait for it."""
        free = self._lock.acquire(timeout=_GRACE_S)
        try:
            yield
        finally:
            if free:
                self._lock.release()

    def command(self, v_mps: float, yaw_radps: float) -> None:
        """Set the velocity command; it holds for `command_hold_s`.

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
        if not self._thread.is_alive():
            raise MotionError(
                f"the ramp thread must be running, it ended ({error_message(self.error) if self.error else 'closed'}); start a new one"
            )
        with self._lock:
            self._told_s = max(steady_s(), self._told_s)
            self._stop.command(self._told_s, v_mps, yaw_radps)

    def close(self) -> None:
        """Ramp down, stop the link and end the thread.

        A second Ctrl-C waits until that is done.  A link or a clock that hangs is left, and the link told to
        stop once more from here; :attr:`error` says so.  Should it come back, it gets nothing but HALT.
        """
        with self._at_once():
            self._stop.stop()
        pressed = self._join(self._thread, 0.0 if self._left else self._stop_time_s() + 2 * _GRACE_S)
        if self._thread.is_alive() and not self._left:
            self._left = True
            part = "clock" if self._in_clock else "motor link"
            repair = "pass time.monotonic" if self._in_clock else "cut the power, then check cable and board"
            self.error = self.error or MotionError(
                f"the {part} must come back, it hung for {self.silent_s():.3g} s; {repair}"
            )
            with self._at_once():
                self._stop.fail(error_message(self.error))
            # The command that it hangs in must not go out late.
            with suppress(AttributeError):
                ctypes.pythonapi.PyThreadState_SetAsyncExc(
                    ctypes.c_ulong(self._thread.ident or 0), ctypes.py_object(SystemExit)
                )
            last = threading.Thread(target=self._halt_once, name="last stop", daemon=True)
            last.start()
            pressed = self._join(last, _GRACE_S) or pressed
            if self._stop.state is not StopState.HALTED:
                self.halt_error = self.halt_error or self.error
        if pressed is not None:
            raise pressed

    def _stop_time_s(self) -> float:
        """Longest time that ramping down takes from now."""
        (v, yaw), (max_accel_mps2, max_yaw_accel_radps2, jerk) = self._stop.speeds, self._limits
        ways = [speed_change_time_s(yaw, max_yaw_accel_radps2), speed_change_time_s(v, max_accel_mps2, jerk)]
        # Still speeding up: the acceleration has to be taken back first.
        return max(ways) + (2 * max_accel_mps2 / jerk if jerk else 0.0) + 2 * self._period

    def _join(self, thread: threading.Thread, patience_s: float) -> BaseException | None:
        """Wait for a thread while it gets on; an interruption waits as well, and is given back."""
        pressed, end = None, time.monotonic() + patience_s
        while (
            thread.is_alive()
            and (left := end - time.monotonic()) > 0
            and (thread is not self._thread or self.silent_s() < _GRACE_S)
        ):
            try:
                thread.join(min(left, 0.1))
            except BaseException as error:
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
    def held(self) -> bool:
        """Whether the control that a person is to hold is held; True if there is none."""
        with self._lock:
            return self._stop.control.held(steady_s())

    @property
    def turned_rad(self) -> float:
        """Yaw that the confirmed commands add up to, rad."""
        return self._turned

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
        return Jitter.of(self._late, self._missed)

    def _run(self) -> None:
        try:
            due, steps = time.monotonic(), 1
            while True:
                due, steps = self._wait_until(due + self._period)
                if not self._step(steps):
                    break
            if self._stop.reason and self.error is None:
                of_link = self._refused if self._stop.reason.startswith("link ") else None
                why = f" ({error_message(of_link)})" if of_link else ""
                self.error = MotionError(f"{self._stop.reason}{why}; find the cause, then start again")
        except BaseException as error:
            self.error = self.error or error
        finally:
            self._stop.fail(error_message(self.error))
            self._halt()
            self._disown()

    def _disown(self) -> None:
        with _OWNING:
            _OWNED.pop(id(self._owned), None)

    def _wait_until(self, due: float) -> tuple[float, int]:
        now = time.monotonic()
        skipped = int((now - due) / self._period) if now - due > self._period else 0
        # Left out, not sent in a burst.
        self._missed += skipped
        due += skipped * self._period
        time.sleep(min(self._period, max(0.0, due - now)))  # a clock that jumps back holds nothing up
        self._late.append(time.monotonic() - due)
        return due, 1 + skipped

    def _step(self, steps: int) -> bool:
        """One command; False when only HALT may be sent."""
        self._in_clock = True
        try:
            order = self.tell(lambda stop, t_s, now_s: stop.step(t_s, now_s, steps))
        except Exception as error:
            self.clock_error = error
            raise
        self._in_clock = False
        if order is HALT:
            return False
        sent = steady_s()
        try:
            call_confirmed(self._link.send, *scale_wheel_speeds(*self._drive.wheels(*order), self._max))
        except Exception as error:
            # One lost line is not a lost link: the silence says when it is.
            if not self._watched:
                raise
            self._refused = error
        else:
            with self._lock:
                self._stop.confirmed(sent)
            self._turned += order[1] * self._period
        self._done_at = time.monotonic()
        return True

    def _halt_once(self) -> bool:
        try:
            call_confirmed(self._link.stop)
        except BaseException as error:
            self.halt_error = MotionError(
                f"HALT must be confirmed, it was not ({error_message(error)}); cut the power, then check cable and board"
            )
            return False
        with self._at_once():
            self._stop.halt_confirmed()
        self.halt_error = None
        return True

    def _halt(self) -> None:
        """Send HALT until it is confirmed, for a while."""
        end = time.monotonic() + _GRACE_S
        while not self._halt_once() and time.monotonic() < end:
            self._done_at = time.monotonic()
            time.sleep(self._period)
