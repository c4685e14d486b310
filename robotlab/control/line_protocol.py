"""The line protocol between computer and motor board, version 1.

ASCII lines that end with a line feed, at most 64 bytes before it.  Each line
is ``WORDS*CCCC``: words parted by single spaces, a star, and the CRC-16 of the
words (polynomial 0x1021, start 0xFFFF) as four capital hex digits.  It sees
every change of up to three bits and of up to two bytes that follow one another.

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

``seq`` counts up from 0 to 65535 and starts again.  A number is an optional
minus and one to five digits.  A board answers every line of words and numbers
whose check agrees, and ignores the others.

**A board must ramp to a halt by itself when no line was done for 250 ms**, at
least as hard as the computer's ramp: that is the last software guard, and like
all software it is not a safety function.  A board that halted so answers
``NO seq halted`` to every ``GO`` until one at speed 0 has come: the computer
may have slept, and what it sends then is old.

A ``GO`` is old, and answered ``NO seq old``, unless its number is 1 to 255
ahead of the last one done: lines that come twice or late move no wheel.  A
``GO`` at speed 0 begins a new count where the last command was at speed 0 or
``HALT``; a program begins with one.  ``HALT`` is always done.
"""

from __future__ import annotations

import binascii

from robotlab.errors import MotionError

# A good line must come at least this often, or the board halts: five lines
# at 20 Hz, so that one lost line never stops the trolley.
BOARD_TIMEOUT_S = 0.25
LONGEST_LINE = 64
# Numbers of lines, and how far ahead of the last a new one may be: ten times what can be lost before the time-out.
SEQUENCES, AHEAD = 65536, 255


class LinkError(MotionError):
    """The motor board does not answer, or its answer makes no sense."""


def crc16(content: bytes) -> int:
    """CRC-16 with polynomial 0x1021 and start 0xFFFF.

    Parameters
    ----------
    content : bytes
        What to check.

    Returns
    -------
    int
        0 to 65535.

    Examples
    --------
    >>> hex(crc16(b"123456789"))
    '0x29b1'
    """
    return binascii.crc_hqx(content, 0xFFFF)


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
    b'GO 0 250 250*21C6\\n'
    """
    text = " ".join(str(word) for word in words).encode("ascii")
    return text + b"*%04X\n" % crc16(text)


def unframe(line: bytes) -> list[str]:
    """The words of a line whose CRC matches.

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
    if len(line) > LONGEST_LINE or not star or not text.isascii() or check != b"%04X" % crc16(text):
        raise LinkError(
            f"a line must end in * and its CRC-16, got {bytes(line[:LONGEST_LINE])!r}; check cable, speed and earth"
        )
    return text.decode("ascii").split(" ")
