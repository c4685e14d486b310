"""The live page: what the robot sees, in a browser, and a control that must be held.

Many may watch, one may hold.  Letting go, closing the tab, a lost network, a
browser that hangs or is killed all end in the same way: no fresh sign that the
control is held, and the robot ramps down and stands until a person presses
again.  It is a convenience and **no safety function** (IEC 60204-1, ISO 13850):
the power switch stays in a hand.
"""

from __future__ import annotations

import asyncio
import importlib.util
import ipaddress
import json
import math
import os
import secrets
import socket
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from robotlab.checks import error_message, number, whole
from robotlab.control import Supervisor
from robotlab.control.safety import steady_s
from robotlab.errors import InputError, MotionError, install_hint
from robotlab.image import encode
from robotlab.loop.records import rounded
from robotlab.loop.viewers import Tell, ViewerFrame

if TYPE_CHECKING:
    from robotlab.robot.page_server import Watcher

# A sign that the control is held is asked for so often, and good for so long: seven may be lost or late
# (common practice, no source).
ASK_S, HOLD_TO_RUN_S = 0.05, 0.4
# A picture for a person; wider ones are thinned out.
SHOWN_HZ, SHOWN_PX, QUALITY = 12.5, 640, 75
# A server that does not end by then is left behind, s.
_PATIENCE_S = 2.0
# The broadcast address (RFC 919).
_EVERYBODY = ipaddress.ip_address("255.255.255.255")
# So many may knock at the same moment.
_BACKLOG = 16


class LivePage:
    """A page in the browser that shows a drive and lets a person hold it.

    Parameters
    ----------
    address : str
        Where it listens: the default can be reached from this machine alone.
    port : int
        0 takes a free one.
    timeout_s : float
        A sign that the control is held is good for so long.
    battery_v : float or None
        Shown if given; may be set later.

    Attributes
    ----------
    url : str
        The address with its token, to open in a browser; who has it can drive.
    ended : str
        Who stopped the drive, if somebody did.

    Raises
    ------
    InputError
        If tornado is not installed or the address cannot be listened on.

    Notes
    -----
    The server has a thread of its own.  The loop only leaves its newest picture
    here (:meth:`show`); each is made into a JPEG at most once, if somebody is
    watching and has taken the last one, so a slow watcher gets fewer pictures and
    holds up nobody.

    The control is asked for, not listened to: each question is a random word, and a
    page that is held answers it.  What counts is when the question was *asked*
    (:class:`robotlab.control.held_control.HeldControl`), so an answer that was
    held up on the way, in a sleeping browser or in a sleeping robot, is worth
    nothing, and neither is one that comes twice.

    Examples
    --------
    >>> with LivePage() as page:
    ...     page.url.startswith("http://127.0.0.1:")
    True
    """

    def __init__(
        self,
        address: str = "127.0.0.1",
        port: int = 0,
        timeout_s: float = HOLD_TO_RUN_S,
        battery_v: float | None = None,
    ) -> None:
        self.timeout_s = number(timeout_s, "timeout_s", 2 * ASK_S)
        self.battery_v, self.ended = battery_v, ""
        self.token = secrets.token_urlsafe(24)
        self.watchers: set[Watcher] = set()
        self.names = frozenset({address.lower()})
        self._socket = _listen(address, whole(port, "port"))
        shown = f"[{address}]" if ":" in address else address
        self.url = f"http://{shown}:{self._socket.getsockname()[1]}/{self.token}/"
        self._newest: ViewerFrame | None = None
        self._times: deque[float] = deque(maxlen=20)
        self._coded: tuple[int, bytes] = (-1, b"")
        self._asked: dict[str, float] = {}
        self._holder: Watcher | None = None
        self._tell: Tell | None = None
        self._over = ""
        self._leave = threading.Event()
        self._thread = threading.Thread(target=self._run, name="live page", daemon=True)
        self.error: BaseException | None = None

    def __enter__(self) -> LivePage:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the server; whoever held has let go."""
        self._leave.set()
        if self._thread.ident is not None:
            self._thread.join(_PATIENCE_S)
        self._socket.close()

    def begin(self, tell: Tell) -> None:
        """The drive begins: :func:`robotlab.loop.drive` calls this.

        Parameters
        ----------
        tell : callable
            :meth:`robotlab.control.RampThread.tell`.
        """
        self._tell, self.ended, self._over = tell, "", ""

    def show(self, seen: ViewerFrame) -> None:
        """Leave the newest picture here: pass this to :func:`robotlab.loop.drive`.

        Parameters
        ----------
        seen : ViewerFrame
            The picture, and what came of it.
        """
        self._newest = seen
        self._times.append(seen.decided_s)

    @property
    def held(self) -> bool:
        """Whether somebody holds the control."""
        return self._holder is not None

    def finish(self, reason: str) -> None:
        """Say on the page that the drive is over, and why.

        Parameters
        ----------
        reason : str
            For people.
        """
        self._tell, self._over = None, reason or "the drive is over"

    # What follows runs in the server's thread alone.

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # the robot stands when no sign comes anymore
            self.error = error

    async def _serve(self) -> None:
        from robotlab.robot.page_server import make_server

        server = make_server(self)
        server.add_sockets([self._socket])
        due = steady_s()
        while not self._leave.is_set():
            self._ask()
            due = max(due + ASK_S, steady_s())
            await asyncio.sleep(max(0.0, due - steady_s()))
        for watcher in list(self.watchers):
            self.left(watcher)
            watcher.close(1001)
        server.stop()
        with suppress(asyncio.TimeoutError):
            await asyncio.wait_for(server.close_all_connections(), 0.5)

    def _order(self, event: Callable[[Supervisor, float, float], Any], otherwise: Any = False) -> Any:
        """Tell the state machine of the stop, if a drive is on."""
        if self._tell is None:
            return otherwise
        try:
            return self._tell(event)
        except MotionError:  # a clock that gives no number: the drive itself will say so
            return otherwise

    def heard(self, watcher: Watcher, word: str, ask: str | None) -> None:
        """A watcher has pressed, holds, lets go or stops.

        Parameters
        ----------
        watcher : Watcher
            Who.
        word : {"press", "hold", "go", "stop"}
            What.
        ask : str or None
            The question it answers.
        """
        since = self._asked.get(ask or "", -math.inf)
        if word == "stop":
            self.ended = self.ended or "somebody pressed stop on the page"
            self._order(lambda stop, *_: stop.stop())
        elif word == "go":
            self.left(watcher)
        elif word == "hold" and watcher is self._holder:
            self._order(lambda stop, t, _: stop.control.hold(t, since))
        elif word == "press":
            if self._holder not in (None, watcher):
                watcher.tell(json.dumps({"refused": "another page is holding"}))
            elif self._order(lambda stop, t, _: stop.state.value == "ready" and stop.control.press(t, since)):
                self._holder = watcher
            else:
                watcher.tell(json.dumps({"refused": self._over or "that came too late: let go and press again"}))

    def left(self, watcher: Watcher) -> None:
        """A watcher has let go, or gone.

        Parameters
        ----------
        watcher : Watcher
            Who.
        """
        if watcher is self._holder:
            self._holder = None
            self._order(lambda stop, *_: stop.control.let_go())

    def _ask(self) -> None:
        """Ask all whether they hold, and show the newest picture to those who have taken the last one."""
        from robotlab.robot.page_server import GONE_S

        if not self.watchers:
            return
        now, question = steady_s(), secrets.token_hex(4)
        held, state, speeds = self._order(
            lambda stop, t, _: (stop.control.held(t), stop.state.value, stop.speeds), (False, "over", (0.0, 0.0))
        )
        if not held:
            self._holder = None
        self._asked = {ask: t for ask, t in self._asked.items() if now - t <= self.timeout_s} | {question: now}
        newest = self._newest
        news = {"ask": question, "state": state, "v": round(speeds[0], 3), "yaw": round(speeds[1], 3)}
        news |= {"over": self._over, "held": held, "battery": self.battery_v, "watchers": len(self.watchers)}
        for watcher in list(self.watchers):
            if watcher.waits and now - watcher.shown_s > GONE_S:
                watcher.on_close()
                watcher.close(1001)
            elif not watcher.busy:
                watcher.tell(json.dumps(news | {"yours": held and watcher is self._holder}))
                due = not watcher.waits and now - watcher.shown_s >= 1 / SHOWN_HZ - ASK_S / 2
                if newest is not None and due and newest.index != watcher.shown:
                    watcher.shown, watcher.shown_s, watcher.waits = newest.index, now, True
                    watcher.tell(self._words_on(newest))
                    watcher.tell(self._jpeg(newest))

    def _jpeg(self, seen: ViewerFrame) -> bytes:
        if self._coded[0] != seen.index:
            step = -(-seen.picture.shape[1] // SHOWN_PX)
            self._coded = seen.index, encode(seen.picture[::step, ::step], "jpg", quality=QUALITY)
        return self._coded[1]

    def _words_on(self, seen: ViewerFrame) -> str:
        times = list(self._times)
        frame_s = (times[-1] - times[0]) / (len(times) - 1) if len(times) > 1 else None
        target = seen.observation
        return json.dumps(
            {
                "does": seen.velocity.state,
                "size": seen.picture.shape[1::-1],
                "found": [rounded(box, 1) for box in seen.found.boxes[:50]],
                "box": None if target is None else rounded(target.box, 1),
                "distance": None if target is None else round(target.distance_m, 2),
                "frame_ms": None if not frame_s else round(1e3 * frame_s, 1),
                "age_ms": round(1e3 * (seen.decided_s - seen.taken_s), 1),
            }
        )


def _listen(address: str, port: int) -> socket.socket:
    """A socket on this address, or what is in the way."""
    if importlib.util.find_spec("tornado") is None:
        raise InputError(f"a live page needs the package tornado, it is not installed; run {install_hint('robot')}")
    found = None
    try:
        family, kind, protocol, _, place = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
        where = ipaddress.ip_address(str(place[0]).partition("%")[0])
        where = getattr(where, "ipv4_mapped", None) or where
        if where.is_unspecified or where.is_multicast or where == _EVERYBODY:
            raise ValueError("it stands for all of them, or for many machines")
        found = socket.socket(family, kind, protocol)
        if os.name == "posix":  # else a port that has just been let go of would count as taken
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind(place)
        found.listen(_BACKLOG)
        found.setblocking(False)
        return found
    except (OSError, OverflowError, ValueError) as error:
        if found is not None:
            found.close()
        raise InputError(
            f"a live page must have an address of this machine and a free port, {address!r} port {port} cannot be had ({error_message(error)}); "
            "leave it out for 127.0.0.1 and any free port"
        ) from None
