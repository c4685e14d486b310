"""The capture plan: bands from the camera, ticks from the labels."""

import math
from pathlib import Path

import numpy as np
import pytest

from robotlab.camera import Camera, working_range
from robotlab.cli import main
from robotlab.data import DataSet, LabeledImage, Sample, write_dataset
from robotlab.errors import DataSetError, InputError
from robotlab.gather import box_distances, capture_plan, check_sizes
from robotlab.report.capture import capture_page

CAMERA = Camera(640, 480, math.radians(62), 0.25, 0.05)


def seen(distances, camera=CAMERA, height_m=0.5, **more):
    """A set of pictures in which the camera's own projection has put a post at these distances."""
    entries = []
    for n, away in enumerate(distances):
        corners, _ = camera.project(np.array([[away, 0.05, 0.0], [away, -0.05, height_m]]))
        box = [corners[0, 0], corners[1, 1], corners[1, 0], corners[0, 1]]
        entries.append(LabeledImage(n, Path(f"{n}.png"), 640, 480, boxes=[box], labels=[0], **more))
    return DataSet(Path("annotations.json"), ("post",), (1,), tuple(entries))


def test_distances_are_those_that_were_projected():
    away = np.array([0.9, 1.5, 3.0, 7.0])
    found = [row[2] for row in box_distances(seen(away), CAMERA, 0.5)]
    assert found == pytest.approx(away, rel=1e-3)
    # The same pictures, gathered at half the size: the camera is scaled along.
    half = [LabeledImage(e.id, e.path, 320, 240, boxes=e.boxes / 2, labels=e.labels) for e in seen(away)]
    assert [row[2] for row in box_distances(seen(away).having(half), CAMERA, 0.5)] == pytest.approx(away, rel=1e-3)


def test_a_box_at_the_edge_tells_no_distance():
    entry = LabeledImage(1, Path("a.png"), 640, 480, boxes=[[10, 0, 40, 200], [50, 90, 90, 480]], labels=[0, 0])
    data = seen([1.0]).having([entry])
    assert box_distances(data, CAMERA, 0.5) == []
    assert capture_plan(CAMERA, 0.5, data=data).unknown == 2


def test_bands_are_even_in_the_logarithm_and_fill_the_working_range():
    plan = capture_plan(CAMERA, 0.5, smallest_px=12)
    near, far = working_range(CAMERA, 0.5, 12)
    assert (plan.near_m, plan.far_m) == (near, far)
    edges = [float(quota.label.split()[0]) for quota in plan.group("distance")]
    assert np.diff(np.log([*edges, far])) == pytest.approx([math.log(far / near) / 5] * 5, abs=0.02)
    for group, total in (("distance", 80), ("side", 80), ("lighting", 100), ("background", 100), ("without it", 20)):
        assert sum(quota.wanted for quota in plan.group(group)) == total
    assert capture_plan(CAMERA, 0.5, farthest_m=4).far_m == 4


def test_what_is_there_is_counted_from_the_labels():
    plan = capture_plan(CAMERA, 0.5, farthest_m=6)
    middles = [math.sqrt(float(w.label.split()[0]) * float(w.label.split()[2])) for w in plan.group("distance")]
    data = seen(
        [away for away, count in zip(middles, (1, 2, 3, 4, 5), strict=True) for _ in range(count)],
        lighting="dim",
        recording="hall",
    )
    nothing = LabeledImage("e", Path("e.png"), 640, 480, record={"labeled": True})
    unseen = LabeledImage("u", Path("u.png"), 640, 480, record={"labeled": False})
    crate = LabeledImage("c", Path("c.png"), 640, 480, boxes=[[1, 1, 9, 9]], labels=[1])
    data = DataSet(data.labels_path, ("post", "crate"), (1, 2), (*data.pictures, nothing, unseen, crate))
    plan = capture_plan(CAMERA, 0.5, farthest_m=6, data=data, target="post")
    assert [quota.there for quota in plan.group("distance")] == [1, 2, 3, 4, 5]
    assert [quota.there for quota in plan.group("without it")] == [1, 1]
    assert [quota.there for quota in plan.group("side")] == [0, 15, 0]
    assert {quota.label: quota.there for quota in plan.group("lighting")} == {"bright": 0, "dim": 15, "lamp": 0}
    assert plan.group("background")[0].label == "hall" and plan.there == 17 and plan.group("distance")[0].missing == 15


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"pictures": 3}, "pictures must be a whole number from 20"),
        ({"backgrounds": 0}, "backgrounds must be"),
        ({"lightings": []}, "lightings must be printable"),
        ({"lightings": ["a\nb"]}, "lightings must be printable"),
        ({"smallest_px": 4000}, "must see the object somewhere"),
        ({"farthest_m": 0.1}, "must see the object somewhere"),
        ({"data": seen([1.0]), "target": "crate"}, "target must be among post, got crate"),
    ],
)
def test_wrong_input(more, words):
    with pytest.raises((InputError, DataSetError), match=words):
        capture_plan(CAMERA, 0.5, **more)


def test_the_page_ticks_what_is_there_and_names_are_text():
    data = seen([1.0] * 3, recording="<b>hall</b>")
    page = capture_page(capture_plan(CAMERA, 0.5, data=data), "<script>")
    assert page.count("☑") == 3 + 0 and "<script>" not in page and "&lt;b&gt;hall" in page
    assert "@page" in page and "src=" not in page


def test_the_command(tmp_path, capsys):
    sample = Sample("a.png", np.zeros((240, 320, 3), np.uint8), [[150, 100, 170, 140]], [0], "hall")
    write_dataset(tmp_path / "set", [sample], ["post"])
    words = ["plan", str(tmp_path / "set"), "--object-height", "0.5", "-o", str(tmp_path / "plan.html")]
    assert main(words) == 0
    assert "1 of  16" in capsys.readouterr().out and "Capture plan: the object" in (tmp_path / "plan.html").read_text(
        "utf-8"
    )
    assert main([*words, "--size", "3by4"]) == 2 and main([*words, "--hfov", "400"]) == 2


def test_sizes_as_the_network_sees_them():
    entry = LabeledImage(
        1, Path("a.png"), 640, 480, boxes=[[0, 0, 3, 40], [9, 9, 60, 80]], labels=[0, 0], ignore=[False, False]
    )
    found = check_sizes(seen([1.0]).having([entry]), CAMERA, 0.5)
    assert len(found.smaller_sides_px) == 2 and found.too_small == 1
    assert "1 of 2 boxes is under 4 px as the network sees it" in found.notes()[0] and len(found.distances_m) == 1
