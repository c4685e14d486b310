"""The report of a sweep: what it was, the maps, and fast runs beside rendered ones."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from robotlab.errors import InputError
from robotlab.report.page import Report
from robotlab.report.plots import new_figure
from robotlab.sweep.cells import MOST_RANGES, MOST_VALUES, places
from robotlab.sweep.maps import MOST_NAMES, plot_map, plot_maps, plot_pareto, step_s
from robotlab.sweep.plan import Plan
from robotlab.sweep.table import SweepTable, mean_interval, sure_interval
from robotlab.sweep.words import listed, words_of

# A figure that varies by less over all runs gets no map.
SAME = 1e-3
DIFFERENCES = ("figure", "pairs", "fast", "rendered", "rendered - fast", "± 95 %")
SURE = "± is given from 3 runs on, that of a share ends at 0 and 1; each mean counts all its runs, whatever else varies in them."
SHOWN = ("time_in_view", "last_bearing_rad", "distance_error_m")


def differences(table: SweepTable) -> list[tuple[str, int, float, float, float, float]]:
    """Rendered runs minus the fast runs of the same rows.

    Parameters
    ----------
    table : SweepTable
        Of a fast plan with chosen rows.

    Returns
    -------
    list of (str, int, float, float, float, float)
        Column, pairs, mean of the fast ones, mean of the rendered ones, mean
        difference and half width of its 95 % interval.
    """
    fast, rendered = table.where(rendered=0.0), table.where(rendered=1.0)
    both, of_fast, of_rendered = np.intersect1d(fast["run"], rendered["run"], return_indices=True)
    out = []
    for name in SHOWN if len(both) else ():
        first, second = fast[name][of_fast], rendered[name][of_rendered]
        out.append((name, len(both), float(first.mean()), float(second.mean()), *mean_interval(second - first)))
    return out


def sweep_page(plan: Plan, table: SweepTable, facts: Mapping[str, Any]) -> Report:
    """The page of a sweep.

    Parameters
    ----------
    plan : Plan
        What was run.
    table : SweepTable
        What came out.
    facts : mapping
        Versions, from ``versions.json``.

    Returns
    -------
    Report
        With a map for each figure, where two or more numbers vary.
    """
    page = Report(f"Sweep: {plan.name}")
    main = table.where(rendered=float(plan.rendered))
    kind = "rendered runs" if plan.rendered else "fast runs (bearing, distance and noise; no pictures)"
    page.text(f"{len(main)} {kind}, {plan.design} design over {', '.join(plan.vary)}.")
    counts = {name: len(np.unique(main[name])) for name in plan.vary if name != "seed"}
    axes = [name for name, count in counts.items() if count > 1 and main[name].dtype.kind == "f"][:2]
    if len(axes) == 2:
        _add_maps(page, plan, main, axes[1], axes[0])
    else:
        _add_tables(page, main, [name for name, count in counts.items() if count > 1])
    if plan.cost is not None:
        _add_cost(page, main, plan)
    pairs = differences(table)
    if pairs:
        page.heading("Fast runs beside rendered ones")
        page.text(
            "The same rows with pictures and a detector. Where the interval holds 0, the short cut is not shown to differ."
        )
        page.table(DIFFERENCES, pairs, "Means over the chosen rows.")
    page.heading("What it rests on")
    page.table(("what", "is"), [(name, str(value)) for name, value in facts.items()])
    page.raw(f"<pre>{html.escape(plan.text)}</pre>")
    return page


def _add_maps(page: Report, plan: Plan, main: SweepTable, x: str, y: str) -> None:
    """A map for each figure that varies."""
    varied = [name for name in plan.vary if name not in (x, y) and len(np.unique(main[name])) > 1]
    split = [name for name in varied if name != "seed" and len(np.unique(main[name])) <= 12]
    if {x, y} == {"turn_gain", "latency_s"}:
        # One map, one limit, where that can be.
        split.sort(key=lambda name: name not in ("frame_hz", "lag_s"))
    pooled = [name for name in varied if name not in split[:1]]
    caption = _caption(plan, main, x, y, pooled)
    for value in SHOWN:
        if not np.isfinite(main[value]).any():
            page.text(f"{value} is unknown in all runs.")
            continue
        if np.nanmax(main[value]) - np.nanmin(main[value]) < SAME:
            page.text(f"{value} is the same in all runs, {np.nanmean(main[value]):.3f}.")
            continue
        page.heading(value)

        def draw(value: str = value) -> Figure:
            if split:
                return plot_maps(main, x, y, value, split[0])
            figure, grid = new_figure(1, 1, 6.4, 4.2)
            plot_map(grid[0, 0], main, x, y, value)
            return figure

        _add_picture(page, draw, f"Map of {value} over {x} and {y}.", caption)


def _add_picture(page: Report, draw: Callable[[], Figure], alt: str, caption: str) -> None:
    """A picture, or why there is none: the runs are done, their report comes in any case."""
    try:
        page.figure(draw(), alt, caption)
    except InputError as problem:
        page.text(f"{alt} It is left out: {problem}.")


def _caption(plan: Plan, main: SweepTable, x: str, y: str, pooled: Sequence[str]) -> str:
    """What the cells of a map count, and how sure they are."""
    said = []
    if not places(main, x, y)[-1]:
        said.append("Cells are ranges of both axes and count all runs in them; dots are runs, white holds none.")
    if pooled:
        said.append(f"Each cell counts all its runs, over {listed(pooled)}.")
    if any(name != "seed" for name in pooled):
        said.append("± takes them as drawn by chance: it holds their differences too, not those of the seeds alone.")
    said.append("± is given for cells of 3 runs or more; that of a share ends at 0 and 1.")
    if "latency_s" in plan.vary:
        steps = sorted({f"{step_s(rate):.3g}" for rate in np.unique(main["frame_hz"]).tolist()}, key=float)
        step = steps[0] if len(steps) == 1 else f"{steps[0]} to {steps[-1]}"
        said.append(
            f"Runs round latencies to the step of the simulation, {step} s, and the limit, where one is drawn, is that of the latency that was run."
        )
    return " ".join(said)


def _add_tables(page: Report, main: SweepTable, names: Sequence[str]) -> None:
    """Means of all runs, and by each parameter that varies beside the seed."""
    header = ("runs", *(f"{one} ± 95 %" for one in SHOWN))
    page.heading("All runs")
    page.table(header, [(len(main), *(_shown(one, main[one]) for one in SHOWN))], SURE)
    for name in names:
        page.heading(f"By {name}")
        known, rows = np.unique(main[name]), []
        if len(known) > MOST_VALUES:
            edges = np.linspace(known[0], known[-1], MOST_RANGES + 1)
            group = np.clip(np.searchsorted(edges, main[name], side="right") - 1, 0, MOST_RANGES - 1)
            shown = [f"{low:.3g} to {high:.3g}" for low, high in pairwise(edges.tolist())]
        else:
            group, shown = np.searchsorted(known, main[name]), [_plain(one) for one in known.tolist()]
        for k, one in enumerate(shown):
            rows.append((one, int((group == k).sum()), *(_shown(value, main[value][group == k]) for value in SHOWN)))
        page.table((name, *header), rows)


def _add_cost(page: Report, main: SweepTable, plan: Plan) -> None:
    assert plan.cost is not None
    name, cost, label = plan.cost
    choices = [f"{name} {_plain(value)}" for value in plan.vary[name]]
    following = [main.where(**{name: value})["time_following"] for value in plan.vary[name]]
    page.heading("Cost against following")
    page.text(
        "Circles: choices that no other beats, by costing as little and following as much. Each point counts all its runs, whatever else varies in them."
    )
    pooled = [one for one in plan.vary if one != name and len(np.unique(main[one])) > 1]
    caption = f"Each point and its ± count all runs of a choice, over {listed(pooled)}." if pooled else ""
    if len(choices) > MOST_NAMES:
        caption += " Only the choices that no other beats are named."

    def draw() -> Figure:
        figure, grid = new_figure(1, 1, 6.4, 4.2)
        ax = plot_pareto(grid[0, 0], choices, cost, following, (label, words_of("time_following")))
        low, high = ax.get_ylim()
        ax.set_ylim(max(low, -0.05), min(high, 1.05))
        return figure

    _add_picture(page, draw, f"time_following against {label}, one point for each {name}.", caption.strip())


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _shown(name: str, values: np.ndarray) -> str:
    mean, half = sure_interval(name, values)
    return f"{mean:.3f} ± {half:.3f}" if np.isfinite(half) else f"{mean:.3f}"
