"""Kill a labeling program in the midst of its work, again and again: ``python tests/label/kill_labeler.py [1000]``.

Each time a program of its own makes changes as fast as it can, and says each
one that is confirmed.  It is ended by SIGKILL at a random moment, or its disk is
full from a random byte on (a limit on the size of files) and it is killed then.
Afterward the labels file must open, by the data-set contract, with every
confirmed change in it; the next program continues with the same set.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TextIO

import numpy as np

from robotlab.data import Sample, open_dataset, write_dataset
from robotlab.label import LabeledBox, LabelStore, PictureLabels

PICTURES = 12


def work(folder: str, start: int, room: int) -> None:
    """Change labels for ever; change n puts a box of width n % 60 + 1 and height n // 60 + 1 on a picture."""
    import resource

    store = LabelStore(folder)
    assert not store.read_only
    if room:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
    number = start
    while True:
        number += 1
        wide, tall = number % 60 + 1, number // 60 % 900 + 1
        try:
            store.put(
                number % PICTURES + 1, PictureLabels((LabeledBox((0.0, 0.0, float(wide), float(tall)), 1),), True)
            )
        except OSError:
            number -= 1
            time.sleep(0.001)
            continue
        sys.stdout.write(f"{number}\n")
        sys.stdout.flush()


def begin(folder: Path, last: int, room: int, fork: bool) -> tuple[int, TextIO, subprocess.Popen | None]:
    """Start a program that labels: its id, and what it says."""
    if not fork:
        words = [sys.executable, __file__, "--work", str(folder), str(last), str(room)]
        child = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        return child.pid, child.stdout, child
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(read)
        sys.stdout = os.fdopen(write, "w")
        try:
            work(str(folder), last, room)
        finally:
            os._exit(1)
    os.close(write)
    return pid, os.fdopen(read), None


def campaign(home: Path, kills: int, seed: int = 0, fork: bool = False) -> tuple[int, int]:
    """So many kills; how many there were, and how many confirmed changes were lost.

    A program that is started anew takes a second for its imports; a fork of
    this one has them.
    """
    rng = np.random.default_rng(seed)
    picture = np.zeros((900, 61, 3), np.uint8)
    folder = write_dataset(
        home / "set", (Sample(f"{n}.png", picture + np.uint8(n)) for n in range(PICTURES)), ["post"]
    ).folder
    held: dict[int, int] = {}
    last = lost = 0
    for turn in range(kills):
        size = (folder / "annotations.json").stat().st_size
        # Every fourth time the disk is full, at or around the size that the file is going to have.
        room = int(rng.integers(max(1, size - 60), size + 60)) if turn % 4 == 3 else 0
        pid, said, child = begin(folder, last, room, fork)
        with said:
            first = said.readline() if not room else ""
            time.sleep(float(rng.uniform(0, 0.03)) if not room else float(rng.uniform(0.1, 0.2)) * (1 if fork else 5))
            os.kill(pid, signal.SIGKILL)
            confirmed = [int(line) for line in (first + said.read()).splitlines(keepends=True) if line[-1] == "\n"]
        if child is None:
            os.waitpid(pid, 0)
        else:
            child.wait()
        for number in confirmed:
            held[number % PICTURES + 1] = number
        data = open_dataset(folder)
        for entry in data:
            if entry.id not in held:
                continue
            wide, tall = entry.boxes[0, 2:]
            there = (int(tall) - 1) * 60 + int(wide) - 1
            # What was written and not yet confirmed may be there as well, and is newer.
            wanted = held[entry.id] % 54000
            lost += not (there == wanted or (there - wanted) % 54000 == PICTURES)
            if (there - wanted) % 54000 == PICTURES:
                held[entry.id] += PICTURES
        last = max([last, *confirmed, *held.values()])
        left = {path.name for path in folder.iterdir()} - {"annotations.json", "card.md", "pictures"}
        assert len(left) <= 1 and all(name.endswith(".part") for name in left), left
    return kills, lost


if __name__ == "__main__":
    if sys.argv[1:2] == ["--work"]:
        work(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
    with tempfile.TemporaryDirectory() as place:
        done, missing = campaign(Path(place), int(sys.argv[1]) if len(sys.argv) > 1 else 1000, fork=True)
    print(f"{done} kills, {missing} confirmed changes lost")
    sys.exit(missing > 0)
