"""Wheels on pins: gpiozero's mock pins, and a program that dies."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time

import pytest

from robotlab.control import MotorLink
from robotlab.control.line_protocol import LinkError, frame
from robotlab.errors import MotionError
from robotlab.robot import PinLink, open_wheels
from robotlab.robot.pin_holder import PinMotors, hold
from robotlab.robot.pins import pin_light

pytest.importorskip("gpiozero", reason="gpiozero is an extra: pip install 'robotlab[robot]'")
from gpiozero.pins.mock import MockFactory, MockPWMPin

LEFT, RIGHT = (5, 6), (13, 19)


@pytest.fixture
def factory():
    made = MockFactory(pin_class=MockPWMPin)
    yield made
    made.reset()


def levels(factory):
    return [round(factory.pin(pin).state, 3) for pin in (*LEFT, *RIGHT)]


def test_speeds_become_pulse_widths_on_the_right_pins(factory):
    motors = PinMotors(LEFT, RIGHT, 0.5, factory)
    assert levels(factory) == [0, 0, 0, 0]
    # A duty of speed / full speed, forward on the first pin: gpiozero's Motor, its documentation.
    for speeds, wanted in (
        ((0.5, 0.5), [1, 0, 1, 0]),
        ((0.25, -0.1), [0.5, 0, 0, 0.2]),
        ((-0.5, 0.0), [0, 1, 0, 0]),
        ((9.0, -9.0), [1, 0, 0, 1]),
    ):
        motors.set(*speeds)
        assert levels(factory) == wanted
    motors.close()
    assert levels(factory) == [0, 0, 0, 0]


def test_a_third_pin_enables(factory):
    motors = PinMotors((*LEFT, 12), (*RIGHT, 16), 0.5, factory)
    assert factory.pin(12).state == 1
    motors.close()


@pytest.mark.parametrize(
    ("left", "right", "words"),
    [
        ((5, 6), (6, 7), "used once"),
        ((5,), (6, 7), "left must be pins"),
        ((5, 6), (6, "7"), "right must"),
        ((5, 6), (-1, 7), "right must"),
    ],
)
def test_wrong_pins_are_refused(factory, left, right, words):
    with pytest.raises(MotionError, match=words):
        PinMotors(left, right, 0.5, factory)


class Held:
    """`hold` in a thread, its line in our hands."""

    def __init__(self, factory) -> None:
        source, self.ours = os.pipe()
        self.answers, sink = os.pipe()
        motors = PinMotors(LEFT, RIGHT, 0.5, factory)
        self.thread = threading.Thread(target=hold, args=(motors, source, sink, 0.5, 2.0), daemon=True)
        self.thread.start()

    def say(self, *words) -> bytes:
        os.write(self.ours, frame(*words))
        return os.read(self.answers, 200)


def until(true, wait_s=5.0):
    end = time.monotonic() + wait_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.002)


def test_silence_ramps_the_pins_low(factory):
    held = Held(factory)
    held.say("GO", 0, 0, 0)
    assert b"OK 1" in held.say("GO", 1, 500, -500)
    until(lambda: levels(factory) == [1, 0, 0, 1])
    seen = set()
    until(lambda: seen.add(levels(factory)[0]) or levels(factory) == [0, 0, 0, 0])
    assert len(seen) > 4  # along a ramp
    assert b"NO 2 halted" in held.say("GO", 2, 500, 500) and levels(factory) == [0, 0, 0, 0]
    os.close(held.ours)
    held.thread.join(5)
    assert not held.thread.is_alive()


@pytest.mark.parametrize("last", [b"", b"GO 2 500", b"\xff" * 5000])
def test_the_end_of_the_line_ramps_the_pins_low(factory, last):
    held = Held(factory)
    held.say("GO", 0, 0, 0)
    held.say("GO", 1, 500, 500)
    until(lambda: levels(factory) == [1, 0, 1, 0])
    os.write(held.ours, last)
    os.close(held.ours)
    held.thread.join(5)
    assert not held.thread.is_alive() and levels(factory) == [0, 0, 0, 0]


def test_nobody_reads_the_answers_any_more(factory):
    held = Held(factory)
    held.say("GO", 0, 0, 0)
    held.say("GO", 1, 500, 500)
    os.close(held.answers)
    os.write(held.ours, frame("GO", 2, 500, 500))
    held.thread.join(5)
    assert not held.thread.is_alive() and levels(factory) == [0, 0, 0, 0]


# --- the program that holds them -------------------------------------------------------


@pytest.fixture
def mock_pins(monkeypatch):
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    monkeypatch.setenv("GPIOZERO_MOCK_PIN_CLASS", "mockpwmpin")


@pytest.mark.slow
def test_a_link_over_pins(mock_pins):
    link = open_wheels("pins:5,6,13,19", 0.5)
    process = link.stream.process
    try:
        assert isinstance(link, PinLink) and isinstance(link, MotorLink)
        link.send(0.1, -0.2)
        with pytest.raises(MotionError, match="left_mps must be"):
            link.send(0.6, 0.0)
        link.stop()
        os.kill(process.pid, signal.SIGINT)
        link.send(0.0, 0.0)
    finally:
        link.close()
    assert process.returncode == 0
    with pytest.raises((LinkError, ValueError)):
        link.send(0.1, 0.1)


@pytest.mark.slow
@pytest.mark.parametrize("kind", [signal.SIGKILL, signal.SIGTERM])
def test_a_program_that_is_killed_leaves_nobody_at_the_pins(mock_pins, kind):
    code = (
        "import time\nfrom robotlab.robot import PinLink\nlink = PinLink((5, 6), (13, 19), 0.5, reply_s=2.0)\n"
        "link.send(0.4, 0.4)\nprint(link.stream.process.pid, flush=True)\ntime.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as driver:
        holder = int(driver.stdout.readline())
        driver.send_signal(kind)
        driver.wait(10)

    def gone():
        try:
            with open(f"/proc/{holder}/stat") as file:
                return file.read().rpartition(")")[2].split()[0] == "Z"
        except FileNotFoundError:
            return True

    until(gone, 20)


@pytest.mark.slow
@pytest.mark.parametrize("factory", ["native", ""])
def test_pins_that_are_not_to_be_had_are_said(factory, monkeypatch, capfd):
    """By gpiozero's own choice too, which tries one library after the other and warns of each."""
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", factory)
    if not factory:
        monkeypatch.delenv("GPIOZERO_PIN_FACTORY")
    with pytest.raises(MotionError, match=r"pins must be there and free"):
        PinLink((5, 6), (13, 19))
    assert capfd.readouterr() == ("", "")


def test_a_light_whose_pins_are_not_to_be_had_is_said(monkeypatch, recwarn):
    """gpiozero is there, its pins are not: its own error for that is an ImportError."""
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)
    with pytest.raises(MotionError, match="pins must be there and free, 17 is not"):
        pin_light(17)
    assert not list(recwarn)


@pytest.mark.parametrize("where", ["", "serial:", "pins:", "pins:1,2,3", "pins:1,2,3,x", "bus:1", "serial"])
def test_other_words_name_no_wheels(where):
    with pytest.raises(MotionError, match="wheels must be serial:PORT or pins"):
        open_wheels(where)


def test_a_serial_port_with_its_speed(monkeypatch):
    from robotlab.control.link import SerialLink

    opened = []
    monkeypatch.setattr(SerialLink, "open", classmethod(lambda cls, *port, max_mps: opened.append((*port, max_mps))))
    for where in ("serial:/dev/ttyUSB0", "serial:COM3@57600", "serial:/dev/a@b"):
        open_wheels(where, 0.3)
    assert opened == [("/dev/ttyUSB0", 0.3), ("COM3", 57600, 0.3), ("/dev/a@b", 0.3)]
