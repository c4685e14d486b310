"""The part that decides, by itself."""

import math

import numpy as np
import pytest

from robotlab.camera import Camera
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.loop import Follower, Settings, VelocityCommand
from robotlab.loop.decide import STATES, distance_from_box
from robotlab.loop.ground_truth import post_box

CAMERA = Camera(320, 240, math.radians(62), height_m=0.25)


def found(*rows, classes=("post", "crate")):
    """Rows of box, score, label."""
    boxes, scores, labels = zip(*rows, strict=True)
    return Detections(boxes, scores, labels, classes)


def box_at(x, width=10.0, height=60.0):
    return [x - width / 2, 90.0, x + width / 2, 90.0 + height]


class TestChoice:
    def test_best_of_its_class(self):
        follower = Follower(CAMERA, Settings())
        observation = follower.observe(found((box_at(50), 0.6, 0), (box_at(200), 0.8, 0), (box_at(300), 0.99, 1)), 0.0)
        assert observation.box[0] == 195 and observation.score == 0.8

    def test_low_scores_and_flat_boxes_are_not_believed(self):
        follower = Follower(CAMERA, Settings(min_score=0.5))
        assert follower.observe(found((box_at(50), 0.49, 0), ([9.0, 9, 9, 30], 0.9, 0)), 0.0) is None

    def test_gate_holds_on_to_the_target(self):
        for gate, x in ((None, 295), (0.2, 105)):
            follower = Follower(CAMERA, Settings(gate=gate))
            follower.observe(found((box_at(100), 0.6, 0)), 0.0)
            assert follower.observe(found((box_at(110), 0.5, 0), (box_at(300), 0.9, 0)), 0.1).box[0] == x

    def test_gate_opens_when_the_target_is_gone(self):
        follower = Follower(CAMERA, Settings(gate=0.2))
        follower.observe(found((box_at(100), 0.6, 0)), 0.0)
        assert follower.observe(found((box_at(300), 0.9, 0)), 0.1) is None
        assert follower.observe(found((box_at(300), 0.9, 0)), 2.0) is not None

    def test_older_pictures_are_ignored(self):
        follower = Follower(CAMERA, Settings())
        follower.observe(found((box_at(100), 0.6, 0)), 1.0)
        assert follower.observe(found((box_at(300), 0.6, 0)), 0.9) is None
        assert follower.observation.box[0] == 95

    def test_unknown_class(self):
        with pytest.raises(InputError, match="must know the class 'post', it knows crate"):
            Follower(CAMERA, Settings()).observe(Detections.none(["crate"]), 0.0)


class TestDistance:
    @pytest.mark.parametrize("ahead", [0.9, 1.5, 4.0])
    @pytest.mark.parametrize("left", [-0.4, 0.0, 0.3])
    @pytest.mark.parametrize("ruler", ["height", "width", "nearer"])
    def test_agrees_with_projection(self, ahead, left, ruler):
        box, visible = post_box(CAMERA, ahead, left)
        assert visible == 1.0
        measured = distance_from_box(box, CAMERA, Settings(distance_from=ruler))
        assert measured == pytest.approx(math.hypot(ahead, left), rel=0.02)

    def test_cut_top_falls_back_on_the_width(self):
        box, visible = post_box(CAMERA, 0.35, 0.0)
        assert visible < 1 and box[3] == 240
        assert distance_from_box(box, CAMERA, Settings(distance_from="height")) == pytest.approx(0.35, rel=0.03)

    def test_hidden_part_reads_too_far_by_height_only(self):
        box, _ = post_box(CAMERA, 2.0, 0.0)
        half = box.copy()
        half[3] = (box[1] + box[3]) / 2
        assert distance_from_box(half, CAMERA, Settings(distance_from="height")) == pytest.approx(4.0, rel=0.02)
        assert distance_from_box(half, CAMERA, Settings(distance_from="nearer")) == pytest.approx(2.0, rel=0.02)

    def test_no_area(self):
        with pytest.raises(InputError, match="must have an area"):
            distance_from_box(np.array([5.0, 5, 5, 9]), CAMERA, Settings())


class TestCommand:
    def test_right_of_center_turns_right(self):
        # ISO 8855: a target at the right needs a negative yaw rate.
        follower = Follower(CAMERA, Settings())
        follower.observe(found((box_at(220), 0.9, 0)), 0.0)
        velocity = follower.velocity(0.1)
        assert velocity.yaw_radps < 0 and velocity.v_mps > 0 and velocity.state == "follow"
        # P-law by hand: bearing atan((160 - 220) / f).
        assert velocity.yaw_radps == pytest.approx(-1.8 * math.atan(60 / CAMERA.focal_px))

    def test_missed_picture_coasts_and_late_picture_coasts(self):
        follower = Follower(CAMERA, Settings())
        follower.observe(found((box_at(220), 0.9, 0)), 0.0)
        assert follower.velocity(0.2).state == "follow"
        assert follower.velocity(0.21).state == "hold"
        follower.observe(Detections.none(["post"]), 0.1)
        assert follower.velocity(0.2).state == "hold"
        assert follower.velocity(0.2).yaw_radps < 0

    def test_stopped_stays_stopped_until_reset(self):
        follower = Follower(CAMERA, Settings(search_s=1.0))
        follower.observe(found((box_at(220), 0.9, 0)), 0.0)
        assert follower.velocity(60.0).state == "stop"
        follower.observe(found((box_at(160), 0.9, 0)), 60.0)
        # A trolley that has given up must not start by itself.
        assert follower.velocity(60.1).state == "stop"
        follower.reset(61.0)
        follower.observe(found((box_at(160), 0.9, 0)), 61.0)
        assert follower.velocity(61.1).state == "follow"

    def test_stops_are_named_by_their_category(self):
        # IEC 60204-1 (secondary source): 2 brakes and holds, 1 brakes and then lets go.
        kinds = {state: VelocityCommand(0.0, 0.0, state).stop for state in STATES}
        assert kinds["stop"].category == kinds["slow"].category == 2 and kinds["fault"].category == 1
        assert [state for state, kind in kinds.items() if kind is None] == ["wait", "follow", "hold", "search"]

    @pytest.mark.parametrize("law", ["pd", "feed_forward"])
    def test_a_reset_forgets_where_the_target_was(self, law):
        fresh, used = (Follower(CAMERA, Settings(law=law)) for _ in range(2))
        for k in range(5):
            used.observe(found((box_at(60 + 20 * k), 0.9, 0)), 0.1 * k)
        used.reset(10.0)
        for one in (fresh, used):
            one.observe(found((box_at(160), 0.9, 0)), 10.0)
            one.observe(found((box_at(170), 0.9, 0)), 10.1)
        assert used.velocity(10.2) == fresh.velocity(10.2) and used.velocity(10.2).yaw_radps != 0

    def test_feed_forward_uses_the_turning_of_the_target(self):
        settings = Settings(law="feed_forward")
        follower, plain = Follower(CAMERA, settings), Follower(CAMERA, Settings())
        for k in range(20):
            for one in (follower, plain):
                one.observe(found((box_at(160 - 3 * k), 0.9, 0)), 0.1 * k, yaw_rad=0.0)
        assert follower.velocity(2.0).yaw_radps > plain.velocity(2.0).yaw_radps > 0
