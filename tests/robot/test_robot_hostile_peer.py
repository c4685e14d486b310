"""A hostile peer at the other end of the serial line: nothing but the right answer counts, and nobody waits for long."""

from __future__ import annotations

import os
import threading
import time
import tty

import pytest

from robotlab.control import SerialLink
from robotlab.control.line_protocol import LONGEST_LINE, LinkError, frame, unframe

pytest.importorskip("serial", reason="pyserial is an extra: pip install 'robotlab[robot]'")
pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
REPLY_S = 0.1


class Peer(threading.Thread):
    """Answers each line that comes with what a function makes of its number; between them it may talk by itself."""

    def __init__(self, answer, talk: bytes = b"", pause_s: float = 0.0) -> None:
        super().__init__(daemon=True)
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.port = os.ttyname(self._theirs)
        self._answer, self._talk, self._pause, self.leave = answer, talk, pause_s, threading.Event()
        self.start()

    def run(self) -> None:
        os.set_blocking(self._ours, False)
        waiting = b""
        while not self.leave.wait(self._pause or 0.001):
            try:
                waiting += os.read(self._ours, 4096)
            except OSError:
                pass
            *lines, waiting = waiting.split(b"\n")
            for line in lines:
                self._say(self._answer(line))
            self._say(self._talk)

    def _say(self, content: bytes) -> None:
        try:
            os.write(self._ours, content)
        except OSError:
            pass  # its buffer is full: a flood

    def close(self) -> None:
        self.leave.set()
        self.join()
        for each in (self._ours, self._theirs):
            os.close(each)


def seq(line: bytes) -> int:
    return int(unframe(line)[1])


def late(line: bytes) -> bytes:
    time.sleep(3 * REPLY_S)
    return frame("OK", seq(line))


NEVER = {
    "silence": (lambda line: b"",),
    "late answers": (late,),
    "an echo": (lambda line: line + b"\n",),
    "wrong checks": (lambda line: frame("OK", seq(line))[:-5] + b"0000\n",),
    "checks in small letters": (
        lambda line: b"OK %d*%s\n" % (seq(line), frame("OK", seq(line))[-5:-1].lower() + b"x"),
    ),
    "old numbers": (lambda line: frame("OK", (seq(line) - 1) % 65536),),
    "numbers to come": (lambda line: frame("OK", seq(line) + 1),),
    "a number in other signs": (lambda line: frame("OK", f"+{seq(line)}"),),
    "no line feed": (lambda line: frame("OK", seq(line))[:-1],),
    "two answers in one": (lambda line: frame("OK", seq(line))[:-1] + frame("OK", seq(line)),),
    "zero bytes": (lambda line: b"", b"\0" * 500),
    "an endless line": (lambda line: b"", b"OK 1 " * 100),
    "a flood of other answers": (lambda line: b"", frame("OK", 4242) * 40),
    "a flood of noise": (lambda line: b"", bytes(range(256)) * 4),
    "bytes that drip": (lambda line: b"", b"x", 0.02),
}


@pytest.mark.parametrize("name", NEVER)
def test_nothing_but_the_right_answer_confirms(name):
    peer = Peer(*NEVER[name])
    link = SerialLink.open(peer.port, reply_s=REPLY_S)
    try:
        for call in (lambda: link.send(0.1, 0.1), link.stop):
            begin = time.monotonic()
            with pytest.raises(LinkError, match=r"must confirm within 0.1 s|writing failed"):
                call()
            assert time.monotonic() - begin < 5  # a busy machine; the wait itself is .1 s
            assert len(link.stream._rest) <= 64 * LONGEST_LINE
    finally:
        link.close()
        peer.close()


@pytest.mark.parametrize(
    "before", [b"", b"\0\0\n", b"\xff" * 300 + b"\n", frame("OK", 7), frame("NO", 9, "fast"), b"\n" * 50]
)
@pytest.mark.parametrize("after", [b"", b"\xff\0", frame("NO", 5, "old")])
def test_the_right_answer_counts_among_noise(before, after):
    peer = Peer(lambda line: before + frame("OK", seq(line)) + after)
    link = SerialLink.open(peer.port, reply_s=2.0)
    try:
        link.send(0.0, 0.0)
        # What came behind the answer belongs to no later one.
        if after != b"\xff\0" or before.endswith(b"\n"):
            link.send(0.1, -0.1)
    finally:
        link.close()
        peer.close()


@pytest.mark.parametrize("reason", ["\x1b[2J\x1b[31mstop", "fast " * 6, "\x07", ""])
def test_a_refusal_is_told_in_one_printable_line(reason):
    peer = Peer(lambda line: frame("NO", seq(line), reason))
    link = SerialLink.open(peer.port, reply_s=2.0)
    try:
        with pytest.raises(LinkError) as caught:
            link.send(0.1, 0.1)
        assert str(caught.value).isprintable()
    finally:
        link.close()
        peer.close()


def test_the_other_end_goes_away():
    peer = Peer(lambda line: frame("OK", seq(line)))
    link = SerialLink.open(peer.port, reply_s=2.0)
    link.send(0.1, 0.1)
    peer.close()
    with pytest.raises(LinkError, match="check cable"):
        link.send(0.1, 0.1)
    with pytest.raises(LinkError, match="check cable"):
        link.stop()
    link.close()
