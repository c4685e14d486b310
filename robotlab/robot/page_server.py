"""The web server of the live page: one page, one WebSocket, and nothing else.

Whoever has the address, with its token, may look, stop and hold; whoever has
not gets an empty 404.  The token travels in plain HTTP, so on a network that
is not your own go through an encrypted tunnel (``ssh -L``).
"""

from __future__ import annotations

import hmac
import ipaddress
import logging
import secrets
from importlib.resources import files
from typing import TYPE_CHECKING

from tornado import httpserver, web, websocket

from robotlab.control.safety import steady_s
from robotlab.errors import InputError
from robotlab.json_file import parse_json

if TYPE_CHECKING:
    from robotlab.robot.live_page import LivePage

# A message is a word and a short number; a browser sends at most 20 answers and as many thanks a second.
LONGEST_MESSAGE, MOST_MESSAGES = 96, 100
MOST_WATCHERS, MOST_CONNECTIONS = 8, 32
# Who has not taken a picture for so long has gone, s.
GONE_S = 10.0
# Strangers must not write to the terminal of the one who drives; tornado notes each request that is malformed.
logging.getLogger("tornado").addHandler(logging.NullHandler())


def host_allowed(host: str, names: frozenset[str]) -> bool:
    """Whether a Host header can be that of an honest browser.

    A page of another site can point a name of its own at this server (DNS
    rebinding), but it cannot make a browser say an address or a name of ours.

    Parameters
    ----------
    host : str
        The header, with or without a port.
    names : frozenset of str
        Names of this server.

    Returns
    -------
    bool
        True for an IP address, ``localhost`` and the names given.

    Examples
    --------
    >>> [host_allowed(host, frozenset()) for host in ("127.0.0.1:80", "[::1]:80", "localhost", "evil.example:80", "")]
    [True, True, True, False, False]
    """
    name, _, port = host.rpartition(":") if host.rpartition(":")[2].isdigit() else (host, "", "0")
    if not port.isascii():
        return False
    if name.lower() == "localhost" or name.lower() in names:
        return True
    try:
        ipaddress.ip_address(name[1:-1] if name.startswith("[") and name.endswith("]") else name)
    except ValueError:
        return False
    return True


class _Guarded(web.RequestHandler):
    """Every request proves that it comes from whoever was given the address."""

    desk: LivePage

    def initialize(self, desk: LivePage) -> None:
        self.desk = desk

    def set_default_headers(self) -> None:
        self.clear_header("Server")
        for name, value in (
            ("Cache-Control", "no-store"),
            ("Referrer-Policy", "no-referrer"),
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
        ):
            self.set_header(name, value)

    def guard(self, token: str, from_our_page: bool) -> None:
        """Refuse what comes from elsewhere."""
        host, origin = self.request.headers.get("Host", ""), self.request.headers.get("Origin")
        right = hmac.compare_digest(token.encode(), self.desk.token.encode())
        if not (right and host_allowed(host, self.desk.names)):
            raise web.HTTPError(404)
        # A browser always says where a WebSocket comes from; that it does not say so does not let it pass.
        if origin != f"http://{host}" and (from_our_page or origin is not None):
            raise web.HTTPError(403)

    def write_error(self, status_code: int, **_: object) -> None:
        """Nothing to read for who has no business here."""
        self.finish()


class Nothing(_Guarded):
    """All other addresses."""

    def prepare(self) -> None:
        """Nothing is here."""
        raise web.HTTPError(404)


class Page(_Guarded):
    """The page itself, in one piece."""

    def get(self, token: str) -> None:
        """Hand it out, with a script and a style that run nowhere else."""
        self.guard(token, from_our_page=False)
        nonce = secrets.token_urlsafe(12)
        self.set_header(
            "Content-Security-Policy",
            f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; img-src blob:; "
            "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        )
        here = files("robotlab.robot")
        page, style, script = ((here / f"page.{kind}").read_text(encoding="utf-8") for kind in ("html", "css", "js"))
        self.write(page.replace("NONCE", nonce).replace("/*STYLE*/", style).replace("/*SCRIPT*/", script))


class Watcher(websocket.WebSocketHandler, _Guarded):
    """One page that somebody has open."""

    def prepare(self) -> None:
        """Before anything is said: who it is, and whether there is room."""
        self.guard(self.path_args[0], from_our_page=True)
        self.shown, self.shown_s, self.waits = -1, 0.0, False  # last picture, when it was sent, not yet thanked for
        self.count, self.since = 0, 0.0
        if len(self.desk.watchers) >= MOST_WATCHERS:
            raise web.HTTPError(503)
        self.desk.watchers.add(self)

    def check_origin(self, origin: str) -> bool:
        """It was checked, together with the host."""
        return True

    def on_finish(self) -> None:
        """A request that never became a WebSocket takes no room."""
        if self.get_status() != 101:
            self.on_close()

    def on_connection_close(self) -> None:
        """The line broke."""
        super().on_connection_close()
        self.on_close()

    def on_message(self, message: str | bytes) -> None:
        """Whoever says what no page of ours says is shown the door, and has let go with that."""
        try:
            said = parse_json(message if isinstance(message, bytes) else message.encode(), "a message")
        except (InputError, UnicodeError):
            said = None
        word, ask = (said.get("do"), said.get("ask")) if isinstance(said, dict) else (None, None)
        if self._flood() or word not in ("press", "hold", "go", "stop", "seen") or not isinstance(ask, str | None):
            self.on_close()
            self.close(1008)
        elif word == "seen":
            self.waits = False
        else:
            self.desk.heard(self, word, ask)

    def _flood(self) -> bool:
        now = steady_s()
        if now - self.since >= 1.0:
            self.count, self.since = 0, now
        self.count += 1
        return self.count > MOST_MESSAGES

    def on_close(self) -> None:
        """It has gone, and has let go with that."""
        if self in self.desk.watchers:
            self.desk.watchers.discard(self)
            self.desk.left(self)

    @property
    def busy(self) -> bool:
        """Whether it has not taken what was sent before."""
        connection = self.ws_connection
        if connection is None or connection.is_closing():
            return True
        return connection.stream is None or connection.stream.writing()

    def tell(self, message: str | bytes) -> None:
        """Send, and do not wait."""
        try:
            sent = self.write_message(message, binary=isinstance(message, bytes))
            # That the line broke meanwhile is told to on_close; nobody else is to hear of it.
            sent.add_done_callback(lambda done: done.cancelled() or done.exception())
        except websocket.WebSocketClosedError:
            self.on_close()


class _Server(httpserver.HTTPServer):
    """A server with a limit of its own on how many may knock."""

    def handle_stream(self, stream, address) -> None:
        """Close what is too much, before a byte of it is read."""
        if len(self._connections) >= MOST_CONNECTIONS:
            stream.close()
            return
        super().handle_stream(stream, address)


def make_server(desk: LivePage) -> httpserver.HTTPServer:
    """The server, not yet listening.

    Parameters
    ----------
    desk : LivePage
        Who answers.

    Returns
    -------
    HTTPServer
        To be given its sockets.
    """
    application = web.Application(
        [(r"/([^/]*)/", Page, {"desk": desk}), (r"/([^/]*)/live", Watcher, {"desk": desk})],
        default_handler_class=Nothing,
        default_handler_args={"desk": desk},
        log_function=lambda handler: None,
        websocket_max_message_size=LONGEST_MESSAGE,
    )
    return _Server(
        application, max_header_size=8192, max_body_size=1024, idle_connection_timeout=GONE_S, body_timeout=GONE_S
    )
