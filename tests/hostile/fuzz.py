"""Mutate valid files and options, and give them to the doors: each must give one clear error, or work.

    python tests/hostile/fuzz.py --cases 10000        # of each kind; --kind labels for one

Cases run in forked children with limits on time and memory, in which no
other program may be started and nothing written.  A case that fails is kept in
``tests/hostile/cases``, and from then on runs with the tests.  Needs a POSIX
system.  The mutations are seeded: the same seed and number make the same file.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from pathlib import Path

import numpy as np
from kinds import KINDS, Kind, folder_for

from robotlab.errors import InputError, printable

CASES = Path(__file__).with_name("cases")
# Beyond what the process has when it forks, and more than any case may take.
MEMORY_BYTES = 2**30
SECONDS = 20
CASES_A_CHILD = 100
# Resident memory of the largest child so far, kB (on Linux), its parent's share included.
LARGEST_KB = [0]
# Audit events that a case must not cause (Python's table of audit events).
FORBIDDEN = {
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "os.posix_spawn",
    "os.fork",
    "os.forkpty",
    "pickle.find_class",
    "socket.connect",
}


def in_children(kind: Kind, contents: list[bytes], home: Path) -> list[str | None]:
    """What is wrong with how each file was taken; None where nothing is.  One child takes many, until one ends it."""
    said: list[str | None] = []
    while len(said) < len(contents):
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            _take_all(kind, contents[len(said) :], home, writing)
        os.close(writing)
        late = False
        with os.fdopen(reading, "rb") as lines:
            try:
                signal.setitimer(signal.ITIMER_REAL, SECONDS)
                for line in lines:
                    said.append(json.loads(line))
                    signal.setitimer(signal.ITIMER_REAL, SECONDS)
            except TimeoutError:
                late = True
                os.kill(child, signal.SIGKILL)
            finally:
                signal.setitimer(signal.ITIMER_REAL, 0)
        _, status, used = os.wait4(child, 0)
        LARGEST_KB[0] = max(LARGEST_KB[0], used.ru_maxrss)
        if len(said) < len(contents):
            said.append(f"took more than {SECONDS} s" if late else f"ended by status {status}")
    return said


def _take_all(kind: Kind, contents: list[bytes], home: Path, writing: int) -> None:
    """In the child: take one file after the other, and say what is wrong with each."""
    pages = int(Path("/proc/self/statm").read_text().split()[0]) if Path("/proc/self/statm").exists() else 2**20
    limit = pages * resource.getpagesize() + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    (home / "out").mkdir(exist_ok=True)
    os.chdir(home / "out")
    printed = tempfile.TemporaryFile()  # noqa: SIM115
    os.dup2(printed.fileno(), 1), os.dup2(printed.fileno(), 2)
    watching: list[Kind] = []
    sys.addaudithook(lambda event, arguments: _guard(event, arguments, kind) if watching else None)
    for content in contents:
        (home / kind.name).write_bytes(content)
        watching.append(kind)
        said = _take_one(kind, home / kind.name)
        watching.clear()
        if printed.tell():
            said = said or f"printed {printed.tell()} bytes"
            printed.seek(0), printed.truncate()
        os.write(writing, json.dumps(said).encode() + b"\n")
    os._exit(0)


def _take_one(kind: Kind, path: Path) -> str | None:
    try:
        kind.use(path)
    except InputError as error:
        if not str(error).isprintable() and printable(str(error)) != str(error):
            return "an error that is not one printable line"
        if len(str(error)) > 3000:
            return f"an error of {len(str(error))} characters"
    except BaseException:
        return traceback.format_exc()[-3000:]
    return None


def _guard(event: str, arguments: tuple, kind: Kind) -> None:
    if event in FORBIDDEN:
        raise RuntimeError(f"{event} {arguments}")
    if (
        event == "open"
        and isinstance(arguments[2], int)
        and not kind.writes
        and arguments[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
    ):
        raise RuntimeError(f"written: {arguments[0]}")


def late(*_: object) -> None:
    raise TimeoutError


def fuzz(kind: str, cases: int, seed: int, keep: bool) -> list[str]:
    """What went wrong in so many cases of a kind."""
    valid, mutate, wrong = KINDS[kind].valid(), KINDS[kind].mutate, []
    home = folder_for(kind)
    try:
        said = in_children(KINDS[kind], valid, home)
        assert not any(said), f"a valid file of kind {kind} must pass: {said}"
        for first in range(0, cases, CASES_A_CHILD):
            numbers = range(first, min(cases, first + CASES_A_CHILD))
            contents = [
                mutate(np.random.default_rng([seed, n, *kind.encode()]), valid[n % len(valid)]) for n in numbers
            ]
            for number, content, said in zip(numbers, contents, in_children(KINDS[kind], contents, home), strict=True):
                if said is None:
                    continue
                wrong.append(f"{kind}, seed {seed}, case {number}: {said}")
                if keep:
                    CASES.mkdir(exist_ok=True)
                    name = f"{kind}-{hashlib.sha256(content).hexdigest()[:12]}{Path(KINDS[kind].name).suffix}"
                    (CASES / name).write_bytes(content)
    finally:
        shutil.rmtree(home.parent)
    return wrong


def replay() -> list[str]:
    """What goes wrong with the cases that once failed."""
    wrong = []
    for kind in KINDS:
        paths = sorted(CASES.glob(f"{kind}-*"))
        home = folder_for(kind)
        said = in_children(KINDS[kind], [path.read_bytes() for path in paths], home)
        shutil.rmtree(home.parent)
        wrong += [f"{path.name}: {words}" for path, words in zip(paths, said, strict=True) if words]
    return wrong


def main_fuzz() -> int:
    """Replay the kept cases, then make new ones."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=10_000, help="of each kind")
    parser.add_argument("--kind", choices=KINDS, action="append", help="only this kind")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--no-keep", action="store_true", help="do not keep the cases that fail")
    options = parser.parse_args()
    signal.signal(signal.SIGALRM, late)
    wrong = replay()
    for kind in options.kind or KINDS:
        began, before = time.monotonic(), len(wrong)
        wrong += fuzz(kind, options.cases, options.seed, not options.no_keep)
        took = f"{time.monotonic() - began:.0f} s, largest child {LARGEST_KB[0] / 1000:.0f} MB"
        print(f"{kind}: {options.cases} cases, {len(wrong) - before} wrong ({took})", flush=True)
        LARGEST_KB[0] = 0
    print("\n\n".join(wrong[:20]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main_fuzz())
