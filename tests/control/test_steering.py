"""Steering laws: signs, limits, and what each law is better at."""

import math

import numpy as np
import pytest

from robotlab.control import Motor, sign_check, turn_toward
from robotlab.control.steering import FeedForwardTurn, PDTurn, speed_toward
from robotlab.design_sheet.measure_motion import standing
from robotlab.errors import MotionError
from robotlab.loop import GroundTruthDetector, Settings, simulate


def test_target_right_of_center_needs_a_negative_yaw_rate():
    # ISO 8855 axes: y left, yaw counter-clockwise, so right is negative.
    assert turn_toward(-0.1, 2.0) == pytest.approx(-0.2)
    assert turn_toward(0.1, 2.0) == pytest.approx(0.2)


def test_limits():
    assert turn_toward(1.0, 5.0, 1.2) == 1.2
    assert turn_toward(-1.0, 5.0, 1.2) == -1.2
    assert speed_toward(5.0, 1.0, 1.0, 0.6) == 0.6
    assert speed_toward(0.2, 1.0, 1.0, 0.6, max_reverse_mps=0.1) == -0.1
    assert speed_toward(0.2, 1.0, 1.0, 0.6) == 0.0


def test_speed_falls_with_the_cosine_of_the_bearing():
    straight = speed_toward(2.0, 1.0, 0.5, 9.0)
    assert speed_toward(2.0, 1.0, 0.5, 9.0, bearing_rad=math.pi / 3) == pytest.approx(straight / 2)
    assert speed_toward(2.0, 1.0, 0.5, 9.0, bearing_rad=2.0) == 0.0


def _follow(law, rate=0.4, dt=0.1, delay=2, frames=200):
    """Bearing left over when the direction to the target turns steadily."""
    yaw, bearings, yaws = 0.0, [], []
    for k in range(frames):
        bearings.append(rate * k * dt - yaw)
        yaws.append(yaw)
        old = max(0, k - delay)
        yaw += law(bearings[old], yaws[old]) * dt
    return np.array(bearings)


def test_p_control_trails_by_rate_over_gain_and_feed_forward_does_not():
    # Closed form: at steady turning, gain * bearing = rate.
    plain = _follow(lambda bearing, yaw: turn_toward(bearing, 1.0))
    assert plain[-1] == pytest.approx(0.4, abs=1e-3)
    law = FeedForwardTurn(gain=1.0, smooth_s=0.3)
    assert abs(_follow(lambda bearing, yaw: law.step(bearing, yaw, 0.1))[-1]) < 1e-3


def _step_with_lag(law, lag=0.6, dt=0.05, frames=300):
    bearing, rate, errors = 1.0, 0.0, []
    for _ in range(frames):
        errors.append(bearing)
        command = law(bearing)
        gap = rate - command
        bearing -= command * dt - gap * lag * math.expm1(-dt / lag)
        rate = command + gap * math.exp(-dt / lag)
    return np.array(errors)


def test_damping_tames_motor_lag():
    plain = _step_with_lag(lambda bearing: turn_toward(bearing, 3.0))
    law = PDTurn(gain=3.0, derivative_gain=0.8)
    damped = _step_with_lag(lambda bearing: law.step(bearing, 0.05))
    assert damped.min() > 0.6 * plain.min()  # less overshoot: both are negative
    assert plain.min() < -0.3


def test_no_command_comes_of_what_is_no_number():
    for arguments in ((math.nan, 1.0), (0.1, math.nan), (math.inf, 0.0)):
        with pytest.raises(MotionError, match="bearing and gain must be numbers"):
            turn_toward(*arguments, 1.0)
    with pytest.raises(MotionError, match="distance, gain and bearing must be numbers"):
        speed_toward(math.nan, 1.0, 1.0, 0.6)
    with pytest.raises(MotionError, match="distance, gain and bearing must be numbers"):
        speed_toward(2.0, 1.0, 1.0, 0.6, bearing_rad=math.nan)
    for law, step in (
        (PDTurn(1.0, 1.0), lambda law, b: law.step(b, 0.1)),
        (FeedForwardTurn(1.0), lambda law, b: law.step(b, 0.0, 0.1)),
    ):
        step(law, 0.1)
        with pytest.raises(MotionError, match="must be finite"):
            step(law, math.nan)
        assert step(law, 0.1) == pytest.approx(0.1)  # it remembers the last good bearing
    assert turn_toward(math.inf, 1.0, 1.2) == 1.2  # as far to the left as can be


def test_time_step_must_be_positive():
    with pytest.raises(MotionError, match="dt_s must be more than 0"):
        PDTurn(1, 1).step(0.1, 0.0)
    with pytest.raises(MotionError, match="dt_s must be more than 0"):
        FeedForwardTurn(1).step(0.1, 0.0, float("nan"))


class TestSignCheck:
    """Common practice, no source: test the steering with the wheels off the ground."""

    seen = (0.3, 0.25, 0.3, -0.3, -0.2, -0.3)

    def wheels(self, sign):
        turns = [sign * turn_toward(bearing, 1.0) for bearing in self.seen]
        return [-turn / 2 for turn in turns], [turn / 2 for turn in turns]

    def test_right_and_wrong_sign(self):
        right = sign_check(self.seen, *self.wheels(+1))
        wrong = sign_check(self.seen, *self.wheels(-1))
        assert (right.ok, right.flees) == (True, False)
        assert (wrong.ok, wrong.flees) == (False, True)
        assert "flip the steering sign" in wrong.message

    def test_one_side_is_not_enough(self):
        check = sign_check([0.3, 0.3], [-0.1, -0.1], [0.1, 0.1])
        assert not check.ok and not check.flees and "on the right" in check.message

    def test_always_turning_left_is_caught(self):
        check = sign_check(self.seen, [-0.1] * 6, [0.1] * 6)
        assert not check.ok and not check.flees and "disagree" in check.message

    def test_standing_wheels_say_nothing(self):
        check = sign_check(self.seen, [0.0] * 6, [0.001] * 6)
        assert not check.ok and not check.flees

    @pytest.mark.parametrize(
        "plug", [lambda left, right: (-left, right), lambda left, right: (right, right)], ids=["reversed", "one output"]
    )
    def test_wheels_that_turn_alike_are_told_from_standing_ones(self, plug):
        pairs = [plug(*pair) for pair in zip(*self.wheels(+1))]
        check = sign_check(self.seen, [left for left, _ in pairs], [right for _, right in pairs])
        assert (
            not check.ok and not check.flees and "with the target on the left both wheels turn alike" in check.message
        )

    def test_lengths_must_agree(self):
        with pytest.raises(MotionError, match="equally long"):
            sign_check([0.1], [0.1, 0.2], [0.1])


@pytest.mark.parametrize("lag_s", [0.0, 0.1])
def test_a_derivative_part_takes_off_overshoot_with_motor_lag_and_without(lag_s):
    """Half the ultimate gain, 0.3 s of latency, a jump of 15 degrees: what PDTurn's docstring says."""
    over_deg = []
    for law in ("p", "pd"):
        settings = Settings(delay_s=0.3, motor=Motor(lag_s=lag_s), drive_gain=0.0, law=law, derivative_gain=0.3)
        settings = settings.but(turn_gain=settings.safe_gain)
        run = simulate(
            GroundTruthDetector(),
            standing(2.0),
            settings=settings,
            duration_s=6,
            start=(0.0, 0.0, -math.radians(15)),
            pictures=False,
        )
        over_deg.append(-math.degrees(run.true_bearings_rad.min()))
    assert over_deg == pytest.approx({0.0: [4.2, 1.0], 0.1: [4.8, 1.3]}[lag_s], abs=0.1)
