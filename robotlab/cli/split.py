"""``robotlab split``: which recordings to train on, and which to judge on."""

from __future__ import annotations

from shlex import quote

from robotlab.cli.shared import Command, Options, option, show


def add_options(command: Command) -> None:
    """Add this command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("split", "choose recordings to train on and others to judge on, with classes in like proportion")
    option(sub, "data DATA", "a data set: a folder, or a COCO-style .json file")
    option(sub, "--hold-out FRACTION", "fraction of the pictures to judge on (default: 0.25)", 0.25)
    option(sub, "--seed", "same seed, same result (default: 0)", 0)
    option(
        sub,
        "--in-time FOLDER",
        "for one recording alone: write a data set in which its first and last part are two recordings, with a gap",
    )
    option(sub, "--gap FRACTION", "fraction left out between (default: 0.1)", 0.1)


def run(options: Options) -> int:
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
        first = [replace(entry, recording=f"{entry.recording}-first") for entry in train]
        last = [replace(entry, recording=f"{entry.recording}-last") for entry in test]
        data, folder = write_dataset(options.in_time, data.having([*first, *last])), options.in_time
        train, test = (data.only(recordings={entry.recording for entry in side}) for side in (first, last))
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
