"""``robotlab label``: draw boxes on the pictures of a data set, in JupyterLab."""

from __future__ import annotations

import tempfile
from pathlib import Path

from robotlab.cli.shared import Command, Options, add_browser_options, names, option
from robotlab.files import write_json


def add_options(command: Command) -> None:
    """Add this command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("label", "draw boxes on the pictures of a data set, with suggestions, in JupyterLab")
    option(sub, "data DATA", "a data set: a folder, or a COCO-style .json file")
    option(sub, "--pictures ID,ID", "only these pictures, by their ids (default: all)", kind=names)
    option(sub, "--no-suggestions", "no detector suggests boxes")
    add_browser_options(sub)


def run(options: Options) -> int:
    """Write a notebook with the labeler into a folder of its own, and open it.

    Parameters
    ----------
    options : Namespace
        The parsed options.

    Returns
    -------
    int
        JupyterLab's exit code.

    Raises
    ------
    DataSetError
        If the data set does not open, or a picture is not in it.
    """
    from robotlab.cli.jupyter import start_jupyterlab
    from robotlab.label import LabelStore

    store = LabelStore(options.data)
    chosen = None
    if options.pictures:
        known = {str(id): id for id in store.ids}
        chosen = [store.entry(known.get(word, word)).id for word in options.pictures]
    store.close()
    folder = Path(tempfile.mkdtemp(prefix="robotlab-label-"))
    write_notebook(folder / "label.ipynb", store.labels_path, chosen, not options.no_suggestions)
    return start_jupyterlab(folder, "label.ipynb", options.port, options.no_browser)


def write_notebook(path: Path, labels: Path, pictures: list | None, suggestions: bool) -> Path:
    """A notebook of one cell that shows the labeler.

    Parameters
    ----------
    path : Path
        Where.
    labels : Path
        The labels file.
    pictures : list or None
        Ids.
    suggestions : bool
        Whether a detector suggests boxes.

    Returns
    -------
    Path
        The path written.
    """
    words = (
        [repr(str(labels))] + [f"pictures={pictures!r}"] * bool(pictures) + ["suggestions=False"] * (not suggestions)
    )
    about = (
        f"# Label {labels.parent.name}\n\nClick into the cell below and press **Shift+Enter**. Every change is on the disk "
        "when the labeler says *saved*; this notebook itself may be closed at any time, and holds nothing. If the labeler is not "
        "there when you come back, run the cell again."
    )
    code = f"from robotlab.label import BoxLabeler\n\nBoxLabeler({', '.join(words)})"
    # By hand: nbformat takes a second to import.
    notebook = {
        "cells": [
            {"cell_type": "markdown", "id": "about", "metadata": {}, "source": about},
            {
                "cell_type": "code",
                "id": "labeler",
                "metadata": {},
                "source": code,
                "outputs": [],
                "execution_count": None,
            },
        ],
        "metadata": {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    return write_json(path, notebook)
