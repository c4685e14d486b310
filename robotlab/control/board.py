"""The motor board: what it does with commands, and with silence.

:class:`BoardWheels` is the rule, in times and speeds; :class:`Board` speaks
the line protocol of :mod:`robotlab.control.link` around it.
"""

from __future__ import annotations

import time

from robotlab.checks import number
from robotlab.control.line_protocol import BOARD_TIMEOUT_S, LONGEST_LINE, frame, unframe


class BoardWheels:
    """Wheel speeds of a motor board: commanded, or ramping down by themselves.

    Parameters
    ----------
    max_accel_mps2 : float or None
        Deceleration of its own ramp to a halt, m/s^2; ``None`` jumps.
    timeout_s : float
        The command time-out: without a command for longer it halts.

    Attributes
    ----------
    halted : bool
        It was told to halt, or timed out.

    Notes
    -----
    A command is taken as it is, for the computer ramps.  A halt runs along the
    board's own ramp to the end; a command that comes meanwhile waits until the
    ramp has met it, so that no wheel ever jumps.

    Examples
    --------
    >>> wheels = BoardWheels(max_accel_mps2=1.0, timeout_s=0.25)
    >>> wheels.drive(0.0, 0.3, 0.3)
    >>> [round(wheels.at(t_s)[0], 3) for t_s in (0.25, 0.35, 0.6)]
    [0.3, 0.2, 0.0]
    """

    def __init__(self, max_accel_mps2: float | None = 1.0, timeout_s: float = BOARD_TIMEOUT_S) -> None:
        self._accel = (
            float("inf") if max_accel_mps2 is None else number(max_accel_mps2, "max_accel_mps2", 0, open_low=True)
        )
        self._timeout = number(timeout_s, "timeout_s", 0, open_low=True)
        self._speeds = self._goal = (0.0, 0.0)
        self._heard = self._since = 0.0
        self._ramping, self.halted = False, True

    def drive(self, t_s: float, left_mps: float, right_mps: float) -> None:
        """Take a command.

        Parameters
        ----------
        t_s : float
            When it came.
        left_mps, right_mps : float
            Wanted wheel speeds.
        """
        self.at(t_s)
        self._heard, self._goal, self.halted = t_s, (left_mps, right_mps), False
        if not self._ramping:
            self._speeds = self._goal

    def halt(self, t_s: float) -> None:
        """Ramp to rest from now on.

        Parameters
        ----------
        t_s : float
            Now.
        """
        self.at(t_s)
        if not self.halted:
            self.halted, self._ramping, self._since, self._goal = True, True, t_s, (0.0, 0.0)

    def at(self, t_s: float) -> tuple[float, float]:
        """Wheel speeds at a time.

        Parameters
        ----------
        t_s : float
            Not before the last call.

        Returns
        -------
        (left_mps, right_mps) : tuple of float
            What the motors are told.
        """
        if not self.halted and t_s - self._heard > self._timeout:
            self.halted, self._ramping, self._since, self._goal = True, True, self._heard + self._timeout, (0.0, 0.0)
        if self._ramping:
            room = self._accel * (t_s - self._since) if t_s > self._since else 0.0
            self._since = t_s
            left, right = (
                speed + min(max(goal - speed, -room), room)
                for speed, goal in zip(self._speeds, self._goal, strict=True)
            )
            self._speeds = left, right
            self._ramping = self._speeds != self._goal
        return self._speeds


class Board:
    """A motor board in memory: the other end of the line protocol.

    Use it to try a program without hardware, or as the model for firmware.

    Parameters
    ----------
    max_mps : float
        Faster commands are answered with ``NO``.
    clock : callable
        Gives the time in seconds.
    max_accel_mps2 : float
        Deceleration of its own ramp to a halt, m/s^2; at least that of the
        computer's ramp, which the stopping distance is computed with.

    Attributes
    ----------
    ignored : int
        Lines whose check did not agree.

    Examples
    --------
    >>> board = Board()
    >>> _ = board.write(frame("GO", 0, 300, 300))
    >>> board.readline()
    b'OK 0*1D\\n'
    """

    def __init__(self, max_mps: float = 1.0, clock=time.monotonic, max_accel_mps2: float = 1.0) -> None:
        self._max = number(max_mps, "max_mps", 0, open_low=True)
        self._clock = clock
        self._model = BoardWheels(max_accel_mps2)
        self._timed_out = False
        self._in = b""
        self._out = b""
        self.ignored = 0

    def write(self, content: bytes) -> int:
        """Take bytes from the computer, and act on whole lines.

        Parameters
        ----------
        content : bytes
            Any piece of the stream.

        Returns
        -------
        int
            How many bytes were taken.
        """
        self._in += content
        *lines, self._in = self._in.split(b"\n")
        for line in lines:
            self._do(line)
        # A stream of noise without line feeds must not fill the memory.
        if len(self._in) > LONGEST_LINE:
            self.ignored, self._in = self.ignored + 1, b""
        return len(content)

    def readline(self) -> bytes:
        """The next answer.

        Returns
        -------
        bytes
            One line, or nothing if there is none.
        """
        line, feed, self._out = self._out.partition(b"\n")
        return line + feed

    def wheels(self) -> tuple[float, float]:
        """What the wheels are told now.

        Returns
        -------
        (left_mps, right_mps) : tuple of float
            On the way to 0 after HALT, or when no good line came for 250 ms, m/s.
        """
        was, speeds = self._model.halted, self._model.at(self._clock())
        # Halted by a time-out, not by HALT: it asks for a GO at 0 first.
        self._timed_out = self._timed_out or (self._model.halted and not was)
        return speeds

    def _do(self, line: bytes) -> None:
        try:
            word, seq, *values = unframe(line)
            numbers = [int(value) for value in values]
            int(seq)
        except ValueError:  # LinkError is one: a bad check, too few words, no number
            self.ignored += 1
            return
        self.wheels()
        if word == "GO" and len(numbers) == 2:
            if max(abs(value) for value in numbers) > 1000 * self._max:
                self._out += frame("NO", seq, "fast")
                return
            if self._timed_out and any(numbers):
                self._out += frame("NO", seq, "halted")
                return
            self._timed_out = False
            self._model.drive(self._clock(), numbers[0] / 1000, numbers[1] / 1000)
        elif word == "HALT" and not numbers:
            self._timed_out = False
            self._model.halt(self._clock())
        else:
            self._out += frame("NO", seq, "word")
            return
        self._out += frame("OK", seq)
