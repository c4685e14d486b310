"""The board's program in C: compiled, compared with the board in Python, joined to our side over a bad line."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import threading
import time

import fuzz_board
import pytest
from fuzz_board import ACCEL_MMPS2, MAX_MMPS, SOURCES, Tally, build, compiler, fuzz
from some_long import some_long

from robotlab.control import SerialLink
from robotlab.control.line_protocol import BOARD_TIMEOUT_S, LinkError

if compiler() is None and not os.environ.get("ROBOTLAB_NEED_CC"):
    pytest.skip("no C compiler here; ROBOTLAB_NEED_CC=1 makes that a failure", allow_module_level=True)


@pytest.fixture(scope="module")
def host(tmp_path_factory):
    return build(tmp_path_factory.mktemp("board"))


def test_damaged_lines_move_no_wheel_wrongly(host):
    tally = Tally()
    fuzz(host, tally, 12_000, seed=1)
    assert not tally.by_chance
    assert tally.kinds.keys() == {"whole", "old", *(each.__name__ for each in fuzz_board.MUTATIONS)}
    assert tally.answers.keys() == {b"OK", b"NO fast", b"NO halted", b"NO old", b"NO word"}
    assert tally.answers[b"OK"] > 1500


# Each of these, planted, is seen: what the comparison could not see, it would not hold.
FAULTS = {
    "the check is not looked at": ("if (memcmp(check, line + length - 4, 4) != 0)\n        return;", ""),
    "a check of 8 bits": ("memcmp(check, line + length - 4, 4)", "memcmp(check + 2, line + length - 2, 2)"),
    "old lines are done": ("ahead >= 1 && ahead <= BOARD_AHEAD", "ahead <= BOARD_AHEAD"),
    "the time-out is late": ("> BOARD_TIMEOUT_MS)", "> BOARD_TIMEOUT_MS + 1)"),
    "the ramp begins late": ("begin_to_halt(board.heard_ms + BOARD_TIMEOUT_MS)", "begin_to_halt(now_ms)"),
    "a halt jumps": ("if (left > room)\n            left = room;", ""),
    "any speed is taken": ("speed_mmps > board.max_mmps ||", "speed_mmps > 30000 ||"),
    "it drives on after a time-out": ("board.wants_zero = true;\n    }", "}"),
    "the end of a long line is a line": ("board.too_long = true;", "board.length = 0;"),
    "a command that comes in a halt jumps": ("if (!board.ramping)\n            board.speed", "board.speed"),
    "letters are digits": ("word[i] < '0' || word[i] > '9'", "word[i] < '0'"),
}


@pytest.mark.slow
@pytest.mark.parametrize("fault", some_long(FAULTS, every=4))
def test_a_planted_fault_is_seen(tmp_path, fault):
    right, wrong = FAULTS[fault]
    shutil.copytree(SOURCES, tmp_path / "board")
    source = (tmp_path / "board" / "board.c").read_text()
    assert source.count(right) == 1
    (tmp_path / "board" / "board.c").write_text(source.replace(right, wrong))
    host = build(tmp_path, tmp_path / "board", sanitize=False)
    with pytest.raises(AssertionError):
        fuzz(host, Tally(), 20_000, seed=1)


def test_there_is_no_malloc_and_little_of_everything():
    source = (SOURCES / "board.c").read_text()
    assert not any(word in source for word in ("malloc", "calloc", "alloca", "float", "double", "printf"))
    header = (SOURCES / "board.h").read_text()
    yours = header[header.index("yours to write") :]
    assert yours.count(");") == 4


class BadLine(threading.Thread):
    """Between two pseudo-terminals: delays, drops, doubles, cuts and garbles what goes either way."""

    def __init__(self, ours: int, theirs: int, seed: int, share: float) -> None:
        super().__init__(daemon=True)
        self._ways, self._rng, self.share = ((ours, theirs), (theirs, ours)), random.Random(seed), share
        self.leave, self.done = threading.Event(), dict.fromkeys(("delay", "drop", "double", "cut", "garble", "old"), 0)

    def run(self) -> None:
        for way in self._ways:
            os.set_blocking(way[0], False)
        queue: list[tuple[float, int, bytes]] = []
        last = b""
        while not self.leave.wait(0.001):
            now = time.monotonic()
            for source, sink in self._ways:
                try:
                    piece = os.read(source, 256)
                except OSError:
                    continue
                due = max([now, *(entry[0] for entry in queue if entry[1] == sink)])
                if self._rng.random() < self.share:
                    how = min(self.done, key=self.done.get)  # each in its turn
                    self.done[how] += 1
                    at = self._rng.randrange(len(piece))
                    if how == "delay":
                        due += self._rng.choice((0.02, 0.1, 0.3))
                    elif how == "old":  # comes once more, much later
                        queue.append((now + 0.4, sink, last))
                    else:
                        changed = bytes([piece[at] ^ self._rng.randrange(1, 256)])
                        piece = {
                            "drop": b"",
                            "double": piece * 2,
                            "cut": piece[:at],
                            "garble": piece[:at] + changed + piece[at + 1 :],
                        }[how]
                queue.append((due, sink, piece))
                last = piece if sink == self._ways[0][1] else last
            for entry in [entry for entry in queue if entry[0] <= now]:
                queue.remove(entry)
                os.write(entry[1], entry[2])


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
@pytest.mark.parametrize(("share", "seed"), [(0.0, 0), (0.3, 1)])
def test_our_side_and_theirs_over_a_bad_line(host, share, seed):
    """Every speed that the motors get was sent, or lies on a ramp; when nothing more is sent, all stands in time."""
    pytest.importorskip("serial", reason="pyserial is an extra: pip install 'robotlab[robot]'")
    import tty

    (ours, port), (theirs, board_end) = os.openpty(), os.openpty()
    tty.setraw(board_end)
    process = subprocess.Popen(
        [host, "live", str(MAX_MMPS), str(ACCEL_MMPS2)],
        stdin=board_end,
        stdout=board_end,
        stderr=subprocess.PIPE,
        text=True,
    )
    line = BadLine(ours, theirs, seed, share)
    line.start()
    sent, refused, rng = {(0, 0)}, 0, random.Random(seed)
    try:
        link = SerialLink.open(os.ttyname(port), reply_s=0.05 if share else 0.5)
        end = time.monotonic() + 2.0
        while time.monotonic() < end:
            speeds = rng.choice(((0, 0), (rng.randrange(-500, 501), rng.randrange(-500, 501))))
            sent.add(speeds)
            try:
                link.send(speeds[0] / 1000, speeds[1] / 1000)
            except LinkError:
                refused += 1
            time.sleep(0.02)
        link.close()
        left_ms = time.monotonic() * 1000
        time.sleep(BOARD_TIMEOUT_S + 0.5 + 0.6)  # time-out, ramp from 500 mm/s, and what was under way
    finally:
        line.leave.set()
        line.join()
        process.terminate()
        log = process.communicate(timeout=20)[1]
        for end in (ours, port, theirs, board_end):
            os.close(end)
    steps = [tuple(map(int, row.split())) for row in log.splitlines()]
    assert steps and steps[-1][1:] == (0, 0)
    assert steps[-1][0] - left_ms < 1000 * (BOARD_TIMEOUT_S + 0.5 + 2)  # a busy machine
    before_ms, before = steps[0][0], (0, 0)
    for ms, *speeds in steps:
        assert max(map(abs, speeds)) <= MAX_MMPS
        ramp = all(abs(a - b) <= ACCEL_MMPS2 * (ms - before_ms + 2) / 1000 + 1 for a, b in zip(speeds, before))
        assert tuple(speeds) in sent or ramp, (ms, speeds, before)
        before_ms, before = ms, speeds
    if share:
        assert refused and all(line.done.values())
    else:
        assert len(steps) > 10
