"""Lesson 13 as a learner without a robot has it: run, two emulated drives replayed, tasks solved by typing; nothing real moves."""

from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "13_onto_your_robot.ipynb"


def test_lesson_13_has_a_still_where_something_will_move():
    assert "bands orange and white" in still_alt(LESSON, "13_two_drives")


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_13_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("13_two_drives")

    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    outputs = str([cell.get("outputs") for cell in ran["cells"]])
    for name in ("hfov_from_sheet", "camera_delay", "wheel_commands", "halts_at"):
        assert f"{name}: not started" in outputs
    # The command finds the field of view that the sheet was drawn for, and its own words lead to the next command.
    assert "horizontal field of view 57.0 deg" in outputs and "robotlab drive --hfov 57.0" in outputs
    # Cautions come before a wheel turns; a board that timed out refuses what comes late.
    assert "The wheels are off the ground, and nothing can touch them? (yes/no) yes" in outputs
    assert "1.7 s: they stand; woken up: they stand" in outputs
    for line in ("rate against gain", "limits", "battery"):
        assert f"STOP  {line}: " in outputs and (f"OK    {line}: " in outputs)
    assert "dry run, no wheel turned" in outputs and "not started: set START = True" in outputs
    assert "still to be measured: hfov_deg" in outputs

    # The replay of both drives: the time moves by key, and the picture with it.
    frame = page.locator(".robotlab-replay iframe")
    frame.scroll_into_view_if_needed()
    inside = frame.content_frame
    slider = inside.locator("input[type=range]").first
    at_first = inside.locator("canvas").first.screenshot()
    notebook.keys(slider, "ArrowRight", 3)
    notebook.until(lambda: inside.locator("canvas").first.screenshot() != at_first, "the picture to change")

    notebook.fits(frame, [frame], tmp_path)

    said = notebook.type_answer("hfov_from_sheet", "return math.atan(width_px * sheet_m / sheet_px / 2 / distance_m)")
    assert "recognized: half the angle" in said
    said = notebook.type_answer(
        "hfov_from_sheet", "return 2 * math.atan(width_px * sheet_m / sheet_px / 2 / distance_m)"
    )
    assert "hfov_from_sheet: passed" in said
    said = notebook.type_answer("halts_at", "return min(until_s, line_s[good][-1] + timeout_s)")
    assert "halts_at: passed" not in said
