"""``robotlab checkup``: the environment, a data set before you train on it, or a robot before you drive it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from robotlab.cli.shared import Command, Options, add_camera_options, camera_of, option, say, show
from robotlab.errors import DataSetError, InputError


def add_options(command: Command) -> None:
    """Add this command to the parser.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("checkup", "check the environment, a data set before you train on it, or a robot before you drive it")
    what = sub.add_mutually_exclusive_group()
    option(what, "data DATA", "a data set; without it and --robot, the environment is checked", nargs="?")
    option(what, "--robot FILE", "a robot's JSON file: its budgets of time, memory, network and battery")
    option(sub, "--json", "print JSON")
    option(sub, "--html FILE", "also write a report with pictures, and look for likely label errors")
    option(sub, "--film FILE", "also write the whole set with its boxes as a film (.gif, .mp4, .avi)")
    option(sub, "--second-annotator DATA", "another person's labels of the same pictures: how well they agree")
    option(sub, "--quick", "do not fit detectors to look for label errors")
    option(sub, "--object-height M", "for distances: height of the object, m", kind=float)
    option(sub, "--target CLASS", "for distances: the object's class (default: the only one)")
    add_camera_options(sub, "for distances: ")
    option(sub, "--quiet", "no progress bars")


def run(options: Options) -> int:
    """Check up.

    Parameters
    ----------
    options : Namespace
        The parsed options.

    Returns
    -------
    int
        Exit code: 1 where a rule is broken.
    """
    if options.object_height is not None and not options.html:
        raise InputError(
            "--object-height is for the distances in the report with pictures, none is asked for; add --html FILE"
        )
    of_data = {"--html": options.html, "--film": options.film, "--second-annotator": options.second_annotator}
    if not options.data:
        wrong = [name for name, value in of_data.items() if value]
        if wrong:
            raise InputError(f"{wrong[0]} goes with a data set, none is named; name one")
        report: Any
        if options.robot:
            from robotlab.budget import check_robot

            report = check_robot(options.robot)
        else:
            from robotlab.environment import check_environment

            report = check_environment()
    else:
        from robotlab.data import check_dataset

        _check_outputs(options)
        report = check_dataset(options.data)
    show(json.dumps(report.to_dict(), indent=1) if options.json else report.text())
    if any(of_data.values()) and report.facts:
        _more(options, report)
    return 0 if report.ok else 1


def _check_outputs(options: Options) -> None:
    from robotlab.files import check_output

    if options.html:
        check_output(options.html, "report", [options.data])
    if options.film and (Path(options.film).exists() or not options.film.lower().endswith((".gif", ".mp4", ".avi"))):
        raise InputError(
            f"--film must name a new file that ends in .gif, .mp4 or .avi, got {options.film!r}; choose another name"
        )
    if options.film:
        check_output(options.film, "film", filter(None, [options.html]))


def _more(options: Options, report: Any) -> None:
    """Report, film and agreement, of what could be opened."""
    from robotlab.camera import working_range
    from robotlab.data import open_dataset
    from robotlab.data.coco import read_labels
    from robotlab.data.locating import find_labels
    from robotlab.gather import check_sizes, label_agreement, suspect_labels, time_lapse
    from robotlab.image import size_of
    from robotlab.report.checkup import checkup_page

    tell = say if options.json else show
    labels = find_labels(options.data)
    data = (
        open_dataset(options.data) if labels is None else read_labels(labels, complain=lambda _: None, unlabeled=True)
    )
    readable = [entry for entry in data if _reads(data, entry)]
    data = data.having(readable)
    agreement = label_agreement(data, open_dataset(options.second_annotator)) if options.second_annotator else None
    if agreement:
        tell(agreement.text())
    if options.film:
        tell(f"film: {time_lapse(data, options.film, progress=not options.quiet)}")
    if not options.html:
        return
    sizes = band = suspects = None
    why = "Left out, as asked (--quick)." if options.quick else ""
    if data.box_count:
        camera = None
        if options.object_height is not None:
            camera = camera_of(options, size_of(data[0].path))
            band = working_range(camera, options.object_height, 12.0)
        sizes = check_sizes(data, camera, options.object_height, options.target)
        try:
            suspects = None if options.quick else suspect_labels(data, progress=not options.quiet)
        except DataSetError as error:  # one recording alone, or too little to learn from
            why = str(error)
    found: dict[str, Any] = {
        "sizes": sizes,
        "band_m": band,
        "suspects": suspects,
        "why_no_suspects": why,
        "agreement": agreement,
    }
    page = checkup_page(report, data, folder=options.data, **found)
    tell(f"report: {page.save(options.html)}")


def _reads(data: Any, entry: Any) -> bool:
    try:
        data.load(entry)
    except DataSetError:  # told of above
        return False
    return True
