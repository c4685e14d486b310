"""The shipped data set: made again here, and checked against what it says of itself."""

import json
from collections import Counter
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from some_long import some_long

from robotlab import image as pictures
from robotlab.greenhouse import CLASSES, LIGHTINGS, recordings

FOLDER = Path(__file__).resolve().parents[2] / "datasets" / "greenhouse"


@pytest.fixture(scope="module")
def labels():
    return json.loads((FOLDER / "annotations.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("count", some_long([1, 3], every=2))
@pytest.mark.parametrize("name", ["day1", "dusk3", "grow2"])
def test_rebuilt_pictures_and_labels_are_the_shipped_ones(name, count, labels):
    recording = next(r for r in recordings.RECORDINGS if r.name == name)
    same_libraries = labels["info"]["made_with"] == recordings.made_with()
    images = [image for image in labels["images"] if image["recording"] == name]
    for image, frame in zip(images, islice(recordings.frames(recording), count), strict=False):
        shipped = (FOLDER / image["file_name"]).read_bytes()
        again = pictures.encode(frame.picture, "jpg", recordings.JPEG_QUALITY)
        if same_libraries:
            assert again == shipped, f"{image['file_name']} is not the shipped file, bit for bit"
        # With other versions of NumPy, SciPy or the JPEG writer a pixel may be rounded differently, no more.
        off = np.abs(pictures.decode(again).astype(int) - pictures.decode(shipped))
        assert off.mean() < 0.5 and np.percentile(off, 99) <= 4
        mine = [a for a in labels["annotations"] if a["image_id"] == image["id"]]
        rows = recordings.annotations_of(frame)
        assert [row["category_id"] for row in rows] == [a["category_id"] for a in mine]
        np.testing.assert_allclose([row["bbox"] for row in rows], [a["bbox"] for a in mine], atol=0.02)


def test_a_small_build_is_whole_and_repeatable(tmp_path):
    first, second = (recordings.build(tmp_path / part, recordings.RECORDINGS[5:6], count=2) for part in ("a", "b"))
    assert first.read_bytes() == second.read_bytes()
    names = sorted(
        path.relative_to(tmp_path / "a").as_posix() for path in (tmp_path / "a").rglob("*") if path.is_file()
    )
    assert names == ["annotations.json", "card.md", "pictures/dusk1_000.jpg", "pictures/dusk1_001.jpg"]
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_size_and_recordings(labels):
    assert 380 <= len(labels["images"]) <= 420
    assert sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file()) < 10e6
    by_recording = {image["recording"]: image["lighting"] for image in labels["images"]}
    assert len(by_recording) >= 8 and set(by_recording.values()) == set(LIGHTINGS)
    uses = labels["info"]["uses"]
    trained = {lighting for name, lighting in by_recording.items() if uses[name] == "train"}
    tested = {lighting for name, lighting in by_recording.items() if uses[name] == "test"}
    assert trained == {"daylight", "overcast", "dusk"} and tested == set(LIGHTINGS)
    assert sum(uses[image["recording"]] == "train" for image in labels["images"]) >= 200


def test_every_label_is_sound(labels):
    assert [c["name"] for c in labels["categories"]] == list(CLASSES)
    sizes = {image["id"]: (image["width"], image["height"]) for image in labels["images"]}
    assert len({a["id"] for a in labels["annotations"]}) == len(labels["annotations"])
    for a in labels["annotations"]:
        x, y, w, h = a["bbox"]
        width, height = sizes[a["image_id"]]
        assert x >= 0 and y >= 0 and w >= 1 and h >= 1 and x + w <= width + 0.011 and y + h <= height + 0.011
        assert a["area"] == pytest.approx(w * h, abs=0.01) and 0 <= a["visibility"] <= 1 and a["distance_m"] > 0
        assert a["ignore"] == int(a["visibility"] < 0.25 or min(w, h) < 4) == a["iscrowd"] or a["visibility"] == 0.25
    counted = Counter(a["category_id"] for a in labels["annotations"] if not a["ignore"])
    assert min(counted[i + 1] for i in range(len(CLASSES))) > 250


def test_post_distances_cover_the_stated_range(labels):
    distances = np.array([a["distance_m"] for a in labels["annotations"] if a["category_id"] == 1])
    assert 0.4 <= distances.min() < 0.5 and 5 < distances.max() <= 6
    # Even in the logarithm, as the card says: each third of it holds about a third of the posts.
    thirds = np.histogram(np.log(distances), bins=np.linspace(np.log(0.4), np.log(6), 4))[0] / len(distances)
    assert (np.abs(thirds - 1 / 3) < 0.12).all()
    assert sum("distance_m" not in image for image in labels["images"]) >= 10


def test_picture_files_are_those_of_the_labels(labels):
    named = sorted(image["file_name"] for image in labels["images"])
    assert named == sorted(path.relative_to(FOLDER).as_posix() for path in (FOLDER / "pictures").iterdir())
    assert {pictures.size_of(FOLDER / name) for name in named} == {(recordings.WIDTH_PX, recordings.HEIGHT_PX)}


def test_card_says_rendered_and_counts_right(labels):
    card = (FOLDER / "card.md").read_text(encoding="utf-8")
    assert "These pictures are rendered" in card and "BSD-3-Clause" in card and "Limits" in card
    assert f"{len(labels['images'])} pictures" in card and f"{len(labels['annotations'])} labeled things" in card


def test_any_coco_reader_opens_it(labels):
    coco = pytest.importorskip("pycocotools.coco", reason="pycocotools is not installed: pip install robotlab[test]")
    data = coco.COCO()
    data.dataset = labels
    data.createIndex()
    assert len(data.getAnnIds(catIds=[1])) == sum(a["category_id"] == 1 for a in labels["annotations"])


def test_command_refuses_a_folder_it_cannot_make(tmp_path, capsys):
    (tmp_path / "file").write_text("x")
    assert recordings.main([str(tmp_path / "file")]) == 2
    assert capsys.readouterr().err.startswith("error: ")
