"""Measure the detector's quality over seeds, and each half of the coins from the other.

``python instructor/measure_quality.py`` fits every row of ``ROWS`` with ``--seeds``
seeds that drive the drawing of pictures, the augmentation and the fit, and appends a
line a fit to ``instructor/quality.jsonl``; what stands there is not done again.
``--guide`` writes the table, mean and Student's 95 % interval, into the contributor's
guide.  Fine-tuning takes minutes for each seed: ``--rows`` names rows by a part of
their name.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from robotlab.course import shipped
from robotlab.data import DataSet, open_dataset
from robotlab.neural import fit
from robotlab.neural.engine.workers import core_count
from robotlab.neural.learning_curves import nested_subsets
from robotlab.neural.validation import detect_all, metrics_of
from robotlab.sweep import mean_interval
from robotlab.sweep.part_runner import training_recordings
from robotlab.sweep.running import commit, processor

LOG = Path(__file__).with_name("quality.jsonl")
GUIDE = Path(__file__).parent.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- quality: begin -->", "<!-- quality: end -->"
HEAD: dict = {}
FINE = {"training": "fine_tuning", "engine": "numpy"}
# Name, data set, what is learned from (pictures, or the half of the coins that is left out), options of fit().
ROWS = (
    ("coins, right half left out, head fit", "coins", "right", HEAD),
    ("coins, left half left out, head fit", "coins", "left", HEAD),
    ("greenhouse, head fit, 25 pictures", "greenhouse", 25, HEAD),
    ("greenhouse, head fit, 50 pictures", "greenhouse", 50, HEAD),
    ("greenhouse, head fit, 100 pictures", "greenhouse", 100, HEAD),
    ("greenhouse, head fit, all pictures", "greenhouse", None, HEAD),
    ("coins, right half left out, fine-tuning", "coins", "right", FINE),
    ("coins, left half left out, fine-tuning", "coins", "left", FINE),
    # Shorter ones, for time against AP.
    *(
        (f"greenhouse, fine-tuning, {passes} passes", "greenhouse", None, {**FINE, "epochs": passes})
        for passes in (10, 18, 28)
    ),
    ("greenhouse, fine-tuning", "greenhouse", None, FINE),
)


def sides(source: str, which: str | int | None, seed: int) -> tuple[DataSet, DataSet]:
    """Pictures to learn from, and those of other recordings to judge on.

    Parameters
    ----------
    source : str
        Name of a shipped data set.
    which : str, int or None
        Recording left out, number of pictures drawn, or None for all.
    seed : int
        Of the drawing.

    Returns
    -------
    (DataSet, DataSet)
        No recording is on both sides.
    """
    data = open_dataset(shipped(f"datasets/{source}"))
    if isinstance(which, str):
        rest = [name for name in data.recordings if name != which]
        return data.only(recordings=rest), data.only(recordings=which)
    train = training_recordings()
    test = data.only(recordings=[name for name in data.recordings if name not in train.recordings])
    return (nested_subsets(train, [which], seed)[0] if which else train), test


def measured(number: int, seed: int) -> dict:
    """Fit and judge one row with one seed.

    Parameters
    ----------
    number : int
        Of the row.
    seed : int
        Of everything drawn.

    Returns
    -------
    dict
        A line of the log.
    """
    name, source, which, options = ROWS[number]
    train, test = sides(source, which, seed)
    began = time.monotonic()
    detector = fit(train, seed=seed, progress=False, **options)
    entry = {"row": name, "seed": seed, "seconds": round(time.monotonic() - began, 1), "cores": core_count()}
    entry |= {
        "steps": detector.facts.get("steps"),
        "learned": len(train),
        "judged": len(test),
        "commit": commit(),
        "processor": processor(),
    }
    numbers = metrics_of(test, detect_all(detector, test))
    return entry | {key: round(numbers[key], 4) for key in ("AP50", "AP")}


def known(path: Path) -> list[dict]:
    """Lines of the log.

    Parameters
    ----------
    path : Path
        The log, or none yet.

    Returns
    -------
    list of dict
        In the order in which they were measured.
    """
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def guide_table(lines: Sequence[dict]) -> str:
    """The guide's table.

    Parameters
    ----------
    lines : sequence of dict
        Of the log.

    Returns
    -------
    str
        Markdown; rows without a line say so.
    """
    out = ["| learned from, and how | judged on | seeds | AP50 | AP |", "|---|---|---|---|---|"]
    for name, *_ in ROWS:
        of = [line for line in lines if line["row"] == name]
        shown = [mean_interval([line[key] for line in of]) for key in ("AP50", "AP")] if of else []
        cells = [f"{mean:.3f} ± {half:.3f}" for mean, half in shown] or ["not run", "not run"]
        count = f"{of[0]['judged']} pictures" if of else ""
        out.append(f"| {name} | {count} | {len(of)} | {' | '.join(cells)} |")
    return "\n".join(out)


def main() -> int:
    """Measure what is missing, or write the table.

    Returns
    -------
    int
        Exit code.
    """
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--rows", default="", help="only rows whose name holds this")
    parser.add_argument("--log", type=Path, default=LOG)
    parser.add_argument("--guide", action="store_true", help="write the table into the contributor's guide")
    options = parser.parse_args()
    lines = known(options.log)
    if options.guide:
        text = GUIDE.read_text(encoding="utf-8")
        before, rest = text.split(BEGIN)
        GUIDE.write_text(f"{before}{BEGIN}\n{guide_table(lines)}\n{END}{rest.split(END)[1]}", encoding="utf-8")
        return 0
    done = {(line["row"], line["seed"]) for line in lines}
    for number, (name, *_) in enumerate(ROWS):
        for seed in range(options.seeds):
            if options.rows in name and (name, seed) not in done:
                line = measured(number, seed)
                with open(options.log, "a", encoding="utf-8") as file:
                    file.write(json.dumps(line) + "\n")
                print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
