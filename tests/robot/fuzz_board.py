"""Damaged lines for the board's program in C, against the board in Python.

    python tests/robot/fuzz_board.py --lines 1000000

The program is compiled with all warnings as errors and with the sanitizers for
addresses and undefined behavior.  Traffic of a drive is damaged in the ways below;
after each piece both boards must have given the same answers and have the same
wheel speeds.  Apart from that, by rules that need no board: a piece without a whole
line that was really sent moves no wheel, no wheel is faster than allowed, and after
the time-out and the ramp all stand.
"""

from __future__ import annotations

import argparse
import io
import os
import random
import re
import shutil
import struct
import subprocess
import tempfile
import time
from collections import Counter, deque
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import robotlab
from robotlab.control.board import Board
from robotlab.control.line_protocol import BOARD_TIMEOUT_S, frame

SOURCES = Path(robotlab.__file__).parent / "robot" / "board"
HOST = Path(__file__).parent / "board_host.c"
MAX_MMPS, ACCEL_MMPS2 = 500, 1000
WARNINGS = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-Wpedantic", "-Wconversion", "-Wshadow", "-Wno-sign-conversion"]
SANITIZERS = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
# Longer than any line.
BEYOND = 65
# Damaged pieces to one life of a board.
LIFE = 20_000


def compiler() -> str | None:
    """A C compiler, of CC or on the path."""
    return next(filter(None, map(shutil.which, (os.environ.get("CC", "cc"), "gcc", "clang"))), None)


def build(folder: Path, sources: Path = SOURCES, sanitize: bool = True) -> Path:
    """The board's program with its host, compiled."""
    host = folder / "board_host"
    files = [str(HOST), str(sources / "board.c")]
    extra = SANITIZERS if sanitize else []
    command = [compiler(), *WARNINGS, *extra, "-O1", "-g", f"-I{sources}", *files, "-o", str(host)]
    ran = subprocess.run(command, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    return host


# --- traffic ---------------------------------------------------------------------------


def flip_bits(rng, line):
    out = bytearray(line)
    for _ in range(rng.choice((1, 1, 2, 3, 5, 9))):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def change_bytes(rng, line):
    out = bytearray(line)
    for _ in range(rng.choice((1, 2, 3, 8))):
        out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def change_digits(rng, line):
    """Another number that looks well, under the old check."""
    out = bytearray(line)
    places = [i for i, byte in enumerate(line) if 48 <= byte < 58]
    for at in rng.sample(places, min(len(places), rng.choice((1, 1, 2, 3)))):
        out[at] = 48 + rng.randrange(10)
    return bytes(out)


def change_check(rng, line):
    return line[:-5] + b"%04X\n" % rng.randrange(65536)


def cut(rng, line):
    return line[: rng.randrange(len(line))]


def behead(rng, line):
    return line[rng.randrange(1, len(line)) :]


def drop_bytes(rng, line):
    at = rng.randrange(len(line))
    return line[:at] + line[at + rng.choice((1, 1, 2, 5)) :]


def insert(rng, line):
    at = rng.randrange(len(line) + 1)
    noise = bytes(rng.choice(b" -+0159*\r\n\0\t\xff\x80GHx_") for _ in range(rng.choice((1, 1, 2, 70))))
    return line[:at] + noise + line[at:]


def swap(rng, line):
    out = bytearray(line)
    i, j = rng.randrange(len(out)), rng.randrange(len(out))
    out[i], out[j] = out[j], out[i]
    return bytes(out)


def double(rng, line):
    return line * rng.choice((2, 3))


def noise(rng, line):
    return rng.randbytes(rng.choice((1, 10, 64, 65, 66, 200)))


def no_feeds(rng, line):
    return b"GO 1 300 300*" * rng.randrange(1, 12)


ODD = (b"+5", b"1_0", b"0x5", b"", b"-", b"--5", b"65536", b"-1", b"99999", b"100000", b"5.0", b"\t5", b"007", b"-0")
ODD += (b"\xd9\xa3", b"5\0", b"GO", b"NaN", b"501", b"-501", b"500", b"0", b"2147483648")


def nonsense(rng, line):
    """Words that are none, under a check that agrees."""
    words = [rng.choice((b"GO", b"HALT", b"go", b"GOO", b"OK", b"NO", b"", b"STOP"))]
    words += [rng.choice((*ODD, b"%d" % rng.randrange(-600, 600))) for _ in range(rng.randrange(6))]
    text = rng.choice((b" ", b" ", b" ", b"  ", b"\t")).join(words)
    return checked(text) if rng.random() < 0.9 else checked(text)[:-1] + b"\r\r\n"


def checked(text: bytes) -> bytes:
    from robotlab.control.line_protocol import crc16

    return text + b"*%04X\n" % crc16(text)


MUTATIONS = (flip_bits, change_bytes, change_digits, change_check, cut, behead, drop_bytes, insert, swap, double)
MUTATIONS += (noise, no_feeds, nonsense)


class Traffic:
    """Lines of drives one after the other, most of them damaged; old ones come again."""

    def __init__(self, seed: int) -> None:
        self._rng, self._seq, self._left = random.Random(seed), 0, 0
        self.sent = [frame("GO", 0, 0, 0)]
        self.now_ms = self._rng.choice((0, 1000, 2**32 - 60_000))

    def next(self) -> tuple[bytes, str, bytes]:
        """A piece of the stream, what was done to it, and the line before that."""
        rng = self._rng
        self.now_ms += rng.choice((0, 1, 5, 20, 20, 50, 50, rng.choice((100, 200, 249, 250, 251, 400, 900))))
        if not self._left:  # another drive; its program may count from anywhere
            self._left, self._seq = rng.randrange(1, 60), rng.choice((0, self._seq, rng.randrange(65536)))
            line = frame("GO", self._seq, 0, 0)
        elif self._left == 1 or rng.random() < 0.03:
            line = frame("HALT", self._seq)
        else:
            speed = rng.choice(
                (0, 500, -500, rng.choice((501, 70_000, 300)), *(rng.randrange(-500, 501) for _ in range(4)))
            )
            line = frame("GO", self._seq, speed, rng.choice((speed, rng.randrange(-500, 501))))
        self._left -= 1
        self._seq = (self._seq + 1) % 65536
        self.sent = [*self.sent[-40:], line]
        chance = rng.random()
        if chance < 0.35:
            return line, "whole", line
        if chance < 0.42:
            return rng.choice(self.sent), "old", line
        how = rng.choice(MUTATIONS)
        damaged = how(rng, line)
        # What is cut at its end runs into the next line, as on a real wire.
        return damaged, how.__name__, line


# --- both boards -----------------------------------------------------------------------


@dataclass
class Tally:
    """What came of it."""

    kinds: Counter = field(default_factory=Counter)
    answers: Counter = field(default_factory=Counter)
    by_chance: list[bytes] = field(default_factory=list)


# What may be done: numbers as the protocol writes them.
_LINE = re.compile(rb"(?:GO -?[0-9]{1,5} -?[0-9]{1,5} -?[0-9]{1,5}|HALT -?[0-9]{1,5})\*[0-9A-F]{4}")


def fuzz(host: Path, tally: Tally, damaged: int, seed: int = 0) -> None:
    """Feed both boards until so many damaged pieces were tried; an AssertionError names the first difference."""
    traffic, pieces = Traffic(seed), []
    sent = deque((line.rstrip(b"\n") for line in traffic.sent), 200)
    while damaged > 0:
        pieces.append((*traffic.next(), traffic.now_ms))
        damaged -= pieces[-1][1] != "whole"
    records = b"".join(struct.pack("<IH", ms % 2**32, len(piece)) + piece for piece, _, _, ms in pieces)
    command = [host, "replay", str(MAX_MMPS), str(ACCEL_MMPS2)]
    ran = subprocess.run(command, input=records, capture_output=True)
    assert ran.returncode == 0, ran.stderr.decode()
    answers = io.BytesIO(ran.stdout)

    now = [0]
    board = Board(MAX_MMPS / 1000, clock=lambda: Fraction(now[0], 1000), max_accel_mps2=ACCEL_MMPS2 / 1000)
    last_done, waiting = 0, b""
    for piece, kind, line, now[0] in pieces:
        tally.kinds[kind] += 1
        board.write(piece)
        theirs, board._out = board._out, b""
        (size,) = struct.unpack("<H", answers.read(2))
        ours, wheels = answers.read(size), struct.unpack("<ii", answers.read(8))
        what = f"after {kind} {piece!r} at {now[0]} ms, piece {tally.kinds.total()}, seed {seed}"
        assert ours == theirs, f"{ours!r}, not {theirs!r}, {what}"
        wanted = [1000 * float(speed) for speed in board.wheels()]
        assert all(abs(a - b) < 1.01 for a, b in zip(wheels, wanted)), f"{wheels}, not {wanted}, {what}"

        # And without a board: only what was sent, or written with a check that agrees on purpose, is done.
        assert max(map(abs, wheels)) <= MAX_MMPS, what
        sent.append(line.rstrip(b"\n"))
        if kind == "nonsense":
            sent.append(piece.rstrip(b"\r\n"))
        *lines, waiting = (waiting + piece).split(b"\n")
        waiting = waiting[-BEYOND:]
        if b"OK" in ours:
            last_done = now[0]
            good = [line for line in (each.rstrip(b"\r") for each in lines) if _LINE.fullmatch(line)]
            good = [line for line in good if checked(line[:-5]) == line + b"\n"]
            assert good, what
            tally.by_chance += [line for line in good if line not in sent]
        if now[0] - last_done > 1000 * BOARD_TIMEOUT_S + 1000 * MAX_MMPS / ACCEL_MMPS2:
            assert wheels == (0, 0), what
        for line in ours.splitlines():
            word, _, *reason = line.partition(b"*")[0].split()
            tally.answers[b" ".join([word, *reason])] += 1


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--lines", type=int, default=1_000_000, help="damaged pieces to try")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    begin = time.monotonic()
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        host = build(Path(folder))
        for life, begun in enumerate(range(0, options.lines, LIFE)):
            fuzz(host, tally, min(LIFE, options.lines - begun), options.seed + life)
    pieces, damaged = tally.kinds.total(), tally.kinds.total() - tally.kinds["whole"]
    print(f"{damaged} damaged of {pieces} pieces in {time.monotonic() - begin:.0f} s, no difference")
    print("kinds:", ", ".join(f"{name} {count}" for name, count in tally.kinds.most_common()))
    print("answers:", ", ".join(f"{name.decode()} {count}" for name, count in tally.answers.most_common()))
    print(f"damaged, and the check agreed by chance: {len(tally.by_chance)}", *tally.by_chance[:5])


if __name__ == "__main__":
    main()
