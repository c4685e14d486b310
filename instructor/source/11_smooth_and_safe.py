# %% [markdown]
# # Lesson 11: smooth and safe
#
# **What you will have** at the end: the stopping distance of your own robot, computed and measured, and a list of parts that may die without the robot driving on.
#
# **You will be able to**
# - choose an acceleration limit from floor, load and camera, and say what a jerk limit costs;
# - keep a ramp steady while the tracker is slow, and stop when a part falls silent;
# - say how far the robot still goes after something happens, and how fast it may drive so that it stops in time;
# - name stops properly, and say why none of yours is a safety function.
#
# **Time**: 50 minutes. **Needs**: lesson 00; lesson 10 helps.
#
# **Cautions**: nothing moves in parts 1 to 10, all is computed. In the last part your robot turns its wheels, and then drives. Do it with an adult who knows the machine, wheels off the ground first, a hand on the switch that cuts the power, the floor clear, people, pets and stairs out of reach. Treat its battery as the maker says. The makers' data sheets, your site's rules and qualified people come before anything said here. **Software is not a safety function**: a program can hang, and then none of it runs.

# %% [markdown]
# ## 1. A jump
#
# A program says "0.6 m/s" where it said "0" before. The wheels obey as fast as their motors can: 63 % of the way in 0.1 s, their time constant. The trolley has to follow, by friction alone. On it stand a camera, 25 cm high on a mast that swings 5 times a second when plucked, and a potted plant, 60 cm tall on a base of 10 cm.
#
# **Predict.** Without any limit, on a dry floor: do the wheels slip? By how many pixels does the picture jump: less than 1, about 8, about 50? Does the plant stay up?

# %%
import math

import matplotlib.pyplot as plt
import numpy as np

from robotlab.follow import default_camera
from robotlab.motion import Motor, Ramp, grip, grip_limit_mps2, make_ramp, shake, tilt, tip_limit_mps2

MS = 0.001  # everything is computed in steps of one millisecond
motor = Motor(lag_s=0.10)
# Rubber on a dry and on a wet floor: orders of magnitude, from memory.
FRICTION = {"dry": 0.6, "wet": 0.3}
# 70 % of the weight stands on the driven wheels.
floors = {floor: grip_limit_mps2(friction, driven_share=0.7) for floor, friction in FRICTION.items()}


def move(ramp, wanted_mps, floor="dry", seconds=1.6, period_s=0.02):
    """Speed of the wheels' rims and of the trolley, and its acceleration, each millisecond."""
    start_mps = rim_mps = ramp.speed
    rims = []
    for i in range(round(seconds / MS)):
        if i % round(period_s / MS) == 0:
            command_mps = ramp.step(wanted_mps, period_s)
        rim_mps, _ = motor.step(rim_mps, command_mps, MS)
        rims.append(rim_mps)
    speeds = grip(np.array(rims), MS, floors[floor], start_mps)
    return np.array(rims), speeds, np.diff(speeds, prepend=start_mps) / MS


def nod_px(accel):
    """How far the picture moves up and down, px: a mast of 25 cm that swings 5 times a second."""
    return default_camera().focal_px * shake(accel, MS, mast_m=0.25, mast_hz=5.0)


def plant_deg(accel):
    """How far the plant leans at most, degrees; 90 is on the floor."""
    return math.degrees(np.abs(tilt(accel, MS, half_base_m=0.05, middle_height_m=0.30)).max())


print(f"grip: dry {floors['dry']:.1f}, wet {floors['wet']:.1f} m/s²")
print(f"the plant lifts from {tip_limit_mps2(0.05, 0.30):.2f} m/s² on")
print("limit      floor  peak, m/s²  slipped, cm  picture moves, px  plant leans")
for limit in (None, 0.8):
    for floor in floors:
        rims, speeds, accel = move(Ramp(limit), 0.6, floor)
        slipped_cm = 100 * (rims - speeds).sum() * MS
        peak, nod = np.abs(accel).max(), np.abs(nod_px(accel)).max()
        name = f"{limit} m/s²" if limit else "none"
        print(f"{name:<10} {floor:<6} {peak:7.2f} {slipped_cm:12.1f} {nod:14.1f} {plant_deg(accel):16.0f}°")
for limit in (None, 0.8):
    nods = nod_px(move(Ramp(limit), 0.6)[2])
    smeared_px = np.abs(np.diff(nods)).max() / MS / 60
    print(f"limit {limit}: exposed for 1/60 s, a picture is smeared by up to {smeared_px:.1f} px")

# %% tags=["nbval-ignore-output"]
figure, axes = plt.subplots(1, 3, figsize=(9, 2.8), layout="constrained")
times = np.arange(1600) * MS
for limit, style, color in ((None, "--", "#d55e00"), (0.8, "-", "#0072b2")):
    rims, speeds, accel = move(Ramp(limit), 0.6)
    for ax, curve in zip(axes, (speeds, accel, nod_px(accel))):
        ax.plot(times, curve, style, color=color, label="no limit" if limit is None else "0.8 m/s²")
for ax, name in zip(axes, ("speed, m/s", "acceleration, m/s²", "picture moves, px")):
    ax.set(title=name, xlabel="time, s", xlim=(0, 1.2))
_ = axes[0].legend(frameon=False)

# %% [markdown]
# *Left to right: without a limit (dashed) speed rises in a third of a second and acceleration jumps to 4 m/s²; with one (solid) speed is a slope and acceleration a low step, whose fine teeth are the ramp's 50 steps a second. The picture swings by 8 pixels, or moves by 1.*
#
# **Why.** The motors ask for 0.6 / 0.1 = 6 m/s². The dry floor gives 0.6 · 9.81 · 0.7 = 4.1 m/s², so the wheels slip: **the floor is a ramp too**, only one that nobody chose. What slipped is counted by the wheels and was never driven: on the wet floor 3 cm at each start. The mast bends back and swings on, and the pictures taken meanwhile are smeared by up to 3 pixels. The plant begins to lift where gravity and acceleration turn it equally about its edge, a = g · 5 cm / 30 cm = 1.64 m/s². Lifting is not yet falling: it has to be pushed long enough. On the wet floor it is saved by the slip.
#
# A limit of 0.8 m/s² is half of what lifts the plant, and less than half of what a wet floor gives. Such a reserve of two is what you want (common practice, no source).

# %% [markdown]
# ## 2. The ramp
#
# A ramp changes the speed a little at a time: in each step by at most limit · step. Fifty steps a second and 0.8 m/s² make 0.016 m/s a step.
#
# **Predict.** A ramp stands at 0.45 m/s, 0.5 m/s is wanted, the limit is 1 m/s², steps take 0.1 s. Which speed comes next: 0.5, 0.55 or 0.46?

# %%
ramp = Ramp(max_accel=1.0, start=0.45)
print(", ".join(f"{ramp.step(0.5, 0.1):.2f}" for _ in range(3)))

# %% [markdown]
# **Why.** A step may change the speed by 0.1 m/s, and only 0.05 are missing. A ramp that always took the whole step would pass the wanted speed, come back, pass it again, and never rest.
#
# ### Task 1
#
# Write `ramp_step`. It must work backward, and slowing down as well. Stuck? `nudge(ramp_step)` in a new cell says a little more each time.

# %% tags=["starter"]
def ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s):
    """One step of a ramp: the next speed in m/s, as near to the wanted one as the limit allows.

    speed_mps: speed now, m/s.  wanted_mps: wanted speed, m/s; both may be negative, which is backward.
    accel_mps2: acceleration limit, m/s², up and down alike.  dt_s: length of the step, s.
    """
    ...


# %% tags=["worked"]
def ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s):
    """One step of a ramp: the next speed in m/s, as near to the wanted one as the limit allows.

    speed_mps: speed now, m/s.  wanted_mps: wanted speed, m/s; both may be negative, which is backward.
    accel_mps2: acceleration limit, m/s², up and down alike.  dt_s: length of the step, s.
    """
    room_mps = accel_mps2 * dt_s
    gap_mps = wanted_mps - speed_mps
    return speed_mps + max(-room_mps, min(gap_mps, room_mps))


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(ramp_step)

# %% [markdown]
# A move from rest to rest under such a limit has the shape of a **trapezoid**: up the ramp, along at full speed, down the ramp. If the way is short, it never gets to full speed, and a triangle is left.
#
# **Predict**, with pencil and paper. How long do these three moves take? 1 m with at most 0.5 m/s and 0.5 m/s². 0.25 m with 1 m/s and 1 m/s². 2 m with 0.4 m/s and 0.8 m/s².

# %%
from robotlab.motion import move_time_s

for way_m, top_mps, limit in ((1.0, 0.5, 0.5), (0.25, 1.0, 1.0), (2.0, 0.4, 0.8)):
    shape = "triangle" if way_m < top_mps**2 / limit else "trapezoid"
    t_s = move_time_s(way_m, top_mps, limit)
    print(f"{way_m:.2f} m, {top_mps} m/s, {limit} m/s²: {t_s:.2f} s, a {shape}")

# %% [markdown]
# **Why.** The first: 0.5 / 0.5 = 1 s up, 1 s down, each at half speed on average, so 0.5 m; the other 0.5 m at 0.5 m/s take 1 s. Together 3 s. In one formula D / v + v / a. The second never reaches 1 m/s: both ramps would need v²/a = 1 m. Then it is 2 · √(D / a) = 1 s. The third is a trapezoid again: 5 + 0.5 s.

# %% [markdown]
# ## 3. A limit on the jerk, and its price
#
# A trapezoid's speed has no jump; its acceleration has. The change of acceleration in a second is the **jerk**, m/s³. With jerk limited to j, acceleration itself needs a / j seconds to come and to go, and a change of speed takes dv / a **+ a / j**.
#
# **Predict.** A change of 0.5 m/s with 1 m/s² takes 0.5 s. How long does it take with a jerk of at most 5 m/s³? And what is it good for?

# %%
from robotlab.motion import speed_change_time_s, stopping_distance_m

print(f"0.5 m/s, 1 m/s², 5 m/s³: {speed_change_time_s(0.5, 1.0, 5.0):.2f} s")
print("from 0 to 0.6 m/s with 2 m/s²; the mast swings once in 0.20 s")
print("jerk limit    a / j   takes    swing left over   the way to stop")
for jerk in (None, 40.0, 20.0, 10.0, 5.0):
    takes_s = speed_change_time_s(0.6, 2.0, jerk)
    _, _, accel = move(make_ramp(2.0, jerk), 0.6, seconds=2.0)
    after = nod_px(accel)[round((takes_s + 0.3) / MS) :][:400]  # 0.3 s later the motors have followed
    name, rise_s = (f"{jerk:.0f} m/s³", 2.0 / jerk) if jerk else ("none", 0.0)
    way_m = stopping_distance_m(0.6, 2.0, max_jerk=jerk)
    print(f"{name:<12} {rise_s:.2f} s  {takes_s:.2f} s {np.ptp(after):12.2f} px {way_m:15.3f} m")

# %% tags=["nbval-ignore-output"]
figure, axes = plt.subplots(1, 3, figsize=(9, 2.8), layout="constrained")
times = np.arange(1200) * MS
for jerk, style, color in ((None, "--", "#d55e00"), (10.0, "-", "#0072b2")):
    _, speeds, accel = move(make_ramp(2.0, jerk), 0.6, seconds=1.2)
    for ax, curve in zip(axes, (speeds, accel, nod_px(accel))):
        name = f"jerk {jerk:.0f} m/s³" if jerk else "no jerk limit"
        ax.plot(times, curve, style, color=color, label=name)
for ax, name in zip(axes, ("speed, m/s", "acceleration, m/s²", "picture moves, px")):
    ax.set(title=name, xlabel="time, s")
_ = axes[0].legend(frameon=False)

# %% [markdown]
# *With the jerk limit (solid) speed is an S, acceleration has sloping sides, and the picture comes to rest with the ramp. Without (dashed) it swings on after the ramp is over.*
#
# **Why.** 0.5 + 1 / 5 = 0.7 s. What it buys is quiet: a push that grows slowly sets the mast swinging less, and one that grows over just one swing, a / j = 0.20 s, leaves next to nothing of it. The price is a / j seconds for each change, and half of that, times the speed, in way: the stop gets longer.
#
# At 0.8 m/s² the camera moves by one pixel anyway. **First limit the acceleration. Limit the jerk if a mast still swings, or a load sloshes, and never so far that you cannot spare the way it costs.**

# %% [markdown]
# ## 4. A ramp in a thread of its own
#
# Pictures come unevenly, and a tracker takes its time. Suppose that one loop does it all: look (0.15 s), decide, *one step of the ramp*, send. In the program the ramp's step is written as 0.02 s, as it was when the tracker was quick.
#
# **Predict.** The trolley drives 0.6 m/s and shall stop with 0.8 m/s². That is 0.75 s and 23 cm. What do you get from that loop?

# %%
def stop_in_a_loop(every_s, told_s, hang_s=0.0):
    """Time, way and largest jump of a stop from 0.6 m/s, when a loop steps the ramp.

    every_s: how often it comes round, s.  told_s: what the ramp takes for its step, s.
    hang_s: how much longer the third look takes, s.
    """
    ramp, t_s, way_m, jumps = Ramp(0.8, start=0.6), 0.0, 0.0, []
    while ramp.speed > 1e-9:
        wait_s = every_s + (hang_s if len(jumps) == 2 else 0.0)
        before = ramp.speed
        t_s, way_m = t_s + wait_s, way_m + before * wait_s
        jumps.append(before - ramp.step(0.0, told_s))
    return t_s, way_m, max(jumps)


print("                                        stands after        largest jump")
for name, every_s, told_s, hang_s in (
    ("in a thread, 50 times a second",      0.02, 0.02, 0.0),
    ("in the loop, step written as 0.02 s", 0.15, 0.02, 0.0),
    ("in the loop, step measured",          0.15, 0.15, 0.0),
    ("the same, and one look takes 1.15 s", 0.15, 0.15, 1.0),
):  # fmt: skip
    t_s, way_m, jump = stop_in_a_loop(every_s, told_s, hang_s)
    print(f"{name:<36} {t_s:5.2f} s, {way_m:.2f} m {jump:12.3f} m/s")
for period_s in (0.02, 0.15):
    _, _, accel = move(Ramp(0.8, start=0.6), 0.0, period_s=period_s)
    print(f"steps of {period_s} s, measured: it brakes with up to {np.abs(accel).max():.2f} m/s²")

# %% [markdown]
# **Why.** The loop comes round 7.5 times too seldom, so its ramp is 7.5 times too flat: 5.7 s and 1.7 m, and nothing in the program looks wrong. Measuring the step mends the time, but now the ramp is a staircase of 0.12 m/s a step, and the trolley jerks at each. And while the tracker thinks for a second, the wheels keep whatever they were told last.
#
# So the ramp gets a **thread** of its own: a part of the program that runs beside the loop, at a steady rate. The loop only leaves a wanted speed. If it leaves none for half a second, the thread ramps down by itself. How steady is it on *your* machine? Here it runs while the main program does real work, rendering pictures; each time is real.

# %% tags=["nbval-ignore-output"]
import time

from robotlab.greenhouse import WALKS, render
from robotlab.motion import Drive, RampThread, SimulatedLink

scene = WALKS["straight"].scene


def look(seconds):
    """What a slow tracker does to the machine: work until the time is over."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        render(scene, default_camera())


look(0.5)  # the first pictures take longer
link = SimulatedLink()
with RampThread(link, Drive(), max_accel=0.8, rate_hz=50) as thread:
    for _ in range(10):
        look(0.15)
        thread.want(0.6, 0.0)
sent = np.array([row[1] for row in link.sent])
steps_ms = 1000 * np.diff([row[0] for row in link.sent[:-1]])
jitter = thread.jitter()
mean_ms, p99_ms, worst_ms = 1000 * jitter.mean_s, 1000 * jitter.p99_s, 1000 * jitter.worst_s
print(f"{jitter.steps} steps, on average {np.mean(steps_ms):.1f} ms apart; {jitter.missed} left out")
print(f"late by {mean_ms:.1f} ms on average, 99 % by less than {p99_ms:.1f} ms, one by {worst_ms:.1f} ms")
print(f"largest jump of the speed sent: {np.abs(np.diff(sent)).max():.3f} m/s")

# %% [markdown]
# **Why.** A step is due every 20 ms. Lateness is the **jitter**. Each step is due at a fixed time, not 20 ms after the one before, so lateness does not add up. On the machine that this was written on, with other work on its two cores, steps were late by 0.3 to 4 ms on average and the worst by 5 to 24 ms. That is what an everyday computer gives: nobody promises that it will not be 200 ms next time. Therefore the motor board behind it has a time-out of its own (0.25 s here), and that holds when the whole computer has hung.

# %% [markdown]
# ## 5. The target is lost
#
# Trackers miss. A trolley that stopped at each miss would stutter; one that drove on would hit something. So, counted from the moment at which the next sight was due (a frame after the last, and the time it is under way anyway):
#
# 1. **coast** for 0.4 s: keep the last motion, it is most likely still right;
# 2. **slow** for 0.6 s: ramp down to a stand;
# 3. **search** for 8 s: turn on the spot, toward the side where it went;
# 4. **stop**, and stay stopped until a *person* starts it again.
#
# **Predict.** Pictures come every 0.1 s and are 0.1 s old when they arrive. From 4.0 s on no picture shows the post. When does the trolley begin to coast, slow, search, stop? The post comes back at 14 s. What then? And if it had come back at 7 s?

# %%
from robotlab.follow import NoFaults, Oracle, simulate
from robotlab.trackers import Detections

walk = WALKS["weave"]


class Hidden(NoFaults):
    """Somebody stands between camera and post for a while."""

    def __init__(self, from_s, until_s):
        self.from_s, self.until_s = from_s, until_s

    def found(self, index, t_s, found):
        hidden = self.from_s <= t_s < self.until_s
        return Detections.none(found.classes) if hidden else found


runs = {}
for until_s in (14.0, 7.0):
    # Oracle is a tracker that is told where the post is: what follows is the loop's own doing.
    run = simulate(Oracle(), walk, faults=Hidden(4.0, until_s), duration_s=18, pictures=False)
    states = [f"{event['what']} {event['t']:.1f}" for event in run.events]
    print(f"back at {until_s:.0f} s: {', '.join(states)}")
    runs[until_s] = run

# %% tags=["nbval-ignore-output"]
run = runs[14.0]
figure, (upper, lower) = plt.subplots(2, 1, figsize=(9, 3.8), sharex=True, layout="constrained")
upper.plot(run.t_s, run.speeds_mps, color="#0072b2")
lower.plot(run.t_s, np.degrees(np.unwrap(run.pose[:, 2])), color="#d55e00")
upper.set(ylabel="speed, m/s", xlim=(2, 18), ylim=(0, 0.6))
lower.set(ylabel="heading, °", xlabel="time, s")
events = [(event["t"], event["what"]) for event in run.events if event["t"] > 0.5]
for (begin, name), (end, _) in zip(events, [*events[1:], (18.0, "")]):
    for ax in (upper, lower):
        ax.axvline(begin, color="black", linewidth=0.8, linestyle=":")
    high = 0.53 if name != "slow" else 0.43
    _ = upper.text((begin + end) / 2, high, name, ha="center", fontsize=9)

# %% [markdown]
# *Speed keeps its value while coasting, falls to 0 in slow, and stays 0. Heading turns steadily in search and is still after 13.1 s, also when the post is back at 14 s.*
#
# **Why.** The last picture with the post is that of 3.9 s. The next would be acted on at 4.1 s; it is empty: coast. At 4.5 s slow, at 5.1 s search, at 13.1 s stop. Back at 7 s, the post is found at 12.9 s: it was a little to the right when it was lost, so the search turns right; meanwhile it has crossed to the left, and that is nearly a whole turn away. Back at 14 s, nothing happens: after such a time somebody may be kneeling at the trolley to see what is wrong. A machine that has stopped for a reason must not start because the reason has gone.

# %% [markdown]
# ## 6. A watchdog, and which clock it reads
#
# A lost target is *seen*: pictures come, and the post is not in them. It is worse when nothing comes: the camera hangs, the tracker hangs, the cable is out. Then no line of your loop runs that could notice. A **watchdog** sits in the ramp's thread. Every part must report within a time; if one is silent for longer, the thread ramps down and stops.
#
# | watched | what counts as a sign of life | what does not |
# |---|---|---|
# | camera | a *new* picture | the same picture again: a hung camera often repeats its last one |
# | tracker | an answer, also "nothing found" | an error, NaN |
# | motor link | a line that the board confirmed | a line that was sent |
# | clock | goes forward, as a second clock does | a jump, either way; standing still |
#
# The fourth surprises. Here is a watchdog as many write it:

# %%
def too_old(now_s, last_s, limit_s=0.6):
    return now_s - last_s > limit_s


# %% [markdown]
# **Predict.** It reads the clock on the wall, `time.time()`. The computer finds that its clock is fast and sets it back by an hour. At that moment the camera's plug comes off. When does the trolley stop?

# %%
from robotlab.motion import Watchdog

for name in ("time", "monotonic"):
    print(f"time.{name}() can be set while it runs: {time.get_clock_info(name).adjustable}")

last_s = 36_000.0  # the last picture: ten o'clock, in seconds since midnight
set_back_s = 3600.0
passed_s = 0.0
while not too_old(last_s - set_back_s + passed_s, last_s):
    passed_s += 0.1
print(f"too_old notices after {passed_s:.0f} s")

clock_s = [last_s]
dog = Watchdog({"camera": 0.6}, max_gap_s=0.6, clock=lambda: clock_s[0])
clock_s[0] = last_s + 0.02 - set_back_s
print(f"Watchdog, at its next check: {dog.check().message}")

# %% [markdown]
# **Why.** After the clock has gone back, the last picture is from the future, and its age is negative. Negative is not "more than 0.6", so for an hour all seems well. Use `time.monotonic()`: it counts from an arbitrary start, nobody sets it, and it never goes back. And ask the question the other way round: not "what must be true to stop" but "what must be true to **go on**".
#
# ### Task 2
#
# Write `watchdog` for the age of the last good picture. Three answers: `"go"`, `"slow"`, `"stop"`.

# %% tags=["starter"]
def watchdog(now_s, last_good_s, slow_s, stop_s):
    """What to do at the age of the last good picture: "go", "slow" or "stop".

    now_s: time now, s.  last_good_s: time of the last good picture, s; NaN when there was none.
    slow_s, stop_s: oldest age for "go" and for "slow", s, each included.
    An age that makes no sense is "stop".
    """
    ...


# %% tags=["worked"]
def watchdog(now_s, last_good_s, slow_s, stop_s):
    """What to do at the age of the last good picture: "go", "slow" or "stop".

    now_s: time now, s.  last_good_s: time of the last good picture, s; NaN when there was none.
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
# ## 7. How far until it stands
#
# Something happens at time 0. For a time t nothing changes: the trolley drives on, v · t. Then the ramp brings it to rest at half speed on average, v² / (2a). Together
#
# stopping distance = v · t + v² / (2a)
#
# **Predict.** 0.6 m/s, 0.8 m/s², and t = 0.35 s. What helps more: braking twice as hard, or halving t? And what does half the speed do?

# %%
for name, v, a, t in (
    ("as it is",       0.6, 0.8, 0.35),
    ("twice as hard",  0.6, 1.6, 0.35),
    ("half the time",  0.6, 0.8, 0.175),
    ("half the speed", 0.3, 0.8, 0.35),
):  # fmt: skip
    print(f"{name:<15} {v * t:.3f} + {v * v / (2 * a):.3f} = {stopping_distance_m(v, a, t):.3f} m")

# %% [markdown]
# **Why.** Here both halvings do about the same, since both pieces are about equal. Half the speed does most: half of one piece and a quarter of the other. Nothing shortens a stop like driving slower.
#
# ### Tasks 3 and 4
#
# The distance, and then its reverse, which is what you need in practice: so much room is surely free; how fast may it drive?

# %% tags=["starter"]
def stopping_distance(speed_mps, decel_mps2, delay_s):
    """Way in m from the moment something happens until the trolley stands; never negative.

    speed_mps: speed at that moment, m/s; negative is backward.
    decel_mps2: deceleration of the stop ramp, m/s², positive.  delay_s: time until the ramp begins, s.
    """
    ...


# %% tags=["worked"]
def stopping_distance(speed_mps, decel_mps2, delay_s):
    """Way in m from the moment something happens until the trolley stands; never negative.

    speed_mps: speed at that moment, m/s; negative is backward.
    decel_mps2: deceleration of the stop ramp, m/s², positive.  delay_s: time until the ramp begins, s.
    """
    speed_mps = abs(speed_mps)
    return speed_mps * delay_s + speed_mps**2 / (2 * decel_mps2)


# %% tags=["verify"]
verify(stopping_distance)

# %% tags=["starter"]
def safe_speed(clear_m, decel_mps2, delay_s):
    """The highest speed in m/s from which the trolley stands within clear_m.

    clear_m: way that is surely free, m, 0 or more.
    decel_mps2: deceleration of the stop ramp, m/s², positive.  delay_s: time until the ramp begins, s.
    """
    ...


# %% tags=["worked"]
def safe_speed(clear_m, decel_mps2, delay_s):
    """The highest speed in m/s from which the trolley stands within clear_m.

    clear_m: way that is surely free, m, 0 or more.
    decel_mps2: deceleration of the stop ramp, m/s², positive.  delay_s: time until the ramp begins, s.
    """
    lost_mps = decel_mps2 * delay_s
    return math.sqrt(lost_mps**2 + 2 * decel_mps2 * clear_m) - lost_mps


# %% tags=["verify"]
verify(safe_speed)

# %% [markdown]
# **Predict.** What is in t? List all that passes between "the lens could see it" and "the wheels turn more slowly". Then list it again for a camera that has just *died*.

# %%
from robotlab.follow import Settings

settings = Settings(tracker_s=0.04)
healthy = {
    "until the next picture is taken, at worst": settings.frame_s,
    "exposure, transfer, decoding": settings.delay_s,
    "the tracker": settings.tracker_s,
    "until the ramp's next step": 1 / settings.ramp_hz,
    "motor lag": settings.motor.lag_s,
}
dead = {
    "age of the last picture when it is used": settings.delay_s + settings.tracker_s,
    "silence that the watchdog allows": settings.silence_s,
    "until the watchdog checks, and the ramp's next step": 2 / settings.ramp_hz,
    "motor lag": settings.motor.lag_s,
}
clear_m = 0.5
for title, parts in (("something stands there, and is seen", healthy), ("the camera dies", dead)):
    t = sum(parts.values())
    print(f"{title}: t = {t:.2f} s")
    for name, seconds in parts.items():
        print(f"    {seconds:.2f} s  {name}")
    top, a = settings.max_mps, settings.max_accel
    print(f"    from {top} m/s it stands after {stopping_distance_m(top, a, t):.2f} m;")
    v = -a * t + math.sqrt((a * t) ** 2 + 2 * a * clear_m)
    print(f"    to stand within {clear_m} m it may drive {v:.2f} m/s")

# %% [markdown]
# **Why.** Braking takes 22.5 cm in both. The rest is waiting, and most of that is patience: the watchdog waits for longer than two lost pictures, because one that barks at every hiccup is soon switched off. (While the loop runs, its plan of part 5 gives up a little sooner. Count on the watchdog alone: what killed the camera may have hung the loop as well.) A motor lag of 0.1 s costs exactly v · 0.1 s, since the wheels trail the ramp by it all the way down.
#
# **Try.** The crate stands 0.8 m away when something happens. Move a slider, or use the arrow keys.
# 1. Set the delay to 0. How fast may it drive? And with a delay of 1 s?
# 2. Back at 0.6 m/s and 0.35 s, let the jerk limit go down from 40 to 2 m/s³. What does it cost in all, and where on the slider?
# 3. Set the delay to 0.9 s, about that of the dying camera. Which speed leaves some 10 cm? What does your `safe_speed` say?

# %% tags=["explore"]
from robotlab.widgets import StopPicture

stop = StopPicture(clear_m=0.8, speed_mps=0.6, accel_mps2=0.8, jerk_mps3=8.0, delay_s=0.35)
stop

# %% tags=["still"] picture="stop" alt="Three curves over time: speed stays at 0.6 m/s for 0.35 s, then falls to 0 within 0.85 s; acceleration is 0, then -0.8 m/s² with sloping sides; the way rises and ends at 0.465 m, below the hatched bar of a crate at 0.8 m."
from IPython.display import Image, display

display(Image(bytes(stop.picture)))

# %% [markdown]
# *Above, as a still for those who have not run the cell. Solid: with the jerk limit; dashed: without.*
#
# **Why.** (1) 1.05 m/s; with one second of delay hardly more than half of that. (2) A jerk limit adds half of a / j to the delay. At 40 m/s³ that is 0.01 s, at 2 m/s³ 0.2 s, and 0.2 s at 0.6 m/s are 12 cm. Most of it comes at the low end of the slider, since j stands below the line. (3) 0.55 m/s leaves 9 cm. `safe_speed(0.7, 0.8, 0.9)` says 0.56: it knows nothing of the jerk.

# %% [markdown]
# ## 8. Faults on purpose
#
# A promise is worth what it was tested with. The post hurries ahead, so that the trolley drives at its full 0.6 m/s; after five seconds something breaks. `campaign` breaks one thing in each run and measures how far the trolley drove without a fresh sight of the post, beside the way that `promise_m` computes from the settings, as you did in part 7.
#
# **Predict.** Which of these will come nearest to the promise, and which must *not* stop the trolley?

# %%
from robotlab.follow import FAULTS, campaign, promise_m
from robotlab.greenhouse import Walk

about = "The post goes straight ahead, as fast as the trolley can."
hurry = Walk("hurry", about, (0.0, 12.0), ((1.5, 0.0), (8.5, 0.0)), WALKS["straight"].scene)
steering = [fault for fault in FAULTS if "steering" in fault[0]]
others = [fault for fault in FAULTS if fault not in steering]
reports = campaign(Oracle(), hurry, settings=settings, faults=others, pictures=False)
# A wrong sign shows where there is something to steer to: on the weaving walk.
reports += campaign(Oracle(), walk, settings=settings, faults=steering, after_s=15.0, pictures=False)


def measured_m(report):
    """The way without a fresh sight; where the trolley had to stop, also the way until it stood."""
    return max(report.blind_m, report.stop_m) if report.must_rest else report.blind_m


print(f"promised: {promise_m(settings):.2f} m")
print("fault                           measured  at the end  promise")
for report in reports:
    kept = "kept" if report.kept else "BROKEN"
    print(f"{report.name:<30} {measured_m(report):7.2f} m  {report.state:<10}  {kept}")

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(8, 3.8), layout="constrained")
for report in reports:
    color = "#0072b2" if report.must_rest else "#56b4e9"
    ax.barh(report.name, measured_m(report), color=color, edgecolor="black", linewidth=0.5)
ax.axvline(promise_m(settings), color="#d55e00", linestyle="--", linewidth=2)
ax.invert_yaxis()
_ = ax.set(xlabel="way without a fresh sight, m (dashed: promised; dark: had to stop)")

# %% [markdown]
# *The bars of all faults end before the dashed line of the promise.*
#
# **Why.** Silence is the longest: no picture, a frozen one, one that cannot be read, a tracker that raises, gives NaN or takes a second all come to the same: no fresh sight. The loop still runs here, so its plan acts first: coast, slow. A tenth of a second later the watchdog finds no sign of life, and from then on the trolley stays stopped. A cut link is quicker, because the board waits for 0.25 s only. A clock that jumps, stands still or runs slow is held against a second one. Half of the pictures lost, at random, or each one twice, is a nuisance and no fault: the trolley coasts, slows down for a moment when five in a row are missing, and follows on. The wrong sign trips no watchdog at all. Every part works; the trolley turns away and loses the post, the plan of part 5 brings it to rest, the search finds the post again, and it turns away once more. A watchdog knows silence, not nonsense: against a wrong sign there is the check with the wheels up, against a tracker that answers in time and wrongly there is lesson 08.
#
# The measured ways stay below the promise because it reckons with the watchdog alone, and because not everything comes at its worst moment at once. All of it is simulation, on a flat floor with good grip. On yours, measure (last part).
#
# **Try.** Break something yourself: `campaign(Oracle(), hurry, pictures=False, faults=[("hidden", lambda at_s: Hidden(at_s, 99.0), True)])` hides the post. `help(NoFaults)` shows what else can go wrong.

# %% [markdown]
# ## 9. How hard to stop, and what a stop is called
#
# Then why not stop as hard as possible? Look at the plant.
#
# **Predict.** The trolley drives 0.6 m/s. With which limits does the plant stay upright: 1.5, 2, 4, 6 m/s², none?

# %%
print("limit       way          plant")
for limit in (0.8, 1.5, 2.0, 4.0, 6.0, None):
    _, speeds, accel = move(Ramp(limit, start=0.6), 0.0)
    lean = plant_deg(accel)
    plant = "stands still" if lean == 0 else f"leans by {lean:.1f}°" if lean < 90 else "falls"
    print(f"{f'{limit} m/s²' if limit else 'none':<10} {speeds.sum() * MS:.2f} m       {plant}")
rolls_m = 0.6**2 / (2 * 0.02 * 9.81)
print(f"power cut, no brake, rolling resistance 0.02: {rolls_m:.2f} m")

# %% tags=["nbval-ignore-output"]
figure, (left, right) = plt.subplots(1, 2, figsize=(9, 2.9), layout="constrained")
times = np.arange(1600) * MS
for limit, style, color in ((0.8, "-", "#0072b2"), (4.0, "-.", "#009e73"), (None, "--", "#d55e00")):
    _, speeds, accel = move(Ramp(limit, start=0.6), 0.0)
    left.plot(times, speeds, style, color=color, label=f"{limit} m/s²" if limit else "no limit")
    leans = np.degrees(tilt(accel, MS, half_base_m=0.05, middle_height_m=0.30))
    right.plot(times, leans, style, color=color)
left.set(title="speed, m/s", xlabel="time, s")
right.set(title="the plant leans forward, °", xlabel="time, s", ylim=(-10, 95))
_ = left.legend(frameon=False)

# %% [markdown]
# *Without a limit the speed is gone in a third of a second and the plant goes on leaning until it lies; at 4 m/s² it rocks by a few degrees; at 0.8 m/s² it stands still.*
#
# **Why.** A ramp under 1.64 m/s² never lifts the plant, however long it lasts. A steeper one does, and then it depends on how long. The hard stop saves 20 cm of way and throws the plant at whoever stands in front. And the last line: a trolley without brakes whose power is cut rolls *farther* than one that is braked under power. (0.02 is an order of magnitude from memory; gears and motors brake more. Measure it.)
#
# The standard for the electrical equipment of machines, IEC 60204-1, names three:
#
# | category | what happens | here |
# |---|---|---|
# | 0 | uncontrolled: power is taken away at once | the switch in your hand; no software |
# | 1 | controlled: braked under power, then power is taken away | a part has failed: `StopKind.RELEASE` |
# | 2 | controlled: braked under power, and power stays | the target is lost: `StopKind.HOLD` |
#
# **Predict.** Which of them may an *emergency* stop be? May it be a key on your keyboard? May letting go of its button start the trolley again?
#
# **Why.** An emergency stop is of category 0 or 1, never 2; which of the two, the assessment of the machine's risks says. Its actuator is red. It acts without your program, and releasing it restarts nothing: somebody must start the machine on purpose (ISO 13850). A key in a notebook is an ordinary stop with a good intention. Everything in this lesson is an ordinary stop. **None of it is a safety function.**
#
# What makes a machine safe comes in this order (ISO 12100):
# 1. **design it out**: light, slow, low, weak motors, round edges, a load that cannot fall;
# 2. **guard it**: a bumper or a fence that cuts the power, an emergency stop;
# 3. **warn**: a label, a lamp, a rule, a lesson.
#
# A watchdog is not on the list. It keeps an orderly machine orderly.

# %% [markdown]
# ## 10. A log that survives
#
# When something goes wrong, the program may die with it, and the log is what tells you why. Two ways to write one: append each record and hand it to the operating system at once (`RunLog`); or let Python collect some kilobytes first, as an ordinary `open` does.
#
# **Predict.** A simulated run writes both, and is killed in the middle: no warning, no clean-up. What is in the two files?

# %%
import subprocess
import sys
import tempfile
from pathlib import Path

from robotlab.follow import Run, read_log

PROGRAM = """
import json, sys
from robotlab.follow import NoFaults, Oracle, simulate
from robotlab.greenhouse import WALKS

ordinary = open(sys.argv[2], "w")

class Note(NoFaults):
    def link(self, t_s):
        ordinary.write(json.dumps({"tick at": round(t_s, 2)}) + chr(10))
        return True

simulate(Oracle(), WALKS["weave"], duration_s=3600, pictures=False, log=sys.argv[1], faults=Note())
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
print(f"its log is whole up to the last record, no tick missing: {'yes' if whole else 'no'}")

# %% tags=["approximate"]
noted = len(lines) - 1  # behind the last line feed there is nothing, or half a line
print(f"run log: {len(ticks)} ticks, the last at {ticks[-1]:.2f} s with {run.speeds_mps[-1]:.2f} m/s")
print(f"ordinary file: {noted} ticks, the last {(len(ticks) - noted) * 0.02:.1f} s are missing")

# %% [markdown]
# **Why.** What the operating system has been given is safe from the program's own death, whatever kills it. What Python still held is gone, the last seconds first: those you want. A record that was being written at that moment is cut in half; `read_log` leaves it out. (Against a *power cut* the disk must be asked too: `RunLog(path, sync_s=1.0)`.)

# %% [markdown]
# ## On your own robot
#
# Read the cautions at the top again. An adult, a hand on the power switch, and nothing that can be hit.
#
# **First the rehearsal, without a robot.** This is the loop that drives a real one, with a simulated motor link. The camera gives noise, and the tracker is one that always sees the post; after a second the camera's plug "comes off", and no picture comes any more. The limits are those for the first floor test: slow, never backward, and no search, so that a lost target means stop.

# %% tags=["approximate"]
from robotlab.follow import drive

rng = np.random.default_rng(11)
begin_s = time.monotonic()


def take():
    """A camera of 20 pictures a second whose plug comes off after one second."""
    time.sleep(0.05 if time.monotonic() - begin_s < 1.0 else 1.5)
    return rng.integers(0, 255, (240, 320, 3), np.uint8)


def sees_it(picture):
    return Detections([[155, 80, 164, 140]], [0.9], [0], ["post"])


slow = Settings(frame_hz=20, max_mps=0.2, max_yaw_radps=0.5, max_reverse_mps=0.0, search_s=0.0)
link = SimulatedLink()
report = drive(take, sees_it, default_camera(), slow, link, seconds=5.0)
print(f"{report.pictures} pictures; {report.state}: {report.reason}")
print(f"fastest {max(row[1] for row in link.sent):.2f} m/s, the wheels at the end: {link.wheels()}")

# %% [markdown]
# **Wheels up.** Put the robot on a box so that its wheels turn freely. Fingers, hair, sleeves and cables away. The limits of `slow`, above. Let it follow the object in the hand of a helper, so far away that the wheels turn forward, and then, one after the other (plugs at the camera and the computer, never at the battery):
#
# | do | must happen | happened after |
# |---|---|---|
# | cover the lens | the wheels ramp down (part 5) | |
# | pull the camera's plug | they stop within the watchdog's time, and stay stopped | |
# | pull the cable of the motor link | they stop by themselves, within the board's time-out | |
# | kill the program (`kill -9`, or the task manager) | the same | |
# | put the plug, the cable back | **nothing** | |
# | open the power switch | they are without power, whatever the program says | |
#
# A robot that fails one row does not go on the floor.
#
# **Chalk marks.** A clear lane, twice as long as the computed distance and more. A chalk line across it. The target stands still, well beyond the end of the lane, so the robot drives at `max_mps`, and nobody walks in front of it; when the wheels cross the line, a helper at the side covers the lens with a card on a stick. Mark where the same wheels stand, and measure. Five times at each of three values of `max_mps`, the slowest first; then with the load, and on the worst floor you have. Put the *longest* way of each speed into the cell. It finds your t and your a, by least squares on v · t + v² / (2a).

# %% tags=["explore"]
speeds_mps = np.array([0.15, 0.25, 0.35])   # steady speeds
longest_m = np.array([0.09, 0.17, 0.26])    # the longest of five; these three are made up: put yours
clear_m = 0.5                               # what is surely free in front of your robot

(t, k), *_ = np.linalg.lstsq(np.column_stack([speeds_mps, speeds_mps**2]), longest_m, rcond=None)
if t < 0 or k <= 0:
    print("these numbers fit no delay and no braking: measure again, at speeds farther apart")
else:
    a = 1 / (2 * k)
    reserve_m = clear_m / 1.5   # a third in reserve (common practice, no source)
    # A program that hangs is noticed by the watchdog, later than a covered lens by the plan of part 5.
    hangs_s = t + max(0.0, slow.silence_s - slow.frame_s - slow.coast_s)
    v = -a * hangs_s + math.sqrt((a * hangs_s) ** 2 + 2 * a * reserve_m)
    print(f"your delay {t:.2f} s, {hangs_s:.2f} s if the program hangs; your deceleration {a:.2f} m/s²")
    print(f"with a third in reserve, {clear_m} m free: {v:.2f} m/s; measured up to {max(speeds_mps):.2f} m/s")
    print(f"so drive at most {min(v, max(speeds_mps)):.2f} m/s: the formula was not tried beyond what you measured")

# %% [markdown]
# **Try.**
# - Add up your own t as in part 7; with the lens covered, coasting takes the watchdog's place. Is the measured t longer? What have you forgotten?
# - Stand an empty carton on the robot, tall side up. Measure its base and height. From which limit on does it lift, by the formula? Does it?

# %% [markdown]
# ## What to remember
#
# - Without a limit the floor is your ramp, and you did not choose it. A limit of half of what floor and load bear.
# - A step of the ramp is limit · step, up and down, forward and backward. A jerk limit costs a / j seconds.
# - The ramp runs in a thread of its own. The loop only leaves a wish, and the wish grows old.
# - Lost: coast, slow, search, stop. Stopped stays stopped.
# - Ask what must be true to go on. NaN, a clock that went back, the same picture again: none of them is a sign of life.
# - Stopping distance = v · t + v² / (2a). Much of it is waiting. Halve the speed first.
# - Emergency stops are of category 0 or 1, and not yours. Software is not a safety function.
#
# ## Sources
#
# - Trapezoids and jerk: L. Biagiotti, C. Melchiorri, *Trajectory Planning for Automatic Machines and Robots*, 2008, chapter 3.
# - Rocking and falling boxes: G. Housner, *The behavior of inverted pendulum structures during earthquakes*, Bulletin of the Seismological Society of America 53, 1963 (from memory).
# - A swinging mast, and pushes that leave no swing: S. Rao, *Mechanical Vibrations*; *Harris' Shock and Vibration Handbook* (both from memory).
# - Stop categories: IEC 60204-1. Emergency stop: ISO 13850. Order of measures: ISO 12100. Named from secondary reading; for a real machine read them, or ask someone who has.
# - Friction 0.6 and 0.3, rolling resistance 0.02: orders of magnitude, from memory. A reserve of two; more than two lost pictures before a watchdog barks: common practice, no source.
