"""Maps against the theory's limit, and the Pareto front against its definition."""

import numpy as np
import pytest

from robotlab.control.stability import ultimate_gain
from robotlab.errors import InputError
from robotlab.report.plots import new_figure
from robotlab.sweep import SweepTable, pareto_front, parse_plan, plot_map, plot_maps, plot_pareto, run_sweep
from robotlab.sweep.maps import cells_of, gain_limit


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    """Looking 2 degrees away at a post ahead, without noise: what grows is unstable."""
    plan = parse_plan(
        "duration_s = 12\n[fixed]\nwalk = 'straight'\ndrive_gain = 0.0\nstart_yaw_deg = 2\nedge_noise_px = 0\n"
        "[vary]\nturn_gain = {from = 0.5, to = 6, steps = 12}\nlatency_s = [0.1, 0.2, 0.3, 0.4]\nframe_hz = [10, 20]\n"
    )
    return run_sweep(plan, tmp_path_factory.mktemp("maps"), jobs=1, progress=False)


def test_oscillation_grows_where_the_theory_says(table):
    """The limit is that of the sampled, delayed loop: growth_per_frame's eigenvalues, checked elsewhere with Levin & May."""
    wrong = 0
    for k in range(len(table)):
        limit = ultimate_gain(1 / table["frame_hz"][k], table["latency_s"][k], table["lag_s"][k])
        gain = table["turn_gain"][k]
        if abs(gain / limit - 1) > 0.08:
            wrong += (table["last_bearing_rad"][k] > np.radians(2)) != (gain > limit)
    assert wrong == 0


def test_a_map_has_means_and_intervals_and_the_limit(table):
    ten = table.where(frame_hz=10.0)
    x, y, mean, half = cells_of(ten, "latency_s", "turn_gain", "time_in_view")
    assert mean.shape == (12, 4) and len(x) == 5 and len(y) == 13 and np.isnan(half).all()
    assert mean[3, 2] == ten.where(turn_gain=2.0, latency_s=0.3)["time_in_view"][0]
    assert x[1] == pytest.approx(0.15) and x[0] == pytest.approx(0.05)
    figure, axes = new_figure()
    ax = plot_map(axes[0, 0], ten, "latency_s", "turn_gain")
    drawn = ax.lines[-1].get_xydata()
    for latency, limit in drawn[::20]:
        assert limit == pytest.approx(ultimate_gain(0.1, latency, ten["lag_s"][0]))
    assert ax.get_title() == "48 runs, one in each cell\ndashed: ultimate gain (theory)" and ax.get_legend() is None
    with pytest.raises(InputError, match="they vary"):
        gain_limit(table, [0.1])
    with pytest.raises(InputError, match="holds words"):
        cells_of(table, "walk", "turn_gain", "time_in_view")
    with pytest.raises(InputError, match="a column must be one of"):
        table["speed"]


def test_small_multiples_share_one_scale(table):
    figure = plot_maps(table, "latency_s", "turn_gain", "last_bearing_rad", "frame_hz")
    maps = [ax for ax in figure.axes if ax.get_title()]
    assert [ax.get_title().splitlines()[0] for ax in maps] == ["frame_hz 10", "frame_hz 20"]
    assert len({ax.collections[0].get_clim() for ax in maps}) == 1
    with pytest.raises(InputError, match="at most 12 values"):
        many = SweepTable({"a": np.arange(13.0), "b": np.arange(13.0), "c": np.arange(13.0)})
        plot_maps(many, "a", "b", "c", "a")


def test_the_front_is_what_nothing_beats():
    rng = np.random.default_rng(5)
    cost, worth = rng.integers(0, 8, 60), rng.integers(0, 8, 60)
    front = set(pareto_front(cost, worth).tolist())
    for k in range(60):
        beaten = any(
            cost[j] <= cost[k] and worth[j] >= worth[k] and (cost[j] < cost[k] or worth[j] > worth[k])
            for j in range(60)
        )
        first = not any(cost[j] == cost[k] and worth[j] == worth[k] for j in range(k))
        assert (k in front) == (not beaten and first)
    with pytest.raises(InputError, match="as many of each"):
        pareto_front([1, 2], [1])
    with pytest.raises(InputError, match="finite"):
        pareto_front([1, np.nan], [1, 2])


def test_the_front_is_drawn_with_its_intervals():
    figure, axes = new_figure()
    ax = plot_pareto(axes[0, 0], ["a", "b", "c"], [1, 2, 3], [[0.5, 0.6], [0.4, 0.5], [0.9, 0.9]], ("ms", "share"))
    assert ax.get_title().startswith("6 runs, ±")
    assert {text.get_text() for text in ax.texts} == {"a", "b", "c"}
