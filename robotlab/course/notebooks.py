"""Notebooks made of a lesson's cells."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

from robotlab.course.outputs import APPROXIMATE, CHECKS_NOTHING

# A cell whose code is not the lesson: shown folded, one click opens it.
FOLDED = "folded"
# Of a folded cell JupyterLab shows the first line, unwrapped: so much fits at 800 px, measured in Chromium.
FOLDED_LINE = 70
# Cells of these kinds show a picture; a still after one stands in its place until it is run.
DRAWS = {"explore", CHECKS_NOTHING}


def runnable_cell(cell: dict[str, Any]) -> dict[str, Any]:
    """A cell as the kernel gets it: a still is code there."""
    return {
        "cell_type": cell["type"],
        "id": "x",
        "metadata": {"tags": cell["tags"]},
        "source": cell["source"],
        **({"outputs": [], "execution_count": None} if cell["type"] == "code" else {}),
    }


def cell_not_run(cell: dict[str, Any], lesson: str, pictures: str) -> dict[str, Any]:
    """A cell as a notebook holds it, not run."""
    if "still" in cell["tags"]:
        alt = cell["metadata"]["alt"].replace("[", "(").replace("]", ")")
        return {"cell_type": "markdown", "metadata": {}, "source": f"![{alt}]({pictures}/{still_name(lesson, cell)})"}
    # Pages such as the glossary lie beside the lessons, as the folder of pictures does.
    source = re.sub(r"\]\((\w+\.md)\)", rf"]({pictures.removesuffix('pictures')}\1)", cell["source"])
    tags = [*cell["tags"], CHECKS_NOTHING] if APPROXIMATE in cell["tags"] else cell["tags"]
    kept = {"cell_type": cell["type"], "metadata": {"tags": tags} if tags else {}, "source": source}
    if cell["type"] == "code":
        kept.update(outputs=[], execution_count=None)
    if FOLDED in cell["tags"]:
        # The notebook format's own word for it (nbformat documentation, cell metadata).
        kept["metadata"]["jupyter"] = {"source_hidden": True}
    return kept


def stills_as_outputs(cells: list[dict[str, Any]], lesson: str, pictures: str) -> list[dict[str, Any]]:
    """Cells not run; a still stands as the output of the drawing cell right above it, which a run replaces."""
    kept: list[dict[str, Any]] = []
    for above, cell in zip([None, *cells], cells):
        one = cell_not_run(cell, lesson, pictures)
        if "still" in cell["tags"] and above is not None and set(above["tags"]) & DRAWS:
            data = {"text/markdown": one["source"], "text/plain": cell["metadata"]["alt"]}
            kept[-1]["outputs"] = [{"output_type": "display_data", "data": data, "metadata": {}}]
        else:
            kept.append(one)
    return kept


def notebook_of(cells: list[dict[str, Any]], source: Path) -> dict[str, Any]:
    """A notebook of cells; an id is made from its cell, so an edit elsewhere leaves it alone."""
    seen: dict[str, int] = {}
    for cell in cells:
        # Not the folder of a picture or page, which differs between the two notebooks.
        content = re.sub(r"\]\([^)]*?(pictures/|\w+\.md\))", r"](\1", cell["source"])
        key = f"{source.stem}|{cell['cell_type']}|{content}"
        seen[key] = seen.get(key, 0) + 1
        cell["id"] = hashlib.sha256(f"{key}|{seen[key]}".encode()).hexdigest()[:8]
    return {
        "cells": cells,
        "metadata": {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
            # Ties the stills and the outputs to the very text that made them.
            "robotlab": {"source": f"{source.name} {hashlib.sha256(source.read_bytes()).hexdigest()[:16]}"},
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }


def notebook_text(notebook: dict[str, Any]) -> str:
    """The one way a notebook is written, so that equal notebooks are equal files."""
    import nbformat

    return nbformat.writes(nbformat.from_dict(notebook), version=4).rstrip("\n") + "\n"


def still_name(lesson: str, cell: dict[str, Any]) -> str:
    """The file name of a still."""
    return f"{lesson[:2]}_{cell['metadata']['picture']}.png"
