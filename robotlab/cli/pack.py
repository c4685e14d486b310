"""``robotlab pack``: the course without answers, with its wheels, or a robot's folder."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from robotlab.cli.shared import say, show
from robotlab.errors import InputError

# Which options go with which kind, and which of them must be given.
_TAKES = {
    "class": (),
    "offline": ("platform", "python"),
    "robot": ("platform", "python", "model", "robot", "wheels", "camera", "target"),
}
_NEEDS = {"robot": ("model", "robot", "wheels")}
_SHOWN = {"model": "with"}


def add_options(command: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Declare the command's options.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("pack", "write what is handed out: the course without answers, with its wheels, or a robot's folder")
    sub.add_argument(
        "kind",
        choices=tuple(_TAKES),
        help="class: the course without answers; offline: with all wheels, for a room without network; "
        "robot: trained file, figures, driving program and wheels",
    )
    sub.add_argument(
        "-o", "--output", required=True, metavar="FOLDER|ZIP", help="a new folder, or a new file that ends in .zip"
    )
    sub.add_argument(
        "--platform",
        metavar="NAME",
        help="machine that the wheels are for: linux-x86_64, linux-aarch64, macos-arm64, macos-x86_64 or windows-x86_64 "
        "(default: this one; for a robot linux-aarch64)",
    )
    sub.add_argument("--python", metavar="3.N", help="its Python (default: this one; for a robot 3.11)")
    sub.add_argument("--with", dest="model", metavar="MODEL", help="robot: the trained .onnx file")
    sub.add_argument("--robot", metavar="FILE", help="robot: its JSON file, as for robotlab checkup --robot")
    sub.add_argument("--wheels", metavar="LINK", help="robot: its motor link, such as serial:/dev/ttyUSB0")
    sub.add_argument("--camera", metavar="SOURCE", help="robot: camera number or device (default: 0)")
    sub.add_argument("--target", metavar="CLASS", help="robot: what to follow (default: post, or the only class)")


def run(options: argparse.Namespace) -> int:
    """Write the pack, and say what and where.

    Parameters
    ----------
    options : argparse.Namespace
        As parsed.

    Returns
    -------
    int
        0.

    Raises
    ------
    InputError
        If an option does not belong to the kind or is missing, or the pack
        cannot be made.
    """
    from robotlab.packs import pack_class, pack_offline, pack_robot

    kind = options.kind
    names = {name: getattr(options, name) for name in _TAKES["robot"] if getattr(options, name) is not None}
    for name in names:
        if name not in _TAKES[kind]:
            kinds = " or ".join(one for one, takes in _TAKES.items() if name in takes)
            raise InputError(f"--{_SHOWN.get(name, name)} goes with robotlab pack {kinds}, not {kind}; leave it out")
    for name in _NEEDS.get(kind, ()):
        if name not in names:
            raise InputError(
                f"robotlab pack {kind} must have --{_SHOWN.get(name, name)}, it has not; see robotlab pack --help"
            )

    if kind == "class":
        pack = pack_class(options.output)
    elif kind == "offline":
        pack = pack_offline(options.output, **names, tell=say)
    else:
        pack = pack_robot(options.output, **names, tell=say)
    show(pack.text())
    return 0
