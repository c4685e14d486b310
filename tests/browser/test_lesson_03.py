"""Lesson 03 as a learner has it: run in JupyterLab, its bands moved, a task solved by typing."""

from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "03_follow_a_color.ipynb"

SLIP = """def in_band(hue, low, high):
return (hue >= low) & (hue <= high)"""
# At the end of the last line.
FIXED = " if low <= high else (hue >= low) | (hue <= high)"


def type_into(notebook, cell, text, *at):
    """Click into a cell, press some keys, type as a person does, and run it."""
    page = notebook.page
    cell.scroll_into_view_if_needed()
    cell.locator(".cm-content").click()
    for key in at:
        page.keyboard.press(key)
    # The editor indents by itself after a colon.
    page.keyboard.type(text)
    page.keyboard.press("Control+Enter")


def test_lesson_03_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "03_bands")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_03_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("03_bands")

    ran = notebook.run_all()
    assert notebook.troubles(ran) == []

    # The bands. By day the post is found; a hue band without orange finds nothing.
    picture = page.locator(".robotlab-slider-picture").first
    notebook.bring(picture)
    image, text = picture.locator("img"), picture.locator(".robotlab-text")
    notebook.until(
        lambda: text.inner_text().startswith("daylight: ") and text.inner_text().endswith(": found"), "the post by day"
    )
    source = image.get_attribute("src")
    chooser = picture.get_by_label("picture", exact=True)
    chooser.select_option("grow")
    notebook.until(
        lambda: text.inner_text().startswith("grow: ") and text.inner_text().endswith("not found"), "the grow lamp"
    )
    assert image.get_attribute("src") != source
    # What the lesson asks for: the band goes down to 0 to 9, where the grow lamp has put the post.
    notebook.keys(picture.get_by_label("hue to"), "ArrowLeft", 6)
    notebook.keys(picture.get_by_label("hue from"), "Home")
    notebook.until(lambda: text.inner_text().endswith(": found"), "the post under the grow lamp")
    # The mouse: drag value's lower end to the right, past all that is bright.
    value = picture.get_by_label("value from")
    notebook.bring(value)
    box = value.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 104 / 255, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] + 30, box["y"] + box["height"] / 2, steps=10)
    page.mouse.up()
    notebook.until(lambda: "no blob of 12 pixels or more" in text.inner_text(), "an empty band")

    notebook.fits(image, [image], tmp_path)

    # A task: first the usual misconception, which is recognized, then the answer, which passes.
    cells = page.locator(".jp-CodeCell")
    starter = cells.filter(has_text="def in_band(hue, low, high):").first
    check = cells.filter(has_text="verify(in_band)").first
    starter.scroll_into_view_if_needed()
    # Cells that are not in view are not on the page; "not started" comes with the scrolling.
    notebook.until(lambda: "not started" in check.inner_text(), "the task, not started")
    for typed, at, expected in (
        (SLIP, ("Control+a", "Delete"), "no way through red"),
        (FIXED, ("Control+End",), "in_band: passed"),
    ):
        type_into(notebook, starter, typed, *at)
        check.scroll_into_view_if_needed()
        check.locator(".cm-content").click()
        page.keyboard.press("Control+Enter")
        notebook.until(lambda expected=expected: expected in check.inner_text(), expected)
    page.screenshot(path=tmp_path / "lesson_03_task.png")
    print(f"screenshot: {tmp_path / 'lesson_03_task.png'}")
