"""Pages on the design sheet: limits predicted, and measured beside."""

from __future__ import annotations

import numpy as np

from robotlab.design_sheet import DesignSheet
from robotlab.report.page import Report
from robotlab.report.plots import new_figure, plot_bands
from robotlab.report.runs import SAFETY_NOTE


def _sheet_cells(sheet: DesignSheet) -> list[tuple]:
    """One row a figure: predicted, measured, how far apart."""
    rows = []
    for row in sheet.rows:
        gap = row.difference_percent
        apart = None if gap is None else f"{gap:+.1f} %" if abs(gap) >= 0.05 else "0.0 %"
        rows.append((f"{row.name}, {row.unit}", row.predicted, row.measured, apart))
    return rows


def design_sheet_part(page: Report, sheet: DesignSheet) -> None:
    """A design sheet on a page that has other things too.

    Parameters
    ----------
    page : Report
        Where to add it.
    sheet : DesignSheet
        Its figures.
    """
    seen = "Predicted only."
    if sheet.detector:
        seen = f"Measured with {sheet.detector}, {sheet.lighting}, in simulation with rendered pictures."
    page.table(("limit", "predicted", "measured", "apart"), _sheet_cells(sheet), seen)
    figure, axes = new_figure(height_in=2.0)
    plot_bands(axes[0, 0], {sheet.robot.name: sheet})
    near, far = sheet["near"], sheet["far"]
    page.figure(
        figure,
        f"A bar from {near.predicted:.2f} to {far.predicted:.2f} m, the predicted working range, with the measured ends and the distance kept.",
        "Bar: working range as predicted. Line: as measured. Diamond: the distance kept; dotted, toward the target: how far it still drives when the target is lost at top speed.",
    )
    for sentence in sheet.sentences():
        page.text(sentence, "note")


def design_sheet_page(sheet: DesignSheet) -> Report:
    """The report of a design sheet.

    Parameters
    ----------
    sheet : DesignSheet
        From :func:`robotlab.design_sheet.measure`.

    Returns
    -------
    Report
        With its facts, figures, formulas and sources.
    """
    robot, camera, s = sheet.robot, sheet.robot.camera, sheet.robot.settings
    page = Report(f"Design sheet: {robot.name}")
    page.heading("The facts")
    page.table(
        ("fact", "value"),
        [
            ("picture, px", f"{camera.width_px} × {camera.height_px}"),
            ("field of view, °", f"{np.degrees(camera.hfov_rad):.1f} × {np.degrees(camera.vfov_rad):.1f}"),
            ("height of the lens, m; looking down, °", f"{camera.height_m:.2f}; {np.degrees(camera.pitch_rad):.1f}"),
            ("target, height × width, m", f"{s.target_height_m:.2f} × {s.target_width_m:.2f}"),
            ("smallest usable height for the detector, px", f"{robot.smallest_px:.1f}"),
            ("pictures a second; delay; detector, s", f"{s.frame_hz:g}; {s.delay_s:.3f}; {s.detector_s:.3f}"),
            ("reaction time when the target is lost, s", f"{robot.reaction_s:.3f}"),
            (
                "top speed, m/s; acceleration, m/s²; motor lag, s",
                f"{robot.top_mps:.2f}; {s.max_accel_mps2:.2f}; {s.motor.lag_s:.2f}",
            ),
            ("distance kept, m", f"{s.following_distance_m:.2f}"),
        ],
    )
    page.heading("The limits")
    design_sheet_part(page, sheet)
    page.heading("How they were found")
    for row in sheet.rows:
        page.text(f"{row.name[0].upper()}{row.name[1:]}: {row.formula}. Source: {row.source}. Measured: {row.how}.")
    page.text(SAFETY_NOTE + " Measure every limit again on the floor where the robot will run.", "caution")
    return page
