"""Time against AP: ``python instructor/measure_training_time.py`` reads two logs and draws ``training_time.png``.

``schedule_search.jsonl``: shorter schedules of fine-tuning beside the usual one
(``base1485``: 1485 steps of 5 windows of 240 px at a peak rate of .004), each judged on
training recordings kept apart, over seeds.  The name of a schedule says what differs:
``h742`` half the steps, ``h1200`` 1200, ``q500`` and ``q350`` 500 and 350; ``r5``, ``r6``, ``r8``, ``r25``
the peak rate in thousandths (.0025 the last); ``m99``, ``m998`` the memory of the weights'
average; ``w2``, ``w3``, ``w4`` windows in a step; ``s192``, ``s208`` their side;
``f1``, ``f2``, ``f4`` first convolutions frozen; ``any35`` more windows anywhere,
``scale25`` less change of scale.  ``quality.jsonl``: what ``measure_quality.py`` found.
"""

import json
import re
from pathlib import Path

import numpy as np

from robotlab.report.plots import COLORS, MARKERS, new_figure
from robotlab.sweep import mean_interval

FOLDER = Path(__file__).parent
USUAL, USUAL_STEPS = "base1485", 1485


def lines(name: str) -> list[dict]:
    """Lines of a log beside this file."""
    return [json.loads(line) for line in (FOLDER / name).read_text().splitlines()]


def differences(search: list[dict], schedule: str, which: tuple[str, ...]) -> list[float]:
    """AP of a schedule minus that of the usual one, in pairs of set and seed."""
    AP = {(e["schedule"], e["set"], e["seed"]): e["AP"] for e in search if e["set"] in which}
    return [
        value - AP[USUAL, place, seed]
        for (name, place, seed), value in AP.items()
        if name == schedule and (USUAL, place, seed) in AP
    ]


def main() -> None:
    """Print the intervals, draw."""
    search, quality = lines("schedule_search.jsonl"), lines("quality.jsonl")
    sets = tuple(sorted({e["set"] for e in search}))
    figure, ((left, right),) = new_figure(1, 2, 9.0, 3.6)
    for name in sorted({e["schedule"] for e in search} - {USUAL}):
        steps = int(re.search(r"(?:^h|^q|_)(\d{3,4})", name)[1])
        both = mean_interval(differences(search, name, sets))
        said = [f"{name:<14} both {both[0]:+.4f} ± {both[1]:.4f}"]
        for k, place in enumerate(sets):
            mean, half = mean_interval(differences(search, name, (place,)))
            said.append(f"{place} {mean:+.4f} ± {half:.4f}")
            left.plot(steps + 12 * k, mean, marker=MARKERS[k], color=COLORS[k], linestyle="")
        left.vlines(steps + 6, both[0] - both[1], both[0] + both[1], color="#999999", linewidth=1)
        print(", ".join(said))
    for k, place in enumerate(sets):
        left.plot([], [], marker=MARKERS[k], color=COLORS[k], linestyle="", label=place)
    left.axhline(0, color="black", linewidth=0.8)
    left.set(xlabel=f"steps (usual: {USUAL_STEPS})", ylabel="AP minus that of the usual schedule")
    left.set_title("25 schedules, 3 to 7 seeds; bars: both sets, 95 %", fontsize=11)
    left.legend(frameon=False, loc="lower right")
    for k, kind in enumerate(("head fit, all", "fine-tuning")):
        rows = sorted({e["row"] for e in quality if e["row"].startswith(f"greenhouse, {kind}")})
        for row in rows:
            found = [e for e in quality if e["row"] == row]
            mean, half = mean_interval([e["AP"] for e in found])
            seconds = float(np.mean([e["seconds"] for e in found]))
            right.errorbar(seconds, mean, half, marker=MARKERS[k], color=COLORS[k], capsize=3, linestyle="")
            print(f"{row}: {seconds:.0f} s, AP {mean:.3f} ± {half:.3f}")
    right.set(xlabel="seconds on two cores", ylabel="AP, greenhouse, test recordings", xscale="log")
    right.set_xticks([15, 30, 60, 120, 240], ["15", "30", "60", "120", "240"])
    right.minorticks_off()
    right.set_title("head fit (circle), fine-tuning; 5 seeds, 95 %", fontsize=11)
    figure.savefig(FOLDER / "training_time.png", dpi=90)


if __name__ == "__main__":
    main()
