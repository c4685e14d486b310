"""The design sheet: predictions against published numbers, measurements against predictions, for unlike robots."""

import json
import math

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.color import ColorDetector
from robotlab.control import Motor
from robotlab.design_sheet import (
    Robot,
    heights_found,
    measure,
    measure_band,
    measure_safe_speed,
    measure_stop_m,
    measure_ultimate_gain,
    predict,
    predict_band,
    predict_safe_speed,
    predict_smallest_object_m,
    predict_stop_m,
    predict_ultimate_gain,
    rendered_height_px,
    usable_height_px,
)
from robotlab.detections import Detections
from robotlab.errors import InputError, MotionError
from robotlab.greenhouse import WALKS, render
from robotlab.loop import GroundTruthDetector, Settings, default_camera
from robotlab.report import design_sheet_page
from robotlab.report.plots import new_figure, plot_bands

QUICK = Motor(lag_s=0.0)


def once(measure):
    """What moves depends on the settings alone, not on the camera: each is measured once."""
    kept = {}

    def measured(robot):
        if robot.settings not in kept:
            kept[robot.settings] = measure(robot)
        return kept[robot.settings]

    return measured


gain_limit_once, stop_once, safe_speed_once = map(once, (measure_ultimate_gain, measure_stop_m, measure_safe_speed))


@pytest.fixture(autouse=True)
def measured_once(monkeypatch):
    """What moves is measured once for each robot; several sheets show the same figures."""
    for name, once in (
        ("measure_ultimate_gain", gain_limit_once),
        ("measure_stop_m", stop_once),
        ("measure_safe_speed", safe_speed_once),
    ):
        monkeypatch.setattr(f"robotlab.design_sheet.sheets.{name}", once)


def facts(**changes):
    return Robot(default_camera(), 20.0, Settings(**changes))


# Unlike each other in everything: camera, height, pitch, delay, acceleration, motors, squeezing.
ROBOTS = {
    "usual": Robot(default_camera(), 20.0),
    "wide and low": Robot(
        Camera(320, 180, math.radians(100), 0.15),
        12.0,
        Settings(frame_hz=20, delay_s=0.1, max_accel_mps2=0.5, max_mps=0.9),
    ),
    "narrow and high, five frames late": Robot(
        Camera(320, 240, math.radians(35), 0.6, math.radians(5)),
        16.0,
        Settings(delay_s=0.5, max_accel_mps2=2.0, following_distance_m=2.5, motor=QUICK),
    ),
    "looking down, slow motors that slip": Robot(
        Camera(320, 240, math.radians(62.2), 0.8, math.radians(25)),
        12.0,
        Settings(
            frame_hz=15,
            delay_s=0.07,
            detector_s=0.05,
            max_accel_mps2=1.0,
            max_jerk_mps3=4.0,
            motor=Motor(lag_s=0.2, slip=0.1),
        ),
    ),
    "small picture, one frame late": Robot(
        Camera(160, 120, math.radians(50), 0.25), 12.0, Settings(frame_hz=30, delay_s=1 / 30, motor=QUICK)
    ),
    "squeezed": Robot(Camera(320, 240, math.radians(62.2), 0.25), 12.0, Settings(detector_px=(160, 120), delay_s=0.2)),
}

SMALL = ROBOTS["small picture, one frame late"]
# Two are measured for their sheets anyway, and one is unlike both.
DEFAULT = ("usual", "small picture, one frame late", "wide and low")
MEASURED = [*DEFAULT, *(pytest.param(name, marks=pytest.mark.long()) for name in ROBOTS if name not in DEFAULT)]


# --- predictions against published numbers -----------------------------------


@pytest.mark.parametrize(
    ("frames", "limit"), [(0, 2.0), (1, 1.0), (2, 0.618034), (3, 0.445042), (5, 0.284630), (10, 0.149460)]
)
def test_gain_limit_is_levin_and_mays(frames, limit):
    """a = K dt, limit 2 sin(pi / (2 (2 d + 1))): Levin & May, Theor. Popul. Biol. 9:178-187, 1976 (from memory)."""
    robot = facts(delay_s=frames * 0.1, motor=QUICK)
    assert predict_ultimate_gain(robot) * 0.1 == pytest.approx(limit, abs=2e-6)
    assert predict(robot)["safe_gain"].predicted == pytest.approx(limit / 0.1 / 2, rel=1e-5)


@pytest.mark.parametrize(("speed", "accel", "watchdog_s", "way"), [(0.5, 1.0, 0.3, 0.375), (1.6, 1.5, 0.4, 1.813333)])
def test_stopping_distance_is_the_textbooks(speed, accel, watchdog_s, way):
    """v^2 / (2 a) + v t with t = .5 and .6 s: uniform deceleration, any mechanics textbook."""
    # .1 s of latency, the watchdog, two steps of .02 s, .06 s of the board; no lag.
    robot = facts(
        max_accel_mps2=accel, hold_s=0.1, watchdog_s=watchdog_s, link_timeout_s=0.06, delay_s=0.1, motor=QUICK
    )
    assert predict_stop_m(robot, speed) == pytest.approx(way, abs=1e-6)


def test_safe_speed_solves_the_quadratic():
    """v = a (sqrt(t^2 + 2 D / a) - t) is the root of v t + v^2 / (2 a) = D."""
    robot = facts(max_accel_mps2=1.5, motor=Motor(lag_s=0.2))
    t = robot.reaction_s
    assert predict_safe_speed(robot) == pytest.approx(1.5 * (math.sqrt(t * t + 2 * robot.free_m / 1.5) - t), rel=1e-9)


def test_band_of_a_level_camera_is_the_pinholes():
    """f = (W / 2) / tan(HFOV / 2), far = f H / px (Hartley & Zisserman, 2nd ed., chapter 6; from memory)."""
    near, far = predict_band(facts())
    focal = 160 / math.tan(math.radians(62.2) / 2)
    assert far == pytest.approx(focal * 0.5 / 20)
    # Half of the post above the lens, half below; its front 3.5 cm nearer than its middle.
    assert near == pytest.approx(focal * 0.25 / 120 + 0.035)
    assert predict_smallest_object_m(facts(), 2.0) == pytest.approx(20 * 2.0 / focal)


# --- measured beside predicted -----------------------------------------------


# The usual one's band is measured for its sheet, below.
@pytest.mark.parametrize("name", MEASURED[1:])
def test_band_measured_by_rendering_is_within_ten_percent(name):
    robot = ROBOTS[name]
    measured = measure_band(GroundTruthDetector(smallest_px=robot.smallest_px, least_visible=0), robot, pictures=2)
    assert measured == pytest.approx(predict_band(robot), rel=0.10)


@pytest.mark.parametrize("name", MEASURED)
def test_ultimate_gain_of_the_stepped_loop_is_within_five_percent(name):
    assert gain_limit_once(ROBOTS[name]) == pytest.approx(predict_ultimate_gain(ROBOTS[name]), rel=0.05)


def test_the_measured_gain_knows_nothing_of_the_formula(monkeypatch):
    """With eigenvalues and formula gone it measures the same: 1 / .1 s at one frame (Levin & May, 1976, from memory)."""
    for name in ("ultimate_gain", "growth_per_frame", "sampled_ultimate_gain"):
        monkeypatch.delattr(f"robotlab.control.stability.{name}")
    monkeypatch.delattr("robotlab.loop.settings.ultimate_gain")
    assert measure_ultimate_gain(facts(delay_s=0.1, motor=QUICK)) == pytest.approx(10.0, rel=0.01)


@pytest.mark.parametrize(
    "robot",
    [
        facts(delay_s=0.2, motor=QUICK),
        pytest.param(ROBOTS["narrow and high, five frames late"], marks=pytest.mark.long()),
    ],
    ids=[2, 5],
)
def test_gain_limit_measured_for_whole_frames_is_within_one_percent(robot):
    assert gain_limit_once(robot) == pytest.approx(predict_ultimate_gain(robot), rel=0.01)


@pytest.mark.long(short="test_gain_limit_measured_for_whole_frames_is_within_one_percent")
def test_gain_limit_of_a_very_late_loop():
    """Twelve frames late it oscillates so slowly that a short test would see nothing grow."""
    robot = facts(delay_s=1.2, motor=QUICK)
    assert measure_ultimate_gain(robot) == pytest.approx(2 * math.sin(math.pi / (2 * 25)) / 0.1, rel=0.01)


@pytest.mark.parametrize("name", MEASURED)
def test_stopping_distance_is_a_bound_and_not_much_more(name):
    """Two steps of the ramp are counted that a run may not need; a jerk limit, that the board's ramp does not have."""
    robot = ROBOTS[name]
    assert 0.9 * predict_stop_m(robot) <= stop_once(robot) <= predict_stop_m(robot)
    assert 0.995 * predict_safe_speed(robot) <= safe_speed_once(robot) <= 1.1 * predict_safe_speed(robot)


@pytest.fixture(scope="module")
def color():
    scenes = [
        WALKS[name].scene.under("overcast").with_post_at(distance, 0.0)
        for name in ("straight", "weave", "reverse")
        for distance in (1.5, 2.0, 3.0, 5.0)
    ]
    frames = [render(scene, default_camera()) for scene in scenes]
    return ColorDetector.learn([one.picture for one in frames], [one.truths.boxes[:1] for one in frames], "post")


@pytest.mark.slow
@pytest.mark.long(short="test_band_measured_by_rendering_is_within_ten_percent")
def test_a_real_detector_judged_with_one_camera_predicts_its_far_limit_with_another(color):
    """Under an even sky, where nothing but its size hides the post: the side away from the sun is another matter."""
    settings = Settings(min_score=0.1)
    smallest = rendered_height_px(color, default_camera(), settings, lighting="overcast", pictures=4, seed=1)
    for camera in (Camera(320, 240, math.radians(80), 0.15), Camera(320, 240, math.radians(40), 0.35, 0.05)):
        robot = Robot(camera, smallest, settings)
        assert measure_band(color, robot, lighting="overcast", pictures=4, seed=2) == pytest.approx(
            predict_band(robot), rel=0.10
        )


def test_the_sheet_of_a_usual_robot_agrees_and_says_so():
    sheet = measure(None, ROBOTS["usual"], pictures=2)
    assert sheet.apart() == [] and "agree" in sheet.sentences()[-1]
    assert sheet["object"].measured == pytest.approx(sheet["object"].predicted, rel=0.10)
    assert set(sheet.figures()) == {"near", "far", "object", "ultimate_gain", "safe_gain", "stop", "safe_speed"}
    plain = json.loads(json.dumps(sheet.to_json(), allow_nan=False))
    assert plain["rows"][1]["predicted"] == pytest.approx(sheet["far"].predicted)
    assert all(row["source"] and row["how"] and row["formula"] for row in plain["rows"])


def test_the_sheet_says_where_prediction_and_measurement_disagree():
    """The detector needs half as many pixels again as the facts say."""
    sheet = measure(GroundTruthDetector(smallest_px=18, least_visible=0), SMALL, pictures=2)
    assert [row.key for row in sheet.apart()] == ["far"]
    assert "far limit" in sheet.sentences()[-1]


def test_a_detector_that_is_blind_has_no_band():
    sheet = measure(GroundTruthDetector(miss_rate=1.0), SMALL, pictures=1)
    assert sheet["near"].measured is None and sheet["far"].measured is None and sheet["object"].measured is None
    assert {row.key for row in sheet.apart()} == {"near", "far"}
    assert "usable at no distance" in sheet.sentences()[0]
    assert sheet.to_json()["rows"][0]["measured"] is None


def test_a_camera_that_never_sees_the_whole_post_says_never():
    """It looks down so far that the top is out of the picture wherever the foot is in it."""
    sheet = predict(Robot(Camera(320, 240, math.radians(40), 0.1, 0.7), 20.0))
    assert sheet["near"].predicted == math.inf and sheet["object"].name == "height of the smallest usable object"
    assert "No distance is usable" in sheet.sentences()[0]
    assert json.loads(json.dumps(sheet.to_json(), allow_nan=False))["rows"][0]["predicted"] is None


def test_an_empty_band_is_called_one():
    robot = Robot(Camera(160, 120, math.radians(30), 0.25), 140.0, Settings())
    near, far = predict_band(robot)
    assert near > far
    assert "No distance is usable" in predict(robot).sentences()[0]
    # Formula and pictures agree that there is none.
    sheet = measure(None, robot, pictures=1)
    assert (sheet["near"].measured, sheet["far"].measured) == (None, None)
    assert sheet.apart() == [] and "agree: no distance is usable" in sheet.sentences()[-1]


def test_a_limit_where_nothing_is_tried_is_not_called_confirmed():
    """Far limit 149 m; pictures are rendered up to 20 m."""
    sheet = measure(None, Robot(Camera(160, 120, math.radians(30), 0.25), 1.0), pictures=1)
    assert sheet["far"].predicted > 100 and sheet["far"].measured is None
    assert sheet.apart() == [] and "no far limit there" in sheet.sentences()[-1]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"following_distance_m": 9.0}, "outside the working range"),
        ({"turn_gain": 6.0}, "more than the largest safe one"),
        ({"max_mps": 0.95}, "more than the largest safe one"),
    ],
)
def test_conclusions_follow_the_numbers(changes, words):
    assert any(words in sentence for sentence in predict(facts(**changes)).sentences())
    assert not any(words in sentence for sentence in predict(facts()).sentences())


def test_the_page_shows_both_figures_of_every_row_and_the_caution():
    sheet = measure(None, SMALL, pictures=2, name="an <ideal> detector")
    html = design_sheet_page(sheet).html()
    assert all(f"{row.predicted:.3f}" in html and f"{row.measured:.3f}" in html for row in sheet.rows)
    assert "not a safety function" in html and "an &lt;ideal&gt; detector" in html
    # Same seed, same figures.
    again = measure_band(GroundTruthDetector(smallest_px=SMALL.smallest_px, least_visible=0), SMALL, pictures=2)
    assert again == (sheet["near"].measured, sheet["far"].measured)
    ax = plot_bands(new_figure()[1][0, 0], {"small": sheet})
    drawn = {line.get_label(): line.get_xdata() for line in ax.get_lines()}
    assert list(drawn["measured"]) == [sheet["near"].measured, sheet["far"].measured]


# --- a detector's own judging -------------------------------------------------


def test_a_judged_height_is_counted_in_the_pixels_that_the_detector_gets():
    """Known threshold: 12 px of a picture squeezed to half, through a lens of its own."""
    camera = Camera(320, 240, math.radians(50), 0.25)
    height = rendered_height_px(
        GroundTruthDetector(smallest_px=12, least_visible=0), camera, Settings(detector_px=(160, 120)), pictures=3
    )
    assert height == pytest.approx(12, rel=0.05)


def test_usable_height_is_where_the_monotone_fit_passes():
    """Against scikit-learn's isotonic regression."""
    isotonic = pytest.importorskip("sklearn.isotonic", reason="scikit-learn is not installed")
    rng = np.random.default_rng(4)
    heights = rng.uniform(5, 60, 400)
    found = rng.random(400) < 1 / (1 + np.exp(-(heights - 20) / 3))
    fitted = isotonic.IsotonicRegression().fit_transform(heights, found.astype(float))
    assert usable_height_px(heights, found) == heights[fitted >= 0.8 - 1e-9].min()
    assert usable_height_px([10, 20], [False, False]) is None


def test_heights_found_leaves_out_what_does_not_count():
    from robotlab.data import DataSet, LabeledImage

    boxes = np.array([[0, 0, 5, 40.0], [20, 0, 25, 30], [40, 0, 45, 20], [60, 0, 90, 20]])
    entry = LabeledImage(
        1, "a.png", 99, 50, boxes=boxes, labels=np.array([0, 0, 0, 1]), visibility=np.array([1, 1, 0.5, 1.0])
    )
    data = DataSet("annotations.json", ("post", "bucket"), (1, 2), (entry,))
    seen = Detections([[0, 0, 5, 40], [20, 0, 25, 30]], [0.9, 0.2], [0, 0], data.classes)
    heights, found = heights_found(data, [seen], min_score=0.3)
    assert heights.tolist() == [40, 30] and found.tolist() == [True, False]
    with pytest.raises(InputError, match="must be a class"):
        heights_found(data, [seen], target="crate")


# --- bad input ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Robot(default_camera(), 0.0), "smallest_px must be more than 0"),
        (lambda: Robot(default_camera(), math.nan), "smallest_px must be more than 0"),
        (lambda: Robot(Camera(320, 240, 1.0), 20.0), "above the ground"),
        (lambda: Robot(None, 20.0), "camera must be a Camera"),
        (lambda: Robot(default_camera(), 20.0, {}), "settings must be a Settings"),
        (lambda: facts(max_accel_mps2=None), "acceleration limit"),
        (lambda: facts(detector_s=0.2), "keep up"),
        (lambda: facts(following_distance_m=0.2), "leave room"),
        (lambda: predict(facts())["range"], "a row must be one of"),
        (lambda: measure(None, facts(), pictures=0), "pictures must be"),
        (lambda: measure(None, facts(), pictures=2.5), "pictures must be"),
        (lambda: measure(None, facts(), seed=-1, pictures=1), "seed must be"),
        (lambda: measure_band(GroundTruthDetector(), facts(), pictures=0), "pictures must be"),
        (lambda: measure_band(GroundTruthDetector(), facts(), pictures=1, recall=2.0), "recall must be"),
        (lambda: measure_stop_m(facts(), math.nan), "speed_mps must be"),
        (lambda: measure_safe_speed(facts(), math.nan), "most_mps must be"),
        (lambda: usable_height_px([1.0, 2.0], [True, math.nan]), "found must hold"),
        (lambda: measure(None, facts(target="dog")), "what is rendered must be one of"),
        (lambda: usable_height_px([1.0], []), "equally long"),
        (lambda: usable_height_px([math.nan], [True]), "equally long"),
        (lambda: predict_smallest_object_m(facts(), -1.0), "distance_m must be more than 0"),
    ],
)
def test_bad_facts_get_one_clear_error(make, words):
    with pytest.raises((InputError, MotionError), match=words):
        make()
