"""Lesson 09 as a learner has it: run, the timeline moved by keys, mouse and choice, tasks solved by typing."""

from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "09_frame_time_and_power.ipynb"


def test_lesson_09_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "09_timeline")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_09_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("09_timeline")

    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    outputs = str([cell.get("outputs") for cell in ran["cells"]])
    for name in ("throughput", "latency", "frames_in_flight", "running_time", "cells_state"):
        assert f"{name}: not started" in outputs
    # The charger for two cells is refused with its reason, the other one comes with its cautions.
    assert "the charger serves 2 cells, the pack has 3" in outputs and "never unattended" in outputs
    assert "showing costs 3.72 ms a picture" in outputs and "52.8 min" in outputs

    widget = page.locator(".robotlab-slider-picture")
    widget.scroll_into_view_if_needed()
    text, image = widget.locator(".robotlab-text"), widget.locator("img")

    def says(*words):
        notebook.until(lambda: all(one in text.inner_text() for one in words), words)

    # 4 + 30 + 10 + 2 ms in one thread: 21.7 a second.
    says("One thread: 21.7 of 60 pictures/s, bound by all stages together", "46 ms are work")
    assert "A timeline" in image.get_attribute("alt")
    seen = image.get_attribute("src")

    # Keys: a buffer of two pictures, each of which waits one turn more.
    buffer = widget.get_by_label("driver's buffer")
    buffer.focus()
    active = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    notebook.keys(buffer, "ArrowRight", 2)
    says("21.7 of 60", "Latency 130 ms")
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == active
    notebook.until(lambda: image.get_attribute("src") != seen, "a new picture")

    # The choice: a thread for each stage; the slowest alone decides.
    widget.get_by_label("work").select_option("a thread for each stage")
    says("A thread for each stage: 33.3 of 60 pictures/s, bound by detect")

    # The mouse: the detector to the left end of its slider; now showing is the slowest.
    detect = widget.get_by_label("detector")
    place = detect.bounding_box()
    page.mouse.move(place["x"] + place["width"] * 0.36, place["y"] + place["height"] / 2)
    page.mouse.down()
    page.mouse.move(place["x"] - 20, place["y"] + place["height"] / 2, steps=12)
    page.mouse.up()
    says("60.0 of 60 pictures/s, bound by the camera", "18 ms are work")

    notebook.fits(widget, [text, image, buffer, detect], tmp_path)

    said = notebook.type_answer("throughput", "return min(camera_hz, 1 / stages_s.sum())")
    assert "recognized: always the sum" in said
    said = notebook.type_answer(
        "throughput", "return min(camera_hz, 1 / (max(stages_s) if own_threads else sum(stages_s)))"
    )
    assert "throughput: passed" in said
    said = notebook.type_answer("cells_state", 'return "stop" if cell_v.mean() < stop_v else "go on"')
    assert "cells_state: passed" not in said
    said = notebook.type_answer(
        "cells_state",
        'return "stop" if min(cell_v) < stop_v else "balance" if max(cell_v) - min(cell_v) > most_spread_v else "go on"',
    )
    assert "cells_state: passed" in said
