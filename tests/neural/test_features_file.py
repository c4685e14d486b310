"""The shipped feature network: its file, its card, and what it was trained on."""

from __future__ import annotations

import hashlib
import importlib
import re
import sys
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import pytest

import robotlab.neural
from robotlab.neural.spec import BACKBONE, NORM_EPSILON, PICTURE_MEAN, PICTURE_SPREAD, STRIDE_MULTIPLE, weight_shapes

FOLDER = Path(robotlab.neural.__file__).parent
FILE, CARD = FOLDER / "features.onnx", FOLDER / "features.md"
PRETRAINING = Path(__file__).parents[2] / "instructor" / "pretraining"
MODULES = ("shapes", "render", "camera", "pictures", "views", "network", "curves", "pretrain")


def numbers() -> dict[str, np.ndarray]:
    """Initializers of the file, by onnx itself."""
    return {tensor.name: onnx.numpy_helper.to_array(tensor) for tensor in onnx.load(FILE).graph.initializer}


def plain_forward(picture: np.ndarray, weights: dict[str, np.ndarray]) -> np.ndarray:
    """The network in the definition's own words, float64, one shifted product per kernel cell.

    Convolution as in Dumoulin & Visin, arXiv:1603.07285, sections 2 and 5.1; normalization
    as in Ioffe & Szegedy, arXiv:1502.03167, algorithm 2.
    """
    made = {"picture": (picture.astype(float) - PICTURE_MEAN) / PICTURE_SPREAD}
    for layer in BACKBONE:
        x = made[layer.inputs[0]]
        if layer.kind == "conv":
            kernel = weights[f"{layer.name}.kernel"].astype(float)
            edge = layer.dilation * (layer.kernel - 1) // 2
            padded = np.pad(x, ((0, 0), (0, 0), (edge, edge), (edge, edge)))
            rows, columns = (-(-length // layer.stride) for length in x.shape[2:])
            y = np.zeros((len(x), layer.channels, rows, columns))
            for i in range(layer.kernel):
                for j in range(layer.kernel):
                    top, left = i * layer.dilation, j * layer.dilation
                    seen = padded[:, :, top :: layer.stride, left :: layer.stride][:, :, :rows, :columns]
                    y += np.einsum("oc,ncyx->noyx", kernel[:, :, i, j], seen)
            scale, shift, mean, variance = (
                weights[f"{layer.name}.{part}"].astype(float)[:, None, None]
                for part in ("scale", "shift", "mean", "variance")
            )
            x = np.maximum((y - mean) / np.sqrt(variance + NORM_EPSILON) * scale + shift, 0)
        elif layer.kind == "upsample":
            x = x.repeat(2, axis=2).repeat(2, axis=3)
        elif layer.kind == "add":
            x = x + made[layer.inputs[1]]
        else:
            x = np.concatenate([made[name] for name in layer.inputs], axis=1)
        made[layer.name] = x
    return made["features"]


def run_file(picture: np.ndarray) -> np.ndarray:
    session = onnxruntime.InferenceSession(FILE, providers=["CPUExecutionProvider"])
    return session.run(["features"], {"picture": picture})[0]


def test_file_is_small_and_valid():
    assert FILE.stat().st_size < 2_000_000
    model = onnx.load(FILE)
    onnx.checker.check_model(model, full_check=True)
    (given,), (made,) = model.graph.input, model.graph.output
    assert (given.name, made.name) == ("picture", "features")
    batch, channels, height, width = given.type.tensor_type.shape.dim
    assert channels.dim_value == 3
    assert all(side.dim_param for side in (batch, height, width))


def test_initializers_are_those_of_the_spec():
    held = numbers()
    for name, shape in weight_shapes(BACKBONE).items():
        assert held[name].shape == shape, name
        assert held[name].dtype == np.float32
        assert np.isfinite(held[name]).all()
        if name.endswith("variance"):
            assert (held[name] > 0).all()


@pytest.mark.parametrize(("count", "height", "width"), [(1, 32, 48), (2, 64, 80), (1, 112, 96), (1, 240, 320)])
def test_file_equals_the_plain_forward_pass(count, height, width):
    assert height % STRIDE_MULTIPLE == 0
    assert width % STRIDE_MULTIPLE == 0
    picture = np.random.default_rng(height).integers(0, 256, (count, 3, height, width)).astype(np.float32)
    plain = plain_forward(picture, numbers())
    assert plain.shape == (count, 96, height // 4, width // 4)
    np.testing.assert_allclose(run_file(picture), plain, atol=1e-4 * np.abs(plain).max(), rtol=1e-4)


def test_file_equals_pytorch():
    torch = pytest.importorskip("torch", reason="the torch extra is not installed")
    F = torch.nn.functional
    weights = {name: torch.from_numpy(value.copy()) for name, value in numbers().items()}
    picture = torch.from_numpy(np.random.default_rng(1).integers(0, 256, (2, 3, 96, 128)).astype(np.float32))
    made = {"picture": (picture - PICTURE_MEAN) / PICTURE_SPREAD}
    for layer in BACKBONE:
        inputs = [made[name] for name in layer.inputs]
        if layer.kind == "conv":
            scale, shift, mean, variance = (
                weights[f"{layer.name}.{part}"] for part in ("scale", "shift", "mean", "variance")
            )
            pad = layer.dilation * (layer.kernel - 1) // 2
            x = F.conv2d(inputs[0], weights[f"{layer.name}.kernel"], None, layer.stride, pad, layer.dilation)
            x = F.relu(F.batch_norm(x, mean, variance, scale, shift, eps=NORM_EPSILON))
        elif layer.kind == "upsample":
            x = F.interpolate(inputs[0], scale_factor=2, mode="nearest")
        else:
            x = inputs[0] + inputs[1] if layer.kind == "add" else torch.cat(inputs, 1)
        made[layer.name] = x
    np.testing.assert_allclose(run_file(picture.numpy()), made["features"].numpy(), atol=1e-4, rtol=1e-4)


def test_no_feature_is_dead():
    """Every channel answers somewhere on a real photograph, and not the same everywhere."""
    import skimage.data

    photo = skimage.data.astronaut()[:384, :512].transpose(2, 0, 1)[None].astype(np.float32)
    features = run_file(photo)[0]
    assert (features.std(axis=(1, 2)) > 1e-3).all()


def test_card_is_of_this_file():
    card = CARD.read_text(encoding="utf-8")
    assert re.search(r"sha256 `([0-9a-f]{64})`", card)[1] == hashlib.sha256(FILE.read_bytes()).hexdigest()
    assert f"{FILE.stat().st_size:,}".replace(",", " ") in card
    count = sum(int(np.prod(shape)) for shape in weight_shapes(BACKBONE).values())
    assert f"{count:,}".replace(",", " ") in card
    facts = {prop.key: prop.value for prop in onnx.load(FILE).metadata_props}
    for name in ("steps", "drawn_pictures", "rendered_greenhouses"):
        assert f"{int(facts[name]):,}".replace(",", " ") in card, name


@pytest.fixture(scope="module")
def drawn():
    """The pre-training modules, and a renderer; they live outside of the package."""
    torch = pytest.importorskip("torch", reason="the torch extra is not installed")
    if not PRETRAINING.is_dir():
        pytest.skip("the pre-training scripts are not in this copy")
    sys.path.insert(0, str(PRETRAINING))
    try:
        modules = {name: importlib.import_module(name) for name in ("shapes", "render", "pictures", "network", "views")}
        views = np.full((2, 64, 80, 3), 90, np.uint8)
        yield modules, lambda seed: modules["render"].Renderer(seed, torch.device("cpu"), views)
    finally:
        sys.path.remove(str(PRETRAINING))
        for name in MODULES:
            sys.modules.pop(name, None)


def test_held_out_pairs_are_never_drawn(drawn):
    import torch

    modules, renderer = drawn
    shapes = modules["shapes"]
    make = renderer(3)
    pairs = set()
    for colorless in (False, True):
        gray = torch.full((4000,), colorless)
        shape, color = modules["pictures"]._kinds(make, 4000, 14, gray, torch.ones(4000))
        names = {
            (shapes.NAMES[s], shapes.COLORS[c])
            for s, c in zip(shape.flatten().tolist(), color.flatten().tolist(), strict=True)
        }
        pairs |= names
        if colorless:
            assert not {s for s, _ in names} & set(shapes.NOT_IN_GRAY)
    drawable = {(s, c) for s in shapes.SHAPES for c in shapes.COLORS}
    assert pairs == drawable - shapes.HELD_OUT


def test_boxes_fit_what_is_painted(drawn):
    """The truth of a lone thing is the outline of the pixels that differ from the empty picture."""
    import torch

    modules, renderer = drawn
    make = renderer(5)
    rgba, half, extents = make.patches(torch.arange(len(modules["shapes"].SHAPES)), torch.zeros(31, dtype=torch.long))
    at, scale = torch.tensor([[80.0, 64.0]]).repeat(31, 1), torch.full((31, 1), 25.0)
    boxes = at.repeat(1, 2) + extents * scale
    rgba = torch.cat([torch.ones(31, 3, *rgba.shape[2:]), rgba[:, 3:]], 1)
    rgba[:, :3] *= rgba[:, 3:]
    things = torch.arange(31)[:, None]
    empty = torch.zeros(31, 3, 128, 160)
    # Black on black: shadows leave no trace.
    painted, visible = modules["pictures"]._composed(make, empty, things, rgba, half * scale, at, boxes)
    for k in range(31):
        rows, columns = np.nonzero(painted[k, 0].numpy() > 0.5)
        outline = [columns.min(), rows.min(), columns.max() + 1, rows.max() + 1]
        np.testing.assert_allclose(boxes[k].numpy(), outline, atol=1.6)
    np.testing.assert_allclose(visible.numpy(), 1)


def test_window_moves_boxes_with_the_picture(drawn):
    """A white rectangle stays inside its box through crop, mirror and resize."""
    import torch

    modules, renderer = drawn
    pictures = modules["pictures"]
    raw = torch.zeros(16, 3, 240, 320, dtype=torch.uint8)
    raw[:, :, 100:160, 40:90] = 255
    rows = torch.full((16, 2, 7), -1.0)
    rows[:, 0] = torch.tensor([40, 100, 90, 160, 0, 0, 1.0])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pictures, "photographed", lambda picture, colorless, generator: (picture * 255).to(torch.uint8))
        batch = pictures.framed(renderer(8), raw, rows, 192, 256)
    seen = 0
    for k in range(16):
        rows_at, columns_at = np.nonzero(batch.pictures[k, 0].numpy() > 127)
        if batch.shape[k, 0] < 0 or len(rows_at) == 0 or batch.visible[k, 0] < 0.999:
            continue
        seen += 1
        # Rows that belong to the mirrored border are not part of the picture proper.
        outline = [columns_at.min(), rows_at.min(), columns_at.max() + 1, rows_at.max() + 1]
        np.testing.assert_allclose(batch.boxes[k, 0].numpy(), outline, atol=1.1)
    assert seen >= 4


@pytest.mark.slow
def test_same_seed_same_pictures(drawn):
    modules, renderer = drawn
    one, two = (modules["pictures"].draw_batch(renderer(11), 2, 64, 80) for _ in range(2))
    other = modules["pictures"].draw_batch(renderer(12), 2, 64, 80)
    assert (one.pictures == two.pictures).all()
    assert (one.boxes == two.boxes).all()
    assert (one.pictures != other.pictures).any()


def test_soft_focal_equals_the_written_out_sum(drawn):
    """Against a loop over cells and classes (Li et al., NeurIPS 2020, equation 5, b = 2)."""
    import torch

    modules, _ = drawn
    rng = np.random.default_rng(2)
    logits, chosen = rng.normal(0, 2, (6, 5)), rng.integers(0, 5, 6)
    heat, weight = rng.uniform(0, 1, 6), rng.uniform(0, 3, 6)
    total = 0.0
    for row in range(6):
        for column in range(5):
            target = heat[row] if column == chosen[row] else 0.0
            s = 1 / (1 + np.exp(-logits[row, column]))
            total -= weight[row] * abs(target - s) ** 2 * (target * np.log(s) + (1 - target) * np.log(1 - s))
    found = modules["network"].soft_focal(
        *(torch.from_numpy(value).float() for value in (logits,)),
        torch.from_numpy(chosen),
        torch.from_numpy(heat).float(),
        torch.from_numpy(weight).float(),
    )
    np.testing.assert_allclose(float(found), total, rtol=1e-5)


def test_named_loss_equals_the_written_out_sum(drawn):
    """Cross-entropy of the nearest cells and of the background beside them (Law & Deng, ECCV 2018, beta = 4)."""
    import torch

    modules, _ = drawn
    rng = np.random.default_rng(4)
    logits, chosen, heat = rng.normal(0, 2, (5, 4)), rng.integers(0, 3, 5), np.array([1.0, 0.6, 0.0, 1.0, 0.2])
    weight, total = rng.uniform(0.5, 2, 5), 0.0
    for row in range(5):
        shares = np.exp(logits[row]) / np.exp(logits[row]).sum()
        if heat[row] == 1:
            total -= weight[row] * np.log(shares[1 + chosen[row]])
        else:
            total -= weight[row] * (1 - heat[row]) ** 4 * np.log(shares[0])
    found = modules["network"].named_loss(
        torch.from_numpy(logits), torch.from_numpy(chosen), torch.from_numpy(heat), torch.from_numpy(weight)
    )
    np.testing.assert_allclose(float(found), total, rtol=1e-6)


def test_overlap_loss_of_boxes_apart_and_on_each_other(drawn):
    """1 - GIoU (Rezatofighi et al., CVPR 2019): squares of 8 px, two cells apart, and a box on itself."""
    import torch

    modules, _ = drawn
    side = np.log(8.0)
    boxes = torch.tensor([[0, 0, side, side], [0.3, -0.2, side, 3.0]], dtype=torch.float64)
    others = torch.tensor([[4, 0, side, side], [0.3, -0.2, side, 3.0]], dtype=torch.float64)
    # Eight px between them: overlap 0, union 128, the box around both 24 x 8.
    np.testing.assert_allclose(
        modules["network"].overlap_loss(boxes, others), [1 - (0 - (192 - 128) / 192), 0], atol=1e-12
    )


def test_greenhouses_never_show_a_held_out_pair(drawn):
    """No orange post, no blue bucket and no yellow crate in a furnished greenhouse; every other color is there."""
    modules, _ = drawn
    views, shapes = modules["views"], modules["shapes"]
    rng = np.random.default_rng(6)
    for kind in shapes.KINDS:
        seen = {shapes.COLORS[views._paint(kind, rng)[1]] for _ in range(600)}
        banned = {color for shape, color in shapes.HELD_OUT if shape == f"greenhouse {kind}"}
        assert seen == set(shapes.COLORS) - {"photo"} - banned
    assert all(
        (f"greenhouse {kind}", color) in shapes.HELD_OUT
        for kind, color in (("post", "orange"), ("bucket", "blue"), ("crate", "yellow"))
    )
