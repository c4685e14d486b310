"""Lesson 13: the tasks on wheels and their board."""

from __future__ import annotations

import numpy as np

from robotlab.practice.task import Misconception, Task


def wheel_commands(wanted_mps, came_m, told_m):
    """Speeds to send to the two wheels, (2,) array, m/s, so that the wanted ones come true.

    wanted_mps: (2,) array, wanted speed over the floor of the left and the right wheel, m/s.
    came_m: (N, 2) array, distance that each wheel really came in each of N runs, m.
    told_m: distance that both wheels were told to go in each run, m.
    The factor of a wheel is the mean over the runs of distance driven / distance commanded.
    """
    factors = came_m.mean(axis=0) / told_m
    return wanted_mps / factors


def _runs(rng):
    told = round(float(rng.choice([0.5, 1.0, 2.0])), 2)
    factors = np.array([rng.uniform(0.75, 0.92), rng.uniform(1.04, 1.25)])
    if rng.integers(2):
        factors = factors[::-1]
    came = told * factors * (1 + rng.uniform(-0.04, 0.04, (int(rng.integers(3, 6)), 2)))
    return np.round(rng.uniform(0.1, 0.4, 2), 3), np.round(came, 3), told


_BOTH = np.array([0.2, 0.2])

WHEEL_COMMANDS = Task(
    reference=wheel_commands,
    lesson=13,
    statement="Write wheel_commands(wanted_mps, came_m, told_m): the speeds to send, (2,) array, left and right. In runs over a taped way each wheel was told to go told_m and "
    "came came_m[run, wheel]. The factor of a wheel is the mean over the runs of came / told; a wheel that comes too short must be told more.",
    unit="m/s",
    fixed=(
        (_BOTH, np.array([[0.8, 1.0], [0.8, 1.0], [0.8, 1.0]]), 1.0),
        (_BOTH, np.array([[0.9, 1.05], [0.95, 1.1], [0.88, 1.15]]), 1.0),
        (np.array([0.3, 0.1]), np.array([[1.9, 2.1], [1.7, 2.3], [1.8, 2.2]]), 2.0),
        (np.array([-0.1, 0.2]), np.array([[0.45, 0.5], [0.4, 0.55], [0.35, 0.57]]), 0.5),
    ),
    draw=_runs,
    edges=((np.zeros(2), np.array([[0.9, 1.1], [0.8, 1.2]]), 1.0), (_BOTH, np.array([[0.9, 1.1]]), 1.0)),
    nudges=(
        "Told 1 m, came 0.8 m. Which way must it be told to come 1 m: more or less?",
        "One factor for each wheel, over all runs: a mean along the runs' axis, not along the wheels'.",
        "wanted / (mean of came over the runs / told), for each wheel.",
    ),
    misconceptions=(
        Misconception(
            "multiplied",
            "You multiplied by the factor. A wheel that comes too short would be told even less.",
            lambda wanted, came, told: wanted * came.mean(axis=0) / told,
        ),
        Misconception(
            "sides exchanged",
            "The two wheels have each other's factor.",
            lambda wanted, came, told: wanted / (came.mean(axis=0)[::-1] / told),
        ),
        Misconception(
            "one factor for both",
            "Both wheels have the same factor. The speed is right then on average, and the robot still drives a curve.",
            lambda wanted, came, told: wanted / (came.mean() / told),
        ),
        Misconception(
            "first run only",
            "You used the first run alone. Tape and wheels differ from run to run: take the mean.",
            lambda wanted, came, told: wanted / (came[0] / told),
            also=(lambda wanted, came, told: wanted / (came[-1] / told),),
        ),
        Misconception(
            "as wanted",
            "You send what is wanted. Then the wheels go on as in the runs, one short and one far.",
            lambda wanted, came, told: np.array(wanted, float),
        ),
        Misconception(
            "factor alone",
            "Your result is the factor of each wheel, without a unit. Asked is the speed to send.",
            lambda wanted, came, told: came.mean(axis=0) / told,
            also=(lambda wanted, came, told: told / came.mean(axis=0),),
        ),
        Misconception(
            "difference added",
            "You added what was missing, in meters, to a speed. A wheel that is 10 % short is so at every speed: a factor.",
            lambda wanted, came, told: wanted + (told - came.mean(axis=0)),
        ),
        Misconception(
            "commanded distance left out",
            "You divided by the way that came, in meters, as if each run had been told 1 m.",
            lambda wanted, came, told: wanted / came.mean(axis=0),
        ),
        Misconception(
            "runs added up",
            "You added up the runs and divided by the way of one.",
            lambda wanted, came, told: wanted / (came.sum(axis=0) / told),
        ),
        Misconception(
            "mean of told / came",
            "You took the mean of told / came. The factor is the mean of came / told, and the mean of a ratio is not 1 divided by the mean of the other one.",
            lambda wanted, came, told: wanted * (told / came).mean(axis=0),
        ),
        Misconception(
            "median of the runs",
            "You took the median of the runs. With so few of them the mean uses all that was measured.",
            lambda wanted, came, told: wanted / (np.median(came, axis=0) / told),
        ),
        Misconception(
            "one wheel alone",
            "One wheel has its factor, and the other is sent what is wanted. Both have one.",
            lambda wanted, came, told: wanted / np.array([came[:, 0].mean() / told, 1.0]),
            also=(lambda wanted, came, told: wanted / np.array([1.0, came[:, 1].mean() / told]),),
        ),
        Misconception(
            "share added",
            "You added the share that was missing. A wheel that comes to 80 % needs 1 / 0.8 = 125 %, and not 120 %.",
            lambda wanted, came, told: wanted * (2 - came.mean(axis=0) / told),
        ),
        Misconception(
            "slower wheel for both",
            "You held both wheels to one of them. The other has a factor of its own.",
            lambda wanted, came, told: wanted / (came.mean(axis=0).min() / told),
            also=(lambda wanted, came, told: wanted / (came.mean(axis=0).max() / told),),
        ),
    ),
)


def halts_at(line_s, good, timeout_s, until_s):
    """When a motor board halts by itself for the first time, s; until_s if it never does.

    line_s: (N,) array, when lines came, s, ascending.  good: (N,) array of bool,
    whether the checksum of the line agrees; the first one does.
    timeout_s: longest time without a good line, s.  until_s: end of the record, s.
    """
    alive = np.append(line_s[good], until_s)
    silent = np.flatnonzero(np.diff(alive) > timeout_s)
    return float(alive[silent[0]] + timeout_s) if len(silent) else float(until_s)


def _gaps(times, good, until):
    return np.append(times[good], until)


def _first_gap(times, good, timeout, until, say):
    alive = _gaps(times, good, until)
    silent = np.flatnonzero(np.diff(alive) > timeout)
    return float(say(alive, silent)) if len(silent) else float(until)


def _lines(rng):
    """Lines at 20 Hz of which a run of some are damaged, with a gap of no line at all after or before."""
    count = int(rng.integers(16, 30))
    times = np.round(np.arange(count) * 0.05 + rng.uniform(0, 0.02, count), 3)
    good = np.ones(count, bool)
    good[int(rng.integers(1, 4))] = False
    begin = int(rng.integers(5, 8))
    good[begin : begin + int(rng.integers(2, 5))] = False
    if rng.integers(2):
        times[-3:] += 0.6
    timeout = round(float(rng.choice([0.117, 0.1723, 0.2571])), 4)
    return times, good, timeout, round(float(times[-1] + rng.choice([0.04, 0.7])), 3)


_TENTHS = np.round(np.arange(10) * 0.1, 1)


def _damaged(*places):
    good = np.ones(10, bool)
    good[list(places)] = False
    return good


HALTS_AT = Task(
    reference=halts_at,
    lesson=13,
    statement="Write halts_at(line_s, good, timeout_s, until_s): when a motor board halts by itself for the first time. It does so timeout_s after the last good line, unless another good "
    "line has come by then. A line whose checksum does not agree is as good as none. The record ends at until_s; that is the answer if it has not halted by then.",
    unit="s",
    fixed=(
        (np.array([0.0, 0.1, 0.2, 0.9]), np.ones(4, bool), 0.25, 1.0),
        (_TENTHS, _damaged(3, 4, 5), 0.25, 1.0),
        (_TENTHS, _damaged(3, 6), 0.25, 1.0),
        (_TENTHS, _damaged(), 0.25, 2.0),
        (_TENTHS, _damaged(2, 3, 4, 8), 0.25, 2.0),
        (np.array([0.0, 0.1, 0.5, 0.6, 1.5, 1.6, 2.0, 2.1]), np.ones(8, bool), 0.25, 2.2),
    ),
    draw=_lines,
    edges=((np.array([0.0]), np.array([True]), 0.25, 1.0), (np.array([0.0]), np.array([True]), 0.25, 0.2)),
    nudges=(
        "Put the good lines on a time axis with a pencil, and strike out the others. Where is the first gap that is too long?",
        "The board does not know how long a gap will become. It halts inside it, timeout_s after the line in front of it; the last gap ends with the record.",
        "Times of the good lines, and until_s behind them; the first difference above timeout_s; the time in front of it, plus timeout_s.",
    ),
    misconceptions=(
        Misconception(
            "damaged lines counted",
            "You let damaged lines count. Noise would keep the wheels turning.",
            lambda t, g, s, u: halts_at(t, np.ones(len(t), bool), s, u),
        ),
        Misconception(
            "noticed by the next line",
            "Your board halts when the next line comes. It must halt without one: a pulled plug sends none.",
            lambda t, g, s, u: _first_gap(t, g, s, u, lambda alive, gaps: alive[gaps[0] + 1]),
        ),
        Misconception(
            "time-out not added",
            "Your result is the last good line before the gap. The board drives on until the time-out has passed.",
            lambda t, g, s, u: _first_gap(t, g, s, u, lambda alive, gaps: alive[gaps[0]]),
        ),
        Misconception(
            "last gap",
            "You found a later halt. Asked is the first; after it the board stands.",
            lambda t, g, s, u: _first_gap(t, g, s, u, lambda alive, gaps: alive[gaps[-1]] + s),
        ),
        Misconception(
            "longest gap",
            "You took the longest gap. The first one that is too long has halted the board before.",
            lambda t, g, s, u: _first_gap(t, g, s, u, lambda alive, gaps: alive[int(np.argmax(np.diff(alive)))] + s),
        ),
        Misconception(
            "after the last line only",
            "You looked behind the last good line alone. A gap between lines halts the board too.",
            lambda t, g, s, u: min(u, t[g][-1] + s),
            also=(lambda t, g, s, u: t[g][-1] + s,),
        ),
        Misconception(
            "end forgotten",
            "You looked between lines alone. When no line comes any more, up to until_s, that is a gap as well.",
            lambda t, g, s, u: (
                _first_gap(t, g, s, t[g][-1], lambda alive, gaps: alive[gaps[0]] + s)
                if (np.diff(t[g]) > s).any()
                else u
            ),
        ),
        Misconception(
            "first damaged line",
            "Your board halts because of the first damaged line. One is not enough: it waits for the time-out.",
            lambda t, g, s, u: float(t[~g][0]) if (~g).any() else halts_at(t, g, s, u),
            also=(
                lambda t, g, s, u: min(u, float(t[~g][0]) + s) if (~g).any() else halts_at(t, g, s, u),
                lambda t, g, s, u: float(t[~g][0]) + s if (~g).any() else u,
                lambda t, g, s, u: float(t[~g][0]) if (~g).any() else u,
            ),
        ),
        Misconception(
            "time-out from the first line",
            "You let the time-out run from the first line. Each good line starts it anew.",
            lambda t, g, s, u: min(u, t[0] + s),
        ),
        Misconception(
            "never halts",
            "Your result is the end of the record: your board has not halted. There is a gap longer than the time-out.",
            lambda t, g, s, u: u,
        ),
        Misconception(
            "the first line where there is no gap",
            "Where no gap is too long, your board halts all the same: np.argmax of nothing but False is 0. Ask whether there is one at all.",
            lambda t, g, s, u: float(_gaps(t, g, u)[int(np.argmax(np.diff(_gaps(t, g, u)) > s))] + s),
        ),
        Misconception(
            "good and damaged exchanged",
            "You went by the damaged lines in place of the good ones.",
            lambda t, g, s, u: halts_at(t, ~g, s, u),
        ),
    ),
)
