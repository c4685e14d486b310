"""``robotlab gather``: pictures of a film, a camera or photographs into a data set."""

from __future__ import annotations

from shlex import quote

from robotlab.cli.shared import Command, Options, names, option, show


def add_options(command: Command) -> None:
    """Add this command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("gather", "add pictures of a film, a camera or a folder of photographs to a data set")
    option(sub, "source SOURCE", "a film, a camera's number, or a folder of photographs")
    option(sub, "folder DATA", "the data set: a new folder, or one to be added to")
    option(sub, "--recording NAME", "what these pictures are called together", required=True)
    option(sub, "--every N", "look at every N-th frame (default: two a second)", kind=int)
    option(
        sub,
        "--hash-distance BITS",
        "take a picture only when it differs from all taken before in more than BITS of 128 (default: 12; 25: another view)",
        kind=int,
    )
    option(sub, "--keep A,B", "keep near-duplicates, blurred, or both (default: leave them out)", kind=names)
    option(sub, "--max-side PX", "make larger pictures this long (default: 1280)", 1280)
    option(sub, "--max-pictures N", "stop after N pictures (default: 200 from a camera, else all)", kind=int)
    option(sub, "--classes A,B", "what will be labeled; more can be added while labeling", kind=names)
    option(sub, "--lighting WORD", "noted for each picture, such as dusk")
    option(sub, "--show FILE", "also write a picture of what was left out, with its measures (.png)")
    option(sub, "--quiet", "no progress bar")


def run(options: Options) -> int:
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
        changed_bits=options.hash_distance,
        keep=options.keep or (),
        longest_px=options.max_side,
        most=options.max_pictures,
        classes=options.classes or (),
        lighting=options.lighting,
        progress=not options.quiet,
    )
    show(report.text())
    if options.show and report.thumbnails:
        show(f"left out: {save(options.show, report.left_out_sheet())}")
    show(f"next: robotlab label {quote(options.folder)}")
    return 0
