"""``robotlab sweep``: a plan in, one table and its maps out."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path


def add_options(command: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    sub = command("sweep", "run the loop many times over a plan of what varies: one table, maps, a report")
    sub.add_argument("plan", metavar="PLAN.toml", help="what varies, see the guide")
    sub.add_argument(
        "-o", "--output", default="results", metavar="FOLDER", help="where results go, and go on (default: results)"
    )
    sub.add_argument("--jobs", type=int, metavar="N", help="processes on this machine (default: one for each core)")
    sub.add_argument("--cluster", metavar="ADDRESS", help="a Dask scheduler, such as tcp://10.0.0.5:8786")
    sub.add_argument("--quiet", action="store_true", help="no progress bar")


def run(options: argparse.Namespace) -> int:
    """Run the plan, write the report, say where."""
    from robotlab.errors import InputError
    from robotlab.json_file import read_json
    from robotlab.report.page import text_table
    from robotlab.sweep import read_plan, run_sweep
    from robotlab.sweep.report import differences, save_report
    from robotlab.sweep.running import VERSIONS

    if options.jobs is not None and not 1 <= options.jobs <= 1024:
        raise InputError(f"--jobs must be from 1 to 1024, got {options.jobs}; choose a number in between")
    plan = read_plan(options.plan)
    table = run_sweep(plan, options.output, options.jobs, options.cluster, not options.quiet)
    folder = Path(options.output)
    report = save_report(folder, plan, table, read_json(folder / VERSIONS))
    print(f"{len(table)} runs: {folder / 'table.csv'}")
    rows = differences(table)
    if rows:
        print(text_table(("figure", "pairs", "fast", "rendered", "rendered - fast", "± 95 %"), rows))
    print(f"maps: {report}")
    return 0
