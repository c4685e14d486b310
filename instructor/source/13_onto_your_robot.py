# %% [markdown]
# # Lesson 13: onto your robot
#
# **What you will have** at the end: a robot that follows as long as you hold a key and stands when you let go, the log of its drive, and four measured numbers that are its own. Without a robot you go the same way with the same commands: an emulated motor board and a rendered camera take its place.
#
# **You will be able to**
# - measure your camera's field of view with a sheet of paper, and its delay with a blinking light;
# - measure how far each wheel really goes, and make the robot drive straight;
# - read a preflight line by line, and do what it says before anything turns;
# - make a first drive at low speed, and find out from its log what happened.
#
# **Time**: 80 minutes, with four tasks; after part 4 is a good place for a break. **Needs**: lessons 00, 02 and 11; lesson 07 for a model of your own. The emulated board needs Linux or macOS (on Windows: its Linux subsystem).
#
# **Cautions**: run as it is, this notebook moves nothing real; what moves your robot is a command that you type in a terminal, and it asks you first. Then: an adult who knows the machine; wheels off the ground first; a hand on the switch that cuts the motors' power; a clear floor, away from stairs; slow limits; people, pets and cables out of reach. Lithium batteries burn when they are charged wrongly, shorted, dropped or emptied too far: a balance charger made for the pack, a fire-safe place, never unattended, never a damaged pack or one below its maker's limits. The makers' data sheets, local codes and licensed practice come before everything here. **A stop in software is not a safety function**: the page, the time-outs and the ramp are programs, and programs hang. Your hand on the switch is what counts.

# %% [markdown]
# ## 1. What lies on the table
#
# | part | what it needs to have | measured in |
# |---|---|---|
# | camera | fixed to the robot, its exposure fixed if it can be | parts 2 and 3 |
# | two driven wheels with motors, a caster | the motors' data sheet: voltage, current | part 4 |
# | motor board, and its line to the computer | a time-out of its own | part 5 |
# | small computer | 64 bit, Python 3.11 or newer | lesson 09 |
# | battery, charger | made for each other | lesson 09 |
# | switch that cuts the motors' power | in reach of a hand, without the robot in the way | your hand |
# | block of wood | wheels turn freely on it | the preflight |
# | sheet of paper, tape measure, adhesive tape | | parts 2 and 4 |
#
# Two drivers of the course go with it: a serial line to a board (`serial:/dev/ttyUSB0`), and plain pins (`pins:5,6,13,19`). Anything with `send` and `stop` works as well.
#
# On the robot's computer nothing of the notebooks is installed, only `pip install ".[robot]"` in this folder. There you type commands, as `command` does here: what stands behind `$` is what you would type.

# %% tags=["nbval-ignore-output"]
import json
import math
import shlex
import subprocess
import sys
import tempfile
import textwrap
import time
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
from IPython.display import display

from robotlab.course import shipped
from robotlab.practice import compare_guess, guess, nudge, verify

folder = Path(tempfile.mkdtemp(prefix="my_robot_"))


def show(text):
    """Print a text in lines that fit a narrow page."""
    for line in text.splitlines():
        print(textwrap.fill(line, 70, subsequent_indent="    ", break_on_hyphens=False))


def command(words):
    """Run `robotlab WORDS` in our folder, as in a terminal; what it printed."""
    show(f"$ robotlab {words}")
    ran = subprocess.run(
        [sys.executable, "-m", "robotlab", *shlex.split(words)],
        cwd=folder,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    said = (ran.stdout + ran.stderr).strip()
    show(said)
    return said


# %% [markdown]
# The robot of lesson 09 is a file, and every budget in it held. Its settings count on 0.13 s from picture to wheel, with a camera that is 0.06 s late. You have not measured that yet.
#
# **Predict.** The camera turns out to be 0.16 s late. Which budgets do not hold anymore?

# %% tags=["folded"]
# Your guess
guess(
    "13.late",
    "Which budgets break with a camera that is 0.16 s late?",
    choices=("none", "latency", "latency and motion", "view and throughput"),
)

# %%
from robotlab.budget import check_robot

robot = json.loads(shipped("robotlab/budget/example_robot.json").read_text("utf-8"))
robot["camera"]["delay_s"] = 0.16
(folder / "my_robot.json").write_text(json.dumps(robot, indent=1), encoding="utf-8")
broken = [one for one in check_robot(folder / "my_robot.json").lines if not one.ok]
for line in broken:
    show(f"{line.name}: {line.value}\n  -> {line.repair}")
compare_guess("13.late", " and ".join(line.name for line in broken))

# %% [markdown]
# **Why.** The picture got 0.10 s older, and the settings still promise 0.13 s. One line breaks, *latency*. The line *motion* goes on saying ok, for gain and stopping distance are computed from what the settings promise: a wrong number makes wrong limits, in silence. So the next three parts measure. On the robot: `robotlab checkup --robot my_robot.json`.

# %% [markdown]
# ## 2. Field of view, from a sheet of paper
#
# Hang a white sheet (A4, 29.7 cm × 21.0 cm) on a darker wall, straight before the lens, half a meter away. How many pixels wide it is tells the field of view. This picture stands in for yours; it is drawn for a camera whose field of view stands in a folded cell. Do not look.

# %% tags=["folded"]
TRUE_HFOV_DEG = 57.0


def picture_of_sheet(distance_m, width=320, height=240, fine=4):
    """A4 on a gray wall as a pinhole camera sees it, a little blurred and noisy."""
    focal = width / 2 / math.tan(math.radians(TRUE_HFOV_DEG) / 2)
    x = (np.arange(width * fine) + 0.5) / fine - width / 2 - 6
    y = (np.arange(height * fine) + 0.5) / fine - height / 2 + 3
    inside = (np.abs(x) < focal * 0.297 / 2 / distance_m)[None] & (
        np.abs(y) < focal * 0.210 / 2 / distance_m
    )[:, None]
    share = inside.reshape(height, fine, width, fine).mean(axis=(1, 3))
    noise = np.random.default_rng(0).normal(0, 2, (height, width, 3))
    return (70 + 150 * share[..., None] + noise).clip(0, 255).astype(np.uint8)


# %%
from robotlab.image import save

sheet = picture_of_sheet(0.5)
save(folder / "sheet.png", sheet)
figure, ax = plt.subplots(figsize=(4, 3), layout="constrained")
ax.imshow(sheet)
ax.set(xlabel="column, px", ylabel="row, px")
plt.show()

# %% [markdown]
# *What the camera sees: a white sheet on a gray wall, a bit more than half as wide as the picture.*
#
# **Predict.** Measure with the right distance, 0.50 m; then suppose that the tape slipped and you type 0.55 m. By how many degrees does the field of view change?

# %% tags=["folded"]
# Your guess
guess("13.tape", "A tape that is 10 % off: how far is the FOV off?", unit="°")

# %%
said = command("measure field-of-view --picture sheet.png --distance 0.50")

# %%
from robotlab.robot import measure_field_of_view

found = {d: measure_field_of_view(sheet, d) for d in (0.50, 0.55)}
wrong = math.degrees(found[0.55].hfov_rad - found[0.50].hfov_rad)
print(f"true {TRUE_HFOV_DEG:.1f}°, ", end="")
print(
    ", ".join(f"{d:.2f} m: {math.degrees(f.hfov_rad):.1f}°" for d, f in found.items())
)
compare_guess("13.tape", f"{wrong:.1f}°")

# %% [markdown]
# **Why.** Sheet and distance form two similar triangles with the pixels and the focal length f in pixels; the whole picture is W pixels wide:
#
# $$f = \frac{\text{pixels} \cdot \text{distance}}{\text{width}}, \qquad \text{HFOV} = 2 \arctan \frac{W}{2 f}$$
#
# The error follows the tape: 10 % of the distance are 10 % of f and 8 % of the angle, and with f every distance that the robot estimates is 10 % wrong. *Give or take* is what the program cannot know: 5 mm of tape, and a sheet that hangs 3° askew.
#
# With your camera: `robotlab measure field-of-view --camera 0 --distance 0.5`.
#
# ### Task 1


# %% tags=["starter"]
def hfov_from_sheet(sheet_m, distance_m, sheet_px, width_px):
    """Horizontal field of view of a camera, rad, from a sheet of paper that faces it.

    sheet_m: width of the sheet, m.  distance_m: from the lens to the sheet, m.
    sheet_px: width of the sheet in the picture, px.  width_px: width of the picture, px.
    """
    ...


# %% tags=["worked"]
def hfov_from_sheet(sheet_m, distance_m, sheet_px, width_px):
    """Horizontal field of view of a camera, rad, from a sheet of paper that faces it.

    sheet_m: width of the sheet, m.  distance_m: from the lens to the sheet, m.
    sheet_px: width of the sheet in the picture, px.  width_px: width of the picture, px.
    """
    focal_px = sheet_px * distance_m / sheet_m
    return 2 * math.atan(width_px / 2 / focal_px)


# %% tags=["verify"]
verify(hfov_from_sheet)

# %% [markdown]
# Stuck? Run `nudge(hfov_from_sheet)` in a new cell; each call says a little more.

# %% [markdown]
# ## 3. Delay, from a light that blinks
#
# How old is a picture when a program gets it? This is the camera's part of the latency (lesson 10); the command and the setting call it *delay*. Nobody prints it on a camera. But a program that switches a light knows when it did, and sees in the pictures when the change arrives. The stand-in camera below gives 30 pictures a second, each 80 ms after its exposure.
#
# **Predict.** A picture comes every 33 ms. With 16 changes of the light, how well is the delay known: to about 33 ms, to half of that, or better?

# %% tags=["folded"]
# Your guess
guess(
    "13.blinks",
    "How well is the delay known after 16 changes?",
    choices=("to 33 ms", "to 16 ms", "better than that"),
)


# %% tags=["folded"]
class BlinkingStandIn:
    """A light, and a camera that films it: 30 pictures a second, each 80 ms old."""

    RATE_HZ, DELAY_S = 30, 0.080

    def __init__(self):
        self.switched, self.due = [(0.0, False)], time.monotonic()

    def light(self, on):
        self.switched.append((time.monotonic(), on))

    def take(self):
        self.due = max(self.due + 1 / self.RATE_HZ, time.monotonic())
        time.sleep(max(0, self.due - time.monotonic()))
        now = time.monotonic()
        exposed = now - self.DELAY_S
        on = [state for since, state in list(self.switched) if since <= exposed][-1]
        return np.full((24, 32, 3), 200 if on else 20, np.uint8), now


# %% tags=["nbval-ignore-output"]
from robotlab.robot import measure_delay

stand_in = BlinkingStandIn()
delay = measure_delay(stand_in.take, stand_in.light, changes=16, pause_s=0.14)
print(delay)
off_s = abs(delay.delay_s - stand_in.DELAY_S)
compare_guess("13.blinks", f"off by {1000 * off_s:.0f} ms this time")

# %% [markdown]
# **Why.** One change falls anywhere between two pictures, so one delay is wrong by up to half a frame, now this way, now that. The **median** of many lies near the truth, and one picture that was held up does not move it. That is why the light blinks at *irregular* moments: in step with the camera, all errors would be the same.
#
# With your camera, in a dim room: `robotlab measure delay --camera 0`. The terminal blinks; a screen is itself 10 to 50 ms late (common practice, no source), an LED on a pin is not (`--light pin:17`).
#
# ### Task 2


# %% tags=["starter"]
def camera_delay(seen_s, switched_s):
    """Delay of a camera that films a blinking light, s: the median over the changes that it saw.

    seen_s: (N,) array, when a picture came that was the first to show a change, s.
    switched_s: (M,) array, when the light was switched, s.  Some changes were not
    seen, so N may be smaller than M.  Each was seen, if at all, before the next.
    """
    ...


# %% tags=["worked"]
def camera_delay(seen_s, switched_s):
    """Delay of a camera that films a blinking light, s: the median over the changes that it saw.

    seen_s: (N,) array, when a picture came that was the first to show a change, s.
    switched_s: (M,) array, when the light was switched, s.  Some changes were not
    seen, so N may be smaller than M.  Each was seen, if at all, before the next.
    """
    last = np.searchsorted(switched_s, seen_s) - 1
    return np.median(seen_s - switched_s[last])


# %% tags=["verify"]
verify(camera_delay)

# %% [markdown]
# ## 4. Wheels: a taped meter
#
# Two motors of one kind are never alike. Suppose that the left wheel goes 93 % as fast as it is told, and the right one 104 %. The wheels are 30 cm apart.
#
# **Predict.** Both are told the same speed, for one meter. How far beside its line does the robot end: 1 cm, 5 cm or 18 cm? To which side?

# %% tags=["folded"]
# Your guess
guess(
    "13.straight",
    "How far beside the line, after one meter?",
    choices=(1, 5, 18),
    unit="cm",
)

# %%
from robotlab.control import DifferentialDrive, advance

LEFT, RIGHT = 0.93, 1.04
forward, turn = DifferentialDrive(track_m=0.30).twist(LEFT * 0.2, RIGHT * 0.2)
x, y, yaw = advance(0.0, 0.0, 0.0, forward, turn, 1.0 / 0.2)
side = "left" if y > 0 else "right"
print(f"after 1 m: {100 * y:.0f} cm to the {side}, turned by {math.degrees(yaw):.0f}°")
compare_guess("13.straight", f"{100 * y:.0f} cm to the {side}")

# %% [markdown]
# **Why.** The **yaw rate** is the *difference* of the two speeds over the track: 11 % of the speed over 0.3 m makes 21° a meter. The steering of lesson 10 hides that while it sees the post, at the price of a steady-state error (lesson 10); as soon as the post is lost, the robot drives a curve.
#
# So a person measures. The program drives the same way several times, the person reads off the tape how far each wheel came, and the **wheel factor** is distance driven / distance commanded. The emulated board is a program at the other end of a pseudo-terminal, and speaks the line protocol of a real one. Its person has a tape. Watch what is asked before anything turns.

# %% tags=["folded"]
import threading


class Person:
    """Watches emulated wheels whose true factors are LEFT and RIGHT, and answers."""

    def __init__(self, board):
        self.board, self.ways_m = board, {"left": 0.0, "right": 0.0}
        threading.Thread(target=self.watch, daemon=True).start()

    def watch(self):
        before = time.monotonic()
        while True:
            time.sleep(0.01)
            now = time.monotonic()
            left, right = self.board.wheels()
            self.ways_m["left"] += LEFT * left * (now - before)
            self.ways_m["right"] += RIGHT * right * (now - before)
            before = now

    def answer(self, question):
        word = "yes"
        for side in self.ways_m:
            if f"how far did the {side}" in question:
                word = f"{self.ways_m[side]:.3f}"
        if "stands at the first mark" in question:
            self.ways_m = dict.fromkeys(self.ways_m, 0.0)
        print(f"{question} {word}")
        return word


# %% tags=["nbval-ignore-output"]
from robotlab.control import SerialLink
from robotlab.errors import MotionError
from robotlab.robot import EmulatedBoard, calibrate_wheels

TOLD_M = 0.3  # short, so that you need not wait; on a floor a meter or two

for _ in range(5):
    with EmulatedBoard() as board:
        link, person = SerialLink.open(board.port, reply_s=0.5), Person(board)
        try:
            print(calibrate_wheels(link, person.answer, TOLD_M, speed_mps=0.3, runs=2))
            break
        except MotionError as error:  # a computer too busy to keep the line alive
            print(f"stopped: {error}\nonce more")
        finally:
            link.close()

# %% [markdown]
# **Why.** Wheels up and a hand on the switch come first, and *no* to any question moves nothing. `give or take` is large here, for a tape is read to 2 mm and the way is short: that alone is 0.7 % of 0.3 m, and 0.2 % of a meter.
#
# On your robot: `robotlab measure wheels --wheels serial:/dev/ttyUSB0`. It tells you what to add to the drive command: `--wheel-factors 0.93,1.04`.
#
# ### Task 3


# %% tags=["starter"]
def wheel_commands(wanted_mps, came_m, told_m):
    """Speeds to send to the two wheels, (2,) array, m/s, so that the wanted ones come true.

    wanted_mps: (2,) array, wanted speed over the floor of the left and the right wheel, m/s.
    came_m: (N, 2) array, distance that each wheel really came in each of N runs, m.
    told_m: distance that both wheels were told to go in each run, m.
    The factor of a wheel is the mean over the runs of distance driven / distance commanded.
    """
    ...


# %% tags=["worked"]
def wheel_commands(wanted_mps, came_m, told_m):
    """Speeds to send to the two wheels, (2,) array, m/s, so that the wanted ones come true.

    wanted_mps: (2,) array, wanted speed over the floor of the left and the right wheel, m/s.
    came_m: (N, 2) array, distance that each wheel really came in each of N runs, m.
    told_m: distance that both wheels were told to go in each run, m.
    The factor of a wheel is the mean over the runs of distance driven / distance commanded.
    """
    factors = came_m.mean(axis=0) / told_m
    return wanted_mps / factors


# %% tags=["verify"]
verify(wheel_commands)

# %% [markdown]
# *A good place for a break: the robot is measured, and nothing has driven yet.*

# %% [markdown]
# ## 5. The line to the board
#
# A command is a line of text. At its end stands a **checksum**, a number computed from the rest: a board that gets `GO 7 250 250` with another one than it computes itself throws the line away. And when no good line has come for 250 ms, it ramps down and stands, whatever the computer does. That is the **command time-out** of lesson 11.
#
# **Predict.** The computer sends 0.2 m/s twenty times a second, and hangs at t = 1.0 s; the last line came just before. What do the wheels do at 1.1 s, and at 1.7 s? And when the computer wakes up at 2 s and goes on sending 0.2 m/s?

# %% tags=["folded"]
# Your guess
guess(
    "13.hangs",
    "At 1.1 s, at 1.7 s, and after it has woken up?",
    choices=(
        "they stand at once and stay so",
        "they turn, they stand, they stay so",
        "they turn, they stand, they turn again",
    ),
)

# %% tags=["nbval-ignore-output"]
seen = {}
with EmulatedBoard() as board:
    link = SerialLink.open(board.port, reply_s=0.5)
    begin = time.monotonic()
    link.send(0.0, 0.0)
    while time.monotonic() - begin < 1.0:
        try:
            link.send(0.2, 0.2)
        except MotionError:  # a busy computer: the board has halted, begin anew
            link.send(0.0, 0.0)
        time.sleep(0.05)
    for at_s in (1.1, 1.7):  # the computer hangs
        time.sleep(max(0, begin + at_s - time.monotonic()))
        seen[f"{at_s} s"] = board.wheels()[0] > 0
    try:
        link.send(0.2, 0.2)
        said = "the command was done"
    except MotionError as error:
        said = f"refused: {error}"
    seen["woken up"] = board.wheels()[0] > 0
    link.close()
show(said)
words = ["they turn" if turns else "they stand" for turns in seen.values()]
print("; ".join(f"{when}: {word}" for when, word in zip(seen, words)))
words[-1] = "they turn again" if seen["woken up"] else "they stay so"
compare_guess("13.hangs", ", ".join(words))

# %% [markdown]
# **Why.** For a quarter of a second the board cannot tell a computer that hangs from one that is slow. Then it ramps down, and from now on a command at speed is answered *no*: what a computer says after a sleep is old. A program has to begin with speed 0, and a person with it.
#
# A line has two ends. The board's own program, in C, comes with the course (`robotlab/robot/board/`); a board without a time-out must not drive.
#
# **Plain pins have no board.** There a small program on the same computer holds the pins and keeps the time, and a second one guards it: if the first is suspended or killed, the guard puts all pins low within half a second. When the whole computer hangs, nobody is left: a pin stays as it is, and the wheel turns on. No program helps there. A motor board with a time-out of its own does, or a driver whose enable input falls by itself when pulses stop (a retriggerable timer circuit); resistors that pull the driver's inputs low (its data sheet says which) keep the wheels still while nobody holds the pins. And the switch in your hand.
#
# ### Task 4


# %% tags=["starter"]
def halts_at(line_s, good, timeout_s, until_s):
    """When a motor board halts by itself for the first time, s; until_s if it never does.

    line_s: (N,) array, when lines came, s, ascending.  good: (N,) array of bool,
    whether the checksum of the line agrees; the first one does.
    timeout_s: longest time without a good line, s.  until_s: end of the record, s.
    """
    ...


# %% tags=["worked"]
def halts_at(line_s, good, timeout_s, until_s):
    """When a motor board halts by itself for the first time, s; until_s if it never does.

    line_s: (N,) array, when lines came, s, ascending.  good: (N,) array of bool,
    whether the checksum of the line agrees; the first one does.
    timeout_s: longest time without a good line, s.  until_s: end of the record, s.
    """
    alive_s = np.append(line_s[good], until_s)
    for before_s, after_s in zip(alive_s[:-1], alive_s[1:]):
        if after_s - before_s > timeout_s:
            return before_s + timeout_s
    return until_s


# %% tags=["verify"]
verify(halts_at)

# %% [markdown]
# ## 6. The preflight
#
# `robotlab drive` with a camera begins with a **preflight**: what the program can see for itself, then what only a person can see, then a slow turn with the wheels up. Nothing turns before every line says OK.
#
# Your model of lesson 07 goes with it as a file. This one learns the head only, from 22 pictures. On the robot it takes the place of `mine.onnx`.

# %% tags=["nbval-ignore-output"]
from robotlab.data import open_dataset
from robotlab.neural import fit

recordings = open_dataset(shipped("datasets/greenhouse")).only(
    recordings=("day1", "overcast1", "dusk1")
)
model = fit(recordings.having(recordings.pictures[::4]), progress=False)
saved = model.save(folder / "mine.onnx")
print(f"{saved.name}: finds {', '.join(model.classes)}")

# %% [markdown]
# **Predict.** Somebody in a hurry wants a steering gain of 6 in place of 1.8 and three times the speed, and has not charged the pack: it has 6.4 V, where its maker's data sheet says at least 6.6 V. There are seven lines: environment, camera, rate against gain, limits, target, battery, link. How many say STOP?

# %% tags=["folded"]
# Your guess
guess("13.hurry", "How many of the seven lines say STOP?", choices=range(8))

# %% tags=["nbval-ignore-output"]
EMULATED = "--camera rendered --wheels emulated --with mine.onnx --quiet"
HURRY = "--max-speed 0.9 --setting turn_gain=6 --battery 6.4 --battery-lowest 6.6"
said = command(f"drive {EMULATED} --dry-run {HURRY}")
stops = [line for line in said.splitlines() if line.startswith("STOP")]
compare_guess("13.hurry", len(stops))

# %% [markdown]
# **Why.** Each line says what it found, or the rule that is broken and what to do. The measured rate, not the promised one, decides about the gain. Read the lines and put right one after the other:
#
# | line | says STOP when | what to do |
# |---|---|---|
# | environment | a package is missing | install it as the line says |
# | camera | no picture, another size, black, covered, never changing | cable, cap, light, `--size` |
# | rate against gain | the gain is above half of the ultimate gain at the rate measured | lower gain, or fewer milliseconds |
# | limits | too fast for the stopping distance, ramp too hard | lower `--max-speed` |
# | target | seen in fewer than half of 20 pictures, or the detector is too slow | light, distance, a smaller picture |
# | battery | not told, or below its lowest | measure it, charge it as its maker says |
# | link | the board does not confirm a HALT | cable, port, baud, power of the board |
# | power switch, wheels up | a person has not said so | the hand, the block of wood |
# | signs | the wheels did not turn as told | swap what the line says |
# | floor | not said to be clear | clear it |
#
# The **sign check** is why the wheels are up: the program turns to a side that you cannot guess, and you say which wheel went forward. With the sides swapped, a robot steers away from everything that it sees, faster and faster (lesson 10).
#
# With sound settings comes the **dry run**: the camera looks, the detector finds, commands are computed and logged, and the wheels get nothing but HALT.

# %% tags=["nbval-ignore-output"]
said = command(f"drive {EMULATED} --dry-run --time 1 --log dry.jsonl")

# %% [markdown]
# On your robot, in a terminal, with your four numbers (the options stand on one line):
#
# ```
# robotlab drive --camera 0 --wheels serial:/dev/ttyUSB0 --with mine.onnx
#   --hfov 57.0 --delay 0.080 --wheel-factors 0.93,1.04
#   --battery 7.6 --battery-lowest 6.6 --dry-run
# ```
#
# Carry the robot by hand past your object meanwhile, and look at the replay: is the box on the object, is the distance right, does *turn* point to the side where the object is?

# %% [markdown]
# ## 7. The first drive
#
# The first drive is slow, never backward, and does not search: a lost target means stop. Somebody holds it: `--page` prints the address of a live page, where a button or the space bar has to stay pressed. Such a control is called **hold-to-run control**. Letting go, closing the tab, a lost network and a browser that hangs are all the same: no fresh sign, and the robot ramps down and stands.
#
# **Predict.** You hold the key, and close the laptop's lid without letting go. Does the robot stop? How far does it go meanwhile, at 0.3 m/s?

# %% tags=["folded"]
# Your guess
guess(
    "13.lid",
    "You close the lid at 0.3 m/s. How far does it go?",
    choices=("10 cm at most", "half a meter at most", "until it hits something"),
)

# %%
from robotlab.loop import Settings, worst_stopping_distance_m

first = Settings(max_mps=0.3, max_accel_mps2=0.5, max_reverse_mps=0, search_s=0)
compare_guess("13.lid", f"{100 * worst_stopping_distance_m(first):.0f} cm at most")

# %% [markdown]
# **Why.** The page answers a question that the robot asks twenty times a second, and an answer is good for 0.4 s. The lid closes, no answer comes, and it brakes: well within the 42 cm that the line *limits* of the preflight has promised for its first drive, at worst. Your clear floor has to have that distance in front of it, and more.
#
# Rehearse it now. In JupyterLab: *File > New > Terminal*, change into the course's folder, and type
#
# ```
# .venv/bin/robotlab drive --camera rendered --wheels emulated --page
# ```
#
# Answer the questions, open the address that it prints, hold the space bar, and let go. For those who have no terminal, the next cell does the same without questions, when you have set `START` to True; it ends after a minute, or by *Stop* on the page.

# %% tags=["nbval-ignore-output"]
START = False  # True: rehearse with the live page, for one minute

if START:
    words = f"drive {EMULATED} --page --time 60 --log page.jsonl -o page.html"
    driving = subprocess.Popen(
        [sys.executable, "-u", "-m", "robotlab", *shlex.split(words)],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    for line in driving.stdout:
        print(line, end="", flush=True)
else:
    print("not started: set START = True in this cell, then run it again")

# %% [markdown]
# On your robot add `--page`, and `--record-pictures` to keep what it saw. To hold it from a laptop, give the robot's address in your own network (`--page 192.168.1.20:8810`); who has the address that is printed can drive.
#
# The order of a first drive:
# 1. On the block: preflight, sign check, hold, see the wheels turn, let go, see them stop. Pull the line to the board once: do they stop?
# 2. On the floor, the object 2 m ahead, 0.15 m/s (`--max-speed 0.15`), holding for a second at a time.
# 3. Only when it stands each time: longer, then 0.3 m/s.
# 4. Battery out of the robot when you leave it.

# %% [markdown]
# ## 8. The log, and two detectors on one robot
#
# Every real drive writes a log, and keeps the pictures if asked. Two emulated drives at dusk, one with the color detector and one with your model, both at once so that you wait only once. The post has bands here, orange and white, and stands 1.3 m away when they start.
#
# **Predict.** Both will follow something in most of their pictures. How far away is the post in the color detector's log: about 1.3 m, half of that, or twice that and more?

# %% tags=["folded"]
# Your guess
guess(
    "13.dusk",
    "How far away is the post in the color detector's log?",
    choices=("about 0.6 m", "about 1.3 m", "2.5 m or more"),
)

# %% tags=["nbval-ignore-output"]
COMMON = "--camera rendered --wheels emulated --walk weave:dusk --time 5 --quiet"
WHO = {"color": "color", "mine": "mine.onnx"}


def start(name):
    """Start one drive; its log and its pictures carry its name."""
    words = f"drive {COMMON} --with {WHO[name]} --record-pictures"
    words += f" --log {name}.jsonl -o {name}.html"
    show(f"$ robotlab {words}")
    return subprocess.Popen(
        [sys.executable, "-m", "robotlab", *shlex.split(words)],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def end(name, drive):
    """Wait for a drive; say how it went, or why it was not allowed to begin."""
    lines = drive.communicate()[0].strip().splitlines()
    stops = [line for line in lines if line.startswith("STOP")]
    for line in stops or lines[-3:-2]:
        show(f"{name}: {line}")


drives = {name: start(name) for name in WHO}
for name, drive in drives.items():
    end(name, drive)
for name in [*WHO, *WHO]:  # a busy computer: once more, each alone
    if not (folder / f"{name}.jsonl").exists():
        end(name, start(name))

# %% tags=["nbval-ignore-output"]
from robotlab.robot import load_run

missing = [name for name in WHO if not (folder / f"{name}.jsonl").exists()]
if missing:
    show(
        f"no log of {' and '.join(missing)}: run the cell above again when less else runs"
    )
else:
    runs = {name: load_run(folder / f"{name}.jsonl") for name in WHO}
    for name, run in runs.items():
        followed = np.isfinite(run.distances_m)
        median_m = np.median(run.distances_m[followed])
        print(f"{name}: followed in {followed.mean():.0%} of the pictures, ", end="")
        print(f"{median_m:.1f} m away (median)")
    far_m = np.nanmedian(runs["color"].distances_m)
    display(compare_guess("13.dusk", f"{far_m:.1f} m"))

# %% tags=["explore", "nbval-ignore-output"]
from robotlab.loop import replay_pair_html
from robotlab.widgets import Replay

Replay(
    replay_pair_html(runs["color"], runs["mine"], list(runs), "Two drives at dusk"),
    alt="Two emulated drives at dusk on one clock, the color detector and the trained "
    "model: what each camera saw, with the box that was followed.",
)

# %% tags=["still"] picture="two_drives" alt="What the two cameras saw early in a drive at dusk: twice the same path between plants, with the post ahead, its bands orange and white."
from robotlab.image import decode

figure, axes = plt.subplots(1, 2, figsize=(6.5, 2.6), layout="constrained")
for ax, (name, run) in zip(axes, runs.items()):
    ax.imshow(decode(run.pictures[5])[40:200, 60:260])
    ax.set(title=name, xticks=[], yticks=[])
plt.show()

# %% tags=["folded", "nbval-ignore-output"]
from robotlab.image import decode

figure = plt.figure(figsize=(6.5, 4.6), layout="constrained")
axes = figure.subplot_mosaic([list(runs), ["below", "below"]], height_ratios=[1.3, 1])
for (name, run), style, color in zip(
    runs.items(), ("o--", "s-"), ("#0072b2", "#d55e00")
):
    place = np.flatnonzero(np.isfinite(run.distances_m))[5]
    x0, y0, x1, y1 = run.boxes[place] - [60, 40, 60, 40]
    axes[name].imshow(decode(run.pictures[place])[40:200, 60:260])
    for edge, width in (("black", 3.5), ("white", 1.5)):
        x, y = [x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0]
        axes[name].plot(x, y, color=edge, linewidth=width)
    away = f"{name}: {run.distances_m[place]:.1f} m"
    axes[name].set(title=away, xticks=[], yticks=[])
    look = {"markersize": 3, "linewidth": 1, "color": color, "label": name}
    axes["below"].plot(run.picture_t_s, run.distances_m, style, **look)
axes["below"].set(xlabel="time, s", ylabel="distance, m")
axes["below"].legend(frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=2)
plt.show()

# %% [markdown]
# *Above, one picture of each drive with the box that was followed; below, the distance as the boxes say it.*
#
# **Why.** At dusk the color detector sees one orange band and takes it for the post. A band is a third as tall, and what looks a third as tall is three times as far away (lesson 02): so the robot drives on, toward a post that is 1.3 m ahead of it. Its log has no alarm. It says how often something was followed, how late, and what was commanded; whether the box was *right* it does not know, for a real robot has no ground truth. So look at the replay, at the box and not at the numbers. And one drive each decides nothing: six walks, paired, or no claim (lesson 12).
#
# Play with it: drag the time through both. In which pictures does the color detector have the whole post? What would you change first: its range of colors, its rule for which parts belong together, or the detector?

# %% [markdown]
# ## 9. What to do when ...
#
# | it ... | look at | usual cause | do |
# |---|---|---|---|
# | flees from the object, turns ever faster | sign check | sides swapped, a motor's wires turned | `--setting steering_sign=-1`, or swap the plugs; wheels up |
# | swings from side to side | log: bearing, latency | gain too high for the real latency | measure the delay again; halve the gain, `--setting turn_gain=0.9` |
# | jumps at the start, the picture blurs | log: commands | ramp too hard, loose camera mast | `--setting max_accel_mps2=0.3`; stiffen the mast |
# | does not move, the page says that it drives | preflight: link; wheels up | motors' power off, battery low, too slow for the motors to turn at all | switch, battery, gears |
# | does not move, the page says that it stands | the page | nobody holds, or the target was lost for good | let go, press again; start again |
# | loses it near | replay: box at the edge | object larger than the picture | keep more distance; a wider lens |
# | loses it far | replay: box height | fewer pixels than the detector needs (lesson 12) | larger picture, narrower lens |
# | loses it in one corner of the room | replay: light | a lighting that it has not learned | label pictures from there (lesson 06), train again |
# | the distance is wrong everywhere by the same factor | part 2 | field of view, or height of the object | measure it again |
# | drives a curve when it has lost the target | part 4 | wheel factors | measure them again, on this floor |
# | the rate falls when somebody watches | page: frame time | too little processor for pictures | one watcher, a smaller picture, none |
# | stops after a while, "fault" | last lines of the log | the line, the camera's cable, a full processor | the reason stands there |
#
# Change one thing at a time, write down which, and drive the same walk again.

# %% [markdown]
# ## 10. On your own robot
#
# Put in your numbers as you measure them. The cell runs nothing: it writes the commands for the terminal *on the robot*, in their order. What is still None is left as a question.
#
# In a program of your own, `robotlab.robot` has the same parts: `VideoCamera` takes the pictures, and `view_fault` says when one is black or shows nothing; `open_wheels` opens the wheels, as a `PinLink` where they hang on plain pins, and `CalibratedLink` applies their factors; `LivePage` is the page that somebody holds; `RenderedCamera` stands in for a camera.

# %%
MINE = {
    "camera": "0",  # number, device, or address of a stream
    "wheels": "serial:/dev/ttyUSB0",  # or pins:5,6,13,19
    "model": "mine.onnx",
    "hfov_deg": None,  # part 2
    "delay_s": None,  # part 3
    "wheel_factors": None,  # part 4, such as "0.93,1.04"
    "battery_v": None,  # measured now, with a meter
    "battery_lowest_v": None,  # the maker's data sheet
}


def my_commands(mine):
    """Commands for the robot's terminal, in their order."""
    m = {key: "?" if value is None else value for key, value in mine.items()}
    drive = (
        f"drive --camera {m['camera']} --wheels {m['wheels']} --with {m['model']}"
        f" --hfov {m['hfov_deg']} --delay {m['delay_s']}"
        f" --wheel-factors {m['wheel_factors']}"
        f" --battery {m['battery_v']} --battery-lowest {m['battery_lowest_v']}"
    )
    return [
        "checkup --robot my_robot.json",
        f"measure field-of-view --camera {m['camera']} --distance 0.5",
        f"measure delay --camera {m['camera']}",
        f"measure wheels --wheels {m['wheels']}",
        f"{drive} --dry-run",
        f"{drive} --page --max-speed 0.15 --record-pictures",
    ]


for line in my_commands(MINE):
    show(f"robotlab {line}")
    print()
unknown = [key for key, value in MINE.items() if value is None]
show(f"still to be measured: {', '.join(unknown) or 'nothing'}")

# %% [markdown]
# ## What to remember
#
# - Measure: field of view, delay, wheel factors, battery. What is not measured is guessed.
# - Wheels up, signs, dry run, then the floor: slow, held, and with a hand on the switch.
# - The board stops by itself when no good line comes, and stays stopped until a person begins anew.
# - Every line of a preflight is OK or says what to do. None is skipped.
# - A log knows what was followed, not whether it was right. Look at the pictures.
# - Nothing here is a safety function. The switch is in your hand.
#
# On your own robot you can now
# - measure the four numbers that are its own, and put them into one command;
# - take it through a preflight to a first drive that ends whenever you let go;
# - find the cause of a bad drive in its log, in place of guessing.
#
# ### Check your understanding
#
# 1. A sheet 0.3 m wide, 0.6 m away, is 200 of 400 pixels wide. What is the horizontal field of view?
# 2. Why does the light blink at irregular moments?
# 3. Told 2 m, the left wheel comes 1.8 m and the right one 2.0 m. What do you send for 0.18 m/s straight on?
# 4. The computer wakes up after ten seconds and sends 0.3 m/s with a right checksum. What does the board do, and why?
# 5. In the sign check a turn to the left was commanded, and the left wheel went forward. What happens on the floor, and what do you do?
#
# <details><summary>Answers</summary>
#
# 1. f = 200 · 0.6 / 0.3 = 400 px; 2 · atan(200 / 400) = 53.1°.
# 2. In step with the camera each change would fall on the same place between two pictures, and all errors would be alike; a median does not help then.
# 3. Left 0.18 / 0.9 = 0.20 m/s, right 0.18 / 1.0 = 0.18 m/s.
# 4. It answers *no* and stands: after its time-out only a command at speed 0 begins anew. What it is told may be ten seconds old.
# 5. It would turn away from the object, ever faster. Leave it on the block; `steering_sign=-1` or swap the two motors' plugs, then check the signs again.
#
# </details>
#
# ## Sources
#
# - Field of view: R. Hartley, A. Zisserman, *Multiple View Geometry in Computer Vision*, 2nd ed. 2004, chapter 6 (from memory).
# - Error of a median: J. F. Kenney, E. S. Keeping, *Mathematics of Statistics*, part 2, 2nd ed. 1951 (from memory).
# - Checksum: CRC-16 with polynomial 0x1021 and start 0xFFFF; check value of "123456789" 0x29B1 (from memory).
# - Hold-to-run control: ISO 12100 and IEC 60204-1 (from memory). Stops: IEC 60204-1, ISO 13850.
# - Delay of a screen, slow first drives, one change at a time: common practice, no source. Voltages in the example: invented; your maker's data sheet comes first.
