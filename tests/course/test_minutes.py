"""The minutes that a lesson promises follow from a model of a first reading, within a fifth.

A model and not a measurement, as the guide says.  The numbers in it are common practice without
a source, but for one check: trial readers of the first edition put down for eleven lessons how
long a learner is likely to take, and the model gives each of these times within a quarter.
"""

import re
from pathlib import Path

import pytest

import robotlab
from robotlab.course.builder import read_source

ROOT = Path(robotlab.__file__).resolve().parents[1]
SOURCES = sorted((ROOT / "instructor" / "source").glob("[0-9][0-9]_*.py"))

# Plain prose is read at 238 words a minute (M. Brysbaert, J. Memory and Language 109, 2019); with a term to learn
# in every second sentence it is slower.
WORDS_A_MINUTE = 150
# Lines of code that are the lesson; what is folded is run and not read.
LINES_A_MINUTE = 12
# Minutes: a guess and its answer; a task, two tries and a nudge; an interactive picture; what a cell prints; a
# figure; the five questions at the end.
GUESS, TASK, PICTURE, OUTPUT, FIGURE, QUESTIONS = 1.2, 6, 3, 0.4, 0.3, 5


def minutes(cells):
    """How long a first reading takes with all tasks, without "If you want more" and the sources, min."""
    total, left_out = 0.0, False
    for cell in cells:
        text, tags = cell["source"], cell["tags"]
        if cell["type"] == "markdown":
            for part in re.split(r"(?m)^(?=## )", text):
                if part.startswith("## "):
                    left_out = part.startswith(("## If you want more", "## Sources"))
                if not left_out:
                    # Folded answers are part of the questions; formulas are looked at with their words.
                    words = re.sub(r"<details>.*?</details>|\$\$.*?\$\$", "", part, flags=re.DOTALL)
                    total += len(re.findall(r"\w+", words)) / WORDS_A_MINUTE + GUESS * words.count("**Predict")
                    total += QUESTIONS * ("### Check your understanding" in words)
        elif left_out or {"still", "starter", "verify"} & set(tags):
            continue
        elif "worked" in tags:
            total += TASK
        elif "folded" in tags:
            total += FIGURE * ("guess(" not in text)
        else:
            lines = sum(bool(line.strip()) and not line.strip().startswith("#") for line in text.splitlines())
            total += lines / LINES_A_MINUTE + OUTPUT + PICTURE * ("explore" in tags)
    return total


def promised(text):
    """What the first cell promises, min; and of it, what is done with the hands: labeling."""
    time = re.search(r"\*\*Time\*\*: (.*?)\*\*Needs", text, flags=re.DOTALL)[1]
    said = re.match(r"(.*?) minutes( each)?", time)
    labeling = re.search(r"of which (\d+) are labeling", time)
    return sum(map(int, re.findall(r"\d+", said[1]))) * (2 if said[2] else 1), int(labeling[1]) if labeling else 0


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_a_lesson_promises_the_minutes_of_the_model(path):
    cells = read_source(path)
    said, labeling = promised(cells[0]["source"])
    model = minutes(cells) + labeling
    assert 0.8 * model <= said <= 1.2 * model, f"it promises {said}, the model says {model:.0f}"


def test_the_model_counts_what_is_read_and_done():
    def cell(kind, source, *tags):
        return {"type": kind, "source": source, "tags": list(tags)}

    prose = cell("markdown", " ".join(["word"] * 300) + "\n\n**Predict.** " + " ".join(["so"] * 149))
    assert minutes([prose]) == pytest.approx(3 + GUESS)
    code = "\n".join(f"# why\nx_{number} = 0\n" for number in range(24))
    assert minutes([cell("code", code)]) == pytest.approx(2 + OUTPUT)
    assert minutes([cell("code", code, "explore")]) == pytest.approx(2 + OUTPUT + PICTURE)
    assert minutes([cell("code", code, "folded"), cell("code", code, "worked")]) == pytest.approx(FIGURE + TASK)
    nothing = [
        cell("code", code, "starter"),
        cell("code", "guess('a')", "folded"),
        cell("markdown", "## Sources\n\n" + "a " * 900),
    ]
    assert minutes(nothing) == 0
    more = [cell("markdown", "## If you want more"), cell("code", code), cell("markdown", "## Sources")]
    assert minutes(more) == 0
    assert promised("**Time**: two sittings, of 45 and 50 minutes, so. **Needs**: x") == (95, 0)
    assert promised("**Time**: two sittings of about 65 minutes each. **Needs**: x") == (130, 0)
    assert promised("**Time**: 80 minutes, of which 20 are labeling. **Needs**: x") == (80, 20)
