"""Labels as CSV, and the export command."""

import csv

import numpy as np
import pytest
from conftest import save_set

from robotlab.cli import main
from robotlab.data import Sample, open_dataset, write_dataset
from robotlab.data.table import labels_csv


def test_every_number_comes_back_from_the_table(tmp_path):
    rng = np.random.default_rng(0)
    boxes = np.sort(rng.uniform(0, 40, (9, 2, 2)), axis=1).reshape(9, 4)
    samples = [
        Sample(
            "a,b.png",
            np.zeros((48, 64, 3), np.uint8),
            boxes,
            [0, 1, 0] * 3,
            'say "hi"',
            "dusk",
            visibility=rng.random(9),
        ),
        Sample("c.png", np.zeros((48, 64, 3), np.uint8), recording="=1+1"),
    ]
    data = write_dataset(tmp_path / "set", samples, ["post", "@crate"])
    rows = list(csv.DictReader(labels_csv(data).splitlines()))
    assert len(rows) == 10 and rows[9]["class"] == "" and rows[9]["recording"] == "'=1+1"
    sides = [[float(row[side]) for side in ("x0_px", "y0_px", "x1_px", "y1_px")] for row in rows[:9]]
    assert np.array_equal(sides, data[0].boxes)
    assert [row["class"] for row in rows[:9]] == ["post", "'@crate", "post"] * 3
    assert [float(row["visibility"]) for row in rows[:9]] == data[0].visibility.tolist()
    assert rows[0]["picture"] == "pictures/a,b.png" and rows[0]["recording"] == 'say "hi"'


def test_the_command_writes_each_format(tmp_path, labels, capsys):
    folder = str(save_set(tmp_path / "set", labels))
    out = tmp_path / "out"
    assert main(["export", folder, "-o", str(out / "labels.csv")]) == 0
    assert main(["export", folder, "-o", str(out / "voc"), "--as", "voc"]) == 0
    assert main(["export", str(out / "voc"), "-o", str(out / "coco"), "--as", "coco"]) == 0
    assert "2 pictures, 3 boxes" in capsys.readouterr().out
    first, last = open_dataset(folder), open_dataset(out / "coco")
    assert [entry.boxes.tolist() for entry in first] == [entry.boxes.tolist() for entry in last]
    assert (out / "labels.csv").read_bytes().count(b"\r\n") == 4


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["-o", "OUT"], "--as must say the format"),
        (["-o", "SET/a.png", "--as", "csv"], "an output must not replace an input"),
        (["-o", "SET/annotations.json", "--as", "csv"], "an output must not replace an input"),
        (["-o", "SET/mine.csv"], "is there already and is not a table"),
        (["-o", "SET", "--as", "voc"], "must be new or empty"),
    ],
)
def test_nothing_is_written_over(tmp_path, labels, capsys, words, message):
    folder = save_set(tmp_path / "set", labels)
    (folder / "mine.csv").write_text("apples,7\n")
    before = {path: path.read_bytes() for path in folder.iterdir()}
    assert (
        main(
            [
                "export",
                str(folder),
                *(word.replace("SET", str(folder)).replace("OUT", str(tmp_path / "out")) for word in words),
            ]
        )
        == 2
    )
    error = capsys.readouterr().err
    assert message in error and error.count("\n") == 1
    assert {path: path.read_bytes() for path in folder.iterdir()} == before and not (tmp_path / "out").exists()
