"""Lesson 10: steer."""

from __future__ import annotations

import math

from robotlab.practice.task import Misconception, Task
from robotlab.practice.tasks.lesson_10_commands import P_LAW, WHEEL_SPEEDS


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
            "You add half of the third number, as if it were a width. It is x1, a corner: the middle is half of the sum, which needs parentheses.",
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
            "Your result goes from 1 at the left edge to -1 at the right. It has the right sign, and is not an angle yet.",
            lambda b, w, a: 1 - 2 * _middle(b) / w,
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
