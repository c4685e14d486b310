"""Labels on the disk: what is confirmed is there, whatever ends the program, and others can read it at any moment."""

import contextlib
import errno
import json
import os
import subprocess
import sys

import numpy as np
import pytest

from robotlab.data import Sample, check_dataset, open_dataset, write_dataset
from robotlab.errors import DataSetError
from robotlab.label import LabeledBox, LabelStore, PictureLabels


@pytest.fixture
def folder(tmp_path):
    samples = [Sample(f"{n}.png", np.full((60, 80, 3), n, np.uint8), recording="ab"[n % 2]) for n in range(4)]
    return write_dataset(tmp_path / "bench", samples, ["post", "crate"]).folder


@pytest.fixture
def store(folder):
    one = LabelStore(folder)
    yield one
    one.close()


def boxed(*corners, labeled=True, category=1, **marks):
    return PictureLabels(tuple(LabeledBox(tuple(map(float, box)), category, **marks) for box in corners), labeled)


def test_each_change_is_in_the_file(store, folder):
    store.put(2, boxed([1, 2, 11, 22], [30, 30, 40.5, 41]))
    data = open_dataset(folder)
    assert data[1].boxes.tolist() == [[1, 2, 11, 22], [30, 30, 40.5, 41]]
    assert data[1].record["labeled"] is True and "labeled" not in data[0].record
    assert [entry.id for entry in data] == [1, 2, 3, 4]
    # A picture without the thing is labeled; one that nobody has looked at is not.
    store.put(1, boxed())
    assert store.counts() == {
        "pictures": 4,
        "labeled": 2,
        "empty": 1,
        "not_sure": 0,
        "hidden": 0,
        "boxes": {1: 2, 2: 0},
    }
    assert not check_dataset(folder).problems


def test_marks(store, folder):
    store.put(1, boxed([1, 2, 11, 22], not_sure=True, hidden=True))
    entry = open_dataset(folder)[0]
    assert entry.ignore.tolist() == [True]  # so that judging neither asks for it nor punishes it
    assert entry.annotations[0]["not_sure"] == entry.annotations[0]["hidden"] == 1
    store.put(1, PictureLabels(tuple(LabeledBox(box.box, 1, id=box.id) for box in store.labels(1).boxes), True))
    assert not {"not_sure", "hidden", "ignore"} & open_dataset(folder)[0].annotations[0].keys()


def test_what_other_programs_wrote_is_kept(folder):
    path = folder / "annotations.json"
    value = json.loads(path.read_text())
    value["licenses"] = [{"id": 1, "name": "mine"}]
    value["images"][0]["shutter_s"] = 0.01
    value["annotations"] = [
        {
            "id": 9,
            "image_id": 1,
            "category_id": 2,
            "bbox": [1, 1, 5, 5],
            "by": "ann",
            "segmentation": [[1, 1, 6, 1, 6, 6]],
        },
        {"id": 4, "image_id": 1, "category_id": 1, "bbox": [20, 20, 5, 5], "area": 19},
    ]
    path.write_text(json.dumps(value))
    store = LabelStore(folder)
    first, second = store.labels(1).boxes
    store.put(1, PictureLabels((LabeledBox((2, 1, 7, 6), 2, id=first.id), second), True))
    now = json.loads(path.read_text())
    assert now["licenses"] == value["licenses"] and now["images"][0]["shutter_s"] == 0.01
    moved, kept = now["annotations"]
    # The outline of the old box would be wrong for the new one; a note on who drew it is not.
    assert moved["id"] == 9 and moved["by"] == "ann" and moved["area"] == 25 and "segmentation" not in moved
    assert kept == value["annotations"][1]
    # Added while the store is open: read before the next change.
    now["annotations"].append({"id": 50, "image_id": 2, "category_id": 1, "bbox": [3, 3, 3, 3]})
    path.write_text(json.dumps(now))
    store.put(3, boxed([1, 1, 9, 9]))
    after = {note["id"]: note for note in json.loads(path.read_text())["annotations"]}
    assert after.keys() == {9, 4, 50, 51}
    store.undo()
    assert open_dataset(folder)[1].boxes.tolist() == [[3, 3, 6, 6]] and not len(open_dataset(folder)[2])
    store.close()


def test_undo_and_redo(store, folder):
    states = [store.labels(1)]
    for n in range(5):
        store.put(1, boxed(*[[i, i, i + 10, i + 10] for i in range(n + 1)]))
        states.append(store.labels(1))
    for state in reversed(states[:-1]):
        assert store.undo() == 1 and store.labels(1).same(state)
        assert len(open_dataset(folder)[0]) == len(state.boxes)
    with pytest.raises(DataSetError, match="there is none"):
        store.undo()
    for state in states[1:]:
        assert store.redo() == 1 and store.labels(1).same(state)
    store.undo()
    store.put(2, boxed([1, 1, 5, 5]))
    with pytest.raises(DataSetError, match="there is none"):
        store.redo()


def test_counts_follow_every_change_and_are_those_of_the_file(store, folder):
    rng = np.random.default_rng(3)
    store.counts()
    for _ in range(30):
        if rng.random() < 0.3:
            with contextlib.suppress(DataSetError):
                rng.choice([store.undo, store.redo])()
        else:
            boxes = [[x, 1, x + 9, 9] for x in rng.integers(0, 60, rng.integers(3))]
            marks = {"not_sure": bool(rng.integers(2)), "hidden": bool(rng.integers(2))}
            change = boxed(*boxes, labeled=bool(rng.integers(2)), category=int(rng.integers(1, 3)), **marks)
            store.put(int(rng.integers(1, 5)), change)
        data = open_dataset(folder)
        notes = [note for entry in data for note in entry.annotations]
        labeled = [entry for entry in data if entry.record.get("labeled", len(entry) > 0)]
        assert store.counts() == {
            "pictures": 4,
            "labeled": len(labeled),
            "empty": sum(len(entry) == 0 for entry in labeled),
            "not_sure": sum("not_sure" in note for note in notes),
            "hidden": sum("hidden" in note for note in notes),
            "boxes": {id: sum(note["category_id"] == id for note in notes) for id in (1, 2)},
        }


def test_classes(store, folder):
    assert store.add_class("tray") == 3
    store.put(1, boxed([1, 1, 9, 9], category=3))
    store.rename_class(3, "flat tray")
    data = open_dataset(folder)
    assert data.classes == ("post", "crate", "flat tray") and data[0].labels.tolist() == [2]
    for name in ("post", " ", "a\nb", "x" * 61):
        with pytest.raises(DataSetError, match="class"):
            store.add_class(name)
    for _ in range(3):
        store.undo()
    assert open_dataset(folder).classes == ("post", "crate") and not len(open_dataset(folder)[0])


P, Q, R = (1.0, 1.0, 9.0, 9.0), (20.0, 1.0, 29.0, 9.0), (40.0, 1.0, 49.0, 9.0)


@pytest.mark.parametrize(
    ("base", "mine", "other", "result"),
    [
        ([(P, 1)], [(P, 1), (Q, None)], [(P, 1), (R, 2)], [P, R, Q]),  # each adds one
        ([(P, 1)], [(Q, 1)], [(P, 1), (R, 2)], [Q, R]),  # moved here, added there
        ([(P, 1), (R, 2)], [(P, 1)], [(Q, 1), (R, 2)], [Q]),  # deleted here, moved there, of two boxes
        ([(P, 1)], [], [(Q, 1)], [Q]),  # deleted here and moved there: it stays
        ([(P, 1)], [(Q, 1)], [], [Q]),  # moved here and deleted there: it stays
        ([(P, 1)], [(Q, 1)], [(R, 1)], [Q]),  # moved by both: the change that comes later
        ([(P, 1)], [(P, 1)], [], []),
        ([], [(P, None)], [(P, 7)], [P]),  # both have drawn the same
        ([(P, None)], [(Q, None)], [(P, 7), (R, 8)], [R, Q]),  # not known yet by its id
        ([(P, None), (P, None)], [(P, None)], [(P, 1), (P, 2)], [P]),  # one of two alike
    ],
)
def test_merge_of_two_changes(base, mine, other, result):
    base, mine, other = (
        PictureLabels(tuple(LabeledBox(box, 1, id=id) for box, id in boxes)) for boxes in (base, mine, other)
    )
    merged = mine.merged(base, other)
    assert [box.box for box in merged.boxes] == result
    used = [box.id for box in merged.boxes if box.id is not None]
    assert len(set(used)) == len(used) and set(used) <= {box.id for box in other.boxes}


def test_a_merge_with_nothing_is_the_change_itself():
    rng = np.random.default_rng(0)
    for _ in range(50):
        base, mine = (
            PictureLabels(
                tuple(
                    LabeledBox((x, 0.0, x + 1.0, 5.0), 1) for x in rng.permutation(9)[: rng.integers(9)].astype(float)
                ),
                bool(rng.integers(2)),
            )
            for _ in range(2)
        )
        assert mine.merged(base, base).distance(mine) == 0 and mine.merged(base, base).labeled == mine.labeled
        assert base.merged(base, mine).same(mine) and mine.distance(mine) == 0


@pytest.mark.parametrize(
    "box",
    [
        {"box": [1, 2, 3], "category_id": 1},
        {"box": [5, 5, 5, 9], "category_id": 1},
        {"box": [90, 5, 99, 9], "category_id": 1},
        {"box": [float("nan"), 0, 5, 5], "category_id": 1},
        {"box": ["1", 0, 5, 5], "category_id": 1},
        {"box": [0, 0, 5, 5], "category_id": None},
        "box",
    ],
)
def test_wrong_boxes_are_refused(box):
    with pytest.raises(DataSetError, match="a box must"):
        PictureLabels.read({"boxes": [box], "labeled": True}, 80, 60)


def test_a_box_is_cut_off_at_the_edge_and_of_a_known_class(store):
    inside = PictureLabels.read({"boxes": [{"box": [-9, 5, 200, 9], "category_id": 1}]}, 80, 60)
    assert inside.boxes[0].box == (0, 5, 80, 9)
    with pytest.raises(DataSetError, match="add it"):
        store.put(1, boxed([1, 1, 5, 5], category=7))
    with pytest.raises(DataSetError, match="one of the data set"):
        store.put(77, boxed())


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_full_disk_changes_nothing(store, folder, monkeypatch, call):
    store.put(1, boxed([1, 2, 11, 22]))
    before = (folder / "annotations.json").read_bytes()

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, call, full)
        with pytest.raises(OSError, match="No space"):
            store.put(1, boxed([40, 2, 51, 22]))
        with pytest.raises(OSError, match="No space"):
            store.add_class("tray")
    assert (folder / "annotations.json").read_bytes() == before
    assert store.labels(1).boxes[0].box == (1, 2, 11, 22) and len(store.classes) == 2
    assert sorted(path.name for path in folder.iterdir()) == ["annotations.json", "card.md", "pictures"]
    store.put(1, boxed([40, 2, 51, 22]))
    assert open_dataset(folder)[0].boxes.tolist() == [[40, 2, 51, 22]]


def test_two_programs_on_one_set(store, folder):
    code = (
        "import sys; from robotlab.label import LabelStore, PictureLabels; store = LabelStore(sys.argv[1])\n"
        "print(store.read_only, flush=True)\n"
        "try:\n    store.put(1, PictureLabels((), True))\n"
        "except Exception as error:\n    print(error, flush=True)\n"
        "sys.stdin.readline(); print(store.take_over(), len(store.labels(2).boxes), flush=True); sys.stdin.readline()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline().strip() == "True"
        assert "another window or program has this data set open" in other.stdout.readline()
        store.put(2, boxed([1, 1, 5, 5]))
        store.close()
        with pytest.raises(DataSetError, match="another window"):
            store.put(2, boxed())
        print(file=other.stdin, flush=True)
        # It reads what was written meanwhile before it goes on.
        assert other.stdout.readline().strip() == "True 1"
        assert not store.take_over()
        other.kill()
    assert store.take_over()  # the lock ends with its program, however that ends


def test_a_second_store_of_one_program_takes_over(store, folder):
    newer = LabelStore(folder)
    assert store.read_only and not newer.read_only
    # The older one, asking again, does not take it back while the newer one has it.
    assert not store.take_over() and not newer.read_only
    newer.put(1, boxed([1, 1, 5, 5]))
    newer.close()


def test_without_its_file_nothing_is_written(store, folder):
    (folder / "annotations.json").unlink()
    with pytest.raises(DataSetError, match="bring it back"):
        store.put(1, boxed())
    (folder / "annotations.json").write_text("{")
    with pytest.raises(DataSetError, match="must be JSON"):
        store.put(1, boxed())
    assert (folder / "annotations.json").read_text() == "{"


def test_a_folder_without_labels_says_what_to_do(tmp_path):
    with pytest.raises(DataSetError, match="robotlab gather"):
        LabelStore(tmp_path)


def test_some_kills_lose_nothing(tmp_path):
    """A part of the thousand of kill_labeler.py."""
    from kill_labeler import campaign

    assert campaign(tmp_path, 8, seed=1) == (8, 0)
