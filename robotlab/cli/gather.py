"""``robotlab gather``: pictures of a film, a camera or photographs into a data set."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from shlex import quote

from robotlab.cli.shared import names, show


def add_options(command: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Add this command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("gather", "add pictures of a film, a camera or a folder of photographs to a data set")
    sub.add_argument("source", metavar="SOURCE", help="a film, a camera's number, or a folder of photographs")
    sub.add_argument("folder", metavar="DATA", help="the data set: a new folder, or one to be added to")
    sub.add_argument("--recording", required=True, metavar="NAME", help="what these pictures are called together")
    sub.add_argument("--every", type=int, metavar="N", help="look at every N-th frame (default: two a second)")
    sub.add_argument(
        "--changed",
        type=int,
        metavar="BITS",
        help="take a picture only when it differs from all taken before in more than BITS of 128 (default: 12; 25: another view)",
    )
    sub.add_argument(
        "--keep",
        type=names,
        default=None,
        metavar="A,B",
        help="keep near-duplicates, blurred, or both (default: leave them out)",
    )
    sub.add_argument(
        "--longest", type=int, default=1280, metavar="PX", help="make larger pictures this long (default: 1280)"
    )
    sub.add_argument(
        "--most", type=int, metavar="N", help="stop after N pictures (default: 200 from a camera, else all)"
    )
    sub.add_argument(
        "--classes",
        type=names,
        default=None,
        metavar="A,B",
        help="what will be labeled; more can be added while labeling",
    )
    sub.add_argument("--lighting", metavar="WORD", help="noted for each picture, such as dusk")
    sub.add_argument(
        "--show", metavar="FILE", help="also write a picture of what was left out, with its measures (.png)"
    )
    sub.add_argument("--quiet", action="store_true", help="no progress bar")


def run(options: argparse.Namespace) -> int:
    """Gather.

    Parameters
    ----------
    options : Namespace
        The parsed options.

    Returns
    -------
    int
        Exit code.
    """
    from pathlib import Path

    from robotlab.errors import InputError
    from robotlab.files import check_output
    from robotlab.gather import gather
    from robotlab.image import save

    if options.show and (not options.show.lower().endswith(".png") or Path(options.show).exists()):
        raise InputError(f"--show must name a new file that ends in .png, got {options.show!r}; choose another name")
    if options.show:
        check_output(options.show, "picture")
    report = gather(
        options.source,
        options.folder,
        options.recording,
        every=options.every,
        changed_bits=options.changed,
        keep=options.keep or (),
        longest_px=options.longest,
        most=options.most,
        classes=options.classes or (),
        lighting=options.lighting,
        progress=not options.quiet,
    )
    show(report.text())
    if options.show and report.thumbnails:
        show(f"left out: {save(options.show, report.left_out_sheet())}")
    show(f"next: robotlab label {quote(options.folder)}")
    return 0
