"""References of lesson 07's tasks against named general-purpose libraries."""

import numpy as np
import pytest

from robotlab.practice import task_named


def reference(name):
    return task_named(name).reference


def cases(name):
    return task_named(name).cases()


def test_cross_entropy_equals_scipy():
    from scipy.special import logsumexp

    for scores, classes in cases("cross_entropy"):
        expected = (logsumexp(scores, axis=1) - scores[np.arange(len(scores)), classes]).mean()
        assert reference("cross_entropy")(scores, classes) == pytest.approx(expected, rel=1e-12)
    # A head that knows nothing of four classes pays log 4 (Bishop 2006, section 4.3.4, by hand).
    assert reference("cross_entropy")(np.zeros((3, 4)), np.array([0, 1, 3])) == pytest.approx(1.3862943611)


def test_cross_entropy_equals_scikit_learn():
    metrics = pytest.importorskip("sklearn.metrics", reason="scikit-learn is not installed")
    from scipy.special import softmax

    for scores, classes in cases("cross_entropy")[: task_named("cross_entropy").plain]:
        expected = metrics.log_loss(classes, softmax(scores, axis=1), labels=np.arange(scores.shape[1]))
        assert reference("cross_entropy")(scores, classes) == pytest.approx(expected, rel=1e-9)


def test_head_gradient_equals_slopes_measured_by_scipy():
    from scipy.optimize import approx_fprime
    from scipy.special import log_softmax

    for x, shares, classes in cases("head_gradient")[: task_named("head_gradient").plain]:
        # Weights on N extra features, one a cell, can make any shares: the scores are then x @ 0 plus log shares.
        fixed = np.log(np.maximum(shares, 1e-12))
        normed = np.exp(log_softmax(fixed, axis=1))

        def loss(flat, x=x, fixed=fixed, classes=classes):
            logs = log_softmax(x @ flat.reshape(x.shape[1], -1) + fixed, axis=1)
            return -logs[np.arange(len(x)), classes].mean()

        slopes = approx_fprime(np.zeros(x.shape[1] * shares.shape[1]), loss, 1e-7)
        assert np.allclose(reference("head_gradient")(x, normed, classes).ravel(), slopes, atol=1e-5)


def test_ridge_equals_scikit_learn():
    linear_model = pytest.importorskip("sklearn.linear_model", reason="scikit-learn is not installed")
    for x, y, penalty in cases("ridge"):
        expected = linear_model.Ridge(alpha=penalty, fit_intercept=False).fit(x, y).coef_
        assert np.allclose(reference("ridge")(x, y, penalty), expected, rtol=1e-9)


def test_ridge_is_where_scipy_finds_the_smallest_sum():
    from scipy.optimize import minimize

    for x, y, penalty in cases("ridge"):
        found = minimize(
            lambda w, x=x, y=y, a=penalty: ((x @ w - y) ** 2).sum() + a * (w**2).sum(), np.zeros(x.shape[1]), tol=1e-12
        )
        assert np.allclose(reference("ridge")(x, y, penalty), found.x, atol=1e-5)


def test_cycle_rate_equals_the_engine_and_its_ends():
    from robotlab.neural.engine.optimizer import one_cycle

    for step, steps, peak in cases("cycle_rate"):
        assert reference("cycle_rate")(step, steps, peak) == pytest.approx(one_cycle(step, steps, peak), rel=1e-12)
    rates = [reference("cycle_rate")(step, 101, 1.0) for step in range(101)]
    # The shape of "1cycle" (Smith & Topin, arXiv:1708.07120): up, then down; the divisors 25 and 1000 are common practice.
    assert rates[0] == pytest.approx(1 / 25) and max(rates) == rates[25] == 1.0 and rates[100] == pytest.approx(1e-3)
    assert (np.diff(rates[:26]) > 0).all() and (np.diff(rates[25:]) < 0).all()


@pytest.mark.slow
def test_cycle_rate_equals_pytorch():
    torch = pytest.importorskip("torch", reason="PyTorch is not installed")
    steps, peak = 81, 0.02
    optimizer = torch.optim.SGD([torch.zeros(1, requires_grad=True)], lr=1.0)
    # Its peak comes one step before pct_start of all steps: so this share is a quarter of the way.
    schedule = torch.optim.lr_scheduler.OneCycleLR(
        optimizer,
        max_lr=peak,
        total_steps=steps,
        pct_start=(0.25 * (steps - 1) + 1) / steps,
        div_factor=25,
        final_div_factor=40,
    )
    for step in range(steps):
        assert reference("cycle_rate")(step, steps, peak) == pytest.approx(optimizer.param_groups[0]["lr"], rel=1e-9)
        optimizer.step()
        if step < steps - 1:
            schedule.step()
