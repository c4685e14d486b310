"""``robotlab plan``: which pictures to take, which are there, which are missing."""

from __future__ import annotations

from robotlab.cli.shared import Command, Options, add_camera_options, camera_of, names, option, show, size_of


def add_options(command: Command) -> None:
    """Add this command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("plan", "plan which pictures to take: how many at which distances, sides, lightings and backgrounds")
    option(sub, "data DATA", "a data set: what is there already is ticked", nargs="?")
    option(sub, "--object-height M", "height of the object, m", kind=float, required=True)
    option(sub, "--object-width M", "width of the object, m", kind=float)
    option(sub, "--target CLASS", "the object's class (default: the only one)")
    option(sub, "--size WxH", "size of the picture, px (default: 640x480)", "640x480")
    add_camera_options(sub)
    option(sub, "--smallest PX", "least usable height in the picture (default: 12)", 12.0)
    option(sub, "--farthest M", "farther than this it need not be seen, m", kind=float)
    option(sub, "--pictures N", "in all (default: 100)", 100)
    option(
        sub,
        "--lightings A,B",
        "lightings to take them in (default: bright,dim,lamp)",
        ("bright", "dim", "lamp"),
        kind=names,
    )
    option(sub, "--backgrounds N", "places, each a recording (default: 3)", 3)
    option(sub, "-o --output FILE", "also write one page to print and check off (.html)")


def run(options: Options) -> int:
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
    from robotlab.files import check_output, write_whole
    from robotlab.gather import capture_plan
    from robotlab.report.capture import capture_page

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
        page = capture_page(plan, options.target or "the object")
        show(f"to print: {write_whole(options.output, page)}")
    print("next: robotlab gather FILM DATA --recording NAME")
    return 0
