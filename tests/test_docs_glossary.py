"""Glossary and reference: what they say stands in the lessons, and every name can be imported."""

import ast
import contextlib
import functools
import importlib
import io
import re
from pathlib import Path

import pytest
from docs_walk import ROOT, public
from test_docs_layers import FILES, PACKAGES, SUB_FACES, face_of

from robotlab.cli import main as robotlab_command
from robotlab.course.builder import main, read_source
from robotlab.course.glossary import ABOUT, GLOSSARY_COLUMNS, NONE, REFERENCE_COLUMNS, pages, read_table, resolve
from robotlab.errors import InputError
from robotlab.practice import tasks_of

SOURCES = sorted((ROOT / "instructor" / "source").glob("[0-9][0-9]_*.py"))
TERMS = read_table(ROOT / "instructor" / "glossary.tsv", GLOSSARY_COLUMNS)
QUESTIONS = read_table(ROOT / "instructor" / "reference.tsv", REFERENCE_COLUMNS)

# The terms that the course promises to teach, each in bold in some lesson.
PROMISED = """ground truth; bounding box; true positive; false positive; true negative; false negative; confusion matrix;
precision; recall; average precision; mAP; non-maximum suppression; confidence threshold; logits; softmax; cross-entropy;
backbone; head; transfer learning; frozen backbone; fine-tuning; overfitting; data augmentation;
train/validation/test split; data leakage; domain shift; learning curve; hyperparameter; calibration; dilation; erosion;
opening; closing; connected components; color constancy; aspect ratio; field of view; latency; jitter; proportional gain;
phase margin; zero-order hold; watchdog; fault injection; odometry""".replace("\n", " ").split("; ")

# Bold text that is not a term: labels at the head of a lesson, what ends a sentence ("Predict."), formulas, and
# warnings, by name or because they are longer than any term.
LABELS = {
    "what you will have",
    "you will be able to",
    "time",
    "needs",
    "cautions",
    "predict",
    "wheels off the ground",
    "slow limits",
}
LONGEST_TERM_WORDS = 4


cells = functools.cache(read_source)


def plain(text: str) -> str:
    """A term without capitals and without the s of a plural."""
    text = " ".join(text.lower().split())
    return text[:-1] if text.endswith("s") and not text.endswith("ss") else text


@functools.cache
def bold_terms(path: Path) -> set[str]:
    """Terms that a lesson's text sets in bold."""
    text = "\n\n".join(cell["source"] for cell in cells(path) if cell["type"] == "markdown")
    text = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    found = [" ".join(term.split()) for term in re.findall(r"\*\*(.+?)\*\*", text, flags=re.DOTALL)]
    return {
        plain(term)
        for term in found
        if term.lower() not in LABELS
        and term[-1] not in ".:?!"
        and "=" not in term
        and len(term.split()) <= LONGEST_TERM_WORDS
    }


LESSONS = {path.name[:2]: path for path in SOURCES}


def refused(function: str) -> list[str]:
    """What `resolve` says of a name that is not there."""
    try:
        resolve(function)
    except InputError as error:
        return [str(error)]
    return []


def in_a_face(function: str) -> bool:
    """True for what a package or a module right below robotlab offers by its own name, and for what stands in that."""
    parts = function.split(".")
    module = next(name for end in range(len(parts) - 1, 0, -1) if (name := ".".join(parts[:end])) in FILES)
    if module in PACKAGES:
        return parts[module.count(".") + 1] in face_of(module)
    return module.count(".") == 1 or module in SUB_FACES


def is_command(name: str) -> bool:
    """Whether ``robotlab NAME --help`` answers."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        try:
            return robotlab_command([name, "--help"]) == 0
        except SystemExit as end:
            return end.code == 0


def faults_of_function(cell: str, lessons: str) -> list[str]:
    """What is wrong with a function of the glossary."""
    kind, _, rest = cell.partition(" ")
    if kind == "task":
        tasks = [task.name for lesson in lessons.split() for task in tasks_of(int(lesson))]
        return [] if rest in tasks else [f"{rest}: no task of lesson {lessons}"]
    if kind == "command":
        program, _, name = rest.partition(" ")
        return [] if program == "robotlab" and is_command(name) else [f"{rest}: no command"]
    if kind == "none:":
        return [] if len(rest.split()) > 2 else [f"{cell}: must say why"]
    if cell.startswith("numpy."):
        return refused(cell)
    return refused(cell) or [f"{cell}: in no face"] * (not in_a_face(cell))


def faults_of_term(row: dict[str, str]) -> list[str]:
    words = {plain(row["term"]), plain(row["abbreviation"])}
    faults = [
        f"{row['term']}: not in bold in lesson {lesson}"
        for lesson in row["lesson"].split()
        if not words & bold_terms(LESSONS[lesson])
    ]
    faults += faults_of_function(row["function"], row["lesson"])
    faults += [f"{row['term']}: no {column}" for column in ("plain words", "source") if len(row[column]) < 3]
    if not 5 <= len(row["definition"]) <= 240:
        faults.append(f"{row['term']}: its definition must be one or two sentences")
    return faults


def test_a_term_stands_in_bold_in_the_lesson_it_names_and_its_function_exists():
    spoiled = dict.fromkeys(GLOSSARY_COLUMNS, "-") | {"term": "no such term", "lesson": "00 01"}
    assert len(faults_of_term(spoiled | {"function": "robotlab.gone"})) == 2 + 4
    assert [fault for row in TERMS for fault in faults_of_term(row)] == []


@pytest.mark.parametrize(
    ("function", "said"),
    [
        ("-", "must be importable"),
        ("robotlab.control.steering.PDTurn", "in no face"),
        ("robotlab.gone", "must be importable"),
        ("task no_such", "no task of lesson 04"),
        ("command robotlab no-such", "no command"),
        ("none:", "must say why"),
    ],
)
def test_a_function_past_a_face_or_without_a_reason_is_seen(function, said):
    assert len(found := faults_of_function(function, "04")) == 1 and said in found[0]


def test_functions_tasks_commands_and_reasons_are_told_apart():
    for cell in (
        "robotlab.control.stability.margins",
        "robotlab.camera.Camera",
        "task top_k",
        "command robotlab drive",
        "none: a switch, no program",
    ):
        assert faults_of_function(cell, "04") == []


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_every_bold_term_of_a_lesson_is_in_the_glossary(path):
    known = {plain(row[column]) for row in TERMS for column in ("term", "abbreviation")}
    assert not bold_terms(path) - known


@pytest.mark.parametrize("term", PROMISED)
def test_promised_terms_are_taught(term):
    assert any(plain(term) in terms for terms in map(bold_terms, SOURCES)), "in bold in no lesson"
    rows = [row for row in TERMS if plain(row["term"]) == plain(term)]
    assert len(rows) == 1 and "no source" not in rows[0]["source"]


def prose(path: Path) -> str:
    """A lesson's text without tables and without what is in bold."""
    text = "\n".join(cell["source"] for cell in cells(path) if cell["type"] == "markdown")
    text = " ".join(line for line in text.splitlines() if not line.startswith("|"))
    return re.sub(r"\*\*.+?\*\*", "", text)


@pytest.mark.parametrize("term", PROMISED)
def test_promised_terms_are_used_beside_where_they_are_named(term):
    row = next(row for row in TERMS if plain(row["term"]) == plain(term))
    words = "|".join(re.escape(word.removesuffix("s")) for word in (row["term"], row["abbreviation"]) if word != NONE)
    # Without its capitals mAP would be any map.
    pattern = re.compile(rf"\b(?:{words})s?\b", re.IGNORECASE if row["term"].islower() else 0)
    assert any(pattern.search(prose(path)) for path in SOURCES), "named, and then used in no lesson's text"


def test_no_term_and_no_function_stands_twice():
    for values in ([plain(row["term"]) for row in TERMS], [row["function"] for row in QUESTIONS]):
        assert not {value for value in values if values.count(value) > 1}


def lesson_faces() -> set[str]:
    """Packages and modules that a lesson imports from."""
    text = "\n".join(path.read_text(encoding="utf-8") for path in SOURCES)
    names = set(re.findall(r"^from (robotlab\.[\w.]+) import", text, flags=re.MULTILINE))
    for line in re.findall(r"^from robotlab import (.+)$", text, flags=re.MULTILINE):
        names |= {f"robotlab.{name.split(' as ')[0].strip()}" for name in line.split(",")}
    return names - {"robotlab.errors"}


@pytest.mark.parametrize("face", sorted(lesson_faces()))
def test_every_name_that_lessons_can_reach_is_in_the_reference_or_an_internal(face):
    module = importlib.import_module(face)
    names = set(getattr(module, "__all__", None) or (name for name, _ in public(module)))
    # A class may stand there by one of its methods.
    rows = [row["function"].removeprefix(f"{face}.").partition(".")[0] for row in QUESTIONS]
    assert names <= set(rows), f"missing: {sorted(names - set(rows))}"


def test_a_row_of_the_reference_names_what_is_there():
    assert QUESTIONS and [fault for row in QUESTIONS for fault in refused(row["function"])] == []


def test_a_row_of_the_reference_is_in_a_face():
    assert not in_a_face("robotlab.loop.limits.check_real_limits")
    assert [row["function"] for row in QUESTIONS if not in_a_face(row["function"])] == []


ASKED = [row for row in QUESTIONS if row["question"] != NONE]


def test_a_question_ends_in_its_mark_and_names_a_lesson():
    wrong = [
        row for row in ASKED if not (row["question"].endswith("?") and row["lesson"].removeprefix(ABOUT) in LESSONS)
    ]
    assert ASKED and not wrong


@functools.cache
def names_used(path: Path) -> frozenset[str]:
    """What a lesson names: by full names, ``.name()`` of calls, ``name=`` of keywords, and all that is in backticks."""
    found, meant = set(), {}
    trees = [ast.parse(cell["source"]) for cell in cells(path) if cell["type"] != "markdown"]
    nodes = [node for tree in trees for node in ast.walk(tree)]
    for node in nodes:
        if isinstance(node, ast.ImportFrom):
            for alias in node.names:
                meant[alias.asname or alias.name] = f"{node.module}.{alias.name}"
    for node in nodes:
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            found.add(f"{meant.get(node.value.id, node.value.id)}.{node.attr}")
        elif isinstance(node, ast.keyword):
            found.add(f"{node.arg}=")
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            found.add(f".{node.func.attr}()")
    for cell in cells(path):
        if cell["type"] == "markdown":
            for code in re.findall(r"`([^`]+)`", cell["source"]):
                found |= {f"`{name}`" for name in re.findall(r"[A-Za-z_]\w*", code)}
    return frozenset(found | set(meant.values()))


def uses(path: Path, function: str) -> bool:
    """Whether a lesson's code or text has a function by its name."""
    owner, _, name = function.rpartition(".")
    wanted = {function, f"`{name}`"}
    if owner not in FILES:  # a method, or a field, of a class
        wanted.add(f".{name}()" if callable(resolve(function)) else f"{name}=")
    return bool(wanted & names_used(path))


def test_a_question_names_a_lesson_that_uses_its_function():
    assert uses(LESSONS["02"], "robotlab.camera.working_range") and not uses(LESSONS["02"], "robotlab.boxes.nms")
    wrong = [
        f"{row['function']}: lesson {row['lesson']} does not name it"
        for row in ASKED
        if row["lesson"] in LESSONS and not uses(LESSONS[row["lesson"]], row["function"])
    ]
    for row in ASKED:
        used = [number for number, path in LESSONS.items() if uses(path, row["function"])]
        if row["lesson"].startswith(ABOUT) and used:
            wrong.append(f"{row['function']}: lessons {used} name it; name one of them")
    assert wrong == []


def test_text_of_lessons_names_what_faces_offer():
    named = {
        name
        for path in SOURCES
        for cell in cells(path)
        if cell["type"] == "markdown"
        for name in re.findall(r"`(robotlab\.[\w.]+)", cell["source"])
    }
    assert named and {name for name in named if not (name in FILES or in_a_face(name))} == set()


def test_both_pages_are_what_their_tables_say_and_their_links_work():
    for path, text in pages(ROOT).items():
        assert path.read_text(encoding="utf-8") == text, "run robotlab build"
        for link in re.findall(r"\]\(([^)#\s]+)\)", text):
            assert (path.parent / link).exists(), link


@pytest.mark.parametrize("name", ["README.md", "instructor/source/00_start_here.py"])
def test_both_pages_can_be_reached(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    assert "glossary.md)" in text and "reference.md)" in text


def test_build_notices_a_page_that_is_out_of_date(tmp_path, capsys):
    (tmp_path / "instructor" / "source").mkdir(parents=True)
    (tmp_path / "instructor" / "source" / "00_hello.py").write_text("# %% [markdown]\n# # Hello\n")
    (tmp_path / "lessons").mkdir()
    table = tmp_path / "instructor" / "reference.tsv"
    table.write_text("\t".join(REFERENCE_COLUMNS) + "\nHow far?\trobotlab.camera.Camera.distance_m\t00\n")
    assert main([str(tmp_path)]) == 0
    assert main(["--check", str(tmp_path)]) == 0
    table.write_text(table.read_text().replace("How far?", "How far away?"))
    assert main(["--check", str(tmp_path)]) == 1
    assert "lessons/reference.md differs from its table" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("term\tlesson\n", "must begin with the columns"),
        ("question\tfunction\tlesson\nHow far?\t02\n", "must have 3 cells, got 2"),
    ],
)
def test_a_broken_table_is_refused(tmp_path, text, said):
    path = tmp_path / "reference.tsv"
    path.write_text(text)
    with pytest.raises(InputError, match=said):
        read_table(path, REFERENCE_COLUMNS)


def test_a_name_that_is_gone_is_refused():
    with pytest.raises(InputError, match="robotlab.camera.Camera.gone is not"):
        resolve("robotlab.camera.Camera.gone")
