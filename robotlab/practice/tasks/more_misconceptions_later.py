"""Misconceptions found in answers that learners gave later: lesson 05, and 07 to 12."""

from __future__ import annotations

import math

import numpy as np

from robotlab.practice.task import Misconception


def _wilson(p, n, z, middle=None, half_below=None):
    below = 1 + z * z / n
    center = (p + z * z / (2 * n)) / below if middle is None else middle
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (half_below or below)
    return center - half, center + half


def _best_only(boxes, scores, limit):
    from robotlab.boxes import iou

    order = np.argsort(-scores, kind="stable")
    return np.array([i for i in order if i == order[0] or iou(boxes[order[:1]], boxes[i][None])[0, 0] <= limit], int)


def _straight(step, steps, peak, first, top, end):
    return float(np.interp(step, [0, top, end], [first, peak, peak / 1000]))


def _corrected(a, b):
    # Chi-square with one degree of freedom: P(x > c) = erfc(sqrt(c / 2)).
    return math.erfc(math.sqrt((abs(a - b) - 1) ** 2 / (a + b) / 2)) if a + b else 1.0


def _bearing(offset_px, width_px, hfov_rad):
    return math.atan(offset_px / (width_px / 2 / math.tan(hfov_rad / 2)))


def _wheels(v, turn, limit):
    left, right = v - turn, v + turn
    most = max(abs(left), abs(right))
    scale = limit / most if most > limit else 1
    return left * scale, right * scale


def _spelled(words):
    """The right decision in other words."""

    def decide(low, high, matters):
        return words[0] if low >= matters else words[1] if high < matters else words[2]

    return decide


def _watch(words):
    def decide(now, last, slow, stop):
        age = now - last
        return words[2] if not 0 <= age <= stop else words[0] if age <= slow else words[1]

    return decide


def _gradient(x, p, classes, count):
    d = p.copy()
    d[np.arange(len(classes)), classes] -= 1
    return x.T @ d / count


def _interval_about(middle, s, o, factor):
    gains = s - o
    error = gains.std(ddof=1) / math.sqrt(len(gains))
    return middle(gains) - factor * error, middle(gains) + factor * error


def _log_of_the_rest(logits, classes):
    powers = np.exp(logits - logits.max(axis=1, keepdims=True))
    p = powers[np.arange(len(classes)), classes] / powers.sum(axis=1)
    return float(-np.log(1 - p + 1e-12).mean())


LATER: dict[str, tuple[Misconception, ...]] = {
    "cross_entropy": (
        Misconception(
            "logarithm of 1 minus",
            "You took the logarithm of 1 minus the true class's probability. It is the probability itself that should be large.",
            _log_of_the_rest,
        ),
        Misconception(
            "logits for probabilities",
            "You took the logarithm of logits. They may be negative; the softmax makes probabilities of them first.",
            lambda z, c: -np.log(np.abs(z[np.arange(len(c)), c]) + 1e-9).mean(),
            also=(lambda z, c: -np.log(z[np.arange(len(c)), c]).mean(),),
        ),
    ),
    "head_gradient": (
        Misconception(
            "divided by the classes",
            "You divided by the number of classes. The mean is over the cells.",
            lambda x, p, c: _gradient(x, p, c, p.shape[1]),
        ),
        Misconception(
            "divided by the features",
            "You divided by the number of features. The mean is over the cells.",
            lambda x, p, c: _gradient(x, p, c, x.shape[1]),
        ),
    ),
    "precision_recall": (
        Misconception(
            "both by the truths",
            "You divided both by truths. Precision divides by the detections made so far.",
            lambda h, n: (np.cumsum(h) / n, np.cumsum(h) / n),
        ),
        Misconception(
            "counted from 0",
            "You divided by how many came before. After the first detection one has been made: count from 1.",
            lambda h, n: (np.cumsum(h) / np.maximum(np.arange(len(h)), 1), np.cumsum(h) / n),
        ),
        Misconception(
            "true over false",
            "You divided the true positives by the false ones. Precision divides by both together.",
            lambda h, n: (np.cumsum(h) / np.maximum(np.cumsum(~h.astype(bool)), 1), np.cumsum(h) / n),
        ),
    ),
    "average_precision": (
        Misconception(
            "the worst so far",
            "You took the lowest precision so far. The highest of what is still to come counts.",
            lambda h, n: float((np.minimum.accumulate(np.cumsum(h) / np.arange(1, len(h) + 1)) * h).sum() / n),
        ),
    ),
    "nms": (
        Misconception(
            "with the best alone",
            "You compare each box with the best one only. A second object has a best box of its own, and doubles of it.",
            _best_only,
        ),
    ),
    "cycle_rate": (
        Misconception(
            "straight, and not from end to end",
            "You go along straight lines; each part goes along half a cosine. And look where the parts begin and end: "
            "at step 0 the rate is peak / 25, after a quarter of the way peak, at step steps - 1 peak / 1000.",
            lambda step, steps, peak: _straight(step, steps, peak, peak / 25, steps / 4, steps),
            also=(
                lambda step, steps, peak: _straight(step, steps, peak, 0, (steps - 1) / 4, steps - 1),
                lambda step, steps, peak: _straight(step, steps, peak, 0, steps / 4, steps),
                lambda step, steps, peak: _straight(step, steps, peak, peak / 25, (steps - 1) / 2, steps - 1),
                lambda step, steps, peak: _straight(step, steps, peak, peak / 25, steps // 4, steps - 1),
            ),
        ),
    ),
    "wilson_interval": (
        Misconception("z of 2", "You rounded z to 2. For 95 % it is 1.96.", lambda k, n: _wilson(k / n, n, 2.0)),
        Misconception(
            "about the proportion",
            "Your interval lies about hits / trials. Wilson's middle is nearer to one half: that keeps it within 0 and 1.",
            lambda k, n: _wilson(k / n, n, 1.96, k / n),
        ),
        Misconception(
            "half width not divided",
            "Your middle is right, and your interval too wide: the root is to be divided by 1 + z²/n as well.",
            lambda k, n: _wilson(k / n, n, 1.96, half_below=1),
        ),
    ),
    "mcnemar_p": (
        Misconception(
            "chi-square, corrected",
            "You took the chi-square approximation with its correction by 1. The exact sum is asked for.",
            _corrected,
        ),
    ),
    "bearing_error": (
        Misconception(
            "x and y for two columns",
            "You took the middle of x0 and y0. A box is x0, y0, x1, y1: the second column is box[2].",
            lambda b, w, a: _bearing(w / 2 - (b[0] + b[1]) / 2, w, a),
        ),
        Misconception(
            "minus before the whole middle",
            "Python reads w / 2 - x0 + x1 / 2 from left to right. The minus belongs to the whole middle: put it into parentheses.",
            lambda b, w, a: _bearing(w / 2 - b[0] + b[2] / 2, w, a),
            also=(lambda b, w, a: _bearing(w / 2 - b[0] / 2 + b[2] / 2, w, a),),
        ),
    ),
    "wheel_speeds": (
        Misconception(
            "the speed times the track",
            "You multiply the forward speed by the track as well. Only the turn goes with it: v ± yaw · track / 2.",
            lambda v, yaw, t, m: _wheels(v * t / 2, yaw * t / 2, m),
        ),
        Misconception(
            "the forward speed halved",
            "You halve the forward speed too. In a straight line both wheels go at v.",
            lambda v, yaw, t, m: _wheels(v / 2, yaw * t / 2, m),
        ),
    ),
    "gain_limit": (
        Misconception(
            "one over the latency",
            "Your result is 1 / latency. It has the right unit; the sine of the loop is missing.",
            lambda d, s: 1 / (max(1, d) * s),
            also=(lambda d, s: 1 / ((d + 1) * s), lambda d, s: 1 / ((d + 0.5) * s)),
        ),
    ),
    "ramp_step": (
        Misconception(
            "sizes compared",
            "You ask which speed is larger without its sign. -0.5 is less than 0.2, although its size is larger.",
            lambda s, w, a, t: min(w, s + a * t) if abs(w) > abs(s) else max(w, s - a * t),
        ),
        Misconception(
            "braking without a limit",
            "You limit how fast it gets faster, and let it slow down at once. What stands on the trolley tips over then, too.",
            lambda s, w, a, t: w if abs(w) < abs(s) else s + max(-a * t, min(a * t, w - s)),
            also=(lambda s, w, a, t: w if abs(w) < abs(s) else s + min(w - s, a * t),),
        ),
    ),
    "stopping_distance": (
        Misconception(
            "braking taken away",
            "You subtract the braking distance. Both ways are driven, one after the other.",
            lambda v, a, t: abs(v) * t - v * v / (2 * a),
        ),
    ),
    "safe_speed": (
        Misconception(
            "not squared under the root",
            "Under the root a·t stands without its square. Both terms there must be in m²/s².",
            lambda s, a, t: -a * t + math.sqrt(a * t + 2 * a * s),
        ),
        Misconception(
            "2 left out under the root",
            "Under the root the 2 is missing: braking distance is v² / (2a).",
            lambda s, a, t: -a * t + math.sqrt((a * t) ** 2 + a * s),
        ),
    ),
    "watchdog": (
        Misconception(
            "other words",
            'You decide rightly and say it in other words. Three are asked for, exactly: "go", "slow", "stop".',
            _watch(("go", "slow", "halt")),
            also=(
                _watch(("drive", "slow", "stop")),
                _watch(("ok", "slow", "stop")),
                _watch(("go", "slow down", "stop")),
            ),
        ),
    ),
    "usable_distance": (
        Misconception(
            "the nearest good one",
            "You stop at the nearest distance that is good. Go on as long as the recall is good.",
            lambda d, r, t: next((float(one) for one, recall in zip(d, r) if recall >= t), 0.0),
        ),
        Misconception(
            "good ones counted",
            "You count all distances with a good recall, and take that many steps. One that is bad ends the count.",
            lambda d, r, t: float(d[(r >= t).sum() - 1]) if (r >= t).any() else 0.0,
            also=(lambda d, r, t: float(d[(r >= t).sum() - 1]),),
        ),
    ),
    "paired_interval": (
        Misconception(
            "median for mean",
            "Your interval lies about the median. The standard error is that of the mean.",
            lambda s, o, f: _interval_about(np.median, s, o, f),
        ),
    ),
    "choose": (
        Misconception(
            "by its width",
            "You ask how wide the interval is. What counts is on which side of matters_m its two ends lie.",
            lambda low, high, matters: (
                "more walks" if high - low > matters else "other" if low >= matters else "simple"
            ),
        ),
        Misconception(
            "other words",
            'You decide rightly and say it in other words. Three are asked for, exactly: "other", "simple", "more walks".',
            _spelled(("other", "simple", "more_walks")),
            also=(_spelled(("yes", "no", "more walks")),),
        ),
    ),
}
