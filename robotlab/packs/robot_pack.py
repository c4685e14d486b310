"""The robot pack: trained model, robot file, driving program and wheels in one folder."""

from __future__ import annotations

import itertools
import json
import os
import re
import shlex
from collections.abc import Callable

from robotlab.budget import RobotFile, check_robot, read_robot
from robotlab.data.values import is_word, number
from robotlab.errors import InputError, printable, short
from robotlab.files import read_plain
from robotlab.json_file import read_json
from robotlab.packs.class_pack import course_folder
from robotlab.packs.offline_pack import posix_script, write_with_wheels
from robotlab.packs.platforms import check_target
from robotlab.packs.writing import WrittenPack, check_new_output

# Trained files have 2 to 30 MB.
_MOST_BYTES = 256 * 2**20


def drive_options(
    robot: RobotFile, content: dict, camera: str, wheels: str, target: str | None
) -> list[tuple[str, str]]:
    """Options of the ``robotlab drive`` command for a robot.

    Parameters
    ----------
    robot : RobotFile
        Its figures, checked.
    content : dict
        The same as in the file, where settings are only those that were given.
    camera, wheels : str
        What ``--camera`` and ``--wheels`` are told.
    target : str or None
        What to follow.

    Returns
    -------
    list of (str, str)
        Each option with its word.

    Examples
    --------
    >>> from robotlab.camera import Camera
    >>> sections = {"camera": {"hfov_deg": 57.3, "delay_s": 0.06, "frame_hz": 30.0}}
    >>> robot = RobotFile("mine", Camera(320, 240, 1.0), sections=sections)
    >>> drive_options(robot, {}, "0", "serial:/dev/ttyUSB0", None)[2:4]
    [('--wheels', 'serial:/dev/ttyUSB0'), ('--size', '320x240')]
    """
    about = robot.sections["camera"]
    given = dict(content.get("settings", {}))
    options = [("--with", "model.onnx"), ("--camera", camera), ("--wheels", wheels)]
    options += [("--size", f"{robot.camera.width_px:.0f}x{robot.camera.height_px:.0f}")]
    options += [("--hfov", f"{about['hfov_deg']:g}")]
    options += [("--lens-height", f"{about['height_m']:g}")] if "height_m" in about else []
    # The command wants the camera's own delay; that of the settings is the simulated loop's, with all that follows.
    given.pop("delay_s", None)
    options += [("--delay", f"{about['delay_s']:g}"), ("--rate", f"{given.pop('frame_hz', about['frame_hz']):g}")]
    options += [("--max-speed", f"{given.pop('max_mps'):g}")] if "max_mps" in given else []
    full_power = "max_mps" in given.get("motor", {})
    options += [("--full-power", f"{robot.settings.motor.max_mps:g}")] if full_power else []
    target = target or given.pop("target", None)
    options += [("--target", target)] if target else []
    options += [("--battery-lowest", f"{robot.pack.stop_v * robot.pack.cells:g}")] if robot.pack else []
    return options + [("--setting", f"{name}={value:g}") for name, value in given.items() if number(value) is not None]


def _left_out(content: dict) -> list[str]:
    """Settings that no option of the command takes."""
    given = content.get("settings", {}).items()
    return [name for name, value in given if name != "target" and number(value) is None]


def _program(options: list[tuple[str, str]], name: str) -> bytes:
    """The driving program: the command's words, one option a line, to be read and changed."""
    lines = [", ".join(json.dumps(word, ensure_ascii=False) for word in option) for option in options]
    words = "".join(f"    {line},\n" for line in lines)
    return (
        f'"""Drive {json.dumps(printable(name), ensure_ascii=False)[1:-1]}: preflight, a person\'s answers, then the drive; see README.md.\n\n'
        "Wheels off the ground first, a hand on the power switch.  Run it in a terminal\n"
        'on the robot: .venv/bin/python drive.py --battery VOLTS (measured now).\n"""\n\n'
        "import os\nimport sys\nfrom pathlib import Path\n\nfrom robotlab.cli import main\n\n"
        f'WORDS = [\n    "drive",\n{words}]\n\n'
        'if __name__ == "__main__":\n    # What is given here is added, such as --dry-run, --page or --battery 11.4.\n'
        "    os.chdir(Path(__file__).resolve().parent)\n"
        "    sys.exit(main(WORDS + sys.argv[1:]))\n"
    ).encode()


def pack_robot(
    output: str | os.PathLike,
    model: str | os.PathLike,
    robot: str | os.PathLike,
    wheels: str,
    camera: str = "0",
    target: str | None = None,
    platform: str = "linux-aarch64",
    python: str = "3.11",
    root: str | os.PathLike | None = None,
    tell: Callable[[str], None] = lambda text: None,
) -> WrittenPack:
    """Write a robot's folder: trained file, figures, driving program, and wheels to install without network.

    Parameters
    ----------
    output : path-like
        A new or empty folder, or a new file that ends in ``.zip``.
    model : path-like
        The trained ``.onnx`` file.
    robot : path-like
        The robot's JSON file, as for ``robotlab checkup --robot``.
    wheels : str
        Motor link, such as ``"serial:/dev/ttyUSB0"``.
    camera : str
        Camera number or device.
    target : str, optional
        Class to follow.
    platform : str
        The robot's board, one of :data:`robotlab.packs.PLATFORMS`.
    python : str
        Its Python.
    root : path-like, optional
        The folder of the course.
    tell : callable
        Told what is going on.

    Returns
    -------
    WrittenPack
        What was written.

    Raises
    ------
    InputError
        If something is there already, a file is not what it should be, the
        target is none of the model's, or pip finds no wheel.

    Examples
    --------
    >>> pack_robot("pack", "no_such.onnx", "robot.json", "pins:5,6,13,19")
    Traceback (most recent call last):
    robotlab.errors.ModelError: a model must exist to be read, no_such.onnx does not; check its name and folder
    """
    from robotlab.neural import NeuralDetector

    check_target(platform, python)
    if platform.startswith("windows"):
        raise InputError(f"a robot's board must run Linux or macOS here, got {platform}; choose another --platform")
    if not re.fullmatch(r"serial:.+|pins:\d+,\d+,\d+,\d+|emulated", wheels):
        raise InputError(
            f"--wheels must be serial:PORT, pins:5,6,13,19 or emulated, got {short(wheels)}; name the robot's motor link"
        )
    for name, word in (("--wheels", wheels), ("--camera", camera)):
        if not is_word(word):
            raise InputError(f"{name} must be plain text, got {short(word)}; name it as robotlab drive takes it")
    place, folder = check_new_output(output), course_folder(root)
    classes = NeuralDetector.load(model).classes
    if target is None and len(classes) > 1 and "post" not in classes:
        raise InputError(
            f"a robot must know what to follow, the model knows {', '.join(classes)}; add --target with one of them"
        )
    if target is not None and target not in classes:
        raise InputError(
            f"--target must be one of the model's classes {', '.join(classes)}, got {target!r}; choose one"
        )
    figures, content = read_robot(robot), read_json(robot, "a robot's file")
    checked = check_robot(robot)
    if not checked.ok:
        tell(f"the check-up of {robot} found something to do; its report is in checkup.txt: do that first")
    options = drive_options(figures, content, camera, wheels, target)
    left = _left_out(content)
    files = {
        "model.onnx": read_plain(model, _MOST_BYTES, "a model"),
        "robot.json": read_plain(robot, _MOST_BYTES, "a robot's file"),
        "checkup.txt": (printable(checked.text(), keep="\n") + "\n").encode(),
        "drive.py": _program(options, figures.name),
        "install.sh": posix_script("robot", python),
    }
    about = {
        "name": printable(figures.name),
        "line": shlex.join([".venv/bin/robotlab", "drive", *itertools.chain(*options)]),
        "checkup": "found nothing" if checked.ok else "**found something: read it and do it first**",
        "left": f" No option takes these settings of `robot.json`, so they are left out: {', '.join(left)}."
        if left
        else "",
    }
    then = f"read README.md in it, copy it to the robot ({platform}, Python {python}), there: sh install.sh"
    return write_with_wheels("robot", place, files, folder, platform, python, about, then, tell)
