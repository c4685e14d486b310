"""The report of a sweep comes whatever was varied, and its pictures say what they show."""

import re

import numpy as np
import pytest
from matplotlib.text import Text

from robotlab.control.stability import ultimate_gain
from robotlab.errors import InputError
from robotlab.greenhouse import WALKS
from robotlab.loop import GroundTruthDetector, Settings, simulate
from robotlab.report.plots import new_figure
from robotlab.sweep import SweepTable, parse_plan, plot_map, plot_maps, plot_pareto
from robotlab.sweep import report as report_module
from robotlab.sweep.cells import cells_of
from robotlab.sweep.maps import step_s
from robotlab.sweep.parts import BoardPart, CameraPart
from robotlab.sweep.parts_page import parts_page
from robotlab.sweep.report import sweep_page
from robotlab.sweep.table import RESULTS, sure_interval

GRID = "[vary]\nturn_gain = [2, 4, 8]\nlatency_s = [0.1, 0.2]\n"
DRAWN = "design = 'latin_hypercube'\nsamples = 36\n[vary]\nturn_gain = {from = 0.5, to = 6}\nlatency_s = {from = 0.05, to = 0.5}\n"


def made_up(plan):
    """A table of the plan without running it."""
    rng = np.random.default_rng(4)
    return SweepTable.of(
        [
            {"run": k, "rendered": False, **row, **dict.fromkeys(RESULTS, rng.random())}
            for k, row in enumerate(plan.rows())
        ]
    )


def page_of(text):
    plan = parse_plan(text)
    return sweep_page(plan, made_up(plan), {}).html()


@pytest.mark.parametrize(
    ("text", "pictures"),
    [
        (GRID + "hfov_deg = [50, 80]\nframe_hz = [10, 20]", 3),
        (GRID + "walk = ['straight', 'weave']\nframe_hz = [10, 20]", 3),
        (GRID + "frame_hz = [10, 20]\nlag_s = [0.1, 0.2]", 3),
        (GRID + "frame_hz = {from = 5, to = 30, steps = 13}", 3),
        (DRAWN + "frame_hz = {from = 5, to = 30}", 3),
        (GRID.replace("0.2", "4.0") + "[fixed]\nframe_hz = 100", 3),
        (GRID + "[cost]\nturn_gain = [1, 2, 3]\nlabel = 'price, $ now, $_ then'", 4),
        (
            GRID
            + "detector = ['$\\bad$', 'b']\n[detectors.'$\\bad$']\nmiss_rate = 0.1\n[detectors.b]\nmiss_rate = 0.2",
            3,
        ),
    ],
)
def test_every_plan_has_its_pictures(text, pictures):
    page = page_of(text)
    assert page.count("<img") == pictures and "left out" not in page


def test_a_map_is_split_by_what_moves_its_limit(monkeypatch):
    seen = []
    monkeypatch.setattr(report_module, "plot_maps", lambda *given: seen.append(given[-1]) or new_figure()[0])
    page_of(GRID + "hfov_deg = [50, 80]\nframe_hz = [10, 20]")
    assert seen == ["frame_hz"] * 3


def test_a_picture_that_cannot_be_drawn_does_not_end_the_report(monkeypatch):
    def broken(*_):
        raise InputError("a map must be drawn, it cannot be; ask")

    monkeypatch.setattr(report_module, "plot_map", broken)
    page = page_of(GRID)
    assert "It is left out: a map must be drawn" in page and "What it rests on" in page


def test_several_limits_are_a_band_from_the_smallest_to_the_largest():
    table = made_up(parse_plan(GRID + "frame_hz = [10, 20]\nlag_s = [0.1, 0.2]"))
    figure, axes = new_figure()
    ax = plot_map(axes[0, 0], table, "latency_s", "turn_gain")
    assert "smallest to largest of\nthe 4 pairs of frame rate and motor lag" in ax.get_title()
    low, high = (ax.lines[k].get_xydata() for k in (1, 3))
    k = int(np.argmin(abs(low[:, 0] - 0.2)))
    every = [
        ultimate_gain(1 / rate, round(low[k, 0] / step_s(rate)) * step_s(rate), lag)
        for rate in (10, 20)
        for lag in (0.1, 0.2)
    ]
    assert (low[k, 1], high[k, 1]) == pytest.approx((min(every), max(every)))
    assert len(ax.lines) == 4 and len(plot_maps(table, "latency_s", "turn_gain", by="frame_hz").axes[0].lines) == 4


def test_a_limit_that_takes_too_long_is_left_out_and_said():
    table = made_up(parse_plan("[vary]\nturn_gain = [1, 2]\nlatency_s = [3, 4]\n[fixed]\nframe_hz = 100"))
    figure, axes = new_figure()
    ax = plot_map(axes[0, 0], table, "latency_s", "turn_gain")
    assert "left out: beyond 60 frames of latency" in ax.get_title() and not ax.lines


def test_names_are_drawn_as_they_are():
    figure, axes = new_figure()
    plot_pareto(axes[0, 0], ["$\\x$", "b$"], [1, 2], [[0.5], [0.9]], ("price $\\frac$ x", "$_"))
    figure.savefig("/dev/null", format="png")
    page = parts_page(Settings(), 12, [1, 2], {"$\\x$": CameraPart(70, 30)}, {"$\\bad$": BoardPart(2, 8)})
    assert "<img" in page.html()


@pytest.mark.parametrize(("frame_hz", "latency_s"), [(12, 0.11), (10, 0.13), (7, 0.3), (100, 0.123)])
def test_the_limit_is_that_of_the_latency_that_a_run_has(frame_hz, latency_s):
    settings = Settings(frame_hz=frame_hz, delay_s=latency_s)
    run = simulate(GroundTruthDetector(), WALKS["straight"], settings=settings, duration_s=0.5, pictures=False)
    text = f"[vary]\nturn_gain = [0.5, 50]\nlatency_s = [{latency_s - 0.05}, {latency_s + 0.05}]\n[fixed]\nframe_hz = {frame_hz}"
    table = made_up(parse_plan(text))
    for x, y in (("latency_s", "turn_gain"), ("turn_gain", "latency_s")):
        figure, axes = new_figure()
        line = plot_map(axes[0, 0], table, x, y).lines[-1]
        latencies, limits = line.get_path().vertices.T[:: 1 if x == "latency_s" else -1]
        if x == "latency_s":
            assert line.get_drawstyle() == "steps-mid"
        # On the stair of this latency, not on the smooth curve through the one asked for.
        drawn = np.interp(run.settings.delay_s, latencies, limits)
        assert drawn == pytest.approx(ultimate_gain(1 / frame_hz, run.settings.delay_s, table["lag_s"][0]))
    assert "Runs round latencies to the step of the simulation" in page_of(text)


def test_narrow_cells_have_the_limit_of_their_own_runs():
    """At 50 Hz a step lasts 0.02 s: 0.03 s is run as 0.04 s."""
    table = made_up(parse_plan("[vary]\nturn_gain = [10, 70]\nlatency_s = [0.02, 0.03, 0.04]\n[fixed]\nframe_hz = 50"))
    latencies, limits = plot_map(new_figure()[1][0, 0], table, "latency_s", "turn_gain").lines[-1].get_xydata().T
    assert latencies.tolist() == pytest.approx([0.015, 0.02, 0.03, 0.04, 0.045])
    assert (
        limits[0] == limits[1] > limits[2] == limits[3] == pytest.approx(ultimate_gain(0.02, 0.04, table["lag_s"][0]))
    )


def test_captions_say_what_a_cell_counts():
    page = page_of(GRID + "walk = ['straight', 'weave']\nseed = [0, 1, 2]\nmiss_rate = [0, 0.5]")
    assert "over seed and miss_rate." in page and "not those of the seeds alone" in page
    alone = page_of(GRID + "seed = [0, 1, 2]")
    assert "over seed." in alone and "not those of the seeds alone" not in alone
    assert "Cells are ranges" in page_of(DRAWN) and "Cells are ranges" not in alone


def test_two_runs_give_no_interval_and_shares_end_at_0_and_1():
    assert np.isnan(sure_interval("time_in_view", [0.0, 1.0])[1])
    assert sure_interval("time_in_view", [0.0, 0.0, 1.0])[1] == pytest.approx(2 / 3)
    assert sure_interval("distance_error_m", [0.0, 0.0, 1.0])[1] > 1
    figure, axes = new_figure()
    ax = plot_map(axes[0, 0], made_up(parse_plan(GRID + "seed = [0, 1]")), "latency_s", "turn_gain")
    assert ax.get_title().startswith("12 runs, 2 in each cell")


def test_where_seeds_alone_vary_the_report_is_one_mean():
    page = page_of("[vary]\nseed = {from = 0, to = 1999, steps = 2000}")
    row = re.search(r'<th scope="row">2000</th><td>0\.\d+ ± 0\.0\d+', page)
    assert row and page.count("<tr>") < 12
    many = page_of("[vary]\nturn_gain = {from = 0, to = 5, steps = 500}")
    assert "0.417 to 0.833" in many and many.count("<tr>") < 25


def test_cells_stay_in_range_and_drawn_designs_are_ranges():
    table = made_up(parse_plan("[vary]\nmiss_rate = [0, 0.3]\ninput_px = [32, 64, 96, 320]\nseed = [0, 1]"))
    x, y, _, _ = cells_of(table, "miss_rate", "input_px", "time_in_view")
    assert x.tolist() == pytest.approx([0, 0.15, 0.45]) and y[0] == 32
    figure, axes = new_figure()
    ax = plot_map(axes[0, 0], table, "miss_rate", "input_px")
    assert ax.get_yscale() == "log" and "detector misses" in ax.get_xlabel() and "px" in ax.get_ylabel()
    drawn = made_up(parse_plan(DRAWN))
    x, y, mean, _ = cells_of(drawn, "latency_s", "turn_gain", "time_in_view")
    assert mean.shape == (3, 3) and np.isfinite(mean).mean() > 0.8
    assert len(plot_map(new_figure()[1][0, 0], drawn, "latency_s", "turn_gain").collections[1].get_offsets()) == 36


def test_names_of_points_do_not_overlap():
    figure, axes = new_figure(1, 1, 6.4, 4.2)
    names = [f"input_px {width}" for width in (32, 64, 96, 160, 320)]
    ax = plot_pareto(axes[0, 0], names, [3, 10, 20, 40, 300], [[0.0], *[[0.99]] * 4], ("ms", "share"))
    figure.draw_without_rendering()
    boxes = [Text.get_window_extent(text) for text in ax.texts]  # without their arrows
    assert len(boxes) == 5
    assert not [1 for k, one in enumerate(boxes) for other in boxes[:k] if one.overlaps(other)]
    many = plot_pareto(new_figure()[1][0, 0], [str(k) for k in range(20)], range(20), [[0.5]] * 20, ("ms", "share"))
    assert [text.get_text() for text in many.texts] == ["0"]
