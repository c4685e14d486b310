"""An evaluation as a table for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

from robotlab.metrics.error_analysis import ERROR_KINDS

if TYPE_CHECKING:
    from robotlab.metrics.evaluation import Evaluation


def number(value: float | None, digits: int = 3) -> str:
    """A number between 0 and 1 as tables print it.

    Parameters
    ----------
    value : float or None
        None and -1 (nothing to be found) print as a dash.
    digits : int
        After the point.

    Returns
    -------
    str
        Without the leading 0.

    Examples
    --------
    >>> number(0.5), number(None), number(1.0)
    ('.500', '-', '1.000')
    """
    if value is None or value < 0:
        return "-"
    text = f"{value:.{digits}f}"
    return text[1:] if text.startswith("0") else text


def interval(bounds: list[float] | None) -> str:
    """Bounds as tables print them.

    Parameters
    ----------
    bounds : list of float or None
        Low and high.

    Returns
    -------
    str
        Empty without bounds.

    Examples
    --------
    >>> interval([0.25, 0.5])
    '.25 to .50'
    """
    return "" if bounds is None else f"{number(bounds[0], 2)} to {number(bounds[1], 2)}"


def step_label(row: dict, unit: str) -> str:
    """The name of a step of size or distance, as tables print it.

    Parameters
    ----------
    row : dict
        One of :attr:`~robotlab.metrics.Evaluation.recall_by_size`, or of the
        values of :attr:`~robotlab.metrics.Evaluation.per_distance`.
    unit : {"px", "m"}
        Of the step.

    Returns
    -------
    str
        From and to.

    Examples
    --------
    >>> step_label({"from_px": 8.0, "to_px": 12.0}, "px"), step_label({"from_m": 8.0, "to_m": None}, "m")
    ('8-12 px', '8 m and more')
    """
    low, high = row[f"from_{unit}"], row[f"to_{unit}"]
    return f"{low:g} {unit} and more" if high is None else f"{low:g}-{high:g} {unit}"


def _rows(title: str, rows: Iterable[tuple[str, dict]]) -> list[str]:
    lines = [f"{title:<21}{'objects':>8}{'AP':>7}{'AP50':>7}{'precision':>11}{'recall':>8}  95 % of recall"]
    for name, row in rows:
        lines.append(
            f"  {str(name)[:19]:<20}{row['truths']:>7}{number(row.get('AP')):>7}{number(row.get('AP50')):>7}"
            f"{number(row.get('precision')):>11}{number(row['recall']):>8}  {interval(row['recall_interval'])}".rstrip()
        )
    return lines


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 77, initial_indent="  ", subsequent_indent="  ")


def evaluation_text(evaluation: Evaluation) -> str:
    """The table of an evaluation.

    Parameters
    ----------
    evaluation : Evaluation
        What was found.

    Returns
    -------
    str
        Several lines.
    """
    at, spread = evaluation.at, evaluation.intervals
    objects, found = int(evaluation.counted.sum()), len(evaluation.found)
    lines = [f"{evaluation.name}: {evaluation.pictures} pictures, {objects} objects, {found} detections", ""]
    for key in ("AP", "AP50"):
        bounds = f"   95 %: {interval(spread[key])}" if spread[key] else ""
        lines.append(f"  {key:<5}{number(evaluation.coco[key]):>6}{bounds}")
    lines += [*_wrapped(f"({spread['note']})"), ""]
    if evaluation.score is not None:
        lines.append(f"at confidence threshold {evaluation.score:.3g} (IoU .5):")
        if evaluation.best_f1_here:
            lines.append("  (the threshold with the best F1 on these pictures: optimistic)")
        for key in ("precision", "recall"):
            lines.append(f"  {key:<10}{number(at[key]):>6}   95 %: {interval(at[f'{key}_interval'])}")
        lines.append(f"  {'F1':<10}{number(at['F1']):>6}")
        kinds = ", ".join(f"{evaluation.errors[kind]} {kind}" for kind in ERROR_KINDS[1:])
        lines += _wrapped(f"{at['TP']} TP, {at['FP']} FP ({kinds}), {at['FN']} FN")
        lines.append("")
    lines += _rows("class", evaluation.per_class.items())
    for title, rows in (("lighting", evaluation.per_lighting), ("recording", evaluation.per_recording)):
        if len(rows) > 1:
            lines += ["", *_rows(title, rows.items())]
    sizes = [(step_label(row, "px"), row) for row in evaluation.recall_by_size if row["truths"]]
    for title, steps in (("size (root of area)", sizes), ("distance", list(evaluation.per_distance.items()))):
        if steps:
            lines += ["", *_rows(title, steps)]
    return "\n".join(lines)
