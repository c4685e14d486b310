"""Lesson 11: how fast is safe, and when to stop."""

from __future__ import annotations

import math

from robotlab.practice.task import Misconception, Task


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
        "Of its two roots one is negative, which is not a speed. The other is a root less something: first the root of (a·t)² + 2·a·d.",
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
            "Your result is the other root of the quadratic. A speed below 0 is not an answer here.",
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
