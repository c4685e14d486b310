"""A long random walk over the state machine of the stop: ``python tests/control/walk_supervisor.py 1000000``.

Events of camera, detector, link, clock and user come in any order; after each
step the invariants that :mod:`robotlab.control.supervisor` promises are
checked by code that knows nothing of how it keeps them: without a jerk limit
and with one, without a control that must be held and with one.
"""

import math
import random
import sys
import time
from itertools import product

from robotlab.control import Supervisor, stopping_distance_m
from robotlab.control.supervisor import HALT, StopState

PERIOD, ACCEL, YAW_ACCEL, SILENCE, DELAY, TIMEOUT, HOLD = 0.02, 0.8, 6.0, 0.45, 0.05, 0.25, 0.3
JERK = 2.0
# Longest silence of a control that is to be held.
HELD = 0.2
TOP, TOP_YAW = 0.6, 1.5
LIMITS = dict.fromkeys(("camera", "detector", "loop", "link"), SILENCE)
PARTS = ("camera", "detector", "link", "clock", "step", "loop", "control")


class Checked:
    """The machine with a board behind it, and what must always be true of both."""

    def __init__(self, t_s=0.0, jerk=None, hold=None):
        self.t, self.shift = t_s, 0.0
        self.hold_s, self.pressed_at = hold, -math.inf
        # Taking back the highest acceleration lasts so long with a jerk limit, and speeds up by so much meanwhile.
        self.jerk, back_s = jerk, 0.0 if jerk is None else ACCEL / jerk + PERIOD
        self.more = ACCEL * back_s / 2
        self.bound = stopping_distance_m(
            TOP + self.more, ACCEL, DELAY + SILENCE + 2 * PERIOD + TIMEOUT + back_s, max_jerk_mps3=jerk
        )
        self.let_go_bound = stopping_distance_m(
            TOP + self.more, ACCEL, HELD + 2 * PERIOD + TIMEOUT + back_s, max_jerk_mps3=jerk
        )
        self.stop = Supervisor(
            t_s,
            t_s,
            max_accel_mps2=ACCEL,
            max_yaw_accel_radps2=YAW_ACCEL,
            max_jerk_mps3=jerk,
            period_s=PERIOD,
            command_hold_s=HOLD,
            limits_s=LIMITS,
            delay_s=DELAY,
            max_age_s=SILENCE,
            board_timeout_s=TIMEOUT,
            hold_to_run_s=hold,
        )
        self.begin()

    def begin(self):
        self.good = self.stamp = None  # last picture that must count, by our own rule
        self.shown = self.answered = self.started = self.t
        self.confirmed, self.confirmed_at = (0.0, 0.0), -math.inf
        self.last, self.wanted_at = (0.0, 0.0), self.t
        self.held_mps = 0.0  # forward speed while the command was still held
        self.over = False  # only HALT from here
        self.pressed = False  # by our own rule
        self.way_let_go = 0.0
        self.way, self.heard, self.v = 0.0, -math.inf, 0.0

    @property
    def now(self):
        """The computer's clock."""
        return self.t + self.shift

    def wait(self, seconds):
        """Time goes by; the board drives on for its time-out, then brakes."""
        end = self.t + seconds
        while self.t < end - 1e-12:
            dt = min(0.01, end - self.t)
            if self.t - self.heard > TIMEOUT:
                self.v = max(0.0, self.v - ACCEL * dt)
            self.way += self.v * dt
            self.way_let_go += self.v * dt
            self.t += dt

    @property
    def may_run(self):
        """Whether the control is held, by our own rule; None needs none."""
        self.pressed = self.pressed and 0 <= self.t - self.pressed_at <= HELD
        return self.hold_s is None or self.pressed

    def control(self, act, since):
        """The control is pressed, or said to be held; `since` may be old, of the future, or no number."""
        must = self.hold_s is not None and since > self.pressed_at and 0 <= self.t - since <= HELD
        must = must and (self.may_run or act == "press")
        assert getattr(self.stop.control, act)(self.t, since) == must, (act, since, self.t)
        if must:
            self.pressed, self.pressed_at, self.way_let_go = True, since, 0.0

    def let_go(self):
        self.stop.control.let_go()
        self.pressed = False

    def picture(self, stamp):
        age = self.now - stamp
        alive = self.stop.state in (StopState.READY, StopState.BRAKING)
        must = alive and (self.stamp is None or stamp > self.stamp) and 0 <= age <= SILENCE
        taken = self.stop.picture(self.t, stamp, self.now)
        assert (taken is not None) == must, (stamp, self.now, self.stamp)
        if must:
            self.good, self.stamp, self.shown, self.way = taken, stamp, self.t - max(age - DELAY, 0.0), 0.0

    def result(self):
        self.stop.result(self.t)
        self.answered = self.t

    def command(self, v, yaw):
        self.stop.command(self.t, v, yaw)
        self.wanted_at = self.t

    def step(self, heard=True, confirmed=True, steps=1):
        alive = self.stop.state in (StopState.READY, StopState.BRAKING)
        order = self.stop.step(self.t, self.now, steps)
        if order is HALT:
            self.over = True
            if heard:
                self.halt()
            if heard and confirmed:
                self.stop.halt_confirmed()
            return order
        # 2. After a fault and after HALT, nothing but HALT.
        assert alive and not self.over
        # 1. Nothing while a part is silent.
        for seen in (self.shown, self.answered, self.wanted_at if self.stop.state is StopState.READY else self.t):
            assert self.t - max(seen, self.started) <= SILENCE + 1e-9
        if self.confirmed_at > -math.inf:
            assert self.t - self.confirmed_at <= SILENCE + 1e-9
        # 4. Zero after any silence longer than the board's time-out.
        if not 0 <= self.t - self.confirmed_at <= TIMEOUT:
            assert order == (0.0, 0.0), (self.t - self.confirmed_at, order)
        # 3. Up by no more than a step of the ramp above the last one confirmed, or above what was sent since and is slower.
        for value, before, room in zip(order, self.confirmed, (ACCEL * PERIOD, YAW_ACCEL * PERIOD), strict=True):
            assert abs(value) <= abs(before) + room + 1e-9, (order, self.confirmed)
        # A command that nobody renews makes nothing faster; a jerk limit has to take the acceleration back.
        # 5. Nor does one that a person does not hold.
        if self.t - self.wanted_at > HOLD or not self.may_run:
            top = abs(self.last[0]) if self.jerk is None else self.held_mps + self.more
            assert abs(order[0]) <= top + 1e-9, (order, self.last, top)
            assert abs(order[1]) <= abs(self.last[1]) + 1e-9, (order, self.last)
        else:
            self.held_mps = abs(order[0])
        if heard:
            self.heard, self.v = self.t, max(abs(order[0]), 0.0)
        if confirmed and heard:
            self.stop.confirmed(self.t)
            self.confirmed, self.confirmed_at = order, self.t
        self.last = order
        return order

    def halt(self):
        """The board brakes at once."""
        self.heard = -math.inf

    def check_way(self):
        """The way since the last good picture was taken."""
        assert self.way <= self.bound, (self.way, self.bound)
        if self.hold_s is not None:
            assert self.way_let_go <= self.let_go_bound, (self.way_let_go, self.let_go_bound)


def walk(steps: int, seed: int = 0, jerk: float | None = None, hold: float | None = None) -> dict[str, int]:
    """So many steps, with a jerk limit or without, with a control to be held or without; counts of what has been met."""
    rng, met = (
        random.Random(seed),
        {"faults": 0, "halts": 0, "restarts": 0, "moving": 0, "at top speed": 0, "silences": 0},
    )
    it, broken, left = Checked(jerk=jerk, hold=hold), set(), 0
    if hold:
        met |= {"presses": 0, "silent controls": 0}
    for _ in range(steps):
        # Now and then parts break, for a while.
        if left <= 0:
            broken = set(rng.sample(PARTS, rng.choice((0, 0, 0, 0, 1, 1, 2, 3))))
            left = rng.randint(1, 60)
        left -= 1
        chance = rng.random()
        if chance < 0.002:
            it.stop.fail("on purpose")
            it.over = True
        elif chance < 0.004:
            it.stop.stop()
        if "step" in broken and chance < 0.2:
            it.wait(rng.choice((0.06, 0.19, 0.21, 0.24, 0.26, 0.4, 0.46, 1.0, 5.0)))
        if "clock" in broken and chance < 0.1:
            it.shift += rng.choice((5.0, -5.0, 0.05, -0.05, math.nan if chance < 0.001 else 0.2))
        if rng.random() < 0.4:
            stamp = it.now - DELAY
            if "camera" in broken:
                stamp = rng.choice(
                    (stamp - 1.5, it.now + 1.0, math.nan, -math.inf, math.inf, it.stamp or 0.0, it.now - 0.3, it.now)
                )
            if "camera" not in broken or rng.random() < 0.3:
                it.picture(stamp)
        if "detector" not in broken and rng.random() < 0.4:
            it.result()
        if "loop" not in broken and rng.random() < 0.5:
            it.command(rng.choice((TOP, TOP, TOP, 0.0, 0.2)), rng.choice((0.0, TOP_YAW, -TOP_YAW)))
        if hold:
            met["silent controls"] += it.pressed and not it.may_run
            if not it.pressed and rng.random() < 0.1:
                it.control("press", it.t - rng.choice((0.0, 0.01, 0.1, 0.3, -0.1, math.nan, math.inf)))
                met["presses"] += it.pressed
            elif "control" not in broken or rng.random() < 0.02:
                it.control("hold", it.t - (rng.choice((0.0, 0.05, 0.15, 0.3, 2.0, -0.1, math.nan)) if broken else 0.0))
            if chance > 0.995:
                it.let_go()
        link = "link" in broken and rng.random() < 0.9
        order = it.step(heard=not link or rng.random() < 0.3, confirmed=not link, steps=rng.choice((1, 1, 1, 2, 5)))
        it.check_way()
        met["moving"] += order is not HALT and any(order)
        met["at top speed"] += order is not HALT and order[0] > 0.99 * TOP
        met["silences"] += order == (0.0, 0.0)
        met["faults"] += order is HALT and bool(it.stop.reason)
        met["halts"] += order is HALT
        if it.stop.state is StopState.HALTED and rng.random() < 0.2:
            # A person has looked at it.
            it.shift = 0.0
            it.wait(1.0)
            it.stop.restart(it.t, it.now)
            it.begin()
            met["restarts"] += 1
        it.wait(PERIOD)
    # A machine that never drives is safe as well.
    assert steps < 1000 or all(met.values()), met
    return met


if __name__ == "__main__":
    count, begun = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000, time.monotonic()
    for limit, control in product((None, JERK), (None, HELD)):
        print(
            walk(count, jerk=limit, hold=control),
            f"{count} steps, jerk limit {limit}, control held {control}, no invariant broken, {time.monotonic() - begun:.0f} s",
        )
