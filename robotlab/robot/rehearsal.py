"""An emulated robot to rehearse with: a motor board over a pseudo-terminal, and a camera in the rendered greenhouse.

The program that drives it cannot tell it from a real one: it opens a port, and
takes pictures that come when they come.
"""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable

import numpy as np

from robotlab.camera import Camera
from robotlab.checks import number
from robotlab.control import DifferentialDrive, Motor, advance
from robotlab.control.board import Board
from robotlab.errors import InputError
from robotlab.greenhouse import Walk, render

# The board answers within this time, s.
_BEAT_S = 0.005


class EmulatedBoard:
    """A motor board at the other end of a pseudo-terminal (POSIX).

    Parameters
    ----------
    max_mps : float
        Faster commands are refused, as by :class:`robotlab.control.board.Board`.

    Attributes
    ----------
    port : str
        Name of the port, for :meth:`robotlab.control.SerialLink.open`.
    turned : (float, float)
        Speeds of the wheels when they turned last, m/s: what a person would have seen.

    Raises
    ------
    InputError
        If this system has no pseudo-terminals.

    Examples
    --------
    >>> from robotlab.control import SerialLink
    >>> with EmulatedBoard() as board:
    ...     link = SerialLink.open(board.port)
    ...     link.send(0.0, 0.0), link.send(0.2, 0.1)
    ...     wheels = board.wheels()
    ...     link.close()
    (None, None)
    >>> wheels
    (0.2, 0.1)
    """

    def __init__(self, max_mps: float = 1.0) -> None:
        if not hasattr(os, "openpty"):
            raise InputError(
                "emulated wheels need a pseudo-terminal, this system has none (Windows); take a Linux machine, or a real board"
            )
        self._board, self._lock = Board(max_mps), threading.Lock()
        self.turned = (0.0, 0.0)
        self._near, self._far = os.openpty()
        self.port = os.ttyname(self._far)
        self._leave = threading.Event()
        self._thread = threading.Thread(target=self._run, name="emulated board", daemon=True)

    def __enter__(self) -> EmulatedBoard:
        import tty

        tty.setraw(self._far)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._leave.set()
        self._thread.join(1.0)
        os.close(self._near)
        os.close(self._far)

    def wheels(self) -> tuple[float, float]:
        """What the wheels are told now.

        Returns
        -------
        (left_mps, right_mps) : tuple of float
            Speeds, m/s.
        """
        with self._lock:
            return self._board.wheels()

    def _run(self) -> None:
        while not self._leave.is_set():
            if not select.select([self._near], [], [], _BEAT_S)[0]:
                continue
            said = os.read(self._near, 4096)
            with self._lock:
                self._board.write(said)
                answers = iter(self._board.readline, b"")
                os.write(self._near, b"".join(answers))
                told = self._board.wheels()
                if max(map(abs, told)) > 0.05:  # as slowly as a ramp ends, nobody sees them turn
                    self.turned = told


class RenderedCamera:
    """A camera in the rendered greenhouse, which moves as the wheels turn, in real time.

    Parameters
    ----------
    walk : Walk
        How the post walks, and where.
    lighting : str
        The lighting.
    camera : Camera
        Field of view and size.
    wheels : callable
        Gives the speeds that the left and the right wheel are told, m/s.
    frame_hz : float
        Pictures a second.
    delay_s : float
        From the exposure until the picture is handed over.
    drive, motor
        The robot.
    seed : int
        Of the sensor noise.

    Attributes
    ----------
    lifted : bool
        The wheels are off the ground: they turn, robot and post stay.
    walking : callable
        Whether the post walks now; it always does, unless this is replaced.
    pose : (float, float, float)
        Where it is: x and y, m, and yaw, rad.

    Examples
    --------
    >>> from robotlab.greenhouse import WALKS
    >>> take = RenderedCamera(WALKS["straight"], "daylight", Camera(64, 48, 1.0, height_m=0.25), lambda: (0.2, 0.2))
    >>> picture, time_s = take()
    >>> picture.shape
    (48, 64, 3)
    """

    def __init__(
        self,
        walk: Walk,
        lighting: str,
        camera: Camera,
        wheels: Callable[[], tuple[float, float]],
        frame_hz: float = 10.0,
        delay_s: float = 0.05,
        drive: DifferentialDrive | None = None,
        motor: Motor | None = None,
        seed: int = 0,
    ) -> None:
        self._walk, self._scene, self._camera = walk, walk.scene.under(lighting), camera
        self._wheels, self._drive, self._motor = wheels, drive or DifferentialDrive(), motor or Motor()
        self._frame, self._delay = 1 / number(frame_hz, "frame_hz", 0, open_low=True), number(delay_s, "delay_s", 0)
        self._seed, self._count = seed * 1_000_003, 0
        self.pose, self.lifted = (0.0, 0.0, 0.0), False
        self._speeds, self._now = (0.0, 0.0), time.monotonic()
        self._due, self._walked = self._now, 0.0
        self.walking: Callable[[], bool] = lambda: True

    def __call__(self) -> tuple[np.ndarray, float]:
        """Wait for the next picture.

        Returns
        -------
        picture : (H, W, 3) ndarray of uint8
            Rendered; no camera took it.
        time_s : float
            When it was taken, on ``time.monotonic``.
        """
        self._due = max(self._due + self._frame, time.monotonic())
        while (left := self._due - time.monotonic()) > 0:
            time.sleep(min(left, 0.01))
            self._move()
        taken = self._move()
        self._count += 1
        post = self._walk.post_at(min(self._walked, self._walk.duration_s))
        picture = render(
            self._scene.with_post_at(*post), self._camera, self.pose, seed=self._seed + self._count
        ).picture
        time.sleep(max(0.0, taken + self._delay - time.monotonic()))
        return picture, taken

    def _move(self) -> float:
        """Go on to now, as the wheels do."""
        before, self._now = self._now, time.monotonic()
        dt, told = self._now - before, self._wheels()
        (left, left_mean), (right, right_mean) = (
            self._motor.step(speed, goal, dt) for speed, goal in zip(self._speeds, told, strict=True)
        )
        self._speeds = left, right
        if not self.lifted:
            self._walked += dt * self.walking()
            v, yaw = self._drive.twist(self._motor.ground(left_mean), self._motor.ground(right_mean))
            self.pose = advance(*self.pose, v, yaw, dt)
        return self._now
