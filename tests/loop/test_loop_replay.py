"""The replay as text and as pictures; tests/browser opens it in a real browser."""

import json
import re

import numpy as np
import pytest

from robotlab.color import Band, ColorDetector
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Settings, default_camera, replay_pair_html, share_on_target, simulate
from robotlab.loop.decide import STATES
from robotlab.loop.replay import replay_html, summary, thin_pictures


@pytest.fixture(scope="module")
def run():
    detector = ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})
    return simulate(detector, WALKS["weave"], duration_s=3)


@pytest.fixture(scope="module")
def fled():
    return simulate(
        GroundTruthDetector(), WALKS["weave"], settings=Settings(steering_sign=-1), duration_s=3, pictures=False
    )


def test_it_stands_alone(run):
    page = replay_html(run, title='A <b>title</b> & "more"')
    assert "<b>title" not in page and "A &lt;b&gt;title" in page
    # Nothing is fetched: the one address in it names the SVG standard.
    assert set(re.findall(r"https?://[^\"'\s<]+", page)) <= {"http://www.w3.org/2000/svg"}
    assert len(page) < 3_000_000
    assert summary(run) in page.replace("&#x27;", "'")


def test_each_state_has_its_color_and_its_words(run):
    script = re.search(r"const COLOR = \{(.*?)\};\s*const SAYS = \{(.*?)\};", replay_html(run), re.S)
    for table in script.groups():
        assert re.findall(r"(\w+): \"", table) == list(STATES)


def test_pictures_are_thinned_evenly(run):
    assert thin_pictures(run, 10**9) == sorted(run.pictures)
    some = thin_pictures(run, 60_000)
    assert sum(len(run.pictures[i]) for i in some) * 4 / 3 <= 60_000
    assert 1 < len(some) < len(run.pictures) and len(set(np.diff(some))) == 1


def test_summary_says_what_happened(run, fled):
    assert "100 % of the pictures" in summary(run) and "never lost it" in summary(run)
    assert "lost it once" in summary(fled)


@pytest.mark.parametrize(
    ("box", "words", "share"),
    [([3.0, 3.0, 300.0, 230.0], "never found it, followed something else in 9", 0.0), (None, "never found it", 0.0)],
)
def test_summary_of_a_detector_that_is_on_the_post_in_no_picture(box, words, share):
    """A box that fills the picture is not a post; 'following 97 %' and 'never lost it' hid that."""
    found = Detections.none(["post"]) if box is None else Detections([box], [0.9], [0], ["post"])
    run = simulate(
        lambda picture: found, WALKS["straight"], camera=default_camera(80, 60) if box is None else None, duration_s=1.5
    )
    assert words in summary(run) and "never lost it" not in summary(run)
    assert share_on_target(run) == share


def test_a_pair_has_one_scale(run, fled):
    data = json.loads(re.search(r'class="data">(.*?)</script>', replay_pair_html(run, fled))[1])
    assert data["runs"][0]["view"] == data["runs"][1]["view"]


def test_pair_needs_two_names(run):
    with pytest.raises(InputError, match="names must be two"):
        replay_pair_html(run, run, ("one",))
