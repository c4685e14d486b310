"""The ``robotlab`` command: its options, exit codes and one-line errors.

The work is done elsewhere; here arguments are read, results printed and exit
codes set: 0 done, 1 a check found something, 2 bad input, 130 interrupted.
"""

from __future__ import annotations

import argparse
import codecs
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module
from types import FrameType
from typing import Any, TextIO

from robotlab import __version__
from robotlab.cli.shared import Options, add_browser_options, flag, names, option
from robotlab.errors import InputError, install_hint, printable

# Commands with a module of their own in robotlab.cli: ``add_options(command)`` and ``run(options)``.
_ON_DATA_SETS = ("plan", "gather", "label", "checkup", "split", "export")
_MODULES = (*_ON_DATA_SETS, "measure", "drive", "mark", "pack", "sweep", "parts")
# What the numbers of some options may be, whichever command has them.
_RANGES = {
    "seed": (0, 2**32 - 1),
    "port": (1, 65535),
    "epochs": (1, 100_000),
    "jobs": (1, 1024),
    "limit_s": (1, 3600),
    "lesson": (0, 99),
}


class _Parser(argparse.ArgumentParser):
    def _print_message(self, message: str, file: Any = None) -> None:
        with suppress(OSError):  # as in later releases; from Python 3.11.2 it came out here, as a traceback
            super()._print_message(message, file)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="robotlab",
        description="Make a small robot see an object of your choosing and follow it: the course and its tools.",
        epilog="Start with 'robotlab open' (the course) or 'robotlab tour' (the whole chain, without a browser). "
        "Exit codes: 0 done, 1 a check found something, 2 bad input.",
    )
    parser.add_argument("--version", action="version", version=f"robotlab {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, help_text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=help_text, description=help_text, allow_abbrev=False)
        if name in ("tour", "fit", "judge", "compare", "drive"):
            option(sub, "--quiet", "no progress bars")
        if name in ("tour", "fit", "compare", "drive"):
            option(sub, "--seed", "same seed, same result (default: 0)", 0)
        return sub

    def choice_of_pictures(sub: argparse.ArgumentParser) -> None:
        option(sub, "data DATA", "a data set: a folder, or a COCO-style .json file")
        option(sub, "--recordings A,B", "only these recordings (default: all)", kind=names)
        option(sub, "--classes A,B", "only these classes (default: all)", kind=names)

    sub = command("open", "start JupyterLab at the first lesson")
    add_browser_options(sub)

    sub = command("tour", "run the whole chain once and write a report with pictures, tables and the replay")
    option(sub, "-o --output FOLDER", "where the report goes (default: tour)", "tour")

    sub = command("fit", "train a detector on a data set and write one .onnx file")
    choice_of_pictures(sub)
    option(sub, "-o --output FILE", "the model file (default: model.onnx)", "model.onnx")
    option(
        sub,
        "--training {frozen-backbone,fine-tuning}",
        "frozen-backbone: fit a head, seconds (default); fine-tuning: all layers but the first, minutes",
        "frozen-backbone",
    )
    option(sub, "--hold-out A,B", "recordings of the validation set: early stopping and the threshold", kind=names)
    option(
        sub, "--engine {auto,numpy,torch}", "what fine-tuning runs on (default: auto, PyTorch where it is installed)"
    )
    option(sub, "--start {shipped,scratch}", "weights that fine-tuning starts from (default: shipped)")
    option(
        sub,
        "--head {linear,mlp}",
        "kind of head with a frozen backbone: linear (default), or mlp with one small layer between",
    )
    option(sub, "--epochs N", "passes of fine-tuning (default: chosen from the number of pictures)", kind=int)
    option(sub, "--resume FILE", "state file of fine-tuning: written as it runs, continued from if it exists")

    sub = command("judge", "evaluate a detector, or a results file, on a labeled data set")
    choice_of_pictures(sub)
    who = sub.add_mutually_exclusive_group(required=True)
    option(who, "--with MODEL|color", "a model file, or the word color", dest="who")
    option(who, "--results FILE", "a COCO-style results file")
    option(sub, "--learn A,B", "recordings the color bands are fitted on (default: those not judged)", kind=names)
    option(sub, "--json", "print JSON")
    option(sub, "--html FILE", "also write a report with pictures")
    option(sub, "--save-results FILE", "also write what was found, as a COCO-style results file")

    sub = command("compare", "put the color detector and a detector through the same pictures and the same walks")
    choice_of_pictures(sub)
    option(sub, "--with MODEL", "a model file (default: fitted on the recordings not judged)", dest="who")
    option(sub, "--learn A,B", "recordings to learn from (default: those not judged)", kind=names)
    option(
        sub,
        "--walks A,B",
        "walks to follow, NAME or NAME:LIGHTING (default: weave,wrong_things:warm; none: no walk)",
        kind=names,
    )
    option(sub, "--json", "print JSON")
    option(sub, "-o --output FILE", "the report (default: compare.html)", "compare.html")

    sub = command("build", "write the notebooks from their source (contributors)")
    option(sub, "--check", "write nothing; exit 1 when a notebook differs from its source")
    for module in _MODULES:
        import_module(f"robotlab.cli.{module}").add_options(command)
    return parser


def _check_ranges(options: Options) -> None:
    """Refuse numbers out of range and options without a value, before anything is done."""
    for name, (low, high) in _RANGES.items():
        value = getattr(options, name, None)
        if value is not None and not low <= value <= high:
            got = f"{value:g}" if isinstance(value, float) else value
            raise InputError(f"{flag(name)} must be from {low} to {high}, got {got}; choose a number in between")
    for name, value in vars(options).items():
        shown = {"data": "DATA", "who": "--with"}.get(name, flag(name))
        if value in ("", ()) or (isinstance(value, str) and "\0" in value):
            raise InputError(f"{shown} must have a value, it is empty; give one, or leave it out")


@contextmanager
def _remarks_shown() -> Iterator[None]:
    """What an error has noted is told whatever ends the command: that motors did not confirm their HALT, say."""
    try:
        yield
    except BaseException as error:
        with suppress(OSError):  # the terminal may be gone
            for remark in getattr(error, "__notes__", ()):
                print(printable(remark), file=sys.stderr, flush=True)
        raise


@contextmanager
def _interrupts_kept() -> Iterator[None]:
    """An interrupt stays one: what comes while a package of native code is imported, that makes an ImportError of."""
    try:
        yield
    except Exception as error:
        cause: BaseException | None = error
        while cause:
            if isinstance(cause, KeyboardInterrupt):
                raise cause from None
            cause = cause.__cause__
        raise


def _tell(words: str) -> None:
    with suppress(OSError):  # the terminal may be gone, or lead to a full disk
        print(words, file=sys.stderr, flush=True)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after ``robotlab``; by default those of the process.

    Returns
    -------
    int
        Exit code: 0 done, 1 a check found something, 2 bad input,
        130 interrupted.
    """
    options = _parser().parse_args(arguments)
    try:
        with _interrupts_kept():
            _check_ranges(options)
            if options.command in _MODULES:
                with _remarks_shown():
                    return import_module(f"robotlab.cli.{options.command}").run(options)
            from robotlab.cli.commands import COMMANDS  # after parsing, so that --help answers at once

            return COMMANDS[options.command](options)
    except InputError as error:
        words = f": {error}"
    except ModuleNotFoundError as error:
        if not error.name or error.name.partition(".")[0] == "robotlab":
            raise
        words = f" needs {error.name}, it is not installed; {install_hint('course')}"
    except BrokenPipeError:
        raise
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        words = printable(f": {where}{error.strerror or error}; check the path, the rights and the free disk")
    except MemoryError:
        words = ": there must be memory for the work, it ran out; choose fewer or smaller pictures"
    except KeyboardInterrupt:
        _tell(f"robotlab {options.command}: interrupted; what was finished is kept")
        return 130
    _tell(f"robotlab {options.command}{words}")
    return 2


# Stand-ins for characters that a terminal or a file of an old encoding cannot hold; others become "?".
_PLAIN = {
    "█": "#",
    "−": "-",
    "–": "-",
    "✓": "ok",
    "✗": "x",
    "○": "o",
    "◐": "o",
    "√": "sqrt",
    "Δ": "d",
    "π": "pi",
    "²": "2",
    "°": " deg",
    "×": "x",
    "·": ".",
}


def _plain(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    return "".join(_PLAIN.get(letter, "?") for letter in error.object[error.start : error.end]), error.end


def print_plainly() -> None:
    """Let output degrade where its encoding lacks a character, instead of ending in an error."""
    codecs.register_error("robotlab.plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # not a stand-in, as in tests and notebooks
            stream.reconfigure(errors="robotlab.plain")


def open_streams() -> None:
    """Put nothing in the place of streams that were closed: the next file opened would take it, and get what is printed."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, "w" if number else "r", closefd=False))


# Signals that have come.
_ENDING: list[int] = []


def handle_signals() -> None:
    """Let a signal to end come as an exception, so that files begun are removed on the way out."""

    def end(number: int, frame: object) -> None:
        _ENDING.append(number)
        sys.exit(128 + number)

    def again(lost: sys.UnraisableHookArgs) -> None:
        """Python drops what is raised while it tidies up an object; a signal to end comes once more then."""
        if not isinstance(lost.exc_value, (KeyboardInterrupt, SystemExit)):
            return sys.__unraisablehook__(lost)
        number = signal.SIGINT if isinstance(lost.exc_value, KeyboardInterrupt) else _ENDING[-1]
        threading.Thread(target=send, args=(number,)).start()

    def send(number: int) -> None:
        """Wait until Python has left the hook: what is raised there is dropped too."""
        frame: FrameType | None = sys._getframe()
        while frame:
            time.sleep(0.01)
            frame = sys._current_frames().get(threading.main_thread().ident or 0)
            while frame and frame.f_code is not again.__code__:
                frame = frame.f_back
        os.kill(os.getpid(), number)

    sys.unraisablehook = again
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), end)


def _lost(stream: TextIO) -> OSError | None:
    """Why what was printed did not reach its pipe or disk; it is dropped then, and Python does not try again at the end."""
    try:
        stream.flush()
    except OSError as error:
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
        return error
    return None


def run() -> None:
    """Entry point of the console script; a closed pipe ends it quietly, and a signal to end cleans up."""
    open_streams()
    print_plainly()
    handle_signals()
    try:
        code: Any = main()
    except BrokenPipeError:
        code = 1
    except KeyboardInterrupt:  # before the command began, or once more while it ended
        _tell("robotlab: interrupted; what was finished is kept")
        code = 130
    except SystemExit as end:
        code = end.code
    except Exception:
        # Python 3.11 makes a RuntimeError of what comes while a class is being made, as in an import.
        if not _ENDING:
            raise
        code = 128 + _ENDING[-1]
    # The rest takes a moment, and has nothing to break off.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Python notes an interrupt that came within exec(), as where a dataclass is made, and would end with its own code.
    exec("")
    lost = _lost(sys.stdout)
    if lost and not code:
        code = 1 if isinstance(lost, BrokenPipeError) else 2
        if code == 2:
            _tell(f"robotlab: what is printed must go where there is room, it could not ({lost.strerror}); make room")
    _lost(sys.stderr)
    sys.exit(code)
