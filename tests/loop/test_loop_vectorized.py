"""Many runs at once equal one after the other, and agree with the full loop and with theory."""

import math

import numpy as np
import pytest
from simulate_many_reference import one_run, simulate_many_reference

from robotlab.control import Motor
from robotlab.control.stability import sampled_ultimate_gain, ultimate_gain
from robotlab.detections import Detections
from robotlab.errors import MotionError
from robotlab.greenhouse import WALKS, Scene, Walk
from robotlab.loop import Follower, GroundTruthDetector, Settings, default_camera, simulate
from robotlab.loop.decide import SEARCHING, STANDING, STEADY, STOPPED, next_phase, phase_velocity
from robotlab.loop.vectorized import _Plan, simulate_many

RNG = np.random.default_rng(7)
VARY = {
    "turn_gain": RNG.uniform(0.3, 6, 24),
    "drive_gain": RNG.uniform(0.3, 3, 24),
    "following_distance_m": RNG.uniform(0.6, 2, 24),
    "max_mps": RNG.uniform(0.2, 0.7, 24),
    "hfov_rad": RNG.uniform(0.6, 2.0, 24),
    "farthest_m": RNG.uniform(1.5, 8.0, 24),
    "bearing_noise_rad": RNG.uniform(0, 0.1, 24),
    "distance_noise": RNG.uniform(0, 0.2, 24),
    "miss_rate": RNG.uniform(0, 0.9, 24),
}


@pytest.mark.parametrize(
    "settings",
    [
        Settings(),
        Settings(steering_sign=-1, search_s=1.0),
        Settings(max_accel_mps2=None, delay_s=0.0, motor=Motor(lag_s=0.0)),
        Settings(
            delay_s=0.34, frame_hz=7, motor=Motor(lag_s=0.2, slip=0.1, max_mps=0.5), max_mps=0.9, max_yaw_radps=3.0
        ),
        Settings(hold_s=0.0, slow_s=0.0, frame_hz=25, ramp_hz=25),
        Settings(motor=Motor(dead_band_mps=0.08)),
    ],
    ids=["plain", "wrong sign", "jumping", "slow and slipping", "no patience", "sticking"],
)
def test_plain_and_vectorised_are_equal(settings):
    ours, slow = (
        way(WALKS["weave"], settings, 24, seed=3, vary=VARY, duration_s=12)
        for way in (simulate_many, simulate_many_reference)
    )
    for name in (
        "distance_error_m",
        "bearing_error_rad",
        "time_in_view",
        "time_following",
        "losses",
        "closest_m",
        "growth",
        "last_bearing_rad",
        "end_pose",
    ):
        np.testing.assert_allclose(getattr(ours, name), getattr(slow, name), rtol=1e-9, atol=1e-9, err_msg=name)


def test_thousands_at_once_equal_single_plain_runs():
    count = 3000
    rng = np.random.default_rng(11)
    vary = {name: rng.uniform(values.min(), values.max(), count) for name, values in VARY.items()}
    ours = simulate_many(WALKS["weave"], Settings(), count, seed=5, vary=vary, duration_s=8)
    plan = _Plan(WALKS["weave"], Settings(), count, 5, np.radians(62.2), 8, (0.0, 0.0, 0.0), vary)
    for run in rng.integers(0, count, 15):
        sums, losses, closest, pose = one_run(plan, int(run))
        assert ours.bearing_error_rad[run] == pytest.approx(np.sqrt(sums["bearing"] / plan.ticks), rel=1e-9)
        assert ours.distance_error_m[run] == pytest.approx(np.sqrt(sums["distance"] / plan.ticks), rel=1e-9)
        assert (ours.losses[run], ours.closest_m[run]) == (losses, pytest.approx(closest, rel=1e-9))
        np.testing.assert_allclose(ours.end_pose[run], pose, atol=1e-9)
    # The runs do differ.
    assert np.unique(ours.bearing_error_rad).size > 0.99 * count and ours.losses.max() > 0


@pytest.mark.parametrize("name", sorted(WALKS))
def test_agrees_with_the_full_loop(name):
    settings = Settings(distance_from="height", max_reverse_mps=0.3)
    one = simulate_many(WALKS[name], settings, runs=1)
    run = simulate(GroundTruthDetector(), WALKS[name], settings=settings, pictures=False)
    scores = run.scores()
    assert one.distance_error_m[0] == pytest.approx(scores["distance_error_m"], abs=0.01)
    assert one.bearing_error_rad[0] == pytest.approx(scores["bearing_error_rad"], abs=0.005)
    np.testing.assert_allclose(one.end_pose[0, :2], run.pose[-1, :2], atol=0.03)


class Missing(GroundTruthDetector):
    """Misses the pictures that one of many runs misses."""

    def __init__(self, missed):
        super().__init__()
        self.missed, self.count = missed, -1

    def detect_ground_truth(self, box, visible):
        self.count += 1
        return super().detect_ground_truth(None if self.missed[self.count] else box, visible)


@pytest.mark.parametrize("seed", range(4))
def test_a_random_order_of_misses_leads_to_the_same_states(seed):
    # The loop with its stop in the one, the loop of arrays in the other.
    settings, miss_rate = (
        Settings(distance_from="height", hold_s=0.15, slow_s=0.3, search_s=1.5),
        [0.5, 0.7, 0.8, 0.9][seed],
    )
    one = simulate_many(WALKS["straight"], settings, 1, seed, vary={"miss_rate": miss_rate}, duration_s=15)
    plan = _Plan(WALKS["straight"], settings, 1, seed, np.radians(62.2), 15, (0.0, 0.0, 0.0), {"miss_rate": miss_rate})
    run = simulate(Missing(plan.missed[:, 0]), WALKS["straight"], settings=settings, duration_s=15, pictures=False)
    scores = run.scores()
    assert one.losses[0] == scores["losses"] > 0
    assert one.time_following[0] == pytest.approx(scores["time_following"], abs=1e-9)
    np.testing.assert_allclose(one.end_pose[0, :2], run.pose[-1, :2], atol=0.03)


def plain_phase(before, age, seen, expected, s):
    """The same rule as a chain of questions, for one."""
    if before == STOPPED or not age >= 0:
        return STOPPED
    if seen and age <= expected + s.hold_s:
        return STEADY
    age -= expected + (s.hold_s if seen else 0.0)
    if age <= s.slow_s:
        return STANDING
    return SEARCHING if age <= s.slow_s + s.search_s else STOPPED


def test_the_phases_of_many_are_those_of_each_and_of_the_follower():
    rng, s, count = np.random.default_rng(3), Settings(hold_s=0.2, slow_s=0.3, search_s=1.0), 60
    found = Detections([[200, 80, 210, 150]], [0.9], [0], ["post"])
    expected, met = s.delay_s + s.detector_s + s.frame_s, set()
    followers = [Follower(default_camera(), s) for _ in range(count)]
    t, since, seen = np.zeros(count), np.zeros(count), np.zeros(count, bool)
    many, each = STEADY, [STEADY] * count
    for _ in range(40):
        # Time goes on, seldom back; an observation of some age comes or not.
        steps = rng.choice([0.02, 0.13, 0.4, 0.9, -0.5], count, p=[0.5, 0.3, 0.14, 0.05, 0.01])
        t = t + steps * rng.uniform(0.9, 1.1, count)
        for row in np.flatnonzero(rng.random(count) < 0.4):
            if followers[row].observe(found, t[row] - 0.11) is not None:
                since[row], seen[row] = t[row] - 0.11, True
        many = next_phase(many, t - since, seen, expected, s)
        each = [plain_phase(*row, expected, s) for row in zip(each, (t - since).tolist(), seen.tolist(), strict=True)]
        states = [follower.velocity(now).state for follower, now in zip(followers, t.tolist(), strict=True)]
        names = {"follow": STEADY, "hold": STEADY, "wait": STANDING, "slow": STANDING, "search": SEARCHING}
        assert np.broadcast_to(many, count).tolist() == each == [names.get(state, STOPPED) for state in states]
        met.update(states)
    assert met == {"wait", "follow", "hold", "slow", "search", "stop"}


def test_phases_at_their_very_borders():
    s, expected = Settings(hold_s=0.25, slow_s=0.5, search_s=2.0), 0.125
    borders = [0.0, 0.125, 0.375, 0.625, 0.875, 2.625, 2.875]
    ages = [math.nan, -math.inf, -1.0, math.inf]
    ages += [to for at in borders for to in (math.nextafter(at, -9), at, math.nextafter(at, 9))]
    for before in (STEADY, STANDING, SEARCHING, STOPPED):
        for seen in (False, True):
            one_by_one = [next_phase(before, age, seen, expected, s) for age in ages]
            assert one_by_one == [plain_phase(before, age, seen, expected, s) for age in ages]
            assert all(type(phase) is int for phase in one_by_one)
            filled = np.full(len(ages), before), np.array(ages), np.full(len(ages), seen)
            assert next_phase(*filled, expected, s).tolist() == one_by_one
    # All of them steady is one number.
    assert next_phase(np.zeros(3, int), np.full(3, 0.2), np.ones(3, bool), expected, s) == STEADY


def test_what_a_phase_commands():
    s = Settings(search_radps=0.7)
    commands = phase_velocity(np.arange(4), (np.full(4, 0.5), np.full(4, 0.1)), np.array([1.0, 1.0, -1.0, 1.0]), s)
    assert [row.tolist() for row in commands] == [[0.5, 0.0, 0.0, 0.0], [0.1, 0.0, -0.7, 0.0]]
    assert [phase_velocity(phase, (0.5, 0.1), -1.0, s) for phase in range(4)] == [
        (0.5, 0.1),
        (0.0, 0.0),
        (0.0, -0.7),
        (0.0, 0.0),
    ]


def still(start_yaw, **settings):
    """Small swings of trolleys that only turn."""
    walk = Walk("still", "The post stands.", (0.0, 9e9), ((3.0, 0.0), (3.0, 0.0)), Scene())
    free = {"drive_gain": 0.0, "max_accel_mps2": None, "max_yaw_radps": 99.0, "frame_hz": 10.0, "ramp_hz": 10.0}
    return walk, Settings(**(free | settings)), (0.0, 0.0, start_yaw)


@pytest.mark.parametrize("delay", [0, 1, 2, 3, 5, 10])
def test_sweep_of_gains_finds_the_sampled_limit(delay):
    # Levin and May, 1976 (from memory).
    limit = sampled_ultimate_gain(delay) * 10.0
    walk, settings, start = still(0.01, delay_s=delay / 10, motor=Motor(lag_s=0.0, max_mps=99.0))
    shares = np.linspace(0.97, 1.03, 61)
    result = simulate_many(
        walk, settings, 61, vary={"turn_gain": shares * limit}, start=start, duration_s=12.0 * (2 * delay + 1)
    )
    found = shares[np.flatnonzero(result.growth < 1)[-1]]
    assert found == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(("delay", "lag"), [(0.1, 0.1), (0.3, 0.05), (0.06, 0.3)])
def test_sweep_finds_the_limit_with_motor_lag(delay, lag):
    walk, settings, start = still(0.01, delay_s=delay, ramp_hz=50.0, motor=Motor(lag_s=lag, max_mps=99.0))
    limit = ultimate_gain(0.1, delay, lag)
    shares = np.linspace(0.95, 1.05, 51)
    result = simulate_many(walk, settings, 51, vary={"turn_gain": shares * limit}, start=start, duration_s=60)
    assert shares[np.flatnonzero(result.growth < 1)[-1]] == pytest.approx(1.0, abs=0.01)
    assert settings.ultimate_gain == pytest.approx(limit)


def test_more_misses_lose_more():
    result = simulate_many(WALKS["weave"], runs=300, vary={"miss_rate": np.repeat([0.0, 0.5, 0.8], 100)})
    losses = result.losses.reshape(3, 100).mean(axis=1)
    assert losses[0] == 0 and losses[0] < losses[1] < losses[2]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"vary": {"color": 1.0}}, "vary must name some of turn_gain"),
        ({"vary": {"miss_rate": np.zeros(3)}}, "miss_rate must be one number or"),
        ({"vary": {"turn_gain": -1.0}}, "turn_gain must be"),
        ({"settings": Settings(law="pd")}, "simulate_many has the P law"),
        ({"runs": 0}, "runs must be 1 or more"),
        ({"start": (float("nan"), 0.0, 0.0)}, "start x_m must be finite"),
        ({"start": (0.0, 0.0)}, "give three numbers"),
        ({"hfov_rad": 0.0}, "hfov_rad must be"),
    ],
)
def test_bad_arguments_are_refused(arguments, words):
    with pytest.raises(MotionError, match=words):
        simulate_many(WALKS["straight"], **({"runs": 5} | arguments))
