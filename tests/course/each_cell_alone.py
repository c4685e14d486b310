"""Each code cell of a lesson alone, as after a restart of the kernel: it works, or says in one line what to run.

    python tests/course/each_cell_alone.py [NN ...]

runs every cell of these lessons, of all without a number, each in a process of its own, and
prints those that do neither (some five minutes on one core); the tests run one of each lesson.
"""

from __future__ import annotations

import json
import os
import sys
from multiprocessing import get_all_start_methods, get_context
from pathlib import Path
from queue import Empty
from tempfile import TemporaryDirectory
from typing import Any

import robotlab
from robotlab.course.builder import learner_notebook

SOURCES = Path(robotlab.__file__).resolve().parents[1] / "instructor" / "source"
# Seconds; the longest cell that needs no other trains a head.
LIMIT_S = 120
# Each cell gets a process with nothing in its namespace; where the system forks, what all of them import is imported once.
CONTEXT = get_context("forkserver" if "forkserver" in get_all_start_methods() else "spawn")
if CONTEXT.get_start_method() == "forkserver":
    CONTEXT.set_forkserver_preload(["__main__", "each_cell_alone", "IPython.core.interactiveshell", "numpy"])


def cells_of(number: str, folder: Path) -> tuple[Path, list[str]]:
    """A learner's notebook, written into a folder, and its code cells."""
    source = next(SOURCES.glob(f"{number}_*.py"))
    path = folder / f"{source.stem}.ipynb"
    path.write_text(learner_notebook(source), "utf-8")
    cells = json.loads(path.read_text("utf-8"))["cells"]
    return path, ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]


def alone(path: Path, cell: str) -> str:
    """What a cell says on a fresh kernel: nothing when it works, else one line, or the name of an error with more."""
    said = CONTEXT.Queue()
    process = CONTEXT.Process(target=_run, args=(str(path), cell, said))
    process.start()
    try:
        return said.get(timeout=LIMIT_S)
    except Empty:
        return "no end" if process.is_alive() else "the kernel died"
    finally:
        process.join(2)
        if process.is_alive():
            process.kill()
            process.join()


def clear(said: str) -> bool:
    """Whether this is not an error, or the line that says what to run first."""
    return not said or (
        said.endswith("then run it again.") and "Run All Above Selected Cell" in said and "\n" not in said
    )


def _run(path: str, cell: str, said: Any) -> None:
    # As a kernel: in the notebook's folder, with what Jupyter's server tells it.
    os.chdir(Path(path).parent)
    os.environ.update(
        JPY_SESSION_NAME=path, ROBOTLAB_PROGRESS="off", MPLBACKEND="module://matplotlib_inline.backend_inline"
    )
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (1, 2):
        os.dup2(nowhere, stream)
    from IPython.core.interactiveshell import InteractiveShell

    from robotlab.practice.missing_names import load_ipython_extension

    shell = InteractiveShell.instance()
    load_ipython_extension(shell)
    shown: list[str] = []

    def show(exc_tuple: Any = None, *_: object, **__: object) -> None:
        kind, error, _trace = exc_tuple or sys.exc_info()
        only = getattr(error, "_render_traceback_", None)
        shown.append(only()[0] if only else f"{kind.__name__}:\n{error}")

    shell.showtraceback = shell.showsyntaxerror = show
    shell.run_cell(cell, store_history=True)
    said.put("\n".join(shown))


def main(numbers: list[str]) -> int:
    """Run all cells of these lessons; 1 if one is unclear."""
    unclear = 0
    with TemporaryDirectory() as folder:
        for number in numbers or [path.name[:2] for path in sorted(SOURCES.glob("[0-9][0-9]_*.py"))]:
            path, cells = cells_of(number, Path(folder))
            for place, cell in enumerate(cells, start=1):
                said = alone(path, cell)
                if not clear(said):
                    unclear += 1
                    print(f"{path.stem}, code cell {place}: {said}")
            print(f"{path.stem}: {len(cells)} code cells", flush=True)
    return min(unclear, 1)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
