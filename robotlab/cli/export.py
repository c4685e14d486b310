"""``robotlab export``: labels in another format."""

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
    sub = command("export", "write a data set's labels as a CSV table, as VOC XML, or as COCO-style JSON")
    option(sub, "data DATA", "a data set: a folder, or a COCO-style .json file")
    option(sub, "-o --output PATH", "a .csv file, or a new folder for labels and pictures (with --as)", required=True)
    option(sub, "--as {csv,voc,coco}", "the format (default: csv for a name that ends so)", dest="form")


def run(options: Options) -> int:
    """Export.

    Parameters
    ----------
    options : Namespace
        The parsed options.

    Returns
    -------
    int
        Exit code.
    """
    from robotlab.data import open_dataset, write_dataset, write_voc
    from robotlab.data.table import labels_csv
    from robotlab.errors import InputError
    from robotlab.files import check_output, write_whole

    form = options.form or ("csv" if options.output.lower().endswith(".csv") else None)
    if form is None:
        raise InputError(f"--as must say the format for {options.output!r}: csv, voc or coco; add it")
    whole = open_dataset(options.data)
    # A table or VOC file has no word for a picture that is not labeled yet: there it would be one without the thing.
    data = whole if form == "coco" else whole.labeled
    if len(data) < len(whole):
        show(f"note: {len(whole) - len(data)} of {len(whole)} pictures are not labeled yet and left out")
    if form == "csv":
        check_output(options.output, "table", [data.labels_path, *(entry.path for entry in data)])
        write_whole(options.output, labels_csv(data))
    elif form == "voc":
        write_voc(options.output, data)
    else:
        write_dataset(options.output, data)
    show(f"{options.output}: {len(data)} pictures, {data.box_count} boxes")
    if form != "csv":
        show(f"next: robotlab checkup {quote(options.output)}")
    return 0
