"""Loss curves of one or more training runs, one after the other.

    python instructor/pretraining/curves.py

draws ``loss.png`` from the logs kept here.
"""

from __future__ import annotations

import json
from pathlib import Path

NAMES = {
    "thing": "is there a thing",
    "shape": "which shape",
    "pair": "which shape in which color",
    "box": "where is its box",
}
RUNS = ("first_run.json", "second_run.json", "third_run_a.json", "fourth_run.json", "fifth_run.json")


def plot_logs(logs: list[dict], path: Path) -> None:
    """Draw the parts of the loss against the steps, runs joined, into a PNG."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, len(NAMES), figsize=(13, 3.2), layout="constrained")
    for ax, (name, words) in zip(axes, NAMES.items(), strict=True):
        before = 0
        for log in logs:
            for key, color, label in (("steps", "0.6", "training"), ("held_out", "C0", "new pictures")):
                rows = log[key]
                ax.plot(
                    [before + row["step"] for row in rows],
                    [row[name] for row in rows],
                    color=color,
                    label=label if before == 0 else None,
                )
            before += log["total_steps"]
            if log is not logs[-1]:
                ax.axvline(before, color="0.8", linestyle=":")
        ax.set(title=words, xlabel="step", yscale="log")
        ax.tick_params(axis="y", which="both", labelsize=8)
    axes[0].set_ylabel("loss for each thing")
    axes[0].legend()
    figure.savefig(path, dpi=110)
    plt.close(figure)


if __name__ == "__main__":
    here = Path(__file__).parent
    plot_logs([json.loads((here / name).read_text()) for name in RUNS], here / "loss.png")
