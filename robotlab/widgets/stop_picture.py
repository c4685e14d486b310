"""Stopping distance on sliders: speed, deceleration and distance over time, and a crate in the way."""

from __future__ import annotations

import numpy as np

from robotlab.checks import number
from robotlab.control import make_ramp, stopping_distance_m
from robotlab.report.plots import new_figure
from robotlab.widgets.kit import KeptFigure
from robotlab.widgets.slider_picture import Slider, SliderPicture

# What fits on the axes: a small trolley at a brisk walk, stopped gently or hard (common practice, no source).
_END_S, _END_M, _TOP_MPS, _TOP_MPS2 = 4.5, 3.5, 1.25, 3.3
_AXES = (("speed, m/s", 0, _TOP_MPS), ("acceleration,\nm/s²", -_TOP_MPS2, 0.3), ("distance, m", 0, _END_M))
# Steps as short as those of the ramp's own thread, or shorter, s.
_STEP_S = 0.005
_BLUE, _ORANGE, _GRAY = "#0072b2", "#d55e00", "#666666"  # after Okabe and Ito, 2008


def stop_course(
    speed_mps: float, accel_mps2: float, jerk_mps3: float | None, delay_s: float, end_s: float
) -> tuple[np.ndarray, ...]:
    """A stop, step by step, by the ramps of :mod:`robotlab.control`.

    Parameters
    ----------
    speed_mps : float
        Speed at time 0, when something happens.
    accel_mps2 : float
        Deceleration limit.
    jerk_mps3 : float or None
        Jerk limit; ``None`` for none.
    delay_s : float
        Reaction time, until the ramp begins; rounded to steps.
    end_s : float
        Where the course ends.

    Returns
    -------
    (t_s, speed_mps, accel_mps2, way_m) : tuple of (T,) ndarray
        At the ends of the steps, time 0 first.

    Examples
    --------
    >>> t, speed, accel, way = stop_course(0.5, 1.0, None, 0.2, 2.0)
    >>> round(float(way[-1]), 3), float(speed[-1])
    (0.225, 0.0)
    """
    steps, wait = round(end_s / _STEP_S), round(delay_s / _STEP_S)
    ramp = make_ramp(accel_mps2, jerk_mps3, start=speed_mps)
    speeds = np.full(steps + 1, float(speed_mps))
    for i in range(wait + 1, steps + 1):
        speeds[i] = ramp.step(0.0, _STEP_S)
    accel = np.diff(speeds, prepend=speeds[0]) / _STEP_S
    way = np.concatenate([[0.0], np.cumsum((speeds[1:] + speeds[:-1]) / 2) * _STEP_S])
    return np.arange(steps + 1) * _STEP_S, speeds, accel, way


class StopPicture(SliderPicture):
    """Sliders for speed, limits and reaction time; beneath them the stop, and a crate in the way.

    Parameters
    ----------
    clear_m : float
        How far away the crate is when something happens.
    speed_mps, accel_mps2, jerk_mps3, delay_s : float
        Where the sliders stand at first.

    Raises
    ------
    MotionError
        If the crate is not in front of the trolley.
    InputError
        If a slider would start outside of its range.

    Examples
    --------
    >>> StopPicture(speed_mps=0.5, accel_mps2=1.0, jerk_mps3=5.0, delay_s=0.2).text
    'Stands after 0.275 m and 0.90 s: 0.100 m in the reaction time, 0.175 m on the ramp. 0.525 m to spare. Without a jerk limit it would stand after 0.225 m.'
    """

    def __init__(
        self,
        clear_m: float = 0.8,
        speed_mps: float = 0.6,
        accel_mps2: float = 0.8,
        jerk_mps3: float = 8.0,
        delay_s: float = 0.35,
    ) -> None:
        self._clear = number(clear_m, "clear_m", 0, open_low=True)
        self._build()
        super().__init__(
            self._stop,
            alt="Three curves over time, one above the other: speed, acceleration and distance of a trolley that stops. "
            "Solid with the jerk limit, dashed without. In the lowest a hatched bar is the crate; the line below has the numbers.",
            speed_mps=Slider(0.1, 1.2, speed_mps, 0.05, "speed", "m/s"),
            accel_mps2=Slider(0.4, 3.0, accel_mps2, 0.1, "acceleration limit", "m/s²"),
            jerk_mps3=Slider(1.0, 40.0, jerk_mps3, 0.5, "jerk limit", "m/s³"),
            delay_s=Slider(0.0, 1.0, delay_s, 0.05, "reaction time", "s"),
        )

    def _build(self) -> None:
        """The figure without its lines, drawn once; each move draws the lines alone, ten times as fast."""
        figure, grid = new_figure(3, 1, width_in=6.6, height_in=4.4)
        axes = grid[:, 0]
        self._lines = {
            style: [ax.plot([], [], style, color=color, linewidth=width)[0] for ax in axes]
            for style, color, width in (("--", _GRAY, 1.2), ("-", _BLUE, 2.0))
        }
        for ax, (name, *limits) in zip(axes, _AXES, strict=True):
            ax.set(xlim=(0, _END_S), ylim=limits, ylabel=name)
        for ax in axes[:-1]:
            ax.tick_params(labelbottom=False)
        axes[-1].set_xlabel("time since something happened, s")
        crate = {"facecolor": "#f0e442", "edgecolor": "black", "hatch": "///", "alpha": 0.35}
        axes[-1].axhspan(self._clear, self._clear + 0.4, **crate)
        plate = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
        place = {"transform": axes[-1].transAxes, "ha": "right", "va": "center"}
        axes[-1].text(0.98, (self._clear + 0.2) / _END_M, "the crate", bbox=plate, **place)
        (self._end,) = axes[-1].plot([], [], "o", color=_ORANGE, markersize=8)
        self._begin = [ax.axvline(0, color=_GRAY, linewidth=1, linestyle=":") for ax in axes]
        moving = [*self._begin, *self._lines["--"], *self._lines["-"], self._end]
        self._figure = KeptFigure(figure, moving)

    def _stop(self, speed_mps: float, accel_mps2: float, jerk_mps3: float, delay_s: float):
        """Draw one stop and say it in a line."""
        for style, jerk in (("--", None), ("-", jerk_mps3)):
            t, *curves = stop_course(speed_mps, accel_mps2, jerk, delay_s, _END_S)
            for line, curve in zip(self._lines[style], curves, strict=True):
                line.set_data(t, curve)
        speeds, way = curves[0], curves[2]
        for line in self._begin:
            line.set_xdata([delay_s, delay_s])
        plain, whole = (
            stopping_distance_m(speed_mps, accel_mps2, delay_s, max_jerk_mps3=jerk) for jerk in (None, jerk_mps3)
        )
        lost = speed_mps * delay_s
        seconds = delay_s + 2 * (whole - lost) / speed_mps
        self._end.set_data([min(seconds, _END_S)], [min(whole, _END_M)])
        said = f"Stands after {whole:.3f} m and {seconds:.2f} s: {lost:.3f} m in the reaction time, {whole - lost:.3f} m on the ramp. "
        if whole < self._clear:
            said += f"{self._clear - whole:.3f} m to spare."
        else:
            hit = float(np.interp(self._clear, way, speeds))
            said += f"It hits the crate at {hit:.2f} m/s."
        return self._figure.draw(), f"{said} Without a jerk limit it would stand after {plain:.3f} m."
