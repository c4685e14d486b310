"""Pages on runs: one drive, or the same pictures and walks for two detectors."""

from __future__ import annotations

from collections.abc import Mapping

from robotlab.errors import some
from robotlab.face_off import FaceOff, walk_named, walk_sentence
from robotlab.loop import Run, replay_pair_html
from robotlab.loop.replay import replay_html
from robotlab.report.judged import curves_figure, group_table, groups_figure, numbers_table, pictures_part, shown_ap
from robotlab.report.page import Report, text_table

SAFETY_NOTE = (
    "Before a real trolley drives: wheels off the ground first, a hand on the power switch, a clear floor, slow limits, people and "
    "pets out of reach. A stop by software is not a safety function (IEC 60204-1, ISO 13850); follow the maker's data sheet and "
    "local rules."
)
# What each score of a run is called on a page.
RUN_LABELS = {
    "time_in_view": "post in view, fraction of time",
    "time_following": "following, fraction of time",
    "bearing_error_rad": "bearing error, rms, rad",
    "distance_error_m": "distance error, rms, m",
    "closest_m": "nearest to the post, m",
    "end_distance_m": "distance at the end, m",
    "losses": "losses",
    "recoveries": "recoveries",
    "contacts": "contacts",
    "peak_accel_mps2": "peak acceleration, m/s²",
    "peak_jerk_mps3": "peak jerk, m/s³",
    "energy_j": "energy at the wheels, J",
    "path_length_m": "distance driven, m",
}


def _score_rows(runs: Mapping[str, Run]) -> list[tuple]:
    """Scores of the runs, one row a score."""
    scores = [run.scores() for run in runs.values()]
    rows = [(words, *(score[key] for score in scores)) for key, words in RUN_LABELS.items()]
    # A real drive does not know most of them.
    return [row for row in rows if not all(value != value for value in row[1:])]


def runs_table(page: Report, runs: Mapping[str, Run]) -> None:
    """Scores of several runs, one column a run.

    Parameters
    ----------
    page : Report
        Where to add it.
    runs : mapping of str to Run
        By detector, or by what was changed.
    """
    page.table(("score of the run", *runs), _score_rows(runs))


def face_off_text(outcome: FaceOff) -> str:
    """A face-off for the terminal.

    Parameters
    ----------
    outcome : FaceOff
        From :func:`robotlab.face_off.face_off`.

    Returns
    -------
    str
        Tables and conclusions.
    """
    times = outcome.milliseconds()
    rows = [
        (name, shown_ap(j.AP), shown_ap(j.AP50), j.at["precision"], j.at["recall"], times[name])
        for name, j in outcome.evaluations.items()
    ]
    numbers = text_table(("detector", "AP", "AP50", "precision", "recall", "ms"), rows)
    walks = (text_table((f"walk {walk}", *runs), _score_rows(runs)) for walk, runs in outcome.runs.items())
    return "\n\n".join([numbers, *walks, *outcome.sentences()])


def face_off_part(page: Report, outcome: FaceOff) -> None:
    """Pictures judged side by side.

    Parameters
    ----------
    page : Report
        Where to add it.
    outcome : FaceOff
        The numbers.
    """
    evaluations = outcome.evaluations
    numbers_table(page, evaluations)
    times = outcome.milliseconds()
    page.text(outcome.comparison.sentence, "note")
    page.text("Median time of one picture: " + ", ".join(f"{name} {ms:.1f} ms" for name, ms in times.items()) + ".")
    curves_figure(page, evaluations)
    groups_figure(page, evaluations)
    group_table(page, evaluations, "per_class", "class")
    found = {name: found.detections for name, found in outcome.found.items()}
    pictures_part(page, outcome.data, found, evaluations, 4)


def walks_part(page: Report, outcome: FaceOff) -> None:
    """Walks side by side, each with its replay.

    Parameters
    ----------
    page : Report
        Where to add it.
    outcome : FaceOff
        The runs.
    """
    for walk, runs in outcome.runs.items():
        page.text(f"Walk {walk}: {walk_named(walk)[0].about}")
        first, second = runs.values()
        page.raw(replay_pair_html(first, second, tuple(runs), f"Walk {walk}"))
        runs_table(page, runs)
        page.text(walk_sentence(walk, runs), "note")


def face_off_page(outcome: FaceOff) -> Report:
    """The report of a face-off.

    Parameters
    ----------
    outcome : FaceOff
        From :func:`robotlab.face_off.face_off`.

    Returns
    -------
    Report
        Save it with :meth:`~robotlab.report.page.Report.save`.
    """
    page = Report(" against ".join(outcome.evaluations))
    page.text(
        f"Both detectors {outcome.note}. Judged on {len(outcome.data)} pictures: {some(outcome.data.recordings)}."
    )
    page.heading("The same pictures")
    face_off_part(page, outcome)
    if outcome.runs:
        page.heading("The same walks")
        page.text("Simulated, in the rendered greenhouse: the same walk, the same noise, the same trolley.")
        walks_part(page, outcome)
    return page


def drive_page(run: Run, name: str) -> Report:
    """The report of one run.

    Parameters
    ----------
    run : Run
        The run.
    name : str
        The detector.

    Returns
    -------
    Report
        With the replay.
    """
    if run.real:
        page = Report(f"{name} follows: a drive")
        page.text("From the log of a drive: what the camera saw, what was found and commanded.")
    else:
        page = Report(f"{name} follows: {run.facts['walk']}, {run.facts['lighting']}")
        page.text("Simulated, in the rendered greenhouse.")
    page.raw(replay_html(run, title=name))
    runs_table(page, {name: run})
    page.text(SAFETY_NOTE, "caution")
    return page
