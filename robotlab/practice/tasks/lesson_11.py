"""Lesson 11: smooth and safe."""

from __future__ import annotations

import math

from robotlab.practice.task import Misconception, Task
from robotlab.practice.tasks.lesson_11_limits import SAFE_SPEED, WATCHDOG


def ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s):
    """Next speed of a ramp, m/s, as near to wanted_mps as the limit allows.

    speed_mps: speed now, m/s.  wanted_mps: wanted speed, m/s.
    Both may be negative, which is backward.
    accel_mps2: acceleration limit, m/s², up and down.  dt_s: length of the step, s.
    """
    room = accel_mps2 * dt_s
    return speed_mps + min(max(wanted_mps - speed_mps, -room), room)


def _clip(value, most):
    return min(max(value, -most), most)


def _by_size(speed, wanted, accel, dt):
    room = accel * dt
    if abs(wanted - speed) <= room:
        return wanted
    return speed + (room if abs(wanted) > abs(speed) else -room)


def _random_step(rng):
    speed, accel, dt = float(rng.uniform(-0.8, 0.8)), float(rng.uniform(0.3, 3)), float(rng.uniform(0.01, 0.1))
    # Half of them want less than one step.
    gap = accel * dt * float(rng.choice([rng.uniform(0.2, 0.9), rng.uniform(1.2, 8)]))
    return speed, speed + float(rng.choice([-1, 1])) * gap, accel, dt


RAMP_STEP = Task(
    reference=ramp_step,
    lesson=11,
    statement="Write ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s): the speed in m/s after one step of dt_s seconds, when the speed now "
    "is speed_mps, wanted_mps is asked for, and no more than accel_mps2 is allowed, speeding up or slowing down, forward or backward.",
    unit="m/s",
    fixed=(
        (0.0, 0.5, 1.0, 0.1),
        (0.5, 0.0, 1.0, 0.1),
        (0.45, 0.5, 1.0, 0.1),
        (0.1, -0.4, 2.0, 0.05),
        (-0.3, -0.6, 0.8, 0.02),
        (-0.6, 0.6, 0.8, 0.02),
    ),
    draw=_random_step,
    nudges=(
        "How much may the speed change in one step? A limit in m/s², for dt_s seconds.",
        "The gap is what is wanted less what there is, with its sign. Take as much of it as the step allows, up or down.",
        "Cut the gap to between minus that room and plus that room, and add what is left of it to the speed now.",
    ),
    misconceptions=(
        Misconception(
            "no limit",
            "Your speed jumps to what is wanted. In dt_s seconds it may change by little.",
            lambda s, w, a, dt: w,
        ),
        Misconception(
            "limit upward only",
            "Speeding up is limited, slowing down is not: your trolley brakes at once, and its load goes on without it.",
            lambda s, w, a, dt: min(w, s + a * dt),
        ),
        Misconception(
            "always a whole step",
            "You always take a whole step, so you pass the wanted speed and oscillate about it. A small gap needs a small step.",
            lambda s, w, a, dt: s + math.copysign(a * dt, w - s) if w != s else s,
        ),
        Misconception(
            "always upward",
            "You add a step whatever is wanted. When less is wanted than there is, a step must be taken away.",
            lambda s, w, a, dt: s + a * dt,
            also=(
                lambda s, w, a, dt: w if abs(w - s) <= a * dt else s + a * dt,
                lambda s, w, a, dt: s + min(abs(w - s), a * dt),
            ),
        ),
        Misconception(
            "away from it",
            "Your speed moves away from the wanted one. The gap is what is wanted less what there is, and it is added.",
            lambda s, w, a, dt: s - _clip(w - s, a * dt),
        ),
        Misconception(
            "limit of one second",
            "Your step is as large as a whole second allows. dt_s is shorter: m/s² times s.",
            lambda s, w, a, dt: s + _clip(w - s, a),
        ),
        Misconception(
            "change for speed",
            "Your result is how much the speed changes. The task asks for the new speed.",
            lambda s, w, a, dt: _clip(w - s, a * dt),
        ),
        Misconception(
            "limit on the speed",
            "You limit the wanted speed itself. What is limited is its difference from the speed now.",
            lambda s, w, a, dt: _clip(w, a * dt),
        ),
        Misconception(
            "wanted speed for the gap",
            "You cut the wanted speed and add it to the speed now. What is cut and added is the gap between the two.",
            lambda s, w, a, dt: s + _clip(w, a * dt),
        ),
        Misconception(
            "sizes for signs",
            "You compare how large the speeds are, without their signs. Going backward, and through 0, your ramp turns the wrong way.",
            _by_size,
        ),
        Misconception(
            "fraction of the gap",
            "You take a fraction of the gap in each step. That starts with a jump in acceleration and never quite arrives; the limit asks for equal steps.",
            lambda s, w, a, dt: s + (w - s) * dt,
            also=(lambda s, w, a, dt: s + (w - s) * _clip(a * dt, 1),),
        ),
        Misconception(
            "way for speed",
            "a·t²/2 is the way gained in the step. The speed gains a·t.",
            lambda s, w, a, dt: s + _clip(w - s, a * dt * dt / 2),
        ),
    ),
)


def stopping_distance(speed_mps, decel_mps2, delay_s):
    """Distance, m, from the moment something happens until the trolley stands still.

    speed_mps: speed at that moment, m/s; negative is backward, the distance is positive.
    decel_mps2: deceleration of the stop ramp, m/s², positive.
    delay_s: reaction time, from that moment to the start of the ramp, s.
    """
    speed = abs(speed_mps)
    return speed * delay_s + speed * speed / (2 * decel_mps2)


STOPPING_DISTANCE = Task(
    reference=stopping_distance,
    lesson=11,
    statement="Write stopping_distance(speed_mps, decel_mps2, delay_s): how many m the trolley still goes when it drives at speed_mps, "
    "nothing happens for delay_s seconds, and it then brakes at decel_mps2. A distance is never negative, also when it drives backward.",
    unit="m",
    fixed=((0.5, 1.0, 0.2), (1.6, 1.5, 0.25), (0.6, 0.8, 0.35), (0.4, 0.5, 0.3)),
    draw=lambda rng: (float(rng.uniform(0.1, 2)), float(rng.uniform(0.3, 4)), float(rng.uniform(0.05, 0.9))),
    edges=((-0.4, 0.5, 0.3), (-1.2, 2.0, 0.25), (0.0, 1.0, 0.5)),
    nudges=(
        "Two pieces: reaction time at a steady speed, braking distance on the ramp. Draw the speed over time; the way is the area beneath it.",
        "The steady piece is a rectangle: speed times delay. The ramp is a triangle; how long does it take from this speed to 0?",
        "The ramp takes v / a seconds at half the speed on average.",
    ),
    misconceptions=(
        Misconception(
            "full speed on the ramp",
            "Your ramp is twice as long as it should be: on it the trolley goes half as fast on average. A triangle, no rectangle.",
            lambda v, a, t: abs(v) * t + v * v / a,
        ),
        Misconception(
            "no reaction time",
            "Your result is the braking distance alone. In the reaction time, until the ramp begins, the trolley drives on.",
            lambda v, a, t: v * v / (2 * a),
        ),
        Misconception(
            "reaction time alone",
            "Your result is the way in the reaction time alone. A trolley does not stop at once when it brakes: the braking distance is missing.",
            lambda v, a, t: abs(v) * t,
        ),
        Misconception(
            "half the delay",
            "You halve the way in the reaction time, too. There the trolley still has its full speed.",
            lambda v, a, t: abs(v) * t / 2 + v * v / (2 * a),
        ),
        Misconception(
            "time for way",
            "Your result is the time until it stands, in s. The task asks for the way.",
            lambda v, a, t: t + abs(v) / a,
            also=(lambda v, a, t: abs(v) / a,),
        ),
        Misconception(
            "speed not squared",
            "Twice as fast, you get twice the ramp. It takes twice as long *and* is driven twice as fast: four times the way.",
            lambda v, a, t: abs(v) * t + abs(v) / (2 * a),
        ),
        Misconception(
            "order of operations",
            "Python reads v**2 / 2 * a as (v**2 / 2) · a: the harder you brake, the longer your way. Put what stands below the line into parentheses.",
            lambda v, a, t: abs(v) * t + v * v / 2 * a,
        ),
        Misconception(
            "backward shortens",
            "Your way is too short when the speed is negative. Backward the trolley drives on in the delay and brakes just as it does forward.",
            lambda v, a, t: v * t + v * v / (2 * a),
            also=(
                lambda v, a, t: max(0.0, v) * t + v * v / (2 * a),
                lambda v, a, t: abs(v) * t + v * abs(v) / (2 * a),
                lambda v, a, t: max(0.0, v) * t + max(0.0, v) ** 2 / (2 * a),
            ),
        ),
        Misconception(
            "speeding up in the delay",
            "You let the trolley speed up or brake during the delay. In the reaction time the speed is constant: v·t.",
            lambda v, a, t: a * t * t / 2 + v * v / (2 * a),
            also=(lambda v, a, t: abs(v) * t + a * t * t / 2,),
        ),
        Misconception(
            "gravity in it",
            "Your braking is 9.81 times as hard as decel_mps2. That is in m/s² already, and the weight of the trolley is not in the formula.",
            lambda v, a, t: abs(v) * t + v * v / (2 * 9.81 * a),
        ),
        Misconception(
            "seconds added to meters",
            "You add the delay itself to a way. In the delay the trolley drives on: how far?",
            lambda v, a, t: t + v * v / (2 * a),
        ),
        Misconception(
            "delay in milliseconds",
            "You divide the delay by 1000. delay_s is in s already, as its name says.",
            lambda v, a, t: abs(v) * t / 1000 + v * v / (2 * a),
        ),
    ),
)


TASKS = (RAMP_STEP, STOPPING_DISTANCE, SAFE_SPEED, WATCHDOG)
