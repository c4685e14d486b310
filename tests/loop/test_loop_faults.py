"""Every fault: the trolley comes to rest within the stopping distance."""

import math

import numpy as np
import pytest
from some_long import some_long

from robotlab.color import Band, ColorDetector
from robotlab.control import Motor, stopping_distance_m
from robotlab.course import measured, shipped
from robotlab.greenhouse import WALKS, Scene, Walk
from robotlab.loop import FAULTS, GroundTruthDetector, Settings, fault_campaign, simulate, worst_stopping_distance_m
from robotlab.loop.campaigns import blind_distance_m
from robotlab.loop.faults import ClockJumps, DetectorRaises, Dropped, Duplicated, LinkLost

# The post runs off so fast that the trolley drives at its limit.
FAST = Walk("fast", "The post runs off.", (0.0, 20.0), ((2.0, 0.0), (14.0, 0.0)), Scene(room_m=(-3.0, -3.0, 40.0, 3.0)))


@pytest.mark.parametrize(
    "settings",
    [
        Settings(),
        Settings(detector_s=0.1, max_mps=0.4),
        Settings(max_jerk_mps3=4.0),
        Settings(max_accel_mps2=None, motor=Motor(lag_s=0.05)),
        Settings(frame_hz=5, delay_s=0.3, max_mps=0.9),
    ],
    ids=["plain", "slow detector", "soft", "no ramp", "few frames"],
)
@pytest.mark.parametrize("at_s", some_long([5.0, 5.07], every=2))
def test_every_fault_stays_within_the_stopping_distance(settings, at_s):
    for report in fault_campaign(GroundTruthDetector(), FAST, settings=settings, at_s=at_s, pictures=False):
        assert report.kept, (report.name, report.blind_m, report.driven_m, report.stopping_m, report.state)


def test_with_a_real_detector_and_pictures():
    detector = ColorDetector({"post": Band((6, 16), (190, 255), (70, 255))})
    chosen = [fault for fault in FAULTS if fault[0] in ("frozen picture", "pictures cut short", "pictures twice")]
    for report in fault_campaign(detector, WALKS["straight"], at_s=2.0, after_s=2.5, faults=chosen):
        assert report.kept, report.name
    assert any(
        "PictureError" in event["text"]
        for event in fault_campaign(detector, WALKS["straight"], at_s=1.0, after_s=0.5, faults=[chosen[-1]])[
            0
        ].run.events
    )


def test_stopping_distance_is_the_formula():
    # v t + v^2 / (2 a), t until the last observation is given up, plus the motor lag.
    s = Settings(frame_hz=10, delay_s=0.1)
    run = simulate(
        GroundTruthDetector(), FAST, settings=s, duration_s=12, pictures=False, faults=Dropped(6.0), strict=False
    )
    wait = s.frame_s + s.delay_s + s.hold_s
    assert run.speeds_mps.max() == pytest.approx(s.max_mps, abs=1e-4)
    assert blind_distance_m(run) == pytest.approx(
        stopping_distance_m(s.max_mps, s.max_accel_mps2, wait, s.motor.lag_s), rel=0.05
    )
    assert blind_distance_m(run) < worst_stopping_distance_m(s)


def test_stopping_distance_by_hand():
    # .6 m/s, .8 m/s^2, watchdog .1 + .3 + .2 s after the last picture's delay .1 s,
    # two ticks of .02 s, the board .25 s, lag .1 s: .225 + .6 * 1.09.
    assert worst_stopping_distance_m(Settings()) == pytest.approx(0.6**2 / 1.6 + 0.6 * (0.1 + 0.6 + 0.04 + 0.25 + 0.1))


def test_link_loss_is_stopped_by_the_motors_themselves():
    run = simulate(GroundTruthDetector(), FAST, duration_s=10, pictures=False, faults=LinkLost(5.0))
    k = int(np.searchsorted(run.t_s, 5.0 + run.settings.link_timeout_s))
    assert run.commands_mps[k - 3].max() == pytest.approx(0.6, abs=1e-6)
    assert run.commands_mps[k + 60].max() == 0.0
    # The commands never jump: the motors have their own ramp.
    assert np.abs(np.diff(run.commands_mps, axis=0)).max() <= 0.8 * 0.02 + 1e-6


@pytest.mark.parametrize(
    ("by_s", "words"), [(-5.0, "must not go back"), (-0.5, "must not go back"), (3.0, "two clocks")]
)
def test_clock_jump_trips_at_once_and_stays(by_s, words):
    run = simulate(GroundTruthDetector(), FAST, duration_s=12, pictures=False, faults=ClockJumps(5.0, by_s))
    faults = [event for event in run.events if event["what"] == "fault"]
    assert len(faults) == 1 and faults[0]["t"] == pytest.approx(5.0, abs=0.021) and words in faults[0]["text"]
    assert run.state_at(-1) == "fault" and abs(run.speeds_mps[-1]) < 1e-6


def test_error_in_a_detector_ends_a_strict_simulation_only():
    with pytest.raises(RuntimeError, match="on purpose"):
        simulate(GroundTruthDetector(), FAST, duration_s=6, pictures=False, faults=DetectorRaises(5.0))
    run = simulate(GroundTruthDetector(), FAST, duration_s=8, pictures=False, faults=DetectorRaises(5.0), strict=False)
    failed = [event for event in run.events if event["what"] == "detector failed"]
    assert failed[0]["text"] == "RuntimeError: the detector broke, on purpose"
    assert "detector must answer" in next(event["text"] for event in run.events if event["what"] == "fault")


def test_old_and_repeated_pictures_change_nothing():
    for settings in (Settings(), Settings(detector_s=0.1)):
        plain = simulate(GroundTruthDetector(), WALKS["weave"], settings=settings, duration_s=10, pictures=False)
        twice = simulate(
            GroundTruthDetector(),
            WALKS["weave"],
            settings=settings,
            duration_s=10,
            pictures=False,
            faults=Duplicated(2.0),
        )
        np.testing.assert_array_equal(plain.pose, twice.pose)


@pytest.mark.parametrize(("sign", "ok", "flees"), [(1, True, False), (-1, False, True)])
def test_wheels_up_test_tells_a_wrong_sign(sign, ok, flees):
    # Common practice, no source: lift the wheels, show the post left and right.
    walk = Walk(
        "show",
        "The post is held left, then right.",
        (0.0, 2.0, 2.5, 5.0),
        ((2.0, 0.6), (2.0, 0.6), (2.0, -0.6), (2.0, -0.6)),
        Scene(),
    )
    run = simulate(GroundTruthDetector(), walk, settings=Settings(steering_sign=sign), pictures=False, lifted=True)
    assert np.all(run.pose == 0.0) and np.abs(run.wheels_mps).max() > 0.05
    check = run.sign_check()
    assert (check.ok, check.flees) == (ok, flees)


def test_wheels_up_test_on_one_side_proves_nothing():
    walk = Walk("show", "The post is held left.", (0.0, 3.0), ((2.0, 0.6), (2.0, 0.6)), Scene())
    check = simulate(GroundTruthDetector(), walk, pictures=False, lifted=True).sign_check()
    assert not check.ok and not check.flees and "right" in check.message


def test_reports_say_what_had_to_stop():
    reports = {report.name: report for report in fault_campaign(GroundTruthDetector(), FAST, pictures=False)}
    assert {name for name, report in reports.items() if not report.at_rest} == {
        "half of the pictures dropped",
        "pictures twice",
        "steering the wrong way",
    }
    assert all(report.state in ("fault", "stop", "search") for report in reports.values() if report.must_rest)
    assert not any(math.isnan(report.driven_m) for report in reports.values() if report.must_rest)


def test_the_measured_faults_kept_within_the_stopping_distance_and_stand_in_the_guide():
    measurement, guide = measured("fault_injection"), shipped("instructor/guide.md").read_text(encoding="utf-8")
    assert len(measurement["runs"]) >= 40 and sum(row["runs"] for row in measurement["runs"]) >= 1000
    for row in measurement["runs"] + measurement["simulated"]:
        assert row["worst_m"] <= row["stopping_m"] and row["moving_commands_after_end"] == 0
        line = f"| {row['fault']} | {row['runs']} | {row['worst_m']:.2f} m | {100 * row['worst_share']:.0f} % | 0 |"
        assert line in guide


def test_each_way_of_letting_go_kept_within_the_stopping_distance_and_stands_in_the_guide():
    rows, guide = measured("held_control")["runs"], shipped("instructor/guide.md").read_text(encoding="utf-8")
    assert sum(row["runs"] >= 100 for row in rows) >= 6
    for row in rows:
        # Some let go before the first turn.
        assert row["driving_at_the_moment"] >= 0.95 * row["runs"]
        assert row["worst_m"] <= row["stopping_m"] and row["moving_commands_after_rest"] == 0
        line = f"| {row['way']} | {row['runs']} | {row['worst_m']:.2f} m | {100 * row['worst_share']:.0f} % | 0 |"
        assert line in guide
