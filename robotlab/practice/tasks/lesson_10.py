"""Lesson 10: steer."""

from __future__ import annotations

import math

from robotlab.practice.task import Misconception, Task


def bearing_error(box, width_px, hfov_rad):
    """Angle that the robot must turn to face the target, rad; positive to the left.

    box: (x0, y0, x1, y1), corners of the target's box, px.
    width_px: width of the picture, px.  hfov_rad: horizontal field of view, rad.
    """
    middle_px = (box[0] + box[2]) / 2
    focal_px = width_px / 2 / math.tan(hfov_rad / 2)
    return math.atan((width_px / 2 - middle_px) / focal_px)


def _angle(column_px, width_px, hfov_rad):
    return math.atan((1 - 2 * column_px / width_px) * math.tan(hfov_rad / 2))


def _middle(box):
    return (box[0] + box[2]) / 2


def _random_box(rng):
    width_px = int(rng.integers(160, 1921))
    x0, y0 = float(rng.uniform(0, 0.8 * width_px)), float(rng.uniform(0, 0.3 * width_px))
    box = (x0, y0, x0 + float(rng.uniform(0.05, 0.19) * width_px), y0 + float(rng.uniform(0.2, 0.4) * width_px))
    return box, width_px, float(rng.uniform(0.6, 1.9))


BEARING_ERROR = Task(
    reference=bearing_error,
    lesson=10,
    statement="Write bearing_error(box, width_px, hfov_rad): the angle in rad by which the robot must turn to face the middle of box, which is "
    "(x0, y0, x1, y1) in px, in a picture width_px wide that spans hfov_rad. Positive is to the left (ISO 8855), 0 in the middle column.",
    unit="rad",
    fixed=(
        ((60.0, 80.0, 80.0, 160.0), 320, math.radians(62.2)),
        ((240.0, 60.0, 290.0, 200.0), 320, math.radians(62.2)),
        ((300.0, 200.0, 420.0, 440.0), 640, math.radians(90)),
        ((0.0, 30.0, 24.0, 150.0), 300, math.radians(102)),
    ),
    draw=_random_box,
    nudges=(
        "First one column: the middle of the box. Rows do not matter for turning.",
        "How many px is that column to the left of the middle of the picture? The number is negative on the right.",
        "With the focal length in px, (width_px / 2) / tan(hfov_rad / 2), the angle is the inverse tangent of px to the left over focal length.",
    ),
    misconceptions=(
        Misconception(
            "sign",
            "Your angles are positive to the right. The robot would turn away from its target, and faster and faster: left is positive (ISO 8855).",
            lambda b, w, a: -_angle(_middle(b), w, a),
        ),
        Misconception(
            "left edge of the box",
            "You steer to the left edge of the box. A near target is wide, and its middle is far from its edge.",
            lambda b, w, a: _angle(b[0], w, a),
        ),
        Misconception(
            "right edge of the box",
            "You steer to the right edge of the box. Take its middle.",
            lambda b, w, a: _angle(b[2], w, a),
        ),
        Misconception(
            "rows for columns",
            "You took the middle of the rows, y. Turning moves things sideways in the picture: that is x.",
            lambda b, w, a: _angle((b[1] + b[3]) / 2, w, a),
        ),
        Misconception(
            "corners read as width and height",
            "You read the box as x, y, width, height. These are two corners: the third number is x1.",
            lambda b, w, a: _angle(b[0] + b[2] / 2, w, a),
        ),
        Misconception(
            "corners not halved",
            "You added both columns and did not halve them: the middle of 60 and 80 is 70, not 140.",
            lambda b, w, a: _angle(b[0] + b[2], w, a),
        ),
        Misconception(
            "angle shared out evenly",
            "You gave every column the same angle. Columns share the width of the strip evenly, not the angle.",
            lambda b, w, a: (0.5 - _middle(b) / w) * a,
        ),
        Misconception(
            "slope for angle",
            "Your result is the slope, px to the left over the focal length. The angle is its inverse tangent.",
            lambda b, w, a: math.tan(_angle(_middle(b), w, a)),
        ),
        Misconception(
            "tangent of the whole angle",
            "Your focal length has the tangent of the whole field of view. The axis cuts it in two.",
            lambda b, w, a: math.atan((1 - 2 * _middle(b) / w) * math.tan(a)),
        ),
        Misconception(
            "whole width",
            "Your focal length is made from the whole width and half of the angle. Half of the angle sees half of the width.",
            lambda b, w, a: math.atan((0.5 - _middle(b) / w) * math.tan(a / 2)),
        ),
        Misconception(
            "focal length upside down",
            "You multiply half of the width by the tangent. The narrower the view, the longer the focal length: divide.",
            lambda b, w, a: math.atan((1 - 2 * _middle(b) / w) / math.tan(a / 2)),
        ),
        Misconception(
            "radians made twice",
            "You turned hfov_rad into radians once more. It is in rad already, as its name says.",
            lambda b, w, a: _angle(_middle(b), w, math.radians(a)),
        ),
        Misconception(
            "pixels for an angle",
            "Your result is in px. Divide by the focal length, then take the inverse tangent.",
            lambda b, w, a: w / 2 - _middle(b),
        ),
        Misconception(
            "fraction of the picture",
            "Your result goes from 1 at the left edge to -1 at the right. It has the right sign, and is no angle yet.",
            lambda b, w, a: 1 - 2 * _middle(b) / w,
        ),
    ),
)


def p_law(bearing_rad, distance_m, turn_gain, drive_gain, keep_m, max_yaw_radps, max_mps):
    """Wanted motion (v_mps, yaw_radps): forward speed, m/s, and yaw rate, rad/s.

    bearing_rad: where the target is, rad, positive to the left.
    distance_m: how far away it is, m.
    turn_gain: yaw rate for each rad, 1/s.  drive_gain: speed for each m too far, 1/s.
    keep_m: distance to keep, m.  max_yaw_radps: limit of the yaw rate, to either side.
    max_mps: limit of the speed; the robot never drives backward.
    """
    yaw_radps = min(max(turn_gain * bearing_rad, -max_yaw_radps), max_yaw_radps)
    v_mps = min(max(drive_gain * (distance_m - keep_m), 0.0), max_mps)
    return v_mps, yaw_radps


def _cut(value, low, high):
    return min(max(value, low), high)


def _turn(b, kt, most):
    return _cut(kt * b, -most, most)


def _go(d, kd, keep, most):
    return _cut(kd * (d - keep), 0.0, most)


def _random_sight(rng):
    bearing, gain = float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.55)), float(rng.uniform(0.6, 3.0))
    keep, drive = float(rng.uniform(0.6, 1.6)), float(rng.uniform(0.5, 2.0))
    # Too near, a little too far, much too far.
    distance = keep + float(rng.choice([rng.uniform(-0.5, -0.1), rng.uniform(0.1, 0.3), rng.uniform(1.0, 3.0)]))
    return bearing, distance, gain, drive, keep, float(rng.uniform(0.3, 1.2)), float(rng.uniform(0.3, 0.8))


P_LAW = Task(
    reference=p_law,
    lesson=10,
    statement="Write p_law(bearing_rad, distance_m, turn_gain, drive_gain, keep_m, max_yaw_radps, max_mps): the wanted motion (v_mps, yaw_radps). "
    "The yaw rate is turn_gain for each rad of bearing_rad, at most max_yaw_radps to either side. The speed is drive_gain for each m that "
    "distance_m is more than keep_m, at most max_mps, and never backward.",
    unit="",
    fixed=(
        (-0.2, 1.5, 1.8, 1.2, 1.2, 1.5, 0.6),
        (0.1, 1.4, 2.0, 0.5, 1.0, 1.0, 0.5),
        (0.5, 3.0, 2.5, 1.0, 1.2, 0.8, 0.5),
        (-0.6, 0.9, 1.8, 1.2, 1.2, 0.7, 0.6),
        # A bearing so small that even in degrees it stays within the limit.
        (-0.004, 1.25, 1.5, 1.2, 1.2, 1.5, 0.4),
    ),
    draw=_random_sight,
    nudges=(
        "Two laws of proportional control, independent of each other: the bearing gives the yaw rate, the distance gives the speed.",
        "Each is gain · error, cut off at a limit. The error of the distance is by how much it exceeds keep_m.",
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
            "You take what is missing to keep_m. So your robot speeds up when it is too near, and stands when it is too far.",
            lambda b, d, kt, kd, k, my, mv: (_go(k, kd, d, mv), _turn(b, kt, my)),
        ),
        Misconception(
            "whole distance",
            "Your speed grows with the whole distance to the target. Only what is more than keep_m counts.",
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
            "Your robot drives forward when it is too near: abs() has thrown away on which side of keep_m it is.",
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


def gain_limit(delay_frames, frame_s):
    """Ultimate gain, 1/s, of a loop that works frame by frame.

    delay_frames: whole frames from a picture to the command made from it.
    frame_s: time between two pictures, s; the command is held in between.
    """
    return 2 * math.sin(math.pi / (2 * (2 * delay_frames + 1))) / frame_s


GAIN_LIMIT = Task(
    reference=gain_limit,
    lesson=10,
    statement="Write gain_limit(delay_frames, frame_s): the ultimate gain in 1/s, from which the sampled loop b[k+1] = b[k] - a · b[k-d] is unstable, "
    "with d = delay_frames and a = gain · frame_s. Its limit is a = 2 · sin(pi / (2 · (2 · d + 1))).",
    unit="1/s",
    fixed=((1, 0.1), (2, 0.1), (3, 0.1), (5, 0.05), (10, 1 / 30)),
    edges=((0, 0.1), (0, 0.5)),
    draw=lambda rng: (int(rng.integers(1, 16)), float(rng.uniform(0.02, 0.4))),
    nudges=(
        "The formula gives a, which has no unit: by how much one frame's turn takes off the error. You want a gain, in 1/s.",
        "a is the gain times frame_s. Solve that for the gain.",
        "gain = a / frame_s, with the sine of an angle in rad: pi over twice (2 d + 1).",
    ),
    misconceptions=(
        Misconception(
            "no frames",
            "Your limit is that of a loop without frames, pi / (2 · latency). A camera's loop holds each command for a frame (zero-order hold): "
            "at one frame of latency your robot would oscillate out of control.",
            lambda d, f: math.pi / (2 * d * f),
        ),
        Misconception(
            "for each frame",
            "Your result is a, the part of the error that one frame takes off. The gain is a over the time of a frame.",
            lambda d, f: 2 * math.sin(math.pi / (2 * (2 * d + 1))),
        ),
        Misconception(
            "times the frame",
            "You multiplied by frame_s. Shorter frames must allow a larger gain.",
            lambda d, f: 2 * math.sin(math.pi / (2 * (2 * d + 1))) * f,
        ),
        Misconception(
            "degrees in the sine",
            "You gave the sine degrees. math.sin takes rad.",
            lambda d, f: 2 * math.sin(90 / (2 * d + 1)) / f,
            also=(lambda d, f: 2 * math.sin(180 / (2 * (2 * d + 1))) / f,),
        ),
        Misconception(
            "4 d + 1 below the line",
            "Python reads 2 * 2 * d + 1 as 4 d + 1. The 1 belongs to the inner parentheses: twice (2 d + 1).",
            lambda d, f: 2 * math.sin(math.pi / (4 * d + 1)) / f,
        ),
        Misconception(
            "the 2 shortened away",
            "You shortened the 2 before the sine with the one inside. What is inside of a sine cannot be shortened with what is before it.",
            lambda d, f: math.sin(math.pi / (2 * d + 1)) / f,
        ),
        Misconception(
            "angle twice as large",
            "Your angle is twice as large as it should be: below the line stand two factors, 2 and 2 d + 1.",
            lambda d, f: 2 * math.sin(math.pi / (2 * d + 1)) / f,
        ),
        Misconception(
            "order of operations",
            "Python reads a / 2 * b as (a / 2) · b. Put what stands below the line into parentheses.",
            lambda d, f: 2 * math.sin(math.pi / 2 * (2 * d + 1)) / f,
        ),
        Misconception(
            "angle for its sine",
            "You left the sine out: that is the loop without frames, its latency longer by half a frame. A good rule from "
            "two frames on, and 5 % too much at one.",
            lambda d, f: math.pi / ((2 * d + 1) * f),
        ),
        Misconception(
            "half a frame too few",
            "You have 2 · d where 2 · d + 1 is asked for: the 1 is the half frame for which a command is held (zero-order hold).",
            lambda d, f: 2 * math.sin(math.pi / (4 * d)) / f,
        ),
        Misconception(
            "one frame too many",
            "You count one frame of latency too many: d = 1 is used as if it were 2.",
            lambda d, f: 2 * math.sin(math.pi / (2 * (2 * d + 3))) / f,
        ),
        Misconception(
            "half of it",
            "Your result is half of the ultimate gain. That is the safe gain; here the ultimate gain itself is asked for. Is the 2 in front of the sine there?",
            lambda d, f: math.sin(math.pi / (2 * (2 * d + 1))) / f,
        ),
        Misconception(
            "gain without overshoot",
            "Your result is the largest gain without overshoot, about a quarter of the ultimate gain.",
            lambda d, f: d**d / (d + 1) ** (d + 1) / f,
        ),
        Misconception(
            "delay in seconds",
            "You used the latency in seconds, delay_frames · frame_s, as d. d counts frames.",
            lambda d, f: 2 * math.sin(math.pi / (2 * (2 * d * f + 1))) / f,
            also=(lambda d, f: 2 * math.sin(math.pi / (2 * (2 * d * f + 1))),),
        ),
    ),
)

TASKS = (BEARING_ERROR, P_LAW, WHEEL_SPEEDS, GAIN_LIMIT)
