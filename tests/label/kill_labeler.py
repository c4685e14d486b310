"""Kill a labeling program in the midst of its work, again and again: ``python tests/label/kill_labeler.py [1000]``.

Each time a program of its own makes changes as fast as it can, and says each
one that is confirmed.  It is ended by SIGKILL at a random moment, or its disk is
full from a random byte on (a limit on the size of files) and it is killed then.
Afterwards the labels file must open, by the data-set contract, with every
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


def campaign(home: Path, kills: int, seed: int = 0) -> tuple[int, int]:
    """So many kills; how many there were, and how many confirmed changes were lost."""
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
        words = [sys.executable, __file__, "--work", str(folder), str(last), str(room)]
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as child:
            first = child.stdout.readline() if not room else ""
            time.sleep(float(rng.uniform(0, 0.03)) if not room else float(rng.uniform(0.5, 1.0)))
            os.kill(child.pid, signal.SIGKILL)
            confirmed = [
                int(line) for line in (first + child.stdout.read()).splitlines(keepends=True) if line[-1] == "\n"
            ]
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
        done, missing = campaign(Path(place), int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
    print(f"{done} kills, {missing} confirmed changes lost")
    sys.exit(missing > 0)
