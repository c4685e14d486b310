"""The NumPy engine against PyTorch, slow independent code and finite differences."""

import json
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
import scipy  # which imports its parts when they are first used

from robotlab.neural.box_coding import cell_targets
from robotlab.neural.engine import losses, optimizer
from robotlab.neural.engine.gradient_check import gradient_error
from robotlab.neural.engine.layers import (
    backward_both,
    backward_matrix,
    backward_picture,
    convolve,
    convolve_backward,
    turned_kernel,
)
from robotlab.neural.engine.network import Network
from robotlab.neural.engine.reference import convolve_backward_reference, convolve_reference
from robotlab.neural.engine.scratch import Scratch
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.engines import NumpyEngine
from robotlab.neural.graph import head_layers
from robotlab.neural.spec import BACKBONE, Layer, first_weights
from robotlab.neural.windows import Batch

LAYERS = BACKBONE + head_layers(2)
FROZEN = tuple(replace(layer, frozen=layer.name in ("c1", "c2")) for layer in LAYERS)


def lively_weights(layers, seed=0):
    """Weights in which no part is at its plain starting value."""
    rng = np.random.default_rng(seed)
    weights = first_weights(layers, seed)
    for name, value in weights.items():
        if not name.endswith(".kernel"):
            weights[name] = value + rng.uniform(0.05, 0.4, value.shape).astype(np.float32)
    return weights


def small_batch(dtype, seed=0, count=3, height=48, width=64):
    rng = np.random.default_rng(seed)
    asked = [
        cell_targets(
            np.array([[6, 5, 30, 37], [31, 10, 50, 22.0]]) + n,
            np.array([0, 1]),
            np.array([[0, 0, 9, 9.0]]),
            height,
            width,
        )
        for n in range(count)
    ]
    return Batch(
        rng.uniform(0, 255, (count, 3, height, width)).astype(dtype),
        np.stack([one.classes for one in asked]),
        np.stack([one.weights for one in asked]).astype(dtype),
        np.stack([one.boxes for one in asked]).astype(dtype),
        np.stack([one.box_weights for one in asked]).astype(dtype),
    )


def relative(a, b):
    return np.abs(a - b).max() / np.abs(b).max()


# --- one convolution ---------------------------------------------------------


@pytest.mark.parametrize(
    "kernel, stride, dilation", [(3, 1, 1), (3, 2, 1), (3, 1, 2), (3, 1, 3), (3, 2, 2), (1, 1, 1), (1, 2, 1), (5, 1, 1)]
)
@pytest.mark.parametrize("height, width", [(8, 12), (7, 5)])
def test_convolution_equals_scipys_correlation(kernel, stride, dilation, height, width):
    # Reference: scipy.signal.correlate of every pair of channels, with a kernel
    # spread out by zeros for the dilation and every stride-th answer taken.
    rng = np.random.default_rng(kernel * 100 + stride * 10 + dilation)
    layer = Layer("a", "conv", ("picture",), 4, kernel=kernel, stride=stride, dilation=dilation)
    x, k = rng.normal(size=(3, height, width)), rng.normal(size=(4, 3, kernel, kernel))
    out = np.empty((4, -(-height // stride), -(-width // stride)))
    convolve(x, k, layer, out, Scratch(np.float64))
    span = dilation * (kernel - 1) + 1
    spread = np.zeros((4, 3, span, span))
    spread[:, :, ::dilation, ::dilation] = k
    pad = dilation * (kernel - 1) // 2
    padded = np.pad(x, ((0, 0), (pad, pad), (pad, pad)))
    for o in range(4):
        full = sum(scipy.signal.correlate(padded[c], spread[o, c], mode="valid") for c in range(3))
        np.testing.assert_allclose(out[o], full[::stride, ::stride], atol=1e-12)


@pytest.mark.parametrize("kernel, stride, dilation", [(3, 1, 1), (3, 2, 1), (3, 1, 2), (1, 1, 1), (1, 2, 1)])
def test_convolution_gradient_is_its_transpose(kernel, stride, dilation):
    # A convolution is linear in the picture and in the kernel, so for any g:
    # <g, conv(x, k)> = <dk(g), k> = <dx(g), x>.
    rng = np.random.default_rng(1)
    layer = Layer("a", "conv", ("picture",), 4, kernel=kernel, stride=stride, dilation=dilation)
    x, k = rng.normal(size=(3, 9, 7)), rng.normal(size=(4, 3, kernel, kernel))
    out = np.empty((4, -(-9 // stride), -(-7 // stride)))
    scratch = Scratch(np.float64)
    convolve(x, k, layer, out, scratch)
    g = rng.normal(size=out.shape)
    dk, dx = np.empty_like(k), np.zeros_like(x)
    convolve_backward(x, k, layer, g, dk, dx, scratch)
    assert np.vdot(dk, k) == pytest.approx(np.vdot(g, out), rel=1e-12)
    assert np.vdot(dx, x) == pytest.approx(np.vdot(g, out), rel=1e-12)


SHAPES = [(3, 1, 1), (3, 2, 1), (3, 1, 2), (3, 2, 3), (1, 1, 1), (1, 2, 1), (5, 1, 1)]


@pytest.fixture(params=[(*shape, *size) for size in [(8, 12), (7, 5)] for shape in SHAPES], ids=str)
def drawn(request):
    """A generator, a layer, a picture and a kernel for it."""
    kernel, stride, dilation, height, width = request.param
    rng = np.random.default_rng(kernel * 100 + stride * 10 + dilation)
    layer = Layer("a", "conv", ("picture",), 4, kernel=kernel, stride=stride, dilation=dilation)
    x, k = rng.normal(size=(3, height, width)), rng.normal(size=(4, 3, kernel, kernel))
    return rng, layer, x, k


def test_matrix_products_equal_the_clear_convolution(drawn):
    rng, layer, x, k = drawn
    height, width = x.shape[1:]
    stride = layer.stride
    out = np.empty((4, -(-height // stride), -(-width // stride)))
    scratch = Scratch(np.float64)
    convolve(x, k, layer, out, scratch)
    np.testing.assert_allclose(out, convolve_reference(x, k, layer), atol=1e-12)
    g = rng.normal(size=out.shape)
    dk, dx = np.empty_like(k), np.zeros_like(x)
    convolve_backward(x, k, layer, g, dk, dx, scratch)
    for fast, clear in zip((dk, dx), convolve_backward_reference(x, k, layer, g)):
        np.testing.assert_allclose(fast, clear, atol=1e-12)


def test_what_is_kept_for_a_shape_serves_the_next_picture(monkeypatch):
    # One scratch for layers and pictures in turn, of shapes that come again or, as the oldest, are made anew.
    rng = np.random.default_rng(5)
    for most in (100, 2):
        monkeypatch.setattr("robotlab.neural.engine.scratch.MOST_KEPT", most)
        scratch = Scratch(np.float64)
        for _ in range(2):
            for kernel, stride, dilation in SHAPES:
                layer = Layer("a", "conv", ("picture",), 2, kernel=kernel, stride=stride, dilation=dilation)
                for size in ((8, 12), (7, 5)):
                    x, k = rng.normal(size=(3, *size)), rng.normal(size=(2, 3, kernel, kernel))
                    expected = convolve_reference(x, k, layer)
                    out = np.empty_like(expected)
                    convolve(x, k, layer, out, scratch)
                    np.testing.assert_allclose(out, expected, atol=1e-12)
    made, scratch = [], Scratch(np.float64)
    for key in (1, 2, 3, 3, 2, 1):
        scratch.kept(key, lambda: made.append(key))
    assert made == [1, 2, 3, 1]


def test_bands_of_rows_make_the_whole(drawn):
    # Against the clear convolution: a picture cut into two bands anywhere, nothing of it left unwritten.
    rng, layer, x, k = drawn
    whole = convolve_reference(x, k, layer)
    g, scratch = rng.normal(size=whole.shape), Scratch(np.float64)
    dk, dx = convolve_backward_reference(x, k, layer, g)
    for cut in range(1, whole.shape[1]):
        out = np.full_like(whole, np.nan)
        for rows in (slice(0, cut), slice(cut, whole.shape[1])):
            convolve(x, k, layer, out, scratch, rows)
        np.testing.assert_allclose(out, whole, atol=1e-12)
    for cut in range(1, x.shape[1]):
        back, matrix = np.full_like(x, np.nan), backward_matrix(k, layer)
        parts = np.full((2, k[:, 0].size, len(x)), np.nan)
        for part, rows in zip(parts, (slice(0, cut), slice(cut, x.shape[1])), strict=True):
            if layer.stride == 1:
                backward_both(matrix, layer, x, g, back, part, scratch, rows)
            else:
                backward_picture(matrix, layer, g, back, scratch, rows)
        np.testing.assert_allclose(back, dx, atol=1e-12)
        if layer.stride == 1:
            np.testing.assert_allclose(turned_kernel(parts.sum(axis=0), k.shape), dk, atol=1e-11)


# --- the whole network ---------------------------------------------------------


def test_gradient_equals_finite_differences():
    with WorkerPool(2) as pool:
        engine = NumpyEngine(LAYERS, lively_weights(LAYERS), pool, np.float64)
        batch = small_batch(np.float64)
        _, gradients = engine.gradients(batch)
        network = engine.network
        gradient = network.gradient.copy()
        place = 0

        def loss():
            output = network.forward(batch.pictures)
            return losses.detection_loss(output, batch.classes, batch.weights, batch.boxes, batch.box_weights)[0]

        # Some numbers of every part of every layer, with steps small enough that
        # few ReLUs flip.
        for name, part in gradients.items():
            span = slice(place, place + part.size)
            place = span.stop
            error = gradient_error(loss, network.parameters[span], gradient[span], np.random.default_rng(0), 1, 1e-6)
            assert error < 2e-3, name


def test_gradient_check_sees_a_wrong_gradient():
    w = np.array([3.0, -1.0])
    assert gradient_error(lambda: float((w**2).sum()), w, 2.1 * w, np.random.default_rng(0)) > 0.04


def test_workers_do_not_change_a_bit():
    results = []
    for workers in (1, 2, 3):
        with WorkerPool(workers) as pool:
            engine = NumpyEngine(LAYERS, lively_weights(LAYERS), pool)
            losses_ = [engine.step(small_batch(np.float32, n), 0.003) for n in range(2)]
            results.append((losses_, engine.network.parameters.copy()))
    for other in results[1:]:
        assert other[0] == results[0][0]
        np.testing.assert_array_equal(other[1], results[0][1])


def test_scipy_s_matrix_library_has_one_thread_a_call_too():
    # It has one of its own: its second thread spun between the minimizer's calls, a fifth of a head fit's time.
    code = """
import json
from threadpoolctl import threadpool_info
from robotlab.neural.engine.workers import WorkerPool
with WorkerPool(2):
    import scipy.optimize
    x = scipy.optimize.minimize(lambda x: (x @ x, 2 * x), [1.0] * 388, jac=True, method="L-BFGS-B").x
    print(json.dumps([library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"]))
"""
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"OPENBLAS_NUM_THREADS": "2", "MKL_NUM_THREADS": "2"},
        capture_output=True,
        text=True,
        check=True,
    )
    threads = json.loads(done.stdout)
    assert threads, "no matrix library was seen"
    assert set(threads) == {1}


def test_running_statistics_are_used_when_not_training():
    with WorkerPool(1) as pool:
        # A picture alone is halved, one of two is whole: in 64 bits the rounding does not show.
        network = Network(BACKBONE, lively_weights(BACKBONE), pool, np.float64)
        x = small_batch(np.float64).pictures
        one = network.forward(x[:1], training=False).copy()
        both = network.forward(x[:2], training=False)
        # Alone or beside another picture: the same, unlike in training.
        np.testing.assert_allclose(both[:1], one, rtol=1e-9, atol=1e-9)
        assert not np.allclose(network.forward(x[:2])[:1], one, atol=1e-2)


torch_reason = "PyTorch is not installed: pip install 'robotlab[torch]'"


def test_frozen_layers_stay_as_they_are_and_the_others_learn():
    weights = lively_weights(FROZEN)
    with WorkerPool(2) as pool:
        engine = NumpyEngine(FROZEN, weights, pool)
        for n in range(2):
            engine.step(small_batch(np.float32, n), 0.01)
        for name, value in engine.network.weights.items():
            assert np.array_equal(value, weights[name]) == name.startswith(("c1.", "c2.")), name
        # Alone or beside other pictures, they give the same in training too.
        x = small_batch(np.float32).pictures
        given = []
        for n in (1, 3):
            engine.network.forward(x[:n])
            given.append(engine.network._values["c2"][0].copy())
        np.testing.assert_allclose(*given, rtol=1e-5, atol=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("bits, limit, layers", [(64, 1e-9, LAYERS), (32, 1e-5, LAYERS), (64, 1e-9, FROZEN)])
def test_loss_and_gradients_equal_pytorch(bits, limit, layers):
    torch = pytest.importorskip("torch", reason=torch_reason)
    from robotlab.neural.torch_engine import TorchEngine

    dtype = np.float64 if bits == 64 else np.float32
    weights = lively_weights(layers)
    batch = small_batch(dtype)
    with WorkerPool(2) as pool:
        ours = NumpyEngine(layers, weights, pool, dtype)
        loss, gradients = ours.gradients(batch)
        theirs = TorchEngine(layers, weights, "cpu", getattr(torch, f"float{bits}"))
        expected_loss, expected = theirs.gradients(batch)
        assert loss == pytest.approx(expected_loss, rel=limit)
        assert gradients.keys() == expected.keys()
        # Relative to the layer's largest: single numbers near zero are rounding.
        assert max(relative(gradients[name], expected[name]) for name in expected) < limit
        running = {name: value for name, value in ours.network.weights.items() if name.endswith((".mean", ".variance"))}
        for name, value in running.items():
            np.testing.assert_allclose(value, theirs.weights[name].numpy(), rtol=limit, atol=limit)


def test_steps_equal_pytorch():
    torch = pytest.importorskip("torch", reason=torch_reason)
    from robotlab.neural.torch_engine import TorchEngine

    weights = lively_weights(LAYERS)
    with WorkerPool(1) as pool:
        ours = NumpyEngine(LAYERS, weights, pool, np.float64)
        theirs = TorchEngine(LAYERS, weights, "cpu", torch.float64)
        for n in range(3):
            batch = small_batch(np.float64, n)
            assert ours.step(batch, 0.002) == pytest.approx(theirs.step(batch, 0.002), rel=1e-6)
        state = theirs.state()
        for name, value in ours.network.weights.items():
            np.testing.assert_allclose(value, state[f"weights/{name}"], rtol=1e-4, atol=1e-6)


# --- losses and steps ------------------------------------------------------------


def test_focal_loss_by_hand():
    # Lin et al. (arXiv:1708.02002), equation 4: -(1 - p)^2 log p.
    scores = np.log(np.array([0.2, 0.5, 0.3])).reshape(1, 3, 1, 1)
    loss, _ = losses.focal_loss(scores, np.array([[[1]]]), np.array([[[2.0]]]))
    assert loss == pytest.approx(-2 * 0.25 * np.log(0.5))


@pytest.mark.parametrize("focus", [0.0, 1.0, 2.0])
def test_loss_gradients_equal_finite_differences(focus):
    rng = np.random.default_rng(3)
    output = rng.normal(size=(2, 4, 3, 5)) * 2
    classes, weights = rng.integers(0, 4, (2, 3, 5)), rng.uniform(0, 1, (2, 3, 5))
    _, gradient = losses.focal_loss(output, classes, weights, focus)
    flat = output.reshape(-1)
    error = gradient_error(
        lambda: losses.focal_loss(output, classes, weights, focus)[0], flat, gradient.ravel(), rng, 60
    )
    assert error < 1e-7
    targets = rng.normal(size=output.shape) / 2
    _, gradient = losses.box_loss(output, targets, weights)
    error = gradient_error(lambda: losses.box_loss(output, targets, weights)[0], flat, gradient.ravel(), rng, 60)
    assert error < 1e-6


def test_box_error_is_about_the_lost_overlap():
    # A center moved by a tenth of the width, sizes true: IoU .9 / 1.1 = .818, and
    # the error in the loss is .1, whatever the size of the box.
    for side in (2.0, 20.0):
        targets = np.zeros((1, 4, 1, 1))
        targets[0, 2:] = np.log(side)
        moved = targets.copy()
        moved[0, 0] += 0.1 * side
        loss, _ = losses.box_loss(moved, targets, np.ones((1, 1, 1)), below=1e-9)
        assert loss == pytest.approx(0.1, rel=1e-6)


def test_one_cycle_rises_to_the_peak_and_falls():
    rates = [optimizer.one_cycle(step, 100, 0.004) for step in range(100)]
    assert max(rates) == pytest.approx(0.004, rel=1e-3)
    top = int(np.argmax(rates))
    assert 20 <= top <= 30
    assert (np.diff(rates[: top + 1]) > 0).all() and (np.diff(rates[top:]) < 0).all()
    assert rates[0] == pytest.approx(0.004 / 25) and rates[-1] == pytest.approx(0.004e-3)


def test_one_cycle_equals_pytorch():
    torch = pytest.importorskip("torch", reason=torch_reason)
    w = torch.zeros(1, requires_grad=True)
    torchs = torch.optim.SGD([w], lr=1)
    schedule = torch.optim.lr_scheduler.OneCycleLR(
        torchs, 0.004, total_steps=101, pct_start=26 / 101, div_factor=25, final_div_factor=40, cycle_momentum=False
    )
    for step in range(101):
        # PyTorch ends at peak / 25 / 40 = peak / 1000.
        assert optimizer.one_cycle(step, 101, 0.004) == pytest.approx(torchs.param_groups[0]["lr"], rel=1e-6)
        torchs.step()
        schedule.step()


@pytest.mark.parametrize("rows, columns", [(6, 20), (20, 6), (8, 8)])
def test_orthogonalize_moves_singular_values_alone(rows, columns):
    # Reference: LAPACK's singular values and vectors, the polynomial applied to each value by itself.
    matrix = np.random.default_rng(rows).normal(size=(rows, columns))
    u, s, vt = np.linalg.svd(matrix, full_matrices=False)
    s = s / np.sqrt((s**2).sum())
    for _ in range(5):
        s = 3.4445 * s - 4.7750 * s**3 + 2.0315 * s**5
    np.testing.assert_allclose(optimizer.orthogonalize(matrix), u * s @ vt, atol=1e-5)


def test_muon_equals_pytorch():
    # torch.optim.Muon orthogonalizes in bfloat16, 8 bits, and takes matrices alone.
    torch = pytest.importorskip("torch", "2.9", reason="torch.optim.Muon is new in PyTorch 2.9")
    rng = np.random.default_rng(2)
    first = rng.normal(size=(6, 20))
    theirs = torch.nn.Parameter(torch.tensor(first))
    step = torch.optim.Muon([theirs], lr=0.1, weight_decay=0.3, momentum=0.95, adjust_lr_fn="match_rms_adamw")
    ours = np.concatenate([first.ravel(), [1.0, 2.0]])
    move = optimizer.Muon(ours, [(slice(0, 120), 6)], 0.3, np.arange(122) < 120)
    alone = np.array([1.0, 2.0])
    adam = optimizer.AdamW(alone, 0.3, np.zeros(2, bool))
    for _ in range(4):
        gradient = rng.normal(size=122)
        theirs.grad = torch.tensor(gradient[:120].reshape(6, 20))
        step.step()
        move(gradient, 0.1)
        adam(gradient[120:], 0.1)
    moved = theirs.detach().numpy() - first
    assert np.linalg.norm(ours[:120].reshape(6, 20) - first - moved) < 0.02 * np.linalg.norm(moved)
    np.testing.assert_allclose(ours[120:], alone, rtol=1e-12)
