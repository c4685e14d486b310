# %% [markdown]
# # Lesson 09: frame time and power
#
# **What you will have** at the end: one file that describes your robot, and a check-up that says for each of its budgets, from the time of a frame to the charger, whether it holds and what to do where it does not.
#
# **You will be able to**
# - say from the times of its stages how many pictures a loop works on and how late it acts, and which stage to make faster;
# - find the pictures that wait in a buffer where nobody sees them;
# - work out what showing, sending and storing pictures costs, before you buy a network or a disk;
# - work out how long a battery lasts, read its cells, and refuse a charger that is not made for it.
#
# **Time**: 75 minutes, with five tasks; after part 4 is a good place for a break. **Needs**: lessons 00 and 03.
#
# **Cautions**: nothing moves and nothing is charged here, all is computed. Lithium batteries burn when they are charged wrongly, dropped, or emptied too far. Charge one only with a balance charger made for it, in a fire-safe place, never unattended; never one that is swollen, damaged, or below its maker's lowest voltage. The maker's data sheet, local codes and licensed practice come before every number in this lesson.

# %% [markdown]
# ## 1. Where the time goes
#
# A loop does the same few things with each picture: read it, find the post, decide, send a command. These are its **stages**. `StageTimer` measures them where they happen. Here the loop has a rendered picture for a camera, the color detector of lesson 03, and a fourth stage that many programs have: the picture is packed for a screen.
#
# **Predict.** Which stage takes longest: reading (unpacking a PNG), finding the post, or packing the picture again as a JPEG for a screen? Is the slowest of 100 cycles twice as slow as the usual one, or about the same?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess("09.stage", "Which stage takes longest: read, detect or show?")

# %%
import math
import textwrap

import numpy as np
from IPython.display import display

from robotlab.budget import StageTimer
from robotlab.color import ColorDetector
from robotlab.course import Table
from robotlab.greenhouse import WALKS, render
from robotlab.image import decode, encode
from robotlab.loop import default_camera

camera = default_camera()
scene = WALKS["straight"].scene
examples = [render(scene.with_post_at(d_m, 0.0), camera) for d_m in (1.0, 1.5, 2.5)]
boxes = [one.truths.boxes[:1] for one in examples]
detector = ColorDetector.learn([one.picture for one in examples], boxes, "post")
packed = encode(examples[1].picture, "png")


def say(text):
    """A long answer in lines that fit a narrow window."""
    print(textwrap.fill(str(text), 66, subsequent_indent="  "))


# %% tags=["nbval-ignore-output"]
timer = StageTimer()
for _ in range(100):
    with timer.stage("read"):
        picture = decode(packed)
    with timer.stage("detect"):
        found = detector.detect(picture)
    with timer.stage("show"):
        encode(picture, "jpeg")
print(timer.text())
typical_s, worst_s = timer.stages_s(50), timer.stages_s(100)
slowest = max(typical_s, key=typical_s.get)
times = worst_s[slowest] / typical_s[slowest]
compare_guess("09.stage", f"{slowest}; its worst took {times:.1f} times its median")

# %% [markdown]
# **Why.** The numbers are your machine's own, and differ from run to run; often it is not the detector that takes the longest. What you do not measure you do not know. `p50` is the 50th **percentile**, or median: half of the cycles took no longer. `p95` was kept by 95 of 100. The *worst* is often far above both, because another program wanted the processor at that moment. A mean hides that. So a robot's times are stated as percentiles, and it is built for the worst.
#
# A percentile of few numbers depends on its definition. The 40th of 15, 20, 35, 40, 50 is 29 on a straight line between two of them, and 20 as the smallest that really occurred and is not below 40 % of them (the **nearest rank**). Name the method beside the number.

# %%
from robotlab.budget import percentile

for method in ("linear", "nearest_rank"):
    value = percentile([15, 20, 35, 40, 50], 40, method)
    print(f"40th percentile, {method}: {value:.0f}")

# %% [markdown]
# ## 2. How often: throughput
#
# From here on, a small robot board with these times; the camera gives 60 pictures a second.
#
# **Predict.** read 4 ms, detect 30 ms, show 10 ms, send 2 ms, one after the other. How many pictures are worked on in each second: 60, 33, 22? Now give each stage a thread and a core of its own, so that they work side by side, each on another picture: 60, 33, 22?

# %% tags=["folded"]
# Your guess
guess("09.rate", "Pictures a second: one thread, own threads?")

# %%
from robotlab.budget import frame_budget

stages_s = {"read": 0.004, "detect": 0.030, "show": 0.010, "send": 0.002}
rates = []
for own_threads in (False, True):
    budget = frame_budget(stages_s, camera_hz=60, own_threads=own_threads)
    rates.append(f"{budget.throughput_hz:.0f}")
    print(f"{'own threads' if own_threads else 'one thread':<11}", end=": ")
    print(f"{budget.throughput_hz:.1f} pictures/s, bound by {budget.bound_by}")
compare_guess("09.rate", " and ".join(rates))

# %% [markdown]
# **Why.** How many pictures a loop works on in a second is its **throughput**, also called the frame rate. In one thread a cycle takes 46 ms, the sum, so there are 1 / 0.046 s = 21.7 cycles a second. Side by side, the slowest stage alone decides: 1 / 0.030 s = 33.3. It is the **bottleneck**, and making any other stage faster would change nothing. With the times $t_i$ of the stages:
#
# $$\text{one thread: } \frac{1}{\sum_i t_i} \qquad \text{own threads: } \frac{1}{\max_i t_i}$$
#
# and never more than the camera gives. The 38 or 27 other pictures that the camera takes are never looked at. That is no fault: the newest is worth more than all.
#
# ### Task 1


# %% tags=["starter"]
def throughput(stages_s, camera_hz, own_threads):
    """Pictures that a loop works on in each second, Hz.

    stages_s: (N,) array, time of each stage for one picture, s.
    camera_hz: pictures that the camera gives in each second, Hz.
    own_threads: True if each stage has a thread of its own and works beside the
    others, False if one thread does one stage after the other.
    """
    ...


# %% tags=["worked"]
def throughput(stages_s, camera_hz, own_threads):
    """Pictures that a loop works on in each second, Hz.

    stages_s: (N,) array, time of each stage for one picture, s.
    camera_hz: pictures that the camera gives in each second, Hz.
    own_threads: True if each stage has a thread of its own and works beside the
    others, False if one thread does one stage after the other.
    """
    busy_s = stages_s.max() if own_threads else stages_s.sum()
    return min(camera_hz, 1 / busy_s)


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(throughput)

# %% [markdown]
# Stuck? Run `nudge(throughput)` in a new cell; each call says a little more.

# %% [markdown]
# ## 3. How late: latency
#
# How old a picture is when its command is sent is the **latency**. It limits the gain (lesson 10) and lengthens the way to a stop (lesson 11); throughput does neither.
#
# **Predict.** With threads of their own the stages gave 33 results a second in place of 22. Does the latency fall too? And the camera's driver keeps 4 pictures in a **buffer**, the oldest first, as many do unless they are told otherwise: how old is a picture then when its command is sent, about 50 ms, 100 ms or 200 ms?

# %% tags=["folded"]
# Your guess
guess("09.buffer", "Age with a buffer of 4?", choices=(50, 100, 200), unit="ms")

# %%
from robotlab.budget import simulate_frames

rows = []
for name, own_threads, buffer in (
    ("one thread", False, 0),
    ("own threads", True, 0),
    ("one thread, buffer of 4", False, 4),
):
    line = simulate_frames(stages_s, 60, own_threads, buffer)
    late_s = line.latency_s[10:].mean()  # the first few fill the buffer
    rows.append((name, f"{line.throughput_hz:.1f}", f"{1e3 * late_s:.0f} ms"))
display(Table(("", "pictures/s", "latency"), rows))
compare_guess("09.buffer", rows[-1][2])

# %% [markdown]
# **Why.** A picture goes through every stage, with threads or without: 46 ms, the sum. The rest is waiting. With the newest picture always at hand that is a few ms. A full buffer of 4 holds four cycles of the loop: 4 · 46 ms more, less the time until the camera fills the free place. The throughput is the same as before, so nothing looks wrong. The robot acts on what was true a fifth of a second ago.
#
# The cure is a thread that reads always and keeps the newest picture only. The course's `drive` does that.
#
# ### Play with it
#
# A row is a picture, from the moment the camera has it. Gray is waiting; the crosses are pictures that nobody looks at.
#
# 1. Choose *a thread for each stage*. Which slider raises the throughput now? Which one does nothing?
# 2. Back to *one thread*; raise *driver's buffer* from 0 to 5. What does each place cost?
# 3. Lower the camera to 20 pictures/s, the buffer at 5. Where has the waiting gone, and why?

# %% tags=["explore"]
from robotlab.widgets import FramePicture

timeline = FramePicture(camera_hz=60, detect_ms=30, show_ms=10, buffer=0)
timeline

# %% tags=["still"] picture="timeline" alt="A timeline of eight pictures in one thread. Each row has a gray bar of waiting, then a short bar for reading, a long one for detecting, a middle one for showing and a short one for sending. A row begins where the row above it ends. Crosses beneath mark the pictures that nobody looks at, about two in three."
from IPython.display import Image

display(Image(bytes(timeline.picture)))

# %% [markdown]
# **Why.** (1) Only the detector, as long as it is the slowest; showing works beside it for nothing, in throughput, and still adds to the latency. (2) One cycle each, 46 ms. (3) At 20 pictures/s the loop, which could do 21.7, is faster than the camera: the buffer is empty, and nothing waits. A buffer hurts only where the camera is faster than the loop.
#
# ### Task 2


# %% tags=["starter"]
def latency(stages_s, waiting, own_threads):
    """Age of a picture when its last stage ends, s.

    stages_s: (N,) array, time of each stage for one picture, s.
    waiting: pictures that wait in front of it, in a row, when the camera hands it over.
    own_threads: True if each stage has a thread of its own, False if one thread does
    one stage after the other.  The loop has just taken a picture out of the row, so
    that each in front of it costs one whole cycle.
    """
    ...


# %% tags=["worked"]
def latency(stages_s, waiting, own_threads):
    """Age of a picture when its last stage ends, s.

    stages_s: (N,) array, time of each stage for one picture, s.
    waiting: pictures that wait in front of it, in a row, when the camera hands it over.
    own_threads: True if each stage has a thread of its own, False if one thread does
    one stage after the other.  The loop has just taken a picture out of the row, so
    that each in front of it costs one whole cycle.
    """
    turn_s = stages_s.max() if own_threads else stages_s.sum()
    return stages_s.sum() + waiting * turn_s


# %% tags=["verify"]
verify(latency)

# %% [markdown]
# ## 4. How many at once: frames in flight
#
# With threads, or with a buffer, several pictures are under way at the same moment: the **frames in flight**.
#
# **Predict.** A camera gives 30 pictures a second, and each is acted on 0.1 s after it was taken. How many are under way at once, on average? You need no drawing for it.

# %% tags=["folded"]
# Your guess
guess("09.flight", "Under way at once, on average?", unit="pictures")

# %%
from robotlab.budget import frame_times
from robotlab.loop import GroundTruthDetector, Settings, simulate

settings = Settings(frame_hz=25, delay_s=0.12)
run = simulate(
    GroundTruthDetector(),
    WALKS["straight"],
    camera,
    settings,
    duration_s=10,
    pictures=False,
)
seen = frame_times(run)
product = seen.throughput_hz * seen.latency_mean_s
print(f"30 pictures/s · 0.1 s = {30 * 0.1:.0f}")
print(f"a run of the loop: {seen.throughput_hz:.1f} pictures/s,", end=" ")
print(f"latency {seen.latency_mean_s:.3f} s, product {product:.2f}")
print(f"counted along the run: {seen.in_flight:.2f} under way on average")
compare_guess("09.flight", f"{30 * 0.1:.0f} pictures")

# %% [markdown]
# **Why.** In one second 30 pictures are under way for 0.1 s each: 3 seconds of being under way, in one second, so 3 at once. *Frames in flight = throughput · latency* is **Little's law**:
#
# $$L = \lambda \, W$$
#
# with L frames in flight, λ pictures per second and a latency W. It asks nothing about how the stages are arranged, only that the loop runs steadily. So it works backward too: three frames in flight at 30 pictures a second *are* 0.1 s of latency, and nothing you tune in the detector gets that below, unless fewer are under way.
#
# ### Task 3
#
# Count it, from the times of a log.


# %% tags=["starter"]
def frames_in_flight(taken_s, acted_s, duration_s):
    """Mean number of pictures under way at once, counted along a run.

    taken_s: (N,) array, when each picture was taken, s.
    acted_s: (N,) array, when it was acted on, s.  Between the two it is under way.
    duration_s: how long the run lasted, s; all pictures lie within.
    """
    ...


# %% tags=["worked"]
def frames_in_flight(taken_s, acted_s, duration_s):
    """Mean number of pictures under way at once, counted along a run.

    taken_s: (N,) array, when each picture was taken, s.
    acted_s: (N,) array, when it was acted on, s.  Between the two it is under way.
    duration_s: how long the run lasted, s; all pictures lie within.
    """
    return (acted_s - taken_s).sum() / duration_s


# %% tags=["verify"]
verify(frames_in_flight)

# %% [markdown]
# ## 5. What a live picture costs
#
# **Predict.** A loop does 47 cycles a second. With the picture shown on a screen it does 40 (a usual drop: common practice, no source). What does showing cost, 7 pictures a second? Another loop does 200 cycles a second. What is left of them when it shows the same picture: 193, 170 or 115?

# %% tags=["folded"]
# Your guess
guess("09.showing", "What is left of 200 a second?", choices=(193, 170, 115))

# %%
from robotlab.budget import showing_cost_s

cost_s = showing_cost_s(without_hz=47, with_hz=40)
print(f"showing costs {1e3 * cost_s:.2f} ms a picture")
for rate_hz in (200, 47, 10):
    left_hz = 1 / (1 / rate_hz + cost_s)
    print(f"{rate_hz:>3} pictures/s become {left_hz:5.1f}")
compare_guess("09.showing", f"{1 / (1 / 200 + cost_s):.0f}")

# %% [markdown]
# **Why.** A cost is a *time*: 1/40 s − 1/47 s = 3.72 ms. Times add up, rates do not. Subtracting rates is the most frequent mistake about speed: "7 pictures a second" would be a disaster for a loop of 10 and nothing for one of 200; in truth it is the other way around. So measure with and without, and take the difference of 1 / rate. And on a robot: show every fifth picture, from another thread, or nothing at all.

# %% [markdown]
# ## 6. What pictures weigh
#
# **Predict.** The robot sends what it sees, 640 × 480 pixels, 30 times a second. How many megabits per second is that as raw pixels, as JPEG, and as boxes alone? Which of them does a radio link carry that promises 50 Mbit/s?

# %% tags=["folded"]
# Your guess
guess("09.radio", "Raw, JPEG, boxes: how many Mbit/s? Which fit?")

# %%
from robotlab.budget import capture_storage, network_load

needs = []
for kind in ("raw", "jpeg", "boxes"):
    load = network_load(640, 480, 30, kind, boxes=2)
    fits = float(load) <= 50 / 2  # half of what is promised
    print(f"{kind:<6} {float(load):8.3f} Mbit/s  {'fits' if fits else 'does not fit'}")
    needs.append(f"{float(load):.3g}")
say(network_load(640, 480, 30, "jpeg").assumption)
compare_guess("09.radio", f"{', '.join(needs)} Mbit/s; boxes alone fit")

# %% [markdown]
# **Why.** Raw: 640 · 480 pixels · 3 bytes · 8 bits · 30 = 221 million bits a second. JPEG drops what the eye hardly misses; the shipped pictures need up to 3.2 of 24 bits, grass and gravel more. A box is five numbers. A radio link carries about half of what is printed on it (common practice, no source), so even JPEG at the full rate does not fit; a third of the pictures does. Beside each answer stands its assumption: when yours differs, put in your own.
#
# The same sum says what a day of gathering pictures weighs.
#
# **Predict.** Six recordings of one minute, two pictures kept of each second: how many MB as JPEG? And if you keep all 30 of each second, raw?

# %% tags=["folded"]
# Your guess
guess("09.disk", "MB: two a second as JPEG, all raw?", unit="MB")

# %%
plan = capture_storage(6, 60, 2, 640, 480, "jpeg")
everything = capture_storage(6, 60, 30, 640, 480, "raw")
say(f"two a second, JPEG: {plan}")
print(f"all, raw: {float(everything) / 1e3:.1f} GB")
compare_guess("09.disk", f"{float(plan):.0f} and {float(everything):.0f} MB")

# %% [markdown]
# **Why.** 720 pictures of 0.12 MB, or 10 800 of 0.92 MB: a factor of 112, and the 10 800 teach a detector hardly more, for neighbors in time look alike (lesson 08).
#
# A training on the 720 has a budget too. These are estimates for two cores; `robotlab fit` says its own before it begins.

# %%
from robotlab.budget import training_budget

for training in ("frozen-backbone", "fine-tuning"):
    need = training_budget(720, 640, 480, training)
    minutes, memory, disk = (float(need[of]) for of in ("time", "memory", "disk"))
    print(f"{training:<16} {minutes:.1f} min", end=", ")
    print(f"{memory:.0f} MB of memory, {disk:.0f} MB of disk")

# %% [markdown]
# ## 7. How long the battery lasts
#
# A pack is some **battery cells** in series: the same current goes through all, and their voltages add up. A lithium-polymer cell has 4.20 V when full, 3.7 V as printed, its **nominal voltage**, and is damaged below 3.0 V (common practice, no source; the data sheet of yours comes first). The **capacity** says for how long it gives which current: 2.2 Ah are 2.2 A for one hour. The **C rate** says how large the current may get: 20 C of 2.2 Ah are 44 A.
#
# **Predict.** Three cells, 2.2 Ah. Computer, camera and motors take 22.2 W on average. How many minutes does it run, if a fifth of the charge is left in the pack: 53, 18 or 79? And in a greenhouse at 0 °C?

# %% tags=["folded"]
# Your guess
guess("09.minutes", "How long does it run?", choices=(18, 53, 79), unit="min")

# %%
from robotlab.budget import Pack, running_time_min

pack = Pack(cells=3, capacity_ah=2.2, discharge_c=20)
say(running_time_min(pack, power_w=22.2))
cold = Pack(cells=3, capacity_ah=2.2, discharge_c=20, temperature_c=0)
say(running_time_min(cold, power_w=22.2))
minutes = [float(running_time_min(one, power_w=22.2)) for one in (pack, cold)]
compare_guess("09.minutes", f"{minutes[0]:.0f} min; in the cold {minutes[1]:.0f} min")

# %% [markdown]
# **Why.** Three cells are 11.1 V, so 22.2 W are 2 A; 80 % of 2.2 Ah at 2 A are 0.88 h. The last fifth stays in: an emptied cell is a damaged one. In the cold a cell gives less, here a fifth less, by a rule of thumb; the curve in its data sheet is better. And a cold pack must not be *charged* below 0 °C.
#
# ### Task 4


# %% tags=["starter"]
def running_time(capacity_ah, cells, cell_v, power_w, share):
    """How long a battery runs a robot, min.

    capacity_ah: printed capacity of the pack, Ah; its cells are in series.
    cells: how many.  cell_v: nominal voltage of one, V.
    power_w: what the robot takes on average, W.
    share: part of the capacity that is used, such as 0.8.
    """
    ...


# %% tags=["worked"]
def running_time(capacity_ah, cells, cell_v, power_w, share):
    """How long a battery runs a robot, min.

    capacity_ah: printed capacity of the pack, Ah; its cells are in series.
    cells: how many.  cell_v: nominal voltage of one, V.
    power_w: what the robot takes on average, W.
    share: part of the capacity that is used, such as 0.8.
    """
    current_a = power_w / (cells * cell_v)
    return 60 * capacity_ah * share / current_a


# %% tags=["verify"]
verify(running_time)

# %% [markdown]
# ## 8. Cells and chargers
#
# **Predict.** Two packs of three cells show 10.2 V each: 3.4 V a cell, just where the robot is to stop. Does that make them equally healthy? And may the first of them go on a charger for two cells, "just this once, it stops by itself"?

# %% tags=["folded"]
# Your guess
guess("09.packs", "Equally healthy? And may it, just this once?")

# %%
from robotlab.budget import Charger, charging_time_min
from robotlab.errors import InputError

for cell_v in ((3.42, 3.40, 3.38), (3.70, 3.70, 2.80)):
    problems = Pack(cells=3, capacity_ah=2.2, cell_v=cell_v).cell_problems()
    found = "a problem" if problems else "nothing wrong"
    print(f"{cell_v}, together {sum(cell_v):.1f} V: {found}")
    for problem in problems:
        say(f"  {problem}")

healthy = Pack(cells=3, capacity_ah=2.2, cell_v=(3.42, 3.40, 3.38))
for charger in (Charger(cells=2, current_a=2.0), Charger(cells=3, current_a=2.0)):
    try:
        answer = charging_time_min(healthy, charger)
    except InputError as reason:
        answer = f"refused, {reason}"
    say(f"charger for {charger.cells}: {answer}")
compare_guess("09.packs", f"no: in the second, {found}; and no, never")

# %% [markdown]
# **Why.** The sum hides the weak cell: while the pack still gives 10.2 V, one cell has been below its limit for some time. At the charger it is the other way around: a charger that sees only the sum goes on until the sum is right, and overcharges the stronger cells. A charger for two cells leaves the third alone: from then on it is an **unbalanced pack**. So there is a thin cable from between the cells, the **balance lead**, and a **balance charger**, made for exactly so many cells, watches each through it. Cells of a healthy pack agree within about 0.05 V (common practice, no source).
#
# Read the cautions that stand beside the second answer once more, slowly. Ignoring them can burn down a house.
#
# ### Task 5


# %% tags=["starter"]
def cells_state(cell_v, stop_v, most_spread_v):
    """What to do with a pack, from its cells: "go on", "stop" or "balance".

    cell_v: (N,) array, voltage of each cell, V.
    stop_v: the lowest that a cell may have, V.  One below it: "stop".
    most_spread_v: by how much two cells of the pack may differ, V.  None below
    stop_v, but two that differ by more: "balance".  Else "go on".
    """
    ...


# %% tags=["worked"]
def cells_state(cell_v, stop_v, most_spread_v):
    """What to do with a pack, from its cells: "go on", "stop" or "balance".

    cell_v: (N,) array, voltage of each cell, V.
    stop_v: the lowest that a cell may have, V.  One below it: "stop".
    most_spread_v: by how much two cells of the pack may differ, V.  None below
    stop_v, but two that differ by more: "balance".  Else "go on".
    """
    if cell_v.min() < stop_v:
        return "stop"
    return "balance" if cell_v.max() - cell_v.min() > most_spread_v else "go on"


# %% tags=["verify"]
verify(cells_state)

# %% [markdown]
# ## 9. On your own robot
#
# **Cautions.** To measure a pack you connect a meter to it: a slipped probe makes a short circuit of several hundred amperes. Measure at the balance plug with insulated probes, or use a cell checker that plugs in; no ring, no bracelet; a fire-safe place. If you have not done that before, do it with somebody who has. The data sheet, local codes and licensed practice come first.
#
# All of this lesson goes into one file. The cell writes a complete one, checks it, and then changes three things: a slower detector, a charger for two cells, a weak cell. Put in what you know of your robot; a section that you leave out is not checked, and the check-up says so.

# %%
import json
import tempfile
from pathlib import Path

from robotlab.budget import check_robot
from robotlab.environment import find_above

example = find_above("robotlab/budget/example_robot.json")
robot = json.loads(example.read_text(encoding="utf-8"))
robot["board"]["stages_s"]["detect"] = 0.120
robot["charger"]["cells"] = 2
robot["battery"]["cell_v"] = [3.91, 3.90, 3.71]
my_file = Path(tempfile.mkdtemp()) / "my_robot.json"
my_file.write_text(json.dumps(robot, indent=1), encoding="utf-8")

for name, path in (("the example", example), ("changed", my_file)):
    report = check_robot(path)
    print(f"{name}: {sum(line.ok for line in report.lines)} ok")
    for line in report.lines:
        if not line.ok:
            say(f"{line.name}: {line.value}")
            say(f"  -> {line.repair}")

# %% [markdown]
# On the robot, where nothing of the notebooks is installed, it is a command; its exit code is 1 as long as something is to be done:
#
# ```
# robotlab checkup --robot my_robot.json
# ```
#
# **Measure your stages.** In a program of your own, wrap what takes the picture and what finds the object, and print the table at the end:
#
# ```python
# timer = StageTimer()
# drive(timer.timed("detect", detector.detect), timer.timed("read", take), ...)
# print(timer.text())
# ```
#
# **Then the design sheet.** It (lesson 12) takes what you measured in place of what you assumed, and says what that changed. Suppose that you counted on 10 pictures a second and 0.10 s, and measured 8 and 0.17 s.
#
# **Predict.** By how much does the largest safe gain fall: not at all, by a third, by two thirds?

# %% tags=["folded"]
# Your guess
guess(
    "09.gain",
    "The largest safe gain falls",
    choices=("not at all", "by a third", "by two thirds"),
)

# %%
from robotlab.design_sheet import Robot, predict

assumed = Robot(camera, smallest_px=20, settings=Settings(max_mps=0.4))
measured = assumed.with_measured(frame_hz=8, delay_s=0.17)
for sentence in predict(measured).sentences():
    say(sentence)
gains = [predict(one)["safe_gain"].predicted for one in (assumed, measured)]
compare_guess("09.gain", f"by {100 * (1 - gains[1] / gains[0]):.0f} %")

# %% [markdown]
# **Why.** Fewer pictures and a longer latency both lower the gain limit, and every millisecond of latency lengthens the way to a stop. What is seen does not change. The first sentence is the reason to measure.

# %% [markdown]
# ## What to remember
#
# - Measure each stage; state percentiles and their method, and build for the worst.
# - Throughput: 1 / sum of the stages in one thread, 1 / slowest stage with threads. Latency: the sum of the stages plus all waiting, always.
# - A full buffer adds latency and no throughput. Keep the newest picture only.
# - Frames in flight = throughput · latency (Little's law).
# - Costs are times. They add up; rates do not.
# - Each answer has an assumption. When yours differs, put in your own.
# - Cells in series: voltages add up, capacity does not. The weakest cell decides when to stop.
# - A balance charger made for exactly this pack, a fire-safe place, never unattended; never a damaged pack, and never one below its maker's limits.
#
# On your own robot you can now
# - say which stage to make faster, and what that will gain;
# - say how long the battery lasts, and which charger is its own;
# - hand over one file, with a check-up that says what would not work.
#
# ### Check your understanding
#
# 1. Stages of 5, 20 and 15 ms. What are throughput and latency in one thread, and with a thread for each?
# 2. A loop gives 25 results a second, and 5 frames are in flight. How old is a picture when it is acted on?
# 3. Recording a film lowers a loop from 50 to 40 cycles a second. What does recording cost, and what would be left of a loop of 20?
# 4. A pack of two cells, 3.7 V and 5 Ah each, in series; the robot takes 14.8 W and may use 80 %. For how long?
# 5. A pack of four cells is to be charged, and there is a charger for three with a balance plug. What do you do?
#
# <details><summary>Answers</summary>
#
# 1. One thread: 1 / 40 ms = 25 a second, 40 ms. Threads: 1 / 20 ms = 50 a second, and still 40 ms.
# 2. 5 / 25 = 0.2 s.
# 3. 1/40 − 1/50 = 5 ms; 1 / (50 + 5 ms) = 18.2.
# 4. 14.8 W / 7.4 V = 2 A; 5 Ah · 0.8 / 2 A = 2 h, or 120 min.
# 5. Nothing with that charger: one cell would be charged by nobody. A balance charger made for four cells, attended, in a fire-safe place, as the data sheets say.
#
# </details>
#
# Next: [lesson 10](10_steer.ipynb), steer.
#
# ## Sources
#
# - Frames in flight: J. D. C. Little, *A proof for the queuing formula L = λW*, Operations Research 9:383-387, 1961.
# - Percentiles: R. Hyndman, Y. Fan, *Sample quantiles in statistical packages*, The American Statistician 50:361-365, 1996 (types 7 and 1).
# - Voltages of lithium-polymer cells, C rate, the 0.05 V, half of a radio link's rate, the share left in the cold, 47 falling to 40: common practice, no source. Temperature limits: from memory. The maker's data sheet comes first.
# - What makers of lithium batteries test against: IEC 62133-2 and UN 38.3 (from memory).
