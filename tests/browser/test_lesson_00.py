"""Lesson 00 as a learner has it: opened in JupyterLab in a real Chromium, run, played, moved."""

import re
from pathlib import Path

import pytest

import robotlab

pytestmark = [pytest.mark.browser, pytest.mark.slow]

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "00_start_here.ipynb"


def test_lesson_00_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    still = notebook.still("00_distance")
    assert len(still.get_attribute("alt")) > 40

    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    printed = "".join("".join(output.get("text", "")) for cell in ran["cells"] for output in cell.get("outputs", []))
    assert "\nready\n" in printed
    # The very check that must hold here: this kernel was started by a Jupyter of its own environment.
    assert "Jupyter and this kernel are in one environment." in printed

    # The replay: pressing play moves its time, and the camera's picture changes.
    replay = page.locator(".robotlab-replay iframe")
    notebook.bring(replay)
    inside = page.frame_locator(".robotlab-replay iframe")
    slider = inside.locator("input[type=range]").first
    slider.wait_for()
    before, first = slider.input_value(), replay.screenshot()
    inside.get_by_role("button", name=re.compile("play", re.IGNORECASE)).first.click()
    notebook.until(lambda: slider.input_value() != before, "the replay to play")
    notebook.until(lambda: replay.screenshot() != first, "the replay's pictures to change")

    # The slider: keys, then the mouse.
    picture = page.locator(".robotlab-slider-picture").first
    notebook.bring(picture)
    image, text = picture.locator("img"), picture.locator(".robotlab-text")
    # f = 160 / tan(31.1 deg) = 265.2 px, so .50 m at 2 m are 66.3 px and .07 m are 9.3 px.
    notebook.until(lambda: text.inner_text() == "2.0 m away: the post is 66 pixels tall and 9.3 pixels wide", "2 m")
    source = image.get_attribute("src")
    distance = picture.get_by_label("distance of the post")
    notebook.keys(distance, "ArrowRight", 10)
    # At 3 m: 44.2 px and 6.2 px.
    notebook.until(lambda: text.inner_text() == "3.0 m away: the post is 44 pixels tall and 6.2 pixels wide", "3 m")
    assert image.get_attribute("src") != source
    at_3_m = image.screenshot()
    notebook.bring(distance)
    notebook.drag(distance, (0.5, 0.5), (-0.2, 0.5))
    notebook.until(lambda: text.inner_text().startswith("0.4 m away"), "the left end")
    notebook.until(lambda: image.screenshot() != at_3_m, "the near post")

    # Readable on a small window too: nothing of the widget is cut off at 800 px.
    page.set_viewport_size({"width": 800, "height": 900})
    page.wait_for_timeout(500)
    frame, inner = page.locator(".jp-Notebook").first.bounding_box(), image.bounding_box()
    assert inner["x"] + inner["width"] <= frame["x"] + frame["width"] + 1

    shot = tmp_path / "lesson_00.png"
    page.screenshot(path=shot)
    print(f"screenshot: {shot}")
    assert shot.stat().st_size > 10_000
