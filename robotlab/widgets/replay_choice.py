"""Two runs side by side, chosen by the learner: which walk, which detectors."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from typing import Any

import traitlets

from robotlab.errors import InputError
from robotlab.loop import Run, replay_pair_html, share_on_target
from robotlab.loop.replay import replay_html
from robotlab.widgets.kit import AnsweringWidget, browser_code


class ReplayChoice(AnsweringWidget):
    """Lists to choose a walk and two detectors from, and their runs replayed in step.

    Parameters
    ----------
    run_of : callable
        Takes the name of a walk and of a detector, gives their
        :class:`~robotlab.loop.Run`.  Each is asked for once and kept.
    walks : sequence of str
        What can be walked; the first is shown at the start.
    detectors : sequence of str
        Two or more, in the order in which they stand side by side; the first
        two are shown at the start.

    Raises
    ------
    InputError
        If there is no walk, or fewer than two detectors, or a name comes twice.

    Examples
    --------
    >>> from robotlab.face_off import simulate_walk
    >>> from robotlab.loop import GroundTruthDetector
    >>> camera_thread = {"sharp": GroundTruthDetector(), "dim": GroundTruthDetector(smallest_px=70)}
    >>> show = ReplayChoice(lambda walk, name: simulate_walk(camera_thread[name], walk, pictures=False, duration_s=2, progress=False), ["weave"], list(camera_thread))
    >>> show.text
    'weave. sharp: on the post in 95 % of the pictures, distance 0.21 m off. dim: on the post in 95 % of the pictures, distance 0.21 m off.'
    """

    _esm = browser_code("replay")

    page = traitlets.Unicode().tag(sync=True)
    lists: traitlets.List = traitlets.List().tag(sync=True)

    def __init__(self, run_of: Callable[[str, str], Run], walks: Sequence[str], detectors: Sequence[str]) -> None:
        walks, detectors = list(walks), list(detectors)
        for what, names, least in (("walks", walks, 1), ("detectors", detectors, 2)):
            if len(set(names)) < len(names) or len(names) < least:
                raise InputError(f"{what} must be {least} or more different names, got {names}; name each once")
        self._run_of = functools.cache(run_of)
        words = (("walk", "walk", walks), ("left", "on the left", detectors), ("right", "on the right", detectors))
        super().__init__(
            {"values": {"walk": walks[0], "left": detectors[0], "right": detectors[1]}},
            lists=[{"name": name, "label": label, "options": options} for name, label, options in words],
        )

    def _seen(self, asked: dict[str, Any]) -> dict[str, Any]:
        values = asked["values"]
        walk, names = values["walk"], (values["left"], values["right"])
        runs = {name: self._run_of(walk, name) for name in names}
        text = f"{walk}."
        for name, run in runs.items():
            share, off = share_on_target(run), run.scores()["distance_error_m"]
            text += f" {name}: on the post in {100 * share:.0f} % of the pictures, distance {off:.2f} m off."
        left, right = (runs[name] for name in names)
        if names[0] == names[1]:
            page = replay_html(left, f"Walk {walk}, {names[0]}")
        else:
            page = replay_pair_html(left, right, names, f"Walk {walk}")
        alt = f"Replay of {walk}: {' beside '.join(runs)}, from above and as the camera saw it."
        return {"page": page, "alt": alt, "text": text}

    def __repr__(self) -> str:
        return f"Two replays to choose. Now: {self.text}"
