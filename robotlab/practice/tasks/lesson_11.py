"""Lesson 11: smooth and safe."""

from __future__ import annotations

import math

from robotlab.practice.task import Misconception, Task


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
            "You take a fraction of the gap in each step. That starts with a jolt and never quite arrives; the limit asks for equal steps.",
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
    """Way, m, from the moment something happens until the trolley stands still.

    speed_mps: speed at that moment, m/s; negative is backward, the way is positive.
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


def safe_speed(clear_m, decel_mps2, delay_s):
    """The highest speed in m/s from which the trolley stands within clear_m.

    clear_m: way that is surely free, m, 0 or more.
    decel_mps2: deceleration of the stop ramp, m/s², positive.
    delay_s: reaction time, from that moment to the start of the ramp, s.
    """
    lost = decel_mps2 * delay_s
    return math.sqrt(lost * lost + 2 * decel_mps2 * clear_m) - lost


def _two_tries(d, a, t):
    first = math.sqrt(2 * a * d)
    return math.sqrt(2 * a * max(0.0, d - first * t))


def _in_steps(d, a, t, step):
    n = 0
    while n * step * t + (n * step) ** 2 / (2 * a) < d:
        n += 1
    return n * step


SAFE_SPEED = Task(
    reference=safe_speed,
    lesson=11,
    statement="Write safe_speed(clear_m, decel_mps2, delay_s): the highest speed in m/s at which the stopping distance of the task before, "
    "with a deceleration of decel_mps2 and a delay of delay_s, is just clear_m.",
    unit="m/s",
    fixed=((0.225, 1.0, 0.2), (0.6, 0.8, 0.35), (1.0, 0.5, 0.1), (0.3, 2.0, 0.6)),
    draw=lambda rng: (float(rng.uniform(0.1, 3)), float(rng.uniform(0.3, 4)), float(rng.uniform(0.05, 0.9))),
    edges=((0.5, 2.0, 0.0), (0.0, 1.0, 0.2)),
    nudges=(
        "Write the stopping distance down with v unknown, and set it equal to clear_m.",
        "Multiplied by 2a it is v² + 2·a·t·v − 2·a·d = 0: a quadratic in v.",
        "Of its two roots one is negative, which is no speed. The other is a root less something: first the root of (a·t)² + 2·a·d.",
    ),
    misconceptions=(
        Misconception(
            "no delay",
            "Your speed is right for a delay of 0. With a delay, part of the way is used up before braking begins.",
            lambda d, a, t: math.sqrt(2 * a * d),
        ),
        Misconception(
            "plus for minus",
            "You add what the delay costs. A longer delay must make the safe speed lower.",
            lambda d, a, t: math.sqrt((a * t) ** 2 + 2 * a * d) + a * t,
        ),
        Misconception(
            "the negative root",
            "Your result is the other root of the quadratic. A speed below 0 is no answer here.",
            lambda d, a, t: -a * t - math.sqrt((a * t) ** 2 + 2 * a * d),
        ),
        Misconception(
            "delay alone",
            "Your result leaves no way to brake in: you drive through all of clear_m before the ramp begins.",
            lambda d, a, t: d / t,
        ),
        Misconception(
            "full speed on the ramp",
            "Your ramp is v²/a long. A triangle has half of that.",
            lambda d, a, t: (math.sqrt((a * t) ** 2 + 4 * a * d) - a * t) / 2,
        ),
        Misconception(
            "delay outside of the root",
            "You take a·t off the speed without delay. The square of a·t belongs under the root as well.",
            lambda d, a, t: math.sqrt(2 * a * d) - a * t,
        ),
        Misconception(
            "half the middle term",
            "In v² + p·v − q = 0 the middle factor p is 2·a·t. You used a·t.",
            lambda d, a, t: math.sqrt((a * t / 2) ** 2 + 2 * a * d) - a * t / 2,
        ),
        Misconception(
            "delay at the wrong speed",
            "You took the way lost in the delay at the speed without delay. The trolley will be slower than that: "
            "your result is safe, but not the highest.",
            _two_tries,
        ),
        Misconception(
            "seconds off meters",
            "You take a time off a way. What the delay costs is speed times delay, and the speed is what you look for.",
            lambda d, a, t: math.sqrt(2 * a * (d - t)),
        ),
        Misconception(
            "nothing taken off",
            "You stop one step early: a·t must still be taken off the root.",
            lambda d, a, t: math.sqrt((a * t) ** 2 + 2 * a * d),
        ),
        Misconception(
            "half of it squared",
            "Under the root the whole of a·t is squared: a² and t², not one of them.",
            lambda d, a, t: math.sqrt(a * a * t + 2 * a * d) - a * t,
            also=(lambda d, a, t: math.sqrt(a * t * t + 2 * a * d) - a * t,),
        ),
        Misconception(
            "half of the sum forgotten",
            "In the formula for the roots the whole of -p + root is halved, not the root alone. Look at your parentheses.",
            lambda d, a, t: math.sqrt((2 * a * t) ** 2 + 8 * a * d) / 2 - 2 * a * t,
        ),
        Misconception(
            "all under the root",
            "You take a·t off under the root. It comes off after the root.",
            lambda d, a, t: math.sqrt((a * t) ** 2 + 2 * a * d - a * t),
        ),
        Misconception(
            "searched in steps",
            "You try speeds in steps, so your result is up to a step too fast. Close, but a formula has it exactly: solve for the speed.",
            lambda d, a, t: _in_steps(d, a, t, 0.01),
            also=(lambda d, a, t: _in_steps(d, a, t, 0.001), lambda d, a, t: _in_steps(d, a, t, 0.1)),
        ),
        Misconception(
            "under no root",
            "Your result is the square of a speed. Take the root before you take off a·t.",
            lambda d, a, t: (a * t) ** 2 + 2 * a * d - a * t,
        ),
    ),
)


def watchdog(now_s, last_good_s, slow_s, stop_s):
    """What to do at the age of the last good picture: "go", "slow" or "stop".

    now_s: time now, s.
    last_good_s: time of the last good picture, s; NaN when there was none.
    slow_s, stop_s: oldest age for "go" and for "slow", s, each included.
    An age that makes no sense is "stop".
    """
    age = now_s - last_good_s
    if 0 <= age <= slow_s:
        return "go"
    if 0 <= age <= stop_s:
        return "slow"
    return "stop"


def _word(age, slow, stop):
    return "stop" if age > stop else "slow" if age > slow else "go"


def _random_watch(rng):
    last, slow = float(rng.uniform(0, 1000)), float(rng.uniform(0.1, 0.4))
    stop = slow + float(rng.uniform(0.1, 0.6))
    age = float(
        rng.choice(
            [rng.uniform(0.1, 0.9) * slow, slow + rng.uniform(0.1, 0.9) * (stop - slow), stop * rng.uniform(1.1, 3)]
        )
    )
    return last + age, last, slow, stop


WATCHDOG = Task(
    reference=watchdog,
    lesson=11,
    statement='Write watchdog(now_s, last_good_s, slow_s, stop_s): "go" while the last good picture is at most slow_s old, "slow" while it is '
    'at most stop_s old, else "stop". An age that makes no sense is "stop" too: below 0 (the clock went back), or NaN (there was no good picture).',
    unit="",
    fixed=(
        (10.1, 10.0, 0.25, 0.75),
        (10.5, 10.0, 0.25, 0.75),
        (11.0, 10.0, 0.25, 0.75),
        (5.0, math.nan, 0.25, 0.75),
        (5.0, 10.0, 0.25, 0.75),
        (9.875, 10.0, 0.25, 0.75),
        (9.5, 10.0, 0.25, 0.75),
        (10.25, 10.0, 0.25, 0.75),
        (10.75, 10.0, 0.25, 0.75),
        (10.875, 10.0, 0.25, 0.75),
    ),
    draw=_random_watch,
    edges=((10.0, 10.0, 0.25, 0.75), (math.inf, 10.0, 0.25, 0.75), (math.nan, 10.0, 0.25, 0.75)),
    nudges=(
        "First the age: now less then. Then ask what must be true to go on, not what must be true to stop.",
        "Every comparison with NaN is False. Arrange your questions so that False leads to the stop.",
        'Two questions, each with both ends: is the age between 0 and slow_s, is it between 0 and stop_s? What passes neither is "stop".',
    ),
    misconceptions=(
        Misconception(
            "nonsense goes on",
            "You ask whether the age is too large, and go on otherwise. NaN and a negative age are not too large, so your trolley drives on. "
            "Ask what must be true to go.",
            lambda n, g, s, t: _word(n - g, s, t),
            also=(lambda n, g, s, t: "stop" if n - g >= t else "slow" if n - g >= s else "go",),
        ),
        Misconception(
            "a clock that goes back",
            "A negative age passes as a fresh picture. The clock went back: nobody knows how old the picture is.",
            lambda n, g, s, t: "stop" if math.isnan(n - g) else _word(n - g, s, t),
            also=(
                lambda n, g, s, t: "go" if n - g <= s else "slow" if n - g <= t else "stop",
                lambda n, g, s, t: "go" if n - g < s else "slow" if n - g < t else "stop",
            ),
        ),
        Misconception(
            "NaN goes on",
            "A picture that never came passes as fresh: every comparison with NaN is False, so neither of your limits is exceeded.",
            lambda n, g, s, t: "stop" if n - g < 0 else _word(n - g, s, t),
        ),
        Misconception(
            "age without its sign",
            "You take the size of the age. A clock that goes back by a little then gives a fresh picture.",
            lambda n, g, s, t: "stop" if math.isnan(n - g) else _word(abs(n - g), s, t),
            also=(lambda n, g, s, t: _word(abs(n - g), s, t),),
        ),
        Misconception(
            "fresh only later",
            'A picture taken just now has an age of 0, and no picture is fresher: 0 is "go".',
            lambda n, g, s, t: "go" if 0 < n - g <= s else "slow" if 0 < n - g <= t else "stop",
        ),
        Misconception(
            "negative is slow",
            'Your question for "slow" has one end only, so an age below 0 passes it. Both questions need both ends.',
            lambda n, g, s, t: "go" if 0 <= n - g <= s else "slow" if n - g <= t else "stop",
        ),
        Misconception(
            "never stops",
            "What is older than stop_s is older than slow_s as well, and your first question has already taken it.",
            lambda n, g, s, t: "go" if 0 <= n - g <= s else "stop" if math.isnan(n - g) or n < g else "slow",
            also=(lambda n, g, s, t: "slow" if n - g > s else "stop" if n - g > t else "go",),
        ),
        Misconception(
            "limit not included",
            'At exactly slow_s it is still "go", and at exactly stop_s still "slow". Look at < and <=.',
            lambda n, g, s, t: "go" if 0 <= n - g < s else "slow" if 0 <= n - g < t else "stop",
        ),
        Misconception(
            "one limit after the other",
            "You count stop_s from slow_s on. Both are ages of the picture.",
            lambda n, g, s, t: "go" if 0 <= n - g <= s else "slow" if 0 <= n - g <= s + t else "stop",
        ),
        Misconception(
            "then less now",
            "Your age is the last picture's time less now, so it is below 0 whenever all is well.",
            lambda n, g, s, t: "go" if 0 <= g - n <= s else "slow" if 0 <= g - n <= t else "stop",
        ),
        Misconception(
            "capital letters",
            'The words are "go", "slow" and "stop", in small letters: whoever reads them compares letter by letter.',
            lambda n, g, s, t: watchdog(n, g, s, t).upper(),
        ),
        Misconception(
            "no middle",
            'You never say "slow": a picture that is late by a little deserves a slower trolley, not yet a stop.',
            lambda n, g, s, t: "go" if 0 <= n - g <= s else "stop",
            also=(lambda n, g, s, t: "go" if 0 <= n - g <= t else "stop",),
        ),
    ),
)

TASKS = (RAMP_STEP, STOPPING_DISTANCE, SAFE_SPEED, WATCHDOG)
