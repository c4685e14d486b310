"""Lesson 02: what the camera can see."""

from __future__ import annotations

import math

from robotlab.practice.task import Misconception, Task


def field_of_view(sensor_mm, focal_mm):
    """Field of view in rad, from one edge of the picture to the other.

    sensor_mm: width of the sensor, mm.  focal_mm: focal length of the lens, mm.
    """
    return 2 * math.atan(sensor_mm / (2 * focal_mm))


FIELD_OF_VIEW = Task(
    reference=field_of_view,
    lesson=2,
    statement="Write field_of_view(sensor_mm, focal_mm): the angle in rad that a pinhole camera sees from one edge of its picture to the "
    "other, for a sensor of this width and a lens of this focal length, both in mm.",
    unit="rad",
    # Published sizes of four cameras' sensors and focal lengths: A to D of the lesson.
    fixed=((3.6288, 3.60), (3.68, 3.04), (6.45, 4.74), (6.45, 2.75)),
    draw=lambda rng: (float(rng.uniform(2, 9)), float(rng.uniform(1.5, 12))),
    nudges=(
        "Draw the pinhole camera from above: the lens is a point, the sensor a line of length sensor_mm behind it, focal_mm away.",
        "The axis of the lens cuts the picture into two right-angled triangles. Find the angle at the lens in one of them.",
        "In that triangle the opposite side is half the sensor and the adjacent side is the focal length; math.atan gives the angle.",
    ),
    misconceptions=(
        Misconception(
            "half the angle",
            "Your result is the angle from the middle of the picture to one edge. The camera sees on both sides of its axis.",
            lambda s, f: math.atan(s / (2 * f)),
        ),
        Misconception(
            "in degrees",
            "Your result is in degrees. The task asks for rad, as every function of Python's math does.",
            lambda s, f: math.degrees(2 * math.atan(s / (2 * f))),
        ),
        Misconception(
            "whole sensor on one side",
            "You put the whole sensor on one side of the axis. Only half of it lies on each side.",
            lambda s, f: 2 * math.atan(s / f),
        ),
        Misconception(
            "whole sensor in one triangle",
            "You drew one triangle with the whole sensor opposite the lens. The axis meets the sensor in "
            "its middle, so there are two right-angled triangles.",
            lambda s, f: math.atan(s / f),
        ),
        Misconception(
            "upside down",
            "You divided the focal length by the sensor. A longer lens must see less, in your result it sees more.",
            lambda s, f: 2 * math.atan(2 * f / s),
        ),
        Misconception(
            "tangent for its inverse",
            "You took the tangent of a ratio. The ratio is the tangent already; the angle is its inverse.",
            lambda s, f: 2 * math.tan(s / (2 * f)),
        ),
        Misconception(
            "order of operations",
            "Python reads a / 2 * b as (a / 2) · b. Put what stands below the line into parentheses.",
            lambda s, f: 2 * math.atan(s / 2 * f),
        ),
        Misconception(
            "integer division",
            "// throws the fraction away before the angle is taken. Use /.",
            lambda s, f: 2 * math.atan(s // (2 * f)),
            also=(lambda s, f: 2 * math.atan(s // 2 / f), lambda s, f: 2 * math.atan(s / 2 // f)),
        ),
        Misconception(
            "small angles only",
            "You took the ratio for the angle. That holds for small angles, and a camera's angle is not small.",
            lambda s, f: s / f,
        ),
    ),
)


def pixels_on_target(size_m, distance_m, hfov_rad, image_width_px):
    """Pixels on target: how many pixels wide an object is in the picture, not rounded.

    size_m: width of the object, m.  distance_m: along the camera's axis, m.
    hfov_rad: horizontal field of view, rad.  image_width_px: width of the picture, px.
    """
    return image_width_px * size_m / (2 * distance_m * math.tan(hfov_rad / 2))


PIXELS_ON_TARGET = Task(
    reference=pixels_on_target,
    lesson=2,
    statement="Write pixels_on_target(size_m, distance_m, hfov_rad, image_width_px): the pixels on target, how many px wide an object of size_m is in the "
    "picture, not rounded, when it stands distance_m in front of a camera whose picture is image_width_px wide and spans hfov_rad.",
    unit="px",
    fixed=(
        (0.10, 2.0, math.radians(62.2), 640),
        (0.07, 3.0, math.radians(60), 320),
        (0.5, 1.25, math.radians(100), 300),
    ),
    draw=lambda rng: (
        float(rng.uniform(0.03, 0.6)),
        float(rng.uniform(0.4, 8)),
        float(rng.uniform(0.6, 2.0)),
        int(rng.integers(160, 1921)),
    ),
    nudges=(
        "At this distance the camera sees a strip of the world. How many meters wide is it?",
        "The strip reaches from the axis to both sides: twice the distance times the tangent of half the field of view.",
        "The pixels divide the strip's meters among them: one pixel is strip / image_width_px meters. How many of those is size_m?",
    ),
    misconceptions=(
        Misconception(
            "tangent of the whole angle",
            "Your strip is 2·Z·tan(the whole angle). The axis cuts the field of view in two.",
            lambda s, z, a, w: w * s / (2 * z * math.tan(a)),
        ),
        Misconception(
            "one side of the strip",
            "Your strip reaches from the axis to one edge only. The picture shows both sides.",
            lambda s, z, a, w: w * s / (z * math.tan(a / 2)),
        ),
        Misconception(
            "radians taken for degrees",
            "You turned hfov_rad from degrees to radians. It is in radians already, as its name says.",
            lambda s, z, a, w: w * s / (2 * z * math.tan(math.radians(a) / 2)),
        ),
        Misconception(
            "degrees given to the tangent",
            "You turned hfov_rad into degrees. The functions of math take radians, and hfov_rad is in radians already.",
            lambda s, z, a, w: w * s / (2 * z * math.tan(math.degrees(a) / 2)),
            also=(lambda s, z, a, w: w * s / (2 * z * math.tan(math.degrees(a / 2))),),
        ),
        Misconception(
            "sine for tangent",
            "You took the sine of half the angle. The sine belongs to the slanting ray; the distance is measured along the axis, so the tangent does.",
            lambda s, z, a, w: w * s / (2 * z * math.sin(a / 2)),
        ),
        Misconception(
            "distance squared",
            "Twice as far away you get a quarter of the pixels. The area falls like that; the width only halves.",
            lambda s, z, a, w: w * s / (2 * z**2 * math.tan(a / 2)),
        ),
        Misconception(
            "whole pixels",
            "Your result is cut off to whole pixels. Half a pixel counts here: return the fraction.",
            lambda s, z, a, w: int(w * s / (2 * z * math.tan(a / 2))),
        ),
        Misconception(
            "rounded pixels",
            "Your result is rounded to whole pixels. Return the fraction, round only what you print.",
            lambda s, z, a, w: round(w * s / (2 * z * math.tan(a / 2))),
        ),
        Misconception(
            "share of the angle",
            "You took the angle that the object spans, as a fraction of the field of view. Equal pixels are equal widths of the "
            "strip, not equal angles: near the edge one degree covers more pixels.",
            lambda s, z, a, w: w * 2 * math.atan(s / (2 * z)) / a,
        ),
        Misconception(
            "size of a pixel",
            "Your result is the number of meters that one pixel covers. Ask how many of those the object is.",
            lambda s, z, a, w: 2 * z * math.tan(a / 2) / w,
        ),
        Misconception(
            "pixels in a meter",
            "Your result does not depend on size_m: it is how many px a meter has at that distance. The object is size_m wide.",
            lambda s, z, a, w: w / (2 * z * math.tan(a / 2)),
        ),
        Misconception(
            "whole angle, one side",
            "Your strip is Z·tan(the whole angle). Half the angle gives half the strip, and the tangent is not proportional to the angle.",
            lambda s, z, a, w: w * s / (z * math.tan(a)),
        ),
        Misconception(
            "angle without tangent",
            "You used half the angle itself as a slope. The slope of a ray is the tangent of its angle.",
            lambda s, z, a, w: w * s / (z * a),
        ),
        Misconception(
            "height of the picture",
            "You used three quarters of the picture's width, its height in many cameras. The width is what spans hfov_rad.",
            lambda s, z, a, w: 0.75 * w * s / (2 * z * math.tan(a / 2)),
        ),
    ),
)


def working_range(object_m, smallest_px, hfov_rad, width_px, height_px):
    """Working range, (near_m, far_m) in m, straight ahead of a level camera.

    object_m: height of the object, m; its middle is as high as the lens.
    smallest_px: height in the picture below which the detector loses it, px.
    hfov_rad: horizontal field of view, rad.
    width_px, height_px: size of the picture, px.
    """
    focal_px = width_px / 2 / math.tan(hfov_rad / 2)
    return focal_px * object_m / height_px, focal_px * object_m / smallest_px


def _band(object_m, near_px, far_px, angle_rad, width_px):
    focal_px = width_px / 2 / math.tan(angle_rad)
    return focal_px * object_m / near_px, focal_px * object_m / far_px


WORKING_BAND = Task(
    reference=working_range,
    lesson=2,
    statement="Write working_range(object_m, smallest_px, hfov_rad, width_px, height_px): the working range in m, (near_m, far_m), in "
    "which an object of height object_m can be detected. Nearer than near_m it is taller than the picture, farther than far_m it is less "
    "than smallest_px tall. The camera looks level at the middle of the object, its pixels are square, hfov_rad spans width_px.",
    unit="m",
    fixed=(
        (0.5, 12, math.radians(62.2), 320, 240),
        (0.5, 16, math.radians(90), 640, 360),
        (1.0, 20, math.radians(48.8), 480, 640),
    ),
    draw=lambda rng: (
        float(rng.uniform(0.1, 1.5)),
        int(rng.integers(6, 40)),
        float(rng.uniform(0.6, 2.0)),
        int(rng.integers(300, 700)),
        int(rng.integers(100, 280)),
    ),
    nudges=(
        "First the focal length in px: half the picture's width over the tangent of half the field of view.",
        "An object of height object_m at distance Z is focal_px · object_m / Z tall, in px. Solve that for Z.",
        "At the near limit it is height_px tall, at the far limit smallest_px. Return near first.",
    ),
    misconceptions=(
        Misconception(
            "far before near",
            "You return the far limit first. Near first, then far.",
            lambda o, s, a, w, h: _band(o, s, h, a / 2, w),
        ),
        Misconception(
            "width for height",
            "Your near limit is where an object as wide as this one is tall fills the width of the picture. This one is upright: "
            "it fills the height.",
            lambda o, s, a, w, h: _band(o, w, s, a / 2, w),
        ),
        Misconception(
            "angle shared out with the pixels",
            "You took hfov_rad · height_px / width_px for the vertical field of view. Angles do not share out with the pixels; "
            "the tangents of half the angles do.",
            lambda o, s, a, w, h: (o / 2 / math.tan(a * h / w / 2), _band(o, h, s, a / 2, w)[1]),
        ),
        Misconception(
            "focal length from the height",
            "You took the focal length from the picture's height and hfov_rad. The horizontal angle spans the width.",
            lambda o, s, a, w, h: _band(o, h, s, a / 2, h),
        ),
        Misconception(
            "tangent of the whole angle",
            "You took the tangent of the whole field of view. The axis cuts it in two.",
            lambda o, s, a, w, h: _band(o, h, s, a, w),
        ),
        Misconception(
            "whole width in one triangle",
            "Your focal length is the whole width over the tangent of half the angle. Half an angle goes "
            "with half a width.",
            lambda o, s, a, w, h: _band(o, h, s, a / 2, 2 * w),
        ),
        Misconception(
            "twice the picture",
            "At your near limit the object would be twice as tall as the picture: its upper half has the upper half of the picture.",
            lambda o, s, a, w, h: _band(o, 2 * h, s, a / 2, w),
        ),
        Misconception(
            "half the picture",
            "You let the whole object fill half the picture. The camera looks at its middle: half of it goes into half the picture.",
            lambda o, s, a, w, h: _band(o, h / 2, s, a / 2, w),
        ),
        Misconception(
            "radians taken for degrees",
            "You turned hfov_rad from degrees to radians. It is in radians already, as its name says.",
            lambda o, s, a, w, h: _band(o, h, s, math.radians(a) / 2, w),
        ),
    ),
)


def bearing(x_px, width_px, hfov_rad):
    """Bearing of what is seen in column x_px, rad: 0 straight ahead, left positive.

    x_px: px from the left edge of the picture.  width_px: width of the picture, px.
    hfov_rad: horizontal field of view, rad.
    """
    focal_px = width_px / 2 / math.tan(hfov_rad / 2)
    return math.atan((width_px / 2 - x_px) / focal_px)


def _slope(x_px, width_px, hfov_rad):
    return (width_px / 2 - x_px) / (width_px / 2) * math.tan(hfov_rad / 2)


BEARING = Task(
    reference=bearing,
    lesson=2,
    statement="Write bearing(x_px, width_px, hfov_rad): the angle in rad between the camera's axis and what is seen x_px from the left "
    "edge of the picture. Positive to the left, because a left turn is positive (ISO 8855); 0 in the middle.",
    unit="rad",
    fixed=(
        (80.0, 320, math.radians(62.2)),
        (320.0, 320, math.radians(90)),
        (320.0, 640, math.radians(62.2)),
        (0.0, 640, math.radians(102)),
    ),
    draw=lambda rng: (lambda w: (float(rng.uniform(0, w)), w, float(rng.uniform(0.6, 2.0))))(
        int(rng.integers(160, 1921))
    ),
    nudges=(
        "How many px to the left of the principal point, the middle of the picture, is the column? On the right that number is negative.",
        "Make a triangle in px: the focal length along the axis, and those px across.",
        "focal_px = (width_px / 2) / tan(hfov_rad / 2), and the angle is the inverse tangent of px across / focal_px.",
    ),
    misconceptions=(
        Misconception(
            "sign",
            "Your angles grow to the right. A picture's x does that; a robot's yaw does not: left is positive (ISO 8855).",
            lambda x, w, a: -math.atan(_slope(x, w, a)),
        ),
        Misconception(
            "angle shared out evenly",
            "You gave every column the same angle. Equal columns are equal widths of the strip, not equal angles: "
            "you are right in the middle and at the edges, and off by some degrees between.",
            lambda x, w, a: (w / 2 - x) / w * a,
        ),
        Misconception(
            "in degrees",
            "Your result is in degrees. The task asks for rad.",
            lambda x, w, a: math.degrees(math.atan(_slope(x, w, a))),
        ),
        Misconception(
            "slope for angle",
            "Your result is the slope, px across over the focal length. The angle is its inverse tangent.",
            lambda x, w, a: _slope(x, w, a),
        ),
        Misconception(
            "from the left edge",
            "You measured from the left edge of the picture. Straight ahead is its middle.",
            lambda x, w, a: math.atan(x / (w / 2) * math.tan(a / 2)),
        ),
        Misconception(
            "tangent of the whole angle",
            "Your focal length has the tangent of the whole field of view. The axis cuts it in two.",
            lambda x, w, a: math.atan((w / 2 - x) / (w / 2) * math.tan(a)),
        ),
        Misconception(
            "whole width in one triangle",
            "Your focal length is the whole width over the tangent of half the angle. Half an angle goes "
            "with half a width.",
            lambda x, w, a: math.atan(_slope(x, w, a) / 2),
        ),
        Misconception(
            "radians taken for degrees",
            "You turned hfov_rad from degrees to radians. It is in radians already, as its name says.",
            lambda x, w, a: math.atan(_slope(x, w, math.radians(a))),
        ),
    ),
)

TASKS = (FIELD_OF_VIEW, PIXELS_ON_TARGET, WORKING_BAND, BEARING)
