"""Wheels on plain pins, through gpiozero: an H-bridge with two inputs for each motor.

A small program of its own holds the pins and does what a motor board does, in
the same line protocol: without a command for 250 ms it ramps to a halt, also
when the program that drives is killed, stopped or hangs.  It is no safety
function.  A killed computer leaves its pins as they are: wire resistors that
pull the inputs low, and keep a switch that cuts the motors' power at hand.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from typing import Any

from robotlab.checks import number
from robotlab.control.board import Board
from robotlab.control.link import SerialLink
from robotlab.errors import MotionError, install_hint

# The ramp's steps, s.
_STEP_S = 0.01
# Starting Python and taking the pins takes a while on a small computer, s (common practice, no source).
_START_S = 20.0


class PinMotors:
    """Two motors on pins; held by the program that :class:`PinLink` starts.

    Parameters
    ----------
    left, right : sequence of int
        Pins (BCM numbers) that turn the wheel forward and backward, and one
        that enables it, if there is one.
    max_mps : float
        Speed of a wheel at full power.
    pin_factory : gpiozero.Factory, optional
        By default gpiozero chooses.

    Raises
    ------
    MotionError
        If gpiozero is not installed, or a pin is not to be had.

    Examples
    --------
    >>> import importlib.util
    >>> if importlib.util.find_spec("gpiozero"):
    ...     from gpiozero.pins.mock import MockFactory, MockPWMPin
    ...     motors = PinMotors((5, 6), (13, 19), 0.5, MockFactory(pin_class=MockPWMPin))
    ...     motors.set(0.25, -0.5)
    ...     motors.close()
    """

    def __init__(self, left: Sequence[int], right: Sequence[int], max_mps: float, pin_factory: Any = None) -> None:
        self._max = number(max_mps, "max_mps", 0, open_low=True)
        pins = [*check_pins(left, "left"), *check_pins(right, "right")]
        if len(set(pins)) < len(pins):
            raise MotionError(f"each pin must be used once, got {pins}; check the wiring")
        try:
            import gpiozero
        except ImportError:
            raise MotionError(f"pins need the package gpiozero, it is not installed; {install_hint('robot')}") from None
        self._motors: list[Any] = []
        try:
            for each in (left, right):
                enable = each[2] if len(each) == 3 else None
                self._motors.append(gpiozero.Motor(each[0], each[1], enable=enable, pin_factory=pin_factory))
        except Exception as error:  # each library of pins has errors of its own
            self.close()
            raise MotionError(
                f"pins must be there and free, {pins} are not ({error}); check their numbers, the rights (group gpio), other programs"
            ) from None

    def set(self, left_mps: float, right_mps: float) -> None:
        """Drive the wheels.

        Parameters
        ----------
        left_mps, right_mps : float
            Speeds, forward +; beyond `max_mps` full power.
        """
        for motor, speed in zip(self._motors, (left_mps, right_mps), strict=True):
            motor.value = max(-1.0, min(1.0, speed / self._max))

    def close(self) -> None:
        """All pins low, then let go of them."""
        for motor in self._motors:
            try:
                motor.stop()
            finally:
                motor.close()


def check_pins(pins: Sequence[int], name: str) -> tuple[int, ...]:
    """Return the pins of one motor, or say what is wrong.

    Parameters
    ----------
    pins : sequence of int
        Two or three.
    name : str
        How the error message calls them.

    Returns
    -------
    tuple of int
        The same.

    Raises
    ------
    MotionError
        If they are not two or three numbers from 0 to 99.

    Examples
    --------
    >>> check_pins([5, 6], "left")
    (5, 6)
    """
    pins = tuple(pins)
    if len(pins) not in (2, 3) or not all(isinstance(pin, int) and 0 <= pin < 100 for pin in pins):
        raise MotionError(
            f"{name} must be pins forward, backward and perhaps enable, got {pins!r}; give two or three BCM numbers"
        )
    return pins


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
    try:
        import gpiozero
    except ImportError:
        raise MotionError(f"pins need the package gpiozero, it is not installed; {install_hint('robot')}") from None
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
        os.set_blocking(process.stdin.fileno(), False)

    def write(self, content: bytes) -> int:
        return os.write(self.process.stdin.fileno(), content)

    def readline(self) -> bytes:
        end, source = time.monotonic() + self._reply / 10, self.process.stdout.fileno()
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
        # Without us it ramps to a halt, puts the pins low, and ends.
        self.process.stdin.close()
        self.process.wait(10)
        self.process.stdout.close()


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
            [sys.executable, "-W", "ignore", "-m", "robotlab.robot.pins", *pins, *map(str, words)],
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
            process.kill()
            pipes.close()
            raise MotionError(
                first.decode("utf-8", "replace").strip() or "pins must be had in time, they were not; try again"
            )
        super().__init__(_Pipes(process, reply_s), reply_s, max_mps)


def hold(
    motors: PinMotors,
    source: int,
    sink: int,
    max_mps: float,
    max_accel_mps2: float,
    sleep: Callable[[float], Any] = time.sleep,
) -> None:
    """Be the motor board of two motors, until the other end is closed and the wheels stand.

    Parameters
    ----------
    motors : PinMotors
        Closed at the end.
    source, sink : int
        Files to read commands from and write answers to.
    max_mps, max_accel_mps2 : float
        As for :class:`robotlab.control.board.Board`.
    sleep : callable
        Waits, once the other end is closed.

    Examples
    --------
    >>> import os
    >>> class Shown:
    ...     def set(self, left_mps, right_mps):
    ...         pass
    ...     def close(self):
    ...         print("pins low")
    >>> source, ours = os.pipe()
    >>> os.close(ours)
    >>> hold(Shown(), source, 1, 0.5, 1.0)
    pins low
    """
    board, ended = Board(max_mps, max_accel_mps2=max_accel_mps2), False
    try:
        while not ended or board.wheels() != (0.0, 0.0):
            if ended:
                sleep(_STEP_S)
            elif select.select([source], [], [], _STEP_S)[0]:
                content = os.read(source, 4096)
                ended = not content
                board.write(content)
            motors.set(*board.wheels())
            while answer := board.readline():
                try:
                    os.write(sink, answer)
                except OSError:  # nobody reads any more
                    ended = True
    finally:
        motors.close()


def _main(words: Sequence[str]) -> None:
    import signal

    for name in ("SIGINT", "SIGHUP", "SIGTERM"):
        # The wheels are ramped down first: what ends this is the end of the program that drives.
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    left, right = ([int(pin) for pin in word.split(",")] for word in words[:2])
    max_mps, max_accel_mps2 = map(float, words[2:])
    try:
        motors = PinMotors(left, right, max_mps)
    except MotionError as error:
        os.write(1, f"{error}\n".encode())
        return
    os.write(1, b"READY\n")
    hold(motors, 0, 1, max_mps, max_accel_mps2)


if __name__ == "__main__":
    _main(sys.argv[1:])
