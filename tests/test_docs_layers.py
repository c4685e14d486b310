"""Data flows one way: no module imports a part above its own."""

import ast
from pathlib import Path

import pytest
from docs_walk import ROOT

# Parts of the package from the ground up; parts on one line may use one another, though not in a circle.
LAYERS = (
    ("_lazy", "errors", "files", "environment"),
    ("picture", "boxes", "boxes_clear", "_box_speed", "trackers", "camera"),
    ("greenhouse", "dataset"),
    ("color", "detector", "classify", "scoring", "motion"),
    ("follow",),
    ("face_off", "design_sheet", "practice"),
    ("plots", "report", "pages", "widgets", "course"),
    ("tour",),
    ("commands", "cli"),
    ("__main__",),
)
RANK = {part: rank for rank, parts in enumerate(LAYERS) for part in parts}
PACKAGE = ROOT / "robotlab"


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def parts_imported(path: Path) -> set[str]:
    """Parts of robotlab that a module names in its imports, wherever in the file they stand."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.relative_to(ROOT)}: import by the full name, not with dots"
            names = [f"{node.module}.{alias.name}" for alias in node.names] if node.module == "robotlab" else [node.module]
        found |= {name.split(".")[1] for name in names if name.startswith("robotlab.")}
    return found - {"__version__"}


MODULES = [path for path in sorted(PACKAGE.rglob("*.py")) if path != PACKAGE / "__init__.py"]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_downwards(path):
    own = part_of(path)
    assert own in RANK, f"{own} has no place in LAYERS; give it one, as low as it can stand"
    above = sorted(part for part in parts_imported(path) if RANK.get(part, 99) > RANK[own])
    assert not above, f"{path.relative_to(ROOT)} imports {', '.join(above)}, which stand above {own}"


def test_no_two_parts_import_one_another():
    graph = {}
    for path in MODULES:
        graph.setdefault(part_of(path), set()).update(parts_imported(path) - {part_of(path)})

    def reach(part, seen):
        for other in graph.get(part, ()):
            if other not in seen:
                seen.add(other)
                reach(other, seen)
        return seen

    circles = sorted(part for part in graph if part in reach(part, set()))
    assert not circles, f"these parts import one another in a circle: {', '.join(circles)}"


def test_the_package_alone_needs_no_extra():
    """Importing every part a learner uses must not import a package of an extra."""
    import subprocess
    import sys

    code = (
        "import sys, robotlab.cli, robotlab.widgets, robotlab.follow, robotlab.detector, robotlab.color, robotlab.dataset\n"
        "extra = {'torch', 'cv2', 'jupytext', 'pycocotools', 'serial', 'sklearn', 'statsmodels', 'shapely'}\n"
        "print(sorted(extra & sys.modules.keys()))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip() == "[]"
