"""``robotlab checkup``: the environment, a data set, or a robot."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from typing import Any

from robotlab.errors import printable


def add_options(command: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Declare the command's options.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("checkup", "check the environment, a data set before you train on it, or a robot before you drive it")
    what = sub.add_mutually_exclusive_group()
    what.add_argument(
        "data", metavar="DATA", nargs="?", help="a data set; without it and --robot, the environment is checked"
    )
    what.add_argument(
        "--robot", metavar="FILE", help="a robot's JSON file: its budgets of time, memory, network and battery"
    )
    sub.add_argument("--json", action="store_true", help="print JSON")


def run(options: argparse.Namespace) -> int:
    """Check, and say what was found.

    Parameters
    ----------
    options : argparse.Namespace
        As parsed.

    Returns
    -------
    int
        0, or 1 where something is to be done.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    report: Any
    if options.robot:
        from robotlab.budget import check_robot

        report = check_robot(options.robot)
    elif options.data:
        from robotlab.data import check_dataset

        report = check_dataset(options.data)
    else:
        from robotlab.environment import check_environment

        report = check_environment()
    print(printable(json.dumps(report.to_dict(), indent=1) if options.json else report.text(), keep="\n"))
    return 0 if report.ok else 1
