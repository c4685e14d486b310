"""Lesson 05 as a learner has it: run in JupyterLab, its boxes dragged, a task solved by typing."""

import re
from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "05_boxes.ipynb"

# As typed: the editor indents by itself after a colon.
SLIP = """def iou(a, b):
w, h = max(0, min(a[2], b[2]) - max(a[0], b[0])), max(0, min(a[3], b[3]) - max(a[1], b[1]))
u = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1])
return w * h / u if u > 0 else 0.0"""
# At the end of the last line but one.
FIXED = " - w * h"


def type_into(page, cell, text, *at):
    """Click into a cell, press some keys, type as a person does, and run it; lines after two come as from the clipboard."""
    cell.scroll_into_view_if_needed()
    cell.locator(".cm-content").click()
    for key in at:
        page.keyboard.press(key)
    for number, line in enumerate(text.splitlines()):
        if number:
            page.keyboard.press("Enter")
        (page.keyboard.type if number < 2 else page.keyboard.insert_text)(line)
    page.keyboard.press("Control+Enter")


def test_lesson_05_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "05_two_boxes")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_05_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("05_two_boxes")

    ran = notebook.run_all()
    assert notebook.troubles(ran) == []

    sheet = page.locator("svg.robotlab-two-boxes").first
    notebook.bring(sheet)
    text = page.locator(".robotlab-widget", has=sheet).locator(".robotlab-text").first
    # [0,0,10,10] against [5,5,15,15] is 1/7 wherever both stand.
    notebook.until(lambda: text.inner_text().endswith("IoU 25 / 175 = 0.143"), "1/7")

    def at(x, y):
        """A place on the sheet of 40 × 24 px, which has a rim of half a px, in shares of it."""
        return (x + 0.5) / 41, (y + 0.5) / 25

    # B by its inside, 5 px back and up: both in one place.
    notebook.drag(sheet, at(23, 18), at(18, 13))
    notebook.until(lambda: text.inner_text().endswith("IoU 100 / 100 = 1.000"), "both in one place")
    # Keys: B has the focus since the drag. Three to the right: 7 / 13; one more: 6 / 14, below a half.
    cell = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    notebook.until(lambda: text.inner_text().endswith("IoU 70 / 130 = 0.538"), "7 / 13")
    page.keyboard.press("ArrowRight")
    notebook.until(lambda: text.inner_text().endswith("IoU 60 / 140 = 0.429"), "6 / 14")
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == cell
    # B by its lower right corner, to 5 × 5, inside of A; then one wider with Shift.
    notebook.drag(sheet, at(24, 16), at(19, 11))
    notebook.until(
        lambda: "B 5 × 5 = 25 px²" in text.inner_text() and text.inner_text().endswith("IoU 25 / 100 = 0.250"), "inside"
    )
    page.keyboard.press("Shift+ArrowRight")
    notebook.until(lambda: "B 6 × 5 = 30 px²" in text.inner_text(), "one wider")
    # The other box, to the edge of the sheet, which nothing leaves.
    notebook.keys(sheet.locator("g[data-box=A]"), "ArrowLeft", 10)
    assert "corners 0, 6, 10, 16" in sheet.locator("g[data-box=A]").get_attribute("aria-label")
    for _ in range(4):
        page.keyboard.press("ArrowLeft")
    notebook.until(lambda: re.search(r"intersection 0 px².*IoU 0 / 130 = 0\.000$", text.inner_text()), "apart")
    assert "corners 0, 6, 10, 16" in sheet.locator("g[data-box=A]").get_attribute("aria-label")

    notebook.fits(sheet, [sheet], tmp_path)

    # A task: first a usual misconception, which is recognized, then the answer, which passes.
    cells = page.locator(".jp-CodeCell")
    starter = cells.filter(has_text="def iou(a, b):").first
    check = cells.filter(has_text=re.compile(r"verify\(iou\)")).first
    starter.scroll_into_view_if_needed()
    # Cells that are not in view are not on the page; "not started" comes with the scrolling.
    notebook.until(lambda: "not started" in check.inner_text(), "the task, not started")
    for typed, at, expected in (
        (SLIP, ("Control+a", "Delete"), "sum for union"),
        (FIXED, ("Control+End", "ArrowUp", "End"), "iou: passed"),
    ):
        type_into(page, starter, typed, *at)
        check.scroll_into_view_if_needed()
        check.locator(".cm-content").click()
        page.keyboard.press("Control+Enter")
        notebook.until(lambda expected=expected: expected in check.inner_text(), expected)
    page.screenshot(path=tmp_path / "lesson_05_task.png")
    print(f"screenshot: {tmp_path / 'lesson_05_task.png'}")
