"""What to buy: parts read from a file, and the page that compares them."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from typing import Any

from robotlab.checks import number
from robotlab.errors import InputError, printable
from robotlab.loop import Settings
from robotlab.report.page import Report
from robotlab.report.plots import COLORS, LINES, new_figure
from robotlab.sweep.parts import (
    BOARDS,
    CAMERAS,
    EFFICIENCY,
    SOURCES,
    BoardPart,
    CameraPart,
    best_choice,
    choices,
    flips,
)
from robotlab.toml_file import read_toml


def read_parts(path: str | os.PathLike) -> tuple[dict[str, CameraPart], dict[str, BoardPart]]:
    """Read the parts that you look at, from their data sheets.

    Parameters
    ----------
    path : path-like
        A TOML file: ``[cameras.NAME]`` with ``hfov_deg`` and ``frame_hz``,
        ``[boards.NAME]`` with ``clock_ghz`` and ``flops_per_cycle``.

    Returns
    -------
    (dict of str to CameraPart, dict of str to BoardPart)
        By name.

    Raises
    ------
    InputError
        If it is not such a file.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "mine.toml"
    >>> _ = path.write_text("[cameras.E]\\nhfov_deg = 70\\nframe_hz = 30\\n[boards.S]\\nclock_ghz = 2\\nflops_per_cycle = 8")
    >>> read_parts(path)[0]
    {'E': CameraPart(hfov_deg=70.0, frame_hz=30.0)}
    """
    given = read_toml(path, "a file of parts")
    groups: list[dict[str, Any]] = []
    for group, kind, limits in (
        ("cameras", CameraPart, {"hfov_deg": (5, 170), "frame_hz": (0.5, 200)}),
        ("boards", BoardPart, {"clock_ghz": (0.01, 10), "flops_per_cycle": (0.1, 1000)}),
    ):
        entries = given.get(group)
        if not isinstance(entries, dict) or not 1 <= len(entries) <= 20:
            raise InputError(f"{path} must have from 1 to 20 {group}, it has others; write [{group}.NAME] for each")
        groups.append({})
        for name, entry in entries.items():
            where = f"{path}: {group}.{printable(name)}"
            if not isinstance(entry, dict) or set(entry) != set(limits):
                raise InputError(f"{where} must have {' and '.join(limits)} and nothing else; write those two")
            groups[-1][printable(name)] = kind(*(number(entry[key], f"{where}: {key}", *limits[key]) for key in limits))
    return groups[0], groups[1]


def parts_page(
    settings: Settings,
    smallest_px: float,
    distances_m: Sequence[float],
    cameras: Mapping[str, CameraPart] = CAMERAS,
    boards: Mapping[str, BoardPart] = BOARDS,
) -> Report:
    """The page on what to buy: every choice, and where the best one changes with the following distance.

    Parameters
    ----------
    settings : Settings
        Of the trolley; its ``following_distance_m`` is the one of the table.
    smallest_px : float
        Least height at which the detector finds the object, px of the network's input.
    distances_m : sequence of float
        Distances kept, rising, for the picture.
    cameras, boards : mapping
        The parts.

    Returns
    -------
    Report
        None is recommended: the figures are predictions, and say where they flip.

    Examples
    --------
    >>> parts_page(Settings(), 12, [0.8, 1.2, 1.6]).title
    'What would you buy?'
    """
    page = Report("What would you buy?")
    kept = settings.following_distance_m
    page.text(
        "Predicted by the formulas of the design sheet, none recommended. Camera: one picture of exposure and transfer. "
        f"Network: its operations, at {100 * EFFICIENCY:.0f} % of what the core can begin, which is an assumption; "
        "measure it on the board before you rely on it. Prices change and are left out."
    )
    page.heading("The parts")
    shown = [(name, f"{part.hfov_deg:g}", f"{part.frame_hz:g}") for name, part in cameras.items()]
    page.table(("camera", "field of view, °", "pictures/s"), shown)
    shown = [(name, f"{part.clock_ghz:g}", f"{part.flops_per_cycle:g}") for name, part in boards.items()]
    page.table(("core", "GHz", "operations a cycle"), shown)
    if cameras is CAMERAS and boards is BOARDS:
        page.text(SOURCES)
    page.heading(f"Every choice, at {kept:g} m")
    every = choices(settings, smallest_px, cameras=cameras, boards=boards)
    made = ("camera", "core", "input, px", "network, ms")
    gives = ("sees from, m", "to, m", "safe speed, m/s", "sees the distance kept")
    rows = []
    for c in sorted(every, key=lambda c: (-c.works, -c.safe_mps)):
        numbers = (f"{c.near_m:.2f}", f"{c.far_m:.1f}", f"{c.safe_mps:.2f}")
        rows.append((c.camera, c.board, c.width_px, round(c.network_ms), *numbers, "yes" if c.works else "no"))
    words = f"An object {settings.target_height_m:g} m tall, found from {smallest_px:g} px of the network's input on."
    page.table((*made, *gives), rows, words)
    page.heading("Where the choice flips")
    figure, grid = new_figure(1, 1, 7.2, 3.8)
    ax = grid[0, 0]
    for k, (name, board) in enumerate(boards.items()):
        speeds = []
        for d in distances_m:
            own = choices(settings.but(following_distance_m=d), smallest_px, cameras=cameras, boards={name: board})
            best = best_choice(own)
            speeds.append(best.safe_mps if best else math.nan)
        ax.plot(distances_m, speeds, LINES[k // len(COLORS)], color=COLORS[k % len(COLORS)], label=f"core {name}")
    found = flips(settings, smallest_px, "following_distance_m", distances_m, cameras=cameras, boards=boards)
    for at, _ in found[1:]:
        ax.axvline(at, color="#777777", linestyle=":", linewidth=1)
    ax.set(xlabel="distance kept, m", ylabel="largest safe speed, m/s", ylim=(0, None))
    ax.set_title("best camera and input on each core; dotted: the best of all flips", fontsize=11)
    legend = figure.legend(loc="outside lower center", ncols=min(4, len(boards)), frameon=False)
    for text in legend.get_texts():
        text.set_parse_math(False)  # a name may hold a $
    page.figure(figure, "Largest safe speed against the distance kept, one line for each core, with the flips.")
    page.table(
        ("from, m", "best", "safe speed, m/s"),
        [
            (f"{at:.2f}", best.name, f"{best.safe_mps:.2f}") if best else (f"{at:.2f}", "none sees that far", "")
            for at, best in found
        ],
        "Best: the fastest that is safe where the distance kept is in the working range; of equals the one that sees farther.",
    )
    return page
