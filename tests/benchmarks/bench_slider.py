"""From moving a slider to the new picture on the page, in a real JupyterLab in Chromium."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from timing import Missing, Timed

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "browser"))

# Quicker than this a picture seems to follow the hand (Card, Moran & Newell, The
# Psychology of Human-Computer Interaction, 1983; from memory).
AIM_S = 0.1


def rows() -> list[dict]:
    """Each kind of picture alone: nothing else does the same."""
    import measure_slider

    measured = measure_slider.measure()
    if not measured:
        raise Missing("chromium")
    return [
        Timed(np.array(times) / 1000, np.array([]), 1).row(f"slider to picture, {name}", None, aim_s=AIM_S)
        for name, times in measured.items()
    ]
