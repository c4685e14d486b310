"""Two replays to choose, without a browser: what they show against the runs."""

import pytest

from robotlab.errors import InputError
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, share_on_target, simulate
from robotlab.widgets import ReplayChoice

EYES = {
    "sharp": GroundTruthDetector(),
    "dim": GroundTruthDetector(smallest_px=90),
    "blind": GroundTruthDetector(miss_rate=1.0),
}


@pytest.fixture
def show():
    """The widget, and the runs that it asked for."""
    asked = []

    def run_of(walk, name):
        asked.append((walk, name))
        if walk == "reverse":
            raise RuntimeError("the battery is empty")
        return simulate(EYES[name], WALKS[walk], pictures=False, duration_s=4)

    widget = ReplayChoice(run_of, ["weave", "straight", "reverse"], list(EYES))
    widget.runs_asked_for = asked
    return widget


def choose(widget, **values):
    """What the browser does."""
    widget.asked = {"number": widget.asked["number"] + 1, "values": {**widget.asked["values"], **values}}
    assert widget.answered == widget.asked["number"]


def test_it_begins_with_the_first_walk_and_the_first_two(show):
    assert show.runs_asked_for == [("weave", "sharp"), ("weave", "dim")]
    assert [row["options"] for row in show.lists] == [["weave", "straight", "reverse"], list(EYES), list(EYES)]
    run = simulate(EYES["dim"], WALKS["weave"], pictures=False, duration_s=4)
    scores = run.scores()
    assert (
        f"dim: on the post in {100 * share_on_target(run):.0f} % of the pictures, distance {scores['distance_error_m']:.2f} m off."
        in show.text
    )
    assert show.page.count("<canvas") == 2 and "sharp beside dim" in show.alt and show.text in repr(show)


def test_what_is_chosen_is_shown_and_driven_once(show):
    choose(show, walk="straight", right="blind")
    assert show.text.startswith("straight. sharp: ") and "blind: on the post in 0 % of the pictures" in show.text
    assert "Walk straight" in show.page and not show.failed
    choose(show, walk="weave")
    choose(show, walk="straight", right="sharp")
    assert len(show.runs_asked_for) == len(set(show.runs_asked_for)) == 5
    # One detector on both sides is one replay, and said once.
    assert show.page.count("<canvas") == 1 and show.text.count("sharp") == 1


def test_a_detector_that_raises_leaves_the_old_replay_and_says_why(show):
    before = show.page
    choose(show, walk="reverse")
    assert show.failed and show.text == "RuntimeError: the battery is empty" and show.page == before
    choose(show, walk="weave")
    assert not show.failed and show.text.startswith("weave.")


@pytest.mark.parametrize(
    ("walks", "detectors"),
    [([], ["a", "b"]), (["weave"], ["a"]), (["weave"], ["a", "a"]), (["weave", "weave"], ["a", "b"])],
)
def test_bad_lists_get_one_clear_error(walks, detectors):
    with pytest.raises(InputError, match="different names"):
        ReplayChoice(lambda walk, name: None, walks, detectors)
