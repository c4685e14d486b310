"""Replay of a run: plan view beside camera view, in one self-contained HTML file."""

from __future__ import annotations

import base64
import hashlib
import html
import itertools
import json
import math
from collections.abc import Sequence
from importlib.resources import files

import numpy as np

from robotlab.errors import InputError
from robotlab.greenhouse.scene import KINDS
from robotlab.loop.decide import STATES
from robotlab.loop.records import rounded
from robotlab.loop.run import Run

# Pictures are thinned until all of them take less than this, so that a
# notebook with a few replays still opens quickly.
_PICTURES_BYTES = 2_500_000
# Plan and numbers move smoothly to the eye from about this rate.
_SHOWN_HZ = 12.5
# What lies further than this from both ways is left out of the plan, m.
_AROUND_M = 1.3
_NUMBERS = itertools.count(1)
# A box that is so many times as large as the post's is of something else; a wrong box in fewer of the pictures than that
# is not worth a word (both tried on the course's walks).
_LARGER, _SELDOM = 4.0, 0.02


def share_on_target(run: Run) -> float:
    """Fraction of the pictures in which the box that was followed is the post's.

    Parameters
    ----------
    run : Run
        A simulated run: the ground truth is known.

    Returns
    -------
    float
        0 to 1: its middle lies in the true box, and it is at most four times
        as large.  This is not ``time_following``, which counts any box that was
        believed.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, simulate
    >>> from robotlab.greenhouse import WALKS
    >>> share_on_target(simulate(GroundTruthDetector(), WALKS["straight"], duration_s=2, pictures=False)) > 0.9
    True
    """
    return float(_on_post(run).mean()) if len(run.boxes) else 0.0


def _on_post(run: Run) -> np.ndarray:
    """(F,) whether the middle of the followed box lies on the post and the box is not much larger; NaN for none fails both."""
    box, true = run.boxes, run.truths
    middle = (box[:, :2] + box[:, 2:]) / 2
    inside = ((middle >= true[:, :2]) & (middle <= true[:, 2:])).all(axis=1)
    return inside & ((box[:, 2:] - box[:, :2]).prod(axis=1) <= _LARGER * (true[:, 2:] - true[:, :2]).prod(axis=1))


def summary(run: Run) -> str:
    """The run in one sentence.

    Parameters
    ----------
    run : Run
        Any run.

    Returns
    -------
    str
        Plain text.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, simulate
    >>> from robotlab.greenhouse import WALKS
    >>> summary(simulate(GroundTruthDetector(), WALKS["straight"], duration_s=2, pictures=False))[:40]
    'The post was in view in 100 % of the pic'
    """
    scores, keep = run.scores(), run.settings.following_distance_m
    if run.real:
        seen = np.mean(~np.isnan(run.boxes[:, 0])) if len(run.boxes) else 0.0
        return (
            f"The target was followed in {100 * seen:.0f} % of the pictures and given up {scores['losses']} times. "
            "Where the robot was, nobody knows: distances are those that the boxes say."
        )
    right = _on_post(run)
    wrong = np.mean(~right & ~np.isnan(run.boxes[:, 0])) if len(right) else 0.0
    times = "lost it once" if scores["losses"] == 1 else f"lost it {scores['losses']} times"
    if not right.any():
        times = "never found it"
    elif not scores["losses"]:
        times = "never lost it" if wrong < _SELDOM else "gave up at no time"
    if wrong >= _SELDOM:
        times += f", followed something else in {100 * wrong:.0f} % of the pictures"
    touched = sorted({what for _, what in run.contacts()})
    # The post and the walls are known; of the other things there are many.
    named = [f"the {what}" if what in ("post", "wall") else f"a {what}" for what in touched]
    end = f"touched {' and '.join(named)}" if named else "touched nothing"
    return (
        f"The post was in view in {100 * scores['time_in_view']:.0f} % of the pictures; the distance was {scores['distance_error_m']:.2f} m "
        f"off the wanted {keep:g} m (root mean square); the trolley {times} and {end}."
    )


def replay_html(run: Run, title: str = "Replay") -> str:
    """A replay as one piece of HTML.

    Parameters
    ----------
    run : Run
        Any run.
    title : str
        Its heading.

    Returns
    -------
    str
        HTML with its own style, script and pictures: put it on any page, or
        show it in a notebook with ``IPython.display.HTML``.  It needs no
        network, and several fit on one page.  Keys: space plays and pauses,
        arrows move by 0.2 s, page keys by 2 s.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, simulate
    >>> from robotlab.greenhouse import WALKS
    >>> run = simulate(GroundTruthDetector(), WALKS["straight"], duration_s=2, pictures=False)
    >>> "<button" in replay_html(run, title="Straight on")
    True
    """
    return _page([run], [""], title)


def replay_pair_html(
    run_a: Run, run_b: Run, names: Sequence[str] = ("A", "B"), title: str = "Two runs side by side"
) -> str:
    """Two replays on one clock.

    Parameters
    ----------
    run_a, run_b : Run
        Any two runs.
    names : sequence of two str
        What each is called.
    title : str
        The heading.

    Returns
    -------
    str
        HTML as from :func:`replay_html`.

    Raises
    ------
    InputError
        If there are not two names.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, simulate
    >>> from robotlab.greenhouse import WALKS
    >>> run = simulate(GroundTruthDetector(), WALKS["straight"], duration_s=2, pictures=False)
    >>> replay_pair_html(run, run, ("one", "two")).count("<canvas")
    2
    """
    if len(names) != 2:
        raise InputError(
            f"names must be two, one for each run, got {len(names)}; pass for instance ('color', 'detector')"
        )
    return _page([run_a, run_b], list(names), title)


def _page(runs: list[Run], names: list[str], title: str) -> str:
    # One piece of floor for all, so that their plans have one scale and stand level.
    views = np.array([plan_view(run) for run in runs if not run.real] or np.zeros((1, 4)))
    view = [*views[:, :2].min(axis=0).tolist(), *views[:, 2:].max(axis=0).tolist()]
    data = {
        "end": max(float(run.t_s[-1]) for run in runs),
        "runs": [_data(run, _PICTURES_BYTES // len(runs)) | {"view": view} for run in runs],
    }
    simulated = "" if any(run.real for run in runs) else " Simulated, with rendered pictures: no robot moved."
    # "<" must not end the script early, whatever a text holds.
    text = json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
    key = f"{hashlib.sha256(text.encode()).hexdigest()[:12]}-{next(_NUMBERS)}"
    here = files("robotlab.loop")
    style, script = ((here / name).read_text(encoding="utf-8") for name in ("replay.css", "replay.js"))
    return (
        f'<section class="robotlab-replay" data-key="{key}" data-lm-suppress-shortcuts="true" tabindex="0" role="group" '
        f'aria-label="Replay: {html.escape(title)}"><style>{style}</style><h3>{html.escape(title)}</h3>'
        f'<div class="runs">{"".join(_pane(run, name) for run, name in zip(runs, names, strict=True))}</div>'
        '<div class="bar"><button type="button">Play</button>'
        f'<input type="range" min="0" max="{data["end"]:.3f}" step="any" value="0" aria-label="Time in seconds">'
        '<span class="clock"></span><select aria-label="Speed of the replay"><option value="0.5">half speed</option>'
        '<option value="1" selected>real time</option><option value="2">2 × faster</option><option value="4">4 × faster</option></select></div>'
        f'<p class="keys">Space plays and pauses; arrow keys move by 0.2 s.{simulated}</p>'
        f'<script type="application/json" class="data">{text}</script><script>{script}("{key}");</script></section>'
    )


def _pane(run: Run, name: str) -> str:
    said = html.escape(summary(run))
    facts = run.facts
    walked = "a real drive" if run.real else f"walk {facts['walk']}, lighting {facts['lighting']}"
    where = html.escape(f"{walked}, detector {facts['detector']}")
    squeezed = ""
    if run.settings.detector_px is not None:
        squeezed = f" The picture is squeezed to {run.settings.detector_px[0]}×{run.settings.detector_px[1]} px, as the detector sees it."
    heading = f"<h4>{html.escape(name)}</h4>" if name else ""
    truth = "" if run.real else ", where the post really is (light blue, dashed)"
    plan = (
        ""
        if run.real
        else f'<figure class="plan"><svg role="img" aria-label="Plan of the greenhouse from above, with trolley, post and things. {said}"></svg>'
        "<figcaption>From above: the trolley (blue) with what its camera can see, the post (orange) and its path (dashed).</figcaption></figure>"
    )
    return (
        f'<div class="run">{heading}<p>{said} ({where})</p><div class="views">{plan}'
        f'<figure class="eye"><canvas role="img" aria-label="What the camera sees. {said}"></canvas>'
        f"<figcaption>From the trolley: the box that is followed (yellow), others found (pink, dotted){truth}.{squeezed}</figcaption></figure>"
        '</div><p class="now"></p>'
        '<svg class="chart" role="img" aria-label="Distance to the post over time; the dashed line is the distance to keep; the strip below shows the state."></svg>'
        '<p class="keys">Distance to the post over time, m. Dashed: the distance to keep. Strip: green follows, brown holds the last command, pink slows down or searches, red has stopped.</p></div>'
    )


def thin_pictures(run: Run, budget_bytes: int) -> list[int]:
    """Which pictures to show, so that they fit.

    Parameters
    ----------
    run : Run
        A run with pictures.
    budget_bytes : int
        Room for all of them, in base64.

    Returns
    -------
    list of int
        Numbers of pictures, evenly spread.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, simulate
    >>> from robotlab.greenhouse import WALKS
    >>> run = simulate(GroundTruthDetector(), WALKS["straight"], duration_s=1, pictures=False)
    >>> thin_pictures(run, 1000)
    []
    """
    kept = sorted(run.pictures)
    every = 1
    # Base64 writes three bytes as four characters.
    while sum(len(run.pictures[i]) for i in kept[::every]) * 4 / 3 > budget_bytes and every < len(kept):
        every += 1
    return kept[::every]


def _data(run: Run, budget: int) -> dict:
    if run.real:
        return _real_data(run, budget)
    step = max(1, round(1 / _SHOWN_HZ / float(run.facts["tick_s"])))
    rows = list(range(0, len(run.t_s), step))
    if rows[-1] != len(run.t_s) - 1:
        rows.append(len(run.t_s) - 1)
    bearings, distances, speeds = np.degrees(run.true_bearings_rad), run.true_distances_m, run.speeds_mps
    ticks = [
        [
            *rounded([run.t_s[k], *run.pose[k]]),
            int(run.states[k]),
            *rounded([*run.post_m[k], distances[k]]),
            round(float(bearings[k]), 1),
            round(float(speeds[k]), 3),
        ]
        for k in rows
    ]
    return {
        "ticks": ticks,
        "room": run.facts["room"],
        "path": run.facts["path_half_m"],
        "things": [_thing(thing) for thing in run.facts["things"]],
    } | _seen(run, budget)


def _real_data(run: Run, budget: int) -> dict:
    """What a real drive can show: no plan, and distances as the boxes say."""
    rows = np.flatnonzero(np.diff(np.floor(run.t_s * _SHOWN_HZ), prepend=-1.0))
    last = np.searchsorted(run.picture_t_s, run.t_s[rows], side="right") - 1
    speeds = run.settings.drive.twist(*run.commands_mps[rows].T)[0]

    def said(values: np.ndarray, place: int, digits: int) -> float | None:
        return None if place < 0 or np.isnan(values[place]) else round(float(values[place]), digits)

    ticks = [
        [
            *(round(float(run.t_s[k]), 3), 0, 0, 0, int(run.states[k]), 0, 0),
            *(said(run.distances_m, i, 3), said(np.degrees(run.bearings_rad), i, 1), round(float(v), 3)),
        ]
        for k, i, v in zip(rows, last, speeds, strict=True)
    ]
    return {"ticks": ticks, "real": True} | _seen(run, budget)


def _seen(run: Run, budget: int) -> dict:
    """Pictures and boxes."""
    chosen = thin_pictures(run, budget)
    frames = []
    for place, i in enumerate(chosen or range(len(run.picture_t_s))):
        others = [
            list(np.round(row[:4], 1)) for row in run.found[i] if not np.allclose(row[:4], run.boxes[i], atol=0.01)
        ]
        frames.append(
            {
                "t": round(float(run.picture_t_s[i]), 3),
                "picture": place if chosen else -1,
                "truth": _box(run.truths[i]),
                "box": _box(run.boxes[i]),
                "others": others,
            }
        )
    return {
        "frames": frames,
        "pictures": [base64.b64encode(run.pictures[i]).decode() for i in chosen],
        "states": STATES,
        "size": [run.camera.width_px, run.camera.height_px],
        "hfov": run.camera.hfov_rad,
        "keep": run.settings.following_distance_m,
        "radius": run.settings.radius_m,
    }


def plan_view(run: Run) -> list[float]:
    """What part of the floor the plan shows.

    Parameters
    ----------
    run : Run
        Any run.

    Returns
    -------
    list of four float
        Least x, least y, most x, most y, m: both ways with room around.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector, simulate
    >>> from robotlab.greenhouse import WALKS
    >>> plan_view(simulate(GroundTruthDetector(), WALKS["straight"], duration_s=1, pictures=False))[0]
    -1.3
    """
    ways = np.concatenate([run.pose[:, :2], run.post_m])
    low, high = ways.min(axis=0) - _AROUND_M, ways.max(axis=0) + _AROUND_M
    # At least 4 m high: a narrow strip shows little of what stands beside it.
    missing = max(0.0, 4.0 - (high[1] - low[1])) / 2
    low[1], high[1] = low[1] - missing, high[1] + missing
    x0, y0, x1, y1 = run.facts["room"]
    edge = 0.1
    low, high = np.maximum(low, [x0 - edge, y0 - edge]), np.minimum(high, [x1 + edge, y1 + edge])
    return rounded([*low, *high])


def _thing(thing: dict) -> dict:
    a, b, _ = thing["size"]
    color = "#{:02x}{:02x}{:02x}".format(*KINDS[thing["kind"]].color) if thing["kind"] in KINDS else "#888888"
    box = thing["shape"] == "box"
    size = a if box else (a / 2 if thing["shape"] == "plant" else max(a, b))
    return {
        "name": thing["kind"],
        "x": thing["x"],
        "y": thing["y"],
        "turn": round(math.degrees(thing["heading"]), 1),
        "box": box,
        "a": round(size, 3),
        "b": round(b, 3),
        "soft": thing["shape"] == "plant",
        "color": color,
    }


def _box(box: np.ndarray) -> list[float] | None:
    return None if np.isnan(box).any() else rounded(box, 1)
