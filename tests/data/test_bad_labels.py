"""What bad labels get: one error naming file and entry, the rule and the repair."""

import copy
import json

import numpy as np
import pytest
from conftest import base_labels, save_set
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from robotlab import image
from robotlab.data import check_dataset, open_dataset, read_results
from robotlab.errors import DataSetError, InputError

NAN, INF = float("nan"), float("inf")


def put(path, value):
    """A change to the labels: put `value` at `path`, or delete with None."""

    def change(labels):
        *way, last = path
        for key in way:
            labels = labels[key]
        if value is None:
            del labels[last]
        else:
            labels[last] = value

    return change


BAD = {
    "no images": (put(["images"], None), r"must have the lists images, annotations and categories, it has the keys"),
    "no annotations": (put(["annotations"], None), r"must have the lists images, annotations and categories"),
    "no categories": (put(["categories"], None), r"must have the lists images, annotations and categories"),
    "images is an object": (put(["images"], {}), r"must have the lists"),
    "empty images": (
        lambda labels: labels.update(images=[], annotations=[]),
        r"at least one picture \(images\), it has none",
    ),
    "empty categories": (
        lambda labels: labels.update(categories=[], annotations=[]),
        r"at least one class \(categories\)",
    ),
    "picture is a number": (put(["images", 1], 3), r"images\[1\]: each entry must be an object, it is a int"),
    "picture without name": (
        put(["images", 1, "file_name"], None),
        r"images\[1\] \(id 70\): it must have file_name, id, it lacks",
    ),
    "picture with no name": (
        put(["images", 1, "file_name"], ""),
        r"file_name must be the printable name of a file, got ''",
    ),
    "picture name with NUL": (
        put(["images", 1, "file_name"], "a\0.png"),
        r"file_name must be the printable name of a file",
    ),
    "picture without id": (put(["images", 1, "id"], None), r"images\[1\]: .*lacks id"),
    "picture id twice": (
        put(["images", 1, "id"], 10),
        r"images\[1\] \(id 10\): ids must be unique, 10 is also that of images\[0\]",
    ),
    "picture id true": (
        put(["images", 1, "id"], True),
        r"images\[1\].*id must be a whole number or a printable word, got True",
    ),
    "picture id 1.5": (put(["images", 1, "id"], 1.5), r"id must be a whole number or a printable word, got 1.5"),
    "picture file twice": (
        put(["images", 1, "file_name"], "./a.png"),
        r"images\[1\].*listed once, this file is also picture id 10",
    ),
    "picture file missing": (
        put(["images", 1, "file_name"], "c.png"),
        r"images\[1\] \(id 70, c.png\): the picture file must exist",
    ),
    "picture is a folder": (put(["images", 1, "file_name"], "."), r"images\[1\]"),
    "width of zero": (
        put(["images", 1, "width"], 0),
        r"width and height must be whole numbers of px > 0, got 0 and 48",
    ),
    "width of text": (put(["images", 1, "width"], "wide"), r"width and height must be whole numbers.*got 'wide'"),
    "width alone": (put(["images", 1, "height"], None), r"width and height must be whole numbers.*got 64 and None"),
    "other size": (
        put(["images", 1, "width"], 65),
        r"picture id 70 \(b.png\): .*the label says 65 x 48 px and the file has 64 x 48",
    ),
    "turned": (lambda d: d["images"][1].update(width=48, height=64), r"width and height are swapped"),
    "distance NaN": (put(["images", 1, "distance_m"], NAN), r"images\[1\] \(id 70\): numbers must be finite"),
    "distance zero": (put(["images", 1, "distance_m"], 0), r"distance_m must be a number of m > 0, got 0"),
    "class without name": (
        put(["categories", 1, "name"], None),
        r"categories\[1\] \(id 3\): it must have name, id, it lacks name",
    ),
    "class with no name": (put(["categories", 1, "name"], " "), r"a class must have a printable name, got ' '"),
    "class id twice": (put(["categories", 1, "id"], 90), r"categories\[1\] \(id 90\): ids must be unique"),
    "class name twice": (put(["categories", 1, "name"], "post"), r"class names must be unique, 'post' comes twice"),
    "box id twice": (
        put(["annotations", 1, "id"], 5),
        r"annotations\[1\] \(id 5\): ids must be unique, 5 is also that of annotations\[0\]",
    ),
    "box without bbox": (
        put(["annotations", 1, "bbox"], None),
        r"annotations\[1\] \(id 9\): it must have .*it lacks bbox",
    ),
    "box without class": (put(["annotations", 1, "category_id"], None), r"it lacks category_id"),
    "unknown picture": (
        put(["annotations", 1, "image_id"], 71),
        r"annotations\[1\] \(id 9\): image_id must be .*71 is none",
    ),
    "picture id as text": (
        put(["annotations", 1, "image_id"], "70"),
        r"there is 70, a number: write it without the quotes",
    ),
    "unknown class": (
        put(["annotations", 1, "category_id"], 4),
        r"in b.png: category_id must be one of 90 post, 3 crate, got 4",
    ),
    "unhashable class": (
        put(["annotations", 1, "category_id"], [3]),
        r"category_id must be one of 90 post, 3 crate, got \[3\]",
    ),
    "three numbers": (
        put(["annotations", 1, "bbox"], [1, 2, 3]),
        r"bbox must be four numbers x, y, width, height, got \[1, 2, 3\]",
    ),
    "text in box": (put(["annotations", 1, "bbox"], [1, 2, 3, "4"]), r"bbox must be four numbers"),
    "box NaN": (
        put(["annotations", 1, "bbox"], [NAN, 2, 3, 4]),
        r"annotations\[1\] \(id 9\) in b.png: bbox must be finite, got \[nan",
    ),
    "box infinite": (put(["annotations", 1, "bbox"], [1, 2, INF, 4]), r"bbox must be finite"),
    "box past the floats": (put(["annotations", 1, "bbox"], [1, 2, 10**400, 4]), r"bbox must be four numbers"),
    "box without width": (
        put(["annotations", 1, "bbox"], [1, 2, 0, 4]),
        r"bbox must have an area, width and height > 0, got \[1, 2, 0, 4\]",
    ),
    "box negative": (put(["annotations", 1, "bbox"], [9, 9, -3, -4]), r"bbox must have an area"),
    "box vanishing": (put(["annotations", 1, "bbox"], [63, 2, 1e-300, 4]), r"bbox must"),
    "box outside": (
        put(["annotations", 1, "bbox"], [60, 2, 10, 4]),
        r"inside its picture \(64 x 48 px, to within 1 px\).*6 px outside",
    ),
    "box far outside": (put(["annotations", 1, "bbox"], [64.5, 2, 0.2, 4]), r"bbox must lie inside"),
    "box left outside": (put(["annotations", 1, "bbox"], [-1.01, 2, 10, 4]), r"1.01 px outside"),
    "area NaN": (put(["annotations", 1, "area"], NAN), r"annotations\[1\] \(id 9\): numbers must be finite"),
    "area negative": (put(["annotations", 1, "area"], -1), r"area must be a number of px² >= 0, got -1"),
    "area past the floats": (put(["annotations", 1, "area"], 10**400), r"area must be a number"),
    "visibility 2": (put(["annotations", 1, "visibility"], 2), r"visibility must be a number from 0 to 1, got 2"),
    "iscrowd 7": (put(["annotations", 1, "iscrowd"], 7), r"iscrowd must be 0 or 1, got 7"),
    "NaN elsewhere": (put(["annotations", 1, "depth"], [1, {"x": NAN}]), r"annotations\[1\].*finite"),
    "NaN at the top": (put(["info"], {"year": NAN}), r"key info: numbers must be finite"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_labels(tmp_path, labels, case):
    change, message = BAD[case]
    change(labels)
    folder = save_set(tmp_path / "set", labels)
    with pytest.raises(DataSetError, match=message) as error:
        open_dataset(folder)
    said = str(error.value)
    assert str(folder / "annotations.json") in said and "\n" not in said
    # The rule and the repair: at least two clauses.
    assert ";" in said


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"line 1, column 1"),
        (b'{"images": [\n  {"id": 1,}]}', r"line 2, column \d+"),
        (b"\xff\xfe\xff", r"JSON text in UTF-8"),
        (b"[" * 200_000, r"nested at most 40 deep"),
        (b"[1]", r"it has a list"),
        (b"9" * 5000, r"JSON text in UTF-8|it has a int"),
        (b"null", r"it has a NoneType"),
        (b"<annotation/>", r"line 1, column 1"),
    ],
)
def test_not_json(tmp_path, content, message):
    (tmp_path / "annotations.json").write_bytes(content)
    with pytest.raises(DataSetError, match=message):
        open_dataset(tmp_path)


def test_nothing_there(tmp_path):
    with pytest.raises(DataSetError, match="that exists, .*nowhere is neither"):
        open_dataset(tmp_path / "nowhere")
    with pytest.raises(DataSetError, match="must hold labels"):
        open_dataset(tmp_path)


def test_damaged_pictures(folder):
    whole = (folder / "b.png").read_bytes()
    data = open_dataset(folder)
    (folder / "b.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(DataSetError, match=r"annotations.json: picture id 70 \(b.png\): .*damaged or cut short"):
        open_dataset(folder).load(data[1])
    (folder / "b.png").write_bytes(b"hello")
    with pytest.raises(
        DataSetError, match=r"images\[1\] \(id 70, b.png\): .*must be a whole JPEG, PNG, WebP or BMP picture"
    ):
        open_dataset(folder)
    with pytest.raises(DataSetError, match="it is not one"):
        data.load(data[1])
    (folder / "b.png").write_bytes(b"")
    with pytest.raises(DataSetError, match=r"images\[1\] \(id 70, b.png\)"):
        open_dataset(folder)
    image.save(folder / "b.png", np.zeros((9, 9, 3), np.uint8))
    with pytest.raises(DataSetError, match="the label says 64 x 48 px and the file has 9 x 9"):
        data.load(data[1])


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=5)
    | st.sampled_from([10, 90, 3, 10**400, "10", "..", "a.png", "/"]),
    lambda inner: (
        st.lists(inner, max_size=5) | st.dictionaries(st.sampled_from(["id", "name", "bbox", "x"]), inner, max_size=3)
    ),
    max_leaves=6,
)
RESULTS = [
    {"image_id": 10, "category_id": 3, "bbox": [1, 2, 3, 4], "score": 0.5},
    {"image_id": 70, "category_id": 90, "bbox": [0, 0, 1, 1], "score": 1},
]


def places(value, way=()):
    """The way to every place in a JSON value."""
    yield way
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from places(item, (*way, key))


def spoiled(value, way, junk):
    if not way:
        return junk
    value = copy.deepcopy(value)
    put(way, junk if junk is not None else "null")(value)
    return value


@given(st.sampled_from(list(places(base_labels()))), JSON)
@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_junk_anywhere_opens_or_says_why(tmp_path, way, junk):
    folder = tmp_path / "set"
    if not folder.exists():
        save_set(folder, base_labels())
    (folder / "annotations.json").write_text(json.dumps(spoiled(base_labels(), way, junk)))
    for pictures in (True, False):
        try:
            data = open_dataset(folder, pictures=pictures)
        except DataSetError as error:
            assert "annotations.json" in str(error) or "set" in str(error)
        else:
            for entry in data:
                assert np.isfinite(entry.boxes).all()
                assert (entry.boxes >= 0).all() and (entry.boxes <= [64, 48, 64, 48]).all() or not pictures
                assert (entry.boxes[:, 2:] > entry.boxes[:, :2]).all()
                assert (entry.labels >= 0).all() and (entry.labels < len(data.classes)).all()


@given(st.sampled_from(list(places(RESULTS))), JSON)
@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_junk_in_results_is_read_or_says_why(tmp_path, way, junk):
    folder = tmp_path / "set"
    if not folder.exists():
        save_set(folder, base_labels())
    path = folder / "results.json"
    path.write_text(json.dumps(spoiled(RESULTS, way, junk)))
    try:
        found = read_results(path, open_dataset(folder))
    except InputError as error:
        assert "results.json" in str(error)
    else:
        assert len(found) == 2


@given(st.sampled_from(list(places(base_labels()))), JSON)
@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_the_check_up_lists_what_opening_refuses(tmp_path, way, junk):
    folder = tmp_path / "set"
    if not folder.exists():
        save_set(folder, base_labels())
    (folder / "annotations.json").write_text(json.dumps(spoiled(base_labels(), way, junk)))
    report = check_dataset(folder, look=False)
    try:
        open_dataset(folder)
    except DataSetError as error:
        assert report.problems[0] == str(error)
    else:
        assert report.ok
    assert report.text()
