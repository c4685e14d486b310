"""Run every bench module of this folder, print the table, save results.json and benchmarks.png.

Usage: ``python tests/benchmarks/run.py [metrics color ...]``; README.md beside
this file says what a bench module holds.
"""

from __future__ import annotations

import os
import sys

# Before NumPy loads: one thread unless a row asks for more.
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import argparse
import importlib
import json
import platform
import time
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np
from timing import Missing, exponent

from robotlab.files import write_json

FOLDER = Path(__file__).resolve().parent
_LIBRARIES = (
    "numpy",
    "scipy",
    "pycocotools",
    "faster-coco-eval",
    "opencv-python-headless",
    "pybullet",
    "torch",
    "onnxruntime",
)


def _modules(wanted: list[str]) -> list[str]:
    found = sorted(path.stem for path in FOLDER.glob("bench_*.py"))
    if not wanted:
        return found
    unknown = [name for name in wanted if f"bench_{name}" not in found]
    if unknown:
        names = ", ".join(name.removeprefix("bench_") for name in found)
        raise SystemExit(f"a benchmark must be one of {names}, got {', '.join(unknown)}; choose one of them")
    return [f"bench_{name}" for name in wanted]


def _machine() -> dict:
    versions = {}
    for name in _LIBRARIES:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            versions[name] = None
    return {
        "python": platform.python_version(),
        "system": platform.system(),
        "processor": _processor(),
        "cores": os.cpu_count(),
        "libraries": versions,
    }


def _processor() -> str:
    """Model of the processor: ratios of two programs differ from one to the next."""
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return platform.processor()
    return next((line.partition(": ")[2] for line in lines if line.startswith("model name")), platform.machine())


def _verdict(row: dict) -> str:
    if row.get("aim") is not None and row.get("ratio") is not None:
        return "reached" if row["ratio"] <= row["aim"] else "MISSED"
    if row.get("aim_s") is not None and row.get("ours_s") is not None:
        return "reached" if row["ours_s"] <= row["aim_s"] else "MISSED"
    return ""


def _time(seconds: float | None) -> str:
    if seconds is None:
        return "-"
    return f"{seconds * 1e3:.3g} ms" if seconds < 1 else f"{seconds:.3g} s"


def _print(row: dict) -> None:
    ratio = "-" if row["ratio"] is None else f"{row['ratio']:.3f} ({row['ratio_low']:.3f}-{row['ratio_high']:.3f})"
    aim = "-" if row.get("aim") is None else f"{row['aim']:.3f}"
    if row.get("aim_s") is not None:
        aim = _time(row["aim_s"])
    print(
        f"{row['name'][:52]:<52} {_time(row['ours_s']):>9} {_time(row['reference_s']):>9}  {ratio:<21} {aim:>8}  "
        f"{_verdict(row):<8} {row['reference'] or ''}" + (f"; {row['note']}" if row.get("note") else ""),
        flush=True,
    )


def main(wanted: list[str]) -> dict:
    """Run the modules and write the results.

    Parameters
    ----------
    wanted : list of str
        Names without ``bench_``; none means all.

    Returns
    -------
    dict
        What results.json holds.
    """
    results: dict = {"machine": _machine(), "rows": [], "growth": []}
    print(f"{'':<52} {'ours':>9} {'reference':>9}  {'ratio (10-90 %)':<21} {'aim':>8}")
    for name in _modules(wanted):
        start = time.perf_counter()
        try:
            module = importlib.import_module(name)
            rows = module.rows()
            for row in rows:
                _print(row)
            results["rows"] += [{"module": name, **row} for row in rows]
            for row in module.growth() if hasattr(module, "growth") else ():
                row = {"module": name, **row, "exponent": exponent(row["sizes"], row["seconds"])}
                print(f"{row['name'][:52]:<52} time grows as size ^ {row['exponent']:.2f}", flush=True)
                results["growth"].append(row)
        except Missing as missing:
            print(f"{name}: left out, {missing} is not installed (pip install '.[test,bench]')", flush=True)
        print(f"  {name}: {time.perf_counter() - start:.0f} s", flush=True)
    return results


def merged(results: dict, path: Path) -> dict:
    """Results of some modules, with what the file already holds of the others.

    Parameters
    ----------
    results : dict
        What :func:`main` returned.
    path : Path
        An older results.json, or none.

    Returns
    -------
    dict
        Both, in the order of the modules.
    """
    if not path.exists():
        return results
    before = json.loads(path.read_text())
    fresh = {row["module"] for key in ("rows", "growth") for row in results[key]}
    joined = dict(results)
    for key in ("rows", "growth"):
        kept = [row for row in before[key] if row["module"] not in fresh]
        joined[key] = sorted(kept + results[key], key=lambda row: row["module"])
    return joined


def draw(results: dict, path: Path) -> None:
    """Draw the ratios and the growth curves.

    Parameters
    ----------
    results : dict
        What :func:`main` returned.
    path : Path
        The PNG to write.
    """
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    rows = [row for row in results["rows"] if row["ratio"] is not None]
    figure, (left, right) = plt.subplots(
        1, 2, figsize=(15, max(3.5, 0.42 * len(rows) + 1.6)), width_ratios=[1.35, 1], layout="constrained"
    )
    places = np.arange(len(rows))[::-1]
    for place, row in zip(places, rows, strict=True):
        met = row["aim"] is None or row["ratio"] <= row["aim"]
        left.barh(place, row["ratio"], color="#4c78a8" if met else "#c44e52", height=0.6)
        left.plot([row["ratio_low"], row["ratio_high"]], [place, place], color="black", lw=1)
        if row["aim"] is not None:
            left.plot([row["aim"]] * 2, [place - 0.4, place + 0.4], color="black", lw=2)
        left.annotate(
            f"{row['ratio']:.3g}",
            (max(row["ratio"], row["ratio_high"], row["aim"] or 0), place),
            (4, 0),
            textcoords="offset points",
            va="center",
        )
    left.axvline(1, color="gray", lw=1, ls=":")
    left.set_xscale("log")
    left.set_yticks(places, [f"{row['name']}\nv {row['reference']}" for row in rows], fontsize=8)
    left.set_xlabel("our time / the reference's time (left is faster; thick mark = aim; thin line = 10-90 %)")
    left.margins(x=0.1)
    for index, row in enumerate(results["growth"]):
        sizes, seconds = np.array(row["sizes"], float), np.array(row["seconds"])
        right.loglog(
            sizes, seconds * 1e3, marker="os^Dv<>Pp*"[index % 10], label=f"{row['name']}: size^{row['exponent']:.2f}"
        )
    right.set_xlabel("size")
    right.set_ylabel("time, ms")
    right.grid(True, which="major", alpha=0.3)
    if results["growth"]:
        right.legend(fontsize=8, loc="upper center", bbox_to_anchor=(0.5, -0.05), frameon=False)
    figure.savefig(path, dpi=110)
    plt.close(figure)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Time robotlab beside its named references.")
    parser.add_argument("names", nargs="*", help="bench modules without bench_, e.g. metrics color; none means all")
    parser.add_argument("--out", type=Path, default=FOLDER, help="folder for results.json and benchmarks.png")
    arguments = parser.parse_args()
    outcome = main(arguments.names)
    if arguments.names:
        outcome = merged(outcome, arguments.out / "results.json")
    write_json(arguments.out / "results.json", outcome)
    draw(outcome, arguments.out / "benchmarks.png")
    print(f"wrote {arguments.out / 'results.json'} and {arguments.out / 'benchmarks.png'}")
    sys.exit(0)
