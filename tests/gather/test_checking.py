"""Likely label errors, agreement of two people, time-lapse, and the report."""

from pathlib import Path

import numpy as np
import pytest
from gather_films import views
from PIL import Image

from robotlab.boxes import iou
from robotlab.cli import main
from robotlab.data import DataSet, LabeledImage, Sample, check_dataset, open_dataset, write_dataset
from robotlab.detections import Detections, as_detector
from robotlab.errors import DataSetError, PictureError
from robotlab.gather import label_agreement, suspect_labels, time_lapse
from robotlab.image import film_writing, open_video, write_film

RNG = np.random.default_rng(0)


@pytest.fixture(scope="module")
def blocks(tmp_path_factory):
    """Three recordings with an orange and a blue block in each picture; some labels of the third are wrong."""
    samples = []
    for n, view in enumerate(views(18, (160, 120), 40)):
        picture = (view // 4 + 60).astype(np.uint8)
        orange, blue = [10 + n, 30, 40 + n, 80], [100, 20 + n, 140, 50 + n]
        for box, color in ((orange, (230, 110, 30)), (blue, (30, 60, 220))):
            picture[box[1] : box[3], box[0] : box[2]] = color
        boxes, labels = [orange, blue], [0, 1]
        if n == 13:
            boxes, labels = [blue], [1]  # the orange one is missing
        if n == 14:
            labels = [1, 1]  # the wrong class
        if n == 15:
            boxes = [[orange[0] + 14, 30, orange[2] + 14, 80], blue]  # beside it
        if n == 16:
            boxes, labels = [orange, blue, [60, 85, 95, 118]], [0, 1, 0]  # nothing is there
        samples.append(Sample(f"{n:02}.png", picture, boxes, labels, f"walk{n // 6}", "dusk"))
    return write_dataset(tmp_path_factory.mktemp("blocks") / "set", samples, ["post", "crate"])


def by_color(rest):
    """Finds both blocks exactly, by their colors."""

    def detect(picture):
        boxes = []
        for color in ((230, 110, 30), (30, 60, 220)):
            y, x = np.nonzero(np.abs(picture.astype(int) - color).max(axis=2) < 20)
            boxes.append([x.min(), y.min(), x.max() + 1, y.max() + 1])
        return Detections(np.array(boxes, float), np.array([0.9, 0.8]), np.array([0, 1]), ("post", "crate"))

    return as_detector(detect)


def test_planted_errors_are_found_and_nothing_else(blocks):
    seen = []

    def fit(rest):
        seen.append(set(rest.recordings))
        return by_color(rest)

    found = suspect_labels(blocks, fit_detector=fit, progress=False)
    assert {(suspect.kind, suspect.entry.id) for suspect in found} == {
        ("missing", 14),
        ("class", 15),
        ("loose", 16),
        ("nothing there", 17),
    }
    # Each recording was left out of one fit.
    assert sorted(map(sorted, seen)) == [["walk0", "walk1"], ["walk0", "walk2"], ["walk1", "walk2"]]
    assert all(a.weight >= b.weight for a, b in zip(found, found[1:], strict=False))


def test_one_recording_cannot_be_checked_so(blocks):
    with pytest.raises(DataSetError, match="needs another one to learn from, there is walk0 alone"):
        suspect_labels(blocks.only("walk0"), progress=False)


def test_a_detector_that_finds_little_accuses_nobody(blocks):
    blind = as_detector(lambda picture: Detections.none(["post", "crate"]))
    assert suspect_labels(blocks, fit_detector=lambda _: blind, progress=False) == []


def one(boxes, labels=None, classes=("post", "crate"), name="a.png"):
    labels = [0] * len(boxes) if labels is None else labels
    entry = LabeledImage(7, Path(name), 64, 48, boxes=boxes, labels=labels)
    return DataSet(Path("annotations.json"), classes, tuple(range(len(classes))), (entry,))


def test_agreement_by_hand():
    first = one([[0, 0, 10, 10], [20, 0, 30, 10], [40, 0, 50, 10]])
    # The first agrees by 8 / 10; the second has another class; the third is elsewhere.
    second = one([[0, 0, 10, 8], [20, 0, 30, 10], [40, 20, 50, 30]], [1, 0, 1], ("crate", "post"))
    found = label_agreement(first, second)
    assert found.ious.tolist() == [0.8, 1.0] and (found.other_class, found.only_first, found.only_second) == (1, 1, 1)
    # F1 = 2 · 1 / (3 + 3)
    assert found.f1 == pytest.approx(1 / 3) and found.worst[0][0] == pytest.approx(3.2)


def test_agreement_pairs_as_the_best_assignment_does():
    """Against every way to pair, one by one."""
    from itertools import permutations

    for _ in range(20):
        a, b = (np.sort(RNG.uniform(0, 20, (4, 2, 2)), axis=1).reshape(4, 4) + [0, 0, 9, 9] for _ in range(2))
        overlap = iou(a, b)
        best = max(sum(overlap[row, column] for row, column in enumerate(way)) for way in permutations(range(4)))
        way = max(permutations(range(4)), key=lambda way: sum(overlap[row, column] for row, column in enumerate(way)))
        assert best == pytest.approx(sum(overlap[row, column] for row, column in enumerate(way)))
        expected = sorted(overlap[row, column] for row, column in enumerate(way) if overlap[row, column] >= 0.5)
        assert sorted(label_agreement(one(a), one(b)).ious) == pytest.approx(expected)


def test_agreement_refuses():
    with pytest.raises(DataSetError, match="share no file name"):
        label_agreement(one([]), one([], name="b.png"))
    assert np.isnan(label_agreement(one([]), one([])).f1) and label_agreement(one([]), one([])).worst == ()


def test_time_lapse_holds_every_picture(blocks, tmp_path):
    gif = time_lapse(blocks, tmp_path / "set.gif", progress=False, width_px=160)
    with Image.open(gif) as film:
        assert film.n_frames == 18 and film.size == (160, 140)
    with open_video(time_lapse(blocks, tmp_path / "set.mp4", progress=False)) as film:
        count = 0
        while film.read() is not None:
            count += 1
    assert count == 18 and film.size == (480, 380)
    with pytest.raises(PictureError, match="must end in .mp4, .avi or .gif"):
        time_lapse(blocks, tmp_path / "set.mkv", progress=False)


@pytest.mark.parametrize("shared", [1, 10**9], ids=["a palette a picture", "one palette"])
def test_a_gif_shows_every_picture_and_its_thin_lines_and_is_small(tmp_path, monkeypatch, shared):
    monkeypatch.setattr(film_writing, "_SHARED_BYTES", shared)
    # A camera that stands still: a colorful scene, its noise, a block that moves, and a thin line of a rare color.
    y, x = np.mgrid[:120, :160]
    scene = np.stack([60 + x, 60 + y, 200 - x // 2 - y // 2], axis=-1)
    rng, line, frames = np.random.default_rng(0), (204, 121, 167), []
    for n in range(6):
        frame = np.clip(scene + rng.normal(0, 2, scene.shape), 0, 255).astype(np.uint8)
        frame[40:70, 10 * n : 10 * n + 30] = 20 * n, 255 - 20 * n, 40
        frame[20 + n, 30:40] = line
        frames.append(frame)
    path = write_film(tmp_path / "a.gif", frames, colors=[line])
    with Image.open(path) as film:
        assert film.n_frames == 6
        for n, frame in enumerate(frames):
            film.seek(n)
            apart = np.abs(np.asarray(film.convert("RGB")).astype(int) - frame)
            assert np.mean(apart) < 6 and np.percentile(apart, 99) < 30
            assert not apart[20 + n, 30:40].any()
            assert np.median(apart[40:70, 10 * n : 10 * n + 30].max(axis=2)) <= 12
    if shared > 1:  # smaller than the plain way, by Pillow alone
        plain = [Image.fromarray(frame).quantize() for frame in frames]
        plain[0].save(tmp_path / "plain.gif", save_all=True, append_images=plain[1:])
        assert path.stat().st_size < 0.5 * (tmp_path / "plain.gif").stat().st_size


def test_films_are_written_whole_or_not_at_all(tmp_path):
    frames = [np.full((49, 65, 3), 20 * n, np.uint8) for n in range(5)]
    with open_video(write_film(tmp_path / "a.avi", frames, 5)) as film:
        assert film.size == (64, 48) and film.rate_hz == 5
    with open_video(write_film(tmp_path / "a.mp4", frames)) as film:
        assert film.size == (64, 48)
    with pytest.raises(PictureError, match="number 2 has 64 x 49 px after 65 x 49"):
        write_film(tmp_path / "b.avi", [frames[0], frames[0][:, 1:]])
    with pytest.raises(PictureError, match="must have pictures, got none"):
        write_film(tmp_path / "b.gif", [])
    with pytest.raises(PictureError, match="rate_hz must be"):
        write_film(tmp_path / "b.gif", frames, 0)
    with pytest.raises(PictureError, match="colors must be at most 64, got 65"):
        write_film(tmp_path / "b.gif", frames, colors=[(0, 0, 0)] * 65)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.avi", "a.mp4"]


def test_the_check_up_sees_places(tmp_path):
    samples = [Sample(f"{n}.png", view, [[2, 5, 20, 30]], [0], f"w{n % 2}") for n, view in enumerate(views(24))]
    report = check_dataset(write_dataset(tmp_path / "set", samples, ["post"]))
    assert report.facts["positions"] == [[24, 0, 0], [0, 0, 0], [0, 0, 0]]
    assert any("24 of 24 boxes are in the left third" in note for note in report.notes)


def test_a_set_without_labels_is_checked_too(tmp_path, film):
    assert main(["gather", str(film), str(tmp_path / "set"), "--recording", "a", "--quiet"]) == 0
    report = check_dataset(tmp_path / "set")
    assert report.ok and any("nothing is labeled yet" in note for note in report.notes)
    with pytest.raises(DataSetError, match="at least one class"):
        open_dataset(tmp_path / "set")


def test_the_report_has_pictures_and_says_where_to_fix(blocks, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("robotlab.gather.label_errors.fit", lambda rest, progress: by_color(rest))
    folder = str(blocks.folder)
    other = write_dataset(tmp_path / "other", blocks.having([blocks[n].pick([0]) for n in range(18)]))
    page = tmp_path / "page.html"
    words = [
        "checkup",
        folder,
        "--html",
        str(page),
        "--film",
        str(tmp_path / "f.gif"),
        "--second-annotator",
        str(other.folder),
    ]
    assert main([*words, "--object-height", "0.5", "--target", "post", "--quiet"]) == 0
    said = capsys.readouterr().out
    assert main([*words[:2], "--object-height", "0.5"]) == 2 and "add --html FILE" in capsys.readouterr().err
    text = page.read_text("utf-8")
    assert f"robotlab label {folder} --pictures" in text and text.count("<img") > 8
    for words in (
        "a post without a label?",
        "a crate by its label, a post to the detector",
        "the detector finds nothing",
    ):
        assert words in text
    assert "18 pictures labeled by both" in said and (tmp_path / "f.gif").exists()
    assert main(["checkup", "--html", str(page)]) == 2
    assert main(["checkup", folder, "--film", str(tmp_path / "f.gif")]) == 2


def test_the_report_shows_duplicates_across_recordings(tmp_path):
    pictures = views(6)
    samples = [Sample(f"{n}.png", pictures[n % 5], [[2, 5, 20, 30]], [0], f"w{n // 3}") for n in range(6)]
    write_dataset(tmp_path / "set", samples, ["post"])
    assert main(["checkup", str(tmp_path / "set"), "--html", str(tmp_path / "page.html"), "--quick"]) == 0
    assert "Near-duplicates across recordings" in (tmp_path / "page.html").read_text("utf-8")
    assert check_dataset(tmp_path / "set").facts["duplicates_across"] == [[1, 6, 0]]
