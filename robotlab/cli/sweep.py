"""``robotlab sweep``: a plan in, one table and its maps out."""

from __future__ import annotations

from pathlib import Path

from robotlab.cli.shared import Command, Options, add_jobs_options, option, show


def add_options(command: Command) -> None:
    """Add the command to the parser."""
    sub = command("sweep", "run the loop many times over a plan of what varies: one table, maps, a report")
    option(sub, "plan PLAN.toml", "what varies; its form: python -m pydoc robotlab.sweep.plan")
    option(sub, "-o --output FOLDER", "where results go, and go on (default: results)", "results")
    add_jobs_options(sub)


def run(options: Options) -> int:
    """Run the plan, write the report, say where."""
    from robotlab.json_file import read_json
    from robotlab.report.page import text_table
    from robotlab.sweep import read_plan, run_sweep
    from robotlab.sweep.report import DIFFERENCES, differences, sweep_page
    from robotlab.sweep.running import VERSIONS

    plan = read_plan(options.plan)
    table = run_sweep(plan, options.output, options.jobs, options.cluster, not options.quiet)
    folder = Path(options.output)
    report = sweep_page(plan, table, read_json(folder / VERSIONS)).save(folder / "report.html")
    show(f"{len(table)} runs: {folder / 'table.csv'}")
    rows = differences(table)
    if rows:
        show(text_table(DIFFERENCES, rows))
    show(f"maps: {report}")
    return 0
