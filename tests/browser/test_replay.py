"""The replay of a run, in a real browser, from a file and without a network."""

import re

import numpy as np
import pytest

from robotlab.color import Band, ColorDetector
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Settings, replay_pair_html, simulate
from robotlab.loop.replay import replay_html

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def run():
    detector = ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})
    return simulate(detector, WALKS["weave"], duration_s=3)


@pytest.fixture(scope="module")
def replays(browser, run, tmp_path_factory):
    """Three replays on one page."""
    fled = simulate(
        GroundTruthDetector(), WALKS["weave"], settings=Settings(steering_sign=-1), duration_s=3, pictures=False
    )
    path = tmp_path_factory.mktemp("replay") / "page.html"
    body = replay_html(run, "One") + replay_html(run, "Same again") + replay_pair_html(run, fled, ("right", "wrong"))
    path.write_text("<!doctype html><meta charset=utf-8><title>replay</title>" + body, encoding="utf-8")
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    wrong = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("request", lambda request: wrong.append(request.url) if request.url.startswith("http") else None)
    page.goto(path.as_uri())
    page.wait_for_selector(".robotlab-replay[data-ready]")
    yield page
    page.close()
    assert wrong == []


def clock(root):
    return float(root.locator(".clock").inner_text().split()[0])


def test_all_are_ready_and_apart(replays):
    roots = replays.locator(".robotlab-replay")
    assert roots.count() == replays.locator(".robotlab-replay[data-ready]").count() == 3
    roots.nth(0).locator("input").fill("1.5")
    assert clock(roots.nth(0)) == 1.5 and clock(roots.nth(1)) == 0.0


def test_slider_moves_trolley_and_box(replays, run):
    root = replays.locator(".robotlab-replay").nth(1)
    places, pixels = [], []
    for t in ("0", "2.5"):
        root.locator("input").fill(t)
        replays.wait_for_timeout(100)
        places.append(root.locator(".plan svg > g:last-of-type").get_attribute("transform"))
        pixels.append(root.locator("canvas").evaluate("c => c.toDataURL()"))
    assert places[0] != places[1] and pixels[0] != pixels[1]
    x, y = (float(value) for value in re.findall(r"-?[\d.]+", places[1])[:2])
    k = int(np.searchsorted(run.t_s, 2.5))
    assert (x, -y) == pytest.approx(tuple(run.post_m[k]), abs=0.03)


def test_yellow_box_is_drawn_where_it_was_found(replays, run):
    root = replays.locator(".robotlab-replay").nth(1)
    root.locator("input").fill("2")
    replays.wait_for_timeout(100)
    x0, y0, _, y1 = run.boxes[20] * 2
    color = root.locator("canvas").evaluate(
        "(c, at) => [...c.getContext('2d').getImageData(at[0], at[1], 1, 1).data]", [int(x0), int((y0 + y1) / 2)]
    )
    assert np.abs(np.array(color[:3]) - (240, 228, 66)).max() < 40


def test_play_pause_and_keys(replays):
    root = replays.locator(".robotlab-replay").nth(2)
    button = root.locator("button")
    # At half its speed a busy computer clicks again before it comes to its end, 3 s.
    root.locator("select").select_option("0.5")
    button.click()
    assert button.inner_text() == "Pause"
    replays.wait_for_timeout(600)
    button.click()
    assert button.inner_text() == "Play"
    at = clock(root)
    assert 0.2 <= at <= 2.5
    root.locator("select").select_option("1")
    replays.wait_for_timeout(200)
    assert clock(root) == at
    root.focus()
    replays.keyboard.press("ArrowRight")
    assert clock(root) == pytest.approx(at + 0.2, abs=0.11)
    replays.keyboard.press("Home")
    assert clock(root) == 0.0
    replays.keyboard.press("End")
    assert clock(root) == 3.0
    assert root.locator(".now").all_inner_texts()[0].startswith("following")
    replays.keyboard.press(" ")
    assert button.inner_text() == "Pause"
    replays.keyboard.press(" ")
    assert button.inner_text() == "Play"


@pytest.mark.parametrize("width", [1280, 800, 420])
def test_fits_the_page(replays, width):
    replays.set_viewport_size({"width": width, "height": 900})
    replays.wait_for_timeout(50)
    assert replays.evaluate("document.documentElement.scrollWidth") <= width
    for canvas in replays.locator("canvas").all():
        box = canvas.bounding_box()
        assert box["width"] >= 190 and box["x"] + box["width"] <= width


def test_words_for_those_who_do_not_see_it(replays, run):
    root = replays.locator(".robotlab-replay").first
    assert root.get_attribute("aria-label") == "Replay: One"
    for name in (".plan svg", "canvas"):
        assert "in view in 100 % of the pictures" in root.locator(name).get_attribute("aria-label")
    assert root.locator("input").get_attribute("aria-valuetext").endswith("seconds")
