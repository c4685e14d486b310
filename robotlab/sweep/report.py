"""The report of a sweep: what it was, the maps, and fast runs beside rendered ones."""

from __future__ import annotations

import html
from collections.abc import Mapping
from typing import Any

import numpy as np

from robotlab.report.page import Report
from robotlab.report.plots import new_figure
from robotlab.sweep.maps import plot_map, plot_maps, plot_pareto
from robotlab.sweep.plan import Plan
from robotlab.sweep.table import SweepTable, mean_interval

# A figure that varies by less over all runs gets no map.
SAME = 1e-3
DIFFERENCES = ("figure", "pairs", "fast", "rendered", "rendered - fast", "± 95 %")
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
    axes = [name for name, count in counts.items() if count > 1 and main[name].dtype.kind == "f"]
    others = [name for name, count in counts.items() if 1 < count <= 12 and name not in axes[:2]]
    for value in SHOWN if len(axes) >= 2 else ():
        if not np.isfinite(main[value]).any():
            page.text(f"{value} is unknown in all runs.")
            continue
        if np.nanmax(main[value]) - np.nanmin(main[value]) < SAME:
            page.text(f"{value} is the same in all runs, {np.nanmean(main[value]):.3f}.")
            continue
        page.heading(value)
        if others:
            figure = plot_maps(main, axes[1], axes[0], value, others[0])
        else:
            figure, grid = new_figure(1, 1, 6.4, 4.2)
            plot_map(grid[0, 0], main, axes[1], axes[0], value)
        page.figure(figure, f"Map of {value} over {axes[1]} and {axes[0]}.")
    if len(axes) < 2:
        name = axes[0] if axes else next(iter(plan.vary))
        page.heading(f"By {name}")
        rows = []
        for one in np.unique(main[name]).tolist():
            found = main.where(**{name: one})
            rows.append((_plain(one), len(found), *(_shown(found[value]) for value in SHOWN)))
        page.table((name, "runs", *(f"{one} ± 95 %" for one in SHOWN)), rows)
    if plan.cost is not None:
        name, cost, label = plan.cost
        choices = [f"{name} {_plain(value)}" for value in plan.vary[name]]
        following = [main.where(**{name: value})["time_following"] for value in plan.vary[name]]
        page.heading("Cost against following")
        page.text(
            "Circles: choices that no other beats, by costing as little and following as much. Each point counts all its runs, whatever else varies in them."
        )
        figure, grid = new_figure(1, 1, 6.4, 4.2)
        plot_pareto(grid[0, 0], choices, cost, following, (label, "time_following"))
        page.figure(figure, f"time_following against {label}, one point for each {name}.")
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


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _shown(values: np.ndarray) -> str:
    mean, half = mean_interval(values)
    return f"{mean:.3f} ± {half:.3f}" if np.isfinite(half) else f"{mean:.3f}"
