"""``robotlab plan``: which pictures to take, which are there, which are missing."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from robotlab.cli.shared import add_camera_options, camera_of, names, show, size_of


def add_options(command: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Add this command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("plan", "plan which pictures to take: how many at which distances, sides, lightings and backgrounds")
    sub.add_argument("data", metavar="DATA", nargs="?", help="a data set: what is there already is ticked")
    sub.add_argument("--object-height", type=float, required=True, metavar="M", help="height of the object, m")
    sub.add_argument("--object-width", type=float, metavar="M", help="width of the object, m")
    sub.add_argument("--target", metavar="CLASS", help="the object's class (default: the only one)")
    sub.add_argument("--size", default="640x480", metavar="WxH", help="size of the picture, px (default: 640x480)")
    add_camera_options(sub)
    sub.add_argument(
        "--smallest", type=float, default=12.0, metavar="PX", help="least usable height in the picture (default: 12)"
    )
    sub.add_argument("--farthest", type=float, metavar="M", help="farther than this it need not be seen, m")
    sub.add_argument("--pictures", type=int, default=100, metavar="N", help="in all (default: 100)")
    sub.add_argument("--lightings", type=names, default=("bright", "dim", "lamp"), metavar="A,B")
    sub.add_argument("--backgrounds", type=int, default=3, metavar="N", help="places, each a recording (default: 3)")
    sub.add_argument("-o", "--output", metavar="FILE", help="also write one page to print and check off (.html)")


def run(options: argparse.Namespace) -> int:
    """Plan.

    Parameters
    ----------
    options : Namespace
        The parsed options.

    Returns
    -------
    int
        Exit code.
    """
    from robotlab.data import open_dataset
    from robotlab.files import check_output
    from robotlab.gather import capture_plan
    from robotlab.report.capture import save_capture_page

    camera = camera_of(options, size_of(options.size))
    if options.output:
        check_output(options.output, "report")
    plan = capture_plan(
        camera,
        options.object_height,
        width_m=options.object_width,
        smallest_px=options.smallest,
        farthest_m=options.farthest,
        pictures=options.pictures,
        lightings=options.lightings,
        backgrounds=options.backgrounds,
        data=open_dataset(options.data, unlabeled=True) if options.data else None,
        target=options.target,
    )
    show(plan.text())
    if options.output:
        show(f"to print: {save_capture_page(options.output, plan, options.target or 'the object')}")
    print("next: robotlab gather FILM DATA --recording NAME")
    return 0
