"""A robot's file: the shipped example, each budget broken in turn, and files that mean harm."""

import copy
import json
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import robotlab.budget
from robotlab.budget import check_robot, read_robot
from robotlab.cli import main
from robotlab.errors import InputError

EXAMPLE = Path(robotlab.budget.__file__).parent / "example_robot.json"
PLAIN = json.loads(EXAMPLE.read_text(encoding="utf-8"))


def changed(place, value):
    robot = copy.deepcopy(PLAIN)
    section, _, key = place.partition(".")
    if key:
        robot[section][key] = value
    else:
        robot[section] = value
    return robot


def checked(robot, folder):
    path = folder / "robot.json"
    path.write_text(json.dumps(robot), encoding="utf-8")
    return check_robot(path)


def test_the_example_is_complete_and_holds():
    report = check_robot(EXAMPLE)
    assert report.ok and not [line for line in report.lines if line.value == "not checked"]
    assert {*robotlab.budget.robot_file.SECTIONS, "robot", "settings"} == PLAIN.keys()
    text = report.text()
    assert "wheels off the ground first" in text and "never unattended" in text


# What is broken, which line says so, and its words.
BROKEN = [
    ("detector.smallest_px", 200, "view", "more pixels"),
    ("settings", {**PLAIN["settings"], "following_distance_m": 9.0}, "view", "another distance"),
    (
        "board.stages_s",
        {"read": 0.01, "detect": 0.1},
        "throughput",
        "set frame_hz to 9.09 or less, or make all stages together",
    ),
    ("camera.delay_s", 0.2, "latency", "choose the gain anew"),
    ("settings", {**PLAIN["settings"], "turn_gain": 4.0}, "motion", "lower it, or shorten the latency"),
    ("settings", {**PLAIN["settings"], "max_mps": 1.0}, "motion", "allowed: max_mps"),
    ("board.free_memory_mb", 100, "memory", "close other programs"),
    ("board.free_disk_mb", 210, "disk", "record less"),
    ("page", {"kind": "raw", "frame_hz": 30}, "network", "JPEG in place of raw"),
    ("power.max_v", 12, "voltage", "another number of cells"),
    ("power.min_v", 11, "voltage", "another number of cells"),
    ("power.wanted_min", 120, "running time", "larger pack"),
    ("power.peak_w", 500, "running time", "higher C rate"),
    ("battery.temperature_c", -30, "running time", "room temperature"),
    ("battery.cell_v", [3.9, 3.9, 3.7], "cells", "balance it"),
    ("battery.cell_v", [3.3, 3.31, 3.3], "cells", "charge the pack before you drive"),
    ("battery.cell_v", [3.9, 3.9, 2.7], "charger", "never unattended"),
    ("charger.cells", 2, "charger", "made for 3 cells"),
    ("charger.balances", False, "charger", "balance charger"),
    ("charger.full_v", 4.35, "charger", "this kind of cell"),
    ("charger.current_a", 5, "charger", "smaller current"),
]


@pytest.mark.parametrize(("place", "value", "name", "words"), BROKEN)
def test_each_budget_is_found_broken_and_says_what_to_do(place, value, name, words, tmp_path):
    report = checked(changed(place, value), tmp_path)
    bad = [line for line in report.lines if not line.ok]
    assert not report.ok and any(line.name == name and words in line.value + line.repair for line in bad), bad
    assert all(line.repair for line in bad) and report.text().endswith("Fix these first, then run it again.")
    # The example alone does not break that line.
    assert all(line.ok for line in check_robot(EXAMPLE).lines if line.name == name)


def test_a_late_loop_is_judged_by_what_was_measured(tmp_path):
    """The settings promise 0.13 s and allow the gain; the measured stages do not."""
    robot = changed("board.stages_s", {"detect": 0.5})
    robot["settings"]["frame_hz"] = 2
    robot["settings"]["turn_gain"] = 1.0
    report = checked(robot, tmp_path)
    assert {line.name for line in report.lines if not line.ok} >= {"latency", "motion"}


def test_what_is_not_given_is_not_checked_and_says_so(tmp_path):
    report = checked({"camera": PLAIN["camera"]}, tmp_path)
    assert report.ok
    assert {line.name for line in report.lines if line.value == "not checked"} == {"view", "throughput", "running time"}


@pytest.mark.parametrize(
    ("robot", "words"),
    [
        ([], "must be a JSON object"),
        ({}, "must have a section camera"),
        ({**PLAIN, "wings": {}}, "keys of the file must be among .* got 'wings'"),
        (changed("battery.cell", 3), "keys of battery must be among"),
        (changed("power", {}), "power must have mean_w"),
        (changed("power", 14), "power must be a section in braces"),
        (changed("robot", 7), "robot must be the robot's name"),
        (changed("camera.width_px", 320.5), "width_px must be a whole number"),
        (changed("camera.hfov_deg", 200), "camera.hfov_deg must be from 1 to 179"),
        (changed("camera.frame_hz", "30"), "camera.frame_hz must be a plain number, got '30'"),
        (changed("battery.cells", True), "battery.cells must be a plain number"),
        (changed("battery.capacity_ah", 10**400), "battery.capacity_ah must be a plain number"),
        # Another unit than asked for.
        (changed("battery.capacity_ah", 2200), "capacity_ah must be from 0 to 200, got 2200.*mAh"),
        (changed("camera.delay_s", 120), "camera.delay_s must be from 0 to 10, got 120; give seconds"),
        (changed("camera.hfov_deg", 0.9), "camera.hfov_deg must be from 1 to 179, got 0.9; give degrees"),
        (changed("settings.drive", 3), "settings.drive must be a section in braces"),
        (changed("battery.capacity_ah", math.nan), "battery.capacity_ah must be a plain number"),
        (changed("battery.cell_v", [3.9, None, 3.9]), "battery.cell_v must be a plain number"),
        (changed("board.stages_s", {}), "time of each stage by its name"),
        (changed("board.own_threads", 1), "board.own_threads must be true or false"),
        (changed("settings", []), "settings must be a section in braces"),
        (changed("settings", {"gain": 1}), "settings must be among"),
        (changed("settings", {"motor": {"speed": 1}}), "settings must be those of"),
        (changed("settings", {"motor": 1}), "settings.motor must be a section in braces"),
        (changed("settings", {"frame_hz": 10**400}), "settings.frame_hz must be a plain number"),
    ],
)
def test_files_that_are_refused(robot, words, tmp_path):
    with pytest.raises(InputError, match=words) as caught:
        checked(robot, tmp_path)
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 2100


ANYTHING = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from(
        [0, -1, 1e-300, 1e300, 10**400, math.nan, math.inf, "", "\x1b[2J\n", "raw", [], {}, [[]], [0] * 99, {"a": {}}]
    ),
    st.floats(),
    st.text(max_size=5),
)
LEAVES = [(section, key) for section, part in PLAIN.items() if isinstance(part, dict) for key in part]


@given(st.lists(st.tuples(st.sampled_from(LEAVES), ANYTHING), min_size=1, max_size=3))
@settings(max_examples=150, deadline=None)
def test_no_value_brings_it_down(tmp_path_factory, changes):
    robot = copy.deepcopy(PLAIN)
    for (section, key), value in changes:
        robot[section][key] = value
    try:
        text = checked(robot, tmp_path_factory.getbasetemp()).text()
    except InputError as error:
        text = str(error)
        assert "\n" not in text
    assert "\x1b" not in text


def test_a_charger_for_more_cells_is_to_be_set(tmp_path):
    (line,) = [line for line in checked(changed("charger.cells", 6), tmp_path).lines if line.name == "charger"]
    assert line.ok and line.repair.startswith("Set it to 3 cells")


def test_the_command(tmp_path, capsys):
    assert main(["checkup", "--robot", str(EXAMPLE)]) == 0
    assert "running time  ok" in capsys.readouterr().out
    path = tmp_path / "robot.json"
    path.write_text(json.dumps(changed("charger.cells", 2)), encoding="utf-8")
    assert main(["checkup", "--robot", str(path), "--json"]) == 1
    report = json.loads(capsys.readouterr().out)
    assert not report["ok"] and any("serves 2 cells" in line["value"] for line in report["lines"])
    path.write_text("{", encoding="utf-8")
    assert main(["checkup", "--robot", str(path)]) == 2
    out = capsys.readouterr()
    assert out.out == "" and out.err.count("\n") == 1 and "must be JSON" in out.err


def test_reading_gives_the_objects():
    robot = read_robot(EXAMPLE)
    assert robot.camera.width_px == 320 and robot.settings.turn_gain == 1.8 and robot.charger.cells == 3
