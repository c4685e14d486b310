# %% [markdown]
# # Lesson 11: smooth and safe
#
# **What you will have** at the end: the stopping distance of your own robot, computed and measured, and a list of parts that may fail without the robot driving on.
#
# **You will be able to**
# - choose an acceleration limit from floor, load and camera;
# - keep a ramp steady while the detector is slow, and stop when a part falls silent;
# - say how far the robot still goes after something happens, and how fast it may drive so that it stops in time;
# - name the stop categories, and say why none of your stops is a safety function.
#
# **Time**: two sittings, of 45 and 50 minutes, tasks included; the first ends after part 4. "If you want more" takes 20 minutes on top. **Needs**: lesson 00; lesson 10 helps.
#
# **Cautions**: nothing moves in parts 1 to 8, all is computed. In "On your own robot" it turns its wheels, and then drives. Do it with an adult who knows the machine, wheels off the ground first, a hand on the switch that cuts the power, the floor clear, people, pets and stairs out of reach. Treat its battery as the maker says. The makers' data sheets, your site's rules and qualified people come before anything said here. **Software is not a safety function**: a program can hang, and then none of it runs.

# %% [markdown]
# ## 1. A jump
#
# A program says "0.6 m/s" where it said "0" before. The wheels obey as fast as their motors can: 63 % of the way in 0.1 s, their time constant. Only friction makes the trolley follow. On it stand a camera, on a mast 25 cm tall that vibrates 5 times per second when plucked, and a potted plant, 60 cm tall on a base of 10 cm.
#
# **Predict.** Without any limit, on a dry floor: do the wheels slip? By how many pixels does the picture jump: less than 1, about 8, about 50? Does the plant stay upright?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess(
    "11.jump",
    "No limit, dry floor: by how many pixels does the picture jump?",
    choices=("less than 1", "about 8", "about 50"),
    unit="px",
)

# %% [markdown]
# (The cell after this line is folded. It says what motors, floor, mast and plant are like; run it like any other. A click on it shows the code. From here on all code that only draws is folded, too.)

# %% tags=["folded"]
import math

import matplotlib.pyplot as plt
import numpy as np
from IPython.display import display

from robotlab.control import Motor, Ramp, make_ramp
from robotlab.control.load import (
    grip_limit_mps2,
    mast_vibration,
    ramp_response,
    tilt,
    tip_limit_mps2,
)
from robotlab.course import Table
from robotlab.loop import default_camera

MS = 0.001  # everything is computed in steps of one millisecond
motor = Motor(lag_s=0.10)
# Rubber on a dry and on a wet floor: orders of magnitude, from memory.
FRICTION = {"dry": 0.6, "wet": 0.3}
# 70 % of the weight stands on the driven wheels.
floors = {
    floor: grip_limit_mps2(friction, driven_share=0.7)
    for floor, friction in FRICTION.items()
}


def move(ramp, wanted_mps, floor="dry", seconds=1.6, period_s=0.02):
    """Speed of the rims, speed and acceleration of the trolley, each millisecond."""
    return ramp_response(ramp, wanted_mps, motor, floors[floor], seconds, period_s)


def nod_px(accel):
    """How far the picture moves up and down, px: a mast of 25 cm at 5 Hz."""
    return default_camera().focal_px * mast_vibration(
        accel, MS, mast_m=0.25, mast_hz=5.0
    )


def plant_deg(accel):
    """How far the plant leans at most, degrees; 90 is on the floor."""
    leans = tilt(accel, MS, half_base_m=0.05, middle_height_m=0.30)
    return math.degrees(np.abs(leans).max())


# %%
rows = []
for limit in (None, 0.8):
    for floor in floors:
        rims, speeds, accel = move(Ramp(limit), 0.6, floor)
        slipped_cm = 100 * (rims - speeds).sum() * MS
        nods = nod_px(accel)
        smeared_px = np.abs(np.diff(nods)).max() / MS / 60  # exposed for 1/60 s
        name = f"{limit} m/s²" if limit else "none"
        seen = (np.abs(accel).max(), slipped_cm, np.abs(nods).max(), smeared_px)
        rows.append((name, floor, *seen, f"{plant_deg(accel):.0f}°"))
print(f"grip: dry {floors['dry']:.1f}, wet {floors['wet']:.1f} m/s²")
print(f"the plant lifts from {tip_limit_mps2(0.05, 0.30):.2f} m/s² on")
columns = ("peak, m/s²", "slipped, cm", "picture moves, px", "motion blur, px")
display(Table(("limit", "floor", *columns, "plant leans"), rows, decimals=1))
compare_guess("11.jump", f"{rows[0][4]:.0f} px")

# %% tags=["folded", "nbval-ignore-output"]
# A drawing
figure, axes = plt.subplots(3, 1, figsize=(6, 5), sharex=True, layout="constrained")
times = np.arange(1600) * MS
for limit, style, color in ((None, "--", "#d55e00"), (0.8, "-", "#0072b2")):
    rims, speeds, accel = move(Ramp(limit), 0.6)
    for ax, curve in zip(axes, (speeds, accel, nod_px(accel))):
        name = "no limit" if limit is None else f"{limit} m/s²"
        ax.plot(times, curve, style, color=color, label=name)
for ax, name in zip(axes, ("speed, m/s", "acceleration, m/s²", "picture moves, px")):
    ax.set_title(name)
axes[2].set(xlabel="time, s", xlim=(0, 1.2))
axes[0].legend(frameon=False)
plt.show()

# %% [markdown]
# *Without a limit (dashed) acceleration jumps to 4 m/s² and the picture moves by 8 pixels; with one (solid) speed is a slope, acceleration a low step, and the picture moves by 1.*
#
# **Why.** The motors demand 0.6 / 0.1 = 6 m/s². The dry floor gives 0.6 · 9.81 · 0.7 = 4.1 m/s², so the wheels slip: the floor limits the acceleration, at a value that nobody chose. Odometry, which adds up what the wheels have turned, counts the slip as distance driven, although the trolley never drove it. The mast goes on vibrating, and the pictures taken meanwhile have **motion blur** of up to 3 pixels. The plant begins to lift where gravity and acceleration turn it equally about its edge, $a = g \cdot 5\,\text{cm} / 30\,\text{cm} = 1.64$ m/s²; it falls if it is pushed for long enough. On the wet floor the slip saves it.
#
# The remedy is to choose the limit yourself: an **acceleration limit**. 0.8 m/s² is half of what lifts the plant, and less than half of what a wet floor gives. A factor of two in reserve is what you want (common practice, no source).

# %% [markdown]
# ## 2. The ramp
#
# A **ramp** keeps the acceleration limit. It changes the speed a little at a time: in each step by at most limit · step. Fifty steps per second at 0.8 m/s² are 0.016 m/s per step.
#
# **Predict.** A ramp is at 0.45 m/s, 0.5 m/s is wanted, the limit is 1 m/s², steps take 0.1 s. Which speed comes next: 0.5, 0.55 or 0.46?

# %% tags=["folded"]
# Your guess
guess("11.next", "Which speed comes next?", choices=(0.46, 0.5, 0.55), unit="m/s")

# %%
ramp = Ramp(max_accel_mps2=1.0, start=0.45)
steps = [f"{ramp.step(0.5, 0.1):.2f} m/s" for _ in range(3)]
print(", ".join(steps))
compare_guess("11.next", steps[0])

# %% [markdown]
# **Why.** A step may change the speed by 0.1 m/s, and only 0.05 are missing. A ramp that always took the whole step would pass the wanted speed, come back, pass it again, and never rest.

# %% tags=["still"] picture="ramp" alt="Speed over time. The wanted speed, dashed, jumps from 0 to 0.45 m/s and later back to 0. The commanded speed, solid, climbs like a staircase: one step wide, and at most limit times step high; its last step is only what is missing. It goes down the same way."
from robotlab.course import plot_ramp

figure, ax = plt.subplots(figsize=(6, 3), layout="constrained")
plot_ramp(ax)
plt.show()

# %% [markdown]
# ### Task 1
#
# Write `ramp_step`. It must work backward, and slowing down as well. Stuck? `nudge(ramp_step)` in a new cell says a little more each time.


# %% tags=["starter"]
def ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s):
    """Next speed of a ramp, m/s, as near to wanted_mps as the limit allows.

    speed_mps: speed now, m/s.  wanted_mps: wanted speed, m/s.
    Both may be negative, which is backward.
    accel_mps2: acceleration limit, m/s², up and down.  dt_s: length of the step, s.
    """
    ...


# %% tags=["worked"]
def ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s):
    """Next speed of a ramp, m/s, as near to wanted_mps as the limit allows.

    speed_mps: speed now, m/s.  wanted_mps: wanted speed, m/s.
    Both may be negative, which is backward.
    accel_mps2: acceleration limit, m/s², up and down.  dt_s: length of the step, s.
    """
    room_mps = accel_mps2 * dt_s
    gap_mps = wanted_mps - speed_mps
    return speed_mps + max(-room_mps, min(gap_mps, room_mps))


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(ramp_step)

# %% [markdown]
# ## 3. A ramp in a thread of its own
#
# Pictures arrive unevenly, and a detector takes its time. Suppose that one loop does it all: look (0.15 s), decide, *one step of the ramp*, send. In the program the ramp's step is written as 0.02 s, as it was when the detector was quick.
#
# **Predict.** The trolley drives 0.6 m/s and must stop at 0.8 m/s². That is 0.75 s and 23 cm. What do you get from that loop?


# %% tags=["folded"]
# Your guess
guess("11.loop", "After how many seconds, and within how many meters, has it stopped?")


# %%
def stop_in_a_loop(every_s, told_s, hang_s=0.0):
    """Time, distance, largest jump of a stop from 0.6 m/s when a loop steps the ramp.

    every_s: time between two rounds, s.  told_s: what the ramp takes for its step, s.
    hang_s: how much longer the third look takes, s.
    """
    ramp, t_s, way_m, jumps = Ramp(0.8, start=0.6), 0.0, 0.0, []
    while ramp.speed > 1e-9:
        wait_s = every_s + (hang_s if len(jumps) == 2 else 0.0)
        before = ramp.speed
        t_s, way_m = t_s + wait_s, way_m + before * wait_s
        jumps.append(before - ramp.step(0.0, told_s))
    return t_s, way_m, max(jumps)


rows = []
for name, every_s, told_s, hang_s in (
    ("in a thread, 50 times per second", 0.02, 0.02, 0.0),
    ("in the loop, step written as 0.02 s", 0.15, 0.02, 0.0),
    ("in the loop, step measured", 0.15, 0.15, 0.0),
    ("the same, and one look takes 1.15 s", 0.15, 0.15, 1.0),
):
    t_s, way_m, jump = stop_in_a_loop(every_s, told_s, hang_s)
    rows.append((name, f"{t_s:.2f} s", f"{way_m:.2f} m", f"{jump:.3f} m/s"))
display(
    Table(
        ("the ramp's step", "at rest after", "within", "largest jump"), rows, decimals=2
    )
)
for period_s in (0.02, 0.15):
    _, _, accel = move(Ramp(0.8, start=0.6), 0.0, period_s=period_s)
    peak = np.abs(accel).max()
    print(f"steps of {period_s} s, measured: it brakes with up to {peak:.2f} m/s²")
compare_guess("11.loop", f"{rows[1][1]}, {rows[1][2]}")

# %% [markdown]
# **Why.** The loop steps its ramp 7.5 times too seldom, so the ramp is 7.5 times too flat: 5.7 s and 1.7 m, and nothing in the program looks wrong. Measuring the step corrects the time, but now each step is 0.12 m/s, and the trolley jerks. And while the detector takes a second, the wheels keep whatever command they got last.
#
# So the ramp runs beside the loop, at a steady rate, in a **thread** of its own. The loop only leaves a velocity command. If it leaves none for half a second (a **command time-out**), the thread ramps down by itself. How steady is the thread on *your* machine? Here it runs while the main program does real work, rendering pictures; all times are measured.

# %% tags=["nbval-ignore-output"]
import time

from robotlab.control import DifferentialDrive, RampThread, SimulatedLink
from robotlab.greenhouse import WALKS, render

scene = WALKS["straight"].scene


def look(seconds):
    """What a slow detector does to the machine: work until the time is over."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        render(scene, default_camera())


look(0.5)  # the first pictures take longer
link = SimulatedLink()
with RampThread(link, DifferentialDrive(), max_accel_mps2=0.8, rate_hz=50) as thread:
    for _ in range(10):
        look(0.15)
        thread.command(0.6, 0.0)
sent = np.array([row[1] for row in link.sent])
jitter = thread.jitter()
mean_ms, worst_ms = 1000 * jitter.mean_s, 1000 * jitter.worst_s
print(f"{jitter.steps} steps; {jitter.missed} left out")
print(f"late by {mean_ms:.1f} ms on average, one by {worst_ms:.1f} ms")
print(f"largest jump of the speed sent: {np.abs(np.diff(sent)).max():.3f} m/s")

# %% [markdown]
# **Why.** A step is due every 20 ms. How much the real times scatter about the due ones is the **jitter**. Where this was written, on two busy cores, steps were late by 0.3 to 4 ms on average, the worst by 5 to 24 ms. An ordinary operating system gives no guarantee (it is not **real-time**): next time it may be 200 ms. Therefore the motor board has a command time-out of its own (0.25 s here), which works even when the computer has hung. Seen from the board, the commands that keep arriving are a **heartbeat**.

# %% [markdown]
# ## 4. The target is lost
#
# Detectors miss. A trolley that stopped at each miss would stutter; one that drove on would hit something. So it goes through fixed states, in a fixed order: a **state machine**. Counted from the moment at which the next picture with the post was due (a frame after the last one, plus the latency):
#
# 1. for 0.4 s keep the last motion, which is most likely still right: **hold last command**. (The log calls this state *hold*. It is not what motor drivers call coasting, where the wheels turn freely without power.)
# 2. *slow* for 0.6 s: ramp down to rest;
# 3. *search* for 8 s: turn on the spot, toward the side where it went, the **lost-target search**;
# 4. *stop*, and stay stopped until a *person* starts it again.

# %% tags=["still"] picture="states" alt="A state machine. From follow an arrow 'no post' leads to hold, after 0.4 s to slow, after 0.6 s to search, after 8 s to stop. From hold, slow and search an arrow leads back to follow when the post is seen again. From stop only a person leads back."
from robotlab.course import plot_lost_target_states

figure, ax = plt.subplots(figsize=(5.6, 2.3), layout="constrained")
plot_lost_target_states(ax)
plt.show()

# %% [markdown]
# **Predict.** Pictures come every 0.1 s and are 0.1 s old when they arrive. From 4.0 s on no picture shows the post. When does the trolley begin to hold the last command, slow down, search, stop? The post comes back at 14 s. What happens then? And if it had come back at 7 s?

# %% tags=["folded"]
# Your guess
guess("11.lost", "When does it hold, slow down, search, stop? And after 14 s?")

# %%
from robotlab.detections import Detections
from robotlab.loop import FaultModel, GroundTruthDetector, simulate

walk = WALKS["weave"]


class Hidden(FaultModel):
    """Somebody stands between camera and post for a while."""

    def __init__(self, from_s, until_s):
        self.from_s, self.until_s = from_s, until_s

    def found(self, index, t_s, found):
        hidden = self.from_s <= t_s < self.until_s
        return Detections.none(found.classes) if hidden else found


runs, answers = {}, []
for until_s in (14.0, 7.0):
    # This detector is told the ground truth: what happens is the loop's own doing.
    hidden = Hidden(4.0, until_s)
    run = simulate(
        GroundTruthDetector(), walk, faults=hidden, duration_s=18, pictures=False
    )
    states = [f"{event['what']} {event['t']:.1f}" for event in run.events]
    answers.append(f"back at {until_s:.0f} s: {', '.join(states[2:])}")
    print(answers[-1])
    runs[until_s] = run
compare_guess("11.lost", "; ".join(answers))

# %% tags=["folded", "nbval-ignore-output"]
run = runs[14.0]
figure, (upper, lower) = plt.subplots(
    2, 1, figsize=(6, 4), sharex=True, layout="constrained"
)
upper.plot(run.t_s, run.speeds_mps, color="#0072b2")
lower.plot(run.t_s, np.degrees(np.unwrap(run.pose[:, 2])), color="#d55e00")
upper.set(ylabel="speed, m/s", xlim=(2, 18), ylim=(0, 0.6))
lower.set(ylabel="heading, °", xlabel="time, s")
events = [(event["t"], event["what"]) for event in run.events if event["t"] > 0.5]
for (begin, name), (end, _) in zip(events, [*events[1:], (18.0, "")]):
    for ax in (upper, lower):
        ax.axvline(begin, color="black", linewidth=0.8, linestyle=":")
    high = 0.53 if name != "slow" else 0.43
    upper.text((begin + end) / 2, high, name, ha="center", fontsize=9)
plt.show()

# %% [markdown]
# *Speed keeps its value while the last command is held, falls to 0 in slow, and stays 0. The heading turns steadily in search and does not change after 13.1 s, not even when the post is back at 14 s.*
#
# **Why.** The last picture with the post is that of 3.9 s. The next would be acted on at 4.1 s; it is empty, so the last command is held. At 4.5 s slow, at 5.1 s search, at 13.1 s stop. Back at 7 s, the post is found at 12.9 s: the search turns right, where it was lost; meanwhile it has crossed to the left, nearly a whole turn away. Back at 14 s, nothing happens: by then somebody may be kneeling at the trolley. A machine that has stopped for a reason must not start because the reason has gone.
#
# *This is the place to stop for today. To go on another time, run the cells from the top (Run → Run All Above Selected Cell).*

# %% [markdown]
# ## 5. A watchdog, and which clock it reads
#
# A lost target is *seen*: pictures come, and the post is not in them. It is worse when nothing comes: the camera hangs, the detector hangs, the cable is out. Then no line of your loop runs that could notice. Something beside the loop must: a **watchdog**. It runs in the ramp's thread. Every part must report within a set time. If one is silent for longer, that is a fault: from then on the thread sends the motor board nothing but HALT, upon which the board brakes along a ramp of its own and lets go of the motors, until a person starts again. (`robotlab.control.Supervisor` is this rule, on one page.) Its states:

# %% tags=["still"] picture="supervisor" alt="The state machine of the stop. READY, as commanded along the ramp, leads with a stop or the end of time to BRAKING, 0 along the ramp; from there, at rest or with a fault, to HALTING, HALT again and again. A fault leads from READY to HALTING at once. When the board has confirmed, HALTED. Only a person leads back to READY."
from robotlab.course import plot_supervisor_states

figure, ax = plt.subplots(figsize=(5.6, 2.8), layout="constrained")
plot_supervisor_states(ax)
plt.show()

# %% [markdown]
# | watched | what counts as a sign of life | what does not |
# |---|---|---|
# | camera | a *new* picture | the same picture again: a hung camera often repeats its last one |
# | detector | an answer, also "nothing found" | an error, NaN |
# | motor link | a line that the board confirmed | a line that was sent |
# | clock | goes forward, as a second clock does | a jump, either way; standing still |
#
# (A frozen picture with noise added, or with a brightness that changes, counts as new; then only the driver's own time of each picture tells.)
#
# The fourth is a surprise to many. Here is a watchdog as it is often written:


# %%
def too_old(now_s, last_s, limit_s=0.6):
    return now_s - last_s > limit_s


# %% [markdown]
# **Predict.** It reads the time of day, `time.time()`. The computer finds that its clock is fast and sets it back by an hour. At that moment the camera is unplugged. When does the trolley stop?

# %% tags=["folded"]
# Your guess
guess(
    "11.clock", "How many seconds after the camera is unplugged does it stop?", unit="s"
)

# %%
from robotlab.control import Watchdog

for name in ("time", "monotonic"):
    settable = time.get_clock_info(name).adjustable
    print(f"time.{name}() can be set while it runs: {settable}")

last_s = 36_000.0  # the last picture: ten o'clock, in seconds since midnight
set_back_s = 3600.0
passed_s = 0.0
while not too_old(last_s - set_back_s + passed_s, last_s):
    passed_s += 0.1
print(f"too_old notices after {passed_s:.0f} s")

clock_s = [last_s]
watch = Watchdog({"camera": 0.6}, max_gap_s=0.6, clock=lambda: clock_s[0])
clock_s[0] = last_s + 0.02 - set_back_s
print(f"Watchdog, at its next check: {watch.check().message}")
compare_guess("11.clock", f"after {passed_s:.0f} s")

# %% [markdown]
# **Why.** After the clock has gone back, the last picture is from the future, and its age is negative. Negative is not "more than 0.6", so for an hour all seems well. Use a **monotonic clock**, `time.monotonic()`: it counts from an arbitrary start, nobody sets it, and it never goes back. And ask the question the other way around: not "what must be true to stop" but "what must be true to *go on*".
#
# ### Task 2
#
# Write `watchdog` for the age of the last good picture. Three answers: `"go"`, `"slow"`, `"stop"`.


# %% tags=["starter"]
def watchdog(now_s, last_good_s, slow_s, stop_s):
    """What to do at the age of the last good picture: "go", "slow" or "stop".

    now_s: time now, s.
    last_good_s: time of the last good picture, s; NaN when there was none.
    slow_s, stop_s: oldest age for "go" and for "slow", s, each included.
    An age that makes no sense is "stop".
    """
    ...


# %% tags=["worked"]
def watchdog(now_s, last_good_s, slow_s, stop_s):
    """What to do at the age of the last good picture: "go", "slow" or "stop".

    now_s: time now, s.
    last_good_s: time of the last good picture, s; NaN when there was none.
    slow_s, stop_s: oldest age for "go" and for "slow", s, each included.
    An age that makes no sense is "stop".
    """
    age_s = now_s - last_good_s
    if 0 <= age_s <= slow_s:
        return "go"
    if 0 <= age_s <= stop_s:
        return "slow"
    return "stop"


# %% tags=["verify"]
verify(watchdog)

# %% [markdown]
# ## 6. How far until it stands
#
# Something happens at time 0. For a time t nothing changes, and the trolley drives on by v · t: t is the **reaction time**. Then the ramp brings it to rest at half speed on average, which takes v² / (2a): the **braking distance**. Together they are the **stopping distance**
#
# $$s = v\,t + \frac{v^2}{2a}.$$
#
# **Predict.** 0.6 m/s, 0.8 m/s², and t = 0.35 s. What helps more: braking twice as hard, or halving t? And what does half the speed do?

# %% tags=["folded"]
# Your guess
guess(
    "11.shorter",
    "What shortens the stop most?",
    choices=("braking twice as hard", "half the reaction time", "half the speed"),
)

# %%
from robotlab.control import stopping_distance_m

ways_m = {}
for name, v, a, t in (
    ("as it is", 0.6, 0.8, 0.35),
    ("twice as hard", 0.6, 1.6, 0.35),
    ("half the time", 0.6, 0.8, 0.175),
    ("half the speed", 0.3, 0.8, 0.35),
):
    ways_m[name] = stopping_distance_m(v, a, t)
    print(f"{name:<15} {v * t:.3f} + {v * v / (2 * a):.3f} = {ways_m[name]:.3f} m")
compare_guess("11.shorter", min(ways_m, key=ways_m.get))

# %% [markdown]
# **Why.** Here both halvings do about the same, since both pieces are about equal. Half the speed does most: half of one piece and a quarter of the other. Nothing shortens a stop like driving more slowly.
#
# ### Tasks 3 and 4
#
# The distance, and then the inverse, which is what you need in practice: so much space is surely free; how fast may it drive?


# %% tags=["starter"]
def stopping_distance(speed_mps, decel_mps2, delay_s):
    """Distance, m, from the moment something happens until the trolley stands still.

    speed_mps: speed at that moment, m/s; negative is backward, the distance is positive.
    decel_mps2: deceleration of the stop ramp, m/s², positive.
    delay_s: reaction time, from that moment to the start of the ramp, s.
    """
    ...


# %% tags=["worked"]
def stopping_distance(speed_mps, decel_mps2, delay_s):
    """Distance, m, from the moment something happens until the trolley stands still.

    speed_mps: speed at that moment, m/s; negative is backward, the distance is positive.
    decel_mps2: deceleration of the stop ramp, m/s², positive.
    delay_s: reaction time, from that moment to the start of the ramp, s.
    """
    speed_mps = abs(speed_mps)
    return speed_mps * delay_s + speed_mps**2 / (2 * decel_mps2)


# %% tags=["verify"]
verify(stopping_distance)


# %% tags=["starter"]
def safe_speed(clear_m, decel_mps2, delay_s):
    """The highest speed in m/s from which the trolley stands within clear_m.

    clear_m: way that is surely free, m, 0 or more.
    decel_mps2: deceleration of the stop ramp, m/s², positive.
    delay_s: reaction time, from that moment to the start of the ramp, s.
    """
    ...


# %% tags=["worked"]
def safe_speed(clear_m, decel_mps2, delay_s):
    """The highest speed in m/s from which the trolley stands within clear_m.

    clear_m: way that is surely free, m, 0 or more.
    decel_mps2: deceleration of the stop ramp, m/s², positive.
    delay_s: reaction time, from that moment to the start of the ramp, s.
    """
    lost_mps = decel_mps2 * delay_s
    return math.sqrt(lost_mps**2 + 2 * decel_mps2 * clear_m) - lost_mps


# %% tags=["verify"]
verify(safe_speed)

# %% [markdown]
# **Predict.** What is in t? List all times that pass between "the lens could see it" and "the wheels turn more slowly". Then list them again for the worst case: the camera has just *failed*, the loop hangs with it, and just before the watchdog would brake, the whole computer hangs.

# %% tags=["folded"]
# Your guess
guess("11.reaction", "What is in t, and how long is t in the worst case?")

# %%
from robotlab.loop import Settings, free_distance_m, stopping_times_s

settings = Settings(detector_s=0.04)
healthy = {
    "until the next picture is taken, at worst": settings.frame_s,
    "latency: exposure, transfer, detector": settings.latency_s,
    "until the ramp's next step": 1 / settings.ramp_hz,
    "motor lag": settings.motor.lag_s,
}
top, a = settings.max_mps, settings.max_accel_mps2
clear_m = free_distance_m(settings)  # between the distance kept and contact
for title, parts in (
    ("something stands there, and is seen", healthy),
    ("worst case", stopping_times_s(settings)),
):
    t = sum(parts.values())
    print(f"{title}: t = {t:.2f} s")
    for name, seconds in parts.items():
        print(f"    {seconds:.2f} s  {name}")
    v = -a * t + math.sqrt((a * t) ** 2 + 2 * a * clear_m)
    print(
        f"    stopping distance from {top} m/s: {stopping_distance_m(top, a, t):.2f} m"
    )
    print(f"    largest safe speed for {clear_m:.2f} m: {v:.2f} m/s")
compare_guess("11.reaction", f"{t:.2f} s in the worst case, from {len(parts)} parts")

# %% [markdown]
# **Why.** The braking distance is 22.5 cm in both. The rest is reaction time; in the worst case most of that is the two time-outs. The watchdog waits for longer than two lost pictures, because one that trips at every hiccup is soon switched off. The board's time-out comes on top: it counts from the last command. A motor lag of 0.1 s costs exactly v · 0.1 s, since the wheels trail the ramp by it all the way down. (The state machine of part 4 gives up a little sooner. Do not count on it: what stopped the camera may have hung the loop as well.)
#
# The worst case is what this course means by *the* stopping distance of a robot. The library computes it in one place (`stopping_m`), the design sheet of lesson 12 prints the same number, and the loop for real robots refuses settings whose stopping distance is longer than the free distance.
#
# **Try.** The crate stands 0.8 m away when something happens. Move a slider, or use the arrow keys.
# 1. Set the reaction time to 0. How fast may it drive? And with 1 s?
# 2. Back at 0.6 m/s and 0.35 s, let the *jerk limit* go down from 40 to 2 m/s³. It lets the acceleration itself come and go slowly, which spares a camera on a mast ("If you want more" has it). What does it cost in all, and where on the slider?
# 3. Set the reaction time to 0.9 s. Which speed leaves some 10 cm? What does your `safe_speed` say?

# %% tags=["explore"]
from robotlab.widgets import StopPicture

stop = StopPicture(
    clear_m=0.8, speed_mps=0.6, accel_mps2=0.8, jerk_mps3=8.0, delay_s=0.35
)
stop

# %% tags=["still"] picture="stop" alt="Three curves over time: speed stays at 0.6 m/s for 0.35 s, then falls to 0 within 0.85 s; acceleration is 0, then -0.8 m/s² with sloping sides; the way rises and ends at 0.465 m, below the hatched bar of a crate at 0.8 m."
from IPython.display import Image

display(Image(bytes(stop.picture)))

# %% [markdown]
# *Solid: with the jerk limit; dashed: without.*
#
# **Why.** (1) 1.05 m/s; with one second hardly more than half of that. (2) A jerk limit adds half of a / j to the reaction time. At 40 m/s³ that is 0.01 s, at 2 m/s³ 0.2 s, and 0.2 s at 0.6 m/s are 12 cm. Most of it comes at the low end of the slider, since j is in the denominator. (3) 0.55 m/s leaves 9 cm. `safe_speed(0.7, 0.8, 0.9)` says 0.56: it knows nothing of the jerk.

# %% [markdown]
# ## 7. Break it on purpose
#
# A computed stopping distance is worth what it was tested with. The post hurries ahead, so that the trolley drives at its full 0.6 m/s; after five seconds something fails. To break parts on purpose and to watch what happens is called **fault injection**. `fault_campaign` breaks one thing in each run and measures how far the trolley drove without a new picture of the post, beside the stopping distance of part 6 (`stopping_m`).
#
# **Predict.** Which of these will come nearest to the computed distance, and which must *not* stop the trolley?

# %% tags=["folded"]
# Your guess
guess("11.faults", "Which fault comes nearest to the computed distance?")

# %%
from robotlab.greenhouse import Walk
from robotlab.loop import FAULTS, fault_campaign, worst_stopping_distance_m

about = "The post goes straight ahead, as fast as the trolley can."
hurry = Walk(
    "hurry", about, (0.0, 12.0), ((1.5, 0.0), (8.5, 0.0)), WALKS["straight"].scene
)
steering = [fault for fault in FAULTS if "steering" in fault[0]]
others = [fault for fault in FAULTS if fault not in steering]
fixed = {"settings": settings, "pictures": False}
reports = fault_campaign(GroundTruthDetector(), hurry, faults=others, **fixed)
# A wrong sign shows where there is something to steer to: on the weaving walk.
reports += fault_campaign(
    GroundTruthDetector(), walk, faults=steering, after_s=15.0, **fixed
)


def measured_m(report):
    """Distance without a new picture of the post, or to rest where it had to stop."""
    return max(report.blind_m, report.driven_m) if report.must_rest else report.blind_m


print(f"computed: {worst_stopping_distance_m(settings):.2f} m")
rows = [
    (one.name, f"{measured_m(one):.2f} m", one.state, "yes" if one.kept else "NO")
    for one in reports
]
display(Table(("fault", "measured", "at the end", "within it"), rows, decimals=2))
worst_m = max(measured_m(one) for one in reports)
nearest = [one.name for one in reports if measured_m(one) > worst_m - 0.005]
compare_guess("11.faults", f"at {worst_m:.2f} m: {', '.join(nearest)}")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(6, 5), layout="constrained")
for report in reports:
    color = "#0072b2" if report.must_rest else "#56b4e9"
    ax.barh(
        report.name, measured_m(report), color=color, edgecolor="black", linewidth=0.5
    )
ax.axvline(
    worst_stopping_distance_m(settings), color="#d55e00", linestyle="--", linewidth=2
)
ax.invert_yaxis()
words = "distance without a new picture, m"
ax.set_xlabel(f"{words}\n(dashed: computed; dark: had to stop)")
plt.show()

# %% [markdown]
# *The bars of all faults end before the dashed line of the computed distance.*
#
# **Why.** Silence takes longest: no picture, a frozen one, one that cannot be read or is a second old, a detector that raises an error or gives NaN all come to the same, nothing new. The state machine acts first, with hold and slow; a little later the watchdog trips, and the trolley stays stopped. A cut link is quicker, because the board waits for 0.25 s only. Half of the pictures lost, or each one twice, is a nuisance and no fault: the trolley goes on. (With half of them lost the table can say *hold*: then the run ended just after a lost picture.)
#
# The wrong sign trips no watchdog. Every part works; the trolley turns away and loses the post, comes to rest, finds it again by searching, and turns away once more. A watchdog notices silence, not wrong answers: against a wrong sign there is the check with the wheels off the ground, against a detector that answers in time and wrongly there is lesson 08.
#
# The measured distances stay below the computed one, because not everything happens at its worst moment at once.
#
# That was the simulated loop. The one that drives a *real* robot has been put through the same kind of faults, over a serial line to an emulated board (no wheels), each at random moments; the distance was counted from what the *board* received. That takes too long for a lesson, so here is what was measured.
#
# **Predict.** How much of the computed distance is used up in the worst run: a half, nine tenths, more than all? How many moving commands reach the board after the end?

# %% tags=["folded"]
# Your guess
guess(
    "11.real",
    "How much of the computed distance is used up in the worst run?",
    choices=("a half", "nine tenths", "more than all"),
)

# %%
from robotlab.course import measured

faults = measured("fault_injection")["runs"]
late = sum(row["moving_commands_after_end"] for row in faults)
print(f"{len(faults)} faults, {sum(row['runs'] for row in faults)} runs")
print(f"moving commands after the end: {late}")
rows = [
    (row["fault"], f"{row['worst_m']:.2f} m", f"{100 * row['worst_share']:.0f} %")
    for row in sorted(faults, key=lambda row: -row["worst_share"])[:8]
]
display(Table(("the eight worst", "measured", "of the computed"), rows))
compare_guess("11.real", f"{rows[0][2]}; moving commands after the end: {late}")

# %% [markdown]
# **Why.** At most 100 % may stand in the last column, and after its end the loop may send no command but halt. The worst case of the real loop is no broken part but a busy computer: forty threads that do nothing but compute. There was still no floor under any wheel: on yours, measure ("On your own robot").
#
# **Try.** Break something yourself: `fault_campaign(GroundTruthDetector(), hurry, pictures=False, faults=[("hidden", lambda at_s: Hidden(at_s, 99.0), True)])` hides the post. `help(FaultModel)` lists what else can fail.

# %% [markdown]
# ## 8. How hard to stop, and what a stop is called
#
# A short stopping distance is good. Then why not stop as hard as possible? Look at the plant.
#
# **Predict.** The trolley drives 0.6 m/s. With which limits does the plant stay upright: 1.5, 2, 4, 6 m/s², none?

# %% tags=["folded"]
# Your guess
guess(
    "11.plant",
    "Up to which limit does the plant stay upright?",
    choices=(1.5, 2, 4, 6, "with none at all"),
)

# %%
rows = []
for limit in (0.8, 1.5, 2.0, 4.0, 6.0, None):
    _, speeds, accel = move(Ramp(limit, start=0.6), 0.0)
    lean = plant_deg(accel)
    plant = "stands" if lean == 0 else f"leans by {lean:.1f}°"
    plant = "falls" if lean >= 90 else plant
    name = f"{limit} m/s²" if limit else "none"
    rows.append((name, f"{speeds.sum() * MS:.2f} m", plant))
display(Table(("limit", "distance", "plant"), rows, decimals=2))
rolls_m = 0.6**2 / (2 * 0.02 * 9.81)
print(f"power cut, no brake, rolling resistance 0.02: {rolls_m:.2f} m")
upright = [limit for limit, _, plant in rows if plant != "falls"]
compare_guess("11.plant", f"it does not fall up to {upright[-1]}")

# %% tags=["folded", "nbval-ignore-output"]
figure, (above, below) = plt.subplots(
    2, 1, figsize=(6, 4.4), sharex=True, layout="constrained"
)
times = np.arange(1600) * MS
for limit, style, color in (
    (0.8, "-", "#0072b2"),
    (4.0, "-.", "#009e73"),
    (None, "--", "#d55e00"),
):
    _, speeds, accel = move(Ramp(limit, start=0.6), 0.0)
    name = f"{limit} m/s²" if limit else "no limit"
    above.plot(times, speeds, style, color=color, label=name)
    leans = np.degrees(tilt(accel, MS, half_base_m=0.05, middle_height_m=0.30))
    below.plot(times, leans, style, color=color)
above.set(title="speed, m/s")
below.set(title="the plant leans forward, °", xlabel="time, s", ylim=(-10, 95))
above.legend(frameon=False)
plt.show()

# %% [markdown]
# *Without a limit the speed is gone in a third of a second and the plant goes on leaning until it lies; at 4 m/s² it rocks by a few degrees; at 0.8 m/s² it stands still.*
#
# **Why.** A ramp under 1.64 m/s² never lifts the plant, however long it lasts. A steeper one does, and then the duration matters. The hard stop saves 20 cm and throws the plant at whoever stands in front. And a trolley without brakes whose power is cut rolls *farther* than one that is braked under power. (0.02 is an order of magnitude from memory; measure it.)
#
# The standard for the electrical equipment of machines, IEC 60204-1, sorts stops by what happens to the power. There are three **stop categories**:
#
# | category | what happens | here |
# |---|---|---|
# | 0 | uncontrolled: power is removed at once | the switch in your hand; no software |
# | 1 | controlled: braked under power, then power is removed | a part has failed: HALT |
# | 2 | controlled: braked under power, and power stays | the target is lost: the ramp to 0 |
#
# **Predict.** Which of them may an *emergency* stop be? May it be a key on your keyboard? May letting go of its button start the trolley again?

# %% tags=["folded"]
# Your guess
guess("11.emergency", "Category 0, 1, 2? A key? And letting go of the button?")

# %% tags=["folded"]
compare_guess("11.emergency", "0 or 1, never 2; no; no")

# %% [markdown]
# **Why.** An **emergency stop** is of category 0 or 1, never 2; which of the two follows from the **risk assessment** of the machine. It acts without your program, and releasing it restarts nothing: somebody must start the machine on purpose (ISO 13850). A key in a notebook is an ordinary stop, and so is everything else in this lesson. None of it is a **safety function**.
#
# What makes a machine safe comes in this order (ISO 12100):
# 1. *design the hazard out*: light, slow, low, weak motors, round edges, a load that cannot fall;
# 2. *guard against it*: a bumper or a fence that cuts the power, an emergency stop;
# 3. *warn of it*: a label, a light, a rule, a lesson.
#
# A watchdog in software is not on the list. It brings a machine that works to an orderly stop.

# %% [markdown]
# ## On your own robot
#
# Read the cautions at the top again. An adult, a hand on the power switch, and nothing that can be hit.
#
# **First a rehearsal, without a robot.** This is the loop that drives a real one, with a simulated motor link. The camera gives noise, and the detector always sees the post; after a second the camera is "unplugged", and no further picture comes. The limits are those for the first floor test: slow, never backward, and no search, so that a lost target means stop.

# %% tags=["approximate"]
from robotlab.loop import drive

rng = np.random.default_rng(11)
begin_s = time.monotonic()


def take():
    """A camera of 20 pictures per second that is unplugged after one second."""
    time.sleep(0.05 if time.monotonic() - begin_s < 1.0 else 1.5)
    return rng.integers(0, 255, (240, 320, 3), np.uint8)


def sees_it(picture):
    return Detections([[155, 80, 164, 140]], [0.9], [0], ["post"])


slow = Settings(frame_hz=20, max_mps=0.2, max_yaw_radps=0.5, search_s=0.0)
link = SimulatedLink()
report = drive(sees_it, take, default_camera(), slow, link, duration_s=5.0)
print(f"{report.pictures} pictures; {report.state}: {report.reason}")
fastest_mps = max(row[1] for row in link.sent)
print(f"fastest {fastest_mps:.2f} m/s, the wheels at the end: {link.wheels()}")

# %% [markdown]
# Before it starts, `drive` checks the settings: it refuses a gain above the safe gain of lesson 10, a stopping distance longer than the free distance, a last command that is held for too long, and more, and says what would be allowed. Try `Settings(turn_gain=20)` or `Settings(hold_s=30)` in the rehearsal.
#
# **A notebook is a poor place to drive from.** The program runs in the kernel, not in the page. If you close the tab, the kernel goes on, and so does the robot, until the time limit that you gave to `drive` is over, or the watchdog stops it; nothing in the browser can stop it then. So keep the time limit short (10 s). To end a run early, *interrupt the kernel* (the square button, or Kernel > Interrupt Kernel): the board gets HALT, ramps down and lets go of the motors. To shut the kernel down is the last resort: then it is the board's command time-out that stops the wheels. Better: put the call into a script and run it in a terminal. Ctrl-C stops the motors on the way out, and so does closing the terminal. Better still is a control that must be *held* to drive, so that letting go is the stop (a **dead man's switch**). `robotlab drive --camera 0 --wheels serial:/dev/ttyUSB0 --with mine.onnx --page` opens such a page: it shows what the robot sees, and has a button that you hold, in the browser of the robot or of your laptop. Let go, close the tab or lose the network, and the robot ramps down and stands until somebody presses again; after a fault it takes a new run. Try it without a robot: `robotlab drive --camera rendered --wheels emulated --page`. Whatever you use, the power switch stays in a hand.
#
# **Wheels off the ground.** Put the robot on a box so that its wheels turn freely. Fingers, hair, sleeves and cables away. Use the limits of `slow`, above, and `drive(..., lifted=True)`: otherwise wheels that turn before a view that stays count as a fault of the motors. Let it follow the object in the hand of a helper, far enough away that the wheels turn forward, and then do the following, one after the other (plugs at the camera and the computer, never at the battery). It is fault injection by hand:
#
# | do | must happen | happened after |
# |---|---|---|
# | cover the lens | the wheels ramp down (part 4) | |
# | unplug the camera | they begin to stop within the watchdog's time-out, and stay stopped | |
# | unplug the motor link | they begin to stop by themselves, within the board's command time-out | |
# | kill the program (`kill -9`, or the task manager) | the same | |
# | plug the camera, the link back in | *nothing* | |
# | open the power switch | they are without power, whatever the program says | |
#
# A robot that fails one row does not go on the floor.
#
# **Chalk marks.** You need a clear lane, more than twice as long as the computed distance, with a chalk line across it. The target stands still, well beyond the end of the lane, so that the robot drives at `max_mps`, and nobody walks in front of it. When the wheels cross the line, a helper at the side covers the lens with a card on a stick. Mark where the same wheels come to rest, and measure. Do it five times at each of three values of `max_mps`, the slowest first; then with the load, and on the worst floor you have. Put the *longest* distance of each speed into the cell. It finds your t and your a, by least squares on v · t + v² / (2a).

# %% tags=["explore"]
speeds_mps = np.array([0.15, 0.25, 0.35])  # steady speeds
# The longest of five at each speed; these three are made up: put yours.
longest_m = np.array([0.09, 0.17, 0.26])
clear_m = 0.5  # what is surely free in front of your robot

(t, k), *_ = np.linalg.lstsq(
    np.column_stack([speeds_mps, speeds_mps**2]), longest_m, rcond=None
)
if t < 0 or k <= 0:
    print("these fit no reaction time and no braking: measure at speeds farther apart")
else:
    a = 1 / (2 * k)
    reserve_m = clear_m / 1.5  # a third in reserve (common practice, no source)
    # A covered lens is noticed by the state machine; a loop that hangs later, by the
    # watchdog; a computer that hangs later still, by the board.
    late_s = max(0.0, slow.silence_s - slow.frame_s - slow.hold_s)
    worst_s = t + late_s + slow.link_timeout_s
    v = -a * worst_s + math.sqrt((a * worst_s) ** 2 + 2 * a * reserve_m)
    tried = max(speeds_mps)
    print(f"your reaction time {t:.2f} s, {worst_s:.2f} s in the worst case")
    print(f"your deceleration {a:.2f} m/s²")
    print(f"with a third in reserve, {clear_m} m free: {v:.2f} m/s")
    print(
        f"so drive at most {min(v, tried):.2f} m/s: you measured up to {tried:.2f} m/s"
    )

# %% [markdown]
# **Try.**
# - Add up your own t as in part 6; with the lens covered, one frame and the time of hold last command take the place of the watchdog's time-out, and the board's does not count. Is the measured t longer? What have you forgotten?
# - Stand an empty carton on the robot, tall side up. Measure its base and height. From which acceleration limit on does it lift, by the formula? Does it?
#
# %% [markdown]
# ## If you want more
#
# Three things that the rest does not need: how long a move takes, what a jerk limit is good for, and how a log survives a crash.
#
# ### How long a move takes
#
# A move from rest to rest under such a limit goes up the ramp, along at full speed, and down the ramp. Over time its speed is a trapezoid, hence **trapezoidal profile**. On a short way it never reaches full speed, and a triangle is left.
#
# **Predict**, with pencil and paper. How long do these three moves take? 1 m with at most 0.5 m/s and 0.5 m/s². 0.25 m with 1 m/s and 1 m/s². 2 m with 0.4 m/s and 0.8 m/s².

# %% tags=["folded"]
# Your guess
guess("11.moves", "How many seconds do the three moves take?", unit="s")

# %%
from robotlab.control import move_time_s

times_s = []
for way_m, top_mps, limit in ((1.0, 0.5, 0.5), (0.25, 1.0, 1.0), (2.0, 0.4, 0.8)):
    shape = "triangle" if way_m < top_mps**2 / limit else "trapezoid"
    times_s.append(f"{move_time_s(way_m, top_mps, limit):.2f} s")
    print(f"{way_m:.2f} m, {top_mps} m/s, {limit} m/s²: {times_s[-1]}, a {shape}")
compare_guess("11.moves", ", ".join(times_s))

# %% [markdown]
# **Why.** The first: 0.5 / 0.5 = 1 s up, 1 s down, each at half speed on average, so 0.5 m; the other 0.5 m at 0.5 m/s take 1 s. Together 3 s. In one formula $D / v + v / a$. The second never reaches 1 m/s: both ramps would need $v^2 / a$ = 1 m. Then it is $2 \sqrt{D / a}$ = 1 s. The third is a trapezoid again: 5 + 0.5 s.

# %% [markdown]
# ### A limit on the jerk, and its price
#
# The speed of a trapezoidal profile has no jump; its acceleration has. How fast the acceleration changes is the **jerk**, in m/s³. With jerk limited to j, acceleration itself needs a / j seconds to come and to go, and a change of speed takes dv / a + a / j. The speed is then an **S-curve profile**.
#
# **Predict.** A change of 0.5 m/s with 1 m/s² takes 0.5 s. How long does it take with a jerk of at most 5 m/s³? And what is it good for?

# %% tags=["folded"]
# Your guess
guess("11.jerk", "How long does it take with a jerk of at most 5 m/s³?", unit="s")

# %%
from robotlab.control import speed_change_time_s, stopping_distance_m

print("from 0 to 0.6 m/s with 2 m/s²; one vibration of the mast takes 0.20 s")
rows = []
for jerk in (None, 40.0, 20.0, 10.0, 5.0):
    takes_s = speed_change_time_s(0.6, 2.0, jerk)
    _, _, accel = move(make_ramp(2.0, jerk), 0.6, seconds=2.0)
    # 0.3 s later the motors have followed.
    left_px = np.ptp(nod_px(accel)[round((takes_s + 0.3) / MS) :][:400])
    name, rise_s = (f"{jerk:.0f} m/s³", 2.0 / jerk) if jerk else ("none", 0.0)
    way_m = stopping_distance_m(0.6, 2.0, max_jerk_mps3=jerk)
    rows.append((name, rise_s, takes_s, left_px, f"{way_m:.3f} m"))
columns = ("a / j, s", "takes, s", "vibration left, px", "stopping distance")
display(Table(("jerk limit", *columns), rows, decimals=2))
compare_guess("11.jerk", f"{speed_change_time_s(0.5, 1.0, 5.0):.2f} s")

# %% tags=["folded", "nbval-ignore-output"]
# A drawing
figure, axes = plt.subplots(3, 1, figsize=(6, 5), sharex=True, layout="constrained")
times = np.arange(1200) * MS
for jerk, style, color in ((None, "--", "#d55e00"), (10.0, "-", "#0072b2")):
    _, speeds, accel = move(make_ramp(2.0, jerk), 0.6, seconds=1.2)
    for ax, curve in zip(axes, (speeds, accel, nod_px(accel))):
        name = f"jerk {jerk:.0f} m/s³" if jerk else "no jerk limit"
        ax.plot(times, curve, style, color=color, label=name)
for ax, name in zip(axes, ("speed, m/s", "acceleration, m/s²", "picture moves, px")):
    ax.set_title(name)
axes[2].set_xlabel("time, s")
axes[0].legend(frameon=False)
plt.show()

# %% [markdown]
# *With the jerk limit (solid) speed is an S, acceleration has sloping sides, and the picture comes to rest with the ramp. Without (dashed) it vibrates on after the ramp is over.*
#
# **Why.** 0.5 + 1 / 5 = 0.7 s. What it buys is less **residual vibration**: a push that grows slowly excites the mast less, and one that grows over exactly one period of the mast, a / j = 0.20 s, leaves next to nothing. The price is a / j seconds for each change of speed, and the stopping distance grows by half of that times the speed.
#
# At 0.8 m/s² the camera moves by one pixel anyway. So limit the acceleration first. Limit the jerk if a mast still vibrates or a load sloshes, and never so much that you cannot afford the distance it costs.

# %% [markdown]
# ### A log that survives
#
# When something goes wrong, the program may die with it, and the log is what tells you why. There are two ways to write one: append each record and hand it to the operating system at once, as `robotlab.loop.drive` does; or let Python collect some kilobytes first, as an ordinary `open` does (**buffering**).
#
# **Predict.** A simulated run writes both, and is killed in the middle: no warning, no clean-up. What is in the two files?

# %% tags=["folded"]
# Your guess
guess("11.log", "How much is missing at the end of the ordinary file?")

# %%
import subprocess
import sys
import tempfile
from pathlib import Path

from robotlab.loop import Run, read_log

PROGRAM = """
import json, sys
from robotlab.loop import FaultModel, GroundTruthDetector, simulate
from robotlab.greenhouse import WALKS

ordinary = open(sys.argv[2], "w")

class Note(FaultModel):
    def link(self, t_s):
        ordinary.write(json.dumps({"tick at": round(t_s, 2)}) + chr(10))
        return True

walk, hour_s = WALKS["weave"], 3600
simulate(
    GroundTruthDetector(), walk, duration_s=hour_s, pictures=False,
    log=sys.argv[1], faults=Note(),
)
"""
with tempfile.TemporaryDirectory() as folder:
    log, ordinary = Path(folder, "run.jsonl"), Path(folder, "ordinary.jsonl")
    child = subprocess.Popen([sys.executable, "-c", PROGRAM, str(log), str(ordinary)])
    while child.poll() is None and not (log.exists() and log.stat().st_size > 200_000):
        time.sleep(0.02)
    child.kill()
    child.wait()
    content, run, lines = read_log(log), Run.load(log), ordinary.read_text().split("\n")

ticks = [record["t"] for record in content.records if record["kind"] == "tick"]
print(f"the run ended properly: {'yes' if content.complete else 'no'}")
whole = np.allclose(np.diff(ticks), 0.02)
print(f"its log is whole up to the last record: {'yes' if whole else 'no'}")

# %% tags=["approximate"]
noted = len(lines) - 1  # behind the last line feed there is nothing, or half a line
last_mps = run.speeds_mps[-1]
print(f"run log: {len(ticks)} ticks, the last at {ticks[-1]:.2f} s, {last_mps:.2f} m/s")
missing_s = (len(ticks) - noted) * 0.02
compare_guess(
    "11.log", f"{noted} ticks are there, the last {missing_s:.1f} s are missing"
)

# %% [markdown]
# **Why.** What the operating system has been given survives the death of the program, whatever kills it. What Python still held in its buffer is gone: the last seconds, which are those you want. A record that was being written at that moment is cut in half; `read_log` leaves it out. (Against a *power cut* the data must reach the disk, too: `drive` has them written there once a second.)

# %% [markdown]
# ## What to remember
#
# - Without an acceleration limit the floor sets one, and you did not choose it. Take half of what floor and load bear.
# - A step of the ramp is at most limit · step, up and down, forward and backward.
# - The ramp runs in a thread of its own. The loop only leaves a velocity command, and each command has a time-out.
# - Target lost: hold last command, slow, search, stop. Stopped stays stopped.
# - A watchdog asks what must be true to go on. NaN, a clock that went back, the same picture again: none of them is a sign of life.
# - Stopping distance = v · t + v² / (2a). Much of it is reaction time. Halve the speed first.
# - Emergency stops are of stop category 0 or 1, and none of yours is one. Software is not a safety function.
#
# On your own robot you can now
# - choose an acceleration limit that floor and load bear;
# - measure the stopping distance, and drive no faster than the free distance allows (`robotlab.loop.safe_speed_mps` computes it from your settings);
# - say for each part what stops the wheels when it fails.
#
# ### Check your understanding
#
# 1. A ramp with a limit of 0.5 m/s² takes steps of 0.1 s. It is at 0.30 m/s, and 0 is wanted. Which speed comes next?
# 2. Why does a watchdog ask for a *new* picture, and not for a picture?
# 3. 0.4 m/s, 0.8 m/s², a reaction time of 0.5 s. How long is the stopping distance? And at half the speed?
# 4. The target was lost, the robot has stopped, and the target comes back. What must happen?
# 5. Why is Ctrl-C no emergency stop?
#
# <details><summary>Answers</summary>
#
# 1. 0.25 m/s.
# 2. A hung camera often repeats its last one.
# 3. 0.4 · 0.5 + 0.16 / 1.6 = 0.30 m. At 0.2 m/s it is 0.10 + 0.025 = 0.125 m.
# 4. Nothing, until a person starts it again.
# 5. It works only while the program does, so it is no safety function. An emergency stop acts without the program.
#
# </details>
#
# Next: [lesson 12](12_face_off.ipynb), the face-off.
#
# ## Sources
#
# - Trapezoids and jerk: L. Biagiotti, C. Melchiorri, *Trajectory Planning for Automatic Machines and Robots*, 2008, chapter 3.
# - Rocking and falling boxes: G. Housner, *The behavior of inverted pendulum structures during earthquakes*, Bulletin of the Seismological Society of America 53, 1963 (from memory).
# - A vibrating mast, and pushes that leave no vibration: S. Rao, *Mechanical Vibrations*; *Harris' Shock and Vibration Handbook* (both from memory).
# - Stop categories: IEC 60204-1. Emergency stop: ISO 13850. Order of measures: ISO 12100. Named from secondary reading; for a real machine read them, or ask someone who has.
# - Stopping distance as speed times the sum of reaction and stopping time: the form of ISO 13855 (from memory).
# - Friction 0.6 and 0.3, rolling resistance 0.02: orders of magnitude, from memory. A factor of two in reserve; more than two lost pictures before a watchdog trips: common practice, no source.
