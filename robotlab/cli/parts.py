"""``robotlab parts``: what would you buy? Every camera on every board, and where the choice flips."""

from __future__ import annotations

from robotlab.cli.shared import Command, Options, option, show


def add_options(command: Command) -> None:
    """Add the command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("parts", "compare cameras and boards by the design sheet: which choice is best, and where that flips")
    option(sub, "--parts FILE.toml", "your own cameras and boards (default: examples)")
    option(sub, "--smallest PX", "least height that is found, px of the input (default: 12)", 12.0)
    option(sub, "--distance M", "distance kept (default: the trolley's)", kind=float)
    option(sub, "--object-height M", "height of the object (default: the post's)", kind=float)
    option(sub, "-o --output FILE", "the page (default: parts.html)", "parts.html")


def run(options: Options) -> int:
    """Compare, write the page, say where.

    Parameters
    ----------
    options : Namespace
        The parsed options.

    Returns
    -------
    int
        Exit code.
    """
    import numpy as np

    from robotlab.checks import number
    from robotlab.files import check_output
    from robotlab.loop import Settings
    from robotlab.sweep.parts import BOARDS, CAMERAS, best_choice, choices, flips
    from robotlab.sweep.parts_page import parts_page, read_parts

    check_output(options.output, "report", [options.parts] if options.parts else [])
    smallest = number(options.smallest, "--smallest", 1, 4096)
    cameras, boards = read_parts(options.parts) if options.parts else (CAMERAS, BOARDS)
    settings = Settings()
    if options.object_height is not None:
        settings = settings.but(target_height_m=number(options.object_height, "--object-height", 0.01, 10))
    if options.distance is not None:
        settings = settings.but(following_distance_m=number(options.distance, "--distance", 0.3, 20))
    farthest = max((c.far_m for c in choices(settings, smallest, cameras=cameras, boards=boards)), default=1.0)
    distances = np.linspace(0.5, min(20.0, max(1.0, 1.05 * farthest)), 120).round(3).tolist()
    best = best_choice(choices(settings, smallest, cameras=cameras, boards=boards))
    at = f"at {settings.following_distance_m:g} m"
    show(f"{at}: {best.name if best else 'none sees that far'}")
    for value, other in flips(settings, smallest, "following_distance_m", distances, cameras=cameras, boards=boards):
        show(f"from {value:.2f} m: {other.name if other else 'none'}")
    show(f"page: {parts_page(settings, smallest, distances, cameras, boards).save(options.output)}")
    return 0
