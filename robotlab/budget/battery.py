"""Batteries: how long they last, what their cells may do, and which charger is theirs.

Lithium cells burn when they are charged wrongly.  The maker's data sheet comes
before every number here, and local codes and licensed practice before all of
them; IEC 62133-2 and UN 38.3 are the standards that makers test against.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from robotlab.budget.answer import Answer
from robotlab.checks import number, whole
from robotlab.control.checked_fields import CheckedFields, checked, limited, required
from robotlab.errors import InputError

CHARGING_CAUTION = (
    "Charge with a balance charger made for this pack, the balance lead connected, in a fire-safe place, never unattended; "
    "never a pack that is swollen, damaged, cold, or below its maker's lowest voltage. The maker's data sheet, local codes and licensed practice come first"
)
# Cells of one pack at rest agree within this, V (common practice, no source).
MOST_SPREAD_V = 0.05
# What most data sheets of lithium cells allow, degrees C (from memory): discharge, charge.
DISCHARGE_C, CHARGE_C = (-20.0, 60.0), (0.0, 45.0)
# No small robot has a larger pack, Ah; a number beyond is one of mAh (common practice, no source).
_MOST_AH = 200.0
# Share of the capacity that is left in the cold, by degrees C (common practice, no source).
_COLD_C, _COLD_SHARE = (-20.0, 0.0, 20.0), (0.5, 0.8, 1.0)

# A field for what stands on the pack or in its data sheet: volts of a cell, or capacities an hour.
_data_sheet_number = partial(limited, low=0, high=1e4, open_low=True, repair="read it off the pack or its data sheet")


@dataclass(frozen=True, kw_only=True)
class Pack(CheckedFields):
    """A battery of cells in series.

    Parameters
    ----------
    cells : int
        How many in series.
    capacity_ah : float
        Printed capacity, Ah.
    full_v, nominal_v, empty_v : float
        Of one cell: charged, printed, and the lowest that its maker allows, V.
        The usual ones of lithium-polymer are 4.20, 3.7 and 3.0 (common practice, no source).
    stop_v : float
        Of one cell under load: where the robot stops, above `empty_v` (3.4: common practice, no source).
    discharge_c, charge_c : float
        Largest currents as printed, in capacities an hour: a pack of 5 Ah at 25 C gives 125 A.
    cell_v : tuple of float, optional
        Measured now, at rest, one for each cell, V.
    temperature_c : float
        Of the pack, degrees C.

    Raises
    ------
    InputError
        If a number is out of range, or the voltages are not in order.

    Examples
    --------
    >>> pack = Pack(cells=3, capacity_ah=2.2)
    >>> [round(pack.cells * volt, 1) for volt in (pack.full_v, pack.nominal_v, pack.empty_v)]
    [12.6, 11.1, 9.0]
    >>> Pack(cells=1, capacity_ah=5, discharge_c=25).max_current_a
    125.0
    """

    cells: int = required(whole, low=1)
    capacity_ah: float = required(
        low=0, high=_MOST_AH, open_low=True, repair="give Ah: 1000 mAh, as on the label, are 1"
    )
    full_v: float = _data_sheet_number(4.20)
    nominal_v: float = _data_sheet_number(3.7)
    empty_v: float = _data_sheet_number(3.0)
    stop_v: float = _data_sheet_number(3.4)
    discharge_c: float = _data_sheet_number(10.0)
    charge_c: float = _data_sheet_number(1.0)
    cell_v: tuple[float, ...] | None = None
    temperature_c: float = limited(20.0, low=-100, high=200, repair="give degrees Celsius")

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.empty_v <= self.stop_v <= self.nominal_v < self.full_v:
            raise InputError(
                f"a cell's voltages must rise from empty_v over stop_v and nominal_v to full_v, got {self.empty_v:g}, {self.stop_v:g}, "
                f"{self.nominal_v:g} and {self.full_v:g}; give those of one cell, not of the pack"
            )
        if self.cell_v is not None:
            try:
                seen = tuple(
                    number(one, "cell_v", 0, 100, repair="measure each cell at the balance lead") for one in self.cell_v
                )
            except TypeError:
                seen = ()
            if len(seen) != self.cells:
                raise InputError(
                    f"cell_v must be {self.cells} voltages, one for each cell, got {len(seen)}; measure each cell at the balance lead"
                )
            object.__setattr__(self, "cell_v", seen)

    @property
    def max_current_a(self) -> float:
        """Largest current that it may give, A: C rate times capacity."""
        return self.discharge_c * self.capacity_ah

    def cell_problems(self) -> list[str]:
        """What is wrong with its cells.

        Returns
        -------
        list of str
            Empty where nothing is, or nothing was measured.

        Examples
        --------
        >>> Pack(cells=3, capacity_ah=2.2, cell_v=(3.7, 3.7, 2.8)).cell_problems()[0]
        'cell 3 is at 2.80 V, below the lowest that is allowed, 3.00 V: it may be damaged; do not charge it, ask its maker or a battery collection point'
        """
        if self.cell_v is None:
            return []
        problems = []
        for place, volt in enumerate(self.cell_v, start=1):
            if volt < self.empty_v:
                problems.append(
                    f"cell {place} is at {volt:.2f} V, below the lowest that is allowed, {self.empty_v:.2f} V: it may be damaged; "
                    "do not charge it, ask its maker or a battery collection point"
                )
            if volt > self.full_v + MOST_SPREAD_V:
                problems.append(
                    f"cell {place} is at {volt:.2f} V, above full, {self.full_v:.2f} V: it is overcharged and may burn; do not use it, keep away, follow its maker's instructions"
                )
        spread = max(self.cell_v) - min(self.cell_v)
        # A volt's last digit is not a difference: meters show hundredths. A pack with a damaged cell is not to be balanced.
        if spread > MOST_SPREAD_V + 1e-9 and not problems:
            problems.append(
                f"its cells differ by {spread:.2f} V, more than {MOST_SPREAD_V:.2f} V: the lowest is emptied below its limit and the highest overcharged; "
                "do not drive or charge it as it is; balance it with the charger made for it, and give it up if they drift apart again"
            )
        return problems


def running_time_min(
    pack: Pack, power_w: float, peak_w: float | None = None, depth_of_discharge: float = 0.8
) -> Answer:
    """How long a pack runs a robot.

    Parameters
    ----------
    pack : Pack
        The pack.
    power_w : float
        Mean power of computer, camera and motors, taken from the pack, W.
    peak_w : float, optional
        Largest power, when all motors start or stall; `power_w` when left out.
    depth_of_discharge : float
        Fraction of the capacity that is used.

    Returns
    -------
    Answer
        Minutes: ``60 Ah D c / I``, with ``D`` the depth of discharge, ``c`` what the
        cold leaves of the capacity (1 when warm), and ``I = P / (cells nominal_v)``.

    Raises
    ------
    InputError
        If cells differ or are out of their limits, the pack is too hot or too
        cold, or the peak current is more than it may give.

    Examples
    --------
    >>> print(running_time_min(Pack(cells=3, capacity_ah=2.2), power_w=22.2))
    52.8 min (80 % of 2.2 Ah is used, 2.00 A on average at 11.1 V, 20 °C). Stop at 10.2 V under load, or as soon as one cell reaches 3.40 V
    """
    mean = number(power_w, "power_w", 0, 1e5, open_low=True, repair="measure current times voltage")
    peak = mean if peak_w is None else number(peak_w, "peak_w", mean, 1e5, repair="it is at least the mean power")
    used = number(depth_of_discharge, "depth_of_discharge", 0, 1, open_low=True)
    refuse_cells(pack)
    low, high = DISCHARGE_C
    if not low <= pack.temperature_c <= high:
        raise InputError(
            f"a lithium pack must be from {low:g} to {high:g} °C to be used (from memory; see its data sheet), got {pack.temperature_c:g}; let it get to room temperature"
        )
    volt = pack.cells * pack.nominal_v
    # The peak current is largest where the voltage is lowest.
    most = peak / (pack.cells * pack.stop_v)
    if most > pack.max_current_a:
        raise InputError(
            f"the pack must give the peak current, {most:.1f} A at {pack.stop_v:g} V a cell, it may give {pack.max_current_a:.1f} A ({pack.discharge_c:g} C of {pack.capacity_ah:g} Ah); "
            "limit the motors' current, or take a pack with a higher C rate"
        )
    cold = float(np.interp(pack.temperature_c, _COLD_C, _COLD_SHARE))
    chill = f", of which the cold leaves {100 * cold:.0f} % (common practice, no source)" if cold < 1 else ""
    minutes = 60 * pack.capacity_ah * used * cold / (mean / volt)
    return Answer(
        minutes,
        "min",
        f"{100 * used:.0f} % of {pack.capacity_ah:g} Ah is used{chill}, {mean / volt:.2f} A on average at {volt:.1f} V, {pack.temperature_c:g} °C",
        f"Stop at {pack.cells * pack.stop_v:.1f} V under load, or as soon as one cell reaches {pack.stop_v:.2f} V",
    )


def refuse_cells(pack: Pack) -> None:
    """Raise an error where a pack's cells differ or are out of their limits.

    Parameters
    ----------
    pack : Pack
        The pack.

    Raises
    ------
    InputError
        With the first reason.

    Examples
    --------
    >>> refuse_cells(Pack(cells=2, capacity_ah=1, cell_v=(3.80, 3.84)))
    """
    problems = pack.cell_problems()
    if problems:
        raise InputError(f"each cell of the pack must be within its limits and like the others: {problems[0]}")


def _of_charger(value: float, name: str, most: float) -> float:
    return number(value, f"the charger's {name}", 0, most, open_low=True, repair="read it off the charger")


@dataclass(frozen=True, kw_only=True)
class Charger(CheckedFields):
    """A charger.

    Parameters
    ----------
    cells : int
        Most cells in series that it serves.
    current_a : float
        Charging current, A.
    balances : bool
        Whether it watches each cell through the balance lead.
    full_v : float
        Voltage to which it charges one cell, V.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> Charger(cells=2, current_a=1.0).problems(Pack(cells=3, capacity_ah=2.2))[0]
    'the charger serves 2 cells, the pack has 3: 1 would be charged by nobody, so the pack gets unbalanced, and an unbalanced one is emptied and overcharged cell by cell until it burns; take a balance charger made for 3 cells'
    """

    cells: int = required(lambda value, name: whole(value, f"the charger's {name}", 1))
    current_a: float = required(_of_charger, most=1e3)
    balances: bool = True
    full_v: float = checked(partial(_of_charger, most=1e2), 4.20)

    def __post_init__(self) -> None:
        super().__post_init__()
        if not isinstance(self.balances, bool):
            raise InputError(
                f"balances must be True or False, got {self.balances!r:.60}; see whether the charger has a balance socket"
            )

    def problems(self, pack: Pack) -> list[str]:
        """Why a pack must not be charged with it.

        Parameters
        ----------
        pack : Pack
            The pack.

        Returns
        -------
        list of str
            Empty where nothing speaks against it.
        """
        wrong = []
        if self.cells < pack.cells:
            wrong.append(
                f"the charger serves {self.cells} cells, the pack has {pack.cells}: {pack.cells - self.cells} would be charged by nobody, so the pack gets unbalanced, "
                f"and an unbalanced one is emptied and overcharged cell by cell until it burns; take a balance charger made for {pack.cells} cells"
            )
        if not self.balances and pack.cells > 1:
            wrong.append(
                f"the charger does not balance: it sees the sum of {pack.cells} cells and not the one that is already full; take a balance charger"
            )
        if self.full_v > pack.full_v + 1e-9:
            wrong.append(
                f"the charger charges a cell to {self.full_v:.2f} V, the pack's are full at {pack.full_v:.2f} V: they would be overcharged; set it to this kind of cell, or take another"
            )
        most = pack.charge_c * pack.capacity_ah
        if self.current_a > most + 1e-9:
            wrong.append(
                f"the charger gives {self.current_a:g} A, the pack takes at most {most:g} A ({pack.charge_c:g} C of {pack.capacity_ah:g} Ah); set a smaller current"
            )
        low, high = CHARGE_C
        if not low <= pack.temperature_c <= high:
            wrong.append(
                f"the pack is at {pack.temperature_c:g} °C, to be charged it must be from {low:g} to {high:g} °C (from memory; see its data sheet); let it get to room temperature"
            )
        return wrong + pack.cell_problems()


# The last part of a charge, at a constant voltage, takes its time: so much more than charge over current (common practice, no source).
_CHARGING_FACTOR = 1.3


def charging_time_min(pack: Pack, charger: Charger, depth_of_discharge: float = 0.8) -> Answer:
    """How long a charger takes, if it may be used with this pack at all.

    Parameters
    ----------
    pack : Pack
        The pack.
    charger : Charger
        The charger.
    depth_of_discharge : float
        Fraction of the capacity that has been used, and is put back.

    Returns
    -------
    Answer
        Minutes, with the cautions.

    Raises
    ------
    InputError
        With the reason, if the charger serves fewer cells than the pack has,
        does not balance, or charges too high or too fast; if the pack's cells
        differ or are out of their limits, or it is too cold or too hot.

    Examples
    --------
    >>> answer = charging_time_min(Pack(cells=3, capacity_ah=2.2), Charger(cells=3, current_a=2.2))
    >>> round(float(answer), 1), "never unattended" in answer.caution
    (62.4, True)
    """
    wrong = charger.problems(pack)
    if wrong:
        raise InputError(f"a pack must be charged by a charger made for it: {wrong[0]}")
    put = number(depth_of_discharge, "depth_of_discharge", 0, 1, open_low=True)
    return Answer(
        60 * _CHARGING_FACTOR * put * pack.capacity_ah / charger.current_a,
        "min",
        f"{100 * put:.0f} % of {pack.capacity_ah:g} Ah at {charger.current_a:g} A, and 30 % more for the slow end (common practice, no source)",
        CHARGING_CAUTION,
    )
