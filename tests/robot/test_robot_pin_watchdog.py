"""Whoever holds the pins is suspended or killed: its watchdog puts them low, and nothing turns again by itself."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

import pytest

from robotlab.control.line_protocol import LinkError
from robotlab.robot import PinLink
from robotlab.robot.pin_holder import run_watchdog

pytest.importorskip("gpiozero", reason="gpiozero is an extra: pip install 'robotlab[robot]'")
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="plain pins are Linux")

# A pin whose level is written to a file, as a pin's level outlives the program that set it.
LOGGED = """
import os
from gpiozero.pins.mock import MockPWMPin

class LoggedPin(MockPWMPin):
    def close(self):  # what becomes of a pin that is let go of is the kernel's affair
        pass
    def _set_function(self, value):
        super()._set_function(value)
        self.note()
    def _change_state(self, value):
        super()._change_state(value)
        self.note()
    def note(self):
        with open(os.path.join(os.environ["PIN_LEVELS"], str(self.info.name)), "w") as file:
            file.write(str(float(self._state)))
"""


@pytest.fixture
def levels(tmp_path, monkeypatch):
    """Pins as files; gives a function that reads them."""
    about = tmp_path / "code" / "logged_pins-1.dist-info"
    about.mkdir(parents=True)
    (tmp_path / "code" / "logged_pins.py").write_text(LOGGED)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: logged-pins\nVersion: 1\n")
    (about / "entry_points.txt").write_text("[gpiozero_mock_pin_classes]\nloggedpin = logged_pins:LoggedPin\n")
    (tmp_path / "levels").mkdir()
    path = os.pathsep.join(filter(None, [str(tmp_path / "code"), os.environ.get("PYTHONPATH")]))
    for name, value in (
        ("PYTHONPATH", path),
        ("PIN_LEVELS", str(tmp_path / "levels")),
        ("GPIOZERO_PIN_FACTORY", "mock"),
        ("GPIOZERO_MOCK_PIN_CLASS", "loggedpin"),
    ):
        monkeypatch.setenv(name, value)
    return lambda: {path.name: float(path.read_text() or "nan") for path in (tmp_path / "levels").iterdir()}


def until(true, wait_s=20.0):
    end = time.monotonic() + wait_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.01)


def turning(levels):
    """A link whose left wheel turns, its watchdog and the one who holds the pins."""
    link = PinLink((5, 6), (13, 19), 0.5, reply_s=5.0)
    watchdog = link.stream.process.pid
    holder = int(Path(f"/proc/{watchdog}/task/{watchdog}/children").read_text())
    link.send(0.0, 0.0)
    link.send(0.5, 0.0)
    until(lambda: max(levels().values()) > 0)
    return link, watchdog, holder


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "words"), [("SIGSTOP", "hung, and was killed"), ("SIGKILL", "has died")])
def test_pins_go_low_when_their_holder_is_suspended_or_killed(kind, words, levels, capfd):
    link, watchdog, holder = turning(levels)
    os.kill(holder, getattr(signal, kind))
    until(lambda: len(levels()) == 4 and not any(levels().values()))
    assert not Path(f"/proc/{holder}/mem").exists() or kind == "SIGSTOP"
    # It is over: what is told now moves nothing, and is an error at once.
    for _ in range(2):
        with pytest.raises(LinkError):
            link.send(0.5, 0.5)
    assert not any(levels().values())
    link.close()
    assert f"robotlab: the program that held the pins {words}; all pins were put low" in capfd.readouterr().err


@pytest.mark.slow
def test_the_watchdog_dies_and_the_wheels_ramp_to_a_halt(levels):
    link, watchdog, holder = turning(levels)
    os.kill(watchdog, signal.SIGKILL)
    until(lambda: not any(levels().values()))
    until(lambda: not Path(f"/proc/{holder}").exists() or "\nState:\tZ" in Path(f"/proc/{holder}/status").read_text())
    with pytest.raises(LinkError):
        link.send(0.5, 0.5)
    link.close()
    assert not any(levels().values())


@pytest.mark.slow
def test_a_short_sleep_of_the_holder_is_no_end(levels):
    """Shorter than the watchdog's patience, longer than the board's time-out: it ramps down by itself, and asks for 0 first."""
    link, _, holder = turning(levels)
    os.kill(holder, signal.SIGSTOP)
    time.sleep(0.3)
    os.kill(holder, signal.SIGCONT)
    until(lambda: not any(levels().values()))
    with pytest.raises(LinkError, match="halted|ended"):
        link.send(0.5, 0.5)
    link.close()


def test_pins_that_cannot_be_taken_are_said_aloud():
    def take():
        raise LinkError("busy")

    signs, ours = os.pipe()
    os.close(ours)
    holder = os.posix_spawn(sys.executable, ["python", "-c", "import os; os._exit(1)"], os.environ)
    source, theirs = os.pipe()
    os.close(theirs)
    said = run_watchdog(holder, signs, take, source, os.dup(1))
    assert "THE PINS MAY STILL BE HIGH, cut the motors' power now (busy)" in said
