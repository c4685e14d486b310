"""Build the lessons: one text source each, two notebooks and their pictures.

A source is a Python file in the jupytext percent format
(``instructor/source/NN_name.py``).  Tags on its cells say who gets them:

=========== ==================== ====================
tag         learner's notebook   worked notebook
=========== ==================== ====================
(none)      yes                  yes, run
``starter`` yes                  no
``worked``  no                   yes, run
``verify``  yes                  yes, run
``explore`` yes                  yes, run
``still``   as a picture         as a picture
=========== ==================== ====================

In the learner's notebook a still after an ``explore`` cell, or one whose text is not compared, is
that cell's output until the cell is run, so that still and picture never stand one above the other.

``folded`` goes with any of them: code that is not the lesson, such as a drawing's;
notebooks show the cell closed, and a click opens it.

Two more tags are about a cell's text.  ``approximate``: numbers that another
processor may compute a little differently; kept, not compared.
``nbval-ignore-output``: text that is its machine's own affair, a progress bar
or a version; neither kept nor compared.

A ``still`` cell draws one picture, in the state that the cells above have
left.  The build runs it, writes ``pictures/NN_NAME.png`` beside the lessons
and puts the picture in its place, so that a notebook which nobody has run
still shows what its interactive pictures look like.  Its name and its text
alternative are cell metadata: ``# %% tags=["still"] picture="NAME" alt="..."``.

Building needs the ``build`` extra (jupytext, nbclient); reading lessons does not.
"""

from __future__ import annotations

import base64
import re
import sys
from pathlib import Path
from typing import Any

from robotlab.course.glossary import pages
from robotlab.course.notebooks import (
    FOLDED,
    FOLDED_LINE,
    cell_not_run,
    notebook_of,
    notebook_text,
    runnable_cell,
    still_name,
    stills_as_outputs,
)
from robotlab.course.outputs import APPROXIMATE, CHECKS_NOTHING, LessonError, tidy
from robotlab.errors import install_hint
from robotlab.files import write_whole
from robotlab.json_file import parse_json, read_json

KINDS = ("starter", "worked", "verify", "explore", "still")
# How nbval (0.11, its documentation) reads tags; "raises-exception" is Jupyter's own.
RUNNER_TAGS = (CHECKS_NOTHING, "nbval-skip", "raises-exception", APPROXIMATE)
TAGS = (*KINDS, *RUNNER_TAGS, FOLDED)

# A lesson is read on slow lines too: no still larger than this, in bytes.
STILL_LIMIT = 250_000

# Seconds that one cell may take; the longest in the course trains a network.
CELL_TIMEOUT_S = 300


def build(
    source_folder: str | Path,
    lessons_folder: str | Path,
    worked_folder: str | Path,
    check: bool = False,
    only: str | None = None,
) -> list[str]:
    """Build every lesson, or check that the built ones are up to date.

    Parameters
    ----------
    source_folder : path-like
        Holds ``NN_name.py``.
    lessons_folder : path-like
        Gets the learners' notebooks and ``pictures/``.
    worked_folder : path-like
        Gets the worked notebooks, run, outputs kept.
    check : bool
        Write nothing; report what a build would change.  Outputs are not
        compared here, that is nbval's work.
    only : str or None
        Build the lessons whose name starts with this, such as ``"00"``.

    Returns
    -------
    list of str
        With `check`, one line for each difference; without, one line for
        each lesson built.

    Raises
    ------
    LessonError
        If a source breaks a rule, or a cell fails.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "00_hello.py").write_text("# %% [markdown]\\n# # Hello\\n")
    >>> build(folder, folder / "lessons", folder / "worked", check=True)
    ['00_hello: lessons/00_hello.ipynb is missing', '00_hello: worked/00_hello.ipynb is missing']
    """
    source_folder, lessons_folder, worked_folder = map(Path, (source_folder, lessons_folder, worked_folder))
    if not source_folder.is_dir():
        raise LessonError(f"the sources must be in a folder, {source_folder} is none; check the path")
    sources = [path for path in sorted(source_folder.glob("*.py")) if path.stem.startswith(only or "")]
    if not sources:
        wanted = f" that starts with {only}" if only else ""
        raise LessonError(
            f"a folder of sources must hold a file NN_name.py{wanted}, {source_folder} holds none; check the path"
        )
    said = []
    do = _check_one if check else _build_one
    for source in sources:
        said += do(source, lessons_folder, worked_folder)
    if check and only is None:
        names = {source.stem for source in sources}
        for folder in (lessons_folder, worked_folder):
            said += [
                f"{path.stem}: {folder.name}/{path.name} has no source"
                for path in sorted(folder.glob("*.ipynb"))
                if path.stem not in names
            ]
    return said


def read_source(path: str | Path) -> list[dict[str, Any]]:
    """Read a lesson's source as a list of cells, checked.

    Parameters
    ----------
    path : path-like
        ``NN_name.py``, in the percent format.

    Returns
    -------
    list of dict
        ``type`` ("markdown" or "code"), ``source``, ``tags`` and ``metadata``.

    Raises
    ------
    LessonError
        If the file has a wrong name, no title, an unknown tag, a still
        without name or text alternative, or a starter without its worked cell.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "00_hello.py"
    >>> _ = path.write_text("# %% [markdown]\\n# # Hello\\n\\n# %% tags=[\\"explore\\"]\\n1 + 1\\n")
    >>> [(cell["type"], cell["tags"]) for cell in read_source(path)]
    [('markdown', []), ('code', ['explore'])]
    """
    try:
        import jupytext
    except ModuleNotFoundError:
        raise LessonError(f"building lessons needs jupytext, it is not installed; {install_hint('build')}") from None
    path = Path(path)
    if not re.fullmatch(r"\d\d_[a-z0-9_]+", path.stem):
        raise LessonError(f"a source must be called NN_name.py (two digits, small letters), got {path.name}; rename it")
    cells = []
    for number, raw in enumerate(jupytext.reads(path.read_text(encoding="utf-8"), fmt="py:percent").cells, start=1):
        # jupytext notes the blank lines after a cell in its metadata; they mean nothing here.
        metadata = {name: value for name, value in raw.metadata.items() if not name.startswith("lines_to_")}
        tags = list(metadata.pop("tags", []))
        where = f"{path.name}, cell {number}"
        unknown = [tag for tag in tags if tag not in TAGS]
        if unknown:
            raise LessonError(
                f"{where}: a tag must be one of {', '.join(TAGS)}, got {unknown[0]!r}; correct its spelling"
            )
        kinds = [tag for tag in tags if tag in KINDS]
        if len(kinds) > 1:
            raise LessonError(f"{where}: a cell must be of one kind, got {' and '.join(kinds)}; keep one of them")
        if "still" in tags and (raw.cell_type != "code" or set(metadata) != {"picture", "alt"}):
            raise LessonError(
                f'{where}: a still must be code with picture="name" and alt="text", got {sorted(metadata)}; add them'
            )
        if FOLDED in tags and (raw.cell_type != "code" or "still" in tags):
            raise LessonError(f"{where}: only a code cell can be folded, this is none in a notebook; take the tag away")
        first = raw.source.strip("\n").split("\n")[0]
        if FOLDED in tags and len(first) > FOLDED_LINE:
            raise LessonError(
                f"{where}: a folded cell shows its first line, of at most {FOLDED_LINE} characters, got {len(first)}; "
                "begin it with a short comment"
            )
        if "still" not in tags and metadata:
            raise LessonError(f"{where}: a cell must have no metadata but tags, got {sorted(metadata)}; take them away")
        cells.append({"type": raw.cell_type, "source": raw.source.strip("\n"), "tags": tags, "metadata": metadata})
    if not cells or cells[0]["type"] != "markdown" or not cells[0]["source"].startswith("# "):
        raise LessonError(f"{path.name}: a lesson must begin with a markdown cell and its title, '# ...'; add one")
    starters, worked = (sum(kind in cell["tags"] for cell in cells) for kind in ("starter", "worked"))
    if starters != worked:
        raise LessonError(
            f"{path.name}: each starter must have its worked cell, got {starters} and {worked}; add what is missing"
        )
    return cells


def learner_notebook(path: str | Path) -> str:
    """The learner's notebook of one source, unrun, as the text of its file.

    Parameters
    ----------
    path : path-like
        The source.

    Returns
    -------
    str
        The content of ``lessons/NN_name.ipynb``.

    Raises
    ------
    LessonError
        If the source breaks a rule.

    Examples
    --------
    >>> import tempfile, pathlib, json
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "00_hello.py"
    >>> _ = path.write_text("# %% [markdown]\\n# # Hello\\n")
    >>> json.loads(learner_notebook(path))["cells"][0]["source"]
    ['# Hello']
    """
    path = Path(path)
    cells = [cell for cell in read_source(path) if "worked" not in cell["tags"]]
    return notebook_text(notebook_of(stills_as_outputs(cells, path.stem, "pictures"), path))


def _build_one(source: Path, lessons_folder: Path, worked_folder: Path) -> list[str]:
    from robotlab.course.runner import run

    cells = [cell for cell in read_source(source) if "starter" not in cell["tags"]]
    to_run = [runnable_cell(cell) for cell in cells]
    run(notebook_of(to_run, source), lessons_folder if lessons_folder.is_dir() else source.parent, CELL_TIMEOUT_S)
    stills: dict[Path, bytes] = {}
    built, count = [], 0
    for cell, ran in zip(cells, to_run):
        kept = cell_not_run(cell, source.stem, _between(worked_folder, lessons_folder) + "pictures")
        if "still" in cell["tags"]:
            where = lessons_folder / "pictures" / still_name(source.stem, cell)
            name = f"{source.name}, still {cell['metadata']['picture']}"
            tidy(ran["outputs"], count, cell["tags"], name)
            stills[where] = _picture_of(ran, name)
        elif cell["type"] == "code":
            count += 1
            kept["execution_count"] = count
            kept["outputs"] = tidy(ran["outputs"], count, cell["tags"], f"{source.name}, code cell {count}")
        built.append(kept)
    for where, content in stills.items():
        write_whole(where, content)
    write_whole(lessons_folder / f"{source.stem}.ipynb", learner_notebook(source))
    write_whole(worked_folder / f"{source.stem}.ipynb", notebook_text(notebook_of(built, source)))
    return [f"{source.stem}: {len(built)} cells, {count} run, {len(stills)} stills"]


def _write_pages(root: Path, check: bool) -> list[str]:
    """Glossary and reference, written or compared with their tables."""
    said = []
    for path, text in pages(root).items():
        if not check:
            write_whole(path, text.encode())
            said.append(f"{path.name}: {len(text.splitlines())} lines")
        elif not path.is_file() or path.read_text("utf-8", "replace") != text:
            said.append(f"lessons/{path.name} differs from its table")
    return said


def _check_one(source: Path, lessons_folder: Path, worked_folder: Path) -> list[str]:
    name, wrong = source.stem, []
    learner, worked = lessons_folder / f"{name}.ipynb", worked_folder / f"{name}.ipynb"
    if not learner.is_file():
        wrong.append(f"{name}: {lessons_folder.name}/{name}.ipynb is missing")
    elif learner.read_text("utf-8", "replace") != learner_notebook(source):
        wrong.append(f"{name}: {lessons_folder.name}/{name}.ipynb differs from its source")
    cells = [cell for cell in read_source(source) if "starter" not in cell["tags"]]
    if not worked.is_file():
        wrong.append(f"{name}: {worked_folder.name}/{name}.ipynb is missing")
    else:
        built = read_json(worked, "a worked notebook", LessonError)
        code = [cell for cell in built["cells"] if cell["cell_type"] == "code"] if _is_notebook(built) else []
        unrun = sum(cell.get("execution_count") is None for cell in code)
        if unrun:
            wrong.append(f"{name}: {worked_folder.name}/{name}.ipynb has {unrun} code cells that were not run")
        for cell in code:
            cell.update(outputs=[], execution_count=None)
        fresh = [cell_not_run(cell, name, _between(worked_folder, lessons_folder) + "pictures") for cell in cells]
        if built != parse_json(notebook_text(notebook_of(fresh, source)), name):
            wrong.append(f"{name}: {worked_folder.name}/{name}.ipynb differs from its source")
    for cell in cells:
        if "still" in cell["tags"] and not (lessons_folder / "pictures" / still_name(name, cell)).is_file():
            wrong.append(f"{name}: {lessons_folder.name}/pictures/{still_name(name, cell)} is missing")
    return wrong


def _is_notebook(value: Any) -> bool:
    cells = value.get("cells") if isinstance(value, dict) else None
    return isinstance(cells, list) and all(isinstance(cell, dict) and "cell_type" in cell for cell in cells)


def _between(start: Path, end: Path) -> str:
    """The way from one folder to another, with slashes, as a link has it."""
    import os

    way = os.path.relpath(end.resolve(), start.resolve()).replace(os.sep, "/")
    return "" if way == "." else way + "/"


def _picture_of(ran: dict[str, Any], where: str) -> bytes:
    pictures = [out["data"]["image/png"] for out in ran["outputs"] if "image/png" in out.get("data", {})]
    if len(pictures) != 1:
        raise LessonError(
            f"{where}: a still must draw one picture, it drew {len(pictures)}; show one figure at its end"
        )
    content = base64.b64decode(pictures[0])
    if len(content) > STILL_LIMIT:
        raise LessonError(f"{where}: a still must be under {STILL_LIMIT} bytes, it has {len(content)}; draw it smaller")
    return content


def main(arguments: list[str] | None = None) -> int:
    """Build or check the lessons of a checkout: ``[--check] [--only NN] [FOLDER]``.

    Parameters
    ----------
    arguments : list of str or None
        The words after the command; ``None`` takes those of the process.

    Returns
    -------
    int
        0 when all is well, 1 when `--check` found differences, 2 when a
        source breaks a rule.

    Examples
    --------
    >>> main(["--check", "no/such/folder"])
    2
    """
    import argparse

    about = "Build the notebooks of the lessons from their sources."
    parser = argparse.ArgumentParser(prog="robotlab build", description=about)
    parser.add_argument("folder", nargs="?", default=".", help="the checkout (default: here)")
    parser.add_argument("--check", action="store_true", help="write nothing, report what a build would change")
    parser.add_argument("--only", metavar="NN", help="only lessons whose name starts with this")
    chosen = parser.parse_args(arguments)
    root = Path(chosen.folder)
    instructor = root / "instructor"
    try:
        said = build(instructor / "source", root / "lessons", instructor / "worked", chosen.check, chosen.only)
    except LessonError as error:
        print(f"robotlab build: {error}", file=sys.stderr)
        return 2
    if chosen.only is None:
        said += _write_pages(root, chosen.check)
    for line in said:
        print(line)
    if chosen.check:
        end = "; run robotlab build" if said else ": the notebooks are what their sources say"
        print(f"{len(said)} differences{end}")
    return 1 if chosen.check and said else 0


if __name__ == "__main__":
    sys.exit(main())
