"""Lesson 01 as a learner has it: run, the far post resized with mouse and keys, a task solved by typing."""

import re
from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "01_pictures.ipynb"


def test_lesson_01_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "01_methods")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_01_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page
    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    saved = str(ran)
    for name in ("luminance", "scaled_size", "shrink", "alias_frequency"):
        assert f"{name}: not started" in saved

    widget = page.locator(".robotlab-slider-picture")
    notebook.bring(widget)
    image, text = widget.locator("img"), widget.locator(".robotlab-text")

    def says(start):
        notebook.until(lambda: text.inner_text().startswith(start), start)
        return dict(re.findall(r"(area|linear|nearest) (\d+)", text.inner_text()))

    # f = 320 / tan(31.1 deg) = 530.5 px: .07 m at 6 m are 6.2 px, an eighth of that is .8.
    first = says("6.0 m away, 80 × 60 pixels, the post 0.8 pixels wide")
    source = image.get_attribute("src")
    # Keys: 2 cm to the left, and nearest, which had all but lost the post, meets it.
    notebook.keys(widget.get_by_label("moved to the left"), "ArrowRight", 2)
    notebook.until(lambda: image.get_attribute("src") != source, "a new picture")
    notebook.until(lambda: re.findall(r"nearest (\d+)", text.inner_text()) != [first["nearest"]], "another number")
    moved = says("6.0 m away, 80 × 60 pixels")
    assert int(first["nearest"]) < int(first["area"]) < int(moved["area"]) < int(moved["nearest"])

    # The mouse: the slider "how many times smaller" to its left end, where nothing is resized and all agree.
    smaller = widget.get_by_label("how many times smaller")
    notebook.bring(smaller)
    notebook.drag(smaller, (0.47, 0.5), (-0.2, 0.5))
    same = says("6.0 m away, 640 × 480 pixels, the post 6.2 pixels wide")
    assert len(set(same.values())) == 1
    page.screenshot(path=tmp_path / "at_1280.png")

    page.set_viewport_size({"width": 800, "height": 900})
    notebook.keys(widget.get_by_label("how many times smaller"), "ArrowRight", 7)
    says("6.0 m away, 80 × 60 pixels")
    frame, inner = page.locator(".jp-Notebook").first.bounding_box(), image.bounding_box()
    assert inner["x"] + inner["width"] <= frame["x"] + frame["width"] + 1
    widget.evaluate("element => element.scrollIntoView()")
    page.screenshot(path=tmp_path / "at_800.png")
    page.set_viewport_size({"width": 1280, "height": 900})

    # Task 1: a slip first, which is named; then the answer.
    assert "recognized: all colors alike" in notebook.type_answer("luminance", "return picture.mean(axis=2)")
    assert "luminance: passed" in notebook.type_answer("luminance", "return picture @ [0.299, 0.587, 0.114]")
