"""The motor board: what it does with commands, and with silence.

:class:`BoardWheels` is the rule, in times and speeds; :class:`Board` speaks
the line protocol of :mod:`robotlab.control.link` around it.
"""

from __future__ import annotations

import math
import re
import time

from robotlab.checks import number
from robotlab.control.line_protocol import AHEAD, BOARD_TIMEOUT_S, LONGEST_LINE, SEQUENCES, LinkError, frame, unframe

_NUMBER = re.compile("-?[0-9]{1,5}")


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
    goal : (float, float)
        Speeds that it was told, 0 when halted, m/s.

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
        self._speeds = self.goal = (0.0, 0.0)
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
        self._heard, self.goal, self.halted = t_s, (left_mps, right_mps), False
        if not self._ramping:
            self._speeds = self.goal

    def halt(self, t_s: float) -> None:
        """Ramp to rest from now on.

        Parameters
        ----------
        t_s : float
            Now.
        """
        self.at(t_s)
        if not self.halted:
            self.halted, self._ramping, self._since, self.goal = True, True, t_s, (0.0, 0.0)

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
            self.halted, self._ramping, self._since, self.goal = True, True, self._heard + self._timeout, (0.0, 0.0)
        if self._ramping:
            room = self._accel * (t_s - self._since) if t_s > self._since else 0.0
            self._since = t_s
            # A rounding error must not keep a ramp from its end.
            left, right = (
                goal if abs(goal - speed) <= room + 1e-9 else speed + math.copysign(room, goal - speed)
                for speed, goal in zip(self._speeds, self.goal, strict=True)
            )
            self._speeds = left, right
            self._ramping = self._speeds != self.goal
        return self._speeds


class Board:
    """A motor board in memory: the other end of the line protocol.

    Use it to try a program without hardware, or as the model for firmware;
    ``robotlab/robot/board/`` has the same in C.

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
        Lines whose check did not agree, or that are not words and numbers.

    Examples
    --------
    >>> board = Board()
    >>> _ = board.write(frame("GO", 0, 0, 0) + frame("GO", 1, 300, 300))
    >>> board.readline(), board.wheels()
    (b'OK 0*E35B\\n', (0.3, 0.3))
    """

    def __init__(self, max_mps: float = 1.0, clock=time.monotonic, max_accel_mps2: float = 1.0) -> None:
        self._max = number(max_mps, "max_mps", 0, open_low=True)
        self._clock = clock
        self._model = BoardWheels(max_accel_mps2)
        self._wants_zero = True  # as after a time-out: power that came back moves no wheel
        self._last: int | None = None  # number of the last line done
        self._in, self._skip = b"", False
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
            if self._skip:
                self._skip = False  # the end of a line whose beginning was too long already
            else:
                self._do(line)
        # A stream of noise without line feeds must not fill the memory.
        if len(self._in) > LONGEST_LINE:
            self.ignored, self._in, self._skip = self.ignored + (not self._skip), b"", True
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
        self._wants_zero = self._wants_zero or (self._model.halted and not was)
        return speeds

    def _do(self, line: bytes) -> None:
        try:
            word, *numbers = unframe(line)
        except LinkError:
            numbers = []
        if not numbers or not all(_NUMBER.fullmatch(each) for each in numbers) or not 0 <= int(numbers[0]) < SEQUENCES:
            self.ignored += 1
            return
        seq, *speeds = map(int, numbers)
        self.wheels()
        refusal = None
        if word == "GO" and len(speeds) == 2:
            new = self._last is None or 1 <= (seq - self._last) % SEQUENCES <= AHEAD
            if max(abs(speed) for speed in speeds) > 1000 * self._max:
                refusal = "fast"
            elif any(speeds) and self._wants_zero:
                refusal = "halted"
            elif not new and (any(speeds) or any(self._model.goal)):
                refusal = "old"
            else:
                self._wants_zero, self._last = False, seq
                self._model.drive(self._clock(), speeds[0] / 1000, speeds[1] / 1000)
        elif word == "HALT" and not speeds:
            self._wants_zero = False
            if self._last is None or 1 <= (seq - self._last) % SEQUENCES <= AHEAD:
                self._last = seq
            self._model.halt(self._clock())
        else:
            refusal = "word"
        self._out += frame("NO", seq, refusal) if refusal else frame("OK", seq)
