"""``robotlab drive``: follow a walk in the rendered greenhouse, or drive a real robot.

A real robot is one with a camera (``--camera``): then come the preflight, a
person's answers, and the drive itself.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from robotlab.cli.shared import Command, Options, driving_detector, flag, option, show
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


def add_options(command: Command) -> None:
    """Add the command and its options.

    Parameters
    ----------
    command : callable
        Makes a command from its name and its help.
    """
    sub = command("drive", "follow a walk in the rendered greenhouse, or, with --camera, drive a robot")
    option(sub, "--with MODEL|color", "a model file, or the word color (default)", "color", dest="who")
    option(
        sub,
        "--walk NAME[:LIGHTING]",
        "the walk, such as weave or weave:warm (default: weave); also for --camera rendered",
        "weave",
    )
    option(sub, "-o --output FILE", "the replay (default: drive.html)", "drive.html")
    option(sub, "--log FILE", "also write the run log (a real drive always writes one: drive.jsonl)")
    real = sub.add_argument_group("a robot", "These go with --camera. " + " ".join(CAUTION.split("\n")[:2]))
    option(real, "--camera SOURCE", "camera number, device, film, address of a stream, or rendered")
    option(real, "--wheels LINK", "serial:PORT, pins:5,6,13,19, or emulated (a motor board that is a program)")
    option(
        real,
        "--page ADDRESS:PORT",
        "a live page in the browser, whose button must be held to drive (default: this machine only, a free port)",
        nargs="?",
        const="127.0.0.1:0",
    )
    option(real, "--dry-run", "all but turning: the wheels get nothing but HALT")
    option(real, "--time S", "end after so long (default: 60, with --page 600)", kind=float)
    option(real, "--max-speed M/S", "limit of the speed (default: 0.3)", 0.3)
    option(
        real, "--full-power M/S", "speed of a wheel at full power; none is told more (default: 0.5; measure it)", 0.5
    )
    option(
        real,
        "--wheel-factors LEFT,RIGHT",
        "true speed / commanded speed of each wheel, of robotlab measure wheels (default: 1,1)",
        "1,1",
    )
    option(real, "--battery V", "voltage of the battery now; 0 for a robot without one", kind=float)
    option(real, "--battery-lowest V", "lowest voltage that its maker allows", kind=float)
    option(real, "--size WxH", "size of the pictures, px (default: 320x240)", "320x240")
    option(real, "--hfov DEG", "horizontal field of view (default: 62.2; measure it)", 62.2)
    option(real, "--delay S", "from exposure to picture (default: 0.1; measure it)", 0.1)
    option(real, "--rate HZ", "pictures a second that the camera gives (default: 10)", 10.0)
    option(real, "--lens-height M", "of the lens above the ground (default: 0.25)", 0.25)
    option(real, "--target CLASS", "what to follow (default: post, or the model's only class)")
    option(real, "--setting NAME=NUMBER", "any other of the loop's settings", [], action="append")
    option(real, "--record-pictures", "keep all pictures, in a folder beside the log, for the replay")


def run(options: Options) -> int:
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
        robot_only = ("wheels", "page", "dry_run", "record_pictures", "battery")
        wrong = [flag(name) for name in robot_only if getattr(options, name)]
        if wrong:
            raise InputError(
                f"{' and '.join(wrong)} go with --camera, without one a walk is simulated; add --camera, or leave them out"
            )
        from robotlab.cli.commands import simulate_walk

        return simulate_walk(options)
    return _real(options)


def _real(options: Options) -> int:
    from robotlab.checks import error_message
    from robotlab.cli import robot_options
    from robotlab.control import SimulatedLink
    from robotlab.loop import drive
    from robotlab.robot.live_page import LivePage
    from robotlab.robot.preflight import look
    from robotlab.robot.recording import PictureRecorder, pictures_folder

    if options.wheels is None and not options.dry_run:
        raise InputError(
            "--camera needs --wheels, or --dry-run to drive nothing; name the motor link, such as serial:/dev/ttyUSB0"
        )
    rehearsed = options.camera == "rendered"
    if rehearsed and options.wheels not in (None, "emulated"):
        raise InputError(
            f"--camera rendered goes with --wheels emulated, for it does not see where real ones go, got {options.wheels!r}; "
            "give a real camera, or emulated wheels"
        )
    asked = sys.stdin is not None and sys.stdin.isatty()
    if not (asked or options.dry_run or options.wheels == "emulated"):
        raise InputError(
            "a robot needs a person who answers the preflight's questions, there is no terminal here; run this in one, or add --dry-run"
        )
    robot_options.check_robot_numbers(options)
    camera, place = robot_options.camera_of(options), robot_options.address_of(options.page) if options.page else None
    show(CAUTION + "\n")
    detector, score = driving_detector(options)
    settings = robot_options.settings_of(options, detector, score)
    log = _free(Path(options.log or "drive.jsonl"))
    check_output(options.output, "report", filter(None, [log, options.who if options.who != "color" else None]))
    with ExitStack() as stack:
        link, board = robot_options.wheels_of(options, settings, stack)
        take = robot_options.take_of(options, camera, settings, board, stack)
        if rehearsed:
            take.lifted = True
        # A dry run without wheels has no link at all; any other one gets its first HALT here.
        link_to_halt = None if options.dry_run and options.wheels is None else link
        battery_v, lowest_v = robot_options.battery_of(options)
        if not _passed(look(detector, take, camera, settings, link_to_halt, battery_v, lowest_v)):
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
                hold=page,
                show=lambda seen: [show(seen) for show in shows],
            )
        except BaseException as error:
            if page is not None:
                page.finish(error_message(error))
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
    if report.log is not None:
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
        show(
            "not asked, for the wheels are emulated and there is no terminal here: power switch, wheels up, signs, floor"
        )
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


def _replay(options: Options, log: Path) -> None:
    try:
        from robotlab.report import drive_page
    except ModuleNotFoundError as error:  # a robot with little installed
        show(
            f"no replay, {error.name} is not installed here; copy the log and its pictures to a machine that has the course"
        )
        return
    from robotlab.robot.recording import load_run

    show(f"replay: {drive_page(load_run(log), options.who).save(options.output)}")
