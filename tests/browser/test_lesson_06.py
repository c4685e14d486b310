"""Lesson 06 as a learner has it: run in JupyterLab, a post labeled with the mouse, a task solved by typing."""

from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "06_gather_and_label.ipynb"


def test_lesson_06_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "06_labeler")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_06_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("06_labeler")
    ran = notebook.run_all(480)
    assert notebook.troubles(ran) == []

    stage = page.locator("svg.robotlab-labeler-stage").first
    stage.scroll_into_view_if_needed()
    notebook.until(lambda: stage.get_attribute("data-shown"), "a picture")
    saved = page.locator(".robotlab-labeler-saved").first
    # The simulated annotator has worked on a copy: here nothing is labeled yet.
    notebook.until(lambda: "0 of 108 labeled" in saved.inner_text(), "its state in words")
    # Wholly in view, and at rest.
    stage.evaluate("stage => stage.scrollIntoView({ block: 'center' })")
    page.wait_for_timeout(1000)
    box = stage.bounding_box()
    page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 0.3 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.6 * box["height"], steps=6)
    page.mouse.up()
    notebook.until(lambda: stage.locator("rect.own").count() == 1, "the box")
    notebook.until(lambda: saved.inner_text().startswith("All saved."), "the box on the disk")
    page.keyboard.press("Enter")
    notebook.until(lambda: "1 of 108 labeled" in saved.inner_text(), "one picture labeled")
    notebook.fits(stage, [stage, page.locator(".robotlab-labeler-bench").first], tmp_path)

    slip = "return (np.abs(train[None] - test[:, None]).min(axis=1) < near).mean() if len(train) else 0.0"
    assert "at most means" in notebook.type_answer("leaked_part", slip).lower()
    answer = "return (np.abs(train[None] - test[:, None]).min(axis=1) <= near).mean() if len(train) else 0.0"
    assert "leaked_part: passed" in notebook.type_answer("leaked_part", answer)
