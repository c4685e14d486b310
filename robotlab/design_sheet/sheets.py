"""The sheet: predicted limits of a robot, beside the measured ones."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from robotlab.checks import whole
from robotlab.control.stability import GAIN_MARGIN
from robotlab.design_sheet.measure_motion import measure_safe_speed, measure_stop_m, measure_ultimate_gain
from robotlab.design_sheet.measure_vision import FARTHEST_M, NEAREST_M, measure_band, measure_smallest_object_m
from robotlab.design_sheet.predictions import (
    Robot,
    predict_band,
    predict_safe_speed,
    predict_smallest_object_m,
    predict_stop_m,
    predict_ultimate_gain,
)
from robotlab.design_sheet.rows import LINES, Row
from robotlab.detections import Detections, Detector
from robotlab.errors import InputError
from robotlab.loop import GroundTruthDetector

# Ends of the distances tried, with the tolerance of the band: outside of them a limit need not show.
_SHOWS_M = (1.1 * NEAREST_M, FARTHEST_M / 1.1)


@dataclass(frozen=True)
class DesignSheet:
    """Predicted limits of a robot beside measured ones.

    Attributes
    ----------
    robot : Robot
        The facts.
    detector : str
        What looked; empty when nothing was measured.
    lighting : str
        Under which lighting.
    object_at_m : float
        Distance of the smallest usable object.
    rows : tuple of Row
        The figures.
    """

    robot: Robot
    detector: str
    lighting: str
    object_at_m: float
    rows: tuple[Row, ...]

    def __getitem__(self, key: str) -> Row:
        for row in self.rows:
            if row.key == key:
                return row
        raise InputError(
            f"a row must be one of {', '.join(row.key for row in self.rows)}, got {key!r}; choose one of them"
        )

    def figures(self) -> dict[str, tuple[float, float | None]]:
        """Predicted and measured by key.

        Returns
        -------
        dict of str to (float, float or None)
            In the order of the rows.
        """
        return {row.key: (row.predicted, row.measured) for row in self.rows}

    def apart(self) -> list[Row]:
        """Rows whose two figures differ by more than they may.

        Returns
        -------
        list of Row
            Also rows of which the one figure is a limit and the other none;
            but where formula and pictures both say that no distance is
            usable, they agree.
        """
        if not self.detector:
            return []
        out = []
        for row in self.rows:
            gap = row.difference_percent
            # Where no limit was found none may be predicted, unless it lies where nothing was tried.
            missing = row.measured is None and _SHOWS_M[0] <= row.predicted <= _SHOWS_M[1] and not self._both_empty
            if row.within_percent is not None and (missing or (gap is not None and abs(gap) > row.within_percent)):
                out.append(row)
        return out

    def changed(self) -> dict[str, tuple[float, float]]:
        """Predictions that measured figures have changed.

        Returns
        -------
        dict of str to (float, float)
            By key: predicted with what was assumed, and with what was
            measured (:meth:`Robot.with_measured`).
        """
        if self.robot.assumed is None:
            return {}
        before = predict(self.robot.assumed).figures()
        return {
            row.key: (before[row.key][0], row.predicted) for row in self.rows if before[row.key][0] != row.predicted
        }

    def _changes_said(self) -> list[str]:
        """Which figures were measured otherwise than assumed, and what that changed."""
        if self.robot.assumed is None:
            return []
        inputs = ", ".join(f"{name} {old:.3g} → {new:.3g}" for name, (old, new) in self.robot.changes().items())
        if not inputs:
            return ["All that was measured is as it was assumed."]
        moved = self.changed()
        results = ", ".join(
            f"{row.name} {moved[row.key][0]:.3g} → {moved[row.key][1]:.3g} {row.unit}"
            for row in self.rows
            if row.key in moved
        )
        return [
            f"Measured in place of assumed: {inputs}. "
            + (f"That changed: {results}." if results else "That changes no figure here.")
        ]

    @property
    def _nowhere(self) -> bool:
        """Whether no distance was usable when measured."""
        return bool(self.detector) and self["near"].measured is None and self["far"].measured is None

    @property
    def _both_empty(self) -> bool:
        """Whether formula and pictures both say that no distance is usable."""
        return self._nowhere and self["near"].predicted >= self["far"].predicted

    def sentences(self) -> list[str]:
        """What follows for this robot, each with its numbers.

        Returns
        -------
        list of str
            Plain sentences; they use the measured figure where there is one,
            and the stricter of the two where both are.
        """
        kept_m, gain_now = self.robot.settings.following_distance_m, self.robot.settings.turn_gain

        def strict(key: str, choose: Callable[..., float]) -> float:
            row = self[key]
            return row.predicted if row.measured is None else choose(row.predicted, row.measured)

        near, far = strict("near", max), strict("far", min)
        said = self._changes_said()
        gain, speed, stop = strict("safe_gain", min), strict("safe_speed", min), strict("stop", max)
        if math.isinf(near):
            said.append(
                "No distance is usable: the target is never whole in the picture. Mount the camera otherwise, or take a wider lens."
            )
        elif near >= far:
            said.append(
                "No distance is usable: where the target is whole in the picture it is too small already. "
                "Mount the camera otherwise, or give the detector more pixels."
            )
        elif self._nowhere and near <= _SHOWS_M[1] and far >= _SHOWS_M[0]:
            said.append(
                f"By formula {near:.2f} to {far:.2f} m are usable, but in the pictures this detector was usable at no distance."
            )
        else:
            place, repair = ("in", "") if near <= kept_m <= far else ("outside", ": change one of them")
            said.append(
                f"The distance kept, {kept_m:.2f} m, lies {place} the working range, {near:.2f} to {far:.2f} m{repair}."
            )
        word, repair = ("at most", "") if gain_now <= gain else ("more than", ": lower it, or shorten the delay")
        said.append(f"The steering gain, {gain_now:.2f} 1/s, is {word} the largest safe one, {gain:.2f} 1/s{repair}.")
        top, free = self.robot.top_mps, self.robot.free_m
        if top <= speed:
            said.append(
                f"At its top speed, {top:.2f} m/s, it stops within {stop:.2f} m; {free:.2f} m are free before contact."
            )
        else:
            said.append(
                f"Its top speed, {top:.2f} m/s, is more than the largest safe one, {speed:.2f} m/s: it needs {stop:.2f} m to stop and has {free:.2f} m. "
                "Lower max_mps, or keep farther away."
            )
        if self.detector:
            apart = self.apart()
            if apart:
                names = ", ".join(row.name for row in apart)
                said.append(
                    f"Prediction and measurement disagree by more than they may: {names}. Trust the measurement, and look for the reason."
                )
            else:
                beyond = [
                    row.name for row in (self["near"], self["far"]) if row.measured is None and not self._both_empty
                ]
                band = "no distance is usable" if self._both_empty else "the working range within 10 %"
                if beyond:
                    band = f"the working range where it was measured, {NEAREST_M:g} to {FARTHEST_M:g} m, and there is no {' or '.join(beyond)} there"
                said.append(f"Prediction and measurement agree: {band}; the gain within 5 %, the stop within 15 %.")
        return said

    def to_json(self) -> dict[str, Any]:
        """The sheet as plain values.

        Returns
        -------
        dict
            ``robot``, ``detector``, ``lighting``, ``rows`` and ``conclusion``; what
            is infinite or was not measured is null.
        """
        robot = {"name": self.robot.name, "smallest_px": self.robot.smallest_px} | {
            part: asdict(getattr(self.robot, part)) for part in ("camera", "settings")
        }
        rows = [asdict(row) | {"difference_percent": row.difference_percent} for row in self.rows]
        for row in rows:
            for key, value in row.items():
                if isinstance(value, float) and not math.isfinite(value):
                    row[key] = None
        return {
            "robot": robot,
            "measured": self.robot.changes(),
            "detector": self.detector,
            "lighting": self.lighting,
            "rows": rows,
            "conclusion": self.sentences(),
        }


def predict(robot: Robot) -> DesignSheet:
    """The sheet by formula alone: in no time, and before anything is bought.

    Parameters
    ----------
    robot : Robot
        Its facts.

    Returns
    -------
    DesignSheet
        With nothing measured.

    Examples
    --------
    >>> from robotlab.loop import default_camera
    >>> sheet = predict(Robot(default_camera(), smallest_px=20))
    >>> round(sheet["far"].predicted, 2), sheet["far"].measured
    (6.63, None)
    """
    near, far = predict_band(robot)
    at = float(np.clip(robot.settings.following_distance_m, near, max(near, far)))
    gain = predict_ultimate_gain(robot)
    figures = {
        "near": near,
        "far": far,
        "object": predict_smallest_object_m(robot, at) if math.isfinite(at) else math.inf,
        "ultimate_gain": gain,
        "safe_gain": gain / GAIN_MARGIN,
        "stop": predict_stop_m(robot),
        "safe_speed": predict_safe_speed(robot),
    }
    return _sheet(robot, "", "", at, figures, {})


def measure(
    detector: Detector | GroundTruthDetector | Callable[[np.ndarray], Detections] | None,
    robot: Robot,
    *,
    lighting: str = "daylight",
    pictures: int = 24,
    seed: int = 0,
    name: str | None = None,
    tell: Callable[[str], None] = lambda words: None,
) -> DesignSheet:
    """The sheet with every figure predicted and measured.

    Parameters
    ----------
    detector : Detector, GroundTruthDetector, callable or None
        What looks; with ``None``, one that finds exactly what is at least
        `smallest_px` tall, so that geometry alone is on trial.
    robot : Robot
        Its facts.
    lighting : str
        Under which lighting the pictures are rendered.
    pictures : int
        Ten times as many are rendered at each limit; fewer are quicker and
        rougher.
    seed : int
        Of places, things and noise.
    name : str, optional
        What the sheet calls the detector.
    tell : callable
        Told what is measured next.

    Returns
    -------
    DesignSheet
        Predicted beside measured.

    Raises
    ------
    InputError
        If the target cannot be rendered, or there are no pictures.

    Notes
    -----
    Measured in simulation, on a flat floor, with rendered pictures.  On your
    own floor measure again: a slope, a wet patch or a worn tire make every
    stopping distance longer, and software is not a safety function.

    Examples
    --------
    >>> from robotlab.loop import default_camera
    >>> sheet = measure(None, Robot(default_camera(160, 120), smallest_px=12), pictures=3)
    >>> [row.key for row in sheet.apart()]
    []
    """
    pictures = whole(pictures, "pictures", 1)
    plan = predict(robot)
    said, looker = name or type(detector).__name__, detector
    if looker is None:
        said = name or "a detector that finds what is tall enough"
        looker = GroundTruthDetector(robot.smallest_px, least_visible=0.0, classes=(robot.settings.target,))
    usual: dict[str, Any] = {"lighting": lighting, "pictures": pictures, "seed": seed}
    measured: dict[str, float | None] = {}
    tell("the working range")
    measured["near"], measured["far"] = measure_band(looker, robot, **usual)
    if math.isfinite(plan.object_at_m):
        tell("the smallest usable object")
        measured["object"] = measure_smallest_object_m(looker, robot, plan.object_at_m, **usual)
    tell("the ultimate gain")
    measured["ultimate_gain"] = ultimate_gain = measure_ultimate_gain(robot)
    measured["safe_gain"] = ultimate_gain / GAIN_MARGIN
    tell("the stopping distance")
    measured["stop"] = measure_stop_m(robot)
    tell("the largest safe speed")
    measured["safe_speed"] = measure_safe_speed(robot)
    return _sheet(robot, said, lighting, plan.object_at_m, {row.key: row.predicted for row in plan.rows}, measured)


def _sheet(
    robot: Robot,
    detector: str,
    lighting: str,
    at_m: float,
    figures: Mapping[str, float],
    measured: Mapping[str, float | None],
) -> DesignSheet:
    rows = []
    for key, name, unit, within, *words in LINES:
        # Where no place is usable there is none to name.
        said = name.format(at=at_m) if math.isfinite(at_m) or "{at" not in name else name.partition(",")[0]
        seen = measured.get(key)
        rows.append(Row(key, said, unit, float(figures[key]), None if seen is None else float(seen), within, *words))
    return DesignSheet(robot, detector, lighting, at_m, tuple(rows))
