"""The simulated loop against detectors, cameras and clocks of a hostile make, one by one and at random."""

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from robotlab.detections import Detections
from robotlab.errors import MotionError, PictureError
from robotlab.greenhouse import WALKS, Scene, Walk
from robotlab.loop import (
    FAULTS,
    FaultModel,
    GroundTruthDetector,
    Run,
    Settings,
    default_camera,
    read_log,
    simulate,
    worst_stopping_distance_m,
)
from robotlab.loop.campaigns import blind_distance_m
from robotlab.loop.fault_model import CameraFrame
from robotlab.loop.faults import ClockRate

FAST = Walk("fast", "The post runs off.", (0.0, 20.0), ((2.0, 0.0), (14.0, 0.0)), Scene(room_m=(-3.0, -3.0, 40.0, 3.0)))
SMALL = default_camera(80, 60)
BREAKS_S = 2.0


def post(box=(39.0, 25.0, 41.0, 45.0), score=0.9, label=0, classes=("post",)):
    return Detections([box], [score], [label], classes)


class Detector:
    """Sees a post straight ahead for a while, and then does something else."""

    def __init__(self, then):
        self.then, self.left = then, round(BREAKS_S * Settings().frame_hz)

    def detect(self, picture):
        self.left -= 1
        return post(np.array([39.0, 25, 41, 45]) * picture.shape[1] / 80) if self.left >= 0 else self.then(picture)


def why(run):
    """What the watchdog said."""
    return next(event["text"] for event in run.events if event["what"] == "fault")


def raises(error):
    def find(picture):
        raise error

    return find


ERRORS = {
    "raises": raises(ValueError("mine")),
    "raises with no words": raises(AssertionError()),
    "gives None": lambda picture: None,
    "gives a list": lambda picture: [[1, 2, 3, 4]],
    "gives a dictionary": lambda picture: {"boxes": np.zeros((0, 4))},
    "gives NaN boxes": lambda picture: post((math.nan, 1, 2, 3)),
    "gives infinite boxes": lambda picture: post((-math.inf, 1, 2, 3)),
    "gives NaN scores": lambda picture: post(score=math.nan),
    "gives infinite scores": lambda picture: post(score=math.inf),
    "gives boxes of three numbers": lambda picture: Detections([[1, 2, 3]], [1.0], [0], ["post"]),
    "gives too few scores": lambda picture: Detections([[1, 2, 3, 4]], [], [0], ["post"]),
    "gives a label without a class": lambda picture: post(label=7),
    "gives corners the wrong way round": lambda picture: post((5, 5, 1, 1)),
    "knows other classes": lambda picture: post(classes=("cat",)),
    "gives numbers too large for a scale": lambda picture: post((0, 0, 1.7e308, 1.7e308)),
}


@pytest.mark.parametrize("name", ERRORS)
def test_an_error_stops_the_trolley_and_is_named(name, tmp_path):
    s = Settings(detector_px=(20, 15))
    run = simulate(Detector(ERRORS[name]), FAST, SMALL, s, duration_s=6, strict=False, log=tmp_path / "run.jsonl")
    if name != "knows other classes" and name != "gives numbers too large for a scale":
        with pytest.raises((AssertionError, ValueError)):
            simulate(Detector(ERRORS[name]), FAST, SMALL, s, duration_s=3)
    assert run.speeds_mps.max() > 0.3 and abs(run.speeds_mps[-1]) < 1e-3
    assert blind_distance_m(run) <= worst_stopping_distance_m(run.settings)
    assert run.state_at(-1) == "fault" and "detector must answer" in why(run)
    named = [event["text"] for event in run.events if event["what"] == "detector failed"]
    assert named and ": " in named[0]
    log = read_log(tmp_path / "run.jsonl")
    assert log.complete and Run.from_records(log.records).scores() == run.scores()


@pytest.mark.parametrize(
    "box",
    [
        (-500, -500, -400, -300),
        (90, 5, 99, 40),
        (40, 70, 50, 90),
        (0, 0, 1e-9, 40),
        (30, 20, 30, 40),
        (-1e308, 0, 1e308, 40),
        (-900, -900, 900, 900),
    ],
)
def test_boxes_that_cannot_be_the_post_are_not_believed(box, tmp_path):
    run = simulate(Detector(lambda picture: post(box)), FAST, SMALL, duration_s=6, log=tmp_path / "run.jsonl")
    assert blind_distance_m(run) <= worst_stopping_distance_m(run.settings) and abs(run.speeds_mps[-1]) < 1e-3
    assert run.state_at(-1) == "search" and read_log(tmp_path / "run.jsonl").complete


@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=4, max_size=4),
    st.floats(allow_nan=False, allow_infinity=False),
)
@settings(max_examples=100)
def test_any_box_at_all_leaves_the_command_within_its_limits(corners, score):
    from robotlab.loop import Follower

    follower = Follower(SMALL, Settings())
    x0, x1, y0, y1 = *sorted(corners[:2]), *sorted(corners[2:])
    observation = follower.observe(post((x0, y0, x1, y1), score), 0.0)
    velocity = follower.velocity(0.1)
    assert -0.3 <= velocity.v_mps <= 0.6 and abs(velocity.yaw_radps) <= 1.5
    assert observation is None or 0 < observation.distance_m < 1e7


class Pictures(FaultModel):
    """A camera that gives something else from a time on."""

    def __init__(self, then):
        self.then, self.first = then, None

    def frames(self, index, t_s, frame):
        self.first = self.first if self.first is not None else frame.picture.copy()
        return [
            (
                CameraFrame(
                    self.then(frame.picture, self.first) if t_s >= BREAKS_S else frame.picture,
                    frame.truth,
                    frame.visible,
                ),
                0.0,
            )
        ]


UNREADABLE = {
    "nothing": lambda picture, first: None,
    "an empty one": lambda picture, first: picture[:0],
    "of the wrong size": lambda picture, first: picture[::2, ::2],
    "on its side": lambda picture, first: picture.transpose(1, 0, 2),
    "of floats": lambda picture, first: picture / 255,
    "of wide integers": lambda picture, first: picture.astype(np.int32),
    "gray": lambda picture, first: picture[..., 0],
    "with four channels": lambda picture, first: np.dstack([picture, picture[..., :1]]),
    "of bytes": lambda picture, first: picture.tobytes(),
}
DEAD = {
    "all black": lambda picture, first: np.zeros_like(picture),
    "always the first": lambda picture, first: first.copy(),
}


@pytest.mark.parametrize("name", [*UNREADABLE, *DEAD])
def test_a_picture_that_is_none_stops_the_trolley(name):
    then = (UNREADABLE | DEAD)[name]

    # The detector draws on each picture: that must not make a dead camera look alive.
    def find(picture):
        picture[:] = np.random.default_rng().integers(0, 255, picture.shape)
        return post()

    run = simulate(find, FAST, SMALL, duration_s=6, faults=Pictures(then), strict=False)
    assert abs(run.speeds_mps[-1]) < 1e-3 and blind_distance_m(run) <= worst_stopping_distance_m(run.settings)
    assert run.state_at(-1) == "fault" and "camera must answer" in why(run)
    if name in UNREADABLE:
        assert any(event["what"] == "picture failed" for event in run.events)
        with pytest.raises(PictureError, match="the picture that arrived"):
            simulate(find, FAST, SMALL, duration_s=3, faults=Pictures(then))


def test_drawing_on_the_picture_changes_nothing():
    def draws(picture):
        picture[:] = 0
        return post()

    plain, drawn = (simulate(find, WALKS["straight"], SMALL, duration_s=2) for find in (lambda picture: post(), draws))
    np.testing.assert_array_equal(plain.pose, drawn.pose)
    assert plain.pictures == drawn.pictures


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("law", ["p", "pd", "feed_forward"])
def test_a_clock_that_gives_no_number(value, law):
    class Clock(FaultModel):
        def clock(self, t_s):
            return t_s if t_s < BREAKS_S or t_s > 4 else value

    run = simulate(
        GroundTruthDetector(), FAST, settings=Settings(law=law), duration_s=6, pictures=False, faults=Clock()
    )
    assert (
        run.state_at(-1) == "fault"
        and abs(run.speeds_mps[-1]) < 1e-3
        and blind_distance_m(run) <= worst_stopping_distance_m(run.settings)
    )


@pytest.mark.parametrize("rate", [0.0, 0.5, 2.0, -1.0, 10.0])
def test_a_clock_that_runs_wrongly_is_noticed_by_the_other(rate):
    run = simulate(GroundTruthDetector(), FAST, duration_s=8, pictures=False, faults=ClockRate(3.0, rate))
    fault = next(event for event in run.events if event["what"] == "fault")
    assert ("clock" in fault["text"] or "two checks" in fault["text"]) and fault["t"] <= 3.0 + run.settings.silence_s
    assert abs(run.speeds_mps[-1]) < 1e-3


def test_fault_models_are_held_to_their_words():
    class Hooks(FaultModel):
        def frames(self, index, t_s, frame):
            return [(frame, -1.0)]

    with pytest.raises(MotionError, match="extra_s must be 0 or more"):
        simulate(GroundTruthDetector(), FAST, duration_s=1, pictures=False, faults=Hooks())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"duration_s": math.nan}, "duration_s must be"),
        ({"duration_s": -1}, "duration_s must be 0 or more"),
        ({"start": (math.nan, 0, 0)}, "start x_m must be"),
        ({"start": (0, 0)}, "start must be x and y"),
        ({"start": 3.0}, "start must be x and y"),
        ({"seed": 1.5}, "seed must be a whole number"),
    ],
)
def test_arguments_without_sense_are_refused(arguments, words):
    with pytest.raises(MotionError, match=words):
        simulate(GroundTruthDetector(), FAST, pictures=False, **arguments)


def test_steering_the_wrong_way_flees_and_then_stands():
    fault = {name: make for name, make, _ in FAULTS}["steering the wrong way"]
    run = simulate(
        GroundTruthDetector(),
        WALKS["weave"],
        duration_s=20,
        pictures=False,
        faults=fault(0.0),
        settings=Settings(search_s=2.0),
    )
    assert run.scores()["losses"] >= 1 and blind_distance_m(run) <= worst_stopping_distance_m(run.settings)
    assert run.state_at(-1) == "stop" and abs(run.speeds_mps[-1]) < 1e-3
    assert simulate(GroundTruthDetector(), WALKS["weave"], duration_s=20, pictures=False).scores()["losses"] == 0


class Together(FaultModel):
    """Several faults in one run."""

    def __init__(self, faults):
        self.faults = faults

    def frames(self, index, t_s, frame):
        rows = [(frame, 0.0)]
        for fault in self.faults:
            rows = [(new, old_s + new_s) for old, old_s in rows for new, new_s in fault.frames(index, t_s, old)]
        return rows

    def found(self, index, t_s, found):
        for fault in self.faults:
            found = fault.found(index, t_s, found)
        return found

    def detector_extra_s(self, t_s):
        return sum(fault.detector_extra_s(t_s) for fault in self.faults)

    def clock(self, t_s):
        return t_s + sum(fault.clock(t_s) - t_s for fault in self.faults)

    def link(self, t_s):
        return all(fault.link(t_s) for fault in self.faults)

    def motors(self, t_s, left_mps, right_mps):
        for fault in self.faults:
            left_mps, right_mps = fault.motors(t_s, left_mps, right_mps)
        return left_mps, right_mps


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    # Not from the very start: a clock that is off from its first reading on has not jumped.
    picks=st.lists(st.tuples(st.integers(0, len(FAULTS) - 1), st.floats(0.1, 6.0)), min_size=1, max_size=3),
    loop=st.fixed_dictionaries(
        {
            "frame_hz": st.sampled_from([5.0, 10.0, 15.0, 30.0]),
            "delay_s": st.floats(0.0, 0.3),
            "detector_s": st.floats(0.0, 0.2),
            "max_mps": st.floats(0.2, 1.0),
            "max_accel_mps2": st.floats(0.4, 3.0),
            "max_jerk_mps3": st.none() | st.floats(2.0, 20.0),
            "law": st.sampled_from(["p", "pd", "feed_forward"]),
            "hold_s": st.floats(0.0, 1.0),
        }
    ),
    seed=st.integers(0, 99),
)
# A moment between two ticks.
@example(
    picks=[(14, 1.25)],
    loop={
        "frame_hz": 5.0,
        "delay_s": 0.0,
        "detector_s": 0.0,
        "max_mps": 1.0,
        "max_accel_mps2": 1.0,
        "max_jerk_mps3": None,
        "law": "p",
        "hold_s": 0.0,
    },
    seed=0,
)
def test_any_faults_together_stay_within_the_stopping_distance(picks, loop, seed):
    faults = Together([FAULTS[which][1](at_s) for which, at_s in picks])
    detector = GroundTruthDetector(noise_px=0.5, miss_rate=0.1)
    run = simulate(
        detector, FAST, settings=Settings(**loop), seed=seed, duration_s=9, pictures=False, faults=faults, strict=False
    )
    assert blind_distance_m(run) <= worst_stopping_distance_m(run.settings), [FAULTS[which][0] for which, _ in picks]
    if any(FAULTS[which][2] and at_s < 4.0 for which, at_s in picks):
        assert abs(run.speeds_mps[-1]) < 1e-3
