"""Time against AP: ``python instructor/measure_training_time.py`` reads two logs and draws ``training_time.png``.

``schedule_search.jsonl``: shorter schedules of fine-tuning beside the one used before
(``base1485``: 1485 steps of AdamW with 5 windows of 240 px at a peak rate of .004), each
judged on training recordings kept apart, over seeds.  The name of a schedule says what
differs: ``muon`` Muon, ``nadam`` NAdam; ``fz`` normalization by statistics that stay as
measured before; ``h742`` half the steps, other numbers of steps likewise; ``r5``, ``r6``,
``r25`` the peak rate in thousandths (.0025 the last); ``m99``, ``m998`` the memory of the
weights' average; ``w2``, ``w3``, ``w4`` windows in a step; ``s192``, ``s208`` their side;
``f1``, ``f2``, ``f4`` first convolutions frozen; ``g4``, ``g5``, ``g6`` the first .4, .5, .6 of
the steps on windows that show as much at .733 of the scale; ``e5`` the second to fourth convolution learn
in the first half alone; ``any35`` more windows anywhere,
``scale25`` less change of scale; ``b99``, ``b95`` AdamW's second memory, ``b975`` Muon's;
``lin``, ``p15``, ``p2`` a rate that falls by the power 1, 1.5 or 2; ``rise10`` a tenth of the
steps to the peak; ``early3`` .3 of the rate in the first four convolutions, ``late2`` twice
the rate in the last; ``decay10`` weight decay .1; ``x5`` half the rate where AdamW moves;
a last ``n`` statistics measured again in the end; ``g7`` the first .7 on reduced windows, ``t3`` thirds at .6, .8 and
all of the scale; ``gh2``, ``gh4`` halves or quarters of the windows normalized by themselves (ghost batch
normalization: Hoffer, Hubara & Soudry, NIPS 2017, arXiv:1705.08741); ``stale2`` gradients of the second to tenth
convolution from every second step, used twice, ``stale2half`` in the first half alone, ``skip2`` these layers moved in
every second step alone, ``skip2x2`` at twice the rate there, ``late30`` only after .3 of the steps; the same with
``early`` before it for the second to fourth convolution, with ``b`` for the second to sixth; ``ns4``, ``ns3`` iterations in Muon.  ``AP`` is that of the last average of the weights,
``AP_best`` that of the one with the highest score on the validation set, as :func:`robotlab.neural.fit` chose up to
round 5; ``AP_kept`` that of the latest at most .02 below it, as it chooses since (not judged in eight fits of rounds 6
and 7).  ``kept_step`` is where that was (from round 9 on).  The sets ``..., test`` and ``coins`` chose nothing but that trainings of fewer than 500 steps do not use reduced
windows.  Round 5, 950 steps, ran on a CPU and judged five times between start
and end, in place of ten; the test recordings of round 8 are fits of the NumPy engine.

``quality.jsonl``: what ``measure_quality.py`` found.  The seconds of head fits are measured on two cores, those of
fine-tuning follow from the steps, see :func:`fine_tuning_seconds`.
``--guide`` writes the table of the
schedule in use into the contributor's guide.
"""

import itertools
import json
import re
import sys
from pathlib import Path

from robotlab.neural.training_loop import reduced_steps
from robotlab.report.plots import COLORS, MARKERS, new_figure
from robotlab.sweep import mean_interval

FOLDER = Path(__file__).parent
GUIDE = FOLDER.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- schedule: begin -->", "<!-- schedule: end -->"
USUAL, USUAL_STEPS = "base1485", 1485
MUON, FROZEN, IN_USE = "muon1000r4", "f1muon1000r4", "f1g5muon1000r4"
# Schedules that were judged one after the other: name, words, and which rounds of the search hold it beside the one before.
STEPS = (
    (USUAL, "AdamW, up to 1485 steps", (None, 1, 2, 3)),
    (MUON, "Muon, up to 1000 steps", (None, 1, 2, 3)),
    (FROZEN, "the same, first convolution frozen", (4,)),
    (
        IN_USE,
        "in use: the same, first half of the steps on reduced windows, the latest weights not clearly worse",
        (4, 8),
    ),
)
# First search, then the second: each learned from one part and was judged on another of training recordings.
SEARCHED = ("film", "greenhouse", "film, either end", "greenhouse, recordings in turn")
# A third domain, which chose nothing; and the rounds that hold the schedule in use beside AdamW's.
INVERTED, DIRECT = "greenhouse as inverted gray, recordings in turn", (9, 10, 11, 12)
JUDGED = ("film, test", "coins, right left out", "coins, left left out", "greenhouse, test")


# Of a step on two idle cores of an Intel Xeon, with reduced windows and with full ones, medians of eight rounds; and
# of head fit and judging.  A fit of 974 steps took 193 s there, and these say 191 s.
STEP_S, FIRST_AND_LAST_S = (0.149, 0.220), 11.0


def fine_tuning_seconds(steps: int) -> float:
    """Seconds of a fine-tuning on two cores: the fits of the log ran side by side."""
    reduced = reduced_steps(steps)
    return FIRST_AND_LAST_S + reduced * STEP_S[0] + (steps - reduced) * STEP_S[1]


def lines(name: str) -> list[dict]:
    """Lines of a log beside this file."""
    found = [json.loads(line) for line in (FOLDER / name).read_text().splitlines()]
    # What the validation set chooses is chosen by another rule for the schedule in use.
    return [
        e | {"AP_best": e["AP_kept"], "AP50_best": e["AP50_kept"]} if e.get("schedule") == IN_USE else e for e in found
    ]


def differences(
    search: list[dict], schedule: str, which: tuple[str, ...], key: str = "AP", before: str = USUAL
) -> list[float]:
    """AP of a schedule minus that of the one before, in pairs of set and seed."""
    AP = {(e["schedule"], e["set"], e["seed"]): e[key] for e in search if e["set"] in which and key in e}
    return [
        value - AP[before, place, seed]
        for (name, place, seed), value in AP.items()
        if name == schedule and (before, place, seed) in AP
    ]


def differences_of(known: list[dict], name: str, place: str, key: str, usual: str) -> list[float]:
    """AP of a schedule on one set minus that of another's weights that the validation set chose."""
    chosen = {e["seed"]: e["AP_best"] for e in known if (e["schedule"], e["set"]) == (usual, place)}
    return [
        e[key] - chosen[e["seed"]]
        for e in known
        if (e["schedule"], e["set"]) == (name, place) and e["seed"] in chosen and key in e
    ]


def share(name: str) -> float:
    """Pixels that a schedule learns from, as steps of 5 windows of 240 px."""
    steps = int(re.search(r"(?:^h|^q|_|muon|fz|nadam)(\d{3,4})", name)[1])
    windows, side = re.search(r"w(\d)", name), re.search(r"^s(\d{3})", name)
    return steps * (int(windows[1]) / 5 if windows else 1) * (int(side[1]) / 240 if side else 1) ** 2


def shown(values: list[float], signed: bool = False) -> str:
    """Mean and interval."""
    mean, half = mean_interval(values)
    return f"{mean:+.4f} ± {half:.4f}" if signed else f"{mean:.3f} ± {half:.3f}"


def guide_table(search: list[dict]) -> str:
    """Each schedule that was in use beside the one before, and the head fit."""
    rows = [
        "| judged on | how | seeds | AP50 | AP | AP minus that of the schedule before |",
        "|---|---|---|---|---|---|",
    ]
    for place in JUDGED:
        before = ""
        for name, words, rounds in (("head fit", "head fit", (None,)), *STEPS):
            known = [e for e in search if e.get("round") in rounds]
            of = [e for e in known if (e["schedule"], e["set"]) == (name, place)]
            if of:
                cells = [shown([e.get(f"{key}_best", e[key]) for e in of]) for key in ("AP50", "AP")]
                pairs = differences(known, name, (place,), "AP_best", before)
                change = f"{shown(pairs, True)}, {len(pairs)} pairs" if pairs else ""
                rows.append(f"| {place} | {words} | {len(of)} | {' | '.join(cells)} | {change} |")
            before = name
    for (before, *_), (name, words, rounds) in itertools.pairwise(STEPS):
        known = [e for e in search if e.get("round") in rounds]
        for key, chosen in (("AP_best", "chosen by the validation set"), ("AP", "the last")):
            of = differences(known, name, SEARCHED, key, before)
            rows.append(
                f"| training recordings kept apart, weights {chosen} | {words} | {len(of)} pairs | | | {shown(of, True)} |"
            )
    known = [e for e in search if e.get("round") in DIRECT]
    for where in (SEARCHED, (INVERTED,)):
        for key, chosen in (("AP_best", "as each chose or chooses them"), ("AP", "the last")):
            of = differences(known, IN_USE, where, key, USUAL)
            rows.append(
                f"| {'training recordings' if where is SEARCHED else 'the greenhouse as inverted gray, recordings'} kept apart, weights {chosen} | in use, minus AdamW's "
                f"{USUAL_STEPS} steps directly | {len(of)} pairs | | | {shown(of, True)} |"
            )
    return "\n".join(rows)


def main() -> None:
    """Print the intervals, draw; or write the guide's table."""
    search, quality = lines("schedule_search.jsonl"), lines("quality.jsonl")
    if "--guide" in sys.argv[1:]:
        before, rest = GUIDE.read_text(encoding="utf-8").split(BEGIN)
        GUIDE.write_text(f"{before}{BEGIN}\n{guide_table(search)}\n{END}{rest.split(END)[1]}", encoding="utf-8")
        return
    figure, ((left, right),) = new_figure(1, 2, 9.0, 3.6)
    # The rounds that hold the schedule from before all.
    names = sorted({e["schedule"] for e in search if e["set"] in SEARCHED and e.get("round") in STEPS[0][2]} - {USUAL})
    for name in names:
        known = differences(search, name, SEARCHED)
        mean, half = mean_interval(known)
        k = 1 if "muon" in name else 0
        left.errorbar(
            share(name), mean, half, marker=MARKERS[k], color=COLORS[k], linestyle="", elinewidth=0.6, markersize=4
        )
        best = differences(search, name, SEARCHED, "AP_best")
        said = f"{name:<20} {len(known)} pairs {shown(known, True)}"
        print(said + (f", chosen by the validation set {shown(best, True)}" if best else ""))
        for place in SEARCHED:
            of = differences(search, name, (place,))
            if of:
                print(f"    {place}: {shown(of, True)}")
    for number in (6, 7, 8, *DIRECT):
        usual = IN_USE if number in DIRECT else FROZEN
        known = [e for e in search if e.get("round") == number]
        for name in sorted({e["schedule"] for e in known}):
            for place in sorted({e["set"] for e in known if e["schedule"] == name}):
                said = [f"round {number}, {name:<16} {place}, minus what was chosen of {usual}:"]
                for key, words in (("AP_kept", "kept"), ("AP", "the last")):
                    of = differences_of(known, name, place, key, usual)
                    said.append(f"{words} {shown(of, True)}, {len(of)} pairs")
                print(" ".join(said))
    for k, words in enumerate(("AdamW", "Muon")):
        left.plot([], [], marker=MARKERS[k], color=COLORS[k], linestyle="", label=words)
    left.axhline(0, color="black", linewidth=0.8)
    left.set(xlabel="steps of 5 windows of 240 px, or as many pixels", ylabel="AP minus that of 1485 steps of AdamW")
    left.set_title(f"{len(names)} schedules, training recordings; 95 %", fontsize=11)
    left.legend(frameon=False, loc="lower right")
    for k, kind in enumerate(("head fit, all", "fine-tuning")):
        rows = sorted({e["row"] for e in quality if e["row"].startswith(f"greenhouse, {kind}")})
        for row in rows:
            found = [e for e in quality if e["row"] == row]
            mean, half = mean_interval([e["AP"] for e in found])
            times = [fine_tuning_seconds(e["steps"]) if e.get("steps") else e["seconds"] for e in found]
            seconds = sum(times) / len(times)
            right.errorbar(seconds, mean, half, marker=MARKERS[k], color=COLORS[k], capsize=3, linestyle="")
            print(f"{row}: {seconds:.0f} s, AP {mean:.3f} ± {half:.3f}")
    right.set(xlabel="seconds on two cores", ylabel="AP, greenhouse, test recordings", xscale="log")
    right.set_xticks([15, 30, 60, 120, 240], ["15", "30", "60", "120", "240"])
    right.minorticks_off()
    right.set_title("head fit (circle), fine-tuning; 5 seeds, 95 %", fontsize=11)
    figure.savefig(FOLDER / "training_time.png", dpi=90)


if __name__ == "__main__":
    main()
