"""The live page's server: who gets in, who may hold, and what old, forged and hostile messages come to."""

import asyncio
import json
import random
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import numpy as np
import pytest
from tornado.httpclient import AsyncHTTPClient, HTTPClientError, HTTPRequest
from tornado.websocket import WebSocketClosedError, websocket_connect

from robotlab.control import Supervisor
from robotlab.control.safety import steady_s
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.loop.decide import VelocityCommand
from robotlab.loop.viewers import ViewerFrame
from robotlab.robot import LivePage
from robotlab.robot.page_server import MOST_MESSAGES, MOST_WATCHERS, host_allowed


class Stop:
    """The state machine behind the page, as a drive has it."""

    def __init__(self, page):
        self.lock, self.machine = threading.Lock(), Supervisor(steady_s(), max_accel_mps2=1.0, hold_to_run_s=0.4)
        page.begin(self.tell)

    def tell(self, event):
        with self.lock:
            t_s = steady_s()
            return event(self.machine, t_s, t_s)

    @property
    def held(self):
        return self.tell(lambda stop, t, _: stop.control.held(t))


class Client:
    """A browser's side, by hand."""

    all = []

    def __init__(self, line):
        self.all.append(self)
        self.line, self.news, self.jpegs = line, {}, []

    @classmethod
    async def of(cls, page, **headers):
        origin = page.url.removesuffix(f"/{page.token}/")
        return cls(await websocket_connect(HTTPRequest(f"ws{page.url[4:]}live", headers={"Origin": origin} | headers)))

    async def next(self):
        """The next question."""
        while True:
            said = await asyncio.wait_for(self.line.read_message(), 5)
            if said is None:
                self.news = None
                return None
            if isinstance(said, bytes):
                self.jpegs.append(said)
                await self.say("seen")
                continue
            self.news = json.loads(said)
            if "ask" in self.news or "refused" in self.news:
                return self.news.get("ask")

    async def say(self, word, ask=None):
        await self.line.write_message(json.dumps({"do": word, "ask": ask} if ask else {"do": word}))

    async def press(self):
        """Press, and see what came of it."""
        await self.say("press", await self.next())
        for _ in range(10):
            await self.next()
            if self.news is None or self.news.get("refused") or self.news.get("yours"):
                break
        return self.news

    async def hold(self, seconds):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            await self.say("hold", await self.next())

    async def closed(self):
        while await self.next() is not None:
            pass
        return True


def page_and(work, **options):
    async def whole(page, stop):
        try:
            await work(page, stop)
        finally:
            for client in Client.all:
                client.line.close()
            while Client.all:
                client = Client.all.pop()
                with suppress(TimeoutError):
                    while await asyncio.wait_for(client.line.read_message(), 1.0) is not None:
                        pass

    with LivePage(**options) as page:
        # In a thread: a browser's driver may have left its event loop running in this one.
        with ThreadPoolExecutor(1) as thread:
            thread.submit(lambda: asyncio.run(asyncio.wait_for(whole(page, Stop(page)), 30))).result()
    assert page.error is None


async def status(page, path, **headers):
    try:
        reply = await AsyncHTTPClient().fetch(
            f"http://127.0.0.1:{page.url.split(':')[2].split('/')[0]}{path}", headers=headers
        )
    except HTTPClientError as error:
        assert not error.response.body
        return error.code
    return reply.code


def test_only_the_address_with_its_token_leads_anywhere():
    async def work(page, stop):
        token = page.token
        assert await status(page, f"/{token}/") == 200
        for path in (
            "/",
            f"/{token}",
            f"/{token}/live/",
            f"/{token}/x",
            "/wrong/",
            f"/{token[:-1]}/",
            f"/{token}x/",
            "/favicon.ico",
        ):
            assert await status(page, path) == 404, path
        # The same page, asked for by a name that points here (DNS rebinding), or sent by another site.
        assert await status(page, f"/{token}/", Host="evil.example") == 404
        assert await status(page, f"/{token}/", Origin="http://evil.example") == 403
        assert await status(page, f"/{token}/live") == 403  # no word of where it comes from
        for origin in ("http://evil.example", "null", "http://127.0.0.1", "https://127.0.0.1"):
            with pytest.raises(HTTPClientError):
                await Client.of(page, Origin=origin)
        with pytest.raises(HTTPClientError):
            await Client.of(page, Host="evil.example", Origin="http://evil.example")

    page_and(work)


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example:80", "", "localhost.evil.example", "[::1].evil.example", "٣.0.0.1"]
)
def test_a_host_that_could_be_anyones_is_refused(host):
    assert not host_allowed(host, frozenset({"127.0.0.1"}))


def test_a_stranger_writes_nothing_to_the_terminal(capfd):
    """Tornado notes each malformed request, and the last resort of logging is the terminal of the one who drives."""

    async def work(page, stop):
        assert await status(page, "/%ff%fe/") == 400

    page_and(work)
    assert capfd.readouterr() == ("", "")


def test_the_page_runs_no_script_and_loads_nothing_of_others():
    async def work(page, stop):
        reply = await AsyncHTTPClient().fetch(page.url)
        rules = reply.headers["Content-Security-Policy"]
        assert "default-src 'none'" in rules and "unsafe" not in rules and "frame-ancestors 'none'" in rules
        assert "Server" not in reply.headers and reply.headers["Referrer-Policy"] == "no-referrer"
        assert b"http://" not in reply.body and b"https://" not in reply.body and b"NONCE" not in reply.body

    page_and(work)


def test_pressing_holding_and_letting_go():
    async def work(page, stop):
        client = await Client.of(page)
        await client.hold(0.3)  # never pressed
        assert not stop.held
        assert (await client.press())["yours"] and stop.held
        await client.hold(0.8)
        assert stop.held
        await client.say("go")
        await client.next(), await client.next()
        assert not stop.held and not client.news["held"]
        await client.hold(0.3)
        assert not stop.held

    page_and(work)


def test_one_holds_at_a_time_and_all_may_stop():
    async def work(page, stop):
        first, second = await Client.of(page), await Client.of(page)
        await first.press()
        await second.next()
        assert "another page" in (await second.press())["refused"]
        # Holding on, or letting go, for the other is not possible either.
        await second.say("go")
        await first.hold(0.2)
        assert stop.held
        await second.hold(0.6)
        assert not stop.held  # the first has been silent meanwhile
        await second.say("stop")
        await second.next(), await second.next()
        assert stop.machine.state.value == "braking" and "stop on the page" in page.ended

    page_and(work)


def test_a_tab_that_closes_has_let_go():
    async def work(page, stop):
        client = await Client.of(page)
        await client.press()
        assert stop.held
        client.line.close()
        await asyncio.sleep(0.15)  # at once, and not only when the signs run out
        assert not stop.held

    page_and(work)


def test_what_was_held_up_on_the_way_or_comes_again_is_worth_nothing():
    async def work(page, stop):
        client = await Client.of(page)
        old = [await client.next() for _ in range(12)]
        # A press that lay in a queue for longer than the control may be silent.
        await client.say("press", old[0])
        await client.next(), await client.next()
        assert not stop.held
        await client.press()
        used = await client.next()
        await client.say("hold", used)
        # A replay of the last good answer, again and again, and of made-up ones.
        end = time.monotonic() + 0.7
        while time.monotonic() < end:
            await client.say("hold", random.choice((used, *old, "00000000", "")))
            await client.next()
        assert not stop.held
        # A whole sleep's worth of answers after it is over: still not.
        await client.hold(0.3)
        assert not stop.held
        assert (await client.press())["yours"]

    page_and(work)


def test_a_sleeping_server_lets_no_queue_through():
    """The program is suspended: what came meanwhile is read when it goes on."""

    async def work(page, stop):
        client = await Client.of(page)
        await client.press()
        fresh = await client.next()
        with stop.lock:  # nothing is asked, and what is said waits
            for _ in range(8):
                await client.say("hold", fresh)
                await asyncio.sleep(0.1)
        await asyncio.sleep(0.1)
        assert not stop.held

    page_and(work)


@pytest.mark.parametrize(
    "message",
    [
        b"",
        b"hello",
        b"[]",
        b"{}",
        b'{"do":"drive"}',
        b'{"do":["press"]}',
        b'{"do":"press","ask":7}',
        b'{"do":"hold","ask":{}}',
        b"\xff\xfe",
        b"[" * 90,
        b"1e999",
        b"x" * 97,
        b"x" * 100_000,
    ],
)
def test_whoever_talks_nonsense_is_shown_the_door_and_has_let_go(message):
    async def work(page, stop):
        client, other = await Client.of(page), await Client.of(page)
        await client.press()
        assert stop.held
        await client.line.write_message(message, binary=not message.isascii())
        assert await client.closed()
        await asyncio.sleep(0.1)
        assert not stop.held
        assert await other.next()  # the others go on

    page_and(work)


def test_a_flood_is_cut_off():
    async def work(page, stop):
        client = await Client.of(page)
        await client.press()
        with suppress(WebSocketClosedError):
            for _ in range(3 * MOST_MESSAGES):
                await client.say("seen")
        assert await client.closed() and not stop.held

    page_and(work)


def test_room_for_so_many_and_no_more():
    async def work(page, stop):
        clients = [await Client.of(page) for _ in range(MOST_WATCHERS)]
        with pytest.raises(HTTPClientError, match="503"):
            await Client.of(page)
        clients[0].line.close()
        await asyncio.sleep(0.2)
        assert await (await Client.of(page)).next()
        # Whoever knocks and says nothing takes none of the room of those who are in.
        port = int(page.url.split(":")[2].split("/")[0])
        idle = [socket.create_connection(("127.0.0.1", port)) for _ in range(60)]
        await clients[1].next()
        [each.close() for each in idle]

    page_and(work)


def seen(index):
    picture = np.random.default_rng(index).integers(0, 255, (48, 64, 3), np.uint8)
    found = Detections([[31, 20, 33, 30]], [0.9], [0], ["post"])
    return ViewerFrame(index, picture, found, None, VelocityCommand(0.0, 0.0, "wait"), steady_s(), steady_s())


def test_pictures_are_made_once_and_only_for_those_who_took_the_last(monkeypatch):
    import robotlab.robot.live_page as live_page
    from robotlab.robot.page_server import Watcher

    made, sent_s, tell = [], {}, Watcher.tell

    def noted(watcher, message):
        """When the server, by its own clock, sent a picture to each."""
        if isinstance(message, bytes):
            sent_s.setdefault(watcher, []).append(watcher.shown_s)
        tell(watcher, message)

    monkeypatch.setattr(
        live_page, "encode", lambda picture, *_, **__: made.append(picture.tobytes()) or b"\xff\xd8jpeg"
    )
    monkeypatch.setattr(Watcher, "tell", noted)

    async def work(page, stop):
        for k in range(5):
            page.show(seen(k))
        await asyncio.sleep(0.2)
        assert not made  # nobody looks
        one, two = await Client.of(page), await Client.of(page)
        slow = await Client.of(page)  # reads nothing
        while not (one.jpegs and two.jpegs and len(sent_s) == 3):
            await one.next(), await two.next()
        assert len(made) == 1  # one for all
        for k in range(5, 40):
            page.show(seen(k))
            await one.next(), await two.next()
        assert 5 <= len(made) == len(set(made)) < len(one.jpegs) + len(two.jpegs)
        # Not with every question: between two pictures to one watcher lies so much time, however late this computer is.
        least_s = 1 / live_page.SHOWN_HZ - live_page.ASK_S / 2
        assert least_s > live_page.ASK_S
        assert min(np.diff(times).min() for times in sent_s.values() if len(times) > 1) >= least_s
        await asyncio.sleep(0.2)
        # It has got one and has not said thanks: so it gets no other.
        got = [said for said in [await slow.line.read_message() for _ in range(30)] if isinstance(said, bytes)]
        assert len(got) == 1

    page_and(work)


def test_after_the_end_the_page_says_why_and_nobody_can_press():
    async def work(page, stop):
        client = await Client.of(page)
        await client.press()
        stop.machine.fail("the plug came off")
        page.finish("the plug came off")
        await client.next(), await client.next()
        assert client.news["over"] == "the plug came off" and not client.news["held"]
        assert "the plug came off" in (await client.press())["refused"]

    page_and(work)


def test_a_fault_is_not_undone_by_pressing():
    async def work(page, stop):
        client = await Client.of(page)
        stop.machine.fail("the plug came off")
        assert "refused" in await client.press() and stop.machine.step(steady_s()) is None

    page_and(work)


# Behind the last row each stands for all addresses of the machine, however it is written, or for many machines.
@pytest.mark.parametrize(
    "address",
    ["192.0.2.1", "no.such.name.invalid", "127.0.0.1:80"]
    + ["0.0.0.0", "0", "00.0.0.0", "0x0", "::", "0::0", "::ffff:0.0.0.0", "255.255.255.255", "224.0.0.1"],
)
def test_an_address_that_is_not_ours_is_one_clear_error(address):
    with pytest.raises(InputError, match="live page must have an address of this machine"):
        LivePage(address)


def test_a_port_that_is_taken_is_one_clear_error():
    with LivePage() as page, pytest.raises(InputError, match="free port"):
        LivePage(port=int(page.url.split(":")[2].split("/")[0]))
