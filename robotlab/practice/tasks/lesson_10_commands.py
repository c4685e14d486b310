"""Lesson 10: from the bearing to a velocity command, and from that to both wheels."""

from __future__ import annotations

import math

from robotlab.practice.task import Misconception, Task


def p_law(bearing_rad, distance_m, turn_gain, drive_gain, following_distance_m, max_yaw_radps, max_mps):
    """Wanted motion (v_mps, yaw_radps): forward speed, m/s, and yaw rate, rad/s.

    bearing_rad: where the target is, rad, positive to the left.
    distance_m: how far away it is, m.
    turn_gain: yaw rate for each rad, 1/s.  drive_gain: speed for each m too far, 1/s.
    following_distance_m: distance to keep, m.
    max_yaw_radps: limit of the yaw rate, to either side.
    max_mps: limit of the speed; the robot never drives backward.
    """
    yaw_radps = min(max(turn_gain * bearing_rad, -max_yaw_radps), max_yaw_radps)
    v_mps = min(max(drive_gain * (distance_m - following_distance_m), 0.0), max_mps)
    return v_mps, yaw_radps


def _cut(value, low, high):
    return min(max(value, low), high)


def _turn(b, kt, most):
    return _cut(kt * b, -most, most)


def _go(d, kd, keep, most):
    return _cut(kd * (d - keep), 0.0, most)


def _random_observation(rng):
    bearing, gain = float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.55)), float(rng.uniform(0.6, 3.0))
    keep, drive = float(rng.uniform(0.6, 1.6)), float(rng.uniform(0.5, 2.0))
    # Too near, a little too far, much too far.
    distance = keep + float(rng.choice([rng.uniform(-0.5, -0.1), rng.uniform(0.1, 0.3), rng.uniform(1.0, 3.0)]))
    return bearing, distance, gain, drive, keep, float(rng.uniform(0.3, 1.2)), float(rng.uniform(0.3, 0.8))


P_LAW = Task(
    reference=p_law,
    lesson=10,
    statement="Write p_law(bearing_rad, distance_m, turn_gain, drive_gain, following_distance_m, max_yaw_radps, max_mps): the wanted motion (v_mps, yaw_radps). "
    "The yaw rate is turn_gain for each rad of bearing_rad, at most max_yaw_radps to either side. The speed is drive_gain for each m that "
    "distance_m is more than following_distance_m, at most max_mps, and never backward.",
    unit="",
    fixed=(
        (-0.2, 1.5, 1.8, 1.2, 1.2, 1.5, 0.6),
        (0.1, 1.4, 2.0, 0.5, 1.0, 1.0, 0.5),
        (0.5, 3.0, 2.5, 1.0, 1.2, 0.8, 0.5),
        (-0.6, 0.9, 1.8, 1.2, 1.2, 0.7, 0.6),
        # A bearing so small that even in degrees it stays within the limit.
        (-0.004, 1.25, 1.5, 1.2, 1.2, 1.5, 0.4),
    ),
    draw=_random_observation,
    nudges=(
        "Two laws of proportional control, independent of each other: the bearing gives the yaw rate, the distance gives the speed.",
        "Each is gain · error, cut off at a limit. The error of the distance is by how much it exceeds following_distance_m.",
        "Cut with min(max(value, low), high): from -max_yaw_radps to max_yaw_radps, and from 0 to max_mps. Return speed first.",
    ),
    misconceptions=(
        Misconception(
            "yaw rate first",
            "You return the yaw rate first. The speed comes first, then the yaw rate.",
            lambda b, d, kt, kd, k, my, mv: (_turn(b, kt, my), _go(d, kd, k, mv)),
        ),
        Misconception(
            "sign of the turn",
            "Your yaw rate turns the robot away (positive feedback): a target on the left has a positive bearing and needs a positive yaw rate.",
            lambda b, d, kt, kd, k, my, mv: (_go(d, kd, k, mv), -_turn(b, kt, my)),
        ),
        Misconception(
            "sign of the distance",
            "You take what is missing to following_distance_m. So your robot speeds up when it is too near, and stands when it is too far.",
            lambda b, d, kt, kd, k, my, mv: (_go(k, kd, d, mv), _turn(b, kt, my)),
        ),
        Misconception(
            "whole distance",
            "Your speed grows with the whole distance to the target. Only what is more than following_distance_m counts.",
            lambda b, d, kt, kd, k, my, mv: (_go(d, kd, 0.0, mv), _turn(b, kt, my)),
            also=(lambda b, d, kt, kd, k, my, mv: (_go(d, kd, 0.0, mv) if d > k else 0.0, _turn(b, kt, my)),),
        ),
        Misconception(
            "distance without parentheses",
            "Python reads gain * distance - keep as (gain * distance) - keep. The gain is for the difference.",
            lambda b, d, kt, kd, k, my, mv: (_cut(kd * d - k, 0.0, mv), _turn(b, kt, my)),
        ),
        Misconception(
            "no limits",
            "Your result has no limits. A box in a wrong place then gives a jump that the motors try to follow.",
            lambda b, d, kt, kd, k, my, mv: (kd * (d - k), kt * b),
        ),
        Misconception(
            "cut from above only",
            "You cut both from above and neither from below: min alone lets every negative number pass, a fast turn to the right and driving backward.",
            lambda b, d, kt, kd, k, my, mv: (min(kd * (d - k), mv), min(kt * b, my)),
        ),
        Misconception(
            "min and max exchanged",
            "Your results jump from one limit to the other and take no value between them: min and max have changed places.",
            lambda b, d, kt, kd, k, my, mv: (max(min(kd * (d - k), 0.0), mv), min(max(kt * b, my), -my)),
            also=(
                lambda b, d, kt, kd, k, my, mv: (max(min(kd * (d - k), 0.0), mv), max(min(kt * b, -my), my)),
                lambda b, d, kt, kd, k, my, mv: (min(max(kd * (d - k), mv), 0.0), min(max(kt * b, my), -my)),
            ),
        ),
        Misconception(
            "too near is too far",
            "Your robot drives forward when it is too near: abs() has thrown away on which side of following_distance_m it is.",
            lambda b, d, kt, kd, k, my, mv: (min(kd * abs(d - k), mv), _turn(b, kt, my)),
        ),
        Misconception(
            "limit to the left only",
            "You limit turns to the left, and not those to the right: min alone lets every negative number pass.",
            lambda b, d, kt, kd, k, my, mv: (_go(d, kd, k, mv), min(kt * b, my)),
        ),
        Misconception(
            "backward",
            "Your robot drives backward when it is too near. It cannot see behind itself: the lowest speed is 0.",
            lambda b, d, kt, kd, k, my, mv: (_cut(kd * (d - k), -mv, mv), _turn(b, kt, my)),
            also=(lambda b, d, kt, kd, k, my, mv: (min(kd * (d - k), mv), _turn(b, kt, my)),),
        ),
        Misconception(
            "error limited, not the command",
            "You cut the bearing to max_yaw_radps and multiply after that. The limit is for the product.",
            lambda b, d, kt, kd, k, my, mv: (_go(d, kd, k, mv), kt * _cut(b, -my, my)),
        ),
        Misconception(
            "gains exchanged",
            "You multiply the bearing by drive_gain and the distance by turn_gain.",
            lambda b, d, kt, kd, k, my, mv: (_go(d, kt, k, mv), _turn(b, kd, my)),
        ),
        Misconception(
            "always to the left",
            "Your robot turns left wherever the target is: abs() has thrown the side away.",
            lambda b, d, kt, kd, k, my, mv: (_go(d, kd, k, mv), _turn(abs(b), kt, my)),
        ),
        Misconception(
            "all or nothing",
            "Your robot turns with its full yaw rate, however small the bearing is. It will oscillate about the middle.",
            lambda b, d, kt, kd, k, my, mv: (_go(d, kd, k, mv), math.copysign(my, b)),
        ),
        Misconception(
            "bearing in degrees",
            "You turned the bearing into degrees: the yaw rate is 57 times too large, and ends at its limit almost always.",
            lambda b, d, kt, kd, k, my, mv: (_go(d, kd, k, mv), _turn(math.degrees(b), kt, my)),
        ),
    ),
)


def wheel_speeds(v_mps, yaw_radps, track_m, max_mps):
    """Speeds of the two wheels over the ground, (left_mps, right_mps), m/s.

    v_mps: forward speed, m/s.  yaw_radps: yaw rate, rad/s, positive to the left.
    track_m: distance between the wheels, m.
    max_mps: the most that a wheel can do, either way; if one would need more,
    both slow down in the same ratio, so that the robot drives the same circle.
    """
    half_mps = yaw_radps * track_m / 2
    left_mps, right_mps = v_mps - half_mps, v_mps + half_mps
    slower = min(1.0, max_mps / max(abs(left_mps), abs(right_mps), 1e-12))
    return left_mps * slower, right_mps * slower


def _pair(v, half, most=math.inf):
    left, right = v - half, v + half
    fastest = max(abs(left), abs(right))
    scale = most / fastest if fastest > most else 1.0
    return left * scale, right * scale


def _random_twist(rng):
    # Half of them are within the limit.
    v, yaw, track = (
        float(rng.uniform(-0.6, 0.8)),
        float(rng.choice([-1, 1]) * rng.uniform(0.2, 3)),
        float(rng.uniform(0.1, 0.6)),
    )
    fastest = abs(v) + abs(yaw) * track / 2
    return v, yaw, track, fastest * float(rng.choice([rng.uniform(0.4, 0.85), rng.uniform(1.2, 2.0)]))


WHEEL_SPEEDS = Task(
    reference=wheel_speeds,
    lesson=10,
    statement="Write wheel_speeds(v_mps, yaw_radps, track_m, max_mps): the speeds (left_mps, right_mps) that make a robot with track_m between "
    "its wheels drive v_mps forward while it turns at yaw_radps, positive to the left. If a wheel would need more than max_mps, forward or "
    "backward, slow both in the same ratio.",
    unit="m/s",
    # The first is the textbook's: wheels of 33 mm at 5 and 7 rad/s, 160 mm apart.
    fixed=(
        (0.198, 0.4125, 0.16, 1.0),
        (0.3, -0.8, 0.3, 1.0),
        (0.0, 1.5, 0.4, 0.5),
        (0.5, 2.0, 0.3, 0.6),
        (0.5, -1.0, 0.4, 0.5),
        (-0.4, 1.0, 0.3, 0.5),
    ),
    draw=_random_twist,
    nudges=(
        "A turn to the left needs the right wheel faster. By how much faster than the middle of the robot does it move?",
        "Each wheel is half of track_m from the middle, so turning adds yaw_radps · track_m / 2 on one side and takes it off on the other.",
        "Then find the faster of both, forward or backward. If it is above max_mps, multiply both by max_mps / fastest.",
    ),
    misconceptions=(
        Misconception(
            "left for right",
            "Your left wheel is the faster one in a turn to the left. Then the robot turns right.",
            lambda v, y, t, m: _pair(v, -y * t / 2, m),
        ),
        Misconception(
            "whole track",
            "You used the whole track. A wheel is only half of it away from the middle, about which the robot turns.",
            lambda v, y, t, m: _pair(v, y * t, m),
        ),
        Misconception(
            "yaw rate for a speed",
            "You added rad/s to m/s. An angle rate becomes a speed when it is multiplied by a distance from the middle.",
            lambda v, y, t, m: _pair(v, y / 2, m),
        ),
        Misconception(
            "divided by the track",
            "You divided by the track. Wheels farther apart must differ more for the same turn, not less.",
            lambda v, y, t, m: _pair(v, y / t / 2, m),
            also=(lambda v, y, t, m: _pair(v, y / t, m),),
        ),
        Misconception(
            "track of another robot",
            "You used a track of 0.3 m, that of the course's trolley. Each robot has its own: track_m.",
            lambda v, y, t, m: _pair(v, y * 0.15, m),
            also=(lambda v, y, t, m: _pair(v, y * 0.15),),
        ),
        Misconception(
            "one wheel turns",
            "You put all of the turn on the right wheel. The middle of the robot is then faster than v_mps.",
            lambda v, y, t, m: (
                lambda left, right: tuple(w * min(1, m / max(abs(left), abs(right))) for w in (left, right))
            )(v, v + y * t),
        ),
        Misconception(
            "no limit",
            "A wheel of yours exceeds max_mps. The motor will not, so the robot drives another curve than the one you computed.",
            lambda v, y, t, m: _pair(v, y * t / 2),
        ),
        Misconception(
            "each wheel cut by itself",
            "You cut each wheel off by itself. The ratio changes, and the curve is straightened just when the robot must turn most.",
            lambda v, y, t, m: tuple(_cut(w, -m, m) for w in _pair(v, y * t / 2)),
            also=(lambda v, y, t, m: tuple(min(w, m) for w in _pair(v, y * t / 2)),),
        ),
        Misconception(
            "the same off both",
            "You take the same number of m/s off both wheels. Their difference stays, their ratio changes: the curve gets narrower.",
            lambda v, y, t, m: (
                lambda left, right: tuple(w - max(0.0, max(abs(left), abs(right)) - m) for w in (left, right))
            )(*_pair(v, y * t / 2)),
        ),
        Misconception(
            "scaled to 1",
            "Your faster wheel runs at 1 m/s when it is slowed down. It may run at max_mps.",
            lambda v, y, t, m: (
                lambda left, right: tuple(
                    w / max(abs(left), abs(right)) if max(abs(left), abs(right)) > m else w for w in (left, right)
                )
            )(*_pair(v, y * t / 2)),
        ),
        Misconception(
            "right wheel alone limited",
            "You look at the right wheel alone. In a turn to the right, or backward, the left one is faster.",
            lambda v, y, t, m: (lambda left, right: (left * m / right, m) if right > m else (left, right))(
                *_pair(v, y * t / 2)
            ),
        ),
        Misconception(
            "backward forgotten",
            "You look for the largest number, and -0.7 m/s is fast too. Compare without the sign.",
            lambda v, y, t, m: (
                lambda left, right: tuple(
                    w * (m / max(left, right) if max(left, right) > m else 1) for w in (left, right)
                )
            )(*_pair(v, y * t / 2)),
            also=(
                lambda v, y, t, m: (lambda left, right: tuple(w * min(1, m / max(left, right)) for w in (left, right)))(
                    *_pair(v, y * t / 2)
                ),
            ),
        ),
        Misconception(
            "always at the limit",
            "Your faster wheel always runs at max_mps. Scale only when it would exceed it.",
            lambda v, y, t, m: (lambda left, right: tuple(w * m / max(abs(left), abs(right)) for w in (left, right)))(
                *_pair(v, y * t / 2)
            ),
        ),
        Misconception(
            "limit on v_mps only",
            "You limited v_mps and forgot that the turn comes on top of it.",
            lambda v, y, t, m: _pair(_cut(v, -m, m), y * t / 2),
        ),
    ),
)
