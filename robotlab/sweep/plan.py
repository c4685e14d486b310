"""The plan of a sweep: a small TOML file.

::

    name = "gain against latency"
    runs = "fast"                # fast: bearing, distance, noise; rendered: pictures and a detector
    design = "crossed"           # every value with every other; or latin_hypercube, sobol

    [fixed]
    walk = "weave"

    [vary]
    turn_gain = [0.5, 1.0, 2.0]                          # these values
    latency_s = { from = 0.05, to = 0.5, steps = 10 }    # evenly spaced; drawn designs may leave steps out
    seed = [0, 1, 2, 3, 4]

Drawn designs (``latin_hypercube``, ``sobol``) also say how many ``samples``
and from which ``design_seed``.  ``duration_s`` shortens the walks.
``[detectors.NAME]`` gives a detector of fast runs its ``miss_rate``,
``edge_noise_px`` and ``smallest_px``, ``[detectors.NAME.LIGHTING]`` other ones
under that lighting; in rendered runs ``[detectors.NAME]`` has one key,
``file``.  A fast plan may add ``[rendered]`` with ``chosen``: so many of its
rows are also run with pictures, and the difference is stated.

``[cost]`` gives each value of one varied parameter a cost; the report shows it against following::

    [cost]
    hfov_deg = [1, 2, 3]                   # in the order of its values
    label = "price class of the camera"

``input_px = "Q"``: the network's estimated time on that core of ``robotlab.sweep.BOARDS``.
"""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from robotlab.checks import number, whole
from robotlab.errors import InputError, printable
from robotlab.files import open_plain, read_plain
from robotlab.sweep.parameters import PARAMETERS, checked_value
from robotlab.toml_file import parse_toml

# Plans have a few kB, trained files 2 to 30 MB (a choice, no source).
LARGEST_PLAN_BYTES, LARGEST_MODEL_BYTES = 2**20, 2**31
MOST_RUNS = 200_000  # a table of more rows is no longer looked through
DESIGNS = ("crossed", "latin_hypercube", "sobol")
BUILT_IN = ("color", "ground_truth")
NOISE = ("miss_rate", "edge_noise_px", "smallest_px")
_TABLES = ("fixed", "vary", "detectors", "rendered", "cost")
_KEYS = {"name", "runs", "design", "samples", "design_seed", "duration_s", *_TABLES}


@dataclass(frozen=True)
class Plan:
    """What is run: made by :func:`read_plan` or :func:`parse_plan`.

    Attributes
    ----------
    name : str
        Of the sweep.
    rendered : bool
        With pictures and a detector; else fast runs.
    design : str
        One of ``crossed``, ``latin_hypercube``, ``sobol``.
    samples, design_seed : int
        Of a drawn design.
    duration_s : float or None
        How long each run lasts; None: as long as its walk.
    fixed : dict
        Values that stay.
    vary : dict of str to list
        Values, or one ``(from, to)`` pair to draw between.
    detectors : dict
        Noise or file of each.
    chosen : int
        How many rows of a fast plan are also run with pictures.
    cost : tuple of (str, list of float, str) or None
        A parameter, the cost of each of its values, and the cost's name.
    text : str
        The plan as it was written.
    """

    name: str
    rendered: bool
    design: str
    samples: int
    design_seed: int
    duration_s: float | None
    fixed: dict[str, Any]
    vary: dict[str, Any]
    detectors: dict[str, dict[str, Any]]
    chosen: int
    cost: tuple[str, list[float], str] | None
    text: str
    _rows: list = field(default_factory=list, repr=False, compare=False)

    def rows(self) -> list[dict[str, Any]]:
        """A value of each parameter for every run, in the order of the table.

        Returns
        -------
        list of dict
            Crossed designs count like an odometer, the last parameter fastest.
        """
        usual = {name: parameter.usual for name, parameter in PARAMETERS.items()}
        if not self._rows:
            for values in self._combinations():
                row = {**usual, **self.fixed, **dict(zip(self.vary, values, strict=True))}
                if "input_px" not in self.vary and "input_px" not in self.fixed:
                    row["input_px"] = row["width_px"]
                if not self.rendered:
                    row |= self._noise(row)
                self._rows.append(row)
        return self._rows

    def _noise(self, row: Mapping[str, Any]) -> dict[str, float]:
        known = self.detectors.get(row["detector"], {})
        own = {**known, **known.get(row["lighting"], {})}
        # What the plan varies or fixes by name counts before what it says of a detector.
        return {name: own[name] for name in NOISE if name in own and name not in self.vary and name not in self.fixed}

    def _combinations(self) -> list[tuple]:
        if self.design == "crossed":
            return list(itertools.product(*self.vary.values()))
        from scipy.stats import qmc

        engine = qmc.LatinHypercube if self.design == "latin_hypercube" else qmc.Sobol
        drawn = engine(len(self.vary), rng=np.random.default_rng(self.design_seed)).random(self.samples)
        return [
            tuple(_drawn(name, values, share) for (name, values), share in zip(self.vary.items(), line, strict=True))
            for line in drawn.tolist()
        ]


def _drawn(name: str, values: Any, share: float) -> Any:
    if isinstance(values, list):
        return values[min(int(share * len(values)), len(values) - 1)]
    low, high = values
    value = low + share * (high - low)
    return round(value) if PARAMETERS[name].whole else round(value, 6)


def read_plan(path: str | os.PathLike) -> Plan:
    """Read a plan.

    Parameters
    ----------
    path : path-like
        A TOML file.

    Returns
    -------
    Plan
        Checked.

    Raises
    ------
    InputError
        If the file or anything in it is not as a plan must be.

    Examples
    --------
    >>> read_plan("nowhere.toml")
    Traceback (most recent call last):
    robotlab.errors.InputError: a plan must exist to be read, nowhere.toml does not; check its name and folder
    """
    content = read_plain(path, LARGEST_PLAN_BYTES, "a plan")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"a plan must be text in UTF-8, {path} is not; save it as UTF-8") from None
    return parse_plan(text, str(path), Path(path).parent)


def parse_plan(text: str, name: str = "the plan", folder: str | os.PathLike = ".") -> Plan:
    """Parse the text of a plan.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        How messages call it.
    folder : path-like
        Where the files that it names lie.

    Returns
    -------
    Plan
        Checked.

    Raises
    ------
    InputError
        If anything is not as a plan must be.

    Examples
    --------
    >>> plan = parse_plan('[vary]\\nturn_gain = [1.0, 2.0]\\nseed = [0, 1, 2]')
    >>> len(plan.rows()), plan.rows()[1]["seed"]
    (6, 1)
    """
    name = printable(name)
    given = parse_toml(text, name)
    unknown = sorted(set(given) - _KEYS)
    if unknown:
        raise InputError(
            f"{name} must have only the keys {', '.join(sorted(_KEYS))}, it has {', '.join(unknown)}; check the spelling"
        )
    kind, design = given.get("runs", "fast"), given.get("design", "crossed")
    if kind not in ("fast", "rendered"):
        raise InputError(f"{name}: runs must be fast or rendered, got {kind}; choose one")
    if design not in DESIGNS:
        raise InputError(f"{name}: design must be one of {', '.join(DESIGNS)}, got {design}; choose one")
    for key in _TABLES:
        if not isinstance(given.get(key, {}), dict):
            raise InputError(
                f"{name}: {key} must be a table, got {type(given[key]).__name__}; write [{key}] above its lines"
            )
    rendered = kind == "rendered"
    detectors = {
        key: _detector(f"{name}: detectors.{key}", value, rendered, Path(folder))
        for key, value in given.get("detectors", {}).items()
    }
    names = (*BUILT_IN, *detectors)
    try:
        fixed = {key: checked_value(key, value, names) for key, value in given.get("fixed", {}).items()}
        vary = {key: _values(key, value, names, design) for key, value in given.get("vary", {}).items()}
    except InputError as problem:
        raise InputError(f"{name}: {problem}") from None
    both = sorted(set(fixed) & set(vary))
    if both or not vary:
        what = f"{', '.join(both)} stands in both" if both else "[vary] is empty"
        raise InputError(f"{name}: a parameter must be fixed or varied, and something must vary; {what}; say which")
    chosen = given.get("rendered", {})
    if rendered or chosen:
        _must_show(name, rendered, vary, fixed)
    if not rendered:
        _must_matter(name, vary, fixed, detectors)
    samples = whole(given.get("samples", 0 if design == "crossed" else 64), f"{name}: samples", 0)
    if (design == "crossed") != (samples == 0):
        raise InputError(
            f"{name}: samples must be given for drawn designs and only for them, design is {design}; correct one of them"
        )
    count = samples or math.prod(len(values) for values in vary.values())
    if count > MOST_RUNS:
        raise InputError(
            f"{name}: a plan must have at most {MOST_RUNS} runs, this one has {count:.3g}; vary less, or draw samples"
        )
    if design == "sobol" and samples & (samples - 1):
        raise InputError(
            f"{name}: samples of a sobol design must be a power of 2, which keeps it balanced, got {samples}; "
            f"take {2 ** samples.bit_length()}"
        )
    duration = given.get("duration_s")
    if set(chosen) - {"chosen"} or (chosen and rendered):
        raise InputError(f"{name}: [rendered] must hold chosen alone, in a plan of fast runs; remove the rest")
    return Plan(
        printable(str(given.get("name", "sweep"))[:200]),
        rendered,
        design,
        samples,
        whole(given.get("design_seed", 0), f"{name}: design_seed"),
        None if duration is None else number(duration, f"{name}: duration_s", 0.5, 3600),
        fixed,
        vary,
        detectors,
        min(whole(chosen.get("chosen", 0), f"{name}: chosen"), count),
        _cost(name, given.get("cost", {}), vary),
        text,
    )


def _cost(name: str, given: Mapping[str, Any], vary: Mapping[str, Any]) -> tuple[str, list[float], str] | None:
    if not given:
        return None
    from robotlab.sweep.parts import BOARDS, network_s

    label = given.get("label", "network time, ms")
    of = [key for key in given if key != "label"]
    if len(of) != 1 or not isinstance(vary.get(of[0]), list) or not isinstance(label, str):
        raise InputError(
            f"{name}: [cost] must hold one parameter that varies over listed values, and a label; write hfov_deg = [1, 2], say"
        )
    values, cost = vary[of[0]], given[of[0]]
    if of[0] == "input_px" and isinstance(cost, str) and cost in BOARDS:
        times = [1000 * network_s(BOARDS[cost], width, round(width * 3 / 4)) for width in values]
        return of[0], times, printable(label)
    if not isinstance(cost, list) or len(cost) != len(values):
        raise InputError(
            f"{name}: cost of {of[0]} must be a list of {len(values)} numbers, one for each value, got {printable(str(cost))[:80]}; "
            f"for input_px it may be one of the cores {', '.join(BOARDS)}"
        )
    return of[0], [number(one, f"{name}: cost of {of[0]}", 0) for one in cost], printable(label)


def _must_show(name: str, rendered: bool, vary: Mapping[str, Any], fixed: Mapping[str, Any]) -> None:
    """Runs with pictures have a real detector, which makes its own errors."""
    noise = [one for one in NOISE if one in vary or (rendered and one in fixed)]
    if noise:
        raise InputError(
            f"{name}: {noise[0]} must be left out of runs with pictures, where the detector makes its own errors; "
            f"remove {noise[0]}, or {'set runs to fast' if rendered else '[rendered]'}"
        )
    numbers = [one for one in vary.get("detector", [fixed.get("detector", BUILT_IN[0])]) if one not in BUILT_IN]
    if numbers and not rendered:
        raise InputError(
            f"{name}: runs that are chosen for pictures must have a detector that can look at them, "
            f"{printable(numbers[0])} is numbers alone; take {' or '.join(BUILT_IN)}, or remove [rendered]"
        )


def _must_matter(
    name: str, vary: Mapping[str, Any], fixed: Mapping[str, Any], detectors: Mapping[str, Mapping]
) -> None:
    """Fast runs have no pictures: a detector is only its numbers."""
    used = vary.get("detector", [fixed.get("detector")])
    unknown = [one for one in used if one not in detectors]
    if "detector" in vary and unknown:
        raise InputError(
            f"{name}: detectors of fast runs must have their numbers, {printable(', '.join(unknown))} has none; "
            f"write [detectors.{printable(unknown[0])}], or set runs to rendered"
        )
    if "lighting" in vary and not any(set(detectors.get(one, {})) & set(vary["lighting"]) for one in used):
        raise InputError(
            f"{name}: lighting must change something, in fast runs it does not; "
            "write [detectors.NAME.LIGHTING] with its numbers, or set runs to rendered"
        )


def _detector(where: str, value: Any, rendered: bool, folder: Path) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise InputError(f"{printable(where)} must be a table, got {type(value).__name__}; write it in brackets")
    if rendered:
        if set(value) != {"file"} or not isinstance(value["file"], str):
            raise InputError(f"{printable(where)} must have one key, file, in rendered runs; name the model's file")
        file = os.path.abspath(folder / value["file"])
        with open_plain(file, LARGEST_MODEL_BYTES, f"{printable(where)}: a model"):
            return {"file": file}  # it is there now, not only after an hour of other runs
    lightings = PARAMETERS["lighting"].words
    out: dict[str, Any] = {}
    for key, entry in value.items():
        if key in lightings and isinstance(entry, dict):
            out[key] = _detector(f"{where}.{key}", entry, False, folder)
        elif key in NOISE:
            out[key] = checked_value(key, entry, ())
        else:
            raise InputError(
                f"{printable(where)} must hold {', '.join(NOISE)} or a lighting's table, got {printable(key)}; check the spelling"
            )
    return out


def _values(name: str, value: Any, detectors: tuple[str, ...], design: str) -> Any:
    """Values of a varied parameter: a list, or a pair to draw between."""
    if isinstance(value, Sequence) and not isinstance(value, str):
        values = [checked_value(name, one, detectors) for one in value]
        if not values or len(set(values)) < len(values):
            raise InputError(
                f"{name} must vary over different values, at least one, got {printable(str(value))[:80]}; list each once"
            )
        return values
    checked_value(name, PARAMETERS[name].usual if name in PARAMETERS else None, (*detectors,))
    ends = isinstance(value, dict) and {"from", "to"} <= set(value) <= {"from", "to", "steps"}
    if not ends or PARAMETERS[name].words:
        raise InputError(
            f"{name} must be a list, or {{ from = .., to = .., steps = .. }} for a number, got {printable(str(value))[:80]}; write one of them"
        )
    low, high = (checked_value(name, value[end], ()) for end in ("from", "to"))
    if not low < high:
        raise InputError(f"{name} must go from the smaller to the larger, got {low} to {high}; exchange them")
    if "steps" not in value:
        if design == "crossed":
            raise InputError(f"{name} must say its steps in a crossed design, it does not; add steps = 5, say")
        return (low, high)
    steps = whole(value["steps"], f"steps of {name}", 2)
    if steps > MOST_RUNS:
        raise InputError(f"{name} must have at most {MOST_RUNS} steps, got {steps}; choose fewer")
    spaced = np.linspace(low, high, steps).tolist()
    spaced = [int(round(v)) if PARAMETERS[name].whole else round(float(v), 9) for v in spaced]
    if len(set(spaced)) < steps:
        raise InputError(
            f"{name} must have {steps} different values from {low} to {high}, some are equal; take fewer steps"
        )
    return spaced
