"""Lesson 12 as a learner has it: run, two runs chosen from lists, a slip and an answer typed."""

from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "12_face_off.ipynb"


def test_lesson_12_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "12_side_by_side")) > 40


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_12_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("12_side_by_side")

    ran = notebook.run_all(timeout_s=900)
    assert notebook.troubles(ran) == []

    # Two replays in step; lists choose what is shown.
    box = page.locator(".robotlab-replay")
    box.scroll_into_view_if_needed()
    text, frame = box.locator(".robotlab-text"), box.locator("iframe")
    inside = page.frame_locator(".robotlab-replay iframe")
    slider = inside.locator("input[type=range]").first
    slider.wait_for()
    assert text.inner_text().startswith("weave:dusk. color: on the post")
    assert "trained" in frame.get_attribute("title")
    before, first = slider.input_value(), frame.screenshot()
    inside.get_by_role("button", name="Play").click()
    notebook.until(lambda: slider.input_value() != before, "the replay to play")
    notebook.until(lambda: frame.screenshot() != first, "both pictures to change")

    # With the mouse's list: another walk, which was driven in part 2 already.
    box.get_by_label("walk").select_option("wrong_things:dusk")
    notebook.until(lambda: text.inner_text().startswith("wrong_things:dusk. color: on the post"), "the other walk", 120)
    # With the keyboard: the next detector in the list; the notebook's own keys stay away.
    right = box.get_by_label("on the right")
    right.focus()
    cell = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    notebook.keys(right, "ArrowDown")
    notebook.until(
        lambda: " mine: on the post" in text.inner_text() and "trained" not in text.inner_text(),
        "the learner's own detector",
        120,
    )
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == cell
    notebook.until(
        lambda: frame.get_attribute("title").startswith("Replay of wrong_things:dusk: color beside mine"), "its title"
    )
    # One detector on both sides is one replay.
    box.get_by_label("on the left").select_option("mine")
    notebook.until(lambda: "color" not in text.inner_text() and inside.locator("canvas").count() == 1, "one replay")
    box.get_by_label("on the left").select_option("color")
    notebook.until(lambda: inside.locator("canvas").count() == 2, "two replays")

    notebook.fits(box, [box], tmp_path)

    # The design sheet's sliders: a longer latency lowers the safe gain, and takes from the speed.
    sheet = page.locator(".robotlab-slider-picture")
    sheet.scroll_into_view_if_needed()
    words = sheet.locator(".robotlab-text")
    notebook.until(lambda: "largest safe gain, gain margin 2: 3.24 1/s" in words.inner_text(), "the gain as it was")
    notebook.keys(sheet.get_by_label("latency"), "ArrowRight", 5)
    # Half the ultimate gain of a loop with .24 s of latency and a motor lag of 0.1 s.
    notebook.until(lambda: "largest safe gain, gain margin 2: 2.22 1/s" in words.inner_text(), "a smaller gain")
    page.screenshot(path=tmp_path / "lesson_12_sheet.png")
    print(f"screenshot: {tmp_path / 'lesson_12_sheet.png'}")

    # A task: first a usual misconception, which is recognized, then the answer, which passes.
    said = notebook.type_answer("choose", 'return "other" if (low_m + high_m) / 2 >= matters_m else "simple"')
    assert "by the middle" in said
    said = notebook.type_answer(
        "choose", 'return "other" if low_m >= matters_m else "simple" if high_m < matters_m else "more walks"'
    )
    assert "choose: passed" in said
