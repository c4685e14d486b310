"""The line protocol between computer and motor board, version 1.

ASCII lines that end with a line feed, at most 64 bytes.  Each line is
``WORDS*CC``: words parted by single spaces, a star, and the CRC-8 of the
words (polynomial 0x07, start 0, as in SMBus) as two capital hex digits.

=========================  ===============================================
computer to board          meaning
=========================  ===============================================
``GO seq left right``      drive the wheels at these whole mm/s, forward +
``HALT seq``               ramp down, then let go of the motors
=========================  ===============================================

=========================  ===============================================
board to computer          meaning
=========================  ===============================================
``OK seq``                 line ``seq`` was understood and is being done
``NO seq reason``          it was not; the wheels keep their last command
=========================  ===============================================

``seq`` counts up from 0 to 65535 and starts again.  A board answers every
line whose check agrees, and ignores the others.  **A board must ramp to a
halt by itself when no good line has come for 250 ms**, at least as hard as
the computer's ramp: that is the last software guard, and like all software it
is no safety function.  A board that halted so answers ``NO seq halted`` to
every ``GO`` until one at speed 0 has come: the computer may have slept, and
what it sends then is old.
"""

from __future__ import annotations

from robotlab.errors import MotionError

# A good line must come at least this often, or the board halts: five lines
# at 20 Hz, so that one lost line never stops the trolley.
BOARD_TIMEOUT_S = 0.25
LONGEST_LINE = 64


class LinkError(MotionError):
    """The motor board does not answer, or does not answer sense."""


def crc8(content: bytes) -> int:
    """CRC-8 with polynomial 0x07 and start 0 (SMBus).

    Parameters
    ----------
    content : bytes
        What to check.

    Returns
    -------
    int
        0 to 255.

    Examples
    --------
    >>> hex(crc8(b"123456789"))
    '0xf4'
    """
    crc = 0
    for byte in content:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ 0x107 if crc & 0x80 else crc << 1
    return crc


def frame(*words: object) -> bytes:
    """A line of the protocol.

    Parameters
    ----------
    *words : object
        Written with ``str``; no spaces within.

    Returns
    -------
    bytes
        With its check and line feed.

    Examples
    --------
    >>> frame("GO", 0, 250, 250)
    b'GO 0 250 250*60\\n'
    """
    text = " ".join(str(word) for word in words).encode("ascii")
    return text + b"*%02X\n" % crc8(text)


def unframe(line: bytes) -> list[str]:
    """The words of a line whose check agrees.

    Parameters
    ----------
    line : bytes
        One line; its line feed may be missing.

    Returns
    -------
    list of str
        The words.

    Raises
    ------
    LinkError
        If the line is too long, not ASCII, or its check disagrees.

    Examples
    --------
    >>> unframe(frame("OK", 7))
    ['OK', '7']
    """
    body = line.rstrip(b"\r\n")
    text, star, check = body.rpartition(b"*")
    if len(line) > LONGEST_LINE or not star or not text.isascii() or check != b"%02X" % crc8(text):
        raise LinkError(
            f"a line must end in * and its CRC-8, got {bytes(line[:LONGEST_LINE])!r}; check cable, speed and earth"
        )
    return text.decode("ascii").split(" ")
