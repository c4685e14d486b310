"""Split by recording, near duplicates, the check-up, the contact sheet."""

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from conftest import save_set
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage import data as photographs

from robotlab import image
from robotlab.data import (
    DataSet,
    LabeledImage,
    Sample,
    check_dataset,
    contact_sheet,
    draw_boxes,
    find_leaks,
    open_dataset,
    split_by_recording,
    split_in_time,
    write_dataset,
)
from robotlab.errors import DataSetError, InputError
from robotlab.image import image_hash, near_duplicates


def many(counts, tmp="annotations.json"):
    rows = [
        LabeledImage(f"{name}{n}", Path(f"{name}{n}.png"), 8, 6, recording=name)
        for name, count in counts.items()
        for n in range(count)
    ]
    return DataSet(Path(tmp), ("post",), (1,), tuple(rows))


@settings(deadline=None)
@given(
    st.dictionaries(st.text("abcdefgh", min_size=1, max_size=2), st.integers(1, 30), min_size=2, max_size=12),
    st.floats(0.01, 0.99),
    st.integers(0, 99),
)
def test_no_recording_on_both_sides(counts, fraction, seed):
    data = many(counts)
    train, test = split_by_recording(data, fraction, seed)
    assert len(train) and len(test) and len(train) + len(test) == len(data)
    assert not set(train.recordings) & set(test.recordings)
    assert split_by_recording(data, fraction, seed)[1].recordings == test.recordings


def test_the_fraction_is_met_as_closely_as_by_scikit_learn():
    from sklearn.model_selection import GroupShuffleSplit  # a second and more to import, in every process

    # GroupShuffleSplit (scikit-learn) counts groups; with equal groups that is the same part of the pictures.
    data = many({f"r{n}": 10 for n in range(8)})
    groups = [entry.recording for entry in data]
    theirs = next(GroupShuffleSplit(1, test_size=0.25, random_state=0).split(groups, groups=groups))[1]
    for seed in range(20):
        assert len(split_by_recording(data, 0.25, seed)[1]) == len(theirs) == 20
    assert len({split_by_recording(data, 0.25, seed)[1].recordings for seed in range(20)}) > 5


def boxed(rng, recordings=8):
    """Recordings of unlike length and unlike mixture of four classes."""
    rows = []
    for place in range(recordings):
        mixture = np.roll([0.7, 0.2, 0.08, 0.02], place)
        for _ in range(rng.integers(3, 30)):
            count = int(rng.integers(0, 4))
            rows.append(
                LabeledImage(
                    len(rows),
                    Path(f"{len(rows)}.png"),
                    99,
                    99,
                    f"r{place}",
                    boxes=np.tile([0, 0, 9, 9.0], (count, 1)),
                    labels=rng.choice(4, count, p=mixture),
                )
            )
    return DataSet(Path("annotations.json"), tuple("abcd"), (1, 2, 3, 4), tuple(rows))


def imbalance(data, test):
    """By the formula of the docstring, slowly."""

    def boxes(part):
        return np.bincount(np.concatenate([entry.labels for entry in part]), minlength=4)

    pictures = len(test) / len(data) - 0.25
    return pictures**2 + np.mean((boxes(test) / boxes(data) - 0.25) ** 2)


def test_no_split_is_more_balanced():
    from sklearn.model_selection import StratifiedGroupKFold

    for trial in range(6):
        data = boxed(np.random.default_rng(trial))
        ours = imbalance(data, split_by_recording(data, 0.25, trial)[1])
        names = data.recordings
        every = [
            imbalance(data, data.only(recordings=chosen))
            for count in range(1, len(names))
            for chosen in itertools.combinations(names, count)
        ]
        assert ours == pytest.approx(min(every), abs=1e-12)
        # StratifiedGroupKFold (scikit-learn) deals whole groups by class too, into four sides of a quarter each.
        labels = [label for entry in data for label in entry.labels]
        groups = [entry.recording for entry in data for _ in entry.labels]
        for _, held in StratifiedGroupKFold(4).split(labels, labels, groups):
            assert ours <= imbalance(data, data.only(recordings={groups[row] for row in held})) + 1e-12


def test_ignored_boxes_do_not_weigh():
    rows = [
        LabeledImage(
            n, Path(f"{n}.png"), 99, 99, f"r{n}", boxes=[[0, 0, 9, 9]] * 2, labels=[0, 1], ignore=[n < 2, False]
        )
        for n in range(4)
    ]
    data = DataSet(Path("annotations.json"), ("post", "crate"), (1, 2), tuple(rows))
    assert {
        tuple(sorted(n in (2, 3) for n in (entry.id for entry in split_by_recording(data, 0.5, seed)[1])))
        for seed in range(9)
    } == {(False, True)}


def test_one_recording_is_refused_with_the_reason_and_a_way():
    with pytest.raises(
        DataSetError, match=r"at least two recordings, there is a alone.*leak into the test.*split_in_time"
    ):
        split_by_recording(many({"a": 10}))


@settings(deadline=None)
@given(st.integers(4, 60), st.floats(0.1, 0.5), st.floats(0, 0.3))
def test_a_split_in_time_has_a_gap_and_order(count, part, gap):
    data = many({"a": count, "b": count})
    if round(part * count) + max(1, round(gap * count)) >= count or not round(part * count):
        with pytest.raises(DataSetError, match="before and after its gap"):
            split_in_time(data, part, gap)
        return
    train, test = split_in_time(data, part, gap)
    for name in "ab":
        first, last = ([int(entry.id[1:]) for entry in side.only(recordings=name)] for side in (train, test))
        assert first[0] == 0 and last[-1] == count - 1
        assert last[0] - first[-1] - 1 == max(1, round(gap * count))
        assert len(last) == round(part * count)


def test_a_split_in_time_goes_by_the_clock():
    rows = [LabeledImage(n, Path(f"{n}.png"), 8, 6, record={"time_s": 100 - n}) for n in range(20)]
    train, test = split_in_time(DataSet(Path("annotations.json"), ("post",), (1,), tuple(rows)))
    assert max(entry.record["time_s"] for entry in train) < min(entry.record["time_s"] for entry in test)
    with pytest.raises(DataSetError, match="gap must be from 0 to less than 0.75, the part not held out, got 0.8"):
        split_in_time(train, 0.25, 0.8)


def test_named_recordings():
    train, test = split_by_recording(many({"a": 2, "b": 3, "c": 4}), ["c", "a"])
    assert (train.recordings, test.recordings) == (("b",), ("a", "c"))
    assert split_by_recording(many({"a": 2, "b": 3}), "b")[1].recordings == ("b",)


@pytest.mark.parametrize(
    ("counts", "hold_out", "message"),
    [
        ({"a": 9}, 0.25, "at least two recordings, there is a alone"),
        ({"a": 9, "b": 2}, 0, "hold_out must be between 0 and 1"),
        ({"a": 9, "b": 2}, float("nan"), "hold_out must be between 0 and 1"),
        ({"a": 9, "b": 2}, True, "hold_out must be between 0 and 1"),
        ({"a": 9, "b": 2}, ["c"], "recordings must be among a, b, got c"),
        ({"a": 9, "b": 2}, ["a", "b"], "a recording must be left to learn from"),
    ],
)
def test_impossible_splits(counts, hold_out, message):
    with pytest.raises(DataSetError, match=message):
        split_by_recording(many(counts), hold_out)


def test_mark_against_a_slow_one():
    gray = np.random.default_rng(3).integers(0, 256, (9, 9))
    slow = [gray[y, x + 1] > gray[y, x] for y in range(8) for x in range(8)] + [
        gray[y + 1, x] > gray[y, x] for y in range(8) for x in range(8)
    ]
    assert image_hash(np.dstack([gray.astype(np.uint8)] * 3)).tolist() == slow


@given(st.integers(1, 40), st.integers(1, 40), st.integers(0, 20), st.integers(0, 9))
def test_near_pairs_against_a_slow_one(n, m, limit, seed):
    rng = np.random.default_rng(seed)
    a, b = rng.random((n, 24)) < 0.5, rng.random((m, 24)) < 0.5
    slow = {(i, j, int((a[i] != b[j]).sum())) for i in range(n) for j in range(m) if (a[i] != b[j]).sum() <= limit}
    fast = near_duplicates(a, b, limit)
    assert {tuple(row) for row in fast.tolist()} == slow and (np.diff(fast[:, 2]) >= 0).all()
    within = {
        (i, j, int((a[i] != a[j]).sum())) for i in range(n) for j in range(i + 1, n) if (a[i] != a[j]).sum() <= limit
    }
    assert {tuple(row) for row in near_duplicates(a, limit_bits=limit).tolist()} == within


def test_near_pairs_refuses():
    with pytest.raises(InputError, match="one length, got 3 and 4 bits"):
        near_duplicates(np.zeros((2, 3), bool), np.zeros((2, 4), bool))
    with pytest.raises(InputError, match="0 or more, got -1"):
        near_duplicates(np.zeros((2, 3), bool), limit_bits=-1)


def photos():
    for name in ("astronaut", "coffee", "chelsea", "rocket", "camera"):
        photo = getattr(photographs, name)()
        yield name, image.resize(photo if photo.ndim == 3 else np.dstack([photo] * 3), (320, 240))


def changed(photo, rng):
    yield image.decode(image.encode(photo, "jpg", 30))
    yield np.clip(photo * 1.3 + 8, 0, 255).astype(np.uint8)
    yield np.clip(photo + rng.normal(0, 8, photo.shape), 0, 255).astype(np.uint8)
    yield np.roll(photo, 1, axis=1)


def test_leaks_are_the_copies_and_nothing_else(tmp_path):
    rng = np.random.default_rng(0)
    train = [Sample(f"{name}.png", photo, [[1, 1, 9, 9]], [0], "first") for name, photo in photos()]
    test = [
        Sample(
            "other.png",
            np.dstack([image.resize(np.dstack([photographs.brick()] * 3), (320, 240))[..., 0]] * 3),
            recording="second",
        )
    ]
    for sample in train[:3]:
        test += [
            Sample(f"{n}_{sample.name}", copy, recording="second")
            for n, copy in enumerate(changed(sample.picture, rng))
        ]
    data = write_dataset(tmp_path / "set", train + test, ["post"])
    leaks = find_leaks(data.only("first"), data.only("second"))
    found = {(leak.train.path.name, leak.test.path.name) for leak in leaks}
    assert found == {(sample.name, f"{n}_{sample.name}") for sample in train[:3] for n in range(4)}
    report = check_dataset(data)
    assert report.facts["near_duplicates_across_recordings"] == 12
    assert any("recordings first and second have 12 pairs of near-duplicate pictures" in note for note in report.notes)


def test_checkup_counts(folder):
    report = check_dataset(folder)
    facts = report.facts
    assert report.ok and report.to_dict()["ok"]
    assert (facts["pictures"], facts["boxes"], facts["boxes_not_counted"]) == (2, 3, 2)
    assert facts["boxes_per_class"] == {"post": 1, "crate": 0}
    assert facts["longer_side"] == {
        "0-8 px": 1,
        "8-16 px": 0,
        "16-32 px": 1,
        "32-64 px": 0,
        "64-128 px": 1,
        "128-256 px": 0,
        "over 256 px": 0,
    }
    assert facts["tiny_boxes"] == 1
    assert facts["recordings"]["morning"] == {"pictures": 1, "boxes": 2, "lightings": ["dusk"]}
    assert facts["lightings"] == {"dusk": 1} and facts["picture_sizes"] == {"64 x 48": 2}
    text = report.text()
    assert "class crate has no box that counts" in text and "1 box with a side under 6 px" in text
    json.dumps(report.to_dict(), allow_nan=False)


def test_checkup_lists_every_broken_rule(tmp_path, labels):
    labels["annotations"][0]["bbox"] = [60, 2, 10, 4]
    labels["annotations"][1]["category_id"] = 4
    labels["images"].append({"id": 71, "file_name": "gone.png", "width": 1, "height": 1})
    labels["images"].append({"id": 72, "file_name": "c.png", "width": 64, "height": 48})
    folder = save_set(tmp_path / "set", labels, names=("a.png", "b.png", "c.png"))
    (folder / "c.png").write_bytes((folder / "c.png").read_bytes()[:2000])
    report = check_dataset(folder)
    assert not report.ok and len(report.problems) == 4
    for words in ("6 px outside", "got 4", "gone.png", "cut short"):
        assert sum(words in problem for problem in report.problems) == 1
    assert report.facts["pictures"] == 3 and "Broken rules: 4" in report.text()
    assert len(check_dataset(folder, look=False).problems) == 3


def test_checkup_of_something_that_cannot_be_opened(tmp_path):
    (tmp_path / "annotations.json").write_text("{")
    report = check_dataset(tmp_path)
    assert "line 1, column 2" in report.problems[0] and report.facts == {}
    with pytest.raises(DataSetError, match="is neither"):
        check_dataset(tmp_path / "nowhere")


def test_checkup_notes(tmp_path):
    rng = np.random.default_rng(0)
    samples = [
        Sample(f"{n}.png", rng.integers(0, 256, (48, 64, 3), dtype=np.uint8), [[4, 4, 20, 20], [30, 4, 50, 20]], [0, 0])
        for n in range(10)
    ]
    samples.append(
        Sample(
            "x.png",
            rng.integers(0, 256, (48, 64, 3), dtype=np.uint8),
            [[4, 4, 20, 20], [4, 4, 20, 20.5], [4, 4, 20, 20]],
            [0, 0, 1],
        )
    )
    samples.append(Sample("y.png", samples[0].picture))
    report = check_dataset(write_dataset(tmp_path / "set", samples, ["post", "crate"]))
    notes = "\n".join(report.notes)
    assert "class crate is rare, 1 boxes beside 22" in notes
    assert "all pictures are one recording" in notes
    assert "1 picture without boxes (pictures/y.png)" in notes
    assert "x.png: annotations 21 and 22 (post) overlap by IoU 0.97" in notes and "22 and 23" not in notes
    assert report.facts["near_duplicates_within_recordings"] == 1


def test_draw_boxes_draws_inside():
    blank = np.zeros((20, 20, 3), np.uint8)
    drawn = draw_boxes(blank, [[3, 2, 9, 5]], [(255, 0, 0)], 1)
    assert not blank.any()
    rows, columns = np.nonzero(drawn[..., 0])
    assert (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1) == (3, 2, 9, 5)
    assert len(rows) == 2 * 6 + 2 * 1
    assert (
        0
        < np.count_nonzero(draw_boxes(blank, [[3, 2, 19, 15]], [(255, 0, 0)], 1, np.array([True]))[..., 0])
        < 2 * 16 + 2 * 11
    )
    assert draw_boxes(blank, np.zeros((0, 4)), []).shape == (20, 20, 3)


def test_contact_sheet(tmp_path):
    samples = [
        Sample(f"{n}.png", np.full((48, 64, 3), 10 * n, np.uint8), [[16, 12, 48, 36]], [n % 2], f"walk{n % 3}")
        for n in range(9)
    ]
    data = write_dataset(tmp_path / "set", samples, ["post", "crate"])
    page = contact_sheet(data, count=6, columns=3, cell_px=128)
    assert page.shape[1] == 3 * (128 + 6) + 6
    # The first cell: picture 0 is black, its box is drawn in the first color at twice the size.
    top = 24 + 3
    cell = page[top : top + 96, 6 : 6 + 128]
    rows, columns = np.nonzero((cell == (230, 159, 0)).all(axis=2))
    assert (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1) == (32, 24, 96, 72)
    assert np.array_equal(page, contact_sheet(data, count=6, columns=3, cell_px=128))
    assert not np.array_equal(page, contact_sheet(data, count=6, columns=3, cell_px=128, seed=1))
    with pytest.raises(DataSetError, match="at least 1"):
        contact_sheet(data, count=0)


def test_a_set_of_one_picture_has_a_sheet(folder):
    assert contact_sheet(open_dataset(folder).only(ids=[10]), columns=9).shape[1] == 212
