"""The whole loop: what every practitioner knows must show by itself.

The facts named in the classes are common practice, no source.
"""

import math

import numpy as np
import pytest
from some_long import some_long

from robotlab.color import Band, ColorDetector
from robotlab.control import Motor
from robotlab.control.stability import sampled_ultimate_gain
from robotlab.errors import InputError, MotionError
from robotlab.greenhouse import WALKS, Scene, Walk
from robotlab.loop import GroundTruthDetector, Settings, default_camera, simulate

# Chosen by eye in daylight: the orange of the post, without the pots' terracotta.
ORANGE = ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})


def still_post(x_m=3.0, y_m=0.0, seconds=30.0):
    return Walk(
        "still", "The post stands.", (0.0, seconds), ((x_m, y_m), (x_m, y_m)), Scene(room_m=(-9.0, -9.0, 9.0, 9.0))
    )


def simulate_truth(walk, seconds=None, start=(0.0, 0.0, 0.0), **changes):
    return simulate(
        GroundTruthDetector(), walk, settings=Settings(**changes), duration_s=seconds, start=start, pictures=False
    )


@pytest.fixture(scope="module")
def followed():
    """One rendered run with the color detector."""
    return simulate(ORANGE, WALKS["weave"], duration_s=8)


class TestFollowing:
    def test_color_detector_follows_in_daylight(self, followed):
        scores = followed.scores()
        assert scores["time_in_view"] == 1.0 and scores["losses"] == 0 and scores["contacts"] == 0
        assert scores["distance_error_m"] < 0.5 and scores["bearing_error_rad"] < 0.2

    def test_what_was_measured_agrees_with_the_truth(self, followed):
        seen = ~np.isnan(followed.bearings_rad)
        ticks = np.searchsorted(followed.t_s, followed.picture_t_s - 1e-6)
        assert seen.mean() > 0.9
        np.testing.assert_allclose(followed.bearings_rad[seen], followed.true_bearings_rad[ticks][seen], atol=0.02)
        ratio = followed.distances_m[seen] / followed.true_distances_m[ticks][seen]
        assert abs(np.median(ratio) - 1) < 0.08

    def test_same_seed_same_run_other_seed_other_noise(self):
        a, b, c = (simulate(ORANGE, WALKS["straight"], duration_s=1, seed=seed) for seed in (3, 3, 4))
        assert a._records == b._records and a.pictures == b.pictures
        assert a.pictures != c.pictures

    @pytest.mark.parametrize("name", sorted(WALKS))
    def test_ground_truth_detector_follows_every_walk(self, name):
        # One post comes so near that a trolley loses it that may not back up.
        scores = simulate_truth(WALKS[name], max_reverse_mps=0.3).scores()
        assert scores["losses"] == 0 and scores["time_in_view"] == 1.0
        assert scores["closest_m"] > 0.5

    def test_standing_post_is_reached_to_the_kept_distance(self):
        run = simulate_truth(still_post(), 15)
        assert run.true_distances_m[-1] == pytest.approx(1.2, abs=0.02)
        assert abs(run.speeds_mps[-1]) < 0.01
        # P-control without overshoot: never nearer than what is kept.
        assert run.true_distances_m.min() > 1.19

    def test_moving_post_is_trailed_by_speed_over_gain(self):
        # Closed form: at steady speed, gain * (distance - keep) = speed, with
        # the distance one delay old; both are equal then.
        run = simulate_truth(WALKS["straight"], distance_from="height")
        assert run.true_distances_m[-100] - 1.2 == pytest.approx(0.30 / 1.2, rel=0.05)

    def test_pictures_need_a_detector_that_looks(self):
        with pytest.raises(InputError, match="pictures=False"):
            simulate(ORANGE, WALKS["straight"], pictures=False)
        with pytest.raises(InputError, match="must know the class 'post'"):
            simulate(GroundTruthDetector(classes=("crate",)), WALKS["straight"], duration_s=1, pictures=False)


class TestSigns:
    """A flipped steering sign makes the trolley flee."""

    def test_target_at_the_right_turns_the_trolley_right(self):
        # ISO 8855: right is negative y, and the yaw rate must be negative.
        run = simulate_truth(still_post(3.0, -1.0), 1.0)
        assert run.bearings_rad[0] < 0
        assert run.pose[-1, 2] < -0.05
        assert run.commands_mps[20, 0] > run.commands_mps[20, 1]  # the left wheel is faster

    @pytest.mark.parametrize("side", [-0.3, 0.3])
    def test_flipped_sign_flees(self, side):
        right = simulate_truth(still_post(3.0, side), 6)
        wrong = simulate_truth(still_post(3.0, side), 6, steering_sign=-1)
        assert abs(right.true_bearings_rad[-1]) < 0.02
        # The bearing grows until the post is out of the picture.
        first_second = np.abs(wrong.true_bearings_rad[:50])
        assert first_second[-1] > 3 * first_second[0]
        assert wrong.visible[-1] < 0.25 or wrong.scores()["time_in_view"] < 0.6
        assert wrong.scores()["losses"] >= 1 and right.scores()["losses"] == 0


class TestPictureSize:
    """Pictures squeezed small lose a far post."""

    def test_far_post_is_lost_when_squeezed(self):
        scene = WALKS["straight"].scene
        far = Walk("far", "The post stands far away.", (0.0, 9.0), ((5.5, 0.0), (5.5, 0.0)), scene)
        full = simulate(ORANGE, far, duration_s=1.5)
        small = simulate(ORANGE, far, settings=Settings(detector_px=(64, 48)), duration_s=1.5)
        assert full.scores()["time_following"] > 0.8
        assert small.scores()["time_following"] == 0.0
        # The same squeezed picture still finds a near post.
        near = simulate(ORANGE, WALKS["straight"], settings=Settings(detector_px=(64, 48)), duration_s=1.5)
        assert near.scores()["time_following"] > 0.8

    def test_limit_is_where_the_pixels_say(self):
        # Pinhole: 0.5 m at Z meters is f * 0.5 / Z pixels high (Hartley & Zisserman, ch. 6).
        camera = default_camera()
        limit = camera.focal_px / 4 * 0.5 / 6  # squeezed to a quarter, 6 px needed
        for distance, seen in ((0.97 * limit, True), (1.03 * limit, False)):
            run = simulate(
                GroundTruthDetector(smallest_px=6),
                still_post(distance),
                settings=Settings(detector_px=(80, 60), max_mps=1e-3),
                duration_s=1,
                pictures=False,
            )
            assert bool(run.scores()["time_following"] > 0.5) is seen


class TestFieldOfView:
    """A narrow view loses a near post."""

    # The post crosses in front of the trolley, which holds its place.
    def crossing(self, distance):
        return Walk(
            "crossing",
            "The post crosses.",
            (0.0, 2.0, 4.0, 9.0),
            ((distance, 0.0), (distance, 0.0), (distance, 0.8), (distance, 0.8)),
            Scene(room_m=(-9.0, -9.0, 9.0, 9.0)),
        )

    def lost(self, hfov_deg, distance):
        return (
            simulate_truth(
                self.crossing(distance), hfov_rad=math.radians(hfov_deg), following_distance_m=distance, search_s=0.0
            ).scores()["losses"]
            > 0
        )

    def test_near_post_is_lost_by_the_narrow_view_only(self):
        assert self.lost(20, 0.7)
        assert not self.lost(62, 0.7)
        assert not self.lost(20, 3.5)  # the same view holds a far one


class TestJumps:
    """Without an acceleration limit it jumps at each change of direction."""

    def walk(self):
        times, places = (0.0, 3.0, 3.4, 6.0, 6.4, 9.0), ((1.2, 0), (2.7, 0), (2.4, 0), (1.2, 0), (1.6, 0), (2.9, 0))
        return Walk("to and fro", "The post turns back.", times, places, Scene(room_m=(-9.0, -9.0, 9.0, 9.0)))

    def test_peak_acceleration_and_jerk(self):
        jumping = simulate_truth(self.walk(), max_accel_mps2=None, motor=Motor(lag_s=0.02), drive_gain=4.0).scores()
        ramped = simulate_truth(self.walk(), max_accel_mps2=0.8, motor=Motor(lag_s=0.02), drive_gain=4.0).scores()
        smooth = simulate_truth(
            self.walk(), max_accel_mps2=0.8, max_jerk_mps3=4.0, motor=Motor(lag_s=0.02), drive_gain=4.0
        ).scores()
        assert ramped["peak_accel_mps2"] <= 0.8 + 1e-4 < 2 < jumping["peak_accel_mps2"]
        assert jumping["peak_jump_mps"] > 10 * ramped["peak_jump_mps"]
        assert smooth["peak_jerk_mps3"] < ramped["peak_jerk_mps3"] < jumping["peak_jerk_mps3"]
        # Measured over 0.1 s, a ramp's corner shows as its acceleration over 0.1 s, twice at a reversal.
        assert smooth["peak_jerk_mps3"] <= 4.0 * 1.05


class TestDelay:
    """The gain limit of the simulated trolley is that of theory."""

    @pytest.mark.parametrize("delay_frames", some_long([0, 3, 1, 2, 5, 10], every=2))
    def test_stability_limit(self, delay_frames):
        # Levin and May, 1976 (from memory); a small swing of a trolley that
        # only turns, so that no limit is reached and the post stays in view.
        frame_hz = 10.0
        limit = sampled_ultimate_gain(delay_frames) * frame_hz
        frames = 60 * (2 * delay_frames + 1)

        def swing(gain):
            run = simulate(
                GroundTruthDetector(),
                still_post(3.0, 0.0, 9e9),
                duration_s=frames / frame_hz,
                start=(0.0, 0.0, -0.02),
                pictures=False,
                settings=Settings(
                    frame_hz=frame_hz,
                    delay_s=delay_frames / frame_hz,
                    turn_gain=gain,
                    drive_gain=0.0,
                    max_accel_mps2=None,
                    max_yaw_radps=99.0,
                    ramp_hz=frame_hz,
                    motor=Motor(lag_s=0.0, max_mps=99.0),
                    watchdog_s=60.0,
                ),
            )
            size = np.abs(run.true_bearings_rad)
            third = len(size) // 3
            return size[-third:].max() / size[-2 * third : -third].max()

        assert swing(0.99 * limit) < 1 < swing(1.01 * limit)

    def test_settings_know_their_limit(self):
        # Without motor lag and with whole frames it is the sampled limit.
        settings = Settings(frame_hz=20, delay_s=0.10, motor=Motor(lag_s=0.0))
        assert settings.ultimate_gain == pytest.approx(20 * sampled_ultimate_gain(2), rel=1e-6)
        assert Settings().turn_gain < 0.5 * Settings().ultimate_gain

    def test_old_picture_is_used_no_earlier_than_its_delay(self):
        run = simulate_truth(still_post(3.0, 1.0), 1.0, delay_s=0.3)
        first = np.flatnonzero(np.abs(run.commands_mps).max(axis=1) > 0)[0]
        assert run.t_s[first] == pytest.approx(0.3, abs=1e-6)

    def test_slow_detector_skips_pictures(self):
        run = simulate_truth(still_post(), 4.0, detector_s=0.25)
        used = [record["i"] for record in run._records if record["kind"] == "observation"]
        assert len(used) == pytest.approx(4.0 / 0.25, abs=1)
        # The newest picture is taken, not the oldest.
        ages = [
            record["t"] - run.picture_t_s[record["i"]] for record in run._records if record["kind"] == "observation"
        ]
        assert max(ages) <= 0.1 + 0.25 + 0.1 + 0.021


class TestLost:
    def test_order_of_what_is_done_and_the_stop_stays(self):
        # The post is carried behind the trolley, out of observation for good.
        walk = Walk(
            "away",
            "The post vanishes.",
            (0.0, 3.0, 3.2, 30.0),
            ((2.0, 0.0), (2.5, 0.0), (2.5, 60.0), (2.5, 60.0)),
            Scene(room_m=(-9.0, -9.0, 9.0, 9.0)),
        )
        run = simulate(GroundTruthDetector(smallest_px=12), walk, pictures=False, settings=Settings(search_s=3.0))
        order = [event["what"] for event in run.events]
        assert order == ["wait", "follow", "hold", "slow", "search", "stop"]
        begins = {event["what"]: event["t"] for event in run.events}
        s = run.settings
        assert begins["slow"] - begins["hold"] <= s.hold_s + s.frame_s + 1e-6
        assert begins["search"] - begins["slow"] == pytest.approx(s.slow_s, abs=0.03)
        assert begins["stop"] - begins["search"] == pytest.approx(3.0, abs=0.03)
        # It stands at the end.
        assert np.abs(run.wheels_mps[-1]).max() < 1e-3

    def test_search_turns_to_where_it_went(self):
        for side in (-1, 1):
            walk = Walk(
                "away",
                "The post vanishes.",
                (0.0, 2.0, 4.0, 9.0),
                ((2.0, 0.0), (2.0, 0.0), (1.0, side * 4.0), (1.0, side * 4.0)),
                Scene(room_m=(-9.0, -9.0, 9.0, 9.0)),
            )
            run = simulate_truth(walk, turn_gain=0.1, search_s=20)
            states = [run.state_at(k) for k in range(len(run.t_s))]
            assert "search" in states
            assert side * run.pose[-1, 2] > 0.5
            assert run.scores()["recoveries"] == 1


class TestSettings:
    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"frame_hz": 0}, "frame_hz must be more than 0"),
            ({"steering_sign": 2}, "steering_sign must be one of 1, -1"),
            ({"law": "pid"}, "law must be one of p, pd, feed_forward"),
            ({"turn_gain": float("nan")}, "turn_gain must be"),
            ({"max_accel_mps2": None, "max_jerk_mps3": 3}, "jerk limit needs"),
            ({"detector_px": (160,)}, "detector_px must be width and height"),
            ({"watchdog_s": 0.1}, "watchdog_s must be longer"),
            ({"turn_gian": 2}, "settings must be among"),
        ],
    )
    def test_bad_settings_are_refused(self, changes, words):
        with pytest.raises(MotionError, match=words):
            Settings().but(**changes)
