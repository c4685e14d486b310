"""All budgets of one robot, each with its verdict and what to do about it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from robotlab.budget.battery import CHARGING_CAUTION, charging_time_min, running_time_min
from robotlab.budget.frame import frame_budget
from robotlab.budget.robot_file import RobotFile, read_robot
from robotlab.budget.storage import capture_storage, network_load
from robotlab.camera import working_range
from robotlab.environment import CheckLine, CheckReport
from robotlab.errors import InputError
from robotlab.loop.limits import check_real_limits, free_distance_m, worst_stopping_distance_m

# What Python with the core and a detector takes at work, and on the disk (measured: tests/benchmarks/bench_core.py).
DETECTOR_MB, CORE_MB = 200.0, 200.0
# Of the printed rate of a radio link (common practice, no source).
USABLE_SHARE = 0.5
DRIVING_CAUTION = "A check-up on paper is not permission to drive: wheels off the ground first, a hand on the power switch, a clear floor, people and pets out of reach"


@dataclass(frozen=True)
class RobotCheckup(CheckReport):
    """The budgets of a robot.

    Parameters
    ----------
    lines : tuple of CheckLine
        One for each.
    """

    all_well: ClassVar[str] = "Every budget holds, as far as the file says. " + DRIVING_CAUTION + "."


def check_robot(robot: RobotFile | str | os.PathLike) -> RobotCheckup:
    """Go through the budgets of a robot.

    Parameters
    ----------
    robot : RobotFile or path-like
        What :func:`robotlab.budget.read_robot` gave, or the file.

    Returns
    -------
    RobotCheckup
        Its ``lines`` say what was found and what to do, ``ok`` whether all
        hold, ``text()`` is the table.

    Raises
    ------
    InputError
        If the file cannot be read.

    Notes
    -----
    Where times of the stages are given, the limits of the motion are checked
    with them and not with what the settings assume.

    Examples
    --------
    >>> from pathlib import Path
    >>> import robotlab.budget
    >>> report = check_robot(Path(robotlab.budget.__file__).parent / "example_robot.json")
    >>> report.ok, [line.name for line in report.lines][:3]
    (True, ['view', 'throughput', 'latency'])
    """
    known = robot if isinstance(robot, RobotFile) else read_robot(robot)
    return RobotCheckup((*_view(known), *_loop(known), *_board(known), *_power(known), *_charging(known)))


def _missing(name: str, section: str) -> CheckLine:
    return CheckLine(name, "not checked", repair=f"to check it, give the section {section}")


def _judged(name: str, said: str, ok: bool, repair: str) -> CheckLine:
    """A line whose repair is said only where one is needed."""
    return CheckLine(name, said, ok, "" if ok else repair)


def _refused(name: str, error: InputError) -> CheckLine:
    """The line of an error: its rule and what came, then its repair."""
    rule, _, repair = str(error).rpartition("; ")
    return CheckLine(name, rule or repair, False, repair)


def _view(robot: RobotFile) -> Iterator[CheckLine]:
    if "detector" not in robot.sections:
        yield _missing("view", "detector")
        return
    s = robot.settings
    px = robot.sections["detector"]["smallest_px"]
    try:
        near, far = working_range(robot.camera, s.target_height_m, px, s.target_width_m)
    except InputError as error:
        yield _refused("view", error)
        return
    yield _judged(
        "view",
        f"usable from {near:.2f} to {far:.2f} m where the target is {px:g} px tall or more (pinhole camera), to keep: {s.following_distance_m:.2f} m",
        near <= s.following_distance_m <= far,
        "keep another distance, mount the camera otherwise, or give the detector more pixels",
    )


def _loop(robot: RobotFile) -> Iterator[CheckLine]:
    s, camera = robot.settings, robot.sections["camera"]
    if "board" in robot.sections:
        board = robot.sections["board"]
        frame = frame_budget(board["stages_s"], camera["frame_hz"], board.get("own_threads", False))
        yield _judged(
            "throughput",
            f"{frame.throughput_hz:.1f} pictures/s, bound by {frame.bound_by}; the settings count on {s.frame_hz:g}",
            frame.throughput_hz >= s.frame_hz * (1 - 1e-9),
            f"set frame_hz to {frame.throughput_hz:.3g} or less, or make {frame.bound_by} faster",
        )
        rate_hz = min(s.frame_hz, frame.throughput_hz)
        # At worst the newest picture has just been missed, and the next one is a camera's frame away.
        late_s = camera["delay_s"] + frame.latency_s + 1 / camera["frame_hz"]
        yield _judged(
            "latency",
            f"{1e3 * late_s:.0f} ms at most from exposure to wheel, {frame.in_flight:.2f} frames in flight; the settings count on {1e3 * s.latency_s:.0f} ms",
            late_s <= s.latency_s + 1e-3,
            f"set delay_s to {max(0.0, late_s - s.detector_s) + 5e-4:.3f} or more, and choose the gain anew",
        )
    else:
        yield _missing("throughput", "board")
        rate_hz, late_s = s.frame_hz, s.latency_s
    try:
        # The worse of what was measured and what the settings assume.
        measured = s.but(frame_hz=rate_hz, detector_s=0.0, delay_s=max(late_s, s.latency_s))
        check_real_limits(measured, robot.camera)
    except InputError as error:
        yield _refused("motion", error)
        return
    yield CheckLine(
        "motion",
        f"steering gain {s.turn_gain:.2f} of at most {measured.safe_gain:.2f} 1/s; stops within {worst_stopping_distance_m(measured):.2f} m, {free_distance_m(measured):.2f} m are free before contact",
    )


def _board(robot: RobotFile) -> Iterator[CheckLine]:
    board, camera = robot.sections.get("board", {}), robot.camera
    memory = robot.sections.get("detector", {}).get("memory_mb", DETECTOR_MB)
    if "free_memory_mb" in board:
        free = board["free_memory_mb"]
        yield _judged(
            "memory",
            f"{memory:.0f} MB with a detector loaded, {free:.0f} MB free",
            memory <= free,
            "close other programs, or take a board with more memory",
        )
    room, said = CORE_MB, f"{CORE_MB:.0f} MB for the core"
    if "capture" in robot.sections:
        try:
            pictures = capture_storage(
                width_px=camera.width_px, height_px=camera.height_px, **robot.sections["capture"]
            )
        except InputError as error:
            yield _refused("capture plan", error)
        else:
            room, said = room + pictures.value, f"{said} and {pictures} of pictures"
    if "free_disk_mb" in board:
        free = board["free_disk_mb"]
        repair = "record less, write JPEG, or take a larger card"
        yield _judged("disk", f"{said}, {free:.0f} MB free", room <= free, repair)
    if "page" in robot.sections:
        try:
            load = network_load(camera.width_px, camera.height_px, **robot.sections["page"])
        except InputError as error:
            yield _refused("network", error)
            return
        rate = board.get("network_mbps")
        yield _judged(
            "network",
            f"{load}" + ("" if rate is None else f"; half of {rate:g} Mbit/s can be used"),
            rate is None or load.value <= USABLE_SHARE * rate,
            "send fewer or smaller pictures, JPEG in place of raw ones, or the boxes alone",
        )


def _power(robot: RobotFile) -> Iterator[CheckLine]:
    pack, power = robot.pack, robot.sections.get("power")
    if pack is None or power is None:
        yield _missing("running time", "power" if power is None else "battery")
        return
    low, high = pack.cells * pack.stop_v, pack.cells * pack.full_v
    least, most = power.get("min_v", 0.0), power.get("max_v", float("inf"))
    yield _judged(
        "voltage",
        f"the pack goes from {high:.1f} V full to {low:.1f} V where it is to stop ({pack.full_v:g} and {pack.stop_v:g} V a cell)",
        least <= low and high <= most,
        f"board and motors take {least:g} to {most:g} V: take another number of cells, or a converter made for both ends",
    )
    try:
        time = running_time_min(pack, power["mean_w"], power.get("peak_w"), power.get("depth_of_discharge", 0.8))
    except InputError as error:
        yield _refused("running time", error)
        return
    wanted = power.get("wanted_min", 0.0)
    yield _judged(
        "running time",
        f"{time}" + (f"; wanted: {wanted:g} min" if wanted else ""),
        time.value >= wanted,
        "take a larger pack, use less power, or plan a change of packs",
    )


def _charging(robot: RobotFile) -> Iterator[CheckLine]:
    pack, charger = robot.pack, robot.charger
    if pack is None:
        return
    cells = pack.cell_problems()
    if pack.cell_v is None:
        yield CheckLine(
            "cells", "not measured", repair="measure each cell at the balance lead before every drive and every charge"
        )
    elif not cells:
        ok, volts = min(pack.cell_v) >= pack.stop_v, ", ".join(f"{volt:.2f}" for volt in pack.cell_v)
        said = "within their limits, and alike" if ok else f"alike, and below {pack.stop_v:.2f} V, where to stop"
        yield _judged("cells", f"{volts} V: {said}", ok, "charge the pack before you drive")
    for problem in cells:
        yield _refused("cells", InputError(problem))
    if charger is None:
        yield CheckLine("charger", "not checked", repair=f"give the section charger. {CHARGING_CAUTION}")
        return
    wrong = [problem for problem in charger.problems(pack) if problem not in cells]
    for problem in wrong:
        yield _refused("charger", InputError(problem))
    if wrong:
        yield CheckLine("charging", "not with this charger", False, CHARGING_CAUTION)
        return
    said, repair = "not for this one as it is", f"see its cells. {CHARGING_CAUTION}"
    if not cells:
        answer = charging_time_min(pack, charger)
        said, repair = f"{answer.value:.0f} {answer.unit} ({answer.assumption})", answer.caution
        if charger.cells > pack.cells:
            repair = f"Set it to {pack.cells} cells, if its maker says that it serves so few. {repair}"
    yield CheckLine("charger", f"made for such a pack{', ' if cells else '; '}{said}", not cells, repair)
