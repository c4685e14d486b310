"""``robotlab drive``: follow a walk in the rendered greenhouse, or drive a real robot.

A real robot is one with a camera (``--camera``): then come the preflight, a
person's answers, and the drive itself.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from robotlab.cli.shared import driving_detector, show
from robotlab.errors import InputError, printable
from robotlab.files import check_output

if TYPE_CHECKING:
    from robotlab.control import MotorLink
    from robotlab.loop import Settings
    from robotlab.robot.preflight import Check
    from robotlab.robot.rehearsal import EmulatedBoard

CAUTION = (
    "Before it moves: wheels off the ground first, a hand on the power switch, a clear floor, people and pets out of reach.\n"
    "A stop by software is not a safety function (IEC 60204-1, ISO 13850). Follow the makers' data sheets and local rules.\n"
    "Batteries: a balance charger made for the pack, never unattended, never below the maker's limits or damaged."
)
# The person who watches must see why it is over, s.
_LAST_LOOK_S = 1.5


def add_options(command: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Add the command and its options.

    Parameters
    ----------
    command : callable
        Makes a command from its name and its help.
    """
    sub = command("drive", "follow a walk in the rendered greenhouse, or, with --camera, drive a robot")
    sub.add_argument(
        "--with", dest="who", default="color", metavar="MODEL|color", help="a model file, or the word color (default)"
    )
    sub.add_argument(
        "--walk",
        default="weave",
        metavar="NAME[:LIGHTING]",
        help="the walk, such as weave or weave:warm (default: weave); also for --camera rendered",
    )
    sub.add_argument("-o", "--output", default="drive.html", metavar="FILE", help="the replay (default: drive.html)")
    sub.add_argument(
        "--log", metavar="FILE", help="also write the run log (a real drive always writes one: drive.jsonl)"
    )
    real = sub.add_argument_group("a robot", "These go with --camera. " + " ".join(CAUTION.split("\n")[:2]))
    real.add_argument(
        "--camera", metavar="SOURCE", help="camera number, device, film, address of a stream, or rendered"
    )
    real.add_argument(
        "--wheels", metavar="LINK", help="serial:PORT, pins:5,6,13,19, or emulated (a motor board that is a program)"
    )
    real.add_argument(
        "--page",
        nargs="?",
        const="127.0.0.1:0",
        metavar="ADDRESS:PORT",
        help="a live page in the browser, whose button must be held to drive (default: this machine only, a free port)",
    )
    real.add_argument("--dry-run", action="store_true", help="all but turning: the wheels get nothing but HALT")
    real.add_argument("--time", type=float, metavar="S", help="end after so long (default: 60, with --page 600)")
    real.add_argument("--max-speed", type=float, default=0.3, metavar="M/S", help="limit of the speed (default: 0.3)")
    real.add_argument(
        "--full-power",
        type=float,
        default=0.5,
        metavar="M/S",
        help="speed of a wheel at full power; none is told more (default: 0.5; measure it)",
    )
    real.add_argument(
        "--wheel-factors",
        default="1,1",
        metavar="LEFT,RIGHT",
        help="true speed / commanded speed of each wheel, of robotlab measure wheels (default: 1,1)",
    )
    real.add_argument(
        "--battery", type=float, metavar="V", help="voltage of the battery now; 0 for a robot without one"
    )
    real.add_argument("--battery-lowest", type=float, metavar="V", help="lowest voltage that its maker allows")
    real.add_argument("--size", default="320x240", metavar="WxH", help="size of the pictures, px (default: 320x240)")
    real.add_argument(
        "--hfov-deg",
        type=float,
        default=62.2,
        metavar="DEG",
        help="horizontal field of view (default: 62.2; measure it)",
    )
    real.add_argument(
        "--delay", type=float, default=0.1, metavar="S", help="from exposure to picture (default: 0.1; measure it)"
    )
    real.add_argument(
        "--rate", type=float, default=10.0, metavar="HZ", help="pictures a second that the camera gives (default: 10)"
    )
    real.add_argument(
        "--camera-height", type=float, default=0.25, metavar="M", help="of the lens above the ground (default: 0.25)"
    )
    real.add_argument("--target", metavar="CLASS", help="what to follow (default: post, or the model's only class)")
    real.add_argument(
        "--setting", action="append", default=[], metavar="NAME=NUMBER", help="any other of the loop's settings"
    )
    real.add_argument(
        "--record-pictures", action="store_true", help="keep all pictures, in a folder beside the log, for the replay"
    )


def run(options: argparse.Namespace) -> int:
    """Drive.

    Parameters
    ----------
    options : Namespace
        As parsed.

    Returns
    -------
    int
        0 done, 1 the preflight or the drive found something.
    """
    if options.camera is None:
        wrong = [
            f"--{name.replace('_', '-')}"
            for name in ("wheels", "page", "dry_run", "record_pictures", "battery")
            if getattr(options, name)
        ]
        if wrong:
            raise InputError(
                f"{' and '.join(wrong)} go with --camera, without one a walk is simulated; add --camera, or leave them out"
            )
        from robotlab.cli.commands import simulate_walk

        return simulate_walk(options)
    return _real(options)


def _real(options: argparse.Namespace) -> int:
    from robotlab.cli.robot_options import (
        address_of,
        battery_of,
        camera_of,
        check_robot_numbers,
        settings_of,
        take_of,
        wheels_of,
    )
    from robotlab.control import SimulatedLink
    from robotlab.loop import drive
    from robotlab.robot.live_page import LivePage
    from robotlab.robot.preflight import look
    from robotlab.robot.recording import PictureRecorder, pictures_folder

    if options.wheels is None and not options.dry_run:
        raise InputError(
            "--camera needs --wheels, or --dry-run to drive nothing; name the motor link, such as serial:/dev/ttyUSB0"
        )
    if options.camera == "rendered" and options.wheels not in (None, "emulated"):
        raise InputError(
            f"--camera rendered goes with --wheels emulated, for it does not see where real ones go, got {options.wheels!r}; "
            "give a real camera, or emulated wheels"
        )
    rehearsed = options.camera == "rendered" and options.wheels in (None, "emulated")
    asked = sys.stdin is not None and sys.stdin.isatty()
    if not (asked or options.dry_run or options.wheels == "emulated"):
        raise InputError(
            "a robot needs a person who answers the preflight's questions, here is no terminal; run this in one, or add --dry-run"
        )
    check_robot_numbers(options)
    camera, place = camera_of(options), address_of(options.page) if options.page else None
    show(CAUTION + "\n")
    detector, score = driving_detector(options)
    settings = settings_of(options, detector, score)
    log = _free(Path(options.log or "drive.jsonl"))
    check_output(options.output, "report", filter(None, [log, options.who if options.who != "color" else None]))
    with ExitStack() as stack:
        link, board = wheels_of(options, settings, stack)
        take = take_of(options, camera, settings, board, stack)
        if rehearsed:
            take.lifted = True
        real_link = None if options.dry_run and options.wheels is None else link
        if not _passed(look(detector, take, camera, settings, real_link, *battery_of(options))):
            return 1
        if not options.dry_run and not _answered(link, board, settings, asked):
            return 1
        if rehearsed:
            take.lifted = False
        shows, page = [], None
        if place is not None:
            address, port = place
            page = stack.enter_context(LivePage(address, port, battery_v=options.battery or None))
            shows.append(page.show)
            if rehearsed:  # the post waits for whoever holds
                take.walking = lambda: page.held
            show(
                f"live page: {page.url}\n  who has this address can drive; hold its button, or the space bar, to drive"
            )
            if not address.startswith("127.") and address not in ("localhost", "::1"):
                show(
                    "  it travels in the clear: use it in your own network only, or leave it at 127.0.0.1 and tunnel with ssh -L"
                )
        recorder = None
        if options.record_pictures:
            recorder = stack.enter_context(PictureRecorder(pictures_folder(log)))
            shows.append(recorder.show)

        try:
            report = drive(
                detector,
                take,
                camera,
                settings,
                SimulatedLink() if options.dry_run else link,
                options.time if options.time is not None else 600.0 if options.page else 60.0,
                log=log,
                lifted=options.dry_run,
                show=lambda seen: [show(seen) for show in shows],
                hold=page,
            )
        except BaseException as error:
            if page is not None:
                from robotlab.checks import said

                page.finish(said(error))
            if log.exists():
                show(f"run log: {log}")
            raise
        if page is not None:
            page.finish(report.reason)
            time.sleep(_LAST_LOOK_S)
    show(
        f"{'dry run, no wheel turned; ' if options.dry_run else ''}{report.pictures} pictures, target in {report.observations}; ended: {report.reason}"
    )
    if not report.halt_confirmed:
        show("the board did not confirm the last HALT: cut the power of the motors now")
    if recorder is not None and (recorder.error or recorder.left_out):
        show(
            f"pictures left out: {recorder.left_out} (the disk was too slow){'; broke off: ' + recorder.error if recorder.error else ''}"
        )
    show(f"run log: {report.log}")
    _replay(options, report.log)
    return 1 if report.state == "fault" else 0


def _passed(checks: Iterable[Check]) -> bool:
    """Show each line as it comes; whether all are in order."""
    fine = True
    for check in checks:
        show(check)
        fine = fine and check.ok
    if not fine:
        show("it does not drive; put right what says STOP, then start again")
    return fine


def _answered(link: MotorLink, board: EmulatedBoard | None, settings: Settings, asked: bool) -> bool:
    """The rounds for which a person is needed."""
    from robotlab.robot.preflight import ask_before, ask_last, check_signs

    if not asked:  # emulated wheels
        show("not asked, for the wheels are emulated and here is no terminal: power switch, wheels up, signs, floor")
        return True

    def ask(question: str) -> str:
        try:
            return input(printable(question))
        except EOFError:
            return ""

    def ask_turned(question: str) -> str:
        if board is not None:  # nobody sees them turn
            ways = ("forward" if speed > 0 else "backward" if speed < 0 else "not at all" for speed in board.turned)
            question = "Emulated: the left wheel turned {}, the right one {}. {}".format(*ways, question)
        return ask(question)

    return _passed(ask_before(ask)) and _passed([check_signs(link, settings, ask_turned)]) and _passed([ask_last(ask)])


def _free(path: Path) -> Path:
    """A name for the log that neither a log nor pictures have."""
    from robotlab.robot.recording import pictures_folder

    if not path.name.strip(".") or (path.exists() and not path.is_file()):
        raise InputError(
            f"a run log must go to a plain file, {path} is a folder, a device or a pipe; give a name such as drive.jsonl"
        )
    first, count = path, 1
    while path.exists() or pictures_folder(path).exists():
        count += 1
        path = first.with_stem(f"{first.stem}-{count}")
    return path


def _replay(options: argparse.Namespace, log: Path) -> None:
    try:
        from robotlab.report import drive_page
    except ModuleNotFoundError as error:  # a robot with little installed
        show(
            f"no replay, {error.name} is not installed here; copy the log and its pictures to a machine that has the course"
        )
        return
    from robotlab.robot.recording import load_run

    show(f"replay: {drive_page(load_run(log), options.who).save(options.output)}")
