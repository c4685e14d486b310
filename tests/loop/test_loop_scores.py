"""Scores of runs made by hand, against numbers worked out by hand."""

import json
import math

import numpy as np
import pytest

from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Run, simulate


def run_by_hand(speeds, posts=None, states=None, visible=(), tick=0.02):
    """A trolley that drives straight on along x, or stands."""
    start = json.loads(
        json.dumps(simulate(GroundTruthDetector(), WALKS["straight"], duration_s=0.1, pictures=False)._records[0])
    )
    start |= {"tick_s": tick, "things": [], "room": [-9, -9, 99, 9]}
    posts = [(50.0, 0.0)] * len(speeds) if posts is None else posts
    states = ["follow"] * len(speeds) if states is None else states
    records, x = [start], 0.0
    records += [
        {"kind": "picture", "i": i, "t": 0.1 * i, "truth": None, "visible": share} for i, share in enumerate(visible)
    ]
    for k, (speed, post, state) in enumerate(zip(speeds, posts, states, strict=True)):
        records.append(
            {
                "kind": "tick",
                "t": k * tick,
                "pose": [x, 0.0, 0.0],
                "wheels": [speed, speed],
                "command": [speed, speed],
                "state": state,
                "post": list(post),
            }
        )
        x += speed * tick
    run = Run.from_records(records)
    assert run.settings.motor.slip == 0 and run.settings.mass_kg == 8 and run.settings.following_distance_m == 1.2
    return run


def test_errors_of_distance_and_bearing():
    # 1.2 m to keep: off by .3, -.4 and three times 0: the root of (.09 + .16) / 5.
    # Bearings .3, -.4 and three times 0: the same root.
    seen = [(1.5, 0.3), (0.8, -0.4), (1.2, 0.0), (1.2, 0.0), (1.2, 0.0)]
    scores = run_by_hand([0.0] * 5, [(d * math.cos(b), d * math.sin(b)) for d, b in seen]).scores()
    assert scores["distance_error_m"] == pytest.approx(math.sqrt(0.05))
    assert scores["bearing_error_rad"] == pytest.approx(math.sqrt(0.05))
    assert scores["closest_m"] == pytest.approx(0.8) and scores["end_distance_m"] == pytest.approx(1.2)


def test_time_in_view_is_the_share_of_pictures_with_a_quarter_of_the_post():
    assert run_by_hand([0.0] * 5, visible=(1.0, 0.25, 0.24, 0.0)).scores()["time_in_view"] == 0.5
    assert run_by_hand([0.0] * 5).scores()["time_in_view"] == 0.0


def test_losses_and_recoveries():
    # Given up at slow, at search (the stop after it is the same loss) and at fault; found again twice.
    states = ["wait", "follow", "hold", "slow", "follow", "search", "stop", "follow", "fault", "fault"]
    scores = run_by_hand([0.0] * 10, states=states).scores()
    assert (scores["losses"], scores["recoveries"]) == (3, 2)
    # follow, coast, follow, follow of ten.
    assert scores["time_following"] == pytest.approx(0.4)
    # What was never seen was never lost.
    scores = run_by_hand([0.0] * 4, states=["wait", "search", "stop", "stop"]).scores()
    assert (scores["losses"], scores["recoveries"], scores["time_following"]) == (0, 0, 0.0)


def test_jerk_acceleration_energy_and_way_of_a_steady_jerk():
    # v = j t^2 / 2 with j = 2 m/s^3 for one second: v = t^2.
    t = 0.02 * np.arange(51)
    scores = run_by_hand(t**2).scores()
    # Differences over .1 s of a parabola are exact: a = j t, up to .1 s before the end.
    assert scores["peak_accel_mps2"] == pytest.approx(2 * 0.9)
    assert scores["peak_jerk_mps3"] == pytest.approx(2.0)
    # Before .1 s the trolley stood, so there the jerk is 1 + 2 u - u^2 with u = t / .1:
    # 1, 1.36, 1.64, 1.84, 1.96; then 41 times 2.
    by_hand = math.sqrt((1 + 1.36**2 + 1.64**2 + 1.84**2 + 1.96**2 + 41 * 4) / 46)
    assert scores["rms_jerk_mps3"] == pytest.approx(by_hand, rel=1e-9)
    # The last command's step: 1 - .98^2.
    assert scores["peak_jump_mps"] == pytest.approx(0.0396)
    # 8 kg to 1 m/s: 4 J; rolling .02 * 8 * 9.81 N over a third of a meter (trapezoids: .3334 m).
    assert scores["energy_j"] == pytest.approx(4 + 0.02 * 8 * 9.81 * 0.3334, rel=1e-6)
    # .02 s times the sum of (.02 k)^2, k = 0 to 50: .02^3 * 42925.
    assert scores["path_length_m"] == pytest.approx(0.02**3 * 42925)


def test_a_run_that_ends_while_it_speeds_up_has_no_jerk_at_its_end():
    t = 0.02 * np.arange(101)
    assert run_by_hand(0.3 * t).scores()["peak_jerk_mps3"] == pytest.approx(0.3 / 0.1)  # the corner at the start
    late = run_by_hand(np.maximum(0.1 * (t - 1), 0)).scores()
    assert late["peak_jerk_mps3"] == pytest.approx(0.1 / 0.1)


def test_braking_gives_no_energy_back():
    braking = run_by_hand(np.linspace(1.0, 0.0, 26)).scores()
    assert braking["energy_j"] == 0.0
    # At a steady .5 m/s for 1 s only rolling is left: .02 * 8 * 9.81 * .5 J.
    assert run_by_hand(np.full(51, 0.5)).scores()["energy_j"] == pytest.approx(0.7848)


def test_a_trapezoid_of_speed():
    speeds = np.clip(0.8 * 0.02 * np.arange(200), 0, 0.5)
    scores = run_by_hand(speeds).scores()
    assert scores["peak_accel_mps2"] == pytest.approx(0.8, rel=1e-6)
    # The corner of a ramp, taken over 0.1 s.
    assert scores["peak_jerk_mps3"] == pytest.approx(8.0, rel=0.01)


def test_contact_is_counted_once():
    run = run_by_hand(np.full(400, 0.5), [(2.0, 0.0)] * 400)
    contacts = run.contacts()
    assert [what for _, what in contacts] == ["post"] and run.scores()["contacts"] == 1
    # Trolley radius .2 m, post radius .035 m: at 2 - .235 = 1.765 m, after 3.53 s.
    assert contacts[0][0] == pytest.approx(3.53, abs=0.03)
    assert run.scores()["closest_m"] == pytest.approx(0.0, abs=0.01)


def test_contact_with_a_turned_crate():
    from robotlab.loop.scores import _gap

    crate = {"shape": "box", "size": [0.5, 0.3, 0.3], "x": 1.0, "y": 2.0, "heading": np.pi / 2}
    places = np.array([[1.0, 2.0], [1.35, 2.0], [1.0, 2.45], [1.15 + 0.3, 2.25 + 0.4]])
    np.testing.assert_allclose(_gap(crate, places), [0.0, 0.2, 0.2, 0.5], atol=1e-12)
