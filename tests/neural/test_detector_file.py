"""The model file: equal to the NumPy forward pass, readable elsewhere, hostile files refused."""

import contextlib
import json
import pickle
import re
from pathlib import Path

import numpy as np
import onnx
import pytest
from scipy.ndimage import maximum_filter

import robotlab
from robotlab.data import open_dataset
from robotlab.errors import InputError, ModelError, PictureError
from robotlab.neural import NeuralDetector, fit, session
from robotlab.neural.detector import IOU_LIMIT, MIN_SCORE, MOST
from robotlab.neural.engine.losses import softmax_channels
from robotlab.neural.engine.network import Network
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.graph import head_layers
from robotlab.neural.network_input import network_input
from robotlab.neural.onnx_weights import weights_from_onnx
from robotlab.neural.onnxio import network_to_onnx, save_onnx
from robotlab.neural.spec import BACKBONE, first_weights

CLASSES = ["post", "bucket", "crate"]


def lively(layers, seed=0):
    rng = np.random.default_rng(seed)
    weights = first_weights(layers, seed)
    for name, value in weights.items():
        if not name.endswith(".kernel"):
            weights[name] = value + rng.uniform(0.05, 0.4, value.shape).astype(np.float32)
    return weights


def detector_of(hidden=0, facts=None, **options):
    layers = BACKBONE + head_layers(len(CLASSES), hidden)
    weights = lively(layers)
    # Quiet enough that scores are neither 0 nor 1.
    weights["head.kernel"] *= 0.02
    return layers, weights, NeuralDetector.build(layers, weights, CLASSES, facts or {"seed": 3}, **options)


@pytest.fixture(scope="module")
def made():
    return detector_of()


@pytest.fixture
def model_path(made, tmp_path):
    return made[2].save(tmp_path / "model.onnx")


def noise(height, width, seed=0):
    return np.random.default_rng(seed).integers(0, 256, (height, width, 3), dtype=np.uint8)


def averaged(numbers, thing):
    """Box numbers averaged over the 3x3 cells around each, written out cell by cell."""
    rows, columns = thing.shape
    means = np.zeros(numbers.shape)
    for row in range(rows):
        for column in range(columns):
            around = [
                (r, c)
                for r in (row - 1, row, row + 1)
                for c in (column - 1, column, column + 1)
                if 0 <= r < rows and 0 <= c < columns
            ]
            seen = [numbers[:, r, c] + [c - column, r - row, 0, 0] for r, c in around]
            means[:, row, column] = np.average(seen, axis=0, weights=[thing[r, c] for r, c in around])
    return means


@pytest.mark.parametrize("hidden", [0, 16])
@pytest.mark.parametrize("height, width", [(96, 128), (61, 75), (17, 5)])
def test_file_equals_the_numpy_forward_pass(hidden, height, width):
    layers, weights, detector = detector_of(hidden)
    picture = noise(height, width)
    peaks, numbers = detector.outputs(picture)
    with WorkerPool(1) as pool:
        head = Network(layers, weights, pool, np.float64).forward(network_input(picture)[None], training=False)[0]
    count = len(CLASSES)
    scores = softmax_channels(head[None, : count + 1])[0, 1:]
    # The highest of the 3x3 around each cell, from another library.
    highest = maximum_filter(scores, size=(1, 3, 3), mode="constant", cval=-np.inf)
    expected = np.where(scores == highest, scores, 0)
    np.testing.assert_allclose(numbers, averaged(head[count + 1 :], scores.sum(axis=0)), atol=1e-4)
    # Cells within rounding of their neighbor may be peaks in one and not the other.
    near = np.abs(scores - highest) < 1e-6
    np.testing.assert_allclose(np.where(near, scores, 0)[peaks > 0], peaks[peaks > 0], atol=1e-4)
    assert ((peaks > 0) == (expected > 0))[~near | (scores == highest)].mean() > 0.999


def test_certain_background_gives_finite_boxes(made):
    layers, weights, _ = made
    weights = {**weights, "head.bias": np.array([500, 0, 0, 0, 0, 0, 0, 0], np.float32)}
    peaks, numbers = NeuralDetector.build(layers, weights, CLASSES, {}).outputs(noise(32, 48))
    assert peaks.max() == 0 and np.isfinite(numbers).all()


def test_file_runs_in_opencv(made, model_path):
    cv2 = pytest.importorskip("cv2", reason="OpenCV is not installed: pip install 'robotlab[test]'")
    picture = noise(96, 128)
    net = cv2.dnn.readNetFromONNX(str(model_path))
    net.setInput(network_input(picture)[None])
    peaks, numbers = net.forward(["peaks", "boxes"])
    ours = made[2].outputs(picture)
    np.testing.assert_allclose(numbers[0], ours[1], atol=1e-4)
    assert (np.abs(peaks[0] - ours[0]) < 1e-4).mean() > 0.999


def test_metadata_is_there_for_other_programs(model_path):
    known = {entry.key: entry.value for entry in onnx.load(model_path).metadata_props}
    assert json.loads(known["classes"]) == CLASSES
    assert known["robotlab_format"] == "1"
    given, how = json.loads(known["input"]), json.loads(known["decoding"])
    assert (given["channels"], given["range"], given["multiple_px"]) == ("RGB", [0, 255], 16)
    assert (how["stride_px"], how["min_score"], how["nms_iou"], how["max_detections"]) == (
        4,
        MIN_SCORE,
        IOU_LIMIT,
        MOST,
    )
    assert json.loads(known["outputs"]).keys() == {"peaks", "boxes"}
    assert json.loads(known["facts"]) == {"seed": 3}


def test_kernels_say_their_shape(model_path):
    # ONNX lets it be left out of a Conv; OpenCV 4.10 to 4.12 then refuse the file.
    nodes = [node for node in onnx.load(model_path).graph.node if node.op_type in ("Conv", "MaxPool")]
    assert nodes and all("kernel_shape" in {one.name for one in node.attribute} for node in nodes)


def test_decoder_of_the_guide_gives_what_ours_gives(blocks, tmp_path):
    """On pictures with things in them, drawn and rendered."""
    guide = (Path(robotlab.__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    code = re.search(r"## Decode the file without robotlab.*?```python\n(.*?)```", guide, re.DOTALL)[1]
    assert set(re.findall(r"^import (\w+)", code, re.MULTILINE)) == {"json", "numpy", "onnxruntime"}
    detector = fit(blocks, progress=False)
    path = detector.save(tmp_path / "model.onnx")
    names: dict = {}
    exec(compile(code, "DEVELOPERS.md", "exec"), names)
    greenhouse = open_dataset(Path(robotlab.__file__).parents[1] / "datasets" / "greenhouse")
    pictures = [data.load(data[n]) for data, count in ((blocks, 6), (greenhouse, 4)) for n in range(0, count * 4, 4)]
    for picture in pictures:
        ours = detector.detect(picture)
        boxes, scores, classes = names["decode"](str(path), picture)
        assert classes == [ours.classes[k] for k in ours.labels]
        np.testing.assert_allclose(scores, ours.scores, atol=1e-6)
        np.testing.assert_allclose(boxes, ours.boxes, atol=1e-3)
    assert len(ours) > 0


def test_load_gives_back_what_was_saved(made, model_path):
    detector = NeuralDetector.load(model_path)
    assert detector.classes == tuple(CLASSES) and detector.facts == {"seed": 3}
    picture = noise(96, 128)
    a, b = made[2].detect(picture), detector.detect(picture)
    np.testing.assert_array_equal(a.boxes, b.boxes)
    np.testing.assert_array_equal(a.scores, b.scores)
    again = pickle.loads(pickle.dumps(detector)).detect(picture)
    np.testing.assert_array_equal(a.boxes, again.boxes)


def test_same_weights_same_bytes(made, tmp_path):
    other = detector_of()[2]
    assert made[2].save(tmp_path / "a.onnx").read_bytes() == other.save(tmp_path / "b.onnx").read_bytes()


@pytest.mark.parametrize("height, width", [(1, 1), (3, 200), (100, 100), (241, 319), (16, 16)])
def test_any_picture_size(made, height, width):
    found = made[2].detect(noise(height, width))
    assert (found.boxes >= 0).all() and (found.boxes[:, 0::2] <= width).all() and (found.boxes[:, 1::2] <= height).all()
    assert (np.diff(found.scores) <= 0).all() and len(found) <= 100


def test_added_gray_is_what_the_network_takes_for_nothing(made):
    # A picture that fills its blocks, and the same with gray put below by hand.
    picture = noise(80, 128)
    longer = np.concatenate([picture, np.full((16, 128, 3), 127.5)])
    x = longer.transpose(2, 0, 1).astype(np.float32)
    np.testing.assert_array_equal(network_input(picture[:70])[:, 70:], 127.5)
    assert network_input(picture).shape[1:] == (80, 128) and x.shape == (3, 96, 128)


def test_large_pictures_are_seen_small_and_boxes_come_back_large():
    big = detector_of(working_px=128)[2]
    small = detector_of()[2]
    picture = noise(96, 128).repeat(4, axis=0).repeat(4, axis=1)
    a, b = big.detect(picture), small.detect(noise(96, 128))
    np.testing.assert_allclose(a.boxes, b.boxes * 4, atol=1e-3)


@pytest.mark.parametrize("bad", [np.zeros((4, 4), np.uint8), np.zeros((4, 4, 3)), np.zeros((0, 4, 3), np.uint8), None])
def test_what_is_no_picture_is_refused(made, bad):
    with pytest.raises(PictureError):
        made[2].detect(bad)


def test_min_score_must_be_a_share(made):
    with pytest.raises(InputError, match="min_score must be from 0 to 1"):
        made[2].detect(noise(16, 16), min_score=50)


def test_save_wants_onnx(made, tmp_path):
    with pytest.raises(ModelError, match="must end in .onnx"):
        made[2].save(tmp_path / "model.pt")


# --- hostile files -------------------------------------------------------------


def test_other_classes_are_refused(model_path):
    assert NeuralDetector.load(model_path, classes=["crate", "post", "bucket"])
    with pytest.raises(ModelError, match="must know the classes person, it knows post, bucket, crate"):
        NeuralDetector.load(model_path, classes=["person"])


@pytest.mark.parametrize("keep", [0, 1, 100, 0.5, 0.99])
def test_truncated_file_is_refused(model_path, keep):
    content = model_path.read_bytes()
    model_path.write_bytes(content[: int(keep * len(content)) if keep < 1 else int(keep)])
    with pytest.raises(ModelError, match="must be a whole ONNX file"):
        NeuralDetector.load(model_path)


@pytest.mark.parametrize("content", [b"hello", b"\x00" * 1000, b"PK\x03\x04" + b"\x01" * 50, bytes(range(256)) * 40])
def test_what_is_no_onnx_is_refused(tmp_path, content):
    path = tmp_path / "model.onnx"
    path.write_bytes(content)
    with pytest.raises(ModelError):
        NeuralDetector.load(path)


def test_damaged_bytes_end_in_an_answer_or_one_clear_error(model_path):
    content = model_path.read_bytes()
    rng = np.random.default_rng(0)
    picture = noise(16, 16)
    for _ in range(25):
        # In the graph at the file's ends, where names and shapes are.
        damaged = bytearray(content)
        for place in rng.integers(0, 1500, 3):
            damaged[place if rng.random() < 0.5 else -place - 1] ^= 1 << rng.integers(8)
        model_path.write_bytes(damaged)
        with contextlib.suppress(ModelError):
            NeuralDetector.load(model_path).detect(picture)


def test_missing_file_and_folder_are_refused(tmp_path):
    with pytest.raises(ModelError, match="must exist"):
        NeuralDetector.load(tmp_path / "none.onnx")
    with pytest.raises(ModelError, match="readable file"):
        NeuralDetector.load(tmp_path)


def test_foreign_models_are_refused(tmp_path):
    # A network of ours that is not a detector, and a model with another operator.
    features = save_onnx(network_to_onnx(BACKBONE, first_weights(BACKBONE)), tmp_path / "features.onnx")
    with pytest.raises(ModelError, match="another ONNX file"):
        NeuralDetector.load(features)
    node = onnx.helper.make_node("Sin", ["x"], ["y"])
    shape = [onnx.helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, [1]) for name in "xy"]
    foreign = onnx.helper.make_model(onnx.helper.make_graph([node], "g", shape[:1], shape[1:]))
    onnx.helper.set_model_props(foreign, {"robotlab_format": "1"})
    onnx.save(foreign, tmp_path / "foreign.onnx")
    with pytest.raises(ModelError, match=r"it holds 'Sin'"):
        NeuralDetector.load(tmp_path / "foreign.onnx")


@pytest.mark.parametrize(
    "key, value, words",
    [
        ("classes", "[]", "must be a list of distinct printable names"),
        ("classes", '["post", "post"]', "must be a list of distinct printable names"),
        ("classes", '["po\\u001b[2Jst"]', "must be a list of distinct printable names"),
        ("classes", '["post"]', "must give peaks of 1 classes"),
        ("classes", "nonsense", "must be JSON"),
        ("working", '{"longest_px": -5, "scale": 1}', "longest_px .null or a whole number"),
        ("working", '{"longest_px": null, "scale": 1e9}', "scale .a number from 0.125 to 8"),
        ("facts", "[1]", "must be an object"),
        ("facts", '{"best_score": "high"}', "best_score in the metadata of .* must be a number from 0 to 1"),
        ("facts", '{"best_score": NaN}', "must be JSON text"),
        ("facts", '{"best_score": 1' + "0" * 400 + "}", "must be a number from 0 to 1"),
        ("facts", '{"recordings": null}', "recordings in .* must be a list, each printable text"),
        ("facts", '{"recordings": 7}', "recordings in .* must be a list"),
        ("facts", '{"validation": {"pictures": 1, "recordings": [[]]}}', "validation in .* must be an object"),
        ("facts", '{"side_px": {"p05": 1, "p50": 1e99, "p95": 2}}', "side_px in .* must be an object"),
        ("facts", '{"notes": ' + "[" * 60 + "]" * 60 + "}", "nested at most 40 deep"),
        ("robotlab_format", "99", "must have format 1"),
    ],
)
def test_false_metadata_is_refused(model_path, key, value, words):
    model = onnx.load(model_path)
    for entry in model.metadata_props:
        if entry.key == key:
            entry.value = value
    onnx.save(model, model_path)
    with pytest.raises(ModelError, match=words):
        NeuralDetector.load(model_path)


@pytest.mark.parametrize("spoil", ["shape", "sparse", "function", "many nodes", "metadata"])
def test_graphs_that_say_one_thing_and_hold_another_are_refused_before_they_are_built(model_path, monkeypatch, spoil):
    model = onnx.load(model_path)
    if spoil == "shape":
        model.graph.initializer[0].dims[:] = [2**40]
    elif spoil == "sparse":
        model.graph.sparse_initializer.add(dims=[2**40])
    elif spoil == "function":
        model.functions.add(name="Conv")
    elif spoil == "many nodes":
        model.graph.node.extend(model.graph.node[:1] * 600)
    else:
        model.metadata_props.add(key="notes", value="a" * 2**21)
    onnx.save(model, model_path)
    monkeypatch.setattr(session.onnxruntime, "InferenceSession", lambda *_, **__: pytest.fail("it was built"))
    with pytest.raises(ModelError, match="must be a whole ONNX file|must have at most 500 nodes"):
        NeuralDetector.load(model_path)


def test_a_graph_that_grows_a_picture_beyond_all_memory_is_refused(model_path):
    model = onnx.load(model_path)
    (scales,) = [one for one in model.graph.initializer if one.name == "double.scales"]
    scales.raw_data = np.array([1, 1, 3000, 3000], np.float32).tobytes()
    onnx.save(model, model_path)
    with pytest.raises(ModelError, match="must run on a 96x64 picture, it does not"):
        NeuralDetector.load(model_path).detect(np.zeros((64, 96, 3), np.uint8))


def test_numbers_in_other_files_are_refused(made, model_path):
    model = onnx.load(model_path)
    onnx.save(model, model_path, save_as_external_data=True, location="numbers.bin", size_threshold=0)
    with pytest.raises(ModelError, match="must hold its own numbers"):
        NeuralDetector.load(model_path)


def test_weights_of_another_network_are_refused(tmp_path):
    path = save_onnx(network_to_onnx(BACKBONE[:2], first_weights(BACKBONE[:2]), fold_norm=False), tmp_path / "a.onnx")
    assert weights_from_onnx(path, BACKBONE[:2]).keys()
    with pytest.raises(ModelError, match="it is for another network"):
        weights_from_onnx(path, BACKBONE)


def test_weights_that_are_not_numbers_are_refused(tmp_path):
    weights = first_weights(BACKBONE[:1])
    weights["c1.kernel"][0, 0, 0, 0] = np.nan
    path = save_onnx(network_to_onnx(BACKBONE[:1], weights, fold_norm=False), tmp_path / "a.onnx")
    with pytest.raises(ModelError, match="must be finite"):
        weights_from_onnx(path, BACKBONE[:1])


def test_unfolded_and_folded_networks_agree(tmp_path):
    import onnxruntime

    weights = lively(BACKBONE)
    x = network_input(noise(48, 64))[None]
    plain, folded = (
        onnxruntime.InferenceSession(
            network_to_onnx(BACKBONE, weights, fold_norm=fold).SerializeToString(), providers=["CPUExecutionProvider"]
        ).run(None, {"picture": x})[0]
        for fold in (False, True)
    )
    np.testing.assert_allclose(plain, folded, atol=1e-4 * np.abs(plain).max())
