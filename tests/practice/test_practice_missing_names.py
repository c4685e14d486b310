"""After a restart a cell says what to run first; other missing names are shown as Python shows them."""

import json
import os
import sys
from pathlib import Path

import pytest

import robotlab
from robotlab.practice.missing_names import where_from

KERNELS = Path(robotlab.__file__).parent / "course" / "jupyter"


def markdown(text):
    return {"cell_type": "markdown", "source": [text]}


def code(text):
    return {"cell_type": "code", "source": text}


NOTEBOOK = {
    "cells": [
        markdown("# Lesson\n\ntext"),
        code("import numpy as np\nfrom math import pi as circle"),
        markdown("## 2. The camera\n\n### Task 1"),
        code("width_px: int = 320\nfor row, (a, b) in rows:\n    pass\nwith thing() as held:\n    (walrus := 3)"),
        code("def field_of_view(sensor_mm):\n    inner = 3\n    return inner"),
        code("%matplotlib inline"),
        code("print(other)"),
    ]
}


@pytest.mark.parametrize(
    ("name", "heading"),
    [
        ("np", "Lesson"),
        ("circle", "Lesson"),
        ("width_px", "2. The camera"),
        ("b", "2. The camera"),
        ("held", "2. The camera"),
        ("walrus", "2. The camera"),
        ("field_of_view", "2. The camera"),
        ("inner", None),
        ("sensor_mm", None),
        ("pi", None),
        ("other", None),
    ],
)
def test_a_name_is_found_where_a_cell_makes_it(name, heading):
    assert where_from(name, NOTEBOOK) == heading


@pytest.mark.parametrize(
    "notebook",
    [None, [], {}, {"cells": 3}, {"cells": [None, 3, {"source": 3}, {"cell_type": "code", "source": "x ="}]}],
)
def test_a_strange_notebook_makes_nothing(notebook):
    assert where_from("x", notebook) is None


@pytest.mark.slow
@pytest.mark.parametrize("server_says", [True, False])
def test_a_fresh_kernel_says_what_to_run_first(server_says, tmp_path, monkeypatch):
    """The kernel that robotlab open offers, with and without the server's word for which notebook it is."""
    from jupyter_client.manager import start_new_kernel

    path = tmp_path / "a.ipynb"
    path.write_text(json.dumps(NOTEBOOK | {"cells": [*NOTEBOOK["cells"], code("print(width_px)")]}))
    (tmp_path / "b.ipynb").write_text("no notebook")
    monkeypatch.setenv("JUPYTER_PATH", str(KERNELS))
    places = [str(Path(robotlab.__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, places)), "IPYTHONDIR": str(tmp_path / "own")}
    env.pop("JPY_SESSION_NAME", None)
    manager, client = start_new_kernel(
        kernel_name="python3", cwd=str(tmp_path), env=env | ({"JPY_SESSION_NAME": str(path)} if server_says else {})
    )
    try:

        def run(source):
            reply = client.execute_interactive(source, allow_stdin=False, output_hook=lambda message: None, timeout=60)
            return reply["content"].get("traceback", [])

        assert run("import sys; assert sys.executable == " + repr(sys.executable)) == []
        says = (
            "width_px is made in a cell above, in “2. The camera”, which has not run to its end since the kernel started. "
            "With this cell selected choose Run, Run All Above Selected Cell; then run it again."
        )
        assert run("print(width_px)") == [says]
        assert len(run("print(mistyped)")) > 1, "a name that no cell makes has Python's own traceback"
        (tmp_path / "mug.jpg").write_bytes(b"\0\0\0\x18ftypheic" + bytes(40))  # a phone's file, renamed
        (said,) = run("from robotlab.image import load; load('mug.jpg')")
        assert "HEIC" in said and "convert" in said and "\n" not in said
        assert run("width_px = 320") == run("print(width_px)") == []
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)
