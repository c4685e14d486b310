# %% [markdown]
# # Lesson 12: the face-off
#
# **What you will have** at the end: a decision between two trackers that you can defend with six walks and one number, and the design sheet of a robot, its limits predicted and measured.
#
# **You will be able to**
# - let two trackers, or one of your own, steer the same trolley on the same walks, and say what the scores of a run leave out;
# - say how sure a difference is, and whether it is large enough to pay for;
# - write "the simple one is enough here" when the numbers say so;
# - predict the limits of a robot before it is built, and find out where the prediction is wrong.
#
# **Time**: 50 minutes. **Needs**: lessons 00, 02 and 03. Lessons 07, 08, 10 and 11 explain the parts that are put together here.
#
# **Cautions**: nothing real moves here. In the last part you measure limits for your own robot; measuring them on a floor means driving. Then: an adult who knows the machine, wheels off the ground first, a hand on the switch that cuts the power, a clear floor, slow limits, people and pets out of reach. Batteries and chargers as their makers say. Software is not a safety function. All pictures are rendered.

# %% [markdown]
# ## 1. Two trackers at the same wheel
#
# Both learn from the same 87 pictures: by daylight, under an overcast sky and at dusk. The color tracker keeps the range of colors of the post. The detector trains its last layer.
#
# A *tracker* is anything that takes a picture and gives boxes. So a third one can enter, with one rule and no training: your own. It says "orange is where red is far above blue", looks for the column of the picture with the most of it, and boxes what hangs together there. Later you will change it.

# %% tags=["nbval-ignore-output"]
import functools

import matplotlib.pyplot as plt
import numpy as np

from robotlab.color import ColorTracker
from robotlab.course import shipped
from robotlab.dataset import open_dataset
from robotlab.detector import fit
from robotlab.face_off import drive, threshold
from robotlab.follow import Settings
from robotlab.practice import nudge, verify
from robotlab.trackers import Detections, as_tracker

train = open_dataset(shipped("datasets/greenhouse")).only(recordings=("day1", "overcast1", "dusk1"))
color = ColorTracker.from_dataset(train, ["post"])
detector = fit(train, seed=0)


# %%
def mine(picture):
    """A tracker of your own: one box around the most orange column."""
    red, blue = picture[..., 0].astype(int), picture[..., 2].astype(int)
    orange = red - blue > 80
    columns = orange.sum(axis=0)
    best = int(columns.argmax())
    if columns[best] < 8:
        return Detections.none(["post"])
    left = right = best
    while left > 0 and columns[left - 1] > columns[best] / 2:
        left -= 1
    while right < len(columns) - 1 and columns[right + 1] > columns[best] / 2:
        right += 1
    rows = np.flatnonzero(orange[:, left : right + 1].any(axis=1))
    return Detections([[left, rows[0], right + 1, rows[-1] + 1]], [1.0], [0], ["post"])


trackers = {"color": color, "detector": detector, "mine": as_tracker(mine)}
# From which score on each is believed: the one with the best F1 on the pictures that it learned from or held out.
believed = {"color": threshold(color, train), "detector": threshold(detector, train), "mine": 0.5}
SECONDS = 8


@functools.cache
def run_of(walk, name):
    """One run; each is driven once and kept."""
    return drive(trackers[name], walk, Settings(min_score=believed[name]), name=name, duration_s=SECONDS, progress=False)


print(f"{len(train)} pictures to learn from, {len(trackers)} trackers, {SECONDS} s a run")

# %% [markdown]
# The same trolley, the same noise, the same post on the same way. Only the tracker differs, and with it, after a moment, everything else: another box is another turn, and another turn is another picture.
#
# **Predict.** By dusk the post weaves between buckets and crates. Whose distance is steadier: the color tracker's, the detector's, or does one need a ruler to tell? And under the warm lamp, which none of them has seen?

# %% tags=["explore", "approximate"]
from robotlab.widgets import ReplayChoice

PLAIN = ["straight", "weave:dusk", "stop_and_go:overcast", "reverse", "around_crates:overcast", "wrong_things:dusk"]
NEW = ["straight:warm", "weave:warm", "stop_and_go:warm", "wrong_things:warm"]
ReplayChoice(run_of, ["weave:dusk", *[walk for walk in PLAIN + NEW if walk != "weave:dusk"]], list(trackers))

# %% tags=["still"] picture="side_by_side" alt="Two columns, color on the left and detector on the right, on the same walk by dusk after the same time. Above, each trolley's way behind the post's way, seen from above; below, what each camera saw, with the box that is followed."
from robotlab.picture import decode

figure, axes = plt.subplots(2, 2, figsize=(8, 5.2), layout="constrained", height_ratios=[1, 1.15])
for column, name in enumerate(("color", "detector")):
    run = run_of("weave:dusk", name)
    picture = 60
    tick = int(np.searchsorted(run.t_s, run.picture_t_s[picture]))
    plan, seen = axes[:, column]
    plan.plot(*run.post_m[: tick + 1].T, "--", color="#d55e00", label="post")
    plan.plot(*run.pose[: tick + 1, :2].T, "-", color="black", label="trolley")
    plan.plot(*run.post_m[tick], "o", color="#d55e00")
    plan.plot(*run.pose[tick, :2], "s", color="black")
    _ = plan.set(xlim=(-0.3, 3.6), ylim=(-1.2, 1.2), aspect="equal", xlabel="m", ylabel="m", title=f"{name}, after {run.t_s[tick]:.1f} s")
    plan.legend(loc="upper left", frameon=False, fontsize=8, ncols=2)
    seen.imshow(decode(run.pictures[picture]))
    seen.set_axis_off()
    if not np.isnan(run.boxes[picture]).any():
        x0, y0, x1, y1 = run.boxes[picture] + np.array([-3, -3, 3, 3])
        for edge, width in (("black", 2.6), ("white", 1.0)):
            seen.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color=edge, linewidth=width)

# %% [markdown]
# *Above, as a still: one moment of the walk by dusk, color on the left.*
#
# **Try.** Choose `weave:warm`. A run that nobody has looked at yet takes some seconds: it is driven at that moment. Then put your own tracker on one side. What does it follow under the warm lamp?

# %% [markdown]
# ## 2. What a run comes to
#
# A replay convinces, and proves nothing: you looked at one. So each run is boiled down to numbers.
#
# **Predict.** `wrong_things:dusk` has an orange tray, a blue drum and a yellow pole beside the way. Which of the three trackers looks away from the post there for a while? Which of the numbers below will tell?

# %% tags=["approximate"]
from robotlab.pages import RUN_WORDS

WALK = "wrong_things:dusk"
scores = {name: run_of(WALK, name).scores() for name in trackers}
print(f"{WALK:<32}" + "".join(f"{name:>10}" for name in scores))
for key in ("time_in_view", "time_following", "distance_error_m", "bearing_error_rad", "losses", "contacts", "closest_m", "energy_j"):
    print(f"{RUN_WORDS[key]:<32}" + "".join(f"{score[key]:10.2f}" for score in scores.values()))

# %% [markdown]
# **Why.** Each number hides something.
# - *Following* says that a box was believed. Whether it was the post's, it does not say: compare the first two rows of `mine`. *In view* is about the real post, but a trolley that stands still far away has it in view as well. Read the two together.
# - *Distance error* holds the start, too: the post walks off, and everybody has to catch up. And it does not know where the trolley looks: see `mine` again.
# - *Losses* count what was had and lost. A tracker that never found the post has none.
# - *Contacts* are no average. One contact rules a tracker out, whatever its other numbers; a mean forgives it.
# - *Energy* is work at the wheels. What the computer needs for a detector is not in it (lesson 09 will have it).
#
# One number must lead, and it is chosen **before** looking at the results; else there is always one on which your favorite wins. Here it is the distance error, in m, root mean square over the run. And since a detector has a price (labels, training, time for each picture), we also say beforehand what would be worth it: 0.10 m.

# %%
MATTERS_M = 0.10


def errors(name, walks):
    """Distance error on each walk, m."""
    return np.array([run_of(walk, name).scores()["distance_error_m"] for walk in walks])


# %% [markdown]
# ## 3. How many runs is that?
#
# 8 seconds at 10 pictures a second are 80 pictures. Are 80 pictures 80 tests?
#
# **Predict.** The color tracker drives one walk four times, each time with other sensor noise. Then it drives four other walks. Which four errors differ more, and by what factor: 1, 3, 10, or more than 10?

# %% tags=["approximate"]
SOME = PLAIN[:4]
again = [
    drive(color, SOME[0], Settings(min_score=believed["color"]), seed=seed, duration_s=SECONDS, progress=False).scores()["distance_error_m"]
    for seed in range(4)
]
elsewhere = errors("color", SOME)
for words, values in (("one walk, four noises", again), ("four walks, one noise", elsewhere)):
    print(f"{words}: " + " ".join(f"{value:.3f}" for value in values) + f"   spread {np.std(values, ddof=1):.3f} m")

# %% [markdown]
# **Why.** Pictures of one run look alike, and so do runs of one walk. What is different from one test to the next is the walk: how the post moves, what stands beside it, how the light falls. So a walk counts as **one** test, however long it is. The same holds for recordings in lesson 08.
#
# A walk is hard or easy for both trackers. That is why both drive the *same* walks: in the difference, walk by walk, what they have in common falls out.
#
# **Predict.** Six walks, two trackers. Two ways to an interval for the mean improvement: differences walk by walk, or the two means with the spread of each. When is the first narrower: always, or when some condition holds?

# %% tags=["approximate"]
from scipy import stats

from robotlab.scoring import paired_mean

simple, other = errors("color", PLAIN), errors("detector", PLAIN)
for walk, a, b in zip(PLAIN, simple, other):
    print(f"{walk:<24} color {a:.2f} m   detector {b:.2f} m   improvement {a - b:+.2f} m")
paired = paired_mean(simple, other)
apart = stats.ttest_ind(simple, other, equal_var=False).confidence_interval(0.95)
print(f"\nwalk by walk:   {paired.low:+.2f} to {paired.high:+.2f} m")
print(f"not in pairs:   {apart.low:+.2f} to {apart.high:+.2f} m")
print(f"correlation of the two trackers' errors: {np.corrcoef(simple, other)[0, 1]:+.2f}")

# %% [markdown]
# **Why.** The interval is mean ± factor · s / √N, with the spread s of the N improvements. The factor is 2.57 for six walks (Student's t for 95 % and N − 1 = 5); for many it would be 1.96. With few walks one pays twice: a large factor, and a small √N.
#
# Pairs pay when a walk is hard for both or easy for both: a correlation near +1. With one near 0 the two intervals are about equal, and with one below 0 the pairs have the wider: then the walks that are hard for a band of colors are the easy ones for a network. Pairs are right in each case. Taking the two means apart is right only if nothing ties them together, and here the walk does.
#
# **Task 1.** Write `paired_interval(simple_m, other_m, factor)`.

# %% tags=["starter"]
def paired_interval(simple_m, other_m, factor):
    """Ends (low, high) of the interval for the mean improvement over the simple one, m.

    simple_m, other_m: (N,) arrays, errors of the two on the same N walks; smaller is better.
    The interval: the mean of the N improvements, minus and plus factor times its standard error.
    """
    ...


# %% tags=["worked"]
def paired_interval(simple_m, other_m, factor):
    """Ends (low, high) of the interval for the mean improvement over the simple one, m.

    simple_m, other_m: (N,) arrays, errors of the two on the same N walks; smaller is better.
    The interval: the mean of the N improvements, minus and plus factor times its standard error.
    """
    better = simple_m - other_m
    half = factor * better.std(ddof=1) / np.sqrt(len(better))
    return better.mean() - half, better.mean() + half


# %% tags=["verify"]
verify(paired_interval)

# %% [markdown]
# ## 4. Choose
#
# An interval that leaves out 0 says: there is a difference. It does not say that the difference is worth anything. Three answers are possible, and the third is the honest one more often than people like:
#
# | the interval | the decision |
# |---|---|
# | all of it at least 0.10 m | the other tracker is worth its price |
# | all of it below 0.10 m | the simple one is enough here |
# | across 0.10 m | more walks |
#
# **Task 2.** Write `choose(low_m, high_m, matters_m)`, which answers `"other"`, `"simple"` or `"more walks"`.

# %% tags=["starter"]
def choose(low_m, high_m, matters_m):
    """The decision, from the improvement's interval: "other", "simple" or "more walks".

    low_m, high_m: ends of the interval for the mean improvement of the other tracker, m.
    matters_m: the least improvement that is worth its price, m.
    The whole interval at least that: "other".  The whole interval below it: "simple".
    Anything else is not decided yet: "more walks".
    """
    ...


# %% tags=["worked"]
def choose(low_m, high_m, matters_m):
    """The decision, from the improvement's interval: "other", "simple" or "more walks".

    low_m, high_m: ends of the interval for the mean improvement of the other tracker, m.
    matters_m: the least improvement that is worth its price, m.
    The whole interval at least that: "other".  The whole interval below it: "simple".
    Anything else is not decided yet: "more walks".
    """
    if low_m >= matters_m:
        return "other"
    if high_m < matters_m:
        return "simple"
    return "more walks"


# %% tags=["verify"]
verify(choose)

# %% [markdown]
# Now the whole face-off: two kinds of light, with the sentence that follows from the numbers. `sentence` is your two tasks in one.
#
# **Predict.** Write down two of the three answers: one for the light that was learned, one for the warm lamp.

# %% tags=["approximate"]
for words, walks in (("light that was learned", PLAIN), ("the warm lamp", NEW)):
    result = paired_mean(errors("color", walks), errors("detector", walks))
    print(f"{words}: {result.sentence('color', 'detector', MATTERS_M)}\n")
    for name in ("color", "detector"):
        runs = [run_of(walk, name) for walk in walks]
        following = 100 * np.mean([run.scores()["time_following"] * run.scores()["time_in_view"] for run in runs])
        losses, contacts = (sum(run.scores()[key] for run in runs) for key in ("losses", "contacts"))
        print(f"   {name:<9} followed with the post in view {following:3.0f} % of the time, {losses} losses, {contacts} contacts")
    print()

# %% tags=["nbval-ignore-output"]
figure, axes = plt.subplots(1, 2, figsize=(9, 3.3), layout="constrained", width_ratios=[len(PLAIN), len(NEW)])
for ax, walks, title in zip(axes, (PLAIN, NEW), ("light that was learned", "the warm lamp, never seen")):
    for shift, name, mark, shade in ((-0.12, "color", "o", "#0072b2"), (0.12, "detector", "s", "#d55e00")):
        values = errors(name, walks)
        places = np.arange(len(walks)) + shift
        ax.vlines(places, 0, values, color=shade, linewidth=1)
        ax.plot(places, values, mark, color=shade, label=name)
    ax.set_xticks(range(len(walks)), [walk.replace(":", "\n") for walk in walks], fontsize=7)
    ax.set(title=title, ylabel="distance error, m", ylim=(0, None))
    ax.spines[["top", "right"]].set_visible(False)
_ = figure.legend(*axes[0].get_legend_handles_labels(), frameon=False, fontsize=8, loc="outside lower center", ncols=2)

# %% tags=["still"] picture="errors" alt="Distance error on each walk, color as circles and detector as squares. On the left six walks in light that was learned, on the right four walks under the warm lamp."
figure

# %% [markdown]
# **Why.** "Better" is not a property of a tracker. It belongs to a tracker, a light, a set of walks and a price. Where the light is the one that was learned, a band of colors and a network may well be worth the same to the trolley: it needs a box that is right most of the time, and a meter of post makes up for a crooked box. Where the lamp changes the object's color, no amount of averaging helps the color tracker. So the sentence that you may sign always names the walks: "on these six walks, in this light".
#
# And look at the other rows before you sign. Four walks can leave a wide interval (the factor is 3.18), one that holds 0.10 m although the mean is far above. That would say that these walks do not tell *how much* better the other one is. It would not make a tracker usable that hardly ever followed: such a one is out, whatever its price. A tracker may win by most of a meter and still lose the post again and again: better than one that never found it, and not good yet. If the cheaper one touched something, it is not cheap.
#
# **Try.** The limit from which on the detector is believed has the best F1 on pictures in the light that was learned. Is it the best for a trolley under another lamp? Put `Settings(min_score=believed["detector"] / 2)` into a run on a warm walk: `drive(detector, "wrong_things:warm", Settings(min_score=...), duration_s=SECONDS).scores()`. If it helps, you have chosen after looking: only walks that you have not driven yet can confirm it.
#
# Then change `mine` in part 1: another limit than 80, or green in place of blue, or a rule against boxes that are wider than tall. Run the cells from there on, and let it enter:

# %% tags=["explore", "approximate"]
result = paired_mean(errors("color", PLAIN), errors("mine", PLAIN))
print(result.sentence("color", "mine", MATTERS_M))
result = paired_mean(errors("mine", PLAIN), errors("color", PLAIN))
print(result.sentence("mine", "color", MATTERS_M))
for name in ("color", "mine"):
    views = [100 * run_of(walk, name).scores()["time_in_view"] for walk in PLAIN]
    print(f"{name:<6} post in view: " + " ".join(f"{view:3.0f} %" for view in views))

# %% [markdown]
# **Why.** Twelve lines without any training, and on the leading number they hold their own: that is why a simple rule always belongs in a face-off. The last two rows show what that number did not see. What will you do: take another leading number *now*, because this one does not please? Then you choose after looking. Write the rule down for the **next** walks: "in view at least 95 % of the time on every walk, else it is out; among the rest the distance error decides."
#
# Two sentences above, the same two trackers: whoever is called "simple" has the advantage when it is close. That is meant so, and has to be said.

# %% [markdown]
# ## 5. How far? The curve, not the mean
#
# The face-off has told you which tracker. The other half of a design is: for which robot? First how far it sees. We put the post at distances, render many pictures at each, and count.
#
# **Predict.** At 3 m the color tracker finds the post in nearly all pictures. From which distance on in fewer than 8 of 10: 4, 6, 10, 20 m?

# %% tags=["approximate"]
from robotlab.boxes import iou
from robotlab.follow import default_camera
from robotlab.greenhouse import WALKS, render

camera = default_camera()


def found_share(tracker, distance_m, least_score, lamp="overcast"):
    """Share of 20 rendered pictures in which a believed box overlaps the post by half."""
    good = 0
    for n in range(20):
        walk = WALKS[("straight", "weave", "stop_and_go", "reverse")[n % 4]]
        rng = np.random.default_rng(n)
        y, yaw = rng.uniform(-0.2, 0.2), rng.uniform(-0.05, 0.05)
        frame = render(walk.scene.under(lamp).with_post_at(distance_m, y), camera, (0.0, y, yaw), seed=n)
        truth = frame.truths.boxes[frame.truths.labels == 0]
        found = tracker.find(frame.picture).of_class("post")
        good += len(truth) and (iou(found.boxes[found.scores >= least_score], truth) >= 0.5).any()
    return good / 20


distances_m = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0])
curves = {name: np.array([found_share(trackers[name], d, believed[name]) for d in distances_m]) for name in ("color", "mine")}
print("distance, m  " + "".join(f"{d:6.0f}" for d in distances_m))
print("post, px     " + "".join(f"{camera.tall_px(d, 0.5):6.0f}" for d in distances_m))
for name, shares in curves.items():
    print(f"{name:<13}" + "".join(f"{share:6.2f}" for share in shares))

# %% [markdown]
# **Why.** A curve falls slowly, and it may dip and rise again: a background can hide a post at one distance and not at the next. A trolley has to get *through* the bad distance, so a good share behind it is of no use. The usable distance ends where the curve first dips below the limit. 8 of 10 is our limit because at ten pictures a second three misses in a row then come about once in fifteen seconds, if misses were independent.
#
# **Task 3.** Write `usable_distance(distances_m, shares, least_share)`.

# %% tags=["starter"]
def usable_distance(distances_m, shares, least_share):
    """The farthest distance up to which the tracker is usable, m; 0.0 if it never is.

    distances_m: (N,) array, rising.  shares: (N,) array, share found at each.
    Usable up to a distance: there, and at every nearer one, the share is at least least_share.
    """
    ...


# %% tags=["worked"]
def usable_distance(distances_m, shares, least_share):
    """The farthest distance up to which the tracker is usable, m; 0.0 if it never is.

    distances_m: (N,) array, rising.  shares: (N,) array, share found at each.
    Usable up to a distance: there, and at every nearer one, the share is at least least_share.
    """
    farthest = 0.0
    for distance, share in zip(distances_m, shares):
        if share < least_share:
            break
        farthest = float(distance)
    return farthest


# %% tags=["verify"]
verify(usable_distance)

# %% [markdown]
# ## 6. The design sheet
#
# All that you know of a robot before it is built fits into a few facts: the camera, the object, the smallest height in px at which the tracker is usable, delay, speed, acceleration, motor lag, the distance it keeps. From these the formulas of lessons 02, 10 and 11 predict its limits. `design_sheet` also **measures** each, by ways that do not use the formulas: it renders the post at distances and asks the tracker; it tries gains until the simulated loop swings wider and wider; it has the simulated trolley lose sight at top speed, and reads off the way to rest.
#
# The smallest height is judged first: in other pictures than those that the sheet is measured with, and through another lens, 50° wide. Through the same lens the prediction would be no test: one would measure a distance, turn it into pixels and turn those back into the same distance.
#
# **Predict.** Which of the predictions will be worst: the far limit, the gain limit or the stopping distance? By how many percent?

# %% tags=["approximate"]
import math
from dataclasses import replace

from robotlab.design_sheet import Robot, design_sheet, predict, rendered_height_px
from robotlab.pages import design_sheet_text

settings = Settings(min_score=believed["color"])
another_lens = replace(camera, hfov_rad=math.radians(50))
smallest_px = rendered_height_px(color, another_lens, settings, lamp="overcast", pictures=6, seed=1)
robot = Robot(camera, smallest_px, settings, name="trolley, color tracker")
sheet = design_sheet(robot, color, lamp="overcast", pictures=6)
print(f"smallest usable height: {smallest_px:.0f} px\n")
print(design_sheet_text(sheet))

# %% [markdown]
# **Why.** Gain and stopping follow from clocks and ramps, which a simulation keeps to the step; on a floor they will not be as good. The far limit follows from a tracker, and a tracker sees more than a height: the light on the post, and what stands behind it. Where prediction and measurement part, believe the measurement, and find out why: that is where you learn something about your robot.
#
# Now compare the measured far limit with the curve of part 5. Same tracker, same camera, same lamp, and yet the curve falls below 8 of 10 at another distance: the sheet's pictures show long aisles, the curve's show the scenes of the walks, with other things behind the post. So prediction and measurement may agree within a few percent *for one kind of scene*, and another scene moves both. For your robot, judge the smallest height where it will drive. (Try `lamp="daylight"`: the side of the post away from the sun is dark, and which side that is depends on the place.)
#
# The largest safe gain is *half* the gain limit. That margin is a habit of the trade, not a law.
#
# **Predict.** You may improve one fact. Which one moves the *far limit*, which the *largest safe gain*, which the *largest safe speed*: a narrower lens, half the delay, twice the acceleration, a quicker loss of patience (coasting)? One of them moves two limits.

# %% tags=["explore", "approximate"]
from robotlab.plots import new_figure, plot_bands
from robotlab.widgets import Slider, SliderPicture

figure, axes = new_figure(width_in=7.2, height_in=2.4)


def what_if(hfov_deg, delay_ms, accel, coast_s):
    facts = settings.but(delay_s=delay_ms / 1000, max_accel=accel, coast_s=coast_s)
    changed = predict(Robot(replace(camera, hfov_rad=math.radians(hfov_deg)), smallest_px, facts))
    axes[0, 0].clear()
    plot_bands(axes[0, 0], {"as it was": sheet, "changed": changed}).set_xlim(0, 16)
    words = [f"{changed[key].name}: {changed[key].predicted:.2f} {changed[key].unit}" for key in ("near", "far", "safe_gain", "stop", "safe_speed")]
    return figure, "; ".join(words)


SliderPicture(
    what_if,
    alt="Working bands along the distance, one bar for the robot as it was and one for the changed robot, with the distance kept and the way needed to stop.",
    hfov_deg=Slider(30.2, 110.2, start=62.2, step=1, label="field of view", unit="°"),
    delay_ms=Slider(0, 500, start=100, step=20, label="delay", unit="ms"),
    accel=Slider(0.2, 2.0, start=0.8, step=0.1, label="acceleration", unit="m/s²"),
    coast_s=Slider(0.0, 1.0, start=0.4, step=0.1, label="coasting", unit="s"),
)

# %% tags=["still"] picture="sheet" alt="Two bars along the distance: the working band of the trolley as it was, with the measured ends, and of one with a lens of 40 degrees, whose band begins and ends farther away."
shown, _ = what_if(40, 100, 0.8, 0.4)
shown

# %% [markdown]
# *Above, as a still: a lens of 40° in place of 62°.*
#
# **Why.** The lens moves both ends of the band, and no limit of motion. The delay moves the safe gain *and* the safe speed: an old picture is bad for steering and for stopping. Acceleration and patience move the stopping distance, and with it the safe speed. Patience is the cheap one: it is a number in a file. But a trolley without patience stops at every missed picture.

# %% [markdown]
# ## 7. Defend it
#
# Somebody asks: "Why did you not take the detector?" or "Why did you?" Answer in five sentences, each with a number that you have measured:
#
# 1. On which walks, in which light, with which pictures to learn from.
# 2. What leading number, chosen before; what difference matters, and why so much.
# 3. The mean improvement with its interval, and the number of *walks*.
# 4. What a mean cannot say: losses, contacts, the worst walk.
# 5. Up to which distance, at which gain and speed, for which robot: the sheet.
#
# And a sixth: what would change your mind.

# %% [markdown]
# ## On your own robot
#
# Put your own facts into the cell. Field of view and height: lesson 02, with a tape measure. Delay: film a stopwatch with your camera, and photograph watch and screen together. Smallest height: from judging on your own pictures (`heights_found` and `usable_height_px` in `robotlab.design_sheet` take a labeled data set and what your tracker found in it). Speed, acceleration and lag: lesson 11, chalk marks.

# %% tags=["explore"]
from robotlab.camera import Camera
from robotlab.motion import Motor

my_camera = Camera(640, 480, hfov_rad=math.radians(70), height_m=0.18, pitch_rad=math.radians(5))  # put yours
my_settings = Settings(
    target_height_m=0.30, target_width_m=0.10,   # the object
    frame_hz=15, delay_s=0.15, tracker_s=0.03,   # how old a picture is when it steers
    max_mps=0.4, max_accel=0.5, motor=Motor(lag_s=0.15),
    keep_m=1.0, turn_gain=1.5, coast_s=0.3,
)
my_robot = Robot(my_camera, smallest_px=24, settings=my_settings, name="my robot")
print(design_sheet_text(predict(my_robot)))

# %% [markdown]
# `robotlab.pages.design_sheet_page(sheet).save("my_sheet.html")` writes it with its formulas and sources. Then measure on the floor, and write your figures beside the predicted ones: **wheels off the ground first, a hand on the power switch, a clear lane, slow, an adult beside it**. A computed stopping distance is no guarantee: a slope, a wet patch or a worn tyre make it longer. Software is not a safety function. Nor does a plain switch become a certified one by cutting the power; it is the least that belongs on a trolley, because it works when the program hangs. What your machine needs beyond it, its maker, your site's rules and qualified people say.
#
# `robotlab compare my_pictures --recordings c`, in a terminal, puts both trackers through your own labeled pictures and some walks, and writes a report.

# %% [markdown]
# ## What to remember
#
# - Choose the leading number and the difference that matters before you look.
# - A walk is one test, however many pictures it has. Compare walk by walk.
# - Decide by the interval, not by the mean; and "more walks" is an answer.
# - "The simple one is enough here" is a result. So is "the detector is worth its price". Both name the walks and the light.
# - A mean forgives a contact. You should not.
# - A usable distance ends at the first dip of the curve.
# - Predict, then measure. Where the two part, there is something to find out.
#
# ## Sources
#
# - Paired differences and t: Student, *The probable error of a mean*, Biometrika 6:1-25, 1908.
# - Working band: R. Hartley, A. Zisserman, *Multiple View Geometry in Computer Vision*, 2nd ed., chapter 6.
# - Gain limit of a sampled loop: S. Levin, R. May, Theoretical Population Biology 9:178-187, 1976 (from memory).
# - Stopping: L. Biagiotti, C. Melchiorri, *Trajectory Planning for Automatic Machines and Robots*, 2008, chapter 3.
# - A gain margin of 2, a share of 0.8, 0.10 m that matter: common practice or our own choice, no source.
# - Stop categories and the order of measures: IEC 60204-1, ISO 12100, named from secondary reading.
