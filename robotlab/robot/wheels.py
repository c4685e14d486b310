"""Open the motor link that a command names: a serial port, or plain pins."""

from __future__ import annotations

import re

from robotlab.control.link import SerialLink
from robotlab.errors import MotionError
from robotlab.robot.pins import PinLink


def open_wheels(where: str, max_mps: float = 0.5) -> SerialLink:
    """Open the motor link that a word names.

    Parameters
    ----------
    where : str
        ``serial:PORT``, with ``@BAUD`` if it is not 115200, such as
        ``serial:/dev/ttyUSB0`` or ``serial:COM3@57600``; or
        ``pins:FORWARD,BACKWARD,FORWARD,BACKWARD`` of the left and the right
        wheel, BCM numbers, such as ``pins:5,6,13,19``.
    max_mps : float
        Faster commands are refused; on pins, the speed at full power.

    Returns
    -------
    SerialLink
        With ``send``, ``stop`` and ``close``; nothing moves yet.

    Raises
    ------
    MotionError
        If the word is none of these, or the port or the pins cannot be had.

    Examples
    --------
    >>> open_wheels("usb0")
    Traceback (most recent call last):
    robotlab.errors.MotionError: wheels must be serial:PORT or pins:5,6,13,19, got 'usb0'; name the port or the pins
    """
    kind, _, rest = str(where).partition(":")
    if kind == "serial" and rest:
        port, at, baud = rest.rpartition("@")
        if at and re.fullmatch("[0-9]{3,7}", baud):
            return SerialLink.open(port, int(baud), max_mps=max_mps)
        return SerialLink.open(rest, max_mps=max_mps)
    if kind == "pins" and re.fullmatch("[0-9]{1,2}(,[0-9]{1,2}){3}", rest):
        pins = [int(pin) for pin in rest.split(",")]
        return PinLink(pins[:2], pins[2:], max_mps)
    raise MotionError(f"wheels must be serial:PORT or pins:5,6,13,19, got {where!r:.60}; name the port or the pins")
