"""Lesson 02 as a learner has it: run, the post dragged with mouse and keys, a task solved by typing."""

import re
from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "02_what_the_camera_sees.ipynb"


def test_lesson_02_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "02_plan")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_02_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page
    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    unstarted = [
        name
        for name in ("field_of_view", "pixels_on_target", "working_range", "bearing")
        if f"{name}: not started" in str(ran)
    ]
    assert len(unstarted) == 4

    widget = page.locator(".robotlab-camera-view")
    notebook.bring(widget)
    text, view, lens, plan = (
        widget.locator(".robotlab-text"),
        widget.locator(".robotlab-view"),
        widget.locator(".robotlab-lens"),
        widget.locator("svg"),
    )
    plan.wait_for()
    # f = 160 / tan(31.1 deg) = 265.2 px: .50 m at 2 m are 66.3 px, .07 m are 9.3 px.
    at_first = "2.0 m ahead, in the middle: 66.3 px tall, 9.3 px wide, bearing 0.0°. All of it in the picture."
    notebook.until(lambda: text.inner_text() == at_first, "2 m")

    # Keys: 1 m farther, .5 m to the left; atan(.5 / 3) = 9.5 deg, and left is positive.
    plan.focus()
    active = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    notebook.keys(plan, "ArrowUp", 10)
    notebook.keys(plan, "Shift+ArrowLeft")
    notebook.until(
        lambda: text.inner_text().startswith(
            "3.0 m ahead, 0.50 m to the left: 44.2 px tall, 6.2 px wide, bearing +9.5°"
        ),
        "3 m",
    )
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == active
    seen, magnified = view.get_attribute("src"), lens.get_attribute("src")

    # The mouse: drag the post to the right edge of the plan, close to the camera: out of the view.
    dot = widget.locator("svg circle").last.bounding_box()
    place = plan.bounding_box()
    page.mouse.move(dot["x"] + dot["width"] / 2, dot["y"] + dot["height"] / 2)
    page.mouse.down()
    page.mouse.move(place["x"] + place["width"] - 2, place["y"] + 0.88 * place["height"], steps=12)
    page.mouse.up()
    notebook.until(
        lambda: re.search(r"2\.40 m to the right: bearing −\d+\.\d°\. Outside the picture\.", text.inner_text()),
        "the right edge",
    )
    notebook.until(lambda: seen != view.get_attribute("src") and magnified != lens.get_attribute("src"), "new pictures")

    # A picture half as wide: half the pixels, 66.3 / 2 and 9.28 / 2.
    notebook.keys(plan, "Home")
    width = widget.get_by_label("width of the picture")
    notebook.keys(width, "ArrowLeft", 8)
    notebook.until(
        lambda: text.inner_text().startswith("2.0 m ahead, in the middle: 33.2 px tall, 4.6 px wide"), "160 px"
    )
    notebook.until(lambda: view.evaluate("image => image.naturalWidth") == 160, "a picture of 160 px")

    notebook.bring(widget)
    page.screenshot(path=tmp_path / "at_1280.png")
    page.set_viewport_size({"width": 800, "height": 900})
    notebook.bring(width)
    for part in (text, width, view, lens, plan):
        box = part.bounding_box()
        assert box["x"] >= 0 and box["x"] + box["width"] <= 800
    widget.evaluate("element => element.scrollIntoView()")
    page.screenshot(path=tmp_path / "at_800.png")
    page.set_viewport_size({"width": 1280, "height": 900})

    # Task 1: a slip first, which is named; then the answer.
    said = notebook.type_answer("field_of_view", "return math.atan(sensor_mm / 2 / focal_mm)")
    assert "recognized: half the angle" in said
    said = notebook.type_answer("field_of_view", "return 2 * math.atan(sensor_mm / 2 / focal_mm)")
    assert "field_of_view: passed" in said
