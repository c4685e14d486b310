"""``robotlab split``: which recordings to train on, and which to judge on."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from shlex import quote

from robotlab.cli.shared import show


def add_options(command: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Add this command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("split", "choose recordings to train on and others to judge on, with classes in like proportion")
    sub.add_argument("data", metavar="DATA", help="a data set: a folder, or a COCO-style .json file")
    sub.add_argument(
        "--hold-out", type=float, default=0.25, metavar="PART", help="part of the pictures to judge on (default: 0.25)"
    )
    sub.add_argument("--seed", type=int, default=0, help="same seed, same result (default: 0)")
    sub.add_argument(
        "--in-time",
        metavar="FOLDER",
        help="for one recording alone: write a data set in which its first and last part are two recordings, with a gap",
    )
    sub.add_argument("--gap", type=float, default=0.1, metavar="PART", help="part left out between (default: 0.1)")


def run(options: argparse.Namespace) -> int:
    """Split.

    Parameters
    ----------
    options : Namespace
        The parsed options.

    Returns
    -------
    int
        Exit code: 1 where the sides share near-duplicates.
    """
    from dataclasses import replace

    from robotlab.data import find_leaks, open_dataset, split_by_recording, split_in_time, write_dataset
    from robotlab.image.hashing import TooManyAlikeError
    from robotlab.report.page import text_table

    whole, folder = open_dataset(options.data), options.data
    data = whole.labeled
    if len(data) < len(whole):
        show(f"note: {len(whole) - len(data)} of {len(whole)} pictures are not labeled yet and left out")
    if options.in_time:
        train, test = split_in_time(data, options.hold_out, options.gap)
        entries = [
            replace(entry, recording=f"{entry.recording}-{part}")
            for side, part in ((train, "first"), (test, "last"))
            for entry in side
        ]
        data, folder = write_dataset(options.in_time, data.having(entries)), options.in_time
        train, test = (
            data.only(recordings=[name for name in data.recordings if name.endswith(part)])
            for part in ("-first", "-last")
        )
    else:
        train, test = split_by_recording(data, options.hold_out, options.seed)
    rows = []
    for words, side in (("train", train), ("judge", test)):
        counts = [sum(int((entry.labels == place).sum()) for entry in side) for place in range(len(data.classes))]
        rows.append((words, ", ".join(side.recordings), len(side), *counts))
    show(text_table(("side", "recordings", "pictures", *data.classes), rows))
    try:
        leaks = find_leaks(train, test)
        leaking = f"{len(leaks)} in all" if leaks else ""
    except TooManyAlikeError as error:
        leaks, leaking = (), f"near-duplicates on both sides: {error}"
    for leak in leaks[:5]:
        show(f"near-duplicate on both sides: {leak.train.name} and {leak.test.name}, {leak.bits} of 128 bits")
    if leaking:
        show(
            f"{leaking}: data leakage, so the metrics will be optimistic; keep such recordings on one side (--recordings below)"
        )
    place, names = quote(folder), [quote(",".join(side.recordings)) for side in (train, test)]
    show(f"next: robotlab fit {place} --recordings {names[0]} -o model.onnx")
    show(f"then: robotlab judge {place} --recordings {names[1]} --with model.onnx")
    return 1 if leaking else 0
