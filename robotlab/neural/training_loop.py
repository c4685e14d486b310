"""The training loop of fine-tuning: steps, validation, and which weights are kept.

Each step draws windows, runs them forward and backward, and moves the weights
against the gradient; frozen layers stay.  Before the first step and from time
to time the slow average of the weights is judged on the validation set.
Training runs to its end, and early stopping is done afterward: it returns the
latest average that is no more than ``SCORE_TOLERANCE`` below the best there, a
limit on the generalization loss.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from robotlab.checks import number, whole, whole_between
from robotlab.errors import ModelError
from robotlab.neural.augmentation import TrainingSample
from robotlab.neural.engine.optimizer import one_cycle
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.engines import Engine
from robotlab.neural.state_file import read_state, write_state
from robotlab.neural.windows import REDUCED_SCALE, Batch, WindowPlan, batch_of, draw_window, joined, reduced_plan

# Highest learning rate: a real film wants more than the greenhouse, which looks like what the
# backbone has seen (the contributor's guide, "Time against AP").
PEAK_RATE = 0.004
# Until this fraction of a training of at least so many steps the windows are reduced.  In short ones they never are:
# of 300 steps on the coins they cost .01 to .02 of AP.
REDUCED_UNTIL = 0.5
REDUCED_FROM_STEPS = 500
# Early stopping: later weights are kept unless they score so much less than the best: on few pictures less is chance,
# and the latest have learned most.  A limit on the generalization loss, as of Prechelt, "Early stopping - but when?", 1998.
SCORE_TOLERANCE = 0.02
# How often the validation set is judged in the whole training.
JUDGED = 10
# Fraction of the training before it is judged for the first time.
JUDGED_FROM = 0.3
# Fraction of the time before the clock counts: the first evaluation alone would put it ahead of the steps, and what
# is learned would depend on how long that took, where there is time enough.
CLOCK_FROM = 0.05
# State files of another shape than this release writes are refused.
STATE_FORMAT = 6


@dataclass
class History:
    """How a training went: what the curves show.

    Parameters
    ----------
    steps, losses : list
        Step numbers, and the mean loss since the one before.
    judged_steps, judged_AP, judged_AP50 : list
        When the validation set was judged, and the metrics.
    """

    steps: list[int] = field(default_factory=list)
    losses: list[float] = field(default_factory=list)
    judged_steps: list[int] = field(default_factory=list)
    judged_AP: list[float] = field(default_factory=list)
    judged_AP50: list[float] = field(default_factory=list)


@dataclass
class Kept:
    """The weights that are kept so far.

    Parameters
    ----------
    weights : dict of str to ndarray
        By name.
    best_validation : float
        Highest mean of AP and AP50 on the validation set so far, theirs or that of others; -1 before any.
    step : int
        When they were judged.
    """

    weights: dict[str, np.ndarray]
    best_validation: float = -1.0
    step: int = 0


class BatchMaker:
    """Draws the windows of a step.

    Parameters
    ----------
    source : sequence of TrainingSample
        The pictures.
    windows : WindowPlan
        Size and number, at full scale.
    seed : int
        The same seed, step and scale draw the same windows, in any order of steps.
    pool : WorkerPool
        Who does the work.
    """

    def __init__(self, source: Sequence[TrainingSample], windows: WindowPlan, seed: int, pool: WorkerPool) -> None:
        self.source, self.windows, self.seed, self.pool = source, windows, seed, pool
        self._drawn: dict[int, Batch] = {}
        self._reduced = False

    def __call__(self, step: int, reduced: bool = False) -> Batch:
        """The windows of a step.

        Parameters
        ----------
        step : int
            From 0.
        reduced : bool
            Windows at ``REDUCED_SCALE``.

        Returns
        -------
        Batch
            Every picture comes once before any comes twice.
        """
        if step not in self._drawn or reduced != self._reduced:
            self._reduced = reduced
            self._drawn = self._two_steps(step)
        return self._drawn.pop(step)

    def _two_steps(self, first: int) -> dict[int, Batch]:
        """The windows of two steps: an odd number, drawn by itself, would leave one of two cores waiting."""
        windows, scale = (reduced_plan(self.windows), REDUCED_SCALE) if self._reduced else (self.windows, 1.0)
        count, pictures = windows.count, len(self.source)
        drawn: dict[int, Batch] = {}

        def draw(k: int, worker: int) -> None:
            step, n = first + k // count, k % count
            turn, place = divmod(step * count + n, pictures)
            order = np.random.default_rng([self.seed, 1, turn]).permutation(pictures)
            rng = np.random.default_rng([self.seed, 2, step, n])
            sample = self.source[int(order[place])]
            drawn[k] = batch_of([draw_window(sample, windows.width_px, windows.height_px, rng, scale)])

        self.pool.each(draw, 2 * count)
        batches: dict[int, Batch] = {}

        def join(k: int, worker: int) -> None:
            batches[first + k] = joined([drawn[k * count + n] for n in range(count)])

        self.pool.each(join, 2)
        return batches


def reduced_steps(steps: int) -> int:
    """Steps whose windows are reduced.

    Parameters
    ----------
    steps : int
        Of the whole training.

    Returns
    -------
    int
        The first half of a long training, none of a short one.

    Examples
    --------
    >>> reduced_steps(1000), reduced_steps(300)
    (500, 0)
    """
    return round(REDUCED_UNTIL * steps) if steps >= REDUCED_FROM_STEPS else 0


def train(
    engine: Engine,
    batches: Callable[[int, bool], Batch],
    steps: int,
    judge: Callable[[dict[str, np.ndarray]], Mapping[str, float]] | None,
    tell: Callable[[int, History], None] = lambda step, history: None,
    max_duration_s: float | None = None,
    state_path: str | os.PathLike | None = None,
    fingerprint: Mapping[str, object] | None = None,
) -> tuple[Kept, History, bool]:
    """Run the steps.

    Parameters
    ----------
    engine : Engine
        Holds the weights.
    batches : callable
        Gives the batch of a step, told whether its windows are reduced.
    steps : int
        How many.
    judge : callable or None
        Gives ``AP`` and ``AP50`` of weights on the validation set; without
        it the last average is kept.
    tell : callable
        Told of each step, and of the first evaluation, for a progress bar.
    max_duration_s : float, optional
        At most so long: the rate then falls by the clock, so that a slow
        machine ends its cycle too.
    state_path : path-like, optional
        The state is kept there, and continued from.
    fingerprint : mapping, optional
        What a state must agree on to be continued from.

    Returns
    -------
    kept : Kept
        The latest weights that do not score clearly less than the best, or the last where nothing judges them.
    history : History
        How it went.
    finished : bool
        ``False`` when interrupted (Ctrl-C).
    """
    fingerprint = {"steps": steps, **(fingerprint or {})}
    history, kept, first, spent = History(), Kept(engine.average()), 0, 0.0
    if state_path is not None and Path(state_path).exists():
        first, spent, history, kept = _restored(state_path, engine, fingerprint)
    started = time.monotonic() - spent
    judge_from = [steps * (JUDGED_FROM + (1 - JUDGED_FROM) * k / JUDGED) for k in range(JUDGED)]
    # The last step taken was first - 1: what was due by then has been judged, or Ctrl-C came meanwhile.
    judge_from = [at for at in judge_from if at > first - 1]
    since: list[float] = []
    step = first
    finished = True
    try:
        if judge is not None and not history.judged_steps:
            _judge_now(engine, judge, step, history, kept)
            tell(step, history)
        while step < steps:
            used = (time.monotonic() - started) / max_duration_s if max_duration_s else 0.0
            # By the steps, or by the clock where that is ahead.
            place = min(max(step, int((used - CLOCK_FROM) / (1 - CLOCK_FROM) * steps)), steps - 1)
            batch = batches(step, place < reduced_steps(steps))
            since.append(engine.step(batch, one_cycle(place, steps, PEAK_RATE)))
            step += 1
            last = step == steps or used >= 1
            if len(since) == max(1, steps // 100) or last:
                _note_loss(history, step, since)
            due = [at for at in judge_from if at <= place]
            if judge is not None and (due or last):
                judge_from = judge_from[len(due) :]
                _judge_now(engine, judge, step, history, kept)
                if state_path is not None and not last:
                    _save_state(state_path, engine, fingerprint, step, time.monotonic() - started, history, kept)
            tell(step, history)
            if last:
                break
    except KeyboardInterrupt:
        finished = False
        if state_path is not None:
            _save_state(state_path, engine, fingerprint, step, time.monotonic() - started, history, kept)
        if since:
            _note_loss(history, step, since)
    if kept.best_validation < 0:
        kept.weights, kept.step = engine.average(), step
    if finished and state_path is not None:
        Path(state_path).unlink(missing_ok=True)
    return kept, history, finished


def _note_loss(history: History, step: int, since: list[float]) -> None:
    """Put the mean loss into the history; `since` is emptied."""
    history.steps.append(step)
    history.losses.append(float(np.mean(since)))
    since.clear()


def _judge_now(engine: Engine, judge: Callable, step: int, history: History, kept: Kept) -> None:
    """Judge the average on the validation set; keep it if its generalization loss is small (early stopping)."""
    weights = engine.average()
    metrics = judge(weights)
    history.judged_steps.append(step)
    history.judged_AP.append(metrics["AP"])
    history.judged_AP50.append(metrics["AP50"])
    score = (metrics["AP"] + metrics["AP50"]) / 2
    kept.best_validation = max(kept.best_validation, score)
    if score >= kept.best_validation - SCORE_TOLERANCE:
        kept.weights, kept.step = weights, step


def _save_state(
    path: str | os.PathLike, engine: Engine, fingerprint: Mapping, step: int, spent: float, history: History, kept: Kept
) -> None:
    """Write everything that is needed to go on."""
    note = {
        "format": STATE_FORMAT,
        "engine": engine.name,
        "fingerprint": dict(fingerprint),
        "step": step,
        "spent_s": spent,
        "history": vars(history),
        "kept": {"best_validation": kept.best_validation, "step": kept.step},
    }
    arrays = {f"engine/{name}": value for name, value in engine.state().items()}
    arrays |= {f"kept/{name}": value for name, value in kept.weights.items()}
    write_state(path, note, arrays)


def _restored(path: str | os.PathLike, engine: Engine, fingerprint: Mapping) -> tuple[int, float, History, Kept]:
    """Go on from a state file, if it is of the same training."""
    note, arrays = read_state(path)
    try:
        if (
            note["format"] != STATE_FORMAT
            or note["engine"] != engine.name
            or json.dumps(note["fingerprint"], sort_keys=True) != json.dumps(fingerprint, sort_keys=True)
        ):
            raise ModelError(
                f"{path} must be the state of this training, it is of another (data, options, engine or release differ); "
                "remove it to start anew, or name another state file"
            )
        step = whole(note["step"], "step")
        kept = Kept(_part("kept/", arrays, engine.average()), **note["kept"])
        number(step, "step", 0, float(fingerprint["steps"]))
        kept.best_validation = number(kept.best_validation, "best_validation", -1, 1)
        kept.step = whole_between(kept.step, "step", 0, step)
        history = History(**note["history"])
        for name, values in vars(history).items():
            if type(values) is not list or not all(type(value) in (int, float) for value in values):
                raise ValueError
            [number(value, name) for value in values]
        engine.restore(_part("engine/", arrays, engine.state()))
        return step, number(note["spent_s"], "spent_s", 0), history, kept
    except ModelError:
        raise
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError):
        raise ModelError(f"{path} must be a whole state file, it is damaged; remove it to start anew") from None


def _part(prefix: str, arrays: Mapping[str, np.ndarray], like: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The arrays of one part of a state, if they are finite and of the shapes and types of `like`."""
    found = {name: arrays[prefix + name] for name in like}
    for name, value in found.items():
        if (value.shape, value.dtype) != (like[name].shape, like[name].dtype) or not np.isfinite(value).all():
            raise ValueError
    return found
