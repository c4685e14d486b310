"""Wheels on plain pins, through gpiozero: an H-bridge with two inputs for each motor.

The pins are held by a program of its own, and that has a watchdog:
:mod:`robotlab.robot.pin_holder` says against what this helps, and against what
hardware alone does.  It is not a safety function.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import IO, cast

from robotlab.checks import number
from robotlab.control.link import SerialLink
from robotlab.errors import MotionError
from robotlab.robot.pin_holder import check_pins, get_gpiozero

# Starting Python and taking the pins takes a while on a small computer, s (common practice, no source).
_START_S = 20.0


def pin_light(pin: int) -> tuple[Callable[[bool], object], Callable[[], object]]:
    """A LED on a pin, for :func:`robotlab.robot.measure_delay`.

    Parameters
    ----------
    pin : int
        Its BCM number; the LED needs a resistor (its data sheet).

    Returns
    -------
    switch, close : callable
        Switches it; lets the pin go.

    Raises
    ------
    MotionError
        If gpiozero is not installed, or the pin is not to be had.

    Examples
    --------
    >>> switch, close = pin_light(17)  # doctest: +SKIP
    """
    gpiozero = get_gpiozero()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # one for each library of pins that is not there
            led = gpiozero.LED(pin)
    except Exception as error:
        raise MotionError(
            f"pins must be there and free, {pin} is not ({error}); check its number and the rights (group gpio)"
        ) from None
    return (lambda on: led.on() if on else led.off()), led.close


class _Pipes:
    """A byte stream to a program, as :class:`SerialLink` wants it."""

    def __init__(self, process: subprocess.Popen, reply_s: float) -> None:
        self.process, self._reply, self._rest = process, reply_s, b""
        # Both are pipes.
        self._in, self._out = cast("IO[bytes]", process.stdin), cast("IO[bytes]", process.stdout)
        os.set_blocking(self._in.fileno(), False)

    def write(self, content: bytes) -> int:
        return os.write(self._in.fileno(), content)

    def readline(self) -> bytes:
        end, source = time.monotonic() + self._reply / 10, self._out.fileno()
        while b"\n" not in self._rest:
            ready, _, _ = select.select([source], [], [], max(0.0, end - time.monotonic()))
            piece = os.read(source, 4096) if ready else b""
            if ready and not piece:
                raise OSError("the program that holds the pins has ended")
            if not piece:
                return b""
            self._rest += piece
        line, feed, self._rest = self._rest.partition(b"\n")
        return line + feed

    def close(self) -> None:
        # Without us the wheels ramp to a halt, the pins go low, and both programs end.
        self._in.close()
        self.process.wait(10)
        self._out.close()


class PinLink(SerialLink):
    """A motor link to motors on plain pins.

    Parameters
    ----------
    left, right : sequence of int
        Pins (BCM numbers) that turn the wheel forward and backward, and one
        that enables it, if there is one.
    max_mps : float
        Speed of a wheel at full power; :func:`robotlab.robot.calibrate_wheels` measures it.
    max_accel_mps2 : float
        Deceleration of the ramp to a halt, at least that of the computer's.
    reply_s : float
        Longest wait for a confirmation.

    Raises
    ------
    MotionError
        If gpiozero is not installed, or a pin is not to be had.

    Examples
    --------
    >>> PinLink((5, 6), (13,), 0.5)
    Traceback (most recent call last):
    robotlab.errors.MotionError: right must be pins forward, backward and perhaps enable, got (13,); give two or three BCM numbers
    """

    def __init__(
        self,
        left: Sequence[int],
        right: Sequence[int],
        max_mps: float = 0.5,
        max_accel_mps2: float = 1.0,
        reply_s: float = 0.1,
    ) -> None:
        words = [
            number(max_mps, "max_mps", 0, open_low=True),
            number(max_accel_mps2, "max_accel_mps2", 0, open_low=True),
        ]
        pins = [",".join(map(str, check_pins(pins, name))) for pins, name in ((left, "left"), (right, "right"))]
        # A session of its own: Ctrl-C is for the program that drives, which stops the wheels on its way out.
        process = subprocess.Popen(
            # gpiozero warns of each library of pins that it does not find; only that none is there counts.
            [sys.executable, "-W", "ignore", "-m", "robotlab.robot.pin_holder", *pins, *map(str, words)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,
        )
        pipes = _Pipes(process, 10 * _START_S)
        try:
            first = pipes.readline()
        except OSError:
            first = b""
        if first != b"READY\n":
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            pipes.close()
            raise MotionError(
                first.decode("utf-8", "replace").strip() or "pins must be had in time, they were not; try again"
            )
        super().__init__(_Pipes(process, reply_s), reply_s, max_mps)
