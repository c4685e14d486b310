"""VOC XML: first and last pixel counted from 1, in and out."""

import json
import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from skimage.measure import label, regionprops

from robotlab import image
from robotlab.boxes import iou
from robotlab.data import Sample, corners_from_voc, open_dataset, open_voc, voc_from_corners, write_dataset, write_voc
from robotlab.errors import DataSetError

ONE = """<annotation><folder>walk</folder><filename>a.png</filename>
<size><width>64</width><height>48</height><depth>3</depth></size>
<object><name>post</name><difficult>0</difficult><bndbox><xmin>4</xmin><ymin>3</ymin><xmax>9</xmax><ymax>5</ymax></bndbox>
<part><name>band</name><bndbox><xmin>1</xmin><ymin>1</ymin><xmax>2</xmax><ymax>2</ymax></bndbox></part></object>
<object><name>crate</name><difficult>1</difficult><bndbox><xmin>1</xmin><ymin>1</ymin><xmax>64</xmax><ymax>48</ymax></bndbox></object>
</annotation>"""


@pytest.fixture
def voc(tmp_path):
    image.save(tmp_path / "voc" / "a.png", np.zeros((48, 64, 3), np.uint8))
    (tmp_path / "voc" / "a.xml").write_text(ONE)
    return tmp_path / "voc"


def test_inclusive_pixels_agree_with_scikit_image():
    # Rows 2-4, columns 3-8 inclusive from 0: scikit-image 0.26 gives bbox (2, 3, 5, 9), area 18.
    mask = np.zeros((9, 12), int)
    mask[2:5, 3:9] = 1
    y0, x0, y1, x1 = regionprops(label(mask))[0].bbox
    assert (y0, x0, y1, x1) == (2, 3, 5, 9)
    # The same pixels counted from 1: columns 4-9, rows 3-5.
    assert corners_from_voc([[4, 3, 9, 5]]).tolist() == [[x0, y0, x1, y1]]
    assert voc_from_corners([[x0, y0, x1, y1]]).tolist() == [[4, 3, 9, 5]]
    sides = corners_from_voc([[4, 3, 9, 5]])[0]
    assert (sides[2] - sides[0]) * (sides[3] - sides[1]) == 18


def test_the_plus_one_of_the_voc_tools():
    # VOC's own overlap adds 1 to each side: [0,0,10,10] v [5,5,15,15] gives 36/206 = .174757, not 1/7
    # (recomputed; devkit rule, Everingham et al. 2015). Read as VOC boxes, ours agrees.
    assert iou(corners_from_voc([[0, 0, 10, 10]]), corners_from_voc([[5, 5, 15, 15]]))[0, 0] == pytest.approx(
        0.174757, abs=1e-6
    )
    assert iou([[0, 0, 10, 10]], [[5, 5, 15, 15]])[0, 0] == pytest.approx(1 / 7, abs=1e-12)


def test_opening(voc):
    data = open_dataset(voc)
    assert data.classes == ("crate", "post") and data.category_ids == (1, 2)
    assert data.recordings == ("walk",)
    entry = data[0]
    assert entry.boxes.tolist() == [[3, 2, 9, 5], [0, 0, 64, 48]]
    assert [data.classes[row] for row in entry.labels] == ["post", "crate"]
    assert entry.ignore.tolist() == [False, True]
    assert entry.areas.tolist() == [18, 64 * 48]
    assert data.load(entry).shape == (48, 64, 3)


def test_the_usual_two_folders(tmp_path, voc):
    (tmp_path / "set" / "Annotations").mkdir(parents=True)
    (tmp_path / "set" / "JPEGImages").mkdir()
    (voc / "a.xml").rename(tmp_path / "set" / "Annotations" / "a.xml")
    (voc / "a.png").rename(tmp_path / "set" / "JPEGImages" / "a.png")
    assert open_dataset(tmp_path / "set")[0].path == tmp_path / "set" / "JPEGImages" / "a.png"


def test_counted_from_zero_is_within_a_hair(voc):
    (voc / "a.xml").write_text(ONE.replace("<xmin>1<", "<xmin>0<").replace("<ymin>1<", "<ymin>0<"))
    assert open_voc(voc)[0].boxes[1].tolist() == [0, 0, 64, 48]


def test_picture_by_the_name_of_the_xml_and_size_by_its_head(voc):
    (voc / "a.xml").write_text(
        ONE.replace("<filename>a.png</filename>", "")
        .replace("<width>64<", "<width>0<")
        .replace("<height>48<", "<height>0<")
    )
    entry = open_voc(voc)[0]
    assert entry.name == "a.png" and (entry.width_px, entry.height_px) == (64, 48)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("</annotation>", "", r"a.xml must be whole XML, it is not"),
        (ONE, "", r"a.xml must be whole XML"),
        ("annotation>", "labels>", r"must be a VOC file with an <annotation>, it has <labels>"),
        ("<name>post</name>", "", r"a.xml: object 1: a thing must have a name"),
        ("<xmin>4</xmin>", "", r"object 1 \(post\): xmin must be a number, got ''"),
        ("<xmin>4</xmin>", "<xmin>left</xmin>", r"xmin must be a number, got 'left'"),
        ("<xmin>4</xmin>", "<xmin>nan</xmin>", r"object 1 \(post\): xmin must be a number"),
        ("<xmin>4</xmin>", "<xmin>40</xmin>", r"xmin <= xmax"),
        ("<xmax>9</xmax>", "<xmax>99</xmax>", r"a.png: bbox must lie inside its picture .*35 px outside"),
        ("<width>64</width>", "<width>wide</width>", r"a.xml: width must be a whole number of px, got 'wide'"),
        ("<width>64</width>", "<width>63</width>", r"label says 63 x 48 px and the file has 64 x 48"),
        ("a.png", "../a.png", r"a.xml: .*leads outside"),
        ("<annotation>", '<!DOCTYPE a SYSTEM "x"><annotation>', r"must have no document type declaration"),
    ],
)
def test_bad_files(voc, old, new, message):
    assert old in ONE
    (voc / "a.xml").write_text(ONE.replace(old, new))
    with pytest.raises(DataSetError, match=message):
        open_dataset(voc)


def test_no_boxes_at_all(voc):
    (voc / "a.xml").write_text("<annotation><filename>a.png</filename></annotation>")
    with pytest.raises(DataSetError, match="at least one class"):
        open_dataset(voc)
    with pytest.raises(DataSetError, match="it has none"):
        open_voc(voc.parent / "nowhere")


def test_missing_picture(voc):
    (voc / "a.png").unlink()
    with pytest.raises(DataSetError, match=r"images\[0\] \(id 1, a.png\): the picture file must exist"):
        open_dataset(voc)


def test_an_expansion_bomb_is_refused_at_once(voc):
    # "Billion laughs": nine levels of ten, a gigabyte from a few hundred bytes.
    levels = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    (voc / "a.xml").write_text(
        f'<!DOCTYPE annotation [<!ENTITY l0 "ha">{levels}]><annotation><filename>&l9;</filename></annotation>'
    )
    started = time.process_time()
    with pytest.raises(DataSetError, match="must have no document type declaration"):
        open_dataset(voc)
    assert time.process_time() - started < 5


def test_an_outside_file_is_not_read(voc, tmp_path):
    (tmp_path / "secret.txt").write_text("sesame")
    (voc / "a.xml").write_text(
        f'<!DOCTYPE a [<!ENTITY s SYSTEM "file://{tmp_path}/secret.txt">]><annotation><filename>&s;</filename></annotation>'
    )
    with pytest.raises(DataSetError) as error:
        open_dataset(voc)
    assert "sesame" not in str(error.value)


WHOLE = st.tuples(st.integers(0, 62), st.integers(0, 46)).flatmap(
    lambda first: st.tuples(
        st.just(first[0]), st.just(first[1]), st.integers(first[0] + 1, 64), st.integers(first[1] + 1, 48)
    )
)


@given(
    st.lists(WHOLE, min_size=1, max_size=4),
    st.text(
        st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_categories=["Cc", "Cf", "Zs"]),
        min_size=1,
        max_size=6,
    ),
)
@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_whole_pixels_go_out_and_in_unchanged(tmp_path_factory, boxes, name):
    home = tmp_path_factory.mktemp("voc")
    sample = Sample(
        "walk/a.png",
        np.zeros((48, 64, 3), np.uint8),
        boxes,
        [0] * len(boxes),
        "walk",
        ignore=[n % 2 == 1 for n in range(len(boxes))],
    )
    data = write_dataset(home / "coco", [sample], [name])
    back = open_dataset(write_voc(home / "voc", data))
    assert back.classes == (name,) and back.recordings == ("walk",)
    assert back[0].boxes.tolist() == np.asarray(boxes, float).tolist()
    assert back[0].ignore.tolist() == sample.ignore
    # And as COCO again: the labels are the same, but for the file's name.
    again = write_dataset(home / "again", back)
    assert (
        json.loads(again.labels_path.read_text("utf-8"))["annotations"]
        == json.loads(data.labels_path.read_text("utf-8"))["annotations"]
    )


@given(st.lists(st.tuples(st.floats(0, 60), st.floats(0, 40), st.floats(0.01, 4), st.floats(0.01, 8)), max_size=9))
def test_part_pixels_move_by_half_a_pixel_at_most(rows):
    boxes = np.reshape([(x, y, x + w, y + h) for x, y, w, h in rows], (-1, 4))
    back = corners_from_voc(voc_from_corners(boxes))
    assert (back[:, 2:] - back[:, :2] >= 1).all()
    wide = np.repeat(boxes[:, 2:] - boxes[:, :2] >= 1, 2, axis=1).reshape(-1, 2, 2).transpose(0, 2, 1).reshape(-1, 4)
    assert (np.abs(back - boxes)[wide] <= 0.5 + 1e-9).all()
    # A thin one keeps the pixel it begins in.
    assert (np.abs(back - boxes) <= 1).all()


def test_pictures_of_one_stem_stay_apart(tmp_path):
    samples = [
        Sample(name, np.zeros((8, 8, 3), np.uint8), [[1, 1, 3, 3]], [0]) for name in ("w/a.png", "w/a.jpg", "w_a.png")
    ]
    write_voc(tmp_path / "voc", write_dataset(tmp_path / "coco", samples, ["post"]))
    assert sorted(path.name for path in (tmp_path / "voc").glob("*.xml")) == ["w_a-2.xml", "w_a-3.xml", "w_a.xml"]
    assert len(open_dataset(tmp_path / "voc")) == 3
    with pytest.raises(DataSetError, match="must be new or empty"):
        write_voc(tmp_path / "voc", open_dataset(tmp_path / "coco"))


def test_unprintable_names_are_refused(tmp_path):
    with pytest.raises(DataSetError, match="a class must have a printable name"):
        write_dataset(
            tmp_path / "coco", [Sample("a.png", np.zeros((8, 8, 3), np.uint8), [[1, 1, 3, 3]], [0])], ["po\x01st"]
        )
    data = write_dataset(
        tmp_path / "coco", [Sample("a.png", np.zeros((8, 8, 3), np.uint8), [[1, 1, 3, 3]], [0])], ["post\ufffe"]
    )
    with pytest.raises(DataSetError, match="text in XML must be printable"):
        write_voc(tmp_path / "voc", data)
    assert not (tmp_path / "voc").exists()


# --- a round trip loses nothing -----------------------------------------------------------

WORDS = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"]), min_size=1, max_size=6
).filter(str.strip)
SIDE = st.floats(0, 40).map(lambda value: round(value, 3))


@st.composite
def coco_labels(draw):
    """Labels of three pictures with everything that a record may have."""
    names = draw(st.lists(WORDS, min_size=1, max_size=3, unique=True))
    ids = draw(st.lists(st.integers(-9, 99) | st.text("abc", min_size=1), min_size=3, max_size=3, unique=True))
    labels = {
        "images": [
            {"id": ids[n], "file_name": f"pictures/{name}.png", "width": 64, "height": 48, "recording": draw(WORDS)}
            | draw(
                st.fixed_dictionaries(
                    {},
                    optional={
                        "lighting": WORDS,
                        "distance_m": st.floats(0.1, 99),
                        "scale": SIDE,
                        "labeled": st.booleans(),
                    },
                )
            )
            for n, name in enumerate(("b", "a", "c"))
        ],
        "annotations": [],
        "categories": [{"id": 7 * (n + 1), "name": name, "color": "orange"} for n, name in enumerate(names)],
    }
    for number in range(draw(st.integers(0, 5))):
        x, y, width, height = draw(SIDE), draw(SIDE), draw(st.floats(0.01, 20)), draw(st.floats(0.01, 7))
        labels["annotations"].append(
            {
                "id": number * 3,
                "image_id": draw(st.sampled_from(ids)),
                "category_id": draw(st.sampled_from(labels["categories"]))["id"],
                "bbox": [x, y, width, height],
                "area": draw(st.floats(0, 99)),
                "iscrowd": draw(st.integers(0, 1)),
            }
            | draw(
                st.fixed_dictionaries(
                    {},
                    optional={
                        "ignore": st.just(1),
                        "visibility": st.floats(0, 1),
                        "distance_m": st.floats(0.1, 9),
                        "not_sure": st.just(True),
                        "segmentation": st.just([[1.5, 2, 3]]),
                    },
                )
            )
        )
    labels["annotations"].sort(key=lambda note: ids.index(note["image_id"]))
    return labels


@given(coco_labels())
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_coco_to_voc_and_back_loses_nothing(tmp_path_factory, labels):
    home = tmp_path_factory.mktemp("trip")
    for name in "abc":
        image.save(home / "in" / "pictures" / f"{name}.png", np.zeros((48, 64, 3), np.uint8))
    (home / "in" / "annotations.json").write_text(json.dumps(labels), "utf-8")
    first = write_dataset(home / "coco", open_dataset(home / "in"))
    again = write_dataset(home / "again", open_dataset(write_voc(home / "voc", first)))
    was, now = (json.loads(data.labels_path.read_text("utf-8")) for data in (first, again))
    for record in (*was["images"], *now["images"]):
        record.pop("file_name")
    assert now == was
    # By the numbers of the labels that went in, not by our own writer alone.
    assert [note["bbox"] for note in now["annotations"]] == [note["bbox"] for note in labels["annotations"]]


def test_what_another_program_changed_in_the_tags_wins(tmp_path):
    sample = Sample(
        "a.png",
        np.zeros((48, 64, 3), np.uint8),
        [[3.25, 2.5, 9.75, 5.5], [20, 20, 30, 30]],
        [0, 0],
        "walk",
        visibility=[0.4, 1],
    )
    file = write_voc(tmp_path / "voc", write_dataset(tmp_path / "coco", [sample], ["post"])) / "a.xml"
    text = file.read_text("utf-8")
    assert open_dataset(tmp_path / "voc")[0].boxes[0].tolist() == [3.25, 2.5, 9.75, 5.5]
    file.write_text(text.replace("<xmin>4</xmin>", "<xmin>6</xmin>").replace("<folder>walk", "<folder>drive"), "utf-8")
    moved = open_dataset(tmp_path / "voc")
    assert moved[0].boxes.tolist() == [[5, 3, 10, 6], [20, 20, 30, 30]] and moved.recordings == ("drive",)
    assert moved[0].visibility.tolist() == [1, 1]
    file.write_text(text.replace("<difficult>0", "<difficult>1", 1).replace("<name>post", "<name>pole", 1), "utf-8")
    changed = open_dataset(tmp_path / "voc")
    assert changed.classes == ("pole", "post") and changed[0].labels.tolist() == [0, 1]
    assert changed[0].ignore.tolist() == [True, False]
    file.write_text(text.replace("<robotlab>{", "<robotlab>[", 1), "utf-8")
    with pytest.raises(DataSetError, match="<robotlab> must be JSON"):
        open_dataset(tmp_path / "voc")
