"""Lesson 10 as a learner has it: run, the sliders moved with mouse and keys, a task solved by typing."""

import re
from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "10_steer.ipynb"


def test_lesson_10_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "10_gains")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_10_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page
    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    saved = str(ran)
    for name in ("bearing_error", "p_law", "wheel_speeds", "gain_limit"):
        assert f"{name}: not started" in saved

    widget = page.locator(".robotlab-slider-picture")
    widget.scroll_into_view_if_needed()
    image, text = widget.locator("img"), widget.locator(".robotlab-text")

    def says(pattern):
        return notebook.until(lambda: re.search(pattern, text.inner_text()), pattern)

    # 2 sin(pi / 14) / .1 s = 4.45 (Levin and May, 1976).
    says(
        r"^Gain 2\.0 1/s, latency 0\.3 s, motor lag 0\.00 s: 45 % of the ultimate gain, 4\.45 1/s\. It overshoots by 3\.1°"
    )
    assert "Three panels" in image.get_attribute("alt")
    source = image.get_attribute("src")

    # Keys: two frames less of delay, and the limit is 2 sin(pi / 6) / .1 s = 10.
    latency = widget.get_by_label("latency")
    latency.focus()
    active = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    notebook.keys(latency, "ArrowLeft", 2)
    says(r"latency 0\.1 s, .* 20 % of the ultimate gain, 10\.00 1/s\. It does not overshoot")
    assert image.get_attribute("src") != source
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == active

    # The mouse: the gain to the right end of its slider, past the limit.
    gain = widget.get_by_label("gain", exact=True)
    gain.scroll_into_view_if_needed()
    notebook.drag(gain, (0.16, 0.5), (1.2, 0.5))
    says(
        r"^Gain 12\.0 1/s, .* 120 % of the ultimate gain, 10\.00 1/s\. It is unstable: the post leaves the picture after \d\.\d s\."
    )
    page.screenshot(path=tmp_path / "at_1280.png")

    page.set_viewport_size({"width": 800, "height": 900})
    notebook.keys(widget.get_by_label("motor lag"), "ArrowRight")
    says(r"motor lag 0\.05 s")
    frame = page.locator(".jp-Notebook").first.bounding_box()
    for part in (image, gain, text):
        inner = part.bounding_box()
        assert inner["x"] + inner["width"] <= frame["x"] + frame["width"] + 1
    widget.evaluate("element => element.scrollIntoView()")
    page.screenshot(path=tmp_path / "at_800.png")
    page.set_viewport_size({"width": 1280, "height": 900})

    # Task 4: a slip first, which is named; then the answer.
    said = notebook.type_answer("gain_limit", "return math.pi / (2 * delay_frames * frame_s)")
    assert "recognized: no frames" in said
    said = notebook.type_answer("gain_limit", "return 2 * math.sin(math.pi / (4 * delay_frames + 2)) / frame_s")
    assert "gain_limit: passed" in said
