"""Suggestions, their order with its reason, the fit in the background, and the command."""

import json
import os
import subprocess
import sys
import tempfile
import time

import numpy as np
import pytest

from robotlab.cli.parser import main
from robotlab.data import Sample, open_dataset, write_dataset
from robotlab.errors import DataSetError
from robotlab.label import BoxLabeler, LabeledBox, LabelStore, PictureLabels, Suggester, simulate_labeling

SIZE = (96, 72)


def scene(number, rng):
    """Noise, an orange thing and a green one of the same shape."""
    picture = rng.integers(60, 110, (SIZE[1], SIZE[0], 3)).astype(np.uint8)
    x, y = 6 + number * 3 % 40, 8 + number * 5 % 24
    picture[y : y + 32, x : x + 12] = 225, 105, 20
    picture[30:60, 78:90] = 40, 130, 50
    return picture, [x, y, x + 12, y + 32]


@pytest.fixture
def truth(tmp_path):
    rng = np.random.default_rng(0)
    samples = []
    for number in range(16):
        picture, box = scene(number, rng)
        samples.append(Sample(f"{number:02d}.png", picture, [box], [0], recording="ab"[number % 2]))
    return write_dataset(tmp_path / "truth", samples, ["post"])


@pytest.fixture
def store(truth, tmp_path):
    from robotlab.label import unlabeled_copy

    one = LabelStore(unlabeled_copy(truth, tmp_path / "mine").folder)
    yield one
    one.close()


def label(store, truth, *ids):
    for id in ids:
        boxes = tuple(LabeledBox(tuple(box), 1) for box in truth[id - 1].boxes.tolist())
        store.put(id, PictureLabels(boxes, True))


def test_color_suggests_at_once_and_only_where_it_works(store, truth):
    suggester = Suggester(store, background=False)
    assert suggester.source == "nobody" and suggester.suggest(5) == []
    label(store, truth, 1)
    (found,) = suggester.suggest(5)
    assert np.abs(np.array(found.box) - truth[4].boxes[0]).max() <= 1 and suggester.source == "color"
    assert suggester.suggest(1) == []  # it is labeled
    # Labels on mere noise: color cannot tell it from the rest, so it says nothing.
    store.put(1, PictureLabels((LabeledBox((60.0, 2.0, 72.0, 20.0), 1),), True))
    assert Suggester(store, background=False).suggest(5) == []


def test_a_click_outlines_a_color(store, truth):
    suggester = Suggester(store, background=False)
    x0, y0, x1, y1 = truth[2].boxes[0]
    assert suggester.at_click(3, (x0 + x1) / 2, (y0 + y1) / 2) == (x0, y0, x1, y1)
    assert suggester.at_click(3, 84, 45) == (78, 30, 90, 60)


def test_the_least_sure_picture_comes_next_with_the_reason(store, truth):
    suggester = Suggester(store, background=False)
    first, why = suggester.next(store.ids)
    assert why == "the first pictures are spread over all recordings; this is a"
    assert suggester.next([1, 3, 5])[1] == "the first pictures are spread over the whole recording a"
    label(store, truth, first)
    second, _ = suggester.next(store.ids)
    assert store.entry(second).recording != store.entry(first).recording
    label(store, truth, *[id for id in range(1, 13) if id != first])
    rows = {13: 0.95, 14: 0.52, 15: 0.9, 16: 0.99}
    suggester.learn({"labeled": 12, "score": 0.5, "pictures": [[n, [[1, 1, 9, 9, 1, s]]] for n, s in rows.items()]})
    # Of recording a, 13 and 15 are left, of b 14 and 16: as many.
    assert suggester.next([14, 16]) == (14, "a post with score 0.52, near the threshold 0.50")
    assert suggester.next([13, 15])[0] == 15
    assert suggester.next([14, 16], passed=[14])[0] == 16
    assert suggester.next([1, 2]) is None
    suggester.learn({"labeled": 12, "score": 0.5, "pictures": [[13, []], [15, [[1, 1, 9, 9, 1, 0.9]]]]})
    assert suggester.next([13, 15]) == (13, "nothing found, and nearly all labeled pictures have boxes")


@pytest.mark.slow
def test_a_detector_is_fitted_in_the_background(store, truth):
    suggester = Suggester(store)
    label(store, truth, *range(1, 12))
    assert not suggester.poll()
    label(store, truth, 12)
    assert suggester.poll() and suggester.fitting
    until = time.monotonic() + 120
    while suggester.fitting and time.monotonic() < until:
        # Labeling goes on meanwhile.
        store.put(16, PictureLabels((LabeledBox((1.0, 1.0, 9.0, 9.0), 1),), False))
        store.undo()
        time.sleep(0.2)
        suggester.poll()
    assert suggester.learned_from == 12 and suggester.source == "detector" and not suggester.trouble
    (found,) = suggester.suggest(14)
    assert np.abs(np.array(found.box) - truth[13].boxes[0]).max() <= 4
    assert not suggester.poll()  # the next one is due after 24 more
    folder = suggester.model_path.parent
    suggester.close()
    assert not folder.exists()


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is a POSIX signal")
@pytest.mark.slow
def test_the_fit_ends_with_the_labeler(store, truth, tmp_path):
    label(store, truth, *range(1, 13))
    store.close()
    code = (
        "import sys, time; from robotlab.label import LabelStore, Suggester\n"
        "one = Suggester(LabelStore(sys.argv[1])); one.poll(); print(one._process.pid, flush=True); time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(store.labels_path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    ) as one:
        fit = int(one.stdout.readline())
        one.kill()
    until = time.monotonic() + 60
    while time.monotonic() < until:
        state = subprocess.run(["ps", "-o", "stat=", "-p", str(fit)], capture_output=True, text=True).stdout.strip()
        if not state or state.startswith("Z"):
            break
        time.sleep(0.2)
    assert not state or state.startswith("Z")


def test_a_simulated_labeler_counts_what_it_does(store, truth):
    before, after, _ = simulate_labeling(store, truth, first=1000)
    assert (before.pictures, before.boxes, after.pictures) == (16, 16, 0)
    assert before.kept + before.dragged + before.drawn == 16 and before.drawn >= 1 and before.kept >= 14
    assert open_dataset(store.labels_path).box_count == 16 and store.counts()["labeled"] == 16


# The labeler's own messages, without a browser.


@pytest.fixture
def labeler(store):
    one = BoxLabeler(store.labels_path, suggestions=False)
    one.said = []
    one.send = lambda content, buffers=None: one.said.append(content)
    yield one
    one.close()


def labels(*corners, labeled=False, undo=0):
    return {"boxes": [{"box": list(box), "category_id": 1} for box in corners], "labeled": labeled, "undo": undo}


A, B, C = [1, 1, 9, 9], [2, 2, 9, 9], [11, 1, 19, 9]


def change(labeler, number, seen, to, page="one"):
    """Send a change of the first picture as a page does; the answer, and the boxes that are there now."""
    words = {"say": "labels", "page": page, "made_on": page, "number": number, "id": 1, "from": seen, "to": to}
    labeler._hear(None, words, [])
    return labeler.said[-1], [list(box.box) for box in labeler.store.labels(1).boxes]


def test_a_change_that_is_sent_again_is_saved_once(labeler):
    said, there = change(labeler, 1, [labels()], labels(A, labeled=True))
    assert (said["say"], said["number"], said["page"], there) == ("saved", 1, "one", [A])
    change(labeler, 1, [labels()], labels(A, labeled=True))
    assert labeler.said[-1] == said and len(labeler.store._undo) == 1
    # Two changes, of which the first was saved and its answer lost.
    said, there = change(labeler, 3, [labels(), labels(A, labeled=True)], labels(B, labeled=True))
    assert (said["say"], said["merged"], there) == ("saved", False, [B])
    # Undone, then sent again by a page that has not heard of either: it stays undone.
    labeler._hear(None, {"say": "undo", "page": "one", "number": 4}, [])
    assert change(labeler, 3, [labels(A, labeled=True)], labels(B, labeled=True))[1] == [A]


def test_a_change_made_before_the_answer_to_an_undo_does_not_bring_back_what_was_undone(labeler):
    change(labeler, 1, [labels()], labels(A))
    labeler._hear(None, {"say": "undo", "page": "one", "number": 2}, [])
    said, there = change(labeler, 3, [labels(), labels(A, undo=2)], labels(A, C))
    assert said["merged"] and there == [C]
    # An undo that was never done voids nothing: here the kernel is a new one, which has only the file.
    said, there = change(labeler, 4, [labels(C), labels(A, C, undo=9)], labels(A, B, C), page="two")
    assert not said["merged"] and there == [A, B, C]


def test_changes_of_two_pages_are_merged(labeler):
    change(labeler, 1, [labels()], labels(A))
    said, there = change(labeler, 1, [labels()], labels(C, labeled=True), page="two")
    assert said["say"] == "saved" and said["merged"] and there == [A, C]
    assert labeler.store.labels(1).labeled
    said, _ = change(labeler, 2, [], labels(B), page="two")
    assert said["say"] == "refused" and "must say what it follows" in said["text"] and not said["again"]


def test_a_page_opened_anew_goes_on_where_the_last_one_was(labeler):
    assert labeler.first == 1
    change(labeler, 1, [labels()], labels(A, labeled=True))
    labeler._hear(None, {"say": "next", "page": "one", "shown": 2, "passed": [2]}, [])
    assert labeler.said[-1]["id"] == 3 and labeler.first == 2
    for odd in (99, [1], None):
        labeler._hear(None, {"say": "next", "page": "one", "shown": odd, "passed": []}, [])
        assert labeler.first == 2


def test_what_a_read_only_window_sends_is_to_be_kept_there(store, labeler):
    other = LabelStore(store.labels_path)
    said, there = change(labeler, 1, [labels()], labels(A))
    assert said["say"] == "refused" and said["again"] and "read-only" in said["text"] and there == []
    other.close()
    assert change(labeler, 1, [labels()], labels(A))[1] == [A]


@pytest.mark.parametrize(
    "message",
    [
        "there?",
        {"say": "labels", "id": 99, "from": [], "to": {"boxes": [], "labeled": True}},
        {"say": "labels", "id": 1, "from": [], "to": {"boxes": "all"}},
        {"say": "labels", "id": [1], "from": [], "to": None},
        {"say": "picture", "id": None},
        {"say": "undo"},
        {"say": "add_class", "name": " "},
        {"say": "rename_class", "class": 77, "name": "x"},
        {"say": "nothing of ours"},
        {"say": 7},
    ],
)
def test_odd_messages_change_nothing(labeler, message):
    before = labeler.store.labels_path.read_bytes()
    labeler._hear(None, message, [])
    assert labeler.store.labels_path.read_bytes() == before
    assert all(said["say"] == "refused" for said in labeler.said)


def test_pictures_must_be_of_the_set(store):
    with pytest.raises(DataSetError, match="one of the data set"):
        BoxLabeler(store.labels_path, pictures=[1, 99])
    assert repr(BoxLabeler(store.labels_path, pictures=[2])) == "Box labeler: 0 of 16 pictures labeled, 0 post."


def test_the_command_writes_a_notebook_and_opens_it(store, monkeypatch, capsys, tmp_path):
    store.close()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    started = []
    monkeypatch.setattr(os, "execve", lambda *words: started.append(words[1]) or sys.exit(0))
    with pytest.raises(SystemExit):
        main(["label", str(store.labels_path.parent), "--pictures", "3,5", "--no-browser", "--port", "8899"])
    (words,) = started
    root = next(word.partition("=")[2] for word in words if "root_dir" in word)
    assert "--LabApp.default_url=/doc/tree/label.ipynb" in words and "--ServerApp.port=8899" in words
    import nbformat  # takes a second: not at the start of every process of tests

    notebook = nbformat.read(f"{root}/label.ipynb", as_version=nbformat.NO_CONVERT)
    nbformat.validate(notebook)
    cell = notebook.cells[1].source
    assert f"BoxLabeler({str(store.labels_path)!r}, pictures=[3, 5])" in cell
    assert main(["label", str(store.labels_path.parent), "--pictures", "77"]) == 2
    assert "id '77' is none" in capsys.readouterr().err
    assert json.loads(store.labels_path.read_text())["annotations"] == []
