"""Glossary and reference: what they say stands in the lessons, and every name can be imported."""

import functools
import importlib
import re
from pathlib import Path

import pytest
from docs_walk import ROOT, public

from robotlab.course.builder import main, read_source
from robotlab.course.glossary import GLOSSARY_COLUMNS, NONE, REFERENCE_COLUMNS, pages, read_table, resolve
from robotlab.errors import InputError

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


def plain(text: str) -> str:
    """A term without capitals and without the s of a plural."""
    text = " ".join(text.lower().split())
    return text[:-1] if text.endswith("s") and not text.endswith("ss") else text


@functools.cache
def bold_terms(path: Path) -> set[str]:
    """Terms that a lesson's text sets in bold."""
    text = "\n\n".join(cell["source"] for cell in read_source(path) if cell["type"] == "markdown")
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


def faults_of_term(row: dict[str, str]) -> list[str]:
    words = {plain(row["term"]), plain(row["abbreviation"])}
    faults = [
        f"{row['term']}: not in bold in lesson {lesson}"
        for lesson in row["lesson"].split()
        if not words & bold_terms(LESSONS[lesson])
    ]
    if row["function"] != NONE:
        faults += refused(row["function"])
    if not 5 <= len(row["definition"]) <= 240:
        faults.append(f"{row['term']}: its definition must be one or two sentences")
    return faults


def test_a_term_stands_in_bold_in_the_lesson_it_names_and_its_function_exists():
    spoiled = TERMS[0] | {"term": "no such term", "abbreviation": "", "definition": "", "function": "robotlab.gone"}
    assert len(faults_of_term(spoiled)) == 2 + len(spoiled["lesson"].split())
    assert [fault for row in TERMS for fault in faults_of_term(row)] == []


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_every_bold_term_of_a_lesson_is_in_the_glossary(path):
    known = {plain(row[column]) for row in TERMS for column in ("term", "abbreviation")}
    assert not bold_terms(path) - known


@pytest.mark.parametrize("term", PROMISED)
def test_promised_terms_are_taught(term):
    assert any(plain(term) in terms for terms in map(bold_terms, SOURCES)), "in bold in no lesson"
    assert plain(term) in {plain(row["term"]) for row in TERMS}


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


def test_a_question_ends_in_its_mark_and_names_a_lesson():
    asked = [row for row in QUESTIONS if row["question"] != NONE]
    wrong = [row for row in asked if not (row["question"].endswith("?") and row["lesson"] in LESSONS)]
    assert asked and not wrong


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
