"""Gain, latency and motor lag on sliders: the step response, over time and from above."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from robotlab.control import Motor, advance
from robotlab.control.stability import GAIN_MARGIN, ultimate_gain
from robotlab.widgets.kit import KeptFigure, label_axes
from robotlab.widgets.slider_picture import Slider, SliderPicture

# The loop that the sliders set: ten pictures a second, as in Settings.
FRAME_S = 0.1
# The post jumps this far to the left; far enough to see, and well inside of the picture.
STEP_RAD = math.radians(15)
# Half of the course's camera, 62.2 degrees (IMX219 with its 3.04 mm lens).
HALF_VIEW_RAD = math.radians(31.1)
SPEED_MPS = 0.4
LASTS_S = 8.0
# Ticks in a frame: the way is drawn as exact arcs of 1/50 s.
_TICKS = 5
# Faster than any slider can ask for.
_NO_LIMIT = 1e6
# Settled means within this for good: a post 2 m away is then on the middle by its own half width.
SETTLED_RAD = math.radians(1)
_MOST_DELAY_S, _MOST_GAIN = 0.6, 12.0
# In 1/100 inch, so in px at 100 dots an inch; text stays readable when a window of 800 px shrinks it (tried).
_SIZE_PX = (680, 500)
_FONT_PT = 13.5
# Okabe & Ito: blue for what dies out, vermilion for what grows.
_CALM, _WILD, _POST = "#0072b2", "#d55e00", "#e69f00"


@dataclass(frozen=True, eq=False)
class Turn:
    """One run of the loop after the post has jumped aside.

    Attributes
    ----------
    t_s : (T,) ndarray
        Times of the ticks, the first at 0.
    bearing_rad : (T,) ndarray
        True bearing of the post, which is far away.
    pose : (T, 3) ndarray
        x and y, m, and yaw, rad; x points to where the post was.
    lost_s : float or None
        When the post left the picture, which ends the run.
    """

    t_s: np.ndarray
    bearing_rad: np.ndarray
    pose: np.ndarray
    lost_s: float | None


def step_response(gain: float, delay_frames: int, lag_s: float = 0.0) -> Turn:
    """Let a trolley turn after a far post that has jumped to the left.

    Parameters
    ----------
    gain : float
        Steering gain, 1/s.
    delay_frames : int
        Frames from a picture to the command made from it.
    lag_s : float
        Time constant of the motors.

    Returns
    -------
    Turn
        What happened, for 8 s or until the post left the picture.

    Notes
    -----
    P-control without limits, one command a frame, exact arcs.  The post is so
    far away that driving does not change its direction; without lag the
    bearings at the frames are those of
    :func:`robotlab.control.stability.sampled_bearing`.

    Examples
    --------
    >>> turn = step_response(gain=2.0, delay_frames=1)
    >>> [round(math.degrees(turn.bearing_rad[5 * k]), 2) for k in range(4)]
    [15.0, 15.0, 12.0, 9.0]
    """
    dt = FRAME_S / _TICKS
    motor = Motor(lag_s=lag_s, max_mps=_NO_LIMIT)
    pose, rate, command = (0.0, 0.0, 0.0), 0.0, 0.0
    # Before the jump the post was straight ahead.
    seen = [0.0] * delay_frames
    poses, bearings, lost = [], [], None
    for tick in range(round(LASTS_S / dt) + 1):
        bearing = STEP_RAD - pose[2]
        poses.append(pose)
        bearings.append(bearing)
        if tick % _TICKS == 0:
            if abs(bearing) > HALF_VIEW_RAD:
                lost = tick * dt
                break
            seen.append(bearing)
            command = gain * seen[-1 - delay_frames]
        # A turning body lags as its two wheels do, so the motor's step serves for the yaw rate.
        rate, mean = motor.step(rate, command, dt)
        pose = advance(*pose, SPEED_MPS, mean, dt)
    return Turn(dt * np.arange(len(bearings)), np.array(bearings), np.array(poses), lost)


@functools.lru_cache(maxsize=16)
def limits(lag_s: float) -> np.ndarray:
    """Ultimate gain for each latency of the map.

    Parameters
    ----------
    lag_s : float
        Time constant of the motors.

    Returns
    -------
    (N, 2) ndarray
        Delay, s, and limit, 1/s, from :func:`robotlab.control.stability.ultimate_gain`.

    Examples
    --------
    >>> limits(0.0)[2].round(3).tolist()
    [0.1, 10.0]
    """
    delays = np.arange(0, _MOST_DELAY_S + 0.11, 0.05)
    return np.column_stack([delays, [ultimate_gain(FRAME_S, delay, lag_s) for delay in delays]])


def verdict(turn: Turn) -> str:
    """A run in one sentence.

    Parameters
    ----------
    turn : Turn
        The run.

    Returns
    -------
    str
        Whether it settles, how far it goes past the middle, or when it loses the post.

    Examples
    --------
    >>> verdict(step_response(1.0, 1))
    'It does not overshoot, and stays within 1° after 2.4 s.'
    """
    if turn.lost_s is not None:
        return f"It is unstable: the post leaves the picture after {turn.lost_s:.1f} s."
    past = math.degrees(max(0.0, -turn.bearing_rad.min()))
    first = "It does not overshoot" if past < 0.05 else f"It overshoots by {past:.1f}°"
    off = np.flatnonzero(np.abs(turn.bearing_rad) > SETTLED_RAD)
    if off[-1] + 1 == len(turn.t_s):
        last = math.degrees(np.abs(turn.bearing_rad[-round(2.0 / FRAME_S) * _TICKS :]).max())
        return f"{first}, and is still {last:.1f}° off in the last 2 s."
    return f"{first}, and stays within 1° after {turn.t_s[off[-1] + 1]:.1f} s."


class GainAndDelay(SliderPicture):
    """Sliders for gain, latency and motor lag; a step response, a map of stability, a path seen from above.

    Parameters
    ----------
    gain : float
        Where its slider starts, 1/s.
    delay_s : float
        Where its slider starts, a whole number of tenths.
    lag_s : float
        Where its slider starts, a whole number of twentieths.

    Notes
    -----
    Ten pictures a second.  The map's line is the limit of exactly this loop;
    the dotted one is what a loop without frames and without lag would allow.

    Examples
    --------
    >>> GainAndDelay(gain=2.0, delay_s=0.1).text
    'Gain 2.0 1/s, latency 0.1 s, motor lag 0.00 s: 20 % of the ultimate gain, 10.00 1/s. It does not overshoot, and stays within 1° after 1.0 s.'
    """

    def __init__(self, gain: float = 2.0, delay_s: float = 0.3, lag_s: float = 0.0) -> None:
        self._panel = _Panel()
        super().__init__(
            self._show,
            alt="Three panels. The bearing of the post over 8 seconds after it has jumped 15° to the left, between two lines at which it leaves the "
            "picture. A map of latency and gain, with the ultimate gain as a falling line and a dot for the sliders: below the line oscillations "
            "die out, above it they grow. The trolley's path from above, toward the far post.",
            gain=Slider(0.2, _MOST_GAIN, gain, 0.1, "gain", "1/s"),
            delay_s=Slider(0.0, _MOST_DELAY_S, delay_s, FRAME_S, "latency", "s"),
            lag_s=Slider(0.0, 0.4, lag_s, 0.05, "motor lag", "s"),
        )

    def _show(self, gain: float, delay_s: float, lag_s: float) -> tuple[np.ndarray, str]:
        turn = step_response(gain, round(delay_s / FRAME_S), lag_s)
        line = limits(round(lag_s, 2))
        limit = float(line[round(delay_s / 0.05), 1])
        text = (
            f"Gain {gain:.1f} 1/s, latency {delay_s:.1f} s, motor lag {lag_s:.2f} s: {100 * gain / limit:.0f} % of the ultimate gain, {limit:.2f} 1/s. "
            f"{verdict(turn)}"
        )
        return self._panel.draw(turn, gain, delay_s, line), text


class _Panel:
    """One kept figure; a slider moves its lines over a kept background."""

    def __init__(self) -> None:
        figure = Figure(figsize=(_SIZE_PX[0] / 100, _SIZE_PX[1] / 100), dpi=100, layout="constrained")
        axes = figure.subplot_mosaic([["time", "way"], ["map", "way"]], width_ratios=[2.1, 1])
        self._time(axes["time"])
        self._map(axes["map"])
        self._way(axes["way"])
        lines = (self._curve, self._end, self._limit, self._safe, self._dot)
        self._figure = KeptFigure(figure, (self._area, *lines, self._path, self._stop, self._trolley))

    def _time(self, ax) -> None:
        edge, most = math.degrees(HALF_VIEW_RAD), 36
        for side in (-1, 1):
            ax.axhspan(side * edge, side * most, color="#dddddd", linewidth=0)
        place = (LASTS_S - 0.1, (edge + most) / 2 - 0.3)
        ax.text(*place, "outside of the picture", ha="right", va="center", fontsize=_FONT_PT - 3)
        ax.axhline(0, color="black", linewidth=0.8)
        (self._curve,) = ax.plot([], [], color=_CALM, linewidth=2)
        (self._end,) = ax.plot([], [], "X", color=_WILD, markersize=11)
        ax.set(xlim=(0, LASTS_S), ylim=(-most, most), yticks=(-30, -15, 0, 15, 30))
        label_axes(ax, "time, s", "bearing, ° (left is +)", _FONT_PT - 1)

    def _map(self, ax) -> None:
        self._area = ax.fill([0, 1, 1], [0, 0, 1], color=_CALM, alpha=0.18, linewidth=0)[0]
        (self._limit,) = ax.plot([], [], color=_CALM, linewidth=2.2, label="ultimate gain")
        (self._safe,) = ax.plot([], [], "--", color=_CALM, linewidth=1.4, label="safe gain (half)")
        delays = np.linspace(0.05, _MOST_DELAY_S + 0.1, 60)
        ax.plot(delays, math.pi / 2 / delays, ":", color="black", linewidth=1.4, label="π/2 ÷ latency")
        (self._dot,) = ax.plot([], [], "o", color=_CALM, markersize=11, markeredgecolor="black")
        ax.set(xlim=(-0.015, _MOST_DELAY_S + 0.03), ylim=(0, _MOST_GAIN + 0.4), yticks=(0, 3, 6, 9, 12))
        label_axes(ax, "latency, s", "gain, 1/s", _FONT_PT - 1)
        ax.legend(fontsize=_FONT_PT - 2, frameon=False, loc="upper right")
        ax.text(0.015, 0.5, "stable", fontsize=_FONT_PT - 2)
        ax.text(0.45, 4.7, "unstable", fontsize=_FONT_PT - 2)

    def _way(self, ax) -> None:
        tip, long = np.array([3.2, -0.42]), 0.45 * np.array([math.cos(STEP_RAD), math.sin(STEP_RAD)])
        ax.annotate("", tip[::-1], (tip - long)[::-1], arrowprops={"arrowstyle": "-|>", "color": _POST, "linewidth": 2})
        ax.text(-0.42, 2.6, "to the\npost", ha="center", va="top", fontsize=_FONT_PT - 2)
        (self._path,) = ax.plot([], [], color=_CALM, linewidth=2)
        (self._stop,) = ax.plot([], [], "X", color=_WILD, markersize=11)
        (self._trolley,) = ax.fill([0, 1, 1], [0, 0, 1], color="black")
        # Turned so that the start points up and left is left.
        ax.set(xlim=(1.35, -0.85), ylim=(-0.25, 3.45), aspect="equal", xticks=(1, 0), yticks=(0, 1, 2, 3))
        label_axes(ax, "", "", _FONT_PT - 1).set_title("from above, m", fontsize=_FONT_PT, loc="left")

    def draw(self, turn: Turn, gain: float, delay_s: float, line: np.ndarray) -> np.ndarray:
        color = _CALM if gain < line[round(delay_s / 0.05), 1] else _WILD
        self._curve.set_data(turn.t_s, np.degrees(turn.bearing_rad))
        self._path.set_data(turn.pose[:, 1], turn.pose[:, 0])
        x, y, yaw = turn.pose[-1]
        # One point each where the post was lost, none where it was not.
        last = slice(0) if turn.lost_s is None else slice(-1, None)
        self._end.set_data(turn.t_s[last], np.degrees(turn.bearing_rad[last]))
        self._stop.set_data(turn.pose[last, 1], turn.pose[last, 0])
        corners = np.array([(0.16, 0.0), (-0.1, 0.09), (-0.1, -0.09)])
        turned = corners @ np.array([[math.cos(yaw), math.sin(yaw)], [-math.sin(yaw), math.cos(yaw)]]) + (x, y)
        self._trolley.set_xy(turned[:, ::-1])
        self._limit.set_data(*line.T)
        self._safe.set_data(line[:, 0], line[:, 1] / GAIN_MARGIN)
        self._area.set_xy(np.vstack([[(0, 0)], line, [(line[-1, 0], 0)]]))
        self._dot.set_data([delay_s], [gain])
        for artist in (self._curve, self._path, self._dot):
            artist.set_color(color)
        self._dot.set_markeredgecolor("black")
        return self._figure.draw()
