"""The learner's own photograph, as phones give it, in the cells of the lessons that ask for one."""

import re
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest
from PIL import Image

import robotlab
from robotlab import image
from robotlab.color import Band
from robotlab.course.builder import read_source
from robotlab.detections import Detections
from robotlab.errors import PictureError
from robotlab.widgets import ColorBands, TopClasses, TwoBoxes

SOURCES = Path(robotlab.__file__).resolve().parents[1] / "instructor" / "source"
HEIC = b"\0\0\0\x18ftypheic" + bytes(100)


class Four:
    """Stands for the trained classifier."""

    classes = ("post", "bucket", "crate", "nothing")

    def probabilities(self, pictures):
        return np.full((len(pictures), 4), 0.25)


class Coins:
    """Stands for the trained detector; keeps what it was given."""

    facts = {"best_score": 0.5}

    def detect(self, picture):
        self.shape = picture.shape
        return Detections([[1, 1, 20, 20]], [0.9], [0], ["coin"])


def small(picture):
    height, width = picture.shape[:2]
    return image.resize(picture, (width * 320 // max(height, width), height * 320 // max(height, width)))


def run(lesson, words, **given):
    """Runs the one cell that holds these words; `picture` is written where the learner writes the name."""
    (source,) = (
        cell["source"]
        for cell in read_source(next(SOURCES.glob(f"{lesson}_*.py")))
        if cell["type"] == "code" and words in cell["source"]
    )
    if "picture" in given:
        source, count = re.subn(
            r"^(my_(?:picture|photograph)) = .*$", rf"\1 = {given['picture']!r}", source, flags=re.M
        )
        assert count == 1
    shown = []
    names = {"np": np, "plt": plt, "image": image, "load": image.load, "resize": image.resize, "display": shown.append}
    names |= {"TopClasses": TopClasses, "TwoBoxes": TwoBoxes, "ColorBands": ColorBands, "Band": Band, "small": small}
    names |= {"thousand": None, "four": Four(), "views": {}} | given
    if words == "picked = PickColor":
        names["views"] = {"daylight": type("View", (), {"picture": np.zeros((30, 40, 3), np.uint8)})}
    exec(compile(source, words, "exec"), names)
    plt.close("all")
    return names, shown


@pytest.fixture
def phone(tmp_path, monkeypatch):
    """A photograph held upright: stored lying, with a note how to turn it; and one of the format many phones prefer."""
    monkeypatch.chdir(tmp_path)
    lying = np.full((480, 640, 3), (90, 110, 80), np.uint8)
    lying[200:240, 100:300] = 230, 110, 20
    exif = Image.Exif()
    exif[0x0112] = 6  # Orientation: turn it to the right (EXIF 2.32).
    (tmp_path / "my_pictures").mkdir()
    for place in ("", "my_pictures/"):
        Image.fromarray(lying).save(f"{place}upright.jpg", exif=exif)
        Path(f"{place}phone.heic").write_bytes(HEIC)
    Path("renamed.jpg").write_bytes(HEIC)
    Path("my_pictures/.hidden").write_bytes(b"")


CELLS = [
    ("00", "PickColor(resize(picture"),
    ("01", "longest_px = 300"),
    ("03", "picked = PickColor"),
    ("04", 'my_picture = ""'),
    ("07", 'my_photograph = ""'),
]


@pytest.mark.filterwarnings("ignore:.*non-interactive:UserWarning")
@pytest.mark.parametrize(("lesson", "words"), CELLS)
def test_a_photograph_stands_upright_and_another_format_is_said(phone, lesson, words):
    finder = Coins()
    names, shown = run(lesson, words, picture="upright.jpg", coin_finder=finder)
    if lesson == "00":
        assert names["picture"].shape == (640, 480, 3)
    if lesson == "01":
        assert names["size"] == (225, 300)
    if lesson == "03":
        # Twice the width of the photograph, made smaller: the mask stands beside it.
        assert image.decode(names["picked"].picture).shape == (320, 480, 3)
    if lesson == "04":
        assert "photograph" in shown[0].alt and names["small"].shape == (480, 360, 3)
    if lesson == "07":
        assert finder.shape == (480, 360, 3)
    for name in ("phone.heic", "renamed.jpg"):
        with pytest.raises(PictureError, match="it is HEIC; convert it to JPEG"):
            run(lesson, words, picture=name, coin_finder=finder)


def test_a_folder_of_photographs_leaves_nothing_out_without_a_word(phone, capsys):
    names, shown = run("03", "of_one_size = {}")
    assert list(names["of_one_size"]) == [(320, 240, 3)] and len(shown) == 1
    assert capsys.readouterr().out.count("HEIC") == 1
    with pytest.raises(PictureError, match="HEIC"):
        run("05", 'Path("my_pictures")')
    Path("my_pictures/phone.heic").unlink()
    run("05", 'Path("my_pictures")')
    # Its boxes begin at 0.3 and 0.5 of a picture of 240 x 320 px.
    assert capsys.readouterr().out.startswith("Two boxes to drag. Now: A 72 × 160 = 11520 px²")
