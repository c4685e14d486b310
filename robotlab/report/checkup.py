"""The report of a data set's check-up, with pictures."""

from __future__ import annotations

from collections.abc import Sequence
from shlex import quote

import numpy as np

from robotlab.data import DataSet, DataSetReport, LabeledImage, contact_sheet
from robotlab.data.check import TINY_PX
from robotlab.data.drawing import PALETTE, draw_boxes, picture_sheet
from robotlab.gather import Agreement, SizeCheck, Suspect
from robotlab.report.page import Report
from robotlab.report.plots import new_figure

# Pictures shown of each kind; all are listed by id.
_SHOWN = 12
_CELL_PX = 220
_LABEL, _FOUND = (255, 255, 255), PALETTE[0]


def checkup_page(
    report: DataSetReport,
    data: DataSet,
    *,
    folder: str,
    sizes: SizeCheck | None = None,
    band_m: tuple[float, float] | None = None,
    suspects: Sequence[Suspect] | None = None,
    why_no_suspects: str = "",
    agreement: Agreement | None = None,
) -> Report:
    """Everything that a check-up found, on one page.

    Parameters
    ----------
    report : DataSetReport
        From :func:`robotlab.data.check_dataset`.
    data : DataSet
        What could be opened.
    folder : str
        The data set as the reader names it, for commands.
    sizes : SizeCheck, optional
        From :func:`robotlab.gather.check_sizes`.
    band_m : (float, float), optional
        The camera's working range, m.
    suspects : sequence of Suspect, optional
        From :func:`robotlab.gather.suspect_labels`.
    why_no_suspects : str
        Why there are none to show.
    agreement : Agreement, optional
        From :func:`robotlab.gather.label_agreement`.

    Returns
    -------
    Report
        The page.
    """
    page = Report(f"Check-up of {folder}")
    page.heading("What to do")
    for problem in report.problems:
        page.text(problem, "caution")
    for note in [*report.notes, *(sizes.notes() if sizes else ())]:
        page.text(note, "note")
    if not (report.problems or report.notes):
        page.text("Nothing to correct.")
    _counts(page, report, sizes, band_m)
    _suspects(page, suspects, why_no_suspects, folder)
    _duplicates(page, data, report.facts.get("duplicates_across", ()))
    empty = [entry for entry in data if not len(entry) and not entry.waits_for_labels]
    _pictures(page, data, "Pictures without boxes", empty, folder, "Right if nothing is in view; else label them.")
    tiny = [entry for entry in data if _smallest(entry) < TINY_PX]
    _pictures(page, data, "Tiny boxes", tiny, folder, f"A side under {TINY_PX} px: mark them ignore, or go closer.")
    if agreement is not None:
        _agreement(page, data, agreement, folder)
    page.heading("Contact sheet")
    page.picture(contact_sheet(data, 48, 6, 170), "Pictures spread over the set, with their boxes.", kind="jpg")
    return page


def _counts(page: Report, report: DataSetReport, sizes: SizeCheck | None, band_m: tuple[float, float] | None) -> None:
    facts = report.facts
    page.heading("What is in it")
    rows = [(name, part["pictures"], part["boxes"]) for name, part in facts["recordings"].items()]
    page.table(("recording", "pictures", "boxes"), rows)
    page.table(("class", "boxes that count"), facts["boxes_per_class"].items())
    if not facts["boxes"]:
        return
    page.heading("Sizes and places")
    figure, axes = new_figure(columns=2, height_in=2.6)
    left, right = axes[0]
    if sizes is not None and len(sizes.smaller_sides_px):
        left.hist(sizes.smaller_sides_px.clip(1, 500), bins=np.geomspace(1, 500, 28), color="#0072b2")
        left.axvline(sizes.least_px, color="#d55e00", linestyle="--")
        left.set_xscale("log")
    left.set_xlabel("smaller side as the network sees it, px")
    left.set_ylabel("boxes")
    places = np.array(facts["positions"])
    right.imshow(places, cmap="Greys", vmin=0)
    for (row, column), count in np.ndenumerate(places):
        dark = count > places.max() / 2
        right.text(column, row, str(count), ha="center", va="center", color="white" if dark else "black")
    right.set(xticks=[], yticks=[], xlabel="boxes by third of the picture")
    alt = "Left: histogram of box sizes. Right: boxes in each ninth of the picture."
    page.figure(figure, alt, "Dashed: what the network can use.")
    if sizes is not None and len(sizes.distances_m) and band_m is not None:
        inside = int(((sizes.distances_m >= band_m[0]) & (sizes.distances_m <= band_m[1])).sum())
        page.text(
            f"By the heights of their boxes the objects stand {sizes.distances_m.min():.2f} to {sizes.distances_m.max():.2f} m away; "
            f"{inside} of {len(sizes.distances_m)} are within the camera's working range of {band_m[0]:.2f} to {band_m[1]:.2f} m."
        )


def _suspects(page: Report, suspects: Sequence[Suspect] | None, why: str, folder: str) -> None:
    page.heading("Labels to look at again")
    if suspects is None:
        page.text(why or "Not looked for.")
        return
    page.text(
        "A detector that has never seen a recording disagrees with these labels. Not each is a mistake: look. "
        "White is the label, orange what the detector finds."
    )
    if not suspects:
        page.text("There are none.")
        return
    page.begin_row()
    for suspect in suspects[:_SHOWN]:
        boxes = [box for box in (suspect.box, suspect.found) if box is not None]
        colors = [color for box, color in ((suspect.box, _LABEL), (suspect.found, _FOUND)) if box is not None]
        words = f"Picture {suspect.entry.id} ({suspect.entry.name}): {suspect.words}."
        page.picture(_around(suspect.entry, boxes, colors), words, words, width_px=260, kind="jpg")
    page.end_row()
    page.text(f"To correct them: {_command(folder, [suspect.entry for suspect in suspects])}")


def _duplicates(page: Report, data: DataSet, pairs: Sequence[Sequence]) -> None:
    if not pairs:
        return
    page.heading("Near-duplicates across recordings")
    page.text("Keep such recordings on one side of a split: a test on one would be a test on what was learned.")
    known = {entry.id: entry for entry in data}
    pictures, captions = [], []
    for first, second, bits in pairs[: _SHOWN // 2]:
        for entry in (known[first], known[second]):
            pictures.append(data.load(entry))
            captions.append(f"{entry.id} · {entry.recording} · {bits} bits")
    page.picture(picture_sheet(pictures, captions, _CELL_PX, 4), "Pairs of pictures that look alike.", kind="jpg")


def _pictures(page: Report, data: DataSet, title: str, entries: list[LabeledImage], folder: str, words: str) -> None:
    if not entries or not data.classes:
        return
    page.heading(f"{title}: {len(entries)}")
    page.text(words)
    page.picture(contact_sheet(data.having(entries), _SHOWN, 6, 170), f"{title}, with their boxes.", kind="jpg")
    page.text(f"To look at them: {_command(folder, entries)}")


def _agreement(page: Report, data: DataSet, agreement: Agreement, folder: str) -> None:
    page.heading("Two people's labels")
    page.text(agreement.text())
    page.begin_row()
    for _, mine, theirs in agreement.worst[: _SHOWN // 2]:
        boxes = [*mine.boxes, *theirs.boxes]
        colors = [_LABEL] * len(mine) + [_FOUND] * len(theirs)
        words = f"Picture {mine.id} ({mine.name}): white the first, orange the second."
        page.picture(draw_boxes(data.load(mine), np.reshape(boxes, (-1, 4)), colors), words, words, 320, "jpg")
    page.end_row()
    if agreement.worst:
        page.text(f"To talk them over: {_command(folder, [mine for _, mine, _ in agreement.worst])}")


def _around(entry: LabeledImage, boxes: list[np.ndarray], colors: list) -> np.ndarray:
    """The part of a picture around some boxes, magnified where it is small."""
    from robotlab.image import load, resize

    picture = load(entry.path)
    corners = np.array(boxes)
    low, high = corners[:, :2].min(axis=0), corners[:, 2:].max(axis=0)
    side = float(max(*(high - low) * 1.8, 64))
    limit = np.array([entry.width_px, entry.height_px])
    first = np.floor(((low + high - side) / 2).clip(0, np.maximum(limit - side, 0))).astype(int)
    last = np.minimum(np.ceil(first + side).astype(int), limit)
    part = np.ascontiguousarray(picture[first[1] : last[1], first[0] : last[0]])
    scale = _CELL_PX / part.shape[1]
    part = resize(part, (_CELL_PX, max(1, round(part.shape[0] * scale))), "area" if scale < 1 else "linear")
    return draw_boxes(part, (corners - np.tile(first, 2)) * scale, colors)


def _smallest(entry: LabeledImage) -> float:
    counted = entry.boxes[entry.counted]
    return float((counted[:, 2:] - counted[:, :2]).min(initial=np.inf))


def _command(folder: str, entries: list[LabeledImage]) -> str:
    ids = ",".join(dict.fromkeys(str(entry.id) for entry in entries[:100]))
    return f"`robotlab label {quote(folder)} --pictures {quote(ids)}`"
