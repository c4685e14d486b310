"""Each formula of motion, once for plain numbers and once for arrays: the same numbers, and of the same kind."""

import math

import numpy as np
import pytest

from robotlab.control import DifferentialDrive, Motor, Ramp, advance, scale_wheel_speeds, turn_toward
from robotlab.control.elementwise import sine_ratio
from robotlab.control.ramp import ramp_step
from robotlab.control.steering import speed_toward
from robotlab.errors import MotionError

RNG = np.random.default_rng(2)
COUNT = 200


def rows(low, high):
    return RNG.uniform(low, high, COUNT)


FORMULAS = {
    "turn": (turn_toward, (rows(-1, 1), rows(0, 6), rows(0.5, 2))),
    "turn, one limit": (lambda bearing: turn_toward(bearing, 1.8, 0.9), (rows(-1, 1),)),
    "speed": (speed_toward, (rows(0, 4), rows(0.6, 2), rows(0, 3), rows(0.2, 0.7), rows(0, 0.3), rows(-3, 3))),
    "speed, straight ahead": (lambda far: speed_toward(far, 1.2, 1.0, 0.5), (rows(0, 4),)),
    "ramp": (lambda speed, wanted: ramp_step(speed, wanted, 0.8, 0.02), (rows(-1, 1), rows(-1, 1))),
    "no ramp": (lambda speed, wanted: ramp_step(speed, wanted, None, 0.02), (rows(-1, 1), rows(-1, 1))),
    "motor": (lambda speed, told: Motor(lag_s=0.13, max_mps=0.7).step(speed, told, 0.02), (rows(-1, 1), rows(-1, 1))),
    "dead band": (lambda told: Motor(dead_band_mps=0.3).step(0.2, told, 0.02), (rows(-1, 1),)),
    "no lag": (lambda speed, told: Motor(lag_s=0.0).step(speed, told, 0.02), (rows(-1, 1), rows(-1, 1))),
    "slip": (Motor(slip=0.15).ground, (rows(-1, 1),)),
    "twist": (DifferentialDrive(track_m=0.33).twist, (rows(-1, 1), rows(-1, 1))),
    "wheels": (DifferentialDrive(track_m=0.33).wheels, (rows(-1, 1), rows(-4, 4))),
    "limit": (lambda left, right: scale_wheel_speeds(left, right, 0.6), (rows(-1, 1), rows(-1, 1))),
    "below the limit": (lambda left, right: scale_wheel_speeds(left, right, 1.0), (rows(-1, 1), rows(-1, 1))),
    "short arc": (
        lambda *pose: advance(*pose, 0.02),
        (rows(-5, 5), rows(-5, 5), rows(-9, 9), rows(-1, 1), rows(-4, 4)),
    ),
    "long arc": (lambda *pose: advance(*pose, 1.5), (rows(-5, 5), rows(-5, 5), rows(-9, 9), rows(-1, 1), rows(-4, 4))),
}


@pytest.mark.parametrize("name", FORMULAS)
def test_an_array_gives_what_its_numbers_give_one_by_one(name):
    formula, arrays = FORMULAS[name]
    together = np.atleast_2d(formula(*arrays))
    singles = [formula(*(float(value) for value in row)) for row in zip(*arrays, strict=True)]
    # Whether numbers go in or arrays come out must not leak: a plain number stays one.
    assert all(type(value) is float for single in singles for value in np.atleast_1d(np.array(single, object)))
    np.testing.assert_allclose(together, np.array(singles).reshape(COUNT, -1).T, rtol=0, atol=2e-15)
    assert together.shape[1] == COUNT and np.unique(together[0]).size > 1


def test_a_ramp_object_steps_as_its_formula():
    ramp, speed = Ramp(0.8, start=0.3), 0.3
    for wanted in (0.5, 0.5, -0.2, 0.0, 0.305):
        speed = ramp_step(speed, wanted, 0.8, 0.01)
        assert ramp.step(wanted, 0.01) == speed


@pytest.mark.parametrize("angles", [np.array([0.0]), np.geomspace(1e-12, 0.0499, 300), np.linspace(-3, 3, 301)])
def test_sine_over_its_angle(angles):
    # x / x is 1, and so is the limit; elsewhere the quotient itself, correct to the last bits.
    quotient = np.array([math.sin(x) / x if x else 1.0 for x in angles.tolist()])
    np.testing.assert_allclose(sine_ratio(angles), quotient, rtol=0, atol=2.3e-16)
    assert [sine_ratio(x) for x in angles.tolist()] == pytest.approx(quotient.tolist(), abs=2.3e-16)
    assert sine_ratio(np.zeros(0)).shape == (0,)


def test_one_number_that_is_none_is_refused_in_an_array_too():
    bad = np.array([0.1, math.nan, 0.2])
    with pytest.raises(MotionError, match="bearing and gain must be numbers"):
        turn_toward(bad, 1.0)
    for arguments in ((bad, 1.2, 1.0, 0.6), (2.0, 1.2, bad, 0.6), (2.0, 1.2, 1.0, 0.6, 0.0, bad)):
        with pytest.raises(MotionError, match="distance, gain and bearing must be numbers"):
            speed_toward(*arguments)
