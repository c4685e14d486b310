"""Pictures that were gathered and not labeled yet are not pictures without the thing: nothing learns from them."""

import numpy as np
import pytest
from gather_films import views

from robotlab import image
from robotlab.cli import main
from robotlab.data import check_dataset, open_dataset
from robotlab.errors import DataSetError
from robotlab.gather import gather
from robotlab.label import LabeledBox, LabelStore, PictureLabels
from robotlab.neural import fit

BOX = (30.0, 40.0, 60.0, 100.0)


@pytest.fixture
def half_done(tmp_path):
    """Two recordings of ten pictures with a thing in each; of each six are labeled, the last of them as empty."""
    for name, seed in (("walk", 1), ("hall", 2)):
        frames = views(10, step=60, seed=seed)
        for frame in frames:
            frame[40:100, 30:60] = 230, 110, 20
        film = image.write_film(tmp_path / f"{name}.avi", frames)
        gather(
            film, tmp_path / "set", name, every=1, keep=["near-duplicates", "blurred"], classes=["post"], progress=False
        )
    store = LabelStore(tmp_path / "set")
    assert store.counts()["labeled"] == 0
    for id in (*range(1, 7), *range(11, 17)):
        boxes = (LabeledBox(BOX, 1),) if id % 10 != 6 else ()
        store.put(id, PictureLabels(boxes, True))
    store.close()
    return tmp_path / "set"


def test_nothing_learns_from_them_or_judges_by_them(half_done, tmp_path, capsys):
    data = open_dataset(half_done)
    assert len(data) == 20 and [entry.id for entry in data.labeled] == [*range(1, 7), *range(11, 17)]
    assert fit(data, progress=False).facts["pictures"] == 12
    model = tmp_path / "post.onnx"
    assert main(["fit", str(half_done), "--recordings", "walk", "-o", str(model), "--quiet"]) == 0
    said = capsys.readouterr()
    assert "4 of 10 pictures are not labeled yet and left out" in said.err and "trained on 6 pictures" in said.out
    assert main(["judge", str(half_done), "--recordings", "hall", "--with", str(model), "--quiet"]) == 0
    assert "4 of 10 pictures are not labeled yet and left out" in capsys.readouterr().err
    main(["split", str(half_done)])
    assert "8 of 20 pictures are not labeled yet and left out" in capsys.readouterr().out


def test_formats_without_a_word_for_it_leave_them_out(half_done, tmp_path, capsys):
    assert main(["export", str(half_done), "-o", str(tmp_path / "boxes.csv")]) == 0
    assert "8 of 20 pictures are not labeled yet and left out" in capsys.readouterr().out
    assert len((tmp_path / "boxes.csv").read_text().splitlines()) == 1 + 12
    assert main(["export", str(half_done), "-o", str(tmp_path / "voc"), "--as", "voc"]) == 0
    assert len(open_dataset(tmp_path / "voc")) == 12
    assert main(["export", str(half_done), "-o", str(tmp_path / "coco"), "--as", "coco"]) == 0
    again = open_dataset(tmp_path / "coco")
    assert len(again) == 20 and len(again.labeled) == 12


def test_the_check_up_tells_them_from_pictures_without_the_thing(half_done):
    text = check_dataset(half_done).text()
    assert "8 pictures not labeled yet (" in text and "2 pictures without boxes (" in text


def test_where_none_is_labeled_it_says_so(half_done):
    data = open_dataset(half_done)
    waiting = data.having([entry for entry in data if entry.waits_for_labels])
    with pytest.raises(DataSetError, match="at least one of the 8 pictures chosen must be labeled, none is yet"):
        fit(waiting, progress=False)
    # Labeled elsewhere, by a program that does not know the mark: its boxes count.
    boxed = data[0].record | {"labeled": False}
    assert not np.any(
        [
            entry.waits_for_labels
            for entry in data.having([type(data[0])(1, data[0].path, 160, 120, boxes=[BOX], record=boxed)])
        ]
    )
