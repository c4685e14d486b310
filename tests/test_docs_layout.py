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


def test_modules_can_be_read_in_one_sitting():
    lines = {
        name_of(path): len(path.read_text(encoding="utf-8").splitlines())
        for path in SOURCES
        if ROOT / "instructor" / "source" not in path.parents
    }
    long = {name: count for name, count in lines.items() if count > LONGEST}
    assert lines and not long, f"at most {LONGEST} lines, better under 400; one idea a module: {long}"


def left_behind(text: str) -> list[str]:
    """Notes to oneself, and folders of one machine."""
    # Written in two pieces, so that this file does not find itself.
    return re.findall(r"\b(?:TO" + r"DO|FIX" + r"ME|XX" + r"X)\b", text) + re.findall(
        r"[\"'\s](/(?:home|root|Users|wo" + r"rk)/\S*)", text
    )


def test_the_formatter_is_nowhere_switched_off():
    off = re.compile("# fm" + r"t: *(?:skip|off)")
    assert off.search("x = 1  # fm" + "t: skip")
    assert not [name_of(path) for path in SOURCES if off.search(path.read_text(encoding="utf-8"))]


def test_nothing_is_left_behind():
    assert left_behind("# TO" + "DO: see /ho" + "me/ada/x") == ["TO" + "DO", "/ho" + "me/ada/x"]
    found = {name_of(path): left_behind(path.read_text(encoding="utf-8")) for path in SOURCES}
    assert found and not {name: left for name, left in found.items() if left}


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
