"""The shape of the repository: short modules, known folders, nothing left behind."""

import re

import pytest
from docs_walk import ROOT

# "Under about 400 lines": docstrings count, so the line is drawn a little above.
LONGEST = 500
SOURCES = sorted(
    path
    for folder in ("robotlab", "tests", "instructor", "datasets")
    for path in (ROOT / folder).rglob("*.py")
    if ".ipynb_checkpoints" not in path.parts
)


def name_of(path):
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize(
    "path", [path for path in SOURCES if ROOT / "instructor" / "source" not in path.parents], ids=name_of
)
def test_modules_can_be_read_in_one_sitting(path):
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST, f"{lines} lines, at most {LONGEST}, better under 400; one idea a module"


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_nothing_is_left_behind(path):
    text = path.read_text(encoding="utf-8")
    # Written in two pieces, so that this file does not find itself.
    left = re.findall(r"\b(?:TO" + r"DO|FIX" + r"ME|XX" + r"X)\b", text)
    assert not left, left
    places = re.findall(r"[\"'\s](/(?:home|root|Users|wo" + r"rk)/\S*)", text)
    assert not places, f"names a folder of one machine: {places}"


def test_test_files_have_names_of_their_own():
    """pytest imports test files by their bare name, except in folders that are packages."""
    names = [path.name for path in (ROOT / "tests").rglob("test_*.py") if not (path.parent / "__init__.py").exists()]
    assert len(names) == len(set(names)), sorted(name for name in set(names) if names.count(name) > 1)


@pytest.mark.parametrize(
    "name",
    [
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        ".ci/run",
        "lessons",
        "instructor/source",
        "instructor/worked",
        "instructor/guide.md",
        "datasets",
        "robotlab",
        "tests",
    ],
)
def test_what_a_reader_looks_for_is_there(name):
    assert (ROOT / name).exists()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "instructor/guide.md"])
def test_links_lead_somewhere(name):
    page = ROOT / name
    links = re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8"))
    dead = [link for link in links if "://" not in link and not (page.parent / link).exists()]
    assert not dead, dead
