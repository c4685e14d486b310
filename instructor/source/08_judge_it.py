# %% [markdown]
# # Lesson 08: judge it
#
# **What you will have** at the end: two trackers judged on pictures that they have never seen, a sentence about them that says no more than the numbers allow, and a report page for results of your own.
#
# **You will be able to**
# - say which detections are right, and count precision and recall from them;
# - work out average precision by hand, and ask which of its three definitions somebody used;
# - choose a score threshold for a robot instead of for a table;
# - say at which sizes, distances and lamps a tracker fails;
# - put an interval beside a share, and tell a difference from luck;
# - notice when a test flatters.
#
# **Time**: 50 minutes, and ten more where a task holds you up; before part 8 is a good place for a break. **Needs**: lessons 03 and 05 (color tracker, IoU). Lesson 07 explains the detector; here it is only used.
#
# **Cautions**: nothing moves here. A good figure from a desk is no permission to drive: it says nothing of delay, of stopping, or of people in the way. All pictures are rendered, unless they are yours.

# %% [markdown]
# ## 1. Which detections are right?
#
# A **truth** is a labeled box: this is really there. A **detection** is a box with a class and a score. It is *right* when it lies on a truth of its class with an IoU of at least 0.5. Two more rules: the surest detection chooses first, and each truth can be found **once**.
#
# **Predict.** Two posts, A and B, and five detections:
#
# | | score | where |
# |---|---|---|
# | 1 | 0.9 | on A, a little to the right |
# | 2 | 0.8 | on A, lying better than detection 1 |
# | 3 | 0.6 | on the upper half of B |
# | 4 | 0.5 | on B, a little to the right |
# | 5 | 0.3 | on nothing |
#
# How many of the five are right?

# %%
import math

import matplotlib.pyplot as plt
import numpy as np

from robotlab import boxes, scoring
from robotlab.practice import nudge, verify

truths = np.array([[0, 0, 10, 30], [20, 0, 30, 30]], float)
found = np.array([[1, 0, 11, 30], [0, 0, 10, 28], [20, 0, 30, 14], [22, 0, 32, 30], [50, 0, 60, 30]], float)
sure = np.array([0.9, 0.8, 0.6, 0.5, 0.3])

overlaps = boxes.iou(found, truths)
matched = scoring.match(found, sure, truths, iou_limit=0.5)
print("score   IoU with A   with B   found")
for score, (with_a, with_b), truth in zip(sure, overlaps, matched.truth):
    print(f"{score:5.1f} {with_a:12.2f} {with_b:8.2f}   {'AB'[truth] if truth >= 0 else 'nothing: false'}")

# %% [markdown]
# **Why.** Two are right. Detection 2 lies better on A, but A is taken: it is a **duplicate**, and false. Detection 3 covers less than half of B: **poor overlap**. Detection 5 is **background**. A post that nobody finds would be **missed**; here there is none.
#
# Why the surest, and not the best fitting? Because the tracker does not know its overlaps. In use there are no truths, and the score is all you have to go by.
#
# **Task 1.** Write `match_boxes(overlaps, scores, iou_limit)`, which gives for each detection the place of the truth that it found, or -1.

# %% tags=["starter"]
def match_boxes(overlaps, scores, iou_limit):
    """Place of the truth that each detection found, -1 where it found none: an array (D,) of int.

    overlaps: (D, G) array, IoU of each detection with each truth.  scores: (D,) array.
    The surest detection chooses first; of equal scores the earlier.  It takes the truth that it overlaps
    most of those still free, if that IoU is at least iou_limit.
    """
    ...


# %% tags=["worked"]
def match_boxes(overlaps, scores, iou_limit):
    """Place of the truth that each detection found, -1 where it found none: an array (D,) of int.

    overlaps: (D, G) array, IoU of each detection with each truth.  scores: (D,) array.
    The surest detection chooses first; of equal scores the earlier.  It takes the truth that it overlaps
    most of those still free, if that IoU is at least iou_limit.
    """
    place = np.full(len(scores), -1)
    taken = []
    for detection in np.argsort(-scores, kind="stable"):
        best = -1
        for truth in range(overlaps.shape[1]):
            if truth in taken or overlaps[detection, truth] < iou_limit:
                continue
            if best < 0 or overlaps[detection, truth] > overlaps[detection, best]:
                best = truth
        if best >= 0:
            place[detection] = best
            taken.append(best)
    return place


# %% tags=["verify"]
verify(match_boxes)

# %% [markdown]
# Stuck? Run `nudge(match_boxes)` in a new cell; each call says a little more.

# %% [markdown]
# ## 2. Two shares
#
# - **Precision**: of what the tracker said, how much is right? right / detections.
# - **Recall**: of what is there, how much was found? right / truths.
#
# The **threshold** decides what the tracker says: detections with a lower score are dropped. Go down the list from the best score, and both shares change with every step.
#
# **Predict.** You lower the threshold. Can recall fall? Can precision rise?

# %%
hits = matched.hits
precision, recall = scoring.precision_recall(hits, len(truths))
print("score at least   detections   right   precision   recall")
for n, (score, right) in enumerate(zip(sure, np.cumsum(hits)), start=1):
    print(f"{score:14.1f} {n:12d} {right:7d} {precision[n - 1]:11.2f} {recall[n - 1]:8.2f}")

# %% [markdown]
# **Why.** Recall never falls: what is found stays found. Precision falls with every false detection and rises with every right one: here from 0.33 back to 0.50. So there is no *one* precision of a tracker. A precision without its threshold, or without the recall beside it, says nothing: a tracker that says one sure thing a day has a precision of 1.
#
# **Task 2.** Write `precision_recall(hits, truths)`, both shares after each detection.

# %% tags=["starter"]
def precision_recall(hits, truths):
    """Precision and recall after each detection, (precision, recall): two arrays (D,) of float.

    hits: (D,) array of bool, best score first: was the detection right?
    truths: how many things there are to find, the missed ones included; 1 or more.
    """
    ...


# %% tags=["worked"]
def precision_recall(hits, truths):
    """Precision and recall after each detection, (precision, recall): two arrays (D,) of float.

    hits: (D,) array of bool, best score first: was the detection right?
    truths: how many things there are to find, the missed ones included; 1 or more.
    """
    right = np.cumsum(hits)
    so_far = np.arange(1, len(hits) + 1)
    return right / so_far, right / truths


# %% tags=["verify"]
verify(precision_recall)

# %% [markdown]
# ## 3. One number for the whole list
#
# Draw precision against recall, from the best score down. The area under it is the **average precision**, AP: 1 when every thing is found before the first false detection. Precision zigzags, so it is first made to *fall*: each value becomes the best of itself and all that come after. Then there are three definitions in use:
# - **11 levels**: the mean of the falling precision at recall 0, 0.1, ... 1 (VOC until 2009);
# - **all points**: the area itself (VOC from 2010 on);
# - **101 levels**: the mean at recall 0, 0.01, ... 1 (COCO).
#
# **Predict.** The shortest list with a zigzag: right, false, right, and two things to find. Falling precision is 1, then 2/3. On paper: what is the area? Will the other two be larger or smaller?

# %%
lists = {
    "right, false, right; of 2": ("101", 2),
    "false, right; of 1": ("01", 1),
    "right, false; of 1": ("10", 1),
    "one right; of 2": ("1", 2),
    "24 detections; of 15": ("101000000101110000000010", 15),
}
print(f"{'':<27}11 levels   all points   101 levels")
for name, (marks, count) in lists.items():
    values = [scoring.average_precision([mark == "1" for mark in marks], count, method) for method in ("voc11", "voc", "coco")]
    print(f"{name:<27}{values[0]:9.4f} {values[1]:12.4f} {values[2]:12.4f}")

# %% [markdown]
# **Why.** The area is ½ · 1 + ½ · ⅔ = 0.8333. Of 11 levels, six (0 to 0.5) read 1 and five read ⅔: (6 + 5 · ⅔) / 11 = 0.8485. Of 101, fifty-one read 1: 0.8350. Rows 2 and 3 show that order is everything: the same two detections, and half the AP when the false one is surer. Row 4: what was missed counts, though no detection tells of it.
#
# The last row is a published list (Padilla and others, 2020), printed there as 26.84 % and 24.56 % (0.24569, cut off and not rounded). Two points (0.02) of AP, and nothing has changed but the definition. Ask which one, before you compare.

# %% tags=["nbval-ignore-output"]
marks, count = lists["24 detections; of 15"]
precision, recall = scoring.precision_recall([mark == "1" for mark in marks], count)
falling = np.maximum.accumulate(precision[::-1])[::-1]
figure, ax = plt.subplots(figsize=(5.6, 3.2), layout="constrained")
ax.plot(recall, precision, "o-", color="#0072b2", markersize=4, linewidth=1, label="precision as it comes")
ax.plot([0, *recall, recall[-1]], [falling[0], *falling, 0], "--", color="#d55e00", drawstyle="steps-pre", linewidth=2, label="made to fall")
ax.set(xlim=(0, 1), ylim=(0, 1.05), xlabel="recall", ylabel="precision", title="the published list: 7 of 15 found")
_ = ax.legend(frameon=False)

# %%
levels = {}
for height, reach in zip(falling[np.diff(recall, prepend=0) > 0], recall[np.diff(recall, prepend=0) > 0]):
    levels[height] = reach
print("falling precision: " + ", ".join(f"{height:.2f} up to recall {reach:.2f}" for height, reach in levels.items()))

# %% [markdown]
# **Task 3.** Write `average_precision(hits, truths)` by all points. Your `precision_recall` will help.

# %% tags=["starter"]
def average_precision(hits, truths):
    """Average precision by all points: the area under precision against recall, a number from 0 to 1.

    hits: (D,) array of bool, best score first: was the detection right?
    truths: how many things there are to find, the missed ones included; 1 or more.
    Where precision rises again further down the list, the better value counts from the left on.
    """
    ...


# %% tags=["worked"]
def average_precision(hits, truths):
    """Average precision by all points: the area under precision against recall, a number from 0 to 1.

    hits: (D,) array of bool, best score first: was the detection right?
    truths: how many things there are to find, the missed ones included; 1 or more.
    Where precision rises again further down the list, the better value counts from the left on.
    """
    precision, recall = precision_recall(hits, truths)
    best_to_come = np.maximum.accumulate(precision[::-1])[::-1]
    widths = np.diff(recall, prepend=0)
    return np.sum(best_to_come * widths)


# %% tags=["verify"]
verify(average_precision)

# %% [markdown]
# ## 4. Two trackers, seven new recordings
#
# Both learn from the same 116 pictures of four recordings: the color tracker its bands (lesson 03), the detector its head (lesson 07). Both are judged on 203 pictures of seven *other* recordings. Two lamps of those, warm and grow, are on none of the pictures that they learn from.

# %% tags=["nbval-ignore-output"]
from robotlab.color import ColorTracker
from robotlab.course import shipped
from robotlab.dataset import open_dataset
from robotlab.detector import fit

data = open_dataset(shipped("datasets/greenhouse"))
learn = data.only(recordings=("day1", "day2", "overcast1", "dusk1"))
test = data.only(recordings=("day4", "overcast3", "dusk3", "warm1", "warm2", "grow1", "grow2"))
trackers = {"color": ColorTracker.from_dataset(learn), "detector": fit(learn)}

# %%
def look(tracker, pictures):
    """What a tracker finds in each picture, low scores included."""
    return [tracker.find(pictures.load(entry)) for entry in pictures]


seen = {name: look(tracker, test) for name, tracker in trackers.items()}
judged = {name: scoring.judge(test, found, name) for name, found in seen.items()}
print(f"{len(learn)} pictures to learn from, {len(test)} to judge on, with {judged['color'].counted.sum()} things to find")

# %% [markdown]
# **AP50** is the AP of part 3 at an IoU of at least 0.50, by 101 levels, for each class, and then the mean over the classes. **AP** alone (COCO) is the mean of ten such numbers, at IoU 0.50, 0.55, ... 0.95: it also asks how well the boxes sit.
#
# **Predict.** AP50 of the color tracker and of the detector: near 0.3, 0.5, 0.7 or 0.9? Which of the three classes is the hardest?

# %% tags=["approximate"]
print(f"{'':<10}{'AP50':>6}{'AP75':>6}{'AP':>6}     AP50 of each class")
for name, one in judged.items():
    classes = ", ".join(f"{kind} {row['AP50']:.2f}" for kind, row in one.per_class.items())
    print(f"{name:<10}{one.AP50:6.2f}{one.coco['AP75']:6.2f}{one.AP:6.2f}     {classes}")

# %%
print("The detector has the higher AP50 in every class:", all(judged["detector"].per_class[kind]["AP50"] > judged["color"].per_class[kind]["AP50"] for kind in test.classes))

# %% [markdown]
# **Why.** The crate is the hardest for the color tracker; part 6 shows why. Two of the seven recordings are lit by a warm lamp, which no band learned by day survives, and two by a grow lamp. Part 7 takes the figures apart. The AP of both is far below their AP50: many boxes that count at 0.5 do not at 0.75.

# %% [markdown]
# ## 5. Where to put the threshold
#
# **Try.** Mouse or arrow keys. The point moves along the curve, the boxes come and go.
# 1. Lower *score at least* to 0.05. What do the new boxes lie on? Then raise it to 0.9. Which things are lost first, near or far ones?
# 2. Where is F1 best? Compare the place with the crossing of the two lines on the right, where a detection is as often right as false.
# 3. Raise *IoU at least* to 0.8. The curve sinks. Which boxes turn from solid to dashed *and* dotted?
# 4. Choose things 1, the posts alone. How far up must the threshold go until not one false post is left? How many posts does that cost?

# %% tags=["explore"]
from robotlab.widgets import ThresholdCurve

curve = ThresholdCurve(test, seen["detector"], ids=(254, 305, 356))
curve

# %% tags=["still"] picture="threshold" alt="Above, left, precision against recall: precision stays near 1 up to a recall of about 0.8 and then falls steeply; a point marks the threshold with the best F1. Right, counts of right and of false detections by score: false ones fall, right ones rise, and they cross near the threshold. Below, three rendered pictures with solid boxes for right, dashed for false detections and dotted ones for missed things."
from IPython.display import Image

from robotlab.picture import decode, encode

Image(encode(decode(curve.picture), "png", effort=9))

# %% [markdown]
# *Above, as a still for those who have not run the cell.*
#
# **Why.** **F1** = 2 · right / (detections + truths), which is 2 · right / (2 · right + false + missed): a false detection counts exactly like a missed thing. One more detection raises F1 as long as its chance of being right is more than half of F1 itself. So the best place lies a little *below* the crossing. For a table that is fair.
#
# For a trolley it is not. A *missed* post lets it coast and wait for the next picture, a tenth of a second later. A *false* post steers it: at a drum, at a pole, at an orange tray. So give each error its price, and take the threshold where the sum is least.
#
# **Predict.** Let one false post cost as much as five missed ones. Does the threshold go up or down, and do the misses double?

# %% tags=["approximate"]
posts = judged["detector"].curve("post")
right = np.cumsum(posts.hit)
false = np.arange(1, len(right) + 1) - right
missed = posts.truths - right
prices = (1, 5, 20)
chosen = [int(np.argmin(price * false + missed)) for price in prices]
print(f"{posts.truths} posts in {len(test)} pictures")
print("one false post costs   threshold   false   missed   precision   recall")
for price, k in zip(prices, chosen):
    print(f"{price:12d} missed {posts.score[k]:13.2f} {false[k]:7d} {missed[k]:8d} {posts.precision[k]:11.2f} {posts.recall[k]:8.2f}")

# %%
print("The dearer a false post, the higher the threshold:", bool((np.diff(posts.score[chosen]) >= 0).all()))
print("and the fewer false posts, the more missed ones:", bool((np.diff(false[chosen]) <= 0).all() and (np.diff(missed[chosen]) >= 0).all()))

# %% [markdown]
# **Why.** Up, and the misses grow by far less than the price: most posts have scores well above it. There is no right threshold, only a right one *for a use*. One caution: this one was chosen on the very pictures that it is now judged on, so it is a little rosy. `fit` keeps a recording apart for it, and notes what it chose.

# %% tags=["approximate"]
noted = trackers["detector"].facts["best_score"]
here = judged["detector"].curve()
print(f"chosen on a recording kept apart: {noted:.2f}, F1 here {here.at(noted)['F1']:.3f}")
print(f"chosen here: {here.best()['score']:.2f}, F1 here {here.best()['F1']:.3f}")

# %% [markdown]
# ## 6. What kind of error? And what is a score worth?
#
# Each false detection has a reason (part 1), and each reason has another repair: *poor overlap* wants better boxes, *background* wants pictures of whatever it is that lies there, *wrong class* wants a better eye.
#
# **Predict.** At its best F1, what is the color tracker's most frequent error? And the detector's?

# %% tags=["approximate"]
kinds = list(judged["color"].errors)
print(f"{'':<10}" + "".join(f"{kind:>14}" for kind in kinds))
for name, one in judged.items():
    print(f"{name:<10}" + "".join(f"{one.errors[kind]:14d}" for kind in kinds))

print("\nThe detector in detail: what it is (rows), what it was taken for (columns)")
columns = [*test.classes, "nothing"]
print(f"{'':<12}" + "".join(f"{column:>10}" for column in columns))
for name, row in zip([*test.classes, "background"], judged["detector"].confusion):
    print(f"{name:<12}" + "".join(f"{number:10d}" for number in row))

# %% [markdown]
# **Why.** Missing is the most frequent error of both. The detector has few false boxes, and no kind leads by much. Of *wrong class*, most are far crates under the magenta grow lamp, taken for buckets: the lamp took their yellow. Those that touch no labeled thing, looked at one by one, were mostly orange trays and terracotta pots ("crate") and a blue drum behind leaves ("bucket"), things that are not labeled and look like things that are. The color tracker has nearly as many boxes of *poor overlap* as on background, and most of them lie on crates: a blob ends where its color ends, at a shadow or a slat, not where the thing ends.
#
# (The table counts as background what the line above calls poor overlap; and a wrong class only where the thing was not also found rightly.)
#
# The score of a detection looks like a chance of being right. It can be checked: take all detections with scores from 0.4 to 0.5, and count. A tracker whose 0.45 means 45 of 100 is called **calibrated**.
#
# **Predict.** Of the detector's boxes with a score near 0.45, how many of 100 are right? And of the color tracker's?

# %% tags=["approximate"]
print("score           color: boxes   right      detector: boxes   right")
for low, (a, b) in enumerate(zip(judged["color"].calibration["bins"], judged["detector"].calibration["bins"])):
    shares = [f"{row['count']:8d} {'-' if row['right'] is None else format(row['right'], '.2f'):>7}" for row in (a, b)]
    print(f"{a['low']:.1f} to {a['high']:.1f} {shares[0]:>25} {shares[1]:>28}")

# %% [markdown]
# **Why.** Compare each share with the scores at the left of its row. Where it is lower, the tracker was too sure of itself; where it is higher, not sure enough. The color tracker is the one, then the other: of its boxes at 0.2 to 0.3 only 6 in 100 are right, of those at 0.5 to 0.6 it is 87. A score *orders* the detections of one tracker. It is not a chance until you have counted; and as the two columns show, one score can be worth different chances with different trackers. One threshold for both would be unfair to one.

# %% [markdown]
# ## 7. Where does it fail?
#
# One figure for all hides where the errors are. We take recall apart: by the size of the box, by distance, by lamp. Each tracker is used at its own best F1. (The last column, and the bars in the figure, say how sure the recall is; part 8 explains that.)
#
# **Predict.** From which size on does the detector find four of five things: 4, 8, 16 or 48 pixels? And under which of the five lamps does the color tracker fail?

# %% tags=["approximate"]
def by_step(rows_of_both, unit):
    print(f"{unit:<18}{'things':>7}{'color':>8}{'detector':>10}   95 % of the detector")
    for (step, a), (_, b) in zip(*rows_of_both):
        if a["truths"]:
            low, high = b["recall_interval"]
            print(f"{step:<18}{a['truths']:7d}{a['recall']:8.2f}{b['recall']:10.2f}   {low:.2f} to {high:.2f}")


def named(row):
    return f"{row['from_px']:.0f} to {row['to_px']:.0f}" if row["to_px"] else f"{row['from_px']:.0f} and more"


by_step([[(named(row), row) for row in one.recall_by_size] for one in judged.values()], "side of box, px")
print()
by_step([list(one.per_distance.items()) for one in judged.values()], "distance")

# %% tags=["approximate"]
print(f"AP50 {'':<10}" + "".join(f"{lamp:>10}" for lamp in test.lamps))
for name, one in judged.items():
    print(f"{name:<15}" + "".join(f"{one.per_lamp[lamp]['AP50']:10.2f}" for lamp in test.lamps))

# %% tags=["nbval-ignore-output"]
from robotlab.plots import plot_groups, plot_recall_by_size

figure, axes = plt.subplots(1, 2, figsize=(9, 3.2), layout="constrained")
plot_recall_by_size(axes[0], judged)
_ = plot_groups(axes[1], judged, "per_lamp")

# %%
small = [sum(row["truths"] for row in one.recall_by_size if row["to_px"] and row["to_px"] <= 16) for one in judged.values()][0]
print(f"things with a side under 16 px: {small} of {judged['color'].counted.sum()}")
print("The color tracker's worst lamp:", min(test.lamps, key=lambda lamp: judged["color"].per_lamp[lamp]["AP50"]))

# %% [markdown]
# **Why.** Below about 16 pixels the detector begins to miss. Small is far (lesson 02), and nearly a third of all things here have a side under 16 pixels. So the overall recall is a statement about *this mixture* of near and far; in a smaller greenhouse the same tracker would have a better one. The rows carry over: find the smallest size that is good enough for you, and lesson 02 turns it into meters for your camera.
#
# By lamp the two trackers differ most: under the warm one the color tracker is nearly blind, and the detector hardly notices: it learns each picture under several invented lights. One mean over the lamps hides both facts. But look twice: daylight, overcast and dusk are *one* recording each here. What looks like the lamp may be the room. Part 8 comes back to this.

# %% [markdown]
# ## 8. How sure is a number?
#
# **Predict.** A tracker finds 8 of 10 things. You want to promise a share for the next thousand, and be wrong in one promise of twenty. Which range: 0.75 to 0.85, 0.6 to 0.95, or 0.5 to 0.95?

# %%
for hits, trials in ((8, 10), (80, 100), (800, 1000), (0, 20)):
    low, high = scoring.wilson(hits, trials)
    share = hits / trials
    textbook = 1.96 * np.sqrt(share * (1 - share) / trials)
    print(f"{hits:4d} of {trials:4d}: {share:.2f}   Wilson's interval {low:.3f} to {high:.3f}   plain formula {share:.2f} ± {textbook:.3f}")

# %% [markdown]
# **Why.** Ten trials say little: 0.49 to 0.94. The interval shrinks with the *root* of the number: a hundred times as many pictures for a tenth of the width. And 0 of 20 does not mean never: up to 16 % agrees with it. The plain formula p ± z · √(p(1 − p) / n) says "0 ± 0" there; Wilson's does not, and it never leaves 0 to 1.
#
# **Task 4.** Write `wilson_interval(hits, trials)`. With p = hits / trials, n = trials, z = 1.96:
#
# (p + z² / (2n) ± z · √(p(1 − p) / n + z² / (4n²))) / (1 + z² / n)

# %% tags=["starter"]
def wilson_interval(hits, trials):
    """Wilson's 95 % interval for the share hits / trials, (low, high), each from 0 to 1; z = 1.96.

    hits: how many were right.  trials: how many there were, 1 or more.
    """
    ...


# %% tags=["worked"]
def wilson_interval(hits, trials):
    """Wilson's 95 % interval for the share hits / trials, (low, high), each from 0 to 1; z = 1.96.

    hits: how many were right.  trials: how many there were, 1 or more.
    """
    z, p, n = 1.96, hits / trials, trials
    middle = p + z * z / (2 * n)
    half = z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)


# %% tags=["verify"]
verify(wilson_interval)

# %% [markdown]
# ### Frames are not dice
#
# Wilson's formula, like every such formula, takes the trials as independent. Frames of one recording are not: the same floor, the same lamp, the same crate from a step further on. 29 frames of one room are nearer to *one* look at a room than to 29.
#
# The **bootstrap** shows what that means. Draw from the test pictures at random, with repeats, as many as there are; compute AP50; do that a thousand times and keep the middle 95 %. First we draw single pictures. Then we draw whole recordings.
#
# **Predict.** Which interval is wider, and by how much?

# %% tags=["approximate"]
detector = judged["detector"]
groups = {"pictures": range(len(test)), "recordings": detector.recordings}
spread = {}
for what, group in groups.items():
    count = len(set(group))
    values = detector.resampled(scoring.resample_weights(count, 1000), group, [0.5])[:, 0]
    low, high = spread[what] = np.percentile(values, [2.5, 97.5])
    print(f"AP50 {detector.AP50:.2f}; drawn from {count:3d} {what:<10} 95 %: {low:.2f} to {high:.2f}")
print("each recording: " + ", ".join(f"{name} {row['AP50']:.2f}" for name, row in detector.per_recording.items()))

# %%
width = {what: high - low for what, (low, high) in spread.items()}
print("Recordings give an interval more than one and a half times as wide:", bool(width["recordings"] > 1.5 * width["pictures"]))

# %% [markdown]
# **Why.** The two answer different questions. Drawn from pictures: how good would it be on *other pictures of these seven recordings*? Drawn from recordings: how good would it be in *another recording of this kind*, another room at another hour? The second is what you want to know, and the recordings differ far more than the frames in them. So count rooms, not frames: seven, not 203. (With so few recordings even the wider interval is a rough guide.) More frames of the same rooms make the first interval narrow and hardly change the second.
#
# **Predict.** You label only 20 test pictures, drawn from all seven recordings. By how much can AP50 come out wrong?

# %% tags=["approximate"]
rng = np.random.default_rng(8)
for size in (5, 20, 50, 100):
    weights = np.zeros((500, len(test)))
    for row in weights:
        row[rng.choice(len(test), size, replace=False)] = 1
    values = detector.resampled(weights, range(len(test)), [0.5])[:, 0]
    low, high = np.percentile(values, [2.5, 97.5])
    print(f"{size:3d} test pictures: AP50 from {low:.2f} to {high:.2f} in 95 of 100 drawings; all {len(test)} give {detector.AP50:.2f}")

# %% [markdown]
# **Why.** With five pictures the same tracker comes out as middling or as perfect. Whoever tries ten settings on such a test keeps the luckiest, not the best.

# %% [markdown]
# ## 9. Which one is better?
#
# Two trackers have looked at the *same* things, so pair them up: found by both, by A alone, by B alone, by neither. What both or neither found says nothing about the difference. Only the two other counts do; if the trackers are equally good, each of those things is like the toss of a coin.
#
# **Predict.** A alone found 12 things, B alone 4. How often do 16 tosses of a fair coin fall 12 to 4 or more unevenly, either way: once in 5 times, in 13, in 100?

# %%
for only_a, only_b in ((12, 4), (24, 8), (6, 0), (5, 0), (60, 52)):
    print(f"{only_a:2d} against {only_b:2d}: chance alone does that in {100 * scoring.mcnemar(only_a, only_b)[1]:5.2f} of 100 cases")

# %% [markdown]
# **Why.** This is **McNemar's test**. Its p of 0.077 for 12 to 4 is once in 13: custom asks for less than once in 20 (0.05) before one says "better". Twice the things in the same proportion, 24 to 8, are beyond it. Five to nothing is not.
#
# **Task 5.** Write `mcnemar_p(only_a, only_b)`. Of the 2ⁿ ways that n tosses can fall, `math.comb(n, k)` show k heads.

# %% tags=["starter"]
def mcnemar_p(only_a, only_b):
    """Exact p of McNemar's test, two-sided: how often chance alone splits the things at least as unevenly, 0 to 1.

    only_a, only_b: how many things only tracker A, and only tracker B, found.
    """
    ...


# %% tags=["worked"]
def mcnemar_p(only_a, only_b):
    """Exact p of McNemar's test, two-sided: how often chance alone splits the things at least as unevenly, 0 to 1.

    only_a, only_b: how many things only tracker A, and only tracker B, found.
    """
    tosses = only_a + only_b
    ways = sum(math.comb(tosses, heads) for heads in range(min(only_a, only_b) + 1))
    return min(1, 2 * ways / 2**tosses)


# %% tags=["verify"]
verify(mcnemar_p)

# %% [markdown]
# Now two questions to real trackers. The first is easy: color or detector? The second is one you will ask yourself: you have labeled 58 pictures; **is it worth labeling 58 more?** We train a second detector on every other picture of the first one's.
#
# **Predict.** AP50 with half the pictures: the same, 2 points less, 10 points less? And will the test call one of the two better?

# %% tags=["nbval-ignore-output"]
half = learn.having(learn.pictures[::2])
few = fit(half, progress=False)
with_half = scoring.judge(test, look(few, test), "half as many")

# %% tags=["approximate"]
for other in (judged["color"], with_half):
    result = scoring.compare_judgements(other, judged["detector"])
    neither = result.truths - result.found_a - result.only_b
    print(f"{other.name} against detector: both found {result.found_a - result.only_a}, {other.name} alone {result.only_a}, detector alone {result.only_b}, neither {neither}")
    print(f"   {result}\n")

# %%
clear = scoring.compare_judgements(judged["color"], judged["detector"])
print("Color or detector, better beyond chance:", clear.surer)

# %% [markdown]
# **Why.** `compare_judgements` asks two things: McNemar's test, thing by thing (which believes that frames are dice), and whether the difference of AP50 keeps its sign when *recordings* are drawn, the same ones for both. It calls one better only when both answers agree.
#
# Read the second sentence slowly, whichever it is. *Could be chance* is not *equal*: all differences in the interval agree with what we saw. And *more than chance explains* is not *much*: whether a point or two is worth an afternoon of labeling, no test can say. What you may write down either way is the interval itself: so much at least, and so much at most, have the second 58 pictures brought on recordings like these. (One may find more things and have the lower AP50: things are counted at one threshold, each tracker's own; AP looks at all thresholds.)
#
# Would a fifth room bring more than more frames of the same four? You now know how to find out.

# %% [markdown]
# ## 10. A test that flatters
#
# All of the above had one condition: the test recordings are new. It is broken by accident when somebody shuffles all pictures and keeps some of them for the test. How much does that flatter? We break it on purpose.
#
# Eight recordings, "rooms" for short, four and four, in the same three kinds of light. One tracker learns every other frame of the first four, one every other frame of the second four: 58 pictures each. Then both are judged on the frames **between**, room by room. In each room one of the two is a **neighbor**, which has learned from the frames before and after, and one a **stranger**. Each of the two is the neighbor in four rooms and the stranger in the other four, so that it does not matter which of them is better.
#
# **Predict.** In how many of the eight rooms does the neighbor have the higher AP50? By how much, on average?

# %% tags=["nbval-ignore-output"]
rooms = {"first": learn, "second": data.only(recordings=("day3", "day4", "overcast3", "dusk3"))}


def every_other(pictures, start):
    """Every other picture, from the first (0) or the second (1) on."""
    return pictures.having(pictures.pictures[start::2])


pupils = {"first": {"color": ColorTracker.from_dataset(every_other(learn, 0)), "detector": few}}
frames = every_other(rooms["second"], 0)
pupils["second"] = {"color": ColorTracker.from_dataset(frames), "detector": fit(frames, progress=False)}

# %% tags=["approximate"]
flattery = {}
for name in trackers:
    print(f"{name:<10}" + " ".join(f"{room:>10}" for part in rooms.values() for room in part.recordings))
    ap50 = {"neighbor": [], "stranger": []}
    for own, other in (("first", "second"), ("second", "first")):
        frames = every_other(rooms[own], 1)
        for who, pupil in (("neighbor", pupils[own]), ("stranger", pupils[other])):
            ap50[who] += [row["AP50"] for row in scoring.judge(frames, look(pupil[name], frames)).per_recording.values()]
    for who, values in ap50.items():
        print(f"  {who:<8}" + " ".join(f"{value:10.2f}" for value in values))
    flattery[name] = np.subtract(ap50["neighbor"], ap50["stranger"])
    means = scoring.resample_weights(8, 1000) @ flattery[name] / 8
    low, high = np.percentile(means, [2.5, 97.5])
    ahead = int((flattery[name] > 0).sum())
    print(f"  neighbor ahead in {ahead} of 8 rooms, by {flattery[name].mean():.3f} on average; drawn from rooms, 95 %: {low:+.3f} to {high:+.3f}\n")

more = flattery["color"] - flattery["detector"]
low, high = np.percentile(scoring.resample_weights(8, 1000) @ more / 8, [2.5, 97.5])
print(f"color's lead minus the detector's, room by room: {more.mean():+.3f} on average, 95 %: {low:+.3f} to {high:+.3f}")

# %%
print("The neighbor is ahead on average:", {name: bool(gaps.mean() > 0) for name, gaps in flattery.items()})

# %% [markdown]
# **Why.** The stranger's figure is what you would get in a new room. The neighbor's is what a shuffled test would have promised. It did not learn posts and crates better; it learned *these rooms*: their floor, their exposure, the shade of their crates. The frames between are no copies, only relatives, and that is enough.
#
# Is the color tracker flattered more than the detector? It may well be: its bands are the colors of things *in the light of these rooms*. The last line asks the eight rooms, pair by pair; where 0 lies in its interval, they do not tell. The direction they do tell, for both. So **split by recording**, always (`robotlab.dataset.split_by_recording`). And when a figure is too good, ask first what the test shares with the training.

# %% [markdown]
# ## 11. What AP does not say
#
# A trolley follows one post, picture after picture. AP knows neither *one* nor *after*.
#
# **Predict.** Two trackers see the post in 50 of 100 pictures and are never wrong. One misses every second picture, the other misses the first 50. Which AP is higher? Which would you drive with? And a box on a post at 2 m that is just over half as tall as the post: does it count as right, and what distance does the trolley read from it?

# %%
from robotlab.follow import default_camera

PICTURES_PER_S = 10
finds = {"every second picture": np.arange(100) % 2 == 0, "the last 50 pictures": np.arange(100) >= 50}
for name, sees in finds.items():
    gap, longest = 0, 0
    for one in sees:
        gap = 0 if one else gap + 1
        longest = max(longest, gap)
    ap = scoring.average_precision(np.ones(sees.sum(), bool), len(sees))
    print(f"{name}: AP {ap:.3f}, longest time without a post {longest / PICTURES_PER_S:.1f} s")

camera = default_camera()
pixels, _ = camera.project(np.array([[2.0, 0.035, 0.5], [2.0, -0.035, 0.0]]))
post = np.array([*pixels[0], *pixels[1]])
upper_half = post.copy()
upper_half[3] = post[1] + 0.51 * (post[3] - post[1])
for name, box in (("the whole post", post), ("its upper half", upper_half)):
    right = scoring.match(np.array([box]), np.array([0.9]), np.array([post]), iou_limit=0.5).hits[0]
    distance_m = camera.distance_m(box, 0.5)
    print(f"{name}: IoU {boxes.iou([box], [post])[0, 0]:.2f}, right: {bool(right)}, distance read from its height {distance_m:.2f} m")

# %% [markdown]
# **Why.** The same AP, and 0.1 s blind or 5 s. The half box has an IoU of 0.51, so it *counts as right*, and the trolley believes the post to be nearly twice as far away and drives on. AP also does not know how long a picture takes, whether boxes tremble from frame to frame, or that a false post in front of the wheels is worse than one on the horizon. AP chooses between trackers of one kind at a desk; what matters on the floor is measured on the floor, or in the loop: lesson 12 does that.

# %% [markdown]
# ## On your own pictures
#
# Any tracker, in any language, can be judged: write what it found as a COCO-style results file, a JSON list with one row for each box,
#
# `[{"image_id": 1, "category_id": 1, "bbox": [x, y, width, height], "score": 0.9}, ...]`
#
# beside labels in the same style. Note a `recording` in each picture's record of the labels; without it all pictures count as one recording, and no honest interval is possible. In a terminal, in the folder you cloned (Windows: `.venv\Scripts\robotlab`):
#
# ```
# .venv/bin/robotlab checkup my_data
# .venv/bin/robotlab judge my_data --results my_results.json --html judged.html
# .venv/bin/robotlab judge my_data --with my_detector.onnx --recordings kitchen2,hall2 --html judged.html
# .venv/bin/robotlab compare my_data --model my_detector.onnx --recordings kitchen2,hall2 -o compared.html
# ```
#
# `my_data` is a folder with `labels.json` and `pictures/`. `judge` prints the tables of this lesson and writes the page below. The cell does the same in Python; put your own paths in. As long as there are none, it takes the color tracker's finds from this lesson.

# %% tags=["explore"]
import tempfile
from pathlib import Path

from robotlab.dataset import read_results, write_results
from robotlab.pages import judgement_page
from robotlab.widgets import Replay

my_data, my_results = "my_data", "my_results.json"
if Path(my_data).exists() and Path(my_results).exists():
    labeled, results, name = open_dataset(my_data), my_results, my_results
else:
    labeled, name = test, "color tracker"
    results = write_results(Path(tempfile.mkdtemp()) / "results.json", test, seen["color"])
mine = read_results(results, labeled)
judgement = scoring.judge(labeled, mine, name)
page = judgement_page(labeled, mine, judgement, name, "read from a results file")
Replay(page.html(), alt=f"The report of {name}: tables and figures by class, lamp, size and recording, and pictures with boxes.")

# %% tags=["approximate"]
print(judgement.text())

# %% [markdown]
# Find in the report (or in the text, which holds the same numbers):
# - the 95 % interval of AP50. How wide is it, and over how many recordings?
# - the lamp or recording with the lowest AP50. Would you drive there?
# - the commonest kind of error. Which repair does it call for?
# - six pictures with boxes. Is a labeled thing missing from the labels? A test is no better than its labels.
#
# Then write one sentence that you would sign: *On ... pictures of ... recordings that it has not learned from, ... finds ... of ... things at a score of ..., and between ... and ... are plausible elsewhere.*

# %% [markdown]
# ## What to remember
#
# - The surest chooses first, each thing is found once, and half an overlap will do: three rules make detections right or false.
# - Precision is a share of what was said, recall of what is there. Both need their threshold.
# - AP is one area by three definitions. Ask which.
# - Choose the threshold by what an error costs. A false post steers, a missed one waits.
# - Take a figure apart by size, distance and lamp before you believe it.
# - Intervals over recordings, not frames. Seven rooms are seven trials.
# - *Could be chance* is not *equal*, and *more than chance explains* is not *much*. The interval says how much.
# - A test that shares a recording with the training flatters.
# - AP does not drive.
#
# ## Sources
#
# - Matching and AP: M. Everingham et al., IJCV 88:303-338, 2010 (11 levels) and 111:98-136, 2015 (all points); T.-Y. Lin et al., *Microsoft COCO*, ECCV 2014, arXiv:1405.0312 (101 levels, ten IoU limits).
# - The published list: R. Padilla, S. Netto, E. da Silva, *A Survey on Performance Metrics for Object-Detection Algorithms*, IWSSIP 2020.
# - F1: C. van Rijsbergen, *Information Retrieval*, 1979. Calibration: C. Guo et al., ICML 2017, arXiv:1706.04599. Kinds of error: D. Hoiem et al., ECCV 2012.
# - Intervals: E. B. Wilson, J. Am. Stat. Assoc. 22:209-212, 1927; R. Newcombe, Stat. Med. 17:857-872, 1998. Bootstrap: B. Efron, Ann. Stat. 7:1-26, 1979.
# - Pairs: Q. McNemar, Psychometrika 12:153-157, 1947. Once in twenty is a custom that goes back to R. A. Fisher, 1925 (cited from memory).
