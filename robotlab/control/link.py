"""The motor link: how wheel speeds reach the motors.

Anything with ``send(left_mps, right_mps)`` and ``stop()`` is a motor link.
Two come with the package: a simulated one, and a serial one that speaks the
line protocol (``line_protocol.py``) to a motor board.
"""

from __future__ import annotations

import inspect
import os
import threading
import time
from collections.abc import Callable
from typing import Any, Protocol, runtime_checkable

import numpy as np

from robotlab.checks import number
from robotlab.control.line_protocol import BOARD_TIMEOUT_S, LONGEST_LINE, SEQUENCES, LinkError, frame, unframe
from robotlab.errors import install_hint


@runtime_checkable
class MotorLink(Protocol):
    """Anything that can be told wheel speeds."""

    def send(self, left_mps: float, right_mps: float) -> object:
        """Drive the wheels at these speeds from now on.

        Parameters
        ----------
        left_mps, right_mps : float
            Speeds over the ground, m/s, positive forward.

        Returns
        -------
        object
            Anything but ``False``, which says that it was not confirmed.
        """
        ...

    def stop(self) -> object:
        """Ramp down and let go of the motors.

        Returns
        -------
        object
            As for :meth:`send`.
        """
        ...


def call_confirmed(call: Callable[..., Any], *speeds_mps: float) -> None:
    """Call ``send`` or ``stop`` of a link; one that comes back is confirmed, one that says no or promises is an error."""
    answer = call(*speeds_mps)
    # NumPy has a False of its own.
    if (isinstance(answer, bool | np.bool_) and not answer) or inspect.isawaitable(answer):
        if inspect.iscoroutine(answer):
            answer.close()
        raise LinkError(
            f"send() and stop() of a motor link must return when the board has confirmed, got {answer!r:.40}; "
            "wait in them, and raise an error if the board does not answer"
        )


class SimulatedLink:
    """A link to no motors: it remembers what it was told, and times out.

    Parameters
    ----------
    timeout_s : float
        The wheels halt when nothing has been sent for this long.
    clock : callable
        Gives the time in seconds.

    Attributes
    ----------
    sent : list of (t_s, left_mps, right_mps)
        Everything sent, in order.

    Examples
    --------
    >>> now = [0.0]
    >>> link = SimulatedLink(timeout_s=0.25, clock=lambda: now[0])
    >>> link.send(0.2, 0.3)
    >>> link.wheels()
    (0.2, 0.3)
    >>> now[0] = 0.3
    >>> link.wheels()
    (0.0, 0.0)
    """

    def __init__(self, timeout_s: float = BOARD_TIMEOUT_S, clock=time.monotonic) -> None:
        self._timeout = number(timeout_s, "timeout_s", 0, open_low=True)
        self._clock = clock
        self.sent: list[tuple[float, float, float]] = []
        self._stopped = True

    def send(self, left_mps: float, right_mps: float) -> None:
        """Drive the wheels at these speeds from now on.

        Parameters
        ----------
        left_mps, right_mps : float
            Speeds, m/s.

        Raises
        ------
        MotionError
            If a speed is not finite.
        """
        left, right = number(left_mps, "left_mps"), number(right_mps, "right_mps")
        self.sent.append((self._clock(), left, right))
        self._stopped = False

    def stop(self) -> None:
        """Halt the wheels."""
        self.sent.append((self._clock(), 0.0, 0.0))
        self._stopped = True

    def wheels(self) -> tuple[float, float]:
        """What the wheels are commanded to do now.

        Returns
        -------
        (left_mps, right_mps) : tuple of float
            0 after a stop or a time-out, m/s.
        """
        if self._stopped or self._clock() - self.sent[-1][0] > self._timeout:
            return 0.0, 0.0
        return self.sent[-1][1:]


class _Port:
    """A serial port whose ``readline`` gives up after its time, however slowly bytes drip in."""

    def __init__(self, port, reply_s: float) -> None:
        self._port, self._reply, self._rest = port, reply_s, b""
        self.write, self.close, self.reset_output_buffer = port.write, port.close, port.reset_output_buffer

    def readline(self) -> bytes:
        end = time.monotonic() + self._reply
        while b"\n" not in self._rest and time.monotonic() < end:
            # Noise without a line feed must not fill the memory.
            self._rest = (self._rest + self._port.read(max(1, self._port.in_waiting)))[-64 * LONGEST_LINE :]
        line, feed, rest = self._rest.partition(b"\n")
        if not feed:
            return b""
        self._rest = rest
        return line + feed


class SerialLink:
    """A link over a serial port, or any byte stream, in the line protocol.

    Parameters
    ----------
    stream : object
        Has ``write(bytes)`` and ``readline() -> bytes`` that gives up after
        its own time-out with what it has; a pyserial port is one.
    reply_s : float
        Longest wait for the answer to one line.
    max_mps : float
        Speeds beyond this are refused, not cut: they are a mistake upstream.
    clock : callable
        Gives the time in seconds.

    Attributes
    ----------
    stream : object
        The stream; of all links over one, one can be driven at a time.

    Examples
    --------
    >>> from robotlab.control.board import Board
    >>> board = Board()
    >>> link = SerialLink(board)
    >>> link.send(0.25, -0.1)
    >>> board.wheels()
    (0.25, -0.1)
    """

    def __init__(self, stream, reply_s: float = 0.1, max_mps: float = 2.0, clock=time.monotonic) -> None:
        self.stream = stream
        self._reply = number(reply_s, "reply_s", 0, open_low=True)
        self._max = number(max_mps, "max_mps", 0, open_low=True)
        self._clock = clock
        self._next = 0
        # Two threads must not read each other's answers; a forked child is nobody's driver.
        self._turn, self._owner = threading.Lock(), os.getpid()
        self._stale = self._begun = False

    @classmethod
    def open(cls, port: str, baud: int = 115200, reply_s: float = 0.1, max_mps: float = 2.0) -> SerialLink:
        """Open a serial port of this machine.

        Parameters
        ----------
        port : str
            Its name, such as ``/dev/ttyUSB0`` or ``COM3``.
        baud : int
            Bits a second, as set in the board.
        reply_s, max_mps : float
            As in the class.

        Returns
        -------
        SerialLink
            Ready to send; nothing has been sent.

        Raises
        ------
        LinkError
            If pyserial is not installed, the port cannot be opened, or another
            program has it.
        """
        try:
            import serial
        except ImportError:
            raise LinkError(
                f"a serial port needs the package pyserial, it is not installed; run {install_hint('robot')}"
            ) from None
        try:
            # Exclusive: whoever opens it after us is refused (POSIX: flock; Windows always does).
            stream = serial.Serial(port, baud, timeout=reply_s / 10, write_timeout=reply_s, exclusive=True)
        except (OSError, ValueError) as error:
            raise LinkError(
                f"port must name a serial port that is free, {port!r} cannot be opened ({error}); check cable and name, end the other program"
            ) from None
        return cls(_Port(stream, reply_s), reply_s, max_mps)

    def send(self, left_mps: float, right_mps: float) -> None:
        """Drive the wheels at these speeds from now on.

        Parameters
        ----------
        left_mps, right_mps : float
            Speeds over the ground, m/s, sent as whole mm/s.

        Raises
        ------
        MotionError
            If a speed is not finite or too high; nothing is sent then.
        LinkError
            If the board does not confirm in time.
        """
        most, repair = self._max, "lower it, or raise max_mps if the trolley is that fast"
        left = number(left_mps, "left_mps", -most, most, repair=repair)
        right = number(right_mps, "right_mps", -most, most, repair=repair)
        wheels = (round(1000 * left), round(1000 * right))
        if not self._begun and any(wheels):
            self._ask("GO", 0, 0)  # the board counts anew from here
        self._ask("GO", *wheels)
        self._begun = True

    def stop(self) -> None:
        """Ramp down and let go of the motors.

        Raises
        ------
        LinkError
            If the board does not confirm in time; cut the power then.
        """
        self._ask("HALT")

    def close(self) -> None:
        """Close the stream, if it can be closed."""
        close = getattr(self.stream, "close", None)
        if close is not None:
            close()

    def _ask(self, word: str, *values: int) -> None:
        if os.getpid() != self._owner:
            raise LinkError("a link must be used by the program that opened it, this is a child of it; end the child")
        if not self._turn.acquire(timeout=2 * self._reply):
            raise LinkError(
                f"the board must answer one line after the other, another thread has waited {2 * self._reply:g} s; check cable and power"
            )
        try:
            self._ask_alone(word, *values)
            self._stale = False
        except LinkError:
            self._stale = True
            raise
        finally:
            self._turn.release()

    def _ask_alone(self, word: str, *values: int) -> None:
        seq = self._next
        self._next = (seq + 1) % SEQUENCES
        try:
            drop = getattr(self.stream, "reset_output_buffer", None)
            if self._stale and drop is not None:
                drop()  # what the board has not read is old: it must not do it later
            self.stream.write(frame(word, seq, *values))
        except Exception as error:  # termios.error, which pyserial lets through, is not an OSError
            raise LinkError(f"the board must take commands, writing failed ({error}); check cable and power") from None
        end = self._clock() + self._reply
        while True:
            try:
                line = self.stream.readline()
            except OSError as error:
                raise LinkError(f"the board must answer, reading failed ({error}); check cable and power") from None
            try:
                words = unframe(line) if line else []
            except LinkError:
                words = []  # half a line, or noise: the answer may still come
            # Answers to earlier lines may still be under way: pass them by.
            if words[:2] == ["OK", str(seq)]:
                return
            if words[:2] == ["NO", str(seq)]:
                raise LinkError(
                    f"the board must accept {word} {values}, it answered {' '.join(words[2:]) or 'no'}; check its limits"
                )
            if self._clock() >= end:
                raise LinkError(
                    f"the board must confirm within {self._reply:g} s, it did not; check cable, power and speed"
                )
