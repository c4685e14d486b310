"""``robotlab drive`` with a robot, a rehearsed one: preflight, questions, dry run, log and replay; and the control in drive()."""

import argparse
import json
import os
import pty
import random
import select
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import robotlab.cli.drive
import robotlab.cli.robot_options
from robotlab.camera import Camera
from robotlab.cli import main
from robotlab.color import Band, ColorDetector
from robotlab.control import SerialLink, SimulatedLink
from robotlab.control.board import Board
from robotlab.control.line_protocol import LinkError
from robotlab.detections import Detections, as_detector
from robotlab.errors import InputError, MotionError
from robotlab.greenhouse import WALKS
from robotlab.loop import Run, Settings, drive, read_log
from robotlab.robot.preflight import ask_before, check_signs, look
from robotlab.robot.recording import PictureRecorder, load_run, pictures_folder
from robotlab.robot.rehearsal import EmulatedBoard, RenderedCamera

ROOT = Path(__file__).parents[2]
CAMERA = Camera(64, 48, 1.0, height_m=0.25)
SETTINGS = Settings(frame_hz=50, delay_s=0.0, watchdog_s=2.0, hold_s=0.2, max_mps=0.3, max_accel_mps2=2.0)
POST = Detections([[31, 20, 33, 30]], [0.9], [0], ["post"])
POST_DETECTOR = SimpleNamespace(detect=lambda picture: POST, classes=("post",))


def live():
    time.sleep(0.02)
    return np.random.default_rng().integers(0, 255, (48, 64, 3), np.uint8)


class Hand:
    """A control that is held by a thread of the test."""

    timeout_s, ended = 0.4, ""

    def __init__(self, *acts):
        self.acts, self.held = acts, False

    def begin(self, tell):
        threading.Thread(target=self.play, args=(tell,), daemon=True).start()

    def play(self, tell):
        for act, seconds in self.acts:
            if act == "press":
                tell(lambda stop, t, _: stop.control.press(t, t))
            elif act == "fail":
                tell(lambda stop, *_: stop.fail("on purpose"))
            elif act == "go":
                tell(lambda stop, *_: stop.control.let_go())
            elif act == "stop":
                self.ended = "somebody pressed stop"
                tell(lambda stop, *_: stop.stop())
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                if act in ("press", "hold", "fail"):
                    tell(lambda stop, t, _: stop.control.hold(t, t))
                time.sleep(0.02)


def sent_in(hand, seconds, **more):
    link = SimulatedLink()
    begun = time.monotonic()
    report = drive(lambda picture: POST, live, CAMERA, SETTINGS, link, seconds, hold=hand, **more)
    return report, [(t - begun, left) for t, left, _ in link.sent]


def test_nothing_moves_unless_it_is_pressed_and_held():
    report, sent = sent_in(Hand(("hold", 0.6)), 0.8)
    assert report.state == "wait" and sent and not any(v for _, v in sent)


def test_it_stands_after_letting_go_until_it_is_pressed_again(tmp_path):
    log = tmp_path / "run.jsonl"
    report, sent = sent_in(Hand(("press", 0.5), ("go", 0.1), ("hold", 0.5), ("press", 0.5)), 1.7, log=log)
    moving = [t for t, v in sent if v > 0]
    gaps = np.diff(moving)
    # One pause, of at least the time in which it was said to be held but never pressed.
    assert report.state in ("follow", "hold") and (gaps > 0.3).sum() == 1
    told = [record["what"] for record in read_log(log).records if record["kind"] == "event"]
    assert told == ["held", "let go", "held"]
    run = Run.load(log)
    assert (run.commands_mps[(run.t_s > 0.75) & (run.t_s < 0.95)] == 0).all()


def test_a_fault_ends_it_for_good():
    report, sent = sent_in(Hand(("press", 0.4), ("fail", 0.0), ("press", 0.6)), 1.2)
    assert report.state == "fault" and report.reason.startswith("on purpose") and sent[-1][1] == 0.0
    assert sent[-1][0] < 1.0


def test_stop_on_the_page_ends_it_with_a_reason():
    report, sent = sent_in(Hand(("press", 0.4), ("stop", 0.3)), 2.0)
    assert (report.state, report.reason) == ("stop", "somebody pressed stop") and sent[-1][0] < 1.5


def test_a_control_whose_silence_is_noticed_too_late_is_refused():
    hand = Hand()
    hand.timeout_s = 5.0
    with pytest.raises(MotionError, match="silence of a control to be held must be at most"):
        sent_in(hand, 0.2)


class TestPreflight:
    def lines(self, detector=lambda picture: POST, take=live, settings=SETTINGS, link=None, battery=(7.4, 6.6)):
        return {check.name: check for check in look(as_detector(detector), take, CAMERA, settings, link, *battery)}

    def test_all_in_order(self):
        lines = self.lines(link=SimulatedLink())
        assert all(check.ok for check in lines.values()), [str(check) for check in lines.values()]
        assert list(lines) == ["environment", "camera", "rate against gain", "limits", "target", "battery", "link"]

    def test_nothing_turns(self):
        link = SimulatedLink()
        self.lines(link=link)
        assert not any(any(row[1:]) for row in link.sent)

    def test_each_trouble_is_a_line_that_says_what_to_do(self):
        class Dead(SimulatedLink):
            def stop(self):
                raise LinkError("the board must confirm within 0.1 s, it did not; check cable, power and speed")

        def slow():
            time.sleep(0.3)
            return live()

        frozen = live()
        cases = {
            "camera": [
                {"take": lambda: np.zeros((48, 64, 3), np.uint8)},
                {"take": lambda: frozen},
                {"take": lambda: live()[:40]},
                {"take": lambda: 1 / 0},
            ],
            "rate against gain": [{"take": slow, "settings": SETTINGS.but(turn_gain=9.0)}],
            "limits": [{"settings": SETTINGS.but(hold_s=30.0)}],
            "target": [
                {"detector": lambda picture: Detections.none(["post"])},
                {"detector": lambda picture: (time.sleep(0.1), POST)[1]},
            ],
            "battery": [
                {"battery": (None, None)},
                {"battery": (6.5, 6.6)},
                {"battery": (float("nan"), 6.0)},
                {"battery": (7.4, 0.0)},
                {"battery": (7.4, None)},
            ],
            "link": [{"link": Dead()}],
        }
        for name, changes in cases.items():
            for change in changes:
                check = self.lines(**change)[name]
                assert not check.ok and check.text and str(check).startswith("STOP"), (name, change)

    @pytest.mark.parametrize("answers", [["", "up"], ["y", "up"], ["hand", ""], ["hand", "yes"]])
    def test_only_the_word_itself_is_an_answer(self, answers):
        words = iter(answers)
        assert not [*ask_before(lambda question: next(words))][-1].ok

    def test_the_signs_are_read_off_the_wheels(self):
        """A person who looks: right for a right robot, wrong for one that is wired the wrong way; blind guesses fail."""
        for wired, ok in ((1, True), (-1, False)):
            link = SimulatedLink()

            def look_at(question, link=link, wired=wired):
                left, right = (max((row[k] for row in link.sent), key=abs) for k in (1, 2))
                link.sent.clear()
                left, right = (left, right) if wired == 1 else (right, left)
                return "both" if left > 0 and right > 0 else "left" if left > 0 else "right" if right > 0 else "none"

            check = check_signs(link, Settings(), look_at, random.Random(0))
            assert check.ok == ok and ("steering_sign=-1" in check.text) == (not ok)


def test_the_rendered_camera_goes_where_the_wheels_go():
    told = [0.3, 0.3]
    take = RenderedCamera(WALKS["straight"], "daylight", CAMERA, lambda: tuple(told), frame_hz=20)
    take.lifted = True
    [take() for _ in range(4)]
    assert take.pose == (0.0, 0.0, 0.0)
    take.lifted = False
    begun = time.monotonic()
    [take() for _ in range(10)]
    assert 0.4 * 0.3 * (time.monotonic() - begun) < take.pose[0] <= 0.3 * (time.monotonic() - begun) + 0.05
    told[:] = [-0.2, 0.2]
    [take() for _ in range(5)]
    assert take.pose[2] > 0.1  # to the left


def test_the_emulated_board_halts_by_itself():
    with EmulatedBoard() as board:
        link = SerialLink.open(board.port)
        link.send(0.0, 0.0)
        link.send(0.3, 0.3)
        assert board.wheels() == (0.3, 0.3)
        time.sleep(0.9)
        assert board.wheels() == (0.0, 0.0)
        link.close()


class TestRecording:
    def test_pictures_come_back_with_the_run(self, tmp_path):
        log = tmp_path / "drive.jsonl"
        with PictureRecorder(pictures_folder(log)) as recorder:
            report = drive(
                lambda picture: POST, live, CAMERA, SETTINGS, SimulatedLink(), 0.4, log=log, show=recorder.show
            )
        run = load_run(log)
        assert report.pictures - recorder.left_out == len(run.pictures) > 3 and not recorder.error
        with pytest.raises(InputError, match="must be new"):
            PictureRecorder(pictures_folder(log))

    def test_a_full_disk_ends_the_recording_and_not_the_drive(self, tmp_path, monkeypatch):
        import robotlab.robot.recording as recording

        def full(*_):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(recording, "write_whole", full)
        with PictureRecorder(tmp_path / "p") as recorder:
            report = drive(lambda picture: POST, live, CAMERA, SETTINGS, SimulatedLink(), 0.3, show=recorder.show)
        assert report.state != "fault" and "No space left" in recorder.error


def banded(options):
    """The color detector without the ten seconds of fitting its bands."""
    return ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))}), 0.3


@pytest.fixture(autouse=True)
def no_fitting(monkeypatch):
    monkeypatch.setattr(robotlab.cli.drive, "driving_detector", banded)


REHEARSE = [
    "drive",
    "--camera",
    "rendered",
    "--wheels",
    "emulated",
    "--with",
    "color",
    "--quiet",
    "--time",
    "3",
    "--size",
    "160x120",
]


@pytest.mark.slow
def test_a_rehearsal_ends_with_log_and_replay(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", None)
    assert main([*REHEARSE, "--record-pictures"]) == 0
    said = capsys.readouterr().out
    assert "power switch" in said and "not asked, for the wheels are emulated" in said and "STOP" not in said
    run = load_run("drive.jsonl")
    assert run.pictures and run.real and np.abs(run.commands_mps).max() > 0.02
    assert json.dumps("real") in Path("drive.html").read_text() or '"real":true' in Path("drive.html").read_text()
    assert main([*REHEARSE, "--dry-run"]) == 0
    assert "dry run, no wheel turned" in capsys.readouterr().out
    assert Path("drive-2.jsonl").is_file() and run.t_s.tolist() == load_run("drive.jsonl").t_s.tolist()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--wheels", "serial:/dev/null"], "--camera rendered goes with --wheels emulated"),
        (
            ["--camera", "0", "--wheels", "serial:/dev/null"],
            "who answers the preflight's questions, there is no terminal here",
        ),
        ([], "--camera needs --wheels, or --dry-run"),
        (["--camera", "0", "--wheels", "wings", "--dry-run"], "wheels must be serial:PORT"),
        (["--camera", "0", "--wheels", "serial:/nowhere", "--dry-run"], "port must name a serial port"),
        (["--dry-run", "--size", "big"], "--size must be WIDTHxHEIGHT"),
        (["--dry-run", "--target", "cat"], "--target must be one of"),
        (["--dry-run", "--setting", "gain=3"], "--setting must be NAME=NUMBER"),
        (["--dry-run", "--setting", "max_mps=3"], "max_mps must be at most --max-speed"),
        (["--dry-run", "--setting", "detector_px=3"], "--setting must be NAME=NUMBER"),
        (["--dry-run", "--log", "."], "a run log must go to a plain file, . is a folder"),
        (["--dry-run", "--log", ".."], "a run log must go to a plain file"),
        (["--dry-run", "--log", "/dev/full"], "a run log must go to a plain file"),
        # What a person would else be told only after the wheels have turned, or after minutes.
        (["--dry-run", "--page", "0.0.0.0:80"], "--page must be ADDRESS:PORT with one address"),
        (["--dry-run", "--time", "nan"], "--time must be from 0.1 to 86400"),
        (["--dry-run", "--delay", "120"], "--delay must be from 0 to 5, got 120.0; it is in seconds"),
        (["--dry-run", "--hfov", "1e-3"], "--hfov must be from 5 to 175"),
        (["--dry-run", "--lens-height", "250"], "--lens-height must be from 0.01 to 10, got 250.0; it is in meters"),
        (["--dry-run", "--rate", "1e-9"], "--rate must be from 0.5 to 1000"),
        (["--dry-run", "--max-speed", "1e308"], "--max-speed must be from 0.001 to 10"),
        (["--dry-run", "--size", "9999x9999"], "--size must be at most 4 million pixels"),
        (["--dry-run", "--wheel-factors", "0.9"], "--wheel-factors must be two numbers"),
        (["--dry-run", "--wheel-factors", "0,1"], "--wheel-factors must be two numbers"),
    ],
)
def test_what_cannot_be_driven_is_one_line(more, words, monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", None)
    assert main(["drive", "--camera", "rendered", "--quiet", *more]) == 2
    said = capsys.readouterr().err
    assert words in said and said.count("\n") == 1 and not list(tmp_path.iterdir())


class Mute(SimulatedLink):
    """A board that stops answering once it moves."""

    def stop(self):
        if self.sent and any(any(row[1:]) for row in self.sent):
            raise LinkError("the board must confirm within 0.1 s, it did not; check cable, power and speed")
        super().stop()


@pytest.mark.parametrize(("end", "code"), [(KeyboardInterrupt, 130), (SystemExit, None), (OSError, 2)])
def test_whoever_breaks_it_off_is_told_that_the_halt_was_not_confirmed(end, code, tmp_path, monkeypatch, capsys):
    """Ctrl-C, SIGTERM or a full disk while the board does not answer: the one who must cut the power has to know it."""
    link, begun = Mute(), []

    def show(self, seen):
        begun.append(time.monotonic())
        if begun[-1] - begun[0] > 0.3 and any(any(row[1:]) for row in link.sent):
            raise end(28, "No space left on device") if end is OSError else end(143)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", None)
    monkeypatch.setattr(robotlab.cli.robot_options, "wheels_of", lambda *_: (link, link))
    monkeypatch.setattr(PictureRecorder, "show", show)
    words = [*REHEARSE, "--record-pictures", "--delay", "0"]
    if code is None:
        with pytest.raises(SystemExit):
            main(words)
    else:
        assert main(words) == code
    said = capsys.readouterr()
    assert "HALT must be confirmed, it was not" in said.err and "run log: drive.jsonl" in said.out


def test_wheel_factors_come_into_the_commands_and_into_the_limit(monkeypatch):
    board = Board()
    monkeypatch.setattr("robotlab.robot.open_wheels", lambda where, most: SerialLink(board, max_mps=most))
    options = argparse.Namespace(
        wheel_factors="0.8,1.25",
        full_power=0.5,
        max_speed=0.3,
        rate=10.0,
        delay=0.1,
        setting=[],
        target=None,
        wheels="x",
    )
    settings = robotlab.cli.robot_options.settings_of(options, POST_DETECTOR, 0.5)
    assert settings.motor.max_mps == pytest.approx(0.4)
    with ExitStack() as stack:
        link, _ = robotlab.cli.robot_options.wheels_of(options, settings, stack)
        link.send(0.0, 0.0)
        link.send(0.4, 0.4)
        assert board.wheels() == (0.5, 0.32)


@pytest.mark.parametrize("option", ["--page", "--dry-run", "--record-pictures"])
def test_options_of_a_robot_without_a_camera_are_refused(option, capsys):
    assert main(["drive", option]) == 2
    assert f"{option} go with --camera" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.parametrize(("last", "code"), [("clear", 0), ("", 1)])
def test_a_person_at_a_terminal_goes_through_all_rounds(last, code, tmp_path):
    """The words are typed into a real terminal; which way the wheels turn is read off the log of the board's own port."""
    near, far = pty.openpty()
    program = subprocess.Popen(
        [sys.executable, "-c", WATCHED, *REHEARSE],
        stdin=far,
        stdout=far,
        stderr=subprocess.STDOUT,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(Path(__file__).parent)])},
    )
    os.close(far)
    said, seen, end = "", 0, time.monotonic() + 90
    answers = [
        ("Type 'hand'", "hand"),
        ("Type 'up'", "up"),
        ("Which wheel", None),
        ("And now", "both"),
        ("Type 'clear'", last),
    ]
    while time.monotonic() < end:
        if select.select([near], [], [], 0.2)[0]:
            try:
                said += os.read(near, 4096).decode()
            except OSError:
                break
        if seen < len(answers) and answers[seen][0] in said:
            word = answers[seen][1]
            if word is None:  # the test looks at the wheels
                word = "right" if "TURNED left" in said else "left"
            os.write(near, word.encode() + b"\n")
            seen += 1
    os.close(near)
    assert program.wait(10) == code, said
    # What the command says of the emulated wheels is what they were sent.
    assert ("the left wheel turned backward" in said) == ("TURNED left" in said)
    assert "the left wheel turned forward, the right one forward. And now" in said
    assert seen == len(answers) and (("ended: the time was over" in said) == (code == 0)), said


# The command, with a look at the emulated wheels: it says which way they have turned on the spot.
WATCHED = """
import sys
from robotlab.control import SerialLink
send = SerialLink.send
def watched(self, left, right):
    if left * right < 0 and abs(left) > 0.05:
        print("TURNED", "left" if right > 0 else "right")
    return send(self, left, right)
SerialLink.send = watched
import robotlab.cli.drive
from test_robot_drive import banded
robotlab.cli.drive.driving_detector = banded
from robotlab.cli import main
sys.exit(main(sys.argv[1:]))
"""
