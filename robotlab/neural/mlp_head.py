"""The optional head: a multilayer perceptron (MLP) with one small hidden layer.

Not convex, so it depends on where it starts (the seed), but it bends: a box
that the features give only together, not in a weighted sum, is within reach.
"""

from __future__ import annotations

import numpy as np

from robotlab.neural.cells import Cells
from robotlab.neural.engine.losses import detection_loss
from robotlab.neural.engine.optimizer import AdamW, ExponentialMovingAverage, clip_gradient_norm, one_cycle

# Numbers between: as many as there are features.
HIDDEN = 96
# Cells a step, and how often each cell is seen.
CELLS_A_STEP = 1024
EPOCHS = 14
PEAK_RATE = 0.004
DECAY = 0.02
# Weight of the box beside the class, and steps that the average reaches back.
BOX_SHARE = 2.0
MEMORY = 0.99


def fit_mlp_head(cells: Cells, class_count: int, seed: int, hidden: int = HIDDEN) -> dict[str, np.ndarray]:
    """Weights of the layers ``hidden`` and ``head`` from cells.

    Parameters
    ----------
    cells : Cells
        What was gathered.
    class_count : int
        Classes without the background.
    seed : int
        Where it starts, and the order of the cells.
    hidden : int
        Numbers between.

    Returns
    -------
    dict of str to ndarray of float32
        ``hidden.kernel`` (hidden, F, 1, 1), ``hidden.bias``, ``head.kernel``
        (class_count + 5, hidden, 1, 1) and ``head.bias``.

    Notes
    -----
    With x a column of features, ``z = W1 x + b1``, ``h = max(z, 0)``, ``o = W2 h +
    b2``.  Backward: ``dW2 = do h^T``, ``dh = W2^T do``, ``dz = dh [z > 0]``, ``dW1 =
    dz x^T``, and the biases' gradients are the sums of do and dz.  The loss is
    that of fine-tuning.
    """
    rng = np.random.default_rng(seed)
    mean = cells.features.mean(axis=0, dtype=np.float64)
    spread = cells.features.std(axis=0, dtype=np.float64) + 1e-6
    count, inputs = cells.features.shape
    outputs = class_count + 5
    shapes = {"W1": (hidden, inputs), "b1": (hidden, 1), "W2": (outputs, hidden), "b2": (outputs, 1)}
    ends = np.cumsum([0, *(a * b for a, b in shapes.values())])
    parameters, gradient = np.zeros(ends[-1], np.float32), np.zeros(ends[-1], np.float32)

    def views(row: np.ndarray) -> dict[str, np.ndarray]:
        parts = zip(shapes.items(), ends[:-1], ends[1:], strict=True)
        return {name: row[a:b].reshape(shape) for (name, shape), a, b in parts}

    w, d = views(parameters), views(gradient)
    # He et al., arXiv:1502.01852, for the layer with ReLU; small for the last.
    w["W1"][...] = rng.standard_normal((hidden, inputs)) * np.sqrt(2 / inputs)
    w["W2"][...] = rng.standard_normal((outputs, hidden)) * 0.1 * np.sqrt(1 / hidden)
    decayed = np.repeat([True, False, True, False], np.diff(ends))
    move = AdamW(parameters, DECAY, decayed)
    average = ExponentialMovingAverage({"all": parameters}, MEMORY)
    each = max(1, count // CELLS_A_STEP)
    steps = each * EPOCHS
    for step in range(steps):
        if step % each == 0:
            order = rng.permutation(count)
        rows = order[step % each * CELLS_A_STEP :][:CELLS_A_STEP]
        x = ((cells.features[rows] - mean) / spread).T.astype(np.float32)
        z = w["W1"] @ x + w["b1"]
        h = np.maximum(z, 0)
        o = w["W2"] @ h + w["b2"]
        # To the loss the cells are one picture, one cell high.
        _, d_o = detection_loss(
            o[None, :, None, :],
            cells.classes[rows][None, None],
            cells.weights[rows][None, None],
            cells.boxes[rows].T[None, :, None, :],
            cells.box_weights[rows][None, None],
            BOX_SHARE,
        )
        d_o = d_o[0, :, 0]
        np.matmul(d_o, h.T, out=d["W2"])
        d["b2"][...] = d_o.sum(axis=1, keepdims=True)
        d_z = (w["W2"].T @ d_o) * (z > 0)
        np.matmul(d_z, x.T, out=d["W1"])
        d["b1"][...] = d_z.sum(axis=1, keepdims=True)
        clip_gradient_norm(gradient, 10.0)
        move(gradient, one_cycle(step, steps, PEAK_RATE))
        average.follow({"all": parameters})
    w = views(average.arrays["all"])
    first = w["W1"] / spread
    return {
        "hidden.kernel": first[:, :, None, None].astype(np.float32),
        "hidden.bias": (w["b1"][:, 0] - first @ mean).astype(np.float32),
        "head.kernel": w["W2"][:, :, None, None].copy(),
        "head.bias": w["b2"][:, 0].copy(),
    }
