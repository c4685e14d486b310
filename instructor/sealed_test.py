"""The sealed test: greenhouses and lightings that nobody has seen, drawn after the code is fixed.

``python instructor/sealed_test.py`` draws a seed from the operating system,
writes it with the commit into ``instructor/sealed_test.jsonl`` *before* it
renders anything, fits a detector on the shipped training recordings for each of
several seeds, judges it on recordings drawn for that seed, and appends the
result.  The log is only appended to: a run that was begun and not ended stays in
it, so nobody can draw until a seed pleases.  Changed files are refused, since the
commit would then not say what was judged.

What is drawn: greenhouses, cameras and walks as in ``robotlab.greenhouse.recordings``;
each is rendered in its lighting, of a kind that was learned from, and again under lamps
of random spectrum, level, direction and white balance.
"""

from __future__ import annotations

import argparse
import json
import os
import secrets
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from robotlab.data import DataSet, open_dataset
from robotlab.errors import InputError
from robotlab.greenhouse.lighting import LIGHTING, Lighting
from robotlab.greenhouse.recordings import PICTURES_EACH, Recording, build
from robotlab.metrics import evaluate
from robotlab.neural import fit
from robotlab.sweep import mean_interval
from robotlab.sweep.part_runner import training_recordings
from robotlab.sweep.running import commit, processor

LOG = Path(__file__).with_name("sealed_test.jsonl")
GUIDE = Path(__file__).parent.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- sealed test: begin -->", "<!-- sealed test: end -->"
SEEN = ("daylight", "overcast", "dusk")
LAMPS = 2


def drawn_lamp(name: str, rng: np.random.Generator) -> Lighting:
    """A lamp of one to four bell-shaped lines over a weak continuum.

    Parameters
    ----------
    name : str
        How recordings call it.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    Lighting
        Dim to bright, from above to the side, with a camera that balances it badly or well.
    """
    lines = [(rng.uniform(430, 660), rng.uniform(4, 60), rng.uniform(0.2, 1.0)) for _ in range(rng.integers(1, 5))]
    # Without a continuum two of the three filters could see nothing at all.
    lines.append((550.0, 120.0, rng.uniform(0.1, 0.5)))
    return Lighting(
        name,
        rng.uniform(0.35, 1.1),
        rng.uniform(0.0, 0.6),
        rng.uniform(0.3, 1.3),
        rng.uniform(0.1, 0.9),
        rng.uniform(0.1, 1.0),
        tuple(lines),
    )


def drawn_recordings(seed: int, round_: int) -> tuple[tuple[Recording, ...], list[Lighting]]:
    """Recordings to judge on, and the lamps that half of them stand under.

    Parameters
    ----------
    seed : int
        The drawn one.
    round_ : int
        Which of the several.

    Returns
    -------
    recordings : tuple of Recording
        The same greenhouses in a lighting that was learned from and under each lamp.
    lamps : list of Lighting
        To be known to the renderer.
    """
    rng = np.random.default_rng([seed, round_])
    lamps = [drawn_lamp(f"lamp{k + 1}", rng) for k in range(LAMPS)]
    recordings = []
    for lighting in SEEN:
        scene = int(rng.integers(1 << 31))
        for name in (lighting, *(lamp.name for lamp in lamps)):
            recordings.append(Recording(f"{lighting}-scene-{name}", name, "test", scene))
    return tuple(recordings), lamps


def judged(training: DataSet, seed: int, round_: int, pictures: int) -> dict[str, float]:
    """Fit once and judge on what was drawn: AP50 and AP in seen lightings and under unseen lamps.

    Parameters
    ----------
    training : DataSet
        What is learned from.
    seed, round_ : int
        As in :func:`drawn_recordings`; the round also seeds the fit.
    pictures : int
        Of each recording.

    Returns
    -------
    dict of str to float
        ``AP50_seen``, ``AP_seen``, ``AP50_lamps``, ``AP_lamps``.
    """
    detector = fit(training, seed=round_, progress=False)
    recordings, lamps = drawn_recordings(seed, round_)
    for lamp in lamps:
        LIGHTING[lamp.name] = lamp
    try:
        with tempfile.TemporaryDirectory() as folder:
            data = open_dataset(build(folder, recordings, pictures))
            out = {}
            for group, names in (("seen", SEEN), ("lamps", [lamp.name for lamp in lamps])):
                chosen = data.having([entry for entry in data.pictures if entry.lighting in names])
                found = [detector.detect(data.load(entry)) for entry in chosen.pictures]
                numbers = evaluate(chosen, found)
                out[f"AP50_{group}"], out[f"AP_{group}"] = numbers.AP50, numbers.AP
            return out
    finally:
        for lamp in lamps:
            del LIGHTING[lamp.name]


def append(path: Path, entry: Mapping[str, Any]) -> None:
    """Append a line to the log, on the disk before this returns.

    Parameters
    ----------
    path : Path
        The log.
    entry : mapping
        What is noted.
    """
    with open(path, "a", encoding="utf-8") as file:
        file.write(json.dumps(entry, sort_keys=True) + "\n")
        file.flush()
        os.fsync(file.fileno())


def summary(rounds: Sequence[Mapping[str, float]]) -> dict[str, list[float]]:
    """Mean and half width of the 95 % interval of each figure, and of what lamps cost.

    Parameters
    ----------
    rounds : sequence of mapping
        From :func:`judged`.

    Returns
    -------
    dict of str to [float, float]
        Rounded to 4 decimals.
    """
    columns = {name: [r[name] for r in rounds] for name in rounds[0]}
    for measure in ("AP50", "AP"):
        columns[f"{measure}_lost"] = [r[f"{measure}_seen"] - r[f"{measure}_lamps"] for r in rounds]
    return {name: [round(v, 4) for v in mean_interval(values)] for name, values in columns.items()}


def guide_table(entry: Mapping[str, Any]) -> str:
    """The guide's table, from a line of the log.

    Parameters
    ----------
    entry : mapping
        A line that holds a result.

    Returns
    -------
    str
        Markdown.
    """
    figures = entry["figures"]

    def shown(name: str) -> str:
        mean, half = figures[name]
        return f"{mean:.3f} ± {half:.3f}"

    rows = "\n".join(
        f"| {measure} | {shown(f'{measure}_seen')} | {shown(f'{measure}_lamps')} | {shown(f'{measure}_lost')} | {aim} |"
        for measure, aim in (("AP50", ".90"), ("AP", ".65"))
    )
    return (
        f"Seed {entry['seed']}, drawn {entry['date']} at commit {entry['commit'][:10]}, {len(entry['rounds'])} rounds, "
        f"head fit, {entry['processor']}; mean ± 95 %:\n\n"
        "| | lightings learned from | drawn lamps | lost | aim |\n|---|---|---|---|---|\n" + rows
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, note, render, fit, judge, note.

    Parameters
    ----------
    arguments : sequence of str, optional
        By default those of the process.

    Returns
    -------
    int
        Exit code.
    """
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5, help="fits, each judged on recordings of its own (default: 5)")
    parser.add_argument("--pictures", type=int, default=PICTURES_EACH, help="of each recording")
    parser.add_argument("--log", type=Path, default=LOG, help="appended to")
    parser.add_argument("--guide", action="store_true", help="write the last result into the contributor's guide")
    options = parser.parse_args(arguments)
    if options.guide:
        results = [json.loads(line) for line in options.log.read_text(encoding="utf-8").splitlines()]
        text = GUIDE.read_text(encoding="utf-8")
        before, rest = text.split(BEGIN)
        after = rest.split(END)[1]
        table = guide_table([entry for entry in results if entry["what"] == "result"][-1])
        GUIDE.write_text(f"{before}{BEGIN}\n{table}\n{END}{after}", encoding="utf-8")
        return 0
    state = commit()
    if state is None or state.endswith("+"):
        raise InputError(
            f"the code must be fixed before the seed is drawn, {'this is not a clone' if state is None else 'files are changed'}; commit first"
        )
    seed = secrets.randbits(32)
    date = time.strftime("%Y-%m-%d %H:%M", time.gmtime())
    append(options.log, {"what": "begun", "seed": seed, "commit": state, "date": date})
    training, rounds = training_recordings(), []
    for round_ in range(options.rounds):
        rounds.append(judged(training, seed, round_, options.pictures))
        print(f"round {round_ + 1} of {options.rounds}:", {k: round(v, 3) for k, v in rounds[-1].items()}, flush=True)
    entry = {"what": "result", "seed": seed, "commit": state, "date": date, "processor": processor()}
    entry |= {"rounds": [{k: round(v, 4) for k, v in r.items()} for r in rounds], "figures": summary(rounds)}
    append(options.log, entry)
    print(guide_table(entry))
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except InputError as problem:
        sys.exit(str(problem))
