"""Marking a learner's notebook in the sandbox beside running it with nbclient; a class of 300 on two cores."""

from __future__ import annotations

import copy
import inspect
import json
import random
import re
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

from timing import Missing, Timed, alone, side_by_side

from robotlab.marking import Limits, MarkingKey, mark_submissions, missing_sandbox
from robotlab.marking.judging import mark_notebook

ROOT = Path(__file__).resolve().parents[2]
LESSON = 2
CLASS = 300


def handed_in(lesson: int, chance: random.Random | None = None) -> dict[str, Any]:
    """The learner's notebook of a lesson, answered; with `chance` one answer in five is wrong."""
    sys.path.insert(0, str(ROOT / "tests" / "practice"))
    import worked_answers

    found = json.loads(next((ROOT / "lessons").glob(f"{lesson:02d}_*.ipynb")).read_text())
    for cell in found["cells"]:
        cell["source"] = "".join(cell["source"])
        if "starter" in cell["metadata"].get("tags", ()):
            name = re.search(r"def (\w+)", cell["source"])[1]
            source = inspect.getsource(getattr(worked_answers, name))
            if chance and chance.random() < 0.2:
                source = source.replace("return ", "return 2 * ", 1)
            cell["source"] = "import math\n\nimport numpy as np\n\n\n" + source
    return found


def with_nbclient(notebook: dict[str, Any]) -> None:
    """Every cell in a kernel of its own, up to errors."""
    import nbformat
    from nbclient import NotebookClient

    node = nbformat.from_dict(copy.deepcopy(notebook))
    NotebookClient(node, timeout=300, allow_errors=True, kernel_name="python3").execute()


def rows() -> list[dict]:
    """One notebook beside nbclient; then the class."""
    if missing_sandbox():
        raise Missing("bubblewrap")
    notebook = handed_in(LESSON)
    cells = [cell["source"] for cell in notebook["cells"] if cell["cell_type"] == "code"]
    part = {
        "cells": cells,
        "lesson": LESSON,
        "seed": 1,
        "key": asdict(MarkingKey()),
        "limits": asdict(Limits()),
        "closed": True,
    }
    timed: Timed = side_by_side(lambda: mark_notebook(part), lambda: with_nbclient(notebook), repeats=5, threads=1)
    note = "nbclient runs all cells in a kernel; marking runs what the functions need, and judges them"
    found = [timed.row("mark one notebook of lesson 02", reference="nbclient", aim=1 / 10, note=note)]
    with tempfile.TemporaryDirectory() as place:
        folder, chance = Path(place) / "in", random.Random(0)
        folder.mkdir()
        for number in range(CLASS):
            (folder / f"{number}.ipynb").write_text(json.dumps(handed_in(LESSON, chance)))
        outs = iter(range(9))

        def the_class() -> None:
            mark_submissions(folder, Path(place) / f"out{next(outs)}", jobs=2, progress=False)

        once = alone(the_class, repeats=1)
        found.append(once.row(f"mark {CLASS} notebooks of lesson 02, two processes", reference=None, aim_s=300))
    return found


if __name__ == "__main__":
    print(rows())
