"""The state machine of the stop: facts by hand, all orders of events, and what came of attacks on it."""

import math

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from walk_supervisor import DELAY, HELD, JERK, PERIOD, SILENCE, TIMEOUT, TOP, TOP_YAW, Checked, walk

from robotlab.control import Supervisor
from robotlab.control.supervisor import HALT, StopState
from robotlab.errors import MotionError


@pytest.mark.parametrize("hold", [None, HELD])
@pytest.mark.parametrize("jerk", [None, JERK])
def test_a_long_walk_breaks_no_invariant(jerk, hold):
    # python tests/control/walk_supervisor.py makes a million steps.
    walk(10_000, seed=1, jerk=jerk, hold=hold)


class Stop(RuleBasedStateMachine):
    """Any order of events that hypothesis can think of."""

    hold = None

    def __init__(self):
        super().__init__()
        self.it = Checked(hold=self.hold)

    @rule(seconds=st.sampled_from([PERIOD, PERIOD, 0.1, TIMEOUT - 0.01, TIMEOUT + 0.01, SILENCE, 2.0]))
    def time_goes_by(self, seconds):
        self.it.wait(seconds)

    @rule(late=st.sampled_from([0.0, 0.0, 0.0, 0.2, SILENCE, 1.5, -0.1]))
    def picture(self, late):
        self.it.picture(self.it.now - DELAY - late)

    @rule(stamp=st.floats())
    def picture_of_any_time(self, stamp):
        self.it.picture(stamp)

    @rule(act=st.sampled_from(["press", "hold"]), late=st.sampled_from([0.0, 0.0, 0.1, HELD, HELD + 0.01, -0.1]))
    def control(self, act, late):
        self.it.control(act, self.it.t - late)

    @rule()
    def let_go(self):
        self.it.let_go()

    @rule()
    def result(self):
        self.it.result()

    @rule(v=st.sampled_from([TOP, 0.0]), yaw=st.sampled_from([0.0, TOP_YAW]))
    def command(self, v, yaw):
        self.it.command(v, yaw)

    @rule(jump=st.sampled_from([5.0, -5.0, 0.2, -0.05]))
    def clock_jumps(self, jump):
        self.it.shift += jump

    @rule(count=st.integers(1, 40))
    def healthy(self, count):
        for _ in range(count):
            self.it.control("hold", self.it.t)
            self.it.picture(self.it.now - DELAY)
            self.it.result()
            self.it.command(TOP, 0.5)
            self.it.step()
            self.it.wait(PERIOD)

    @rule(heard=st.booleans(), confirmed=st.booleans(), steps=st.integers(1, 9))
    def step(self, heard, confirmed, steps):
        self.it.step(heard, confirmed, steps)
        self.it.wait(PERIOD)

    @rule()
    def fault(self):
        self.it.stop.fail("on purpose")
        self.it.over = True

    @rule()
    def orderly_stop(self):
        self.it.stop.stop()

    @rule()
    def restart(self):
        if self.it.stop.state is not StopState.HALTED:
            with pytest.raises(MotionError, match="must follow a confirmed HALT"):
                self.it.stop.restart(self.it.t)
            return
        self.it.shift = 0.0
        self.it.wait(1.0)
        self.it.stop.restart(self.it.t, self.it.now)
        self.it.begin()

    @invariant()
    def way(self):
        self.it.check_way()


class HeldStop(Stop):
    """The same, with a control that must be held."""

    hold = HELD


TestAnyOrder, TestAnyOrderHeld = Stop.TestCase, HeldStop.TestCase
TestAnyOrder.settings = TestAnyOrderHeld.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)


def driving(seconds=2.0, **options):
    it = Supervisor(0.0, max_accel_mps2=0.8, limits_s={"link": 0.6}, **options)
    k = 0
    while k * PERIOD < seconds:
        it.command(k * PERIOD, 0.6, 0.0)
        assert it.step(k * PERIOD) is not HALT
        it.confirmed(k * PERIOD)
        k += 1
    return it, k * PERIOD


def test_speeds_up_under_the_ramp_and_stands_after_the_same_time():
    it, t = driving()
    assert it.speeds == (pytest.approx(0.6), 0.0)
    it.stop()
    sent = []
    while (order := it.step(t)) is not HALT:
        sent.append(order[0])
        it.confirmed(t)
        t += PERIOD
    # .6 / .8 s of 50 steps a second, and one at 0.
    assert len(sent) in (38, 39) and sent[-1] == 0.0 and it.state is StopState.HALTING
    it.halt_confirmed()
    assert it.state is StopState.HALTED and it.step(t) is HALT


@pytest.mark.parametrize("silence", [0.26, 0.5])
def test_after_a_silence_it_begins_at_zero(silence):
    it, t = driving()
    it.command(t + silence, 0.6, 0.0)
    assert it.step(t + silence) == (0.0, 0.0)
    it.confirmed(t + silence)
    it.command(t + silence, 0.6, 0.0)
    assert it.step(t + silence + PERIOD) == (pytest.approx(0.8 * PERIOD), 0.0)


def test_an_unconfirmed_command_is_no_step_up():
    it, t = driving(0.2)
    before = it.speeds[0]
    for k in range(8):
        it.command(t + k * PERIOD, 0.6, 0.0)
        assert it.step(t + k * PERIOD)[0] == pytest.approx(before + 0.8 * PERIOD)


def test_jerk_is_limited_after_a_silence_too():
    it, t = driving(1.0, max_jerk_mps3=4.0)
    assert it.step(t + 0.5) == (0.0, 0.0)
    it.confirmed(t + 0.5)
    it.command(t + 0.5, 0.6, 0.0)
    assert it.step(t + 0.52)[0] == pytest.approx(4.0 * PERIOD**2)


@pytest.mark.parametrize("stamp", [math.nan, math.inf, -math.inf, 10.1, 9.0])
def test_a_picture_without_a_time_of_now_counts_as_none(stamp):
    it = Supervisor(10.0, max_accel_mps2=1.0, max_age_s=0.6)
    assert it.picture(10.0, stamp) is None
    assert it.picture(10.0, 9.9) == pytest.approx(9.9)
    assert it.picture(10.0, 9.9) is None and it.picture(10.0, 9.8) is None


def test_a_late_picture_has_used_up_some_of_the_silence():
    it = Supervisor(0.0, max_accel_mps2=1.0, limits_s={"camera": 0.6}, delay_s=0.1, max_age_s=0.6)
    assert it.picture(0.5, 0.0) is not None  # .4 s late
    it.step(0.4)
    assert it.step(0.69) is not HALT
    assert it.step(0.71) is HALT and it.reason.startswith("camera must answer every 0.6 s")


def test_a_restart_is_an_act_of_its_own():
    it, t = driving()
    it.fail("the plug came off")
    it.fail("and another thing")
    for k in range(5):
        it.command(t + k, 0.6, 0.0)
        it.confirmed(t + k)
        assert it.picture(t + k, t + k) is None and it.step(t + k) is HALT
    with pytest.raises(MotionError, match="a restart must follow a confirmed HALT, the state is halting"):
        it.restart(t)
    it.halt_confirmed()
    assert it.reason == "the plug came off"
    it.restart(t + 9)
    it.command(t + 9, 0.6, 0.0)
    assert it.step(t + 9) == (0.0, 0.0) and it.reason == ""


def test_only_a_fresh_press_starts_and_only_fresh_news_keeps_it_going():
    it = Supervisor(0.0, max_accel_mps2=0.8, hold_to_run_s=0.3)
    t, sent = 0.0, {}

    def to(end, holding):
        nonlocal t
        while t < end - 1e-9:
            it.command(t, 0.6, 0.0)
            if holding:
                it.control.hold(t, t - 0.02)
            sent[round(t, 2)] = it.step(t)[0]
            it.confirmed(t)
            t += PERIOD

    to(0.5, holding=True)  # held, but never pressed
    assert set(sent.values()) == {0.0}
    assert not it.control.press(t, t - 0.31) and it.control.press(t, t - 0.02)
    to(1.0, holding=True)
    assert sent[0.98] == pytest.approx(0.8 * 0.48, abs=0.017)
    to(1.5, holding=False)
    # The last sign was true at 0.96 s, and is good until 1.26 s; then down, 0.8 m/s a second.
    assert (
        sent[1.24] == pytest.approx(0.6) and sent[1.28] < 0.59 and sent[1.4] == pytest.approx(sent[1.28] - 0.8 * 0.12)
    )
    to(3.0, holding=True)  # a queue of signs after a silence is not a press
    assert sent[2.98] == 0.0 and it.state is StopState.READY
    assert it.control.press(t, t) and not it.control.press(t, t)  # the same once more is a replay
    to(3.2, holding=True)
    assert sent[3.18] > 0


def test_a_fault_is_not_undone_by_pressing():
    it = Supervisor(0.0, max_accel_mps2=0.8, hold_to_run_s=0.3)
    it.control.press(0.0, 0.0)
    it.fail("the plug came off")
    for k in range(1, 9):
        it.control.let_go(), it.control.press(k * PERIOD, k * PERIOD)
        assert it.step(k * PERIOD) is HALT
    it.halt_confirmed()
    it.restart(1.0)
    it.command(1.0, 0.6, 0.0)
    it.confirmed(1.0)
    assert it.step(1.0) == (0.0, 0.0) and not it.control.held(1.0)  # it is to be pressed anew
