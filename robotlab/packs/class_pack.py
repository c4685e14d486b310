"""The class pack: the course for learners, without worked answers, marking key and reference answers."""

from __future__ import annotations

import ast
import fnmatch
import io
import os
from pathlib import Path, PurePosixPath
from string import Template
from typing import Any

import robotlab
from robotlab.errors import InputError
from robotlab.files import read_plain
from robotlab.json_file import read_json
from robotlab.packs.archive import write_zip
from robotlab.packs.writing import WrittenPack, check_new_output, files_of, new_pack, put, size_of
from robotlab.toml_file import read_toml

# Modules with the references; they become one archive, from which Python imports as from a folder.
_TASKS = "robotlab/practice/tasks"
ARCHIVE = f"{_TASKS}/tasks.zip"
# A picture, a notebook or a network; the largest that comes along has 2 MB.
_MOST_BYTES = 64 * 2**20


def course_folder(root: str | os.PathLike | None = None) -> Path:
    """The folder of the course, which packs are made from.

    Parameters
    ----------
    root : path-like, optional
        By default the one that the library is in.

    Returns
    -------
    Path
        It has lessons, data sets and ``pyproject.toml``.

    Raises
    ------
    InputError
        If these are not there.

    Examples
    --------
    >>> (course_folder() / "lessons").is_dir()
    True
    """
    folder = Path(root) if root is not None else Path(robotlab.__file__).resolve().parents[1]
    missing = [name for name in ("lessons", "datasets", "pyproject.toml", "LICENSE") if not (folder / name).exists()]
    if missing:
        raise InputError(
            f"a pack must be made from the folder of the course, {folder} has no {missing[0]}; "
            "install with pip install -e in that folder, and run robotlab from there"
        )
    return folder


def library_files(root: Path) -> dict[str, bytes]:
    """The library as it is handed out.

    Parameters
    ----------
    root : Path
        The folder of the course.

    Returns
    -------
    dict of str to bytes
        By name with forward slashes; the tasks' modules in one archive.

    Examples
    --------
    >>> files = library_files(course_folder())
    >>> "robotlab/practice/tasks/tasks.zip" in files, "robotlab/practice/tasks/lesson_05.py" in files
    (True, False)
    """
    data = project(root)["tool"]["setuptools"]["package-data"]["robotlab"]
    patterns = ["*.py", *(PurePosixPath(pattern).name for pattern in data)]
    files = {}
    for folder, folders, names in os.walk(root / "robotlab"):
        folders[:] = sorted(name for name in folders if name != "__pycache__" and not name.startswith("."))
        for name in sorted(names):
            if any(fnmatch.fnmatchcase(name, pattern) for pattern in patterns):
                path = Path(folder, name)
                files[path.relative_to(root).as_posix()] = read_plain(path, _MOST_BYTES, "a file of the library")
    hidden = [name for name in files if PurePosixPath(name).parent == PurePosixPath(_TASKS) and name.endswith(".py")]
    hidden.remove(f"{_TASKS}/__init__.py")
    if hidden:  # not in a pack, where that has been done
        out = io.BytesIO()
        write_zip(out, [(PurePosixPath(name).name, files.pop(name)) for name in hidden])
        files[ARCHIVE] = out.getvalue()
    return files


def lesson_files(root: Path) -> dict[str, bytes]:
    """Lessons, their pages and pictures, and the data sets.

    Parameters
    ----------
    root : Path
        The folder of the course.

    Returns
    -------
    dict of str to bytes
        By name with forward slashes.

    Raises
    ------
    InputError
        If a notebook has been worked in: its answers would be handed out.

    Examples
    --------
    >>> "lessons/05_boxes.ipynb" in lesson_files(course_folder())
    True
    """
    paths = sorted((root / "lessons").glob("[0-9][0-9]_*.ipynb"))
    sources = {path.stem for path in (root / "instructor" / "source").glob("*.py")}
    for path in paths:
        if (sources and path.stem not in sources) or _worked_in(read_json(path, "a notebook")):
            raise InputError(
                f"notebooks of a pack must be as they were built, {path.name} has been worked in; move it away, or restore it "
                "(robotlab build, git checkout lessons)"
            )
    paths += [root / "lessons" / "glossary.md", root / "lessons" / "reference.md"]
    for pattern in ("lessons/pictures/*.png", "datasets/*/*.json", "datasets/*/*.md", "datasets/*/pictures/*"):
        paths += sorted(path for path in root.glob(pattern) if path.is_file() and not path.name.startswith("."))
    return {path.relative_to(root).as_posix(): read_plain(path, _MOST_BYTES, "a file of the course") for path in paths}


def _worked_in(notebook: Any) -> bool:
    """Whether somebody has run a notebook, or filled in a starter."""
    try:
        for cell in notebook["cells"]:
            if cell["cell_type"] != "code":
                continue
            if cell["execution_count"] is not None:
                return True
            if "starter" in cell["metadata"].get("tags", ()):
                stubs = ast.parse("".join(cell["source"])).body
                if not all(isinstance(one, ast.FunctionDef) and _is_stub(one) for one in stubs):
                    return True
    except (KeyError, TypeError, SyntaxError, AttributeError):
        return True
    return False


def _is_stub(function: ast.FunctionDef) -> bool:
    """Whether nothing is there but a docstring and three dots."""
    values = [getattr(line.value, "value", None) if isinstance(line, ast.Expr) else None for line in function.body]
    return all(value is ... or isinstance(value, str) for value in values)


def project(root: Path) -> dict[str, Any]:
    """What ``pyproject.toml`` says.

    Parameters
    ----------
    root : Path
        The folder of the course.

    Returns
    -------
    dict
        Its content.

    Examples
    --------
    >>> project(course_folder())["project"]["name"]
    'robotlab'
    """
    return read_toml(root / "pyproject.toml", "the course's pyproject.toml")


def page(template: str, **words: object) -> bytes:
    """A page of a pack, from its template beside this module.

    Parameters
    ----------
    template : str
        Its name, without its ending.
    **words : object
        What stands for ``$name`` in it.

    Returns
    -------
    bytes
        In UTF-8.

    Examples
    --------
    >>> page("class_pack").startswith(b"# ")
    True
    """
    return Template(Path(__file__).with_name(f"{template}.md").read_text("utf-8")).substitute(words).encode()


def pack_class(output: str | os.PathLike, root: str | os.PathLike | None = None) -> WrittenPack:
    """Write the course for learners: lessons, pictures, data sets and the library, without answers.

    Parameters
    ----------
    output : path-like
        A new or empty folder, or a new file that ends in ``.zip``.
    root : path-like, optional
        The folder of the course.

    Returns
    -------
    WrittenPack
        What was written.

    Raises
    ------
    InputError
        If something is there already, a notebook has been worked in, or this
        is not the folder of the course.

    Notes
    -----
    ``verify`` compares with the tasks' references, so these have to come along.
    They are in one archive from which Python imports: nobody meets them by
    chance or by searching files, but it is not a lock.  The pack's README says so.

    Examples
    --------
    >>> import tempfile
    >>> pack_class(Path(tempfile.mkdtemp()) / "class.zip").kind
    'class'
    """
    place, folder = check_new_output(output), course_folder(root)
    files = lesson_files(folder) | library_files(folder)
    files |= {
        name: read_plain(folder / name, _MOST_BYTES, "a file of the course") for name in ("LICENSE", "pyproject.toml")
    }
    files["README.md"] = page("class_pack")
    with new_pack(place) as beside:
        put(beside, files)
        count = len(files_of(beside))
    then = "hand it out; README.md in it has the line that installs the course (it needs a network; 'robotlab pack offline' does not)"
    return WrittenPack("class", place, count, size_of(place), then)
