"""Lesson 11 as a learner has it: run, the stop moved by keys and mouse, tasks solved by typing after wrong answers."""

import re
from pathlib import Path

import pytest
from notebook_words import still_alt

import robotlab

LESSON = Path(robotlab.__file__).resolve().parents[1] / "lessons" / "11_smooth_and_safe.ipynb"


def test_lesson_11_has_a_still_where_something_will_move():
    assert len(still_alt(LESSON, "11_stop")) > 20


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.long(short="course/test_lessons.py::test_notebooks_run_and_print_what_they_show")
def test_lesson_11_in_the_browser(lab, open_notebook, tmp_path):
    notebook = open_notebook(lab(LESSON), LESSON.name)
    page = notebook.page

    # Not run yet: the stills stand in for what will move.
    notebook.still("11_stop")

    ran = notebook.run_all()
    assert notebook.troubles(ran) == []
    outputs = str([cell.get("outputs") for cell in ran["cells"]])
    for name in ("ramp_step", "watchdog", "stopping_distance", "safe_speed"):
        assert f"{name}: not started" in outputs
    # The program was killed, its log is whole; and each fault stayed within the stopping distance.
    assert "its log is whole up to the last record: yes" in outputs
    assert outputs.count(">yes</td>") == 19 and ">NO</td>" not in outputs

    widget = page.locator(".robotlab-slider-picture")
    widget.scroll_into_view_if_needed()
    text, image = widget.locator(".robotlab-text"), widget.locator("img")
    # .6 · .35 = .21 m; the ramp takes .6 / .8 + .8 / 8 = .85 s at .3 m/s: .255 m.
    notebook.until(
        lambda: text.inner_text().startswith(
            "Stands after 0.465 m and 1.20 s: 0.210 m in the reaction time, 0.255 m on the ramp."
        ),
        "the start",
    )
    assert "0.335 m to spare" in text.inner_text() and "crate" in image.get_attribute("alt")

    # Keys: 1.0 m/s. 1 / .8 + .1 = 1.35 s at half speed, so .675 m, and .35 m before: past the crate at .8 m.
    speed = widget.get_by_label("speed", exact=True)
    speed.focus()
    active = page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index")
    seen = image.get_attribute("src")
    notebook.keys(speed, "ArrowUp", 8)
    notebook.until(
        lambda: re.match(r"Stands after 1\.025 m .* It hits the crate at 0\.\d\d m/s\.", text.inner_text()), "1 m/s"
    )
    assert page.locator(".jp-Cell.jp-mod-active").get_attribute("data-windowed-list-index") == active
    notebook.until(lambda: image.get_attribute("src") != seen, "a new picture")

    # The mouse: the delay to its left end.
    notebook.drag(widget.get_by_label("reaction time"), (0.35, 0.5), (-0.2, 0.5))
    notebook.until(
        lambda: text.inner_text().startswith("Stands after 0.675 m and 1.35 s: 0.000 m in the reaction time"),
        "no delay",
    )

    sliders = [widget.get_by_label(name) for name in ("acceleration limit", "jerk limit", "reaction time")]
    notebook.fits(widget, [text, image, *sliders], tmp_path)

    # The ramp: braking at once is recognized, then the answer.
    said = notebook.type_answer("ramp_step", "return min(wanted_mps, speed_mps + accel_mps2 * dt_s)")
    assert "recognized: limit upward only" in said
    said = notebook.type_answer(
        "ramp_step", "return max(speed_mps - accel_mps2 * dt_s, min(wanted_mps, speed_mps + accel_mps2 * dt_s))"
    )
    assert "ramp_step: passed" in said
    # The watchdog that drives on without a picture, then one that does not.
    said = notebook.type_answer(
        "watchdog", 'a = now_s - last_good_s; return "stop" if a > stop_s else "slow" if a > slow_s else "go"'
    )
    assert "recognized: nonsense goes on" in said
    said = notebook.type_answer(
        "watchdog",
        'a = now_s - last_good_s; return "go" if 0 <= a <= slow_s else "slow" if 0 <= a <= stop_s else "stop"',
    )
    assert "watchdog: passed" in said
