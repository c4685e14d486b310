"""Letting go in every way there is, the six main ones 100 times each: ``python instructor/measure_held_control.py``.

Each try drives with ``robotlab.loop.drive`` and a live page over a pseudo-terminal, and a
real Chromium holds the button, through a small relay that stands for the network.  The motor
board is a program of its own (``fault_injection.py``), which works out how far its wheels go.
At a random moment the control is let go of, or what carries it breaks.  What is compared with
the stopping distance is the way from that moment to the end; whatever comes back afterward,
no wheel may turn again.

Writes ``robotlab/course/measurements/held_control.json``, and its table into the guide.  About
half an hour on two cores; ``--tries 1 --only "letting go" --out FILE`` is the quick look that
the tests take, ``--add`` does the tries that a busy computer kept from beginning and adds them,
``--guide`` writes the table again and measures nothing.
"""

import argparse
import atexit
import json
import multiprocessing
import os
import random
import select
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, suppress
from pathlib import Path

import numpy as np
from playwright.sync_api import Error, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))

from fault_injection import CAMERA, SETTINGS, board
from measure_fault_injection import processor, put_into_guide

from robotlab.control import SerialLink
from robotlab.course import measured, shipped
from robotlab.detections import Detections
from robotlab.files import write_json
from robotlab.loop import drive, worst_stopping_distance_m
from robotlab.robot import LivePage

FORK = multiprocessing.get_context("fork")
# The wheels speed up or drive at their limit when it happens, s.
EARLIEST_S, LATEST_S = 0.4, 1.5
# Longer than a stop takes; where something comes back, longer than that, s.
AFTER_S, BACK_S = 1.7, 3.2
MAIN = ("letting go", "closing the tab", "network cut", "browser killed", "program killed", "line pulled")
WAYS = (
    *MAIN,
    "letting go of the key",
    "leaving the page",
    "network cut for 1.2 s",
    "network slow by 1 s",
    "browser suspended for 1.2 s",
    "program suspended for 1.2 s",
    "stop on another page",
)


class Relay:
    """The network between browser and robot, which can be cut, and made slow."""

    def __init__(self, port: int) -> None:
        self.to, self.cut, self.slow_s = port, False, 0.0
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                here, _ = self.server.accept()
                threading.Thread(target=self._carry, args=(here,), daemon=True).start()

    def _carry(self, here: socket.socket) -> None:
        try:
            there = socket.create_connection(("127.0.0.1", self.to))
        except OSError:  # the robot's program has been killed
            here.close()
            return
        other, waiting = {here: there, there: here}, []
        with suppress(OSError), here, there:
            while True:
                # While it is cut, what both sides say waits in the buffers; then it comes in a burst.
                ready = [] if self.cut else select.select([here, there], [], [], 0.005)[0]
                if self.cut:
                    time.sleep(0.005)
                for end in ready:
                    said = end.recv(65536)
                    if not said:
                        return
                    waiting.append((time.monotonic() + self.slow_s, other[end], said))
                while waiting and waiting[0][0] <= time.monotonic() and not self.cut:
                    _, end, said = waiting.pop(0)
                    end.sendall(said)


class Chromium:
    """A browser whose process is known, so that it can be killed."""

    def __init__(self) -> None:
        path = os.environ.get("ROBOTLAB_CHROMIUM") or next(
            filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome")))
        )
        self.folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        words = [
            path,
            "--headless",
            "--no-sandbox",
            "--disable-background-networking",
            "--no-first-run",
            "--disable-gpu",
        ]
        self.process = subprocess.Popen(
            [*words, "--remote-debugging-port=0", f"--user-data-dir={self.folder.name}"],
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        )
        try:
            line = next(line for line in self.process.stderr if "DevTools listening on" in line)
            threading.Thread(target=self.process.stderr.read, daemon=True).start()
            if not DRIVER:
                DRIVER.append(sync_playwright().start())
            self.browser = DRIVER[0].chromium.connect_over_cdp(line.split()[-1])
        except BaseException:
            # One that a busy machine keeps from answering would run for ever.
            self.close()
            raise

    def send(self, kind: int) -> None:
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, kind)

    def close(self) -> None:
        self.send(signal.SIGKILL)
        self.process.wait()
        self.folder.cleanup()


BROWSER: list[Chromium] = []
DRIVER: list = []


def browser() -> Chromium:
    """The browser of this worker."""
    if not BROWSER:
        BROWSER.append(Chromium())
        atexit.register(close_browser)
    return BROWSER[0]


def close_browser() -> None:
    while BROWSER:
        BROWSER.pop().close()


def follow(port: str, say) -> None:
    """The robot's program: drive, with a page."""
    os.setsid()
    rng = np.random.default_rng()
    due = time.monotonic()

    def take():
        nonlocal due
        due = max(due + SETTINGS.frame_s, time.monotonic())
        time.sleep(max(0.0, due + SETTINGS.delay_s - time.monotonic()))
        return rng.integers(0, 255, (48, 64, 3), np.uint8), due

    see = Detections([[31, 20, 33, 30]], [0.9], [0], ["post"])
    with LivePage() as page:
        say.send(page.url)
        report = drive(
            lambda picture: see, take, CAMERA, SETTINGS, SerialLink.open(port), 60.0, show=page.show, hold=page
        )
        page.finish(report.reason)
        say.send(f"{report.state}: {report.reason}")
        time.sleep(2.0)
    os._exit(0)


def try_it(way: str, at_s: float, until: float) -> dict | None:
    """One try; a browser that a busy machine keeps from starting is started again."""
    for _ in range(3):
        if time.monotonic() > until:
            return None
        with ExitStack() as stack:
            try:
                return one(way, at_s, stack)
            except Error as error:  # of the browser's driver: nothing has been measured
                print(f"again, {way}: {str(error).splitlines()[:4]}", flush=True)
        close_browser()
    return None


def one(way: str, at_s: float, stack: ExitStack) -> dict:
    """How far the wheels went after it, and whether they turned again."""
    chromium = browser()
    near, far = os.openpty()
    name, begin, done = os.ttyname(far), FORK.Value("d", 0.0), FORK.Event()
    told, tell = FORK.Pipe(duplex=False)
    said, say = FORK.Pipe(duplex=False)
    wheels = FORK.Process(
        target=board, args=(near, far, "unplugged" if way == "line pulled" else "", at_s, begin, done, tell)
    )
    program = FORK.Process(target=follow, args=(name, say))
    wheels.start(), os.close(near)
    program.start(), os.close(far)
    tell.close(), say.close()
    # Whatever happens, nothing is left behind.
    stack.callback(wheels.kill)  # it waits until somebody listens
    stack.callback(program.kill)
    url = said.recv()
    relay = Relay(int(url.split(":")[2].split("/")[0]))
    url = url.replace(f":{relay.to}/", f":{relay.port}/")
    context = chromium.browser.new_context(viewport={"width": 900, "height": 800})
    page = context.new_page()
    page.goto(url)
    page.set_default_timeout(15_000)
    page.wait_for_selector("#state.stands")
    other = context.new_page() if way == "stop on another page" else None
    if other:
        other.goto(url)
        other.wait_for_selector("#state.stands")
    page.bring_to_front()
    page.locator("#hold").hover()
    page.keyboard.down(" ") if way.endswith("key") else page.mouse.down()
    page.wait_for_selector("#state.drives")
    begin.value = time.monotonic()
    time.sleep(at_s)
    moment = time.monotonic()
    back_s = None
    match way:
        case "letting go":
            page.mouse.up()
        case "letting go of the key":
            page.keyboard.up(" ")
        case "closing the tab":
            page.close()
        case "leaving the page":
            page.goto("about:blank")
        case "network cut" | "network cut for 1.2 s":
            relay.cut, back_s = True, 1.2 if way.endswith(" s") else None
        case "network slow by 1 s":
            relay.slow_s = 1.0
        case "browser killed":
            close_browser()
        case "browser suspended for 1.2 s":
            chromium.send(signal.SIGSTOP)
            back_s = 1.2
        case "program killed":
            os.kill(program.pid, signal.SIGKILL)
        case "program suspended for 1.2 s":
            os.kill(program.pid, signal.SIGSTOP)
            back_s = 1.2
        case "line pulled":
            moment = begin.value + at_s
        case "stop on another page":
            other.evaluate("document.getElementById('stop').click()")
    # Ending a browser takes a while, in which the control may still be held.
    over = time.monotonic()
    if back_s is not None:
        time.sleep(back_s)
        relay.cut = False
        chromium.send(signal.SIGCONT)
        os.kill(program.pid, signal.SIGCONT)
    time.sleep(BACK_S if back_s or relay.slow_s else AFTER_S)
    word = said.recv() if said.poll(0.0) else ""
    end = time.monotonic()
    with suppress(ProcessLookupError):
        os.kill(program.pid, signal.SIGKILL)
    program.join()
    relay.server.close()
    if BROWSER:
        context.close()
    done.set()
    heard = told.recv()
    wheels.join()
    trace = heard["way"]

    def gone(t_s):
        return next((way_m for t, way_m in reversed(trace) if t <= t_s), 0.0)

    before = [line for line in heard["lines"] if line[0] <= moment and line[1] == "GO"]
    rest = next((line[0] for line in heard["lines"] if line[0] > over and not any(line[2:])), end)
    again = [line for line in heard["lines"] if line[0] > rest and line[1] == "GO" and any(line[2:])]
    return {
        "way": way,
        "at_s": at_s,
        "way_m": gone(end + 3.0) - gone(moment),
        "speed_mps": max(map(abs, before[-1][2:])) / 1000 if before else 0.0,
        "again": len(again),
        "at_rest": heard["at_rest"],
        "word": word,
    }


def write_guide() -> None:
    """The measurement as the guide's table."""
    lines = ["| way of letting go | tries | longest | of the stopping distance | moves again |", "|---" * 5 + "|"]
    lines += [
        f"| {row['way']} | {row['runs']} | {row['worst_m']:.2f} m | {100 * row['worst_share']:.0f} % | {row['moving_commands_after_rest']} |"
        for row in measured("held_control")["runs"]
    ]
    first, second = "<!-- letting go, written by measure_held_control.py -->", "<!-- end of letting go -->"
    put_into_guide(first, second, "\n".join([*lines, ""]))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tries", type=int, default=100, help="of each main way; of the others a fifth")
    parser.add_argument("--at-once", type=int, default=3, help="tries at the same time, each with a browser")
    parser.add_argument("--only", help="only ways with this word")
    parser.add_argument("--minutes", type=float, default=60.0, help="begin no further try after so long")
    parser.add_argument("--out", help="where the table goes")
    parser.add_argument("--add", action="store_true", help="to the table that is there: only what each way lacks")
    parser.add_argument("--guide", action="store_true", help="only write the guide's table again")
    options = parser.parse_args()
    if options.guide:
        write_guide()
        return 0
    before = measured("held_control") if options.add else {"runs": [], "seconds": 0}
    there = {row["way"]: row for row in before["runs"]}
    rng, bound_m, begun = random.Random(1), worst_stopping_distance_m(SETTINGS), time.monotonic()
    plan = [
        (way, rng.uniform(EARLIEST_S, LATEST_S))
        for k in range(options.tries)
        for way in WAYS
        if way in MAIN or k % 5 == 0
    ]
    plan = [(way, at_s) for way, at_s in plan if not options.only or options.only in way]
    for way, row in there.items():
        done = [pair for pair in plan if pair[0] == way][: row["runs"]]
        plan = [pair for pair in plan if pair not in done]
    if not plan:
        print("each way has its tries")
        return 0
    runs = []

    def broken(run):
        return run["way_m"] > bound_m or run["again"] or not run["at_rest"]

    with ProcessPoolExecutor(min(options.at_once, len(plan)), FORK) as pool:
        until = begun + 60 * options.minutes
        for count, run in enumerate(pool.map(try_it, *zip(*plan, strict=True), [until] * len(plan)), 1):
            if run is None:
                continue
            runs.append(run)
            if broken(run):
                print("BROKEN", json.dumps(run), flush=True)
            if count % 50 == 0:
                print(f"{count} of {len(plan)} tries, {time.monotonic() - begun:.0f} s", flush=True)
        list(pool.map(end_worker, range(options.at_once)))
    rows = []
    for way in WAYS:
        mine = [run for run in runs if run["way"] == way]
        if mine:
            worst = max(run["way_m"] for run in mine)
            row = {
                "way": way,
                "runs": len(mine),
                "driving_at_the_moment": sum(run["speed_mps"] > 0 for run in mine),
                "fastest_mps": max(run["speed_mps"] for run in mine),
                "worst_m": round(worst, 3),
                "stopping_m": round(bound_m, 3),
                "worst_share": round(worst / bound_m, 3),
                "moving_commands_after_rest": sum(run["again"] for run in mine),
            }
            print(
                f"{way:<30} {len(mine):4d} {row['driving_at_the_moment']:4d} driving, {worst:6.3f} m {worst / bound_m:6.1%}  "
                f"{row['moving_commands_after_rest']}  {mine[0]['word']}"
            )
            rows.append(added(there[way], row) if way in there else row)
        elif way in there:
            rows.append(there[way])
    out = options.out or shipped("robotlab/course/resources.py").parent / "measurements" / "held_control.json"
    machine = f"{processor()}, {os.cpu_count()} cores, Chromium"
    write_json(out, {"machine": machine, "seconds": round(before["seconds"] + time.monotonic() - begun), "runs": rows})
    if not options.out:
        write_guide()
    print(f"{len(runs)} tries, stopping distance {bound_m:.3f} m, broken in {sum(map(bool, map(broken, runs)))}")
    return any(map(broken, runs))


def added(one: dict, other: dict) -> dict:
    """Two rows of one way as one: counts added, the worst of both."""
    counts = ("runs", "driving_at_the_moment", "moving_commands_after_rest")
    return one | {
        key: one[key] + other[key] if key in counts else max(one[key], other[key]) for key in one.keys() - {"way"}
    }


def end_worker(_: int) -> None:
    """End the browser of a worker."""
    close_browser()
    time.sleep(0.2)


if __name__ == "__main__":
    sys.exit(main())
