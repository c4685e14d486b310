"""A plan says what is run; a wrong one is refused with its place and the repair."""

import numpy as np
import pytest
import scipy  # which imports its parts when they are first used

from robotlab.errors import InputError
from robotlab.sweep import BOARDS, PARAMETERS, parse_plan, read_plan, run_sweep
from robotlab.sweep.part_runner import parts_of
from robotlab.sweep.parts import network_s
from robotlab.sweep.report import sweep_page


def test_a_crossed_plan_counts_like_an_odometer():
    plan = parse_plan("[fixed]\nwalk = 'straight'\n[vary]\nturn_gain = [1, 2]\nseed = [3, 4, 5]")
    assert [(row["turn_gain"], row["seed"]) for row in plan.rows()] == [(1, 3), (1, 4), (1, 5), (2, 3), (2, 4), (2, 5)]
    assert all(row["walk"] == "straight" and set(row) == set(PARAMETERS) for row in plan.rows())


def test_a_drawn_design_is_scipys():
    """One sample in each of N slices of every axis (McKay, Beckman & Conover, Technometrics 21:239-245, 1979)."""
    plan = parse_plan(
        "design = 'latin_hypercube'\nsamples = 50\ndesign_seed = 3\n[vary]\nturn_gain = {from = 1, to = 6}\nhfov_deg = {from = 40, to = 90}"
    )
    drawn = np.array([[row["turn_gain"], row["hfov_deg"]] for row in plan.rows()])
    theirs = scipy.stats.qmc.scale(
        scipy.stats.qmc.LatinHypercube(2, rng=np.random.default_rng(3)).random(50), [1, 40], [6, 90]
    )
    np.testing.assert_allclose(drawn, theirs, atol=1e-6)
    slices = ((drawn - [1, 40]) / [5, 50] * 50).astype(int)
    assert sorted(slices[:, 0].tolist()) == sorted(slices[:, 1].tolist()) == list(range(50))


def test_a_sobol_plan_takes_its_words_evenly():
    plan = parse_plan(
        "design = 'sobol'\nsamples = 64\n[vary]\nwalk = ['straight', 'weave']\nturn_gain = {from = 1, to = 6}"
    )
    assert sum(row["walk"] == "weave" for row in plan.rows()) == 32


def test_a_detector_of_fast_runs_is_its_numbers_for_each_lighting():
    plan = parse_plan(
        "[vary]\ndetector = ['mine', 'color']\nlighting = ['daylight', 'warm']\n"
        "[detectors.mine]\nmiss_rate = 0.1\n[detectors.color]\nmiss_rate = 0.2\nsmallest_px = 9\n[detectors.color.warm]\nmiss_rate = 0.9"
    )
    found = {(row["detector"], row["lighting"]): (row["miss_rate"], row["smallest_px"]) for row in plan.rows()}
    usual = PARAMETERS["smallest_px"].usual
    assert found == {
        ("mine", "daylight"): (0.1, usual),
        ("mine", "warm"): (0.1, usual),
        ("color", "daylight"): (0.2, 9),
        ("color", "warm"): (0.9, 9),
    }


def test_every_run_is_in_exactly_one_part():
    plan = parse_plan(
        "[vary]\nturn_gain = {from = 1, to = 6, steps = 30}\nlatency_s = [0.1, 0.101, 0.3]\nseed = {from = 0, to = 9, steps = 10}\n[rendered]\nchosen = 3"
    )
    parts = parts_of(plan)
    assert sorted(n for part in parts if not part["rendered"] for n in part["numbers"]) == list(range(900))
    assert [part["numbers"] for part in parts if part["rendered"]] == [[0], [450], [899]]
    # Rows that differ in seed and latency share parts, but a plan is cut into 20 at least, for the cores and for kills.
    assert len(parts) == 20 + 3
    assert parts_of(parse_plan(plan.text)) == parts


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[vary", "must be TOML"),
        ("speed = 1", "must have only the keys"),
        ("runs = 'quick'\n[vary]\nseed = [1]", "runs must be fast or rendered"),
        ("design = 'random'\n[vary]\nseed = [1]", "design must be one of crossed"),
        ("vary = 3", "vary must be a table"),
        ("[fixed]\nseed = 1", "something must vary"),
        ("[fixed]\nseed = 1\n[vary]\nseed = [1, 2]", "seed stands in both"),
        ("[vary]\ngain = [1]", "a parameter must be one of"),
        ("[vary]\nturn_gain = [1, nan]", "turn_gain must be"),
        ("[vary]\nturn_gain = [1, -1]", "turn_gain must be"),
        ("[vary]\nturn_gain = [true, 2]", "turn_gain must be"),
        ("[vary]\nturn_gain = ['2']", "turn_gain must be"),
        ("[vary]\nturn_gain = []", "different values"),
        ("[vary]\nturn_gain = [1, 1]", "different values"),
        ("[vary]\nturn_gain = 'high'", "must be a list, or"),
        ("[vary]\nturn_gain = {from = 2, to = 1, steps = 3}", "from the smaller to the larger"),
        ("[vary]\nturn_gain = {from = 1, to = 2}", "must say its steps"),
        ("[vary]\nturn_gain = {from = 1, to = 2, steps = 1}", "steps of turn_gain"),
        ("[vary]\nwalk = {from = 1, to = 2, steps = 2}", "walk must be"),
        ("[vary]\nwalk = ['sideways']", "walk must be one of straight"),
        ("samples = 5\n[vary]\nseed = [1]", "samples must be given for drawn designs"),
        ("design = 'sobol'\nsamples = 0\n[vary]\nturn_gain = {from = 1, to = 2}", "samples must be given"),
        (
            "[vary]\nturn_gain = {from = 1, to = 2, steps = 5000}\nseed = {from = 0, to = 999, steps = 1000}",
            "at most 200000 runs",
        ),
        ("[vary]\ndetector = ['color', 'ground_truth']", "must have their numbers"),
        ("[vary]\nlighting = ['warm', 'dusk']", "lighting must change something"),
        ("runs = 'rendered'\n[vary]\nseed = [1]\n[detectors.mine]\nmiss_rate = 0.1", "must have one key, file"),
        ("[vary]\nseed = [1]\n[detectors.mine]\nmiss = 0.1", "must hold miss_rate"),
        ("runs = 'rendered'\n[vary]\nseed = [1]\n[rendered]\nchosen = 1", "must hold chosen alone"),
        ("design = 'sobol'\nsamples = 9\n[vary]\nturn_gain = {from = 1, to = 2}", "power of 2"),
        ("runs = 'rendered'\n[vary]\nseed = [1]\n[detectors.mine]\nfile = 'none.onnx'", "a model must exist"),
        (
            "runs = 'rendered'\n[vary]\nseed = [1]\n[detectors.mine]\nfile = '\\u0000'".replace(
                "'\\u0000'", '"\\u0000"'
            ),
            "a model must be",
        ),
        ("[vary]\nseed = [1, 2]\n[cost]\nwalk = [1]", "one parameter that varies"),
        ("[vary]\nturn_gain = [1, 2]\n[cost]\nturn_gain = [1]", "a list of 2 numbers"),
        ("[vary]\nturn_gain = [1, 2]\n[cost]\nturn_gain = [1, -1]", "cost of turn_gain must be"),
        ("[vary]\ninput_px = [160, 320]\n[cost]\ninput_px = 'Z'", "one of the cores P, Q, R"),
        ("duration_s = 0\n[vary]\nseed = [1]", "duration_s must be"),
    ],
)
def test_a_wrong_plan_is_refused(text, said):
    with pytest.raises(InputError, match=said) as caught:
        parse_plan(text)
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 500


def test_a_plan_comes_from_a_plain_text_file(tmp_path):
    (tmp_path / "a.toml").write_bytes(b"\xff\xfe[vary]")
    with pytest.raises(InputError, match="UTF-8"):
        read_plan(tmp_path / "a.toml")
    with pytest.raises(InputError, match="a plan must exist"):
        read_plan(tmp_path / "none.toml")
    with pytest.raises(InputError, match="plain file"):
        read_plan("/dev/zero")


def test_the_cost_of_an_input_is_the_networks_time():
    plan = parse_plan("[vary]\ninput_px = [160, 320]\n[cost]\ninput_px = 'R'")
    name, cost, label = plan.cost
    assert (name, label) == ("input_px", "network time, ms") and cost == pytest.approx(
        [1000 * network_s(BOARDS["R"], 160, 120), 1000 * network_s(BOARDS["R"], 320, 240)]
    )


def test_the_report_draws_cost_against_following(tmp_path):
    plan = parse_plan(
        "duration_s = 1\n[vary]\nhfov_deg = [40, 90]\nseed = [0, 1]\n[cost]\nhfov_deg = [1, 3]\nlabel = 'class <b>'"
    )
    page = sweep_page(plan, run_sweep(plan, tmp_path, jobs=1, progress=False), {}).html()
    assert "Cost against following" in page and "class &lt;b&gt;" in page and "class <b>" not in page
