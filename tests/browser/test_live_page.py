"""The live page in a real Chromium: holding with mouse and key, a second holder, stop; and letting go by accident."""

import functools
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import psutil
import pytest

from robotlab.camera import Camera
from robotlab.control import SimulatedLink
from robotlab.detections import Detections
from robotlab.greenhouse import WALKS, render
from robotlab.loop import Settings, drive
from robotlab.robot import LivePage

pytestmark = [pytest.mark.browser, pytest.mark.slow]

ROOT = Path(__file__).parents[2]
CAMERA = Camera(160, 120, 1.0, height_m=0.25)
SETTINGS = Settings(frame_hz=20, delay_s=0.0, watchdog_s=4.0, max_mps=0.15)


@functools.cache
def rendered():
    return render(WALKS["weave"].scene.with_post_at(1.9, 0.1), CAMERA, seed=0).picture


def take():
    time.sleep(0.05)
    noise = np.random.default_rng().integers(-6, 7, rendered().shape)
    return np.clip(rendered().astype(int) + noise, 0, 255).astype(np.uint8)


class Driven:
    """A drive with a page, in a thread."""

    def __init__(self, seconds=40.0):
        rendered()  # not while it drives
        self.link, self.report, self.page = SimulatedLink(), None, LivePage(battery_v=7.4)
        see = Detections([[70, 55, 76, 95], [10, 60, 30, 80]], [0.9, 0.5], [0, 0], ["post"])

        def run():
            self.report = drive(
                lambda picture: see,
                take,
                CAMERA,
                SETTINGS,
                self.link,
                seconds,
                show=self.page.show,
                hold=self.page,
                lifted=True,
            )
            self.page.finish(self.report.reason)

        self.thread = threading.Thread(target=run)

    def __enter__(self):
        self.page.__enter__()
        self.thread.start()
        return self

    def __exit__(self, *_):
        self.page._order(lambda stop, *_: stop.stop())
        self.thread.join(10)
        self.page.close()

    @property
    def moves(self):
        return any(self.link.wheels())


def until(page, true, what):
    for _ in range(100):
        if true():
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"waited 10 s in vain for {what}; the page says {page.locator('#state').inner_text()!r}")


@pytest.fixture
def opened(browser):
    contexts = []

    def open_one(driven):
        context = browser.new_context(viewport={"width": 1280, "height": 900})
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: pytest.fail(str(error)))
        page.goto(driven.page.url)
        page.wait_for_selector("#state.stands")
        return page

    yield open_one
    for context in contexts:
        context.close()


def test_holding_with_mouse_and_key_a_second_page_and_stop(opened, tmp_path):
    with Driven() as driven:
        page, other = opened(driven), opened(driven)
        page.bring_to_front()
        page.locator("#hold").hover()
        page.mouse.down()
        until(page, lambda: driven.moves, "motion")
        page.wait_for_selector("#state.drives")
        # What is seen is drawn: not one color, and the box in its yellow.
        drawn = page.evaluate(
            "(() => { const e = document.getElementById('eye'), d = e.getContext('2d').getImageData(0, 0, e.width, e.height).data;"
            "let yellow = 0; for (let i = 0; i < d.length; i += 4) yellow += d[i] > 220 && d[i + 1] > 210 && d[i + 2] < 110; return yellow; })()"
        )
        assert drawn > 100
        for width in (1280, 400):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            page.screenshot(path=tmp_path / f"live_page_{width}.png", full_page=True)
        # The second one sees it, and cannot hold.
        until(other, lambda: "another page" in other.locator("#state").inner_text(), "the other page to know")
        assert other.locator("#hold").is_disabled()
        page.mouse.up()
        until(page, lambda: not driven.moves, "a stop")
        page.wait_for_selector("#state.stands")
        page.wait_for_timeout(500)
        assert not driven.moves
        # By the key, wherever the focus is.
        page.keyboard.down(" ")
        until(page, lambda: driven.moves, "motion by the key")
        page.keyboard.up(" ")
        until(page, lambda: not driven.moves, "a stop")
        # What may hide a release is one: the window loses the focus, another script's click is none.
        page.keyboard.down(" ")
        until(page, lambda: driven.moves, "motion by the key")
        page.evaluate("window.dispatchEvent(new Event('blur'))")
        until(page, lambda: not driven.moves, "a stop")
        page.keyboard.up(" ")
        page.evaluate(
            "document.getElementById('hold').dispatchEvent(new PointerEvent('pointerdown', {isPrimary: true, button: 0}))"
        )
        page.wait_for_timeout(500)
        assert not driven.moves
        # Anybody may stop, and then it is over for all.
        page.keyboard.down(" ")
        until(page, lambda: driven.moves, "motion by the key")
        other.locator("#stop").click()
        until(page, lambda: not driven.moves, "a stop")
        until(page, lambda: "Over: somebody pressed stop" in page.locator("#state").inner_text(), "the reason")
        assert page.locator("#hold").is_disabled()
    assert driven.report.state == "stop" and driven.report.halt_confirmed


def test_a_page_that_hangs_has_let_go(opened):
    with Driven() as driven:
        page = opened(driven)
        page.locator("#hold").hover()
        page.mouse.down()
        until(page, lambda: driven.moves, "motion")
        # The tab is busy for two seconds: questions wait in a queue and are answered in a burst afterward.
        page.evaluate("setTimeout(() => { const end = performance.now() + 2000; while (performance.now() < end); }, 0)")
        begun = time.monotonic()
        while time.monotonic() - begun < 1.6:
            time.sleep(0.05)
        assert not driven.moves
        page.wait_for_timeout(1500)  # it has woken up, and the button is still down
        assert not driven.moves


def test_a_sample_of_the_measured_ways_keeps_the_stopping_distance(chromium, tmp_path):
    # python instructor/measure_held_control.py goes through all of them, 100 times.
    out = tmp_path / "held.json"
    words = [sys.executable, ROOT / "instructor" / "measure_held_control.py", "--tries", "1", "--at-once", "1"]
    for way in ("network cut for", "browser killed"):
        for _ in range(3):
            ran = subprocess.run(
                [*words, "--only", way, "--out", out],
                capture_output=True,
                text=True,
                check=False,
                timeout=120,
                env={**os.environ, "ROBOTLAB_CHROMIUM": chromium},
            )
            assert ran.returncode == 0, ran.stdout + ran.stderr
            rows = json.loads(out.read_text())["runs"]
            # On a busy machine the browser may not get to hold the button: then nothing has been measured.
            if rows:
                break
        [row] = rows
        assert row["driving_at_the_moment"] == 1 and row["moving_commands_after_rest"] == 0


def test_a_browser_that_does_not_answer_does_not_run_on(tmp_path):
    """It would take a quarter of a core from all that comes later."""
    program = tmp_path / "browser"
    program.write_text(
        f"#!/bin/sh\necho $$ > {tmp_path}/pid\necho DevTools listening on ws://127.0.0.1:1/none >&2\nexec sleep 600\n"
    )
    program.chmod(0o755)
    code = "import sys; sys.path.insert(0, sys.argv[1]); import measure_held_control; measure_held_control.Chromium()"
    ran = subprocess.run(
        [sys.executable, "-c", code, ROOT / "instructor"],
        env={**os.environ, "ROBOTLAB_CHROMIUM": str(program)},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert ran.returncode and "ws://127.0.0.1:1/none" in ran.stderr
    assert not psutil.pid_exists(int((tmp_path / "pid").read_text()))
