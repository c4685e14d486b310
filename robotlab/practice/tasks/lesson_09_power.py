"""Lesson 09: how long a battery lasts, and what its cells say."""

from __future__ import annotations

import numpy as np

from robotlab.practice.task import Misconception, Task


def running_time(capacity_ah, cells, cell_v, power_w, share):
    """How long a battery runs a robot, min.

    capacity_ah: printed capacity of the pack, Ah; its cells are in series.
    cells: how many.  cell_v: nominal voltage of one, V.
    power_w: what the robot takes on average, W.
    share: part of the capacity that is used, such as 0.8.
    """
    current_a = power_w / (cells * cell_v)
    return 60 * capacity_ah * share / current_a


def _pack(rng):
    cells = int(rng.integers(2, 5))
    return (
        round(float(rng.uniform(0.8, 6.0)), 1),
        cells,
        float(rng.choice([3.6, 3.7, 3.2])),
        round(float(rng.uniform(5.0, 40.0)), 1),
        float(rng.choice([0.7, 0.75, 0.8])),
    )


RUNNING_TIME = Task(
    reference=running_time,
    lesson=9,
    statement="Write running_time(capacity_ah, cells, cell_v, power_w, share): for how many minutes a pack runs a robot. The cells are in series: their voltages add up, "
    "the capacity of the pack is that of one. The current is power divided by the voltage of the pack; share of the capacity is used.",
    unit="min",
    fixed=((2.2, 3, 3.7, 22.2, 0.8), (5.0, 2, 3.7, 14.8, 0.8), (1.0, 4, 3.2, 6.4, 0.75), (2.0, 1, 3.6, 3.6, 1.0)),
    draw=_pack,
    edges=((2.2, 1, 3.7, 3.7, 0.8),),
    nudges=(
        "Which current does the pack give? Then: for how long can it give that?",
        "Watts are volts times amperes, and the pack's voltage is that of all cells in series. Ampere-hours divided by amperes are hours.",
        "I = power / (cells · cell voltage); minutes = 60 · capacity · share / I.",
    ),
    misconceptions=(
        Misconception(
            "one cell's voltage",
            "You worked with the voltage of one cell. In series they add up.",
            lambda ah, n, v, w, s: 60 * ah * s * v / w,
        ),
        Misconception(
            "cells add up capacity",
            "You counted the cells twice, or added up their capacities. In series the same current goes through all; only the voltages add up.",
            lambda ah, n, v, w, s: n * running_time(ah, n, v, w, s),
        ),
        Misconception(
            "down to nothing",
            "You used the whole capacity. A lithium cell that is emptied to the end is damaged.",
            lambda ah, n, v, w, s: running_time(ah, n, v, w, 1.0),
        ),
        Misconception(
            "what is left",
            "You used what is to stay in the pack: share is the part that is used.",
            lambda ah, n, v, w, s: running_time(ah, n, v, w, 1 - s),
        ),
        Misconception("hours", "Your result is in hours.", lambda ah, n, v, w, s: running_time(ah, n, v, w, s) / 60),
        Misconception(
            "seconds", "Your result is in seconds.", lambda ah, n, v, w, s: running_time(ah, n, v, w, s) * 60
        ),
        Misconception(
            "watts for amperes",
            "You divided ampere-hours by watts. Turn the power into a current first, or the capacity into watt-hours.",
            lambda ah, n, v, w, s: 60 * ah * s / w,
        ),
        Misconception(
            "upside down",
            "You divided the current by the capacity. A larger pack lasts longer.",
            lambda ah, n, v, w, s: 60 * w / (n * v) / (ah * s),
        ),
        Misconception(
            "share divided",
            "You divided by share. Using less of the pack makes the time shorter, not longer.",
            lambda ah, n, v, w, s: running_time(ah, n, v, w, 1 / s),
        ),
        Misconception(
            "full voltage",
            "You took 4.2 V a cell, which it has for the first minutes only. Take cell_v.",
            lambda ah, n, v, w, s: running_time(ah, n, 4.2, w, s),
        ),
        Misconception(
            "power times voltage",
            "You multiplied power and voltage. Watts are volts times amperes, so the current is power divided by voltage.",
            lambda ah, n, v, w, s: 60 * ah * s / (w * n * v),
        ),
    ),
)


def cells_state(cell_v, stop_v, most_spread_v):
    """What to do with a pack, from its cells: "go on", "stop" or "balance".

    cell_v: (N,) array, voltage of each cell, V.
    stop_v: the lowest that a cell may have, V.  One below it: "stop".
    most_spread_v: by how much two cells of the pack may differ, V.  None below
    stop_v, but two that differ by more: "balance".  Else "go on".
    """
    if cell_v.min() < stop_v:
        return "stop"
    return "balance" if cell_v.max() - cell_v.min() > most_spread_v else "go on"


def _cells(rng):
    count, stop, most = int(rng.integers(3, 7)), float(rng.choice([3.3, 3.4])), 0.05
    volts = stop + 0.35 + rng.uniform(0, 0.03, count)
    kind = int(rng.integers(4))
    if kind == 1:
        volts[int(rng.integers(count))] = stop - rng.uniform(0.03, 0.4)
    elif kind == 2:
        # Far apart for no neighbors, and not far from the mean.
        volts = np.linspace(stop + 0.35, stop + 0.35 + rng.uniform(0.06, 0.08), count)
    elif kind == 3:
        volts[int(rng.integers(count))] += rng.choice([-1, 1]) * rng.uniform(0.08, 0.2)
    return np.round(volts, 3), stop, most


def _state(low, spread, stop, most):
    return "stop" if low < stop else "balance" if spread > most else "go on"


CELLS_STATE = Task(
    reference=cells_state,
    lesson=9,
    statement='Write cells_state(cell_v, stop_v, most_spread_v): what to do with a pack. One cell below stop_v: "stop". Else, if the highest and the lowest cell differ by '
    'more than most_spread_v: "balance". Else "go on".',
    unit="",
    fixed=(
        (np.array([3.80, 3.81, 3.79]), 3.4, 0.05),
        (np.array([3.90, 3.90, 3.00]), 3.4, 0.05),
        (np.array([3.90, 3.90, 3.70]), 3.4, 0.05),
        (np.array([3.70, 3.73, 3.76, 3.79]), 3.4, 0.05),
        (np.array([3.30, 3.31, 3.30]), 3.4, 0.05),
        (np.array([3.00, 3.90, 3.90]), 3.4, 0.05),
        (np.array([3.90, 3.00, 3.90]), 3.4, 0.05),
        (np.array([3.75, 3.68, 3.75]), 3.4, 0.05),
        (np.array([3.83, 3.75, 3.75]), 3.4, 0.05),
        (np.array([3.00, 3.90, 3.05]), 3.4, 0.05),
        (np.array([3.00, 3.20, 3.10]), 3.4, 0.05),
        # Exactly at a limit is not beyond it; these differences are exact in binary.
        (np.array([3.50, 3.50, 3.50]), 3.5, 0.05),
        (np.array([3.75, 3.78125, 3.75]), 3.4, 0.03125),
    ),
    draw=_cells,
    edges=((np.array([3.8]), 3.4, 0.05), (np.array([3.3]), 3.4, 0.05), (np.array([3.5, 3.52]), 3.5, 0.05)),
    nudges=(
        "Which cell is in danger first? And which two tell whether the pack is out of balance?",
        "The lowest one decides about stopping, the highest and the lowest about balancing. Stopping comes first.",
        'min() < stop_v says "stop"; max() - min() > most_spread_v says "balance".',
    ),
    misconceptions=(
        Misconception(
            "by the mean",
            "You looked at the mean, which is what the pack's whole voltage tells. A healthy mean can hide one cell that is being destroyed.",
            lambda v, stop, most: _state(v.mean(), np.ptp(v), stop, most),
        ),
        Misconception(
            "by the strongest",
            "You said stop only where even the highest cell, so all of them, is too low. The lowest one is damaged first: one is enough.",
            lambda v, stop, most: _state(v.max(), np.ptp(v), stop, most),
        ),
        Misconception(
            "the last cell only",
            "You looked at one place of the array only. Any cell can be the weak one.",
            lambda v, stop, most: _state(v[-1], np.ptp(v), stop, most),
            also=(lambda v, stop, most: _state(v[0], np.ptp(v), stop, most),),
        ),
        Misconception(
            "balance first",
            "You asked for the difference first. A cell below its limit comes before everything else: stop.",
            lambda v, stop, most: "balance" if np.ptp(v) > most else "stop" if v.min() < stop else "go on",
        ),
        Misconception(
            "neighbors only",
            "You compared each cell with its neighbor. Small steps add up: take the highest and the lowest.",
            lambda v, stop, most: _state(v.min(), np.abs(np.diff(v)).max() if len(v) > 1 else 0, stop, most),
        ),
        Misconception(
            "away from the mean",
            "You compared with the mean. Asked is by how much two cells differ: the highest and the lowest.",
            lambda v, stop, most: _state(v.min(), np.abs(v - v.mean()).max(), stop, most),
        ),
        Misconception(
            "standard deviation",
            "You took the standard deviation. Few cells and one bad one: look at the extremes.",
            lambda v, stop, most: _state(v.min(), v.std(), stop, most),
        ),
        Misconception(
            "never balance",
            'You never answer "balance". A pack whose cells drift apart is the one that burns at the charger.',
            lambda v, stop, most: "stop" if v.min() < stop else "go on",
        ),
        Misconception(
            "never stop",
            'You never answer "stop". A cell below its limit is damaged, whatever the others do.',
            lambda v, stop, most: _state(99, np.ptp(v), stop, most),
        ),
        Misconception(
            "exactly at the limit",
            "A cell exactly at stop_v is not below it, and a difference of exactly most_spread_v is not more than it.",
            lambda v, stop, most: _state(v.min() - 1e-9, np.ptp(v), stop, most),
            also=(
                lambda v, stop, most: _state(v.min(), np.ptp(v) + 1e-9, stop, most),
                lambda v, stop, most: _state(v.min() - 1e-9, np.ptp(v) + 1e-9, stop, most),
            ),
        ),
        Misconception(
            "capital letters",
            "The right decision, spelled otherwise. The three words have small letters only.",
            lambda v, stop, most: cells_state(v, stop, most).capitalize(),
        ),
    ),
)
