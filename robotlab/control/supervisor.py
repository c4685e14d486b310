"""The stop, as one small state machine: what may be sent to the motor board.

It is pure: events and their times go in, a speed or ``HALT`` comes out.  It
has no thread, no clock and no port, so all orders of events can be tried on
it; :class:`robotlab.control.RampThread` runs it on a robot, and
:func:`robotlab.loop.simulate` in a simulation.

States and what leads from one to the next::

              stop                       at rest
    READY -----------------> BRAKING ----------------> HALTING
      |                         |                        |  ^
      |  fault                  | fault, silent board    |  | not confirmed:
      +-------------------------+----------------------> |  | again
                                                         +--+
    READY <-- restart (a person) -- HALTED <-- confirmed -'

==========  ==================================================================
state       what :meth:`Supervisor.step` gives
==========  ==================================================================
READY       the commanded speed, along the ramp
BRAKING     0, along the ramp: the time is over, or a person said stop
HALTING     ``HALT``, until the board has confirmed it
HALTED      ``HALT``
==========  ==================================================================

Inputs: a picture (with its own time), a result of the detector, a
velocity command, its line confirmed or not, a step that is due, a control pressed,
held and let go, a fault, stop, HALT confirmed, restart.  Times, all against a clock that only goes forward:

- A picture counts if its own time is later than the last one's, and its age
  is from 0 to `max_age_s`.  Not a number is not in that range.
- Camera, detector, loop and link may be silent for `limits_s`; a picture that
  comes late has used up that much of it, and a velocity command is the sign of
  life of the loop.
- A velocity command holds for `command_hold_s`, then it is 0.
- With `hold_to_run_s` there is motion only while a person holds a control
  (:mod:`robotlab.control.held_control`).  Let go or silent for too long, the speed
  goes to 0 along the ramp, and only pressing anew, in ``READY``, begins again.
- Longer than `board_timeout_s` (less two steps in reserve) without a confirmed
  command, and the board has halted by itself: the next command is 0, and the
  ramp starts from there.

Invariants, which ``tests/control/walk_supervisor.py`` tries to break:

1. No motion is commanded later than the allowed time after the last picture
   that counted, and none while camera, detector, loop or link are silent.
2. After a fault, and after the first ``HALT``, nothing but ``HALT``.
3. A commanded speed rises by no more than one step of the ramp above the last
   one that the board confirmed.
4. After any silence longer than the board's time-out the first command is 0.
5. Where a control is to be held, nothing speeds up later than `hold_to_run_s`
   after the last moment at which it was, nor before it is pressed anew.

A fault is a stop of category 1 of IEC 60204-1: brake, then let go, and the
board does both.  Putting the cable back starts nothing, and a reset only
allows a start (ISO 13850; both from secondary sources).  All of this is
software, hence **no safety function**.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping

from robotlab.checks import number
from robotlab.control.held_control import HeldControl
from robotlab.control.line_protocol import BOARD_TIMEOUT_S
from robotlab.control.ramp import JerkRamp, Ramp, make_ramp
from robotlab.control.safety import Watchdog
from robotlab.errors import MotionError

# What a step gives when only HALT may be sent.
HALT = None


class StopState(enum.Enum):
    """Where the state machine of the stop is.

    Examples
    --------
    >>> Supervisor(0.0, max_accel_mps2=1.0).state
    <StopState.READY: 'ready'>
    """

    READY = "ready"
    BRAKING = "braking"
    HALTING = "halting"
    HALTED = "halted"


class Supervisor:
    """Decide what may be sent to the motor board.

    Parameters
    ----------
    t_s : float
        The time at the start, of a clock that only goes forward.
    now_s : float, optional
        The time on the clock that stamps the pictures, if that is another.
    max_accel_mps2, max_yaw_accel_radps2, max_jerk_mps3 : float or None
        Limits of the ramps, m/s^2, rad/s^2 and m/s^3.
    period_s : float
        Time between two steps.
    command_hold_s : float
        How long a velocity command holds.
    limits_s : mapping of str to float
        Longest silence of ``"camera"``, ``"detector"``, ``"loop"`` and
        ``"link"``; what is not named is not watched.
    delay_s : float
        Age that a picture has when it comes in time.
    max_age_s : float
        An older picture counts as none.
    board_timeout_s : float
        Command time-out of the motor board.
    hold_to_run_s : float or None
        As in :class:`~robotlab.control.held_control.HeldControl`.

    Attributes
    ----------
    state : StopState
        Where it is.
    reason : str
        Why it left ``READY``.
    control : HeldControl
        Told when a person presses, holds and lets go.

    Raises
    ------
    MotionError
        If a number is out of its range.

    Examples
    --------
    >>> stop = Supervisor(0.0, max_accel_mps2=1.0, period_s=0.05)
    >>> stop.command(0.0, 0.5, 0.0)
    >>> stop.step(0.0)  # nothing is known of the board: 0 first
    (0.0, 0.0)
    >>> stop.confirmed(0.0)
    >>> stop.step(0.05), stop.step(0.1)  # the first was not confirmed
    ((0.05, 0.0), (0.05, 0.0))
    >>> stop.fail("the plug came off")
    >>> stop.step(0.15) is HALT
    True
    """

    def __init__(
        self,
        t_s: float,
        now_s: float | None = None,
        *,
        max_accel_mps2: float | None,
        max_yaw_accel_radps2: float | None = 6.0,
        max_jerk_mps3: float | None = None,
        period_s: float = 0.02,
        command_hold_s: float = 0.5,
        limits_s: Mapping[str, float] | None = None,
        delay_s: float = 0.0,
        max_age_s: float = math.inf,
        board_timeout_s: float = BOARD_TIMEOUT_S,
        hold_to_run_s: float | None = None,
    ) -> None:
        self._speed, self._yaw = make_ramp(max_accel_mps2, max_jerk_mps3), make_ramp(max_yaw_accel_radps2)
        self._period = number(period_s, "period_s", 0, open_low=True)
        self._patience = number(command_hold_s, "command_hold_s", 0)
        self._delay, self._max_age = number(delay_s, "delay_s", 0), max_age_s
        # The board counts from what it hears, we from what we sent: two steps are in reserve, but a step is not silence.
        timeout = number(board_timeout_s, "board_timeout_s", 0, open_low=True)
        self._board_s = max(timeout - 2 * self._period, 1.5 * self._period)
        self.control = HeldControl(hold_to_run_s)
        limits = dict(limits_s or {})
        self._t, self._now = t_s, t_s if now_s is None else now_s
        self._watchdog = Watchdog(limits, max(limits.values(), default=1e9), lambda: self._t, lambda: self._now)
        self._begin(t_s)

    def _begin(self, t_s: float) -> None:
        self.state, self.reason = StopState.READY, ""
        self._stamp = -math.inf
        self._wanted, self._wanted_at = (0.0, 0.0), t_s
        self._heard = -math.inf
        self.control.let_go()
        self._rest()

    def _rest(self) -> None:
        for ramp in (self._speed, self._yaw):
            ramp.speed = ramp.accel = 0.0
        self._held: list[tuple[Ramp | JerkRamp, float, float]] = []

    @property
    def speeds(self) -> tuple[float, float]:
        """Forward speed, m/s, and yaw rate, rad/s, of the ramps now."""
        return self._speed.speed, self._yaw.speed

    def _alive(self, part: str, late_s: float = 0.0) -> None:
        if self._watchdog.watches(part):
            self._watchdog.feed(part, late_s)

    def picture(self, t_s: float, stamp_s: float, now_s: float | None = None) -> float | None:
        """A picture has arrived.

        Parameters
        ----------
        t_s : float
            When, on the clock that only goes forward.
        stamp_s : float
            The picture's own time, when it was taken.
        now_s : float, optional
            When it arrived, on the clock of `stamp_s`.

        Returns
        -------
        float or None
            When it was taken, on the clock that only goes forward; ``None`` if
            it counts as no picture.
        """
        self._t = t_s
        age = (t_s if now_s is None else now_s) - stamp_s
        alive = self.state in (StopState.READY, StopState.BRAKING)
        if not (alive and stamp_s > self._stamp and 0 <= age <= self._max_age):
            return None
        self._stamp = stamp_s
        self._alive("camera", max(age - self._delay, 0.0))
        return t_s - age

    def result(self, t_s: float) -> None:
        """The detector has answered.

        Parameters
        ----------
        t_s : float
            When.
        """
        self._t = t_s
        self._alive("detector")

    def command(self, t_s: float, v_mps: float, yaw_radps: float) -> None:
        """Take a velocity command; it holds for `command_hold_s`.

        Parameters
        ----------
        t_s : float
            When it was decided.
        v_mps, yaw_radps : float
            Forward speed and yaw rate.

        Raises
        ------
        MotionError
            If a number is not finite.
        """
        self._wanted, self._wanted_at, self._t = (number(v_mps, "v_mps"), number(yaw_radps, "yaw_radps")), t_s, t_s
        self._alive("loop")

    def step(self, t_s: float, now_s: float | None = None, steps: int = 1) -> tuple[float, float] | None:
        """A command is due.

        Parameters
        ----------
        t_s : float
            Now, on the clock that only goes forward.
        now_s : float, optional
            Now, on the clock that stamps the pictures.
        steps : int
            How many periods this step stands for; more than one is made up
            for only where the trolley slows down.

        Returns
        -------
        (v_mps, yaw_radps) : tuple of float, or None
            What to send; ``None`` (``HALT``) for nothing but HALT.
        """
        before, self._t, self._now = self._now, t_s, t_s if now_s is None else now_s
        if self.state is StopState.BRAKING:
            self._alive("loop")  # it has said its last word
        if not self._now >= before:
            self.fail(f"the clock must not go back, it went from {before:.6g} to {self._now:.6g} s")
        if self.state in (StopState.READY, StopState.BRAKING) and (fault := self._watchdog.check()) is not None:
            self.fail(fault.message)
        if self.state in (StopState.HALTING, StopState.HALTED):
            return HALT
        held = self.control.held(t_s)
        if not 0 <= t_s - self._heard <= self._board_s:
            self._rest()
            if self.state is StopState.BRAKING:
                self.state = StopState.HALTING
                return HALT
            return 0.0, 0.0
        # Not confirmed: the board may not have sped up, so begin once more from where it surely was.
        for ramp, speed, accel in self._held:
            if abs(ramp.speed) > abs(speed):
                ramp.speed, ramp.accel = speed, accel
        allowed = self.state is StopState.READY and held and 0 <= t_s - self._wanted_at <= self._patience
        wanted = self._wanted if allowed else (0.0, 0.0)
        ramps = (self._speed, self._yaw)
        self._held = [(ramp, ramp.speed, ramp.accel) for ramp in ramps]
        for ramp, goal in zip(ramps, wanted, strict=True):
            ramp.step(goal, self._period)
            for _ in range(steps - 1):
                # A jerk limit may still have it speed up: that is not made up for.
                if ramp.speed == goal or abs(goal) > abs(ramp.speed) or ramp.accel * ramp.speed > 0:
                    break
                ramp.step(goal, self._period)
        if self.state is StopState.BRAKING and all(abs(speed) < 1e-9 for _, speed, _ in self._held):
            self.state = StopState.HALTING
            return HALT
        return self.speeds

    def confirmed(self, sent_s: float) -> None:
        """The board has confirmed the last command.

        Parameters
        ----------
        sent_s : float
            When it was sent, at the earliest.
        """
        self._heard, self._held = sent_s, []
        self._alive("link", max(self._t - sent_s, 0.0))

    def fail(self, reason: str) -> None:
        """A part has failed: nothing but HALT from now on.

        Parameters
        ----------
        reason : str
            What happened; the first one is kept.
        """
        if self.state in (StopState.READY, StopState.BRAKING):
            self.state, self.reason = StopState.HALTING, reason

    def stop(self) -> None:
        """Brake along the ramp, then HALT."""
        if self.state is StopState.READY:
            self.state = StopState.BRAKING

    def halt_confirmed(self) -> None:
        """The board has confirmed a HALT."""
        if self.state is StopState.HALTING:
            self.state = StopState.HALTED

    def restart(self, t_s: float, now_s: float | None = None) -> None:
        """Allow motion again; a person has found the cause and decided so.

        Parameters
        ----------
        t_s, now_s : float
            As for :meth:`step`.

        Raises
        ------
        MotionError
            If the board has not confirmed a HALT.
        """
        if self.state is not StopState.HALTED:
            raise MotionError(
                f"a restart must follow a confirmed HALT, the state is {self.state.value}; stop first, and find out why"
            )
        self._t, self._now = t_s, t_s if now_s is None else now_s
        self._watchdog.reset()
        self._begin(t_s)
