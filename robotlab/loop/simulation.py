"""The whole loop in simulation: perceive -> decide -> act.

Time runs in ticks; a frame is a whole number of them.  In each tick, in this
order: the camera takes a picture if one is due; the detector looks at the
newest picture that has arrived; the follower decides; the ramp smooths; the
link carries the wheel speeds; the motors follow; the trolley moves along
exact arcs.
"""

from __future__ import annotations

import math
import os
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from typing import Any

import numpy as np

from robotlab.camera import Camera
from robotlab.checks import number, whole
from robotlab.checks import pose as checked_pose
from robotlab.control import Supervisor, advance, scale_wheel_speeds
from robotlab.control.board import BoardWheels
from robotlab.control.supervisor import HALT
from robotlab.detections import Detections, Detector, as_detector
from robotlab.errors import InputError, PictureError
from robotlab.greenhouse import Walk, render
from robotlab.image import encode, resize
from robotlab.loop.decide import Follower, VelocityCommand
from robotlab.loop.fault_model import CameraFrame, FaultModel
from robotlab.loop.ground_truth import GroundTruthDetector, post_box
from robotlab.loop.log import RunLog
from robotlab.loop.perception import STALLED, FreezeDetector, StallDetector, check_size, in_camera_px, show
from robotlab.loop.records import observation_record, rounded, scene_facts, start_record
from robotlab.loop.run import Run
from robotlab.loop.settings import Settings


def default_camera(width_px: int = 320, height_px: int = 240) -> Camera:
    """The trolley's camera: 62.2 degrees wide, 25 cm above the ground, level.

    Parameters
    ----------
    width_px, height_px : int
        Size of the picture.

    Returns
    -------
    Camera
        The published field of view of a common small camera (IMX219 with its
        3.04 mm lens).

    Examples
    --------
    >>> default_camera().width_px
    320
    """
    return Camera(width_px, height_px, math.radians(62.2), height_m=0.25)


def simulate(
    detector: Detector | GroundTruthDetector | Callable[[np.ndarray], Detections],
    walk: Walk,
    camera: Camera | None = None,
    settings: Settings | None = None,
    seed: int = 0,
    *,
    lighting: str | None = None,
    duration_s: float | None = None,
    start: tuple[float, float, float] = (0.0, 0.0, 0.0),
    pictures: bool = True,
    lifted: bool = False,
    log: str | os.PathLike | None = None,
    sync_s: float | None = None,
    faults: FaultModel | None = None,
    strict: bool = True,
    after_frame: Callable[[float], None] | None = None,
) -> Run:
    """Let a trolley follow a walking post, and record everything.

    Parameters
    ----------
    detector : Detector, GroundTruthDetector or callable
        What finds the post.
    walk : Walk
        Where the post goes, and the greenhouse around it.
    camera : Camera, optional
        The trolley's camera, above the middle of the axle.
    settings : Settings, optional
        All the numbers.
    seed : int
        Of the sensor noise; same seed, same run.
    lighting : str, optional
        Other lighting than the walk's own.
    duration_s : float, optional
        How long; by default as long as the walk.
    start : (float, float, float)
        Pose at the start: x and y, m, and yaw, rad.
    pictures : bool
        Render pictures and keep them for the replay.  A truth detector can do
        without: False is then many times faster, but nothing hides the post.
    lifted : bool
        The wheels are off the ground: they turn, the trolley stays.  Then ask
        :meth:`Run.sign_check`.
    log : path-like, optional
        Also write the run log while running.
    sync_s : float, optional
        As in :class:`robotlab.loop.log.RunLog`.
    faults : FaultModel, optional
        What goes wrong.
    strict : bool
        An error in the detector ends the simulation; False notes it and goes
        on without a result, as a robot must.
    after_frame : callable, optional
        Called after each frame with the fraction of the run that is done.

    Returns
    -------
    Run
        All the arrays, and :meth:`~robotlab.loop.run.Run.scores`.

    Raises
    ------
    InputError
        If something does not fit together.

    Notes
    -----
    The pictures are rendered; no camera took them.  Delays are rounded to
    whole ticks of at most ``1 / ramp_hz``; the run's settings say to what.

    Examples
    --------
    >>> from robotlab.loop import GroundTruthDetector
    >>> from robotlab.greenhouse import WALKS
    >>> run = simulate(GroundTruthDetector(), WALKS["straight"], duration_s=5, pictures=False)
    >>> run.scores()["time_in_view"]
    1.0
    """
    camera, settings = camera or default_camera(), settings or Settings()
    if settings.hfov_rad is not None:
        camera = replace(camera, hfov_rad=settings.hfov_rad)
    seed = whole(seed, "seed")
    if not isinstance(detector, GroundTruthDetector):
        detector = as_detector(detector)
        if not pictures:
            raise InputError(
                "a detector that looks at pictures needs them, got pictures=False; leave it out, or use a GroundTruthDetector"
            )
    duration_s = number(walk.duration_s if duration_s is None else duration_s, "duration_s", 0)
    loop = _Loop(
        detector, walk, camera, settings, seed, lighting, checked_pose(start), pictures, faults or FaultModel(), strict
    )
    loop.lifted = lifted
    ticks = round(duration_s / loop.tick_s)
    with ExitStack() as stack:
        if log is not None:
            loop.file = stack.enter_context(RunLog(log, sync_s))
        facts = scene_facts(loop.scene) | {"walk": walk.name, "seed": seed, "tick_s": loop.tick_s}
        loop.write(start_record(detector, camera, loop.settings, **facts))
        for tick in range(ticks + 1):
            loop.step(tick)
            if after_frame is not None and tick % loop.ticks_per_frame == 0:
                after_frame(tick / ticks if ticks else 1.0)
        loop.write({"kind": "end", "t": round(ticks * loop.tick_s, 6)})
    return Run.from_records(loop.records, loop.pictures)


class _Loop:
    """State of one simulation."""

    def __init__(self, detector, walk, camera, settings, seed, lighting, start, pictures, faults, strict) -> None:
        self.detector, self.walk, self.camera, self.seed, self.lighting = detector, walk, camera, seed, lighting
        self.keep, self.faults, self.strict, self.lifted = pictures, faults, strict, False
        # The rounding guards against 4.999999 ticks to a frame.
        self.ticks_per_frame = max(1, math.ceil(settings.frame_s * settings.ramp_hz - 1e-9))
        self.tick_s = settings.frame_s / self.ticks_per_frame
        self.delay, self.busy = round(settings.delay_s / self.tick_s), round(settings.detector_s / self.tick_s)
        self.settings: Settings = settings.but(delay_s=self.delay * self.tick_s, detector_s=self.busy * self.tick_s)
        s, self.now = self.settings, 0.0
        self.follower = Follower(camera, s, 0.0)
        # The steps come at a steady rate: counted, they are the clock that only goes forward.
        self.stop = Supervisor(
            0.0,
            float(faults.clock(0.0)),
            period_s=self.tick_s,
            command_hold_s=self.tick_s,
            max_age_s=s.silence_s,
            **s.supervision(),
        )
        self.stop.confirmed(0.0)
        self.board = BoardWheels(s.max_accel_mps2, s.link_timeout_s)
        self.turned, self.view, self.stall = 0.0, FreezeDetector(), StallDetector()
        self.pose: tuple[float, float, float] = (float(start[0]), float(start[1]), float(start[2]))
        self.wheels = (0.0, 0.0)
        self.arriving: list = []
        self.waiting: deque = deque(maxlen=1)
        self.passed: deque = deque(maxlen=32)
        self.work: Any = None
        self.state = ""
        self.records: list[dict] = []
        self.pictures: dict[int, bytes] = {}
        self.file: RunLog | None = None
        self.scene = walk.scene if lighting is None else walk.scene.under(lighting)
        if isinstance(detector, GroundTruthDetector):
            detector.begin(seed)

    def write(self, record: dict) -> None:
        self.records.append(record)
        if self.file is not None:
            self.file.write(record)

    def step(self, tick: int) -> None:
        t = tick * self.tick_s
        self.now = float(self.faults.clock(t))
        post = self.walk.post_at(t)
        if tick % self.ticks_per_frame == 0:
            self._take(tick, t, post)
        self._look(tick, t)
        velocity, order = self._decide(t)
        command = self._act(t, order)
        self.write(
            {
                "kind": "tick",
                "t": round(t, 6),
                "pose": rounded(self.pose, 6),
                "wheels": rounded(self.wheels, 6),
                "command": rounded(command, 6),
                "state": velocity.state,
                "post": rounded(post, 6),
            }
        )
        self._move(command)

    def _take(self, tick: int, t: float, post: tuple[float, float]) -> None:
        """Perceive, first half: the camera."""
        index, (x, y, yaw) = tick // self.ticks_per_frame, self.pose
        picture = None
        if self.keep:
            # One seed for each picture of each run: a prime parts the runs.
            seed = self.seed * 1_000_003 + index
            rendered = render(self.scene.with_post_at(*post), self.camera, self.pose, seed=seed)
            picture, truths = rendered.picture, rendered.truths
            rows = np.flatnonzero(truths.labels == truths.classes.index("post"))
            box, visible = (truths.boxes[rows[0]], float(truths.visibility[rows[0]])) if len(rows) else (None, 0.0)
        else:
            dx, dy, cos, sin = post[0] - x, post[1] - y, math.cos(yaw), math.sin(yaw)
            size = (self.settings.target_height_m, self.settings.target_width_m)
            box, visible = post_box(self.camera, cos * dx + sin * dy, cos * dy - sin * dx, *size)
        if picture is not None and self.settings.detector_px is not None:
            picture = resize(picture, self.settings.detector_px)
        self.write(
            {
                "kind": "picture",
                "i": index,
                "t": round(t, 6),
                "truth": None if box is None else rounded(box),
                "visible": round(visible, 4),
            }
        )
        if picture is not None:
            self.pictures[index] = encode(picture, "jpg", quality=75)
        for frame, extra in self.faults.frames(index, t, CameraFrame(picture, box, visible)):
            due = tick + self.delay + round(number(extra, "extra_s", 0) / self.tick_s)
            self.arriving.append((due, index, t, frame, self.now, yaw))

    def _look(self, tick: int, t: float) -> None:
        """Perceive, second half: the detector, one picture at a time, the newest first."""
        if self.work is not None and tick >= self.work[0]:
            self._take_in(t)
        here = [item for item in self.arriving if item[0] <= tick]
        self.arriving = [item for item in self.arriving if item[0] > tick]
        for item in here:
            _, index, true_t, frame, stamp, yaw = item
            taken = self.stop.picture(t, stamp, self.now) if self._readable(frame, t) and self._live(frame) else None
            if taken is None:
                continue
            if self.keep and not self.lifted and self.stall.stalled(frame.picture, self.turned, t):
                self.stop.fail(STALLED)
            self.waiting.append((index, true_t, frame, taken, yaw))
            if self.work is None:
                self._start(tick, t)
        if self.work is None and self.waiting:
            self._start(tick, t)

    def _live(self, frame: CameraFrame) -> bool:
        """Whether a picture has not been seen before; one without pixels is known by itself."""
        if frame.picture is not None:
            return self.view.live(frame.picture)
        live = not any(frame is old for old in self.passed)
        self.passed.append(frame)
        return live

    def _readable(self, frame: CameraFrame, t: float) -> bool:
        """Whether a picture is one; if not, it is not a sign of life either."""
        if not self.keep:
            return True
        size = self.settings.detector_px or (self.camera.width_px, self.camera.height_px)
        try:
            check_size(frame.picture, size, "the picture that arrived")
        except PictureError as error:
            if self.strict:
                raise
            self._event(t, "picture failed", f"{type(error).__name__}: {error}")
            return False
        return True

    def _event(self, t: float, what: str, text: str) -> None:
        self.write({"kind": "event", "t": round(t, 6), "what": what, "text": text})

    def _start(self, tick: int, t: float) -> None:
        index, true_t, frame, taken, yaw = self.waiting.popleft()
        busy = self.busy + round(number(self.faults.detector_extra_s(t), "detector_extra_s", 0) / self.tick_s)
        self.work = (tick + busy, index, self._find(index, true_t, frame), taken, yaw)
        if busy == 0:
            self._take_in(t)

    def _find(self, index: int, t: float, frame: CameraFrame) -> Detections | Exception:
        """Call the detector; boxes come back in the camera's pixels."""
        try:
            if isinstance(self.detector, GroundTruthDetector):
                px = self.settings.detector_px or (self.camera.width_px, self.camera.height_px)
                scale = np.array([px[0] / self.camera.width_px, px[1] / self.camera.height_px] * 2)
                found = self.detector.detect_ground_truth(
                    None if frame.truth is None else frame.truth * scale, frame.visible
                )
            else:
                assert frame.picture is not None
                found = show(self.detector, frame.picture)
            return in_camera_px(self.faults.found(index, t, found), self.camera, self.settings)
        except Exception as error:
            if self.strict:
                raise
            return error

    def _take_in(self, t: float) -> None:
        _, index, found, taken, yaw = self.work
        self.work = None
        try:
            if isinstance(found, Exception):
                raise found
            observation = self.follower.observe(found, taken, yaw)
        except Exception as error:
            # Whatever it found, it works; only an error is not a sign of life.
            if self.strict:
                raise
            self._event(t, "detector failed", f"{type(error).__name__}: {error}")
            return
        self.stop.result(t)
        self.write(observation_record(index, t, found, observation))

    def _decide(self, t: float) -> tuple[VelocityCommand, tuple[float, float] | None]:
        """What is commanded, and what may be sent."""
        velocity = self.follower.velocity(t)
        self.stop.command(t, velocity.v_mps, velocity.yaw_radps)
        order = self.stop.step(t, self.now)
        if order is HALT:
            velocity = VelocityCommand(0.0, 0.0, "fault")
        if velocity.state != self.state:
            self._event(t, velocity.state, self.stop.reason)
            self.state = velocity.state
        return velocity, order

    def _act(self, t: float, order: tuple[float, float] | None) -> tuple[float, float]:
        """Link and motor board: the wheel commands that the motors get."""
        s = self.settings
        if self.faults.link(t):
            if order is HALT:
                self.board.halt(t)
                self.stop.halt_confirmed()
            else:
                self.board.drive(
                    t, *scale_wheel_speeds(*s.drive.wheels(order[0], s.steering_sign * order[1]), s.motor.max_mps)
                )
                self.stop.confirmed(t)
                self.turned += order[1] * self.tick_s
        # A halt brakes from this tick on, as the computer's ramp does.
        return self.faults.motors(t, *self.board.at(t + self.tick_s))

    def _move(self, command: tuple[float, float]) -> None:
        motor = self.settings.motor
        (left, left_mean), (right, right_mean) = (
            motor.step(speed, goal, self.tick_s) for speed, goal in zip(self.wheels, command, strict=True)
        )
        self.wheels = (left, right)
        if self.lifted:
            return
        v, yaw = self.settings.drive.twist(motor.ground(left_mean), motor.ground(right_mean))
        x, y, angle = self.pose
        x, y, angle = advance(x, y, angle, v, yaw, self.tick_s)
        # A wall stops the trolley; its wheels then slip.
        x0, y0, x1, y1 = self.scene.room_m
        edge = self.settings.radius_m
        self.pose = (min(max(x, x0 + edge), x1 - edge), min(max(y, y0 + edge), y1 - edge), angle)
