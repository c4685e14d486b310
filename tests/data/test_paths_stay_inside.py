"""No path in a labels file leaves its folder: for every reader and writer, links included."""

import json
import os

import numpy as np
import pytest

from robotlab import image
from robotlab.data import check_dataset, contact_sheet, open_dataset, open_voc, write_dataset, write_voc
from robotlab.data.write import Sample
from robotlab.errors import DataSetError, InputError

SECRET = np.full((6, 9, 3), 77, np.uint8)
VOC = (
    "<annotation><filename>{}</filename><size><width>9</width><height>6</height></size><object><name>post</name>"
    "<bndbox><xmin>4</xmin><ymin>3</ymin><xmax>9</xmax><ymax>5</ymax></bndbox></object></annotation>"
)


@pytest.fixture
def home(tmp_path):
    """A set's folder deep inside, and pictures that it must not reach."""
    for place in ("secret.png", "out/secret.png", "out/images.png/secret.png"):
        image.save(tmp_path / place, SECRET)
    inside = tmp_path / "out" / "set"
    inside.mkdir()
    return inside


def coco(home, name):
    labels = {
        "images": [{"id": 1, "file_name": name, "width": 9, "height": 6}],
        "annotations": [{"id": 1, "image_id": 1, "category_id": 3, "bbox": [1, 2, 4, 3]}],
        "categories": [{"id": 3, "name": "post"}],
    }
    (home / "annotations.json").write_text(json.dumps(labels))


def voc(home, name):
    (home / "secret.xml").write_text(VOC.format(name))


NAMES = [
    "../secret.png",
    "../../secret.png",
    "pictures/../../secret.png",
    "..\\secret.png",
    "/etc/hostname",
    "./../secret.png",
]


@pytest.mark.parametrize("name", [*NAMES, "ABSOLUTE"])
@pytest.mark.parametrize("write", [coco, voc])
def test_names_that_lead_out(home, name, write):
    write(home, name.replace("ABSOLUTE", str(home.parent / "secret.png")))
    for way in (open_dataset, lambda path: check_dataset(path).problems):
        try:
            found = way(home)
        except DataSetError:
            continue
        assert found and isinstance(found, tuple), "opened"


@pytest.mark.skipif(os.name != "posix", reason="links need rights on Windows")
@pytest.mark.parametrize("write", [coco, voc])
@pytest.mark.parametrize("kind", ["file", "folder", "relative", "chain"])
def test_links_that_lead_out(home, write, kind):
    if kind == "folder":
        (home / "pictures").symlink_to(home.parent)
    elif kind == "chain":
        (home / "middle").symlink_to("..")
        (home / "pictures").symlink_to("middle")
    else:
        (home / "pictures").mkdir()
        target = home.parent / "secret.png" if kind == "file" else "../../secret.png"
        (home / "pictures" / "secret.png").symlink_to(target)
    write(home, "secret.png")
    with pytest.raises(DataSetError, match=r"secret.png' leads to .*secret.png by a link"):
        open_dataset(home)
    assert any("by a link" in problem for problem in check_dataset(home).problems)


@pytest.mark.skipif(os.name != "posix", reason="links need rights on Windows")
def test_links_that_stay_inside_are_followed(home):
    image.save(home / "real" / "a.png", SECRET)
    (home / "pictures").symlink_to("real")
    (home.parent / "also").symlink_to(home)
    coco(home, "a.png")
    for path in (home, home.parent / "also"):
        assert open_dataset(path).load(open_dataset(path)[0]).mean() == 77


@pytest.mark.skipif(os.name != "posix", reason="links need rights on Windows")
def test_labels_in_a_folder_of_their_own_reach_the_pictures_beside_and_no_others(home):
    image.save(home / "images" / "a.png", SECRET)
    (home / "annotations").mkdir()
    (home / "images" / "b.png").symlink_to(home.parent / "secret.png")
    coco(home / "annotations", "a.png")
    assert len(open_dataset(home)) == 1
    coco(home / "annotations", "b.png")
    with pytest.raises(DataSetError, match="by a link"):
        open_dataset(home)


@pytest.mark.parametrize("name", [*NAMES, "a/../../b.png", "C:/b.png", "..", "."])
def test_writers_write_inside_alone(home, name):
    before = set(home.parent.parent.rglob("*"))
    with pytest.raises(InputError):
        write_dataset(home / "new", [Sample(name, SECRET)], ["post"])
    assert set(home.parent.parent.rglob("*")) == before


@pytest.mark.parametrize("writer", [write_dataset, write_voc])
def test_what_was_read_from_anywhere_is_written_inside(home, writer):
    """Labels without their pictures may name any path; their copy goes below the new folder."""
    coco(home, "../secret.png")
    with pytest.raises(DataSetError):
        writer(home / "new", open_dataset(home, pictures=False))
    assert sorted(path.name for path in home.iterdir()) == ["annotations.json"]
    image.save(home / "deep" / "er" / "a.png", SECRET)
    coco(home, "deep/er/a.png")
    writer(home / "new", open_dataset(home))
    assert all(path.resolve().is_relative_to(home / "new") for path in (home / "new").rglob("*"))
    again = open_dataset(home / "new") if writer is write_dataset else open_voc(home / "new")
    assert contact_sheet(again).size
