"""The PyTorch engine on a GPU against the NumPy engine."""

import numpy as np
import pytest

from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.engines import NumpyEngine

from .test_detector_engine import LAYERS, lively_weights, relative, small_batch


@pytest.fixture
def exact():
    """A GPU, with products in full float32, not in its shortened TF32."""
    # Not above: each process of the whole suite would import it.
    torch = pytest.importorskip("torch", reason="PyTorch is not installed: pip install 'robotlab[torch]'")
    if not torch.cuda.is_available():
        pytest.skip("no CUDA GPU here")
    kept = torch.backends.cudnn.allow_tf32, torch.backends.cuda.matmul.allow_tf32
    torch.backends.cudnn.allow_tf32 = torch.backends.cuda.matmul.allow_tf32 = False
    yield
    torch.backends.cudnn.allow_tf32, torch.backends.cuda.matmul.allow_tf32 = kept


def engines(pool, bits):
    import torch

    from robotlab.neural.torch_engine import TorchEngine

    weights = lively_weights(LAYERS)
    return NumpyEngine(LAYERS, weights, pool, getattr(np, f"float{bits}")), TorchEngine(
        LAYERS, weights, "cuda", getattr(torch, f"float{bits}")
    )


@pytest.mark.parametrize("bits, limit", [(64, 1e-9), (32, 1e-4)])
def test_loss_and_gradients_equal_numpy(exact, bits, limit):
    batch = small_batch(getattr(np, f"float{bits}"))
    with WorkerPool(2) as pool:
        ours, theirs = engines(pool, bits)
        expected_loss, expected = ours.gradients(batch)
        loss, gradients = theirs.gradients(batch)
        assert loss == pytest.approx(expected_loss, rel=limit)
        assert gradients.keys() == expected.keys()
        assert max(relative(gradients[name], expected[name]) for name in expected) < limit


def test_steps_equal_numpy_and_go_on_from_a_state(exact):
    with WorkerPool(2) as pool:
        ours, theirs = engines(pool, 64)
        for n in range(2):
            batch = small_batch(np.float64, n)
            assert theirs.step(batch, 0.002) == pytest.approx(ours.step(batch, 0.002), rel=1e-6)
        state = theirs.state()
        _, again = engines(pool, 64)
        again.restore(state)
        batch = small_batch(np.float64, 2)
        assert again.step(batch, 0.002) == pytest.approx(ours.step(batch, 0.002), rel=1e-6)
        for name, value in ours.network.weights.items():
            np.testing.assert_allclose(again.average()[name], ours.average()[name], rtol=1e-4, atol=1e-6)
            np.testing.assert_allclose(again.state()[f"weights/{name}"], value, rtol=1e-4, atol=1e-6)
