"""Wheel calibration, against an emulated board whose truth is known; and the command that does it."""

from __future__ import annotations

import functools
import threading
import time

import pytest

from robotlab.cli import main
from robotlab.control import SerialLink, SimulatedLink
from robotlab.control.board import Board
from robotlab.errors import MotionError
from robotlab.image import save
from robotlab.robot import CalibratedLink, calibrate_wheels, measure_delay, wheel_calibration
from robotlab.robot.wheel_calibration import drive_straight


@pytest.fixture(autouse=True)
def harder_ramp(monkeypatch):
    """As hard as the emulated board's own, to be done sooner."""
    monkeypatch.setattr(wheel_calibration, "_ACCEL_MPS2", 1.0)


class Robot(Board):
    """A board whose wheels go farther or less far than they are told, and a person with a tape."""

    def __init__(self, left: float = 0.93, right: float = 1.04, answers=()) -> None:
        super().__init__()
        self._factors, self._turn, self._answers = (left, right), threading.RLock(), dict(answers)
        self._at, self._before, self._way = time.monotonic(), (0.0, 0.0), [0.0, 0.0]
        self.asked: list[str] = []

    def _count(self) -> None:
        now = time.monotonic()
        # The mean of both ends: exact for a ramp and nearly so for a step.
        for side, speed in enumerate(super().wheels()):
            self._way[side] += self._factors[side] * (speed + self._before[side]) / 2 * (now - self._at)
        self._at, self._before = now, super().wheels()

    def write(self, content):
        with self._turn:
            self._count()
            taken = super().write(content)
            self._before = super().wheels()
            return taken

    def ask(self, question: str) -> str:
        self.asked.append(question)
        for part, answer in self._answers.items():
            if part in question:
                return answer
        with self._turn:
            self._count()
            if "how far did the left" in question:
                self._left, self._way[0] = self._way[0], 0.0
                return f" {self._left:.3f}\n"
            if "how far did the right" in question:
                way, self._way[1] = self._way[1], 0.0
                return f"{way:.3f}".replace(".", ",")
            if "clear" in question:
                self._way = [0.0, 0.0]
        return "Yes"


@pytest.mark.slow
def test_the_factors_of_an_emulated_robot_are_found_and_put_right():
    robot = Robot()
    link = SerialLink(robot)
    found = calibrate_wheels(link, robot.ask, distance_m=0.3, speed_mps=0.3, runs=2)
    # Truth: .93 and 1.04; a tape read to 2 mm is .7 % of .3 m.
    assert found.left == pytest.approx(0.93, abs=0.03) and found.right == pytest.approx(1.04, abs=0.03)
    assert 0.004 < found.error < 0.03 and "0.9" in str(found)
    robot.ask("clear")
    way = drive_straight(CalibratedLink(link, found.left, found.right), 0.3, 0.3)
    assert float(robot.ask("how far did the left")) == pytest.approx(way, rel=0.04)
    assert robot.wheels() == (0.0, 0.0)


@pytest.mark.parametrize(
    ("answers", "words", "moved"),
    [
        ({"off the ground": "no"}, "answered with yes before a wheel turns, got 'no'", False),
        ({"power?": ""}, "answered with yes", False),
        ({"power?": "y"}, "answered with yes", False),
        ({"turn forward": "the left one did not"}, "swap the wires", True),
        ({"first mark": "NO"}, "answered with yes", True),
        ({"pets": "maybe"}, "answered with yes", True),
        ({"right wheel come": "nan"}, "a number of meters near", True),
    ],
)
def test_without_a_yes_to_each_caution_nothing_moves(answers, words, moved):
    robot = Robot(answers=answers)
    with pytest.raises(MotionError, match=words):
        calibrate_wheels(SerialLink(robot), robot.ask, distance_m=0.2, speed_mps=0.4)
    assert robot.wheels() == (0.0, 0.0)
    assert (robot._last is not None) == moved


def test_a_link_that_fails_stops_it():
    class Broken(SimulatedLink):
        def send(self, left_mps, right_mps):
            if len(self.sent) > 5:
                raise OSError("cable")
            super().send(left_mps, right_mps)

    link = Broken()
    with pytest.raises(MotionError, match="cable"):
        drive_straight(link, 1.0, 0.2)
    assert link.wheels() == (0.0, 0.0) and link.sent[-1][1:] == (0.0, 0.0)


@pytest.mark.parametrize("factors", [(0.0, 1.0), (1.0, float("nan")), (9.0, 1.0)])
def test_factors_that_can_be_none_are_refused(factors):
    with pytest.raises(MotionError):
        CalibratedLink(SimulatedLink(), *factors)


def test_one_link_under_two_names_has_one_owner():
    from robotlab.control import DifferentialDrive, RampThread

    link = SerialLink(Board())
    with RampThread(CalibratedLink(link, 1.0, 1.0), DifferentialDrive(), max_accel_mps2=1.0):
        with pytest.raises(MotionError, match="one owner"):
            drive_straight(link, 0.1, 0.1)


# --- commands ----------------------------------------------------------------------------


def test_the_wheels_command_moves_nothing_without_a_person(monkeypatch, capsys):
    board = Board()
    monkeypatch.setattr("robotlab.robot.open_wheels", lambda where: SerialLink(board))
    monkeypatch.setattr("builtins.input", lambda question: (_ for _ in ()).throw(EOFError()))
    assert main(["measure", "wheels", "--wheels", "serial:x"]) == 2
    said = capsys.readouterr()
    assert "a person must answer" in said.err and "power" in said.out
    assert board._last is None


def test_the_field_of_view_command_reads_a_picture(tmp_path, capsys):
    from test_robot_measure import photograph

    path = save(tmp_path / "sheet.png", photograph(62.2, 0.5))
    assert main(["measure", "field-of-view", "--picture", str(path), "--distance", "0.5"]) == 0
    assert "horizontal field of view 62." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("field-of-view --picture x.png", "must be told --distance"),
        ("field-of-view --distance 0.5", "must be told --camera"),
        ("field-of-view --distance 0.5 --picture x --sheet 3", "--sheet must be width x height"),
        ("field-of-view --distance 0.5 --picture x --sheet 1.2.3x4", "--sheet must be width x height"),
        ("delay", "must be told --camera"),
        ("delay --camera 0", "must have a terminal"),
        ("delay --camera 0 --light lamp", "screen or pin:N"),
        ("wheels", "must be told --wheels"),
        ("wheels --wheels usb", "wheels must be serial:PORT"),
    ],
)
def test_what_the_command_is_not_told_is_said(words, said, capsys):
    assert main(["measure", *words.split()]) == 2
    assert said in capsys.readouterr().err


@pytest.mark.slow
def test_the_delay_command_films_a_led(monkeypatch, capsys):
    from test_robot_measure import FilmedLight

    filmed = FilmedLight(0.05)

    class Camera:
        __enter__ = lambda self: filmed.take  # noqa: E731
        __exit__ = lambda self, *_: None  # noqa: E731

    filmed.take.__func__.report = lambda: "the report"
    monkeypatch.setattr("robotlab.robot.VideoCamera", lambda source: Camera())
    monkeypatch.setattr("robotlab.robot.measure_delay", functools.partial(measure_delay, pause_s=0.15))
    monkeypatch.setattr("robotlab.robot.pins.pin_light", lambda pin: (filmed.light, lambda: None))
    assert main(["measure", "delay", "--camera", "0", "--light", "pin:17", "--changes", "8"]) == 0
    assert "delay_s=0.0" in capsys.readouterr().out
