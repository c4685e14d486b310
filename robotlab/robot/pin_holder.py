"""The program that holds the pins of two motors, and its watchdog.

It does what a motor board does, in the same line protocol: without a command for 250 ms it ramps to a halt, also
when the program that drives is killed, suspended or hangs.  A second one, its
parent, is its watchdog: if it is silent for half a second (suspended, or hung in a
library of pins) or dies, the watchdog kills it, takes the pins and puts them low.
A watchdog that dies or hangs ends the first one, which ramps to a halt.

It is not a safety function.  Where both are suspended at once, or the computer
hangs, the pins stay as they are, and the wheels turn on.  Only hardware helps
there: a motor board with a time-out of its own (the serial link), or a driver
whose enable input a timer circuit holds up for as long as pulses come.  Wire
resistors that pull the inputs low, so that nothing turns while nobody holds
the pins, and keep a switch that cuts the motors' power at hand.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any

from robotlab.checks import number
from robotlab.control.board import Board
from robotlab.control.line_protocol import BOARD_TIMEOUT_S
from robotlab.errors import MotionError, install_hint

# The ramp's steps, s; and the longest that the one who holds the pins may be silent.
_STEP_S, _SILENCE_S = 0.01, 2 * BOARD_TIMEOUT_S


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
        gpiozero = get_gpiozero()
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


def get_gpiozero() -> Any:
    """The package of the pins, or an error that says how to get it."""
    try:
        import gpiozero
    except ImportError:
        raise MotionError(f"pins need the package gpiozero, it is not installed; {install_hint('robot')}") from None
    return gpiozero


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


def hold(
    motors: PinMotors, source: int, sink: int, max_mps: float, max_accel_mps2: float, watchdog: int | None = None
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
    watchdog : int, optional
        File to write signs of life to; without a reader it ends as if the other end were closed.

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
                time.sleep(_STEP_S)
            elif select.select([source], [], [], _STEP_S)[0]:
                content = os.read(source, 4096)
                ended = not content
                board.write(content)
            motors.set(*board.wheels())
            if watchdog is not None:
                try:
                    os.write(watchdog, b".")
                except OSError:  # it is gone, or hangs and the pipe is full
                    ended = True
            while answer := board.readline():
                try:
                    os.write(sink, answer)
                except OSError:  # nobody reads anymore
                    ended = True
    finally:
        motors.close()


def run_watchdog(holder: int, signs: int, take: Callable[[], Any], source: int, sink: int) -> str:
    """Watch the program that holds the pins: put them low in its place where it hangs or dies.

    Parameters
    ----------
    holder : int
        Number of its process, a child of this one.
    signs : int
        File that its signs of life come from.
    take : callable
        Takes the pins, all low, and gives an object that can be closed.
    source, sink : int
        Files from and to the driving program: it learns that `sink` is closed, and the pins are kept until it closes `source`.

    Returns
    -------
    str
        What happened, for people; empty if the holder has come to its end.

    Examples
    --------
    >>> signs, ours = os.pipe()
    >>> os.close(ours)
    >>> holder = os.posix_spawn(sys.executable, ["python", "-c", "an_end = 'without a fault'"], os.environ)
    >>> run_watchdog(holder, signs, take=lambda: None, source=0, sink=1)
    ''
    """
    patience = None  # taking the pins may last
    while ready := select.select([signs], [], [], patience)[0]:
        if not os.read(signs, 4096):
            break
        patience = _SILENCE_S
    if not ready:
        os.kill(holder, signal.SIGKILL)
    if os.waitstatus_to_exitcode(os.waitpid(holder, 0)[1]) == 0:
        return ""
    said = f"the program that held the pins {'has died' if ready else 'hung, and was killed'}"
    try:
        motors = take()
    except MotionError as error:
        return f"{said}; THE PINS MAY STILL BE HIGH, cut the motors' power now ({error})"
    finally:
        os.close(sink)
    try:
        while os.read(source, 4096):
            pass
    finally:
        motors.close()
    return f"{said}; all pins were put low"


def _main(words: Sequence[str]) -> None:
    for name in ("SIGINT", "SIGHUP", "SIGTERM"):
        # The wheels are ramped down first: what ends this is the end of the program that drives.
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    left, right = ([int(pin) for pin in word.split(",")] for word in words[:2])
    max_mps, max_accel_mps2 = map(float, words[2:])

    def take() -> PinMotors:
        return PinMotors(left, right, max_mps)

    with suppress(ImportError):  # once for both, before the pins are needed; its absence is said below
        import gpiozero  # noqa: F401
    signs, ours = os.pipe()
    holder = os.fork()
    if holder:
        os.close(ours)
        if said := run_watchdog(holder, signs, take, 0, 1):
            print(f"robotlab: {said}", file=sys.stderr, flush=True)
        return
    os.close(signs)
    os.set_blocking(ours, False)
    try:
        motors = take()
    except MotionError as error:
        os.write(1, f"{error}\n".encode())
        return
    os.write(1, b"READY\n")
    hold(motors, 0, 1, max_mps, max_accel_mps2, watchdog=ours)


if __name__ == "__main__":
    _main(sys.argv[1:])
