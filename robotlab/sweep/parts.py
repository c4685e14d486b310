"""What to buy: the design sheet of every camera on every board, and where the best choice changes.

None is recommended: the tables are examples with published numbers, to be
replaced by those of the parts you look at.  Prices change and are left out.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from robotlab.camera import Camera
from robotlab.checks import whole
from robotlab.design_sheet import Robot, predict_band, predict_safe_speed
from robotlab.errors import InputError
from robotlab.loop import Settings
from robotlab.neural.spec import BACKBONE, channels_of


@dataclass(frozen=True)
class CameraPart:
    """A camera, from its data sheet.

    Parameters
    ----------
    hfov_deg : float
        Published horizontal field of view.
    frame_hz : float
        Pictures a second in the mode used.
    """

    hfov_deg: float
    frame_hz: float


@dataclass(frozen=True)
class BoardPart:
    """One core of a computer, from its data sheet.

    Parameters
    ----------
    clock_ghz : float
        Clock of the core.
    flops_per_cycle : float
        Single-precision operations that it can begin in a cycle.
    """

    clock_ghz: float
    flops_per_cycle: float


SOURCES = (
    "Fields of view: data sheets and module makers' tables of OV5647 with f 3.60 mm (A), IMX219 with f 3.04 mm (B), IMX708 "
    "with f 4.74 mm (C) and 2.75 mm (D). Cores: Cortex-A53 (P), A72 (Q), A76 (R); operations a cycle from the width of the "
    "vector units in Arm's optimization guides, from memory."
)
# Published fields of view, as in lesson 02 (A: OV5647 with f 3.60 mm, B: IMX219 with f 3.04 mm, C: IMX708 with f 4.74 mm,
# D: the same with f 2.75 mm; data sheets and module makers' tables); 30 pictures a second is a mode all of them have.
CAMERAS: dict[str, CameraPart] = {
    "A": CameraPart(53.5, 30.0),
    "B": CameraPart(62.2, 30.0),
    "C": CameraPart(66.0, 30.0),
    "D": CameraPart(102.0, 30.0),
}
# P: Cortex-A53 at 1.4 GHz, Q: Cortex-A72 at 1.8 GHz, R: Cortex-A76 at 2.4 GHz.  Operations a cycle follow from the
# width of the vector units in Arm's optimization guides (two 64-bit or two 128-bit multiply-adds; from memory).
BOARDS: dict[str, BoardPart] = {"P": BoardPart(1.4, 8.0), "Q": BoardPart(1.8, 8.0), "R": BoardPart(2.4, 16.0)}
# Sizes of the network's input, px, and height of the lens above the ground.
WIDTHS_PX, CAMERA_HEIGHT_M = (160, 320, 640), 0.25
# Share of that which convolutions reach (an assumption: a quarter; memory and small layers take the rest).
EFFICIENCY = 0.25


def network_operations(width_px: int, height_px: int) -> float:
    """Operations of the network for one picture: two for each multiply-add of its convolutions.

    Parameters
    ----------
    width_px, height_px : int
        Of the picture that the network sees.

    Returns
    -------
    float
        Floating-point operations.

    Examples
    --------
    >>> network_operations(320, 240) == 4 * network_operations(160, 120)
    True
    """
    channels, strides, total = channels_of(BACKBONE), {"picture": 1.0}, 0.0
    pixels = whole(width_px, "width_px", 1) * whole(height_px, "height_px", 1)
    for layer in BACKBONE:
        incoming = layer.inputs[0]
        strides[layer.name] = strides[incoming] * {"conv": layer.stride, "upsample": 0.5}.get(layer.kind, 1)
        if layer.kind == "conv":
            total += 2 * layer.channels * channels[incoming] * layer.kernel**2 * pixels / strides[layer.name] ** 2
    return total


def network_s(board: BoardPart, width_px: int, height_px: int) -> float:
    """Time of the network for one picture on one core, estimated.

    Parameters
    ----------
    board : BoardPart
        The core.
    width_px, height_px : int
        Of the picture that the network sees.

    Returns
    -------
    float
        s: operations / (clock * operations a cycle * efficiency).  Measure it
        on the board before you rely on it.

    Examples
    --------
    >>> round(1000 * network_s(BOARDS["R"], 160, 120))
    28
    """
    return network_operations(width_px, height_px) / (board.clock_ghz * 1e9 * board.flops_per_cycle * EFFICIENCY)


@dataclass(frozen=True)
class Choice:
    """One camera on one board, at one size of the network's input.

    Attributes
    ----------
    camera, board : str
        Names in the tables.
    width_px : int
        Of the network's input (4:3).
    robot : Robot
        The facts that follow.
    near_m, far_m : float
        Working range.
    safe_mps : float
        Largest safe speed at the distance kept.
    network_ms : float
        Time of the network.
    """

    camera: str
    board: str
    width_px: int
    robot: Robot
    near_m: float
    far_m: float
    safe_mps: float
    network_ms: float

    @property
    def name(self) -> str:
        """What it is made of, in words."""
        return f"camera {self.camera}, core {self.board}, {self.width_px} px"

    @property
    def works(self) -> bool:
        """Whether the distance kept lies in the working range."""
        return self.near_m <= self.robot.settings.following_distance_m <= self.far_m


def choices(
    settings: Settings,
    smallest_px: float,
    cameras: Mapping[str, CameraPart] = CAMERAS,
    boards: Mapping[str, BoardPart] = BOARDS,
) -> list[Choice]:
    """The design sheet's formulas for every camera, board and size.

    Parameters
    ----------
    settings : Settings
        Object, distance kept, speeds, motors; frame rate and latency are
        replaced by what camera and board allow.
    smallest_px : float
        Least usable height of the object, px of the network's input.
    cameras, boards : mapping
        The parts.

    Returns
    -------
    list of Choice
        In the order of the tables.

    Notes
    -----
    A frame takes the longer of the camera's and the network's time; the
    latency is one picture of the camera (exposure and transfer) and the network.

    Examples
    --------
    >>> best = max(choices(Settings(), 12), key=lambda c: c.safe_mps)
    >>> best.board
    'R'
    """
    out = []
    replaced = {"detector_s": 0.0, "detector_px": None, "watchdog_s": None}
    for (camera, part), (board, core), width in itertools.product(cameras.items(), boards.items(), WIDTHS_PX):
        height = round(width * 3 / 4)
        network = network_s(core, width, height)
        frame = max(1 / part.frame_hz, network)
        own = settings.but(frame_hz=1 / frame, delay_s=1 / part.frame_hz + network, **replaced)
        robot = Robot(Camera(width, height, math.radians(part.hfov_deg), CAMERA_HEIGHT_M), smallest_px, own)
        out.append(Choice(camera, board, width, robot, *predict_band(robot), predict_safe_speed(robot), 1000 * network))
    return out


def best_choice(options: Sequence[Choice]) -> Choice | None:
    """The fastest that is safe where the distance kept is in the working range.

    Parameters
    ----------
    options : sequence of Choice
        From :func:`choices`.

    Returns
    -------
    Choice or None
        Of equals, to a millimeter a second, the one that sees farther; None
        where none works.

    Examples
    --------
    >>> best_choice(choices(Settings(following_distance_m=50), 12)) is None
    True
    """
    return max((c for c in options if c.works), key=lambda c: (round(c.safe_mps, 3), c.far_m), default=None)


def flips(
    settings: Settings, smallest_px: float, name: str, values: Sequence[float], **more: Any
) -> list[tuple[float, Choice | None]]:
    """Where the best choice changes as one setting grows.

    Parameters
    ----------
    settings : Settings
        The others.
    smallest_px : float
        As in :func:`choices`.
    name : str
        A setting of numbers, such as ``following_distance_m``.
    values : sequence of float
        Rising.
    **more
        For :func:`choices`.

    Returns
    -------
    list of (float, Choice or None)
        The first value, and each at which another choice becomes best.

    Raises
    ------
    InputError
        If the values do not rise.

    Examples
    --------
    >>> [round(v, 1) for v, _ in flips(Settings(), 12, "following_distance_m", [0.6, 1.2, 40.0])][-1]
    40.0
    """
    if not values or any(b <= a for a, b in zip(values, values[1:], strict=False)):
        raise InputError(f"values of {name} must rise, got {list(values)[:5]}; sort them")
    out: list[tuple[float, Choice | None]] = []
    for value in values:
        best = best_choice(choices(settings.but(**{name: value}), smallest_px, **more))
        before = out[-1][1] if out else None
        if not out or (best and best.name) != (before and before.name):
            out.append((value, best))
    return out
