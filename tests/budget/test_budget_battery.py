"""Batteries and chargers: numbers of the trade, and everything that must be refused."""

import dataclasses

import pytest

from robotlab.budget import Charger, Pack, charging_time_min, running_time_min
from robotlab.errors import InputError

PACK = Pack(cells=3, capacity_ah=2.2, discharge_c=20, cell_v=(3.85, 3.84, 3.86))
CHARGER = Charger(cells=3, current_a=2.0)


def but(thing, **changes):
    return dataclasses.replace(thing, **changes)


def test_numbers_of_the_trade():
    # Common practice, no source: three lithium-polymer cells are 12.6 V full, 11.1 V nominal, 9.0 V at damage.
    volts = [PACK.cells * one for one in (PACK.full_v, PACK.nominal_v, PACK.empty_v)]
    assert volts == pytest.approx([12.6, 11.1, 9.0])
    # I = C Ah: 5 Ah at 25 C are 125 A.
    assert Pack(cells=1, capacity_ah=5, discharge_c=25).max_current_a == pytest.approx(125)
    # 2.2 Ah at 2 A to 80 % are 52.8 min (recomputed by hand).
    assert float(running_time_min(PACK, 2 * 11.1)) == pytest.approx(52.8)


def test_a_charger_that_serves_fewer_cells_is_refused_with_the_reason():
    for cells in (1, 2):
        with pytest.raises(
            InputError, match=f"serves {cells} cells, the pack has 3: .* unbalanced .* made for 3 cells"
        ):
            charging_time_min(PACK, but(CHARGER, cells=cells))
    for cells in (3, 6):
        assert float(charging_time_min(PACK, but(CHARGER, cells=cells))) > 60 * 0.8 * 2.2 / 2.0


@pytest.mark.parametrize(
    ("charger", "pack", "words"),
    [
        ({"balances": False}, {}, "does not balance"),
        ({"full_v": 4.35}, {}, "would be overcharged"),
        ({"current_a": 2.3}, {}, "takes at most 2.2 A"),
        ({}, {"temperature_c": -1}, "must be from 0 to 45 °C"),
        ({}, {"temperature_c": 46}, "must be from 0 to 45 °C"),
        ({}, {"cell_v": (3.9, 3.9, 3.84)}, "its cells differ by 0.06 V"),
        ({}, {"cell_v": (3.9, 3.9, 2.99)}, "cell 3 is at 2.99 V, below the lowest"),
        ({}, {"cell_v": (4.3, 4.2, 4.2)}, "cell 1 is at 4.30 V, above full"),
    ],
)
def test_what_must_not_be_charged(charger, pack, words):
    with pytest.raises(InputError, match=words):
        charging_time_min(but(PACK, **pack), but(CHARGER, **charger))
    assert not CHARGER.problems(PACK)


def test_a_single_cell_needs_no_balancing():
    assert Charger(cells=1, current_a=1, balances=False).problems(Pack(cells=1, capacity_ah=1)) == []


def test_cells_that_agree_to_five_hundredths_pass():
    assert but(PACK, cell_v=(3.90, 3.85, 3.87)).cell_problems() == []
    # The sum of these looks healthy, 10.2 V; one of them is below its limit.
    assert sum((3.7, 3.7, 2.8)) == pytest.approx(10.2)
    (problem,) = but(PACK, cell_v=(3.7, 3.7, 2.8)).cell_problems()
    assert "do not charge it" in problem and "balance" not in problem  # which would be to charge it
    with pytest.raises(InputError, match="like the others: cell 3 is at 2.80 V"):
        running_time_min(but(PACK, cell_v=(3.7, 3.7, 2.8)), 10)


def test_every_answer_about_charging_has_the_cautions():
    caution = charging_time_min(PACK, CHARGER).caution
    for words in (
        "balance charger made for this pack",
        "fire-safe",
        "never unattended",
        "damaged",
        "data sheet",
        "local codes",
    ):
        assert words in caution


def test_cold_takes_its_share_and_more_cold_takes_more():
    warm, cool, cold = (float(running_time_min(but(PACK, temperature_c=t), 20)) for t in (20, 10, 0))
    assert cool / warm == pytest.approx(0.9) and cold / warm == pytest.approx(0.8)
    assert float(running_time_min(but(PACK, temperature_c=40), 20)) == warm
    for temperature in (-21, 61):
        with pytest.raises(InputError, match="-20 to 60 °C"):
            running_time_min(but(PACK, temperature_c=temperature), 20)


def test_the_peak_counts_where_the_voltage_is_lowest():
    # 44 A at 3 · 3.4 V are 448.8 W.
    running_time_min(PACK, 20, peak_w=448)
    with pytest.raises(InputError, match=r"peak current, 44\.1 A at 3\.4 V a cell, it may give 44\.0 A"):
        running_time_min(PACK, 20, peak_w=450)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: but(PACK, cells=0), "cells must be"),
        (lambda: but(PACK, cells=2.5), "cells must be a whole number"),
        (lambda: but(PACK, capacity_ah=-1), "capacity_ah must be from 0 to 200"),
        (lambda: but(PACK, capacity_ah=2200), "capacity_ah must be from 0 to 200, got 2200; give Ah: 1000 mAh"),
        (lambda: but(PACK, empty_v=12.6), "those of one cell, not of the pack"),
        (lambda: but(PACK, cell_v=(3.9, 3.9)), "cell_v must be 3 voltages"),
        (lambda: but(PACK, cell_v=11.7), "cell_v must be 3 voltages"),
        (lambda: but(PACK, cell_v=(3.9, 3.9, float("nan"))), "cell_v must be"),
        (lambda: running_time_min(PACK, 0), "power_w must be"),
        (lambda: running_time_min(PACK, 20, peak_w=10), "peak_w must be"),
        (lambda: running_time_min(PACK, 20, depth_of_discharge=1.1), "depth_of_discharge must be"),
        (lambda: but(CHARGER, current_a=0), "the charger's current_a must be"),
        (lambda: but(CHARGER, balances="yes"), "balances must be True or False"),
    ],
)
def test_what_is_refused(make, words):
    with pytest.raises(InputError, match=words):
        make()
