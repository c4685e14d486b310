"""Two pages for learners, each from one table: the glossary and the reference.

``instructor/glossary.tsv`` has a row for each term, ``instructor/reference.tsv``
one for each public name of the packages that lessons use: the question that
it answers, or ``-`` where it is a library internal.  Functions stand in both by
the dotted names under which their package offers them.

In the glossary a function may also be ``task NAME``, which the learner writes in
that lesson, ``command robotlab NAME``, or ``none: WHY``.  In the reference a lesson
is one that uses the function by name; ``see NN`` is one about the subject that
does not.  Tests hold all of it.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from robotlab.course.outputs import LessonError

GLOSSARY_COLUMNS = ("term", "abbreviation", "plain words", "definition", "lesson", "function", "source")
REFERENCE_COLUMNS = ("question", "function", "lesson")
# Stands for "none" in a cell, and for "library internal" in a question.
NONE = "-"
# Before a lesson that is about the question and does not use the function.
ABOUT = "see "


def read_table(path: str | Path, columns: Sequence[str]) -> list[dict[str, str]]:
    """Read a table of tab-separated values.

    Parameters
    ----------
    path : path-like
        UTF-8; the first line names the columns.
    columns : sequence of str
        The names that it must have.

    Returns
    -------
    list of dict of str to str
        One for each row, by column.

    Raises
    ------
    LessonError
        If the header or the length of a row is wrong.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "small.tsv"
    >>> _ = path.write_text("question\\tlesson\\nHow far?\\t02\\n")
    >>> read_table(path, ("question", "lesson"))
    [{'question': 'How far?', 'lesson': '02'}]
    """
    path = Path(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    if not lines or tuple(lines[0].split("\t")) != tuple(columns):
        raise LessonError(
            f"{path.name} must begin with the columns {', '.join(columns)}, separated by tabs; correct its first line"
        )
    rows = []
    for number, line in enumerate(lines[1:], start=2):
        cells = [cell.strip() for cell in line.split("\t")]
        if len(cells) != len(columns):
            raise LessonError(
                f"{path.name}, line {number}: a row must have {len(columns)} cells, got {len(cells)}; correct it"
            )
        rows.append(dict(zip(columns, cells, strict=True)))
    return rows


def resolve(name: str) -> object:
    """What a dotted name stands for.

    Parameters
    ----------
    name : str
        A module, or something in one: ``"robotlab.camera.Camera.distance_m"``.

    Returns
    -------
    object
        The thing.

    Raises
    ------
    LessonError
        If there is none of that name.

    Examples
    --------
    >>> resolve("robotlab.camera.Camera.distance_m").__name__
    'distance_m'
    """
    parts = name.split(".")
    for end in range(len(parts), 0, -1):
        try:
            thing = importlib.import_module(".".join(parts[:end]))
            for part in parts[end:]:
                thing = getattr(thing, part)
            return thing
        except (ModuleNotFoundError, AttributeError):
            continue
    raise LessonError(f"a function must be importable, {name} is not; correct its name in the table")


def glossary_page(rows: Sequence[Mapping[str, str]], lessons: Mapping[str, str]) -> str:
    """The glossary as Markdown.

    Parameters
    ----------
    rows : sequence of mapping
        From :func:`read_table`, any order.
    lessons : mapping of str to str
        The notebook's file name of each lesson, by number.

    Returns
    -------
    str
        The page.

    Examples
    --------
    >>> row = dict(zip(GLOSSARY_COLUMNS, ("stride", "-", "step", "Pixels from cell to cell.", "07", "-", "-")))
    >>> print(glossary_page([row], {"07": "07_train.ipynb"}).splitlines()[-1])
    **stride** (before: *step*). Pixels from cell to cell. Lesson [07](07_train.ipynb).
    """
    page = [
        "# Glossary",
        "",
        (
            "The words of the field, as papers, forums and tools use them, with the lesson that introduces each. "
            "In brackets: abbreviation, and the plain words used before the term. After the lesson: the function, your own task, or the command that has to do with it. "
            "[What answers which question](reference.md) is a page of its own."
        ),
    ]
    letter = ""
    for row in sorted(rows, key=lambda row: row["term"].casefold()):
        if row["term"][0].upper() != letter:
            letter = row["term"][0].upper()
            page += ["", f"## {letter}"]
        short = [] if row["abbreviation"] == NONE else [row["abbreviation"]]
        before = [] if row["plain words"] == NONE else [f"before: *{row['plain words']}*"]
        brackets = f" ({'; '.join(short + before)})" if short + before else ""
        said = f"**{row['term']}**{brackets}. {row['definition'].rstrip('.')}. Lesson{'s' * (' ' in row['lesson'])} {_link(row['lesson'], lessons)}"
        said += _function(row["function"])
        said += "." if row["source"] == NONE else f". *Source: {row['source'].rstrip('.')}.*"
        page += ["", said]
    return "\n".join(page) + "\n"


def reference_page(rows: Sequence[Mapping[str, str]], lessons: Mapping[str, str]) -> str:
    """The reference, question by question, as Markdown.

    Parameters
    ----------
    rows : sequence of mapping
        From :func:`read_table`, in the order of the page within each package;
        internals are left out.
    lessons : mapping of str to str
        The notebook's file name of each lesson, by number.

    Returns
    -------
    str
        The page.

    Examples
    --------
    >>> row = dict(zip(REFERENCE_COLUMNS, ("How far?", "robotlab.camera.Camera.distance_m", "02")))
    >>> print(reference_page([row], {"02": "02_see.ipynb"}).splitlines()[-1])
    | How far? | `robotlab.camera.Camera.distance_m` | [02](02_see.ipynb) |
    """
    page = [
        "# Reference: which function answers which question",
        "",
        (
            "In a notebook, `help(name)` or `name?` shows inputs, units, errors and an example of each. "
            "The last column names a lesson that uses it; *see* stands before a lesson about the question that does not. "
            "The words are explained in the [glossary](glossary.md)."
        ),
    ]
    packages: dict[str, list[str]] = {}
    for row in rows:
        if row["question"] != NONE:
            about = ABOUT * row["lesson"].startswith(ABOUT)
            where = about + _link(row["lesson"].removeprefix(ABOUT), lessons)
            package = packages.setdefault(row["function"].split(".")[1], [])
            package.append(f"| {row['question']} | `{row['function']}` | {where} |")
    for name, lines in packages.items():
        page += ["", f"## robotlab.{name}", "", "| question | function | lesson |", "|---|---|---|", *lines]
    return "\n".join(page) + "\n"


def pages(root: str | Path) -> dict[Path, str]:
    """Both pages of a checkout.

    Parameters
    ----------
    root : path-like
        The checkout.

    Returns
    -------
    dict of Path to str
        What the files must hold; none for a table that is not there.
    """
    root = Path(root)
    sources = sorted((root / "instructor" / "source").glob("[0-9][0-9]_*.py"))
    lessons = {path.name[:2]: f"{path.stem}.ipynb" for path in sources}
    glossary, reference = (
        ("glossary", GLOSSARY_COLUMNS, glossary_page),
        ("reference", REFERENCE_COLUMNS, reference_page),
    )
    made = {}
    for name, columns, page in (glossary, reference):
        table = root / "instructor" / f"{name}.tsv"
        if table.is_file():
            made[root / "lessons" / f"{name}.md"] = page(read_table(table, columns), lessons)
    return made


def _function(cell: str) -> str:
    """What the page says of a cell of the column "function"."""
    kind, _, rest = cell.partition(" ")
    if kind == "none:":
        return f" (no function: {rest})"
    named = {"task": ", your task", "command": ", command"}
    return f"{named[kind]} `{rest}`" if kind in named else "" if cell == NONE else f", `{cell}`"


def _link(lesson: str, lessons: Mapping[str, str]) -> str:
    """One lesson's number, or several between spaces, with links to those that are there."""
    return ", ".join(f"[{one}]({lessons[one]})" if one in lessons else one for one in lesson.split())
