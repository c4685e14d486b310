"""``robotlab pack``: the course without answers, with its wheels, or a robot's folder."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from robotlab.cli.shared import Command, Options, option, say, show
from robotlab.errors import InputError

# Which options go with which kind, and which of them must be given.
_FOR_WHEELS = ("platform", "python")
_FOR_ROBOT = (*_FOR_WHEELS, "model", "robot", "wheels", "camera", "target")
_TAKES: dict[str, tuple[str, ...]] = {"class": (), "offline": _FOR_WHEELS, "robot": _FOR_ROBOT}
_NEEDS = {"robot": ("model", "robot", "wheels")}
_SHOWN = {"model": "with"}


def add_options(command: Command) -> None:
    """Declare the command's options.

    Parameters
    ----------
    command : callable
        Makes a command from its name and help text.
    """
    sub = command("pack", "write what is handed out: the course without answers, with its wheels, or a robot's folder")
    option(
        sub,
        "kind",
        "class: the course without answers; offline: with all wheels, for a room without network; "
        "robot: trained file, figures, driving program and wheels",
        choices=tuple(_TAKES),
    )
    option(sub, "-o --output FOLDER|ZIP", "a new folder, or a new file that ends in .zip", required=True)
    option(
        sub,
        "--platform NAME",
        "machine that the wheels are for: linux-x86_64, linux-aarch64, macos-arm64, macos-x86_64 or windows-x86_64 "
        "(default: this one; for a robot linux-aarch64)",
    )
    option(sub, "--python 3.N", "its Python (default: this one; for a robot 3.11)")
    option(sub, "--with MODEL", "robot: the trained .onnx file", dest="model")
    option(sub, "--robot FILE", "robot: its JSON file, as for robotlab checkup --robot")
    option(sub, "--wheels LINK", "robot: its motor link, such as serial:/dev/ttyUSB0")
    option(sub, "--camera SOURCE", "robot: camera number or device (default: 0)")
    option(sub, "--target CLASS", "robot: what to follow (default: post, or the only class)")


def run(options: Options) -> int:
    """Write the pack, and say what and where.

    Parameters
    ----------
    options : Namespace
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
    from functools import partial

    from robotlab.packs import pack_class, pack_offline, pack_robot

    kind = options.kind
    names = {name: getattr(options, name) for name in _FOR_ROBOT if getattr(options, name) is not None}
    for name in names:
        if name not in _TAKES[kind]:
            kinds = " or ".join(one for one, takes in _TAKES.items() if name in takes)
            raise InputError(f"--{_SHOWN.get(name, name)} goes with robotlab pack {kinds}, not {kind}; leave it out")
    for name in _NEEDS.get(kind, ()):
        if name not in names:
            raise InputError(
                f"robotlab pack {kind} must have --{_SHOWN.get(name, name)}, it has not; see robotlab pack --help"
            )

    packs: dict[str, Callable[..., Any]] = {
        "class": pack_class,
        "offline": partial(pack_offline, tell=say),
        "robot": partial(pack_robot, tell=say),
    }
    show(packs[kind](options.output, **names).text())
    return 0
