# %% [markdown]
# # Lesson 08: judge it
#
# **What you will have** at the end: the color detector and the trained detector judged on recordings that they have not learned from, a sentence about them that says no more than the numbers allow, and a report page for results of your own.
#
# **You will be able to**
# - count true positives, false positives and false negatives, and from them precision and recall;
# - work out average precision by hand, and ask which of its three definitions somebody used;
# - choose a confidence threshold for a robot instead of for a table;
# - say at which sizes, distances and in which light a detector fails;
# - put a confidence interval beside a figure, and tell a difference from luck;
# - notice data leakage.
#
# **Time**: two sittings of about 70 minutes each, tasks included. Stop after part 7. **Needs**: lessons 03 and 05 (color detector, IoU). Lesson 07 explains the trained detector; here it is only used.
#
# **Cautions**: nothing moves here. A good figure from a desk is no permission to drive: it says nothing of delay, of stopping, or of people in the way. All pictures are rendered, unless they are yours.

# %% [markdown]
# ## 1. True and false positives
#
# The labeled boxes, what is really there, are the **ground truth**; one such box is a truth for short. A **detection** is a box with a class and a score. Three rules decide which belong together, the **matching**: a detection matches a truth of its class if their IoU is at least 0.5; the detection with the highest score chooses first; and each truth can be matched only once. Every detection and every truth then falls into one of three groups:
#
# | | detected | not detected |
# |---|---|---|
# | it is there (a truth) | **true positive** (TP): a detection with its truth | **false negative** (FN): a truth without a detection |
# | it is not there | **false positive** (FP): a detection without a truth | **true negative** (TN): cannot be counted |
#
# This table is the simplest **confusion matrix**. Its last corner stays empty: nobody can count the places where nothing is and nothing was detected.
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
# How many of the five are true positives?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess("08.true", "How many of the five are true positives?", choices=range(6))

# %%
import math
import textwrap

import matplotlib.pyplot as plt
import numpy as np
from IPython.display import display

from robotlab import boxes, metrics
from robotlab.course import Table
from robotlab.practice import nudge, verify

truths = np.array([[0, 0, 10, 30], [20, 0, 30, 30]], float)
found = np.array(
    [[1, 0, 11, 30], [0, 0, 10, 28], [20, 0, 30, 14], [22, 0, 32, 30], [50, 0, 60, 30]],
    float,
)
scores = np.array([0.9, 0.8, 0.6, 0.5, 0.3])

overlaps = boxes.iou(found, truths)
matched = metrics.match_detections(found, scores, truths, iou_limit=0.5)
rows = []
for score, (with_a, with_b), truth in zip(scores, overlaps, matched.truth):
    became = f"true positive, matches {'AB'[truth]}" if truth >= 0 else "false positive"
    rows.append((f"{score:.1f}", with_a, with_b, became))
display(Table(("score", "IoU with A", "IoU with B", "is a"), rows, decimals=2))
compare_guess("08.true", f"{matched.hits.sum()} true positives")

# %% [markdown]
# **Why.** Two: TP = 2, FP = 3, FN = 0. Detection 2 lies better on A, but A is taken: it is a *duplicate*, which **non-maximum suppression** (NMS, lesson 05) should have removed. Detection 3 covers less than half of B: *poor overlap*. Detection 5 lies on *background*.
#
# Why does the highest score choose first, and not the best fit? Because the detector does not know its overlaps. In use there is no ground truth, and the score is all you have to go by.
#
# **Task 1.** Write `match_boxes(overlaps, scores, iou_limit)`, which gives for each detection the index of the truth that it matches, or -1.


# %% tags=["starter"]
def match_boxes(overlaps, scores, iou_limit):
    """Index of the truth that each detection matches, -1 for none: (D,) array of int.

    overlaps: (D, G) array, IoU of each detection with each truth.  scores: (D,) array.
    The highest score chooses first; of equal scores the earlier.  It takes the truth
    with the highest IoU of those still free, if that IoU is at least iou_limit.
    """
    ...


# %% tags=["worked"]
def match_boxes(overlaps, scores, iou_limit):
    """Index of the truth that each detection matches, -1 for none: (D,) array of int.

    overlaps: (D, G) array, IoU of each detection with each truth.  scores: (D,) array.
    The highest score chooses first; of equal scores the earlier.  It takes the truth
    with the highest IoU of those still free, if that IoU is at least iou_limit.
    """
    matches = np.full(len(scores), -1)
    taken = []
    for detection in np.argsort(-scores, kind="stable"):
        best = -1
        for truth in range(overlaps.shape[1]):
            if truth in taken or overlaps[detection, truth] < iou_limit:
                continue
            if best < 0 or overlaps[detection, truth] > overlaps[detection, best]:
                best = truth
        if best >= 0:
            matches[detection] = best
            taken.append(best)
    return matches


# %% tags=["verify"]
verify(match_boxes)

# %% [markdown]
# Stuck? Run `nudge(match_boxes)` in a new cell; each call says a little more.

# %% [markdown]
# ## 2. Precision and recall
#
# - **Precision**: of what was detected, how much is correct? True positives over detections.
# - **Recall**: of what is there, how much was found? True positives over truths.
#
# $$\text{precision} = \frac{\text{TP}}{\text{TP} + \text{FP}}$$
#
# $$\text{recall} = \frac{\text{TP}}{\text{TP} + \text{FN}}$$

# %% tags=["still"] picture="sets" alt="Two overlapping ellipses. The left one, dashed, holds the truths, the right one the detections. What they share is TP; the rest of the truths is FN, missed; the rest of the detections is FP, not there. Recall is TP as a part of the truths, precision TP as a part of the detections. TN, all the rest, lies outside and cannot be counted."
from robotlab.course import plot_precision_and_recall

figure, ax = plt.subplots(figsize=(6, 2.6), layout="constrained")
plot_precision_and_recall(ax)
plt.show()

# %% [markdown]
# The **confidence threshold** decides what counts as a detection: boxes with a lower score are dropped. Go down the list from the highest score, and both numbers change with every step.
#
# **Predict.** You lower the threshold. Can recall fall? Can precision rise?

# %% tags=["folded"]
# Your guess
guess(
    "08.lower",
    "You lower the threshold. What is possible?",
    choices=(
        "recall falls, precision rises",
        "recall falls, precision does not rise",
        "recall does not fall, precision rises",
        "neither",
    ),
)

# %%
hits = matched.hits
precision, recall = metrics.precision_recall(hits, len(truths))
rows = [
    (f"{score:.1f}", tp, n - tp, len(truths) - tp, precision[n - 1], recall[n - 1])
    for n, (score, tp) in enumerate(zip(scores, np.cumsum(hits)), start=1)
]
display(Table(("threshold", "TP", "FP", "FN", "precision", "recall"), rows, decimals=2))
falls, rises = bool((np.diff(recall) < 0).any()), bool((np.diff(precision) > 0).any())
compare_guess("08.lower", f"recall falls: {falls}; precision rises: {rises}")

# %% [markdown]
# **Why.** Recall never falls: what is found stays found. Precision falls with every false positive and rises with every true one: here from 0.33 back to 0.50. So a detector does not have *one* precision. A precision without its threshold, or without the recall beside it, says nothing: a detector that reports a single certain object a day has a precision of 1. And neither asks for a true negative, as accuracy would: that is why detectors are judged by these two.
#
# **Task 2.** Write `precision_recall(hits, truths)`, which gives both after each detection.


# %% tags=["starter"]
def precision_recall(hits, truths):
    """Precision and recall after each detection, (precision, recall): two arrays (D,).

    hits: (D,) array of bool, highest score first: is the detection a true positive?
    truths: number of ground-truth boxes, false negatives included; 1 or more.
    """
    ...


# %% tags=["worked"]
def precision_recall(hits, truths):
    """Precision and recall after each detection, (precision, recall): two arrays (D,).

    hits: (D,) array of bool, highest score first: is the detection a true positive?
    truths: number of ground-truth boxes, false negatives included; 1 or more.
    """
    true_positives = np.cumsum(hits)
    detections = np.arange(1, len(hits) + 1)
    return true_positives / detections, true_positives / truths


# %% tags=["verify"]
verify(precision_recall)

# %% [markdown]
# ## 3. Average precision
#
# Plot precision against recall, from the highest score down: the **precision-recall curve**. The area under it is the **average precision** (AP). It is 1 when every object is found before the first false positive. Precision zigzags, so it is first made to fall, by taking its *envelope*: each value becomes the highest of itself and all that come after. Then three definitions are in use:
# - *11 levels*: the mean of the envelope at recall 0, 0.1, ... 1 (VOC until 2009);
# - *all points*: the area itself (VOC from 2010 on);
# - *101 levels*: the mean at recall 0, 0.01, ... 1 (COCO).
#
# With the envelope $\tilde p$ over recall $r$, the area is
#
# $$\text{AP} = \int_0^1 \tilde p(r) \, dr, \qquad \tilde p(r) = \max_{r' \ge r} p(r')$$
#
# **Predict.** The shortest list with a zigzag: TP, FP, TP, and two truths. The envelope is 1, then 2/3. On paper: what is the area? Will the other two be larger or smaller?

# %% tags=["folded"]
# Your guess
guess("08.area", "What is the area under the envelope?")

# %%
lists = {
    "TP, FP, TP; 2 truths": ("101", 2),
    "FP, TP; 1 truth": ("01", 1),
    "TP, FP; 1 truth": ("10", 1),
    "TP; 2 truths": ("1", 2),
    "24 detections; 15 truths": ("101000000101110000000010", 15),
}
rows = []
for name, (marks, count) in lists.items():
    ranked = [mark == "1" for mark in marks]
    values = [
        metrics.average_precision(ranked, count, method)
        for method in ("voc11", "voc", "coco")
    ]
    rows.append((name, *values))
columns = ("11 levels", "all points", "101 levels")
display(Table(("list", *columns), rows, decimals=4))
compare_guess("08.area", f"{rows[0][2]:.4f}")

# %% [markdown]
# **Why.** The area is ½ · 1 + ½ · ⅔ = 0.8333. Of 11 levels, six (0 to 0.5) read 1 and five read ⅔: (6 + 5 · ⅔) / 11 = 0.8485. Of 101, fifty-one read 1: 0.8350. Rows 2 and 3 show that the order decides: the same two detections, and half the AP when the false positive has the higher score. Row 4: false negatives count, though no detection tells of them.
#
# The last row is a published list (Padilla and others, 2020), printed there as 26.84 % and 24.56 % (0.24569, cut off and not rounded). Two points (0.02) of AP, and nothing has changed but the definition. Ask which one, before you compare.

# %% tags=["folded", "nbval-ignore-output"]
marks, count = lists["24 detections; 15 truths"]
precision, recall = metrics.precision_recall([mark == "1" for mark in marks], count)
falling = np.maximum.accumulate(precision[::-1])[::-1]
figure, ax = plt.subplots(figsize=(5.6, 3.2), layout="constrained")
ax.plot(recall, precision, "o-", color="#0072b2", markersize=4, label="precision")
steps = [0, *recall, recall[-1]], [falling[0], *falling, 0]
style = {"color": "#d55e00", "drawstyle": "steps-pre", "linewidth": 2}
ax.plot(*steps, "--", **style, label="envelope")
ax.set(xlim=(0, 1), ylim=(0, 1.05), xlabel="recall", ylabel="precision")
ax.set_title("the published list: 7 TP, 8 FN")
ax.legend(frameon=False)
plt.show()

# %%
grows = np.diff(recall, prepend=0) > 0
levels = dict(zip(falling[grows], recall[grows]))
for height, reach in levels.items():
    print(f"envelope {height:.2f} up to recall {reach:.2f}")

# %% [markdown]
# **Task 3.** Write `average_precision(hits, truths)` by all points. Your `precision_recall` will help.


# %% tags=["starter"]
def average_precision(hits, truths):
    """Average precision by all points: area under the precision-recall curve, 0 to 1.

    hits: (D,) array of bool, highest score first: is the detection a true positive?
    truths: number of ground-truth boxes, false negatives included; 1 or more.
    Where precision rises again at higher recall, the higher value counts before, too.
    """
    ...


# %% tags=["worked"]
def average_precision(hits, truths):
    """Average precision by all points: area under the precision-recall curve, 0 to 1.

    hits: (D,) array of bool, highest score first: is the detection a true positive?
    truths: number of ground-truth boxes, false negatives included; 1 or more.
    Where precision rises again at higher recall, the higher value counts before, too.
    """
    precision, recall = precision_recall(hits, truths)
    best_to_come = np.maximum.accumulate(precision[::-1])[::-1]
    widths = np.diff(recall, prepend=0)
    return np.sum(best_to_come * widths)


# %% tags=["verify"]
verify(average_precision)

# %% [markdown]
# ## 4. Two detectors, seven other recordings
#
# Both learn from the same 58 pictures of four recordings, every other one: the color detector its bands (lesson 03), the trained detector its head (lesson 07). The frames between are kept for part 10. Both are judged on 203 pictures of seven *other* recordings, the test part. Two kinds of light, warm and grow, are on none of the training pictures.
#
# One caution before the figures: the detectors have not learned from these recordings, but people have looked at them. Some constants of the library were chosen while these results were in sight, so all figures here are a little optimistic.

# %% tags=["nbval-ignore-output"]
from robotlab.color import ColorDetector
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.neural import fit

data = open_dataset(shipped("datasets/greenhouse"))
first_rooms = data.only(recordings=("day1", "day2", "overcast1", "dusk1"))
learn = first_rooms.having(first_rooms.pictures[::2])
apart = ("day4", "overcast3", "dusk3", "warm1", "warm2", "grow1", "grow2")
test = data.only(recordings=apart)
detectors = {"color": ColorDetector.from_dataset(learn), "trained": fit(learn)}


# %%
def look(detector, pictures):
    """The detections in each picture, low scores included."""
    return [detector.detect(pictures.load(entry)) for entry in pictures]


seen = {name: look(detector, test) for name, detector in detectors.items()}
judged = {name: metrics.evaluate(test, found, name) for name, found in seen.items()}
truth_count = judged["color"].counted.sum()
print(f"training: {len(learn)} pictures; test: {len(test)}, with {truth_count} truths")

# %% [markdown]
# **AP50** is the AP of part 3 with an IoU threshold of 0.50, by 101 levels, for each class, and then the mean over the classes. The mean over classes is often written **mAP**; COCO, and this course, leave out the m. AP without a number (COCO) is the mean of ten such values, at IoU thresholds 0.50, 0.55, ... 0.95: it also asks how tightly the boxes fit. (`robotlab.metrics.evaluate_coco` gives all twelve of COCO's numbers.)
#
# **Predict.** AP50 of the color detector and of the trained one: near 0.3, 0.5, 0.7 or 0.9? Which of the three classes is the hardest?

# %% tags=["folded"]
# Your guess
guess("08.ap50", "AP50 of color and of trained? The hardest class?")

# %% tags=["approximate"]
rows = []
for name, one in judged.items():
    classes = [row["AP50"] for row in one.per_class.values()]
    rows.append((name, one.AP50, one.coco["AP75"], one.AP, *classes))
columns = ("AP50", "AP75", "AP", *(f"AP50 {kind}" for kind in test.classes))
display(Table(("detector", *columns), rows, decimals=2))
compare_guess("08.ap50", f"{rows[0][1]:.2f} and {rows[1][1]:.2f}")

# %%
by_class = {
    name: np.array([row["AP50"] for row in one.per_class.values()])
    for name, one in judged.items()
}
higher = bool((by_class["trained"] > by_class["color"]).all())
print("The trained detector has the higher AP50 in every class:", higher)

# %% [markdown]
# **Why.** The crate is the hardest for the color detector; part 6 shows why. Two of the seven recordings are lit by a warm lamp and two by a grow lamp: a domain shift (lesson 07). Part 7 says what each of them did. The AP of both is far below their AP50: many boxes that match at an IoU of 0.5 do not at 0.75.

# %% [markdown]
# ## 5. The confidence threshold
#
# **Try.** Mouse or arrow keys. The point moves along the precision-recall curve, the boxes come and go.
# 1. Lower the *confidence threshold* to 0.05. What do the new boxes lie on? Then raise it to 0.9. Which objects are lost first, near or far ones?
# 2. Where is F1 highest? Compare that threshold with the region where the two lines on the right cross, so that a detection is as often a true as a false positive. (Each step of the lines holds few detections, so they may cross several times.)
# 3. Raise the *IoU threshold* to 0.8. The curve sinks. Which boxes turn from solid to dashed *and* dotted?
# 4. Choose *post* as the class. How high must the threshold be until no false positive is left? How many false negatives does that cost?

# %% tags=["explore", "approximate"]
from robotlab.widgets import ThresholdCurve

curve = ThresholdCurve(test, seen["trained"], ids=(254, 305, 356))
curve

# %% tags=["still"] picture="threshold" alt="Above, left, the precision-recall curve: precision stays near 1 up to a recall of about 0.8 and then falls steeply; a point marks the threshold with the highest F1. Right, counts of true and of false positives by score: false ones fall, true ones rise, and they cross around the threshold. Below, three rendered pictures with solid boxes for true positives, dashed ones for false positives and dotted ones for false negatives."
from IPython.display import Image

from robotlab.image import decode, encode

Image(encode(decode(curve.picture), "png", effort=9))

# %% [markdown]
# **Why.** **F1** is the harmonic mean of precision and recall:
#
# $$F_1 = \frac{2 \cdot \text{TP}}{2 \cdot \text{TP} + \text{FP} + \text{FN}}$$
#
# A false positive counts exactly like a false negative. One more detection raises F1 as long as its probability of being a true positive is more than half of F1 itself; so the best threshold lies at or a little below the place where true and false are equally likely. For a table that is fair.
#
# For a trolley it is not. After a *false negative* it holds its last command and waits for the next picture, a tenth of a second later. A *false positive* steers it: toward a drum, a pole, an orange tray. So give each error its cost, and take the threshold with the least sum. A robot looks at many pictures, so count its **false positives per minute**: those per picture, times pictures per second, times 60.
#
# **Predict.** All three classes together, as if each were to be followed: let one false positive cost as much as five false negatives. Does the threshold go up or down, and do the false negatives double?

# %% tags=["folded"]
# Your guess
guess(
    "08.cost",
    "The threshold goes",
    choices=("up, FN double", "up, FN grow by less", "down"),
)

# %% tags=["approximate"]
PICTURES_PER_S = 10
points = judged["trained"].curve()
tp = np.cumsum(points.hit)
fp = np.arange(1, len(tp) + 1) - tp
fn = points.truths - tp
costs = (1, 5, 20)
chosen = [int(np.argmin(cost * fp + fn)) for cost in costs]
print(f"{points.truths} objects in {len(test)} pictures")
rows = []
for cost, k in zip(costs, chosen):
    per_minute = f"{fp[k] / len(test) * PICTURES_PER_S * 60:.1f}"
    counts = (fp[k], fn[k], points.precision[k], points.recall[k], per_minute)
    rows.append((f"{cost} FN", points.score[k], *counts))
columns = ("threshold", "FP", "FN", "precision", "recall", "FP a minute")
display(Table(("a FP costs", *columns), rows, decimals=2))
up, down = points.score[chosen[0]], points.score[chosen[1]]
compare_guess(
    "08.cost", f"{up:.2f} to {down:.2f}, FN {fn[chosen[0]]} to {fn[chosen[1]]}"
)

# %%
rises = bool((np.diff(points.score[chosen]) >= 0).all())
traded = bool((np.diff(fp[chosen]) <= 0).all() and (np.diff(fn[chosen]) >= 0).all())
print("The more a false positive costs, the higher the threshold:", rises)
print("and the fewer false positives, the more false negatives:", traded)

# %% [markdown]
# **Why.** Up, and the false negatives grow by far less than the cost: most objects have scores well above the threshold. No threshold is right in itself, only *for a use*. One caution: this one was chosen on the very pictures that it is now judged on, so its figures are optimistic. `fit` keeps a validation recording for it, and notes what it chose.

# %% tags=["approximate"]
noted = detectors["trained"].facts["best_score"]
here = judged["trained"].curve()
print(f"chosen on the validation part: {noted:.2f}, F1 here {here.at(noted)['F1']:.3f}")
print(f"chosen here: {here.best()['score']:.2f}, F1 here {here.best()['F1']:.3f}")

# %% [markdown]
# ## 6. Kinds of error, and calibration
#
# Each false positive has a kind (part 1), and each kind calls for another repair: *poor overlap* for tighter boxes, *duplicate* for stricter NMS, *background* for pictures of whatever lies there (hard negatives, lesson 07), *wrong class* for more examples of the classes that are confused.
#
# **Predict.** At the threshold with the highest F1, what is the color detector's most frequent error: one of the kinds of false positive, or a false negative? And the trained detector's?

# %% tags=["folded"]
# Your guess
guess(
    "08.kind",
    "The color detector's most frequent error?",
    choices=(
        "false negative",
        "wrong class",
        "poor overlap",
        "duplicate",
        "background",
    ),
)

# %% tags=["approximate"]
KINDS = ("wrong class", "poor overlap", "duplicate", "background")
rows = [(key, *(one.at[key] for one in judged.values())) for key in ("TP", "FN", "FP")]
for kind in KINDS:
    rows.append((f"FP: {kind}", *(one.errors[kind] for one in judged.values())))
display(Table(("at its best F1", *judged), rows, decimals=2))

matrix = judged["trained"].confusion
print("Confusion matrix of the trained detector:")
print("what it is (rows), what it was taken for (columns)")
names = [*test.classes, "background"]
rows = [(name, *row) for name, row in zip(names, matrix)]
display(Table(("", *test.classes, "not found"), rows, decimals=2))
color_errors = {"false negative": judged["color"].at["FN"], **judged["color"].errors}
worst = max(("false negative", *KINDS), key=color_errors.get)
compare_guess("08.kind", f"{worst}, {color_errors[worst]} times")

# %% [markdown]
# **Why.** False negatives are the most frequent error of both. The trained detector has few false positives, and no kind leads by much. Of *wrong class*, most are far crates under the magenta grow lamp, taken for buckets: the lamp took their yellow. Those on background, looked at one by one, were mostly flat trays far away ("crate"), a pot and a blue drum behind leaves ("bucket"), objects that are not labeled and look like objects that are, and strips of a bucket beside a post. The color detector has about as many boxes of *poor overlap* as on background, and most of them lie on crates: a blob ends where its color ends, at a shadow or a slat, not where the object ends.
#
# The matrix is the confusion matrix of part 1 for several classes. Its diagonal adds up to TP, its last column and the rest of the upper rows to FN. It pairs each truth with one detection at most. So a box of the wrong class on an object that was *also* found correctly stands in the row "background", and so do duplicates and poor overlaps. That is why the matrix has fewer confusions of one class with another than the list above has of *wrong class*:

# %% tags=["approximate"]
wrong = judged["trained"].errors["wrong class"]
confused = int(matrix[:-1, :-1].sum() - np.trace(matrix))
print(f"wrong class: {wrong}")
print(f"  confusions in the matrix: {confused}")
print(f"  on objects that were also found correctly: {wrong - confused}")

# %% [markdown]
# ### Calibration
#
# The score of a detection looks like the probability of being a true positive. It can be checked: take all detections with scores from 0.4 to 0.5, and count. If 45 of 100 with a score near 0.45 are true positives, and likewise for all scores, the detector is well calibrated; the check is called **calibration**. Its figure, precision against score, is the **reliability diagram**.
#
# **Predict.** Of the trained detector's boxes with a score near 0.45, how many of 100 are true positives? And of the color detector's?

# %% tags=["folded"]
# Your guess
guess("08.calibration", "Of 100 boxes with a score near 0.45: trained? color?")


# %% tags=["approximate"]
def of_them(row):
    """Boxes, the share that are true positives, and its 95 % interval, as text."""
    if not row["count"]:
        return (0, None, "")
    low, high = row["precision_interval"]
    return (row["count"], row["precision"], f"{low:.2f} to {high:.2f}")


pairs = zip(*(one.calibration["bins"] for one in judged.values()))
rows = [
    (f"{a['low']:.1f} to {a['high']:.1f}", *of_them(a), *of_them(b)) for a, b in pairs
]
columns = [f"{name}: {what}" for name in judged for what in ("boxes", "TP", "95 %")]
display(Table(("score", *columns), rows, decimals=2))
near = [one.calibration["bins"][4]["precision"] for one in judged.values()]
compare_guess(
    "08.calibration", f"trained {100 * near[1]:.0f}, color {100 * near[0]:.0f}"
)

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(4.2, 3.6), layout="constrained")
ax.plot([0, 1], [0, 1], ":", color="gray", label="well calibrated")
styles = (("#0072b2", "o-"), ("#d55e00", "s--"))
for (name, one), (color, dashes) in zip(judged.items(), styles):
    rows = [row for row in one.calibration["bins"] if row["count"]]
    score = [row["mean_score"] for row in rows]
    precision = [row["precision"] for row in rows]
    low, high = np.array([row["precision_interval"] for row in rows]).T
    ax.plot(score, precision, dashes, color=color, markersize=4, label=name)
    ax.fill_between(score, low, high, color=color, alpha=0.15)
ax.set(xlim=(0, 1), ylim=(0, 1), xlabel="score", ylabel="precision; shaded: 95 %")
ax.legend(frameon=False)
plt.show()

# %% [markdown]
# **Why.** Below the diagonal a detector is overconfident, above it underconfident. The color detector is first the one, then the other: of its boxes at 0.2 to 0.3 only 9 in 100 are true positives, of those at 0.5 to 0.6 it is 96. The trained one stays near the diagonal, but for the step that you have guessed: of its 29 boxes at 0.4 to 0.5 about 7 are true positives. So few boxes tell little, and of ten such steps one may well surprise. (The intervals say how certain each figure is; part 8 explains them.) A score *orders* the detections of one detector. It is not a probability until you have counted; and as the two columns show, one score can mean different probabilities with different detectors. One threshold for both would be unfair to one.

# %% [markdown]
# ## 7. Where does it fail?
#
# One figure for all hides where the errors are. We split recall by the size of the box, by distance and by lighting. Each detector is used at its own best F1. (The last column, and the bars in the figure, say how certain a figure is; part 8 explains that.)
#
# **Predict.** From which size on does the trained detector find four of five objects: 4, 8, 16 or 48 pixels? And in which of the five kinds of light does the color detector fail?


# %% tags=["folded"]
# Your guess
guess("08.where", "From how many px on four of five? And which light fails?")


# %% tags=["approximate"]
def by_step(rows_of_both, unit):
    rows = []
    for (step, a), (_, b) in zip(*rows_of_both):
        if a["truths"]:
            low, high = b["recall_interval"]
            spread = f"{low:.2f} to {high:.2f}"
            rows.append((step, a["truths"], a["recall"], b["recall"], spread))
    return Table(
        (unit, "truths", "color", "trained", "95 % of trained"), rows, decimals=2
    )


def named(row):
    above = f"{row['from_px']:.0f}"
    return f"{above} to {row['to_px']:.0f}" if row["to_px"] else f"{above} and more"


sizes = [[(named(row), row) for row in one.recall_by_size] for one in judged.values()]
display(by_step(sizes, "side of box, px"))
display(by_step([one.per_distance.items() for one in judged.values()], "distance"))
enough = next(name for name, row in sizes[1] if row["truths"] and row["recall"] >= 0.8)
compare_guess("08.where", f"trained, four of five: from {enough.split()[0]} px on")

# %% tags=["approximate"]
rng = np.random.default_rng(7)


def interval_in(one, lighting):
    """95 % interval of AP50 over the pictures in one kind of light."""
    here = np.flatnonzero([own == lighting for own in one.lightings])
    weights = np.zeros((1000, one.pictures))
    for row in weights:
        np.add.at(row, rng.choice(here, len(here)), 1)
    values = one.resampled(weights, range(one.pictures), [0.5])[:, 0]
    return np.nanpercentile(values, [2.5, 97.5])


rows = []
for lighting in test.lightings:
    rooms = {entry.recording for entry in test if entry.lighting == lighting}
    row = [lighting, len(rooms)]
    for one in judged.values():
        low, high = interval_in(one, lighting)
        row += [one.per_lighting[lighting]["AP50"], f"{low:.2f} to {high:.2f}"]
    rows.append(row)
columns = [f"{name}: {what}" for name in judged for what in ("AP50", "95 %")]
display(Table(("light", "recordings", *columns), rows, decimals=2))

# %% tags=["folded", "nbval-ignore-output"]
from robotlab.report import plot_groups, plot_recall_by_size

figure, axes = plt.subplots(2, 1, figsize=(6, 6), layout="constrained")
plot_recall_by_size(axes[0], judged)
plot_groups(axes[1], judged, "per_lighting")
plt.show()

# %%
steps = judged["color"].recall_by_size
small = sum(row["truths"] for row in steps if row["to_px"] and row["to_px"] <= 16)
print(f"objects with a side under 16 px: {small} of {truth_count}")
in_light = judged["color"].per_lighting
worst = min(test.lightings, key=lambda lighting: in_light[lighting]["AP50"])
print("The color detector is worst in this light:", worst)

# %% [markdown]
# **Why.** Below about 16 pixels the trained detector begins to miss. Small is far (lesson 02), and nearly a third of all objects here have a side under 16 pixels. So the overall recall is a statement about *this mixture* of near and far; in a smaller greenhouse the same detector would have a higher one. The rows carry over: find the smallest size that is good enough for you, and lesson 02 turns it into meters for your camera.
#
# By lighting the two differ most: under the warm lamp the color detector finds very little, and the trained one hardly loses anything, because it has learned each picture in several kinds of artificial light (data augmentation, lesson 07). One mean over all light hides both facts. But look twice: daylight, overcast and dusk are *one* recording each here. What looks like the light may be the room, and the intervals, which know only these rooms, are too narrow. Part 8 comes back to this.
#
# *This is the place to stop for today. To go on another time, run the cells from the top (Run → Run All Above Selected Cell).*

# %% [markdown]
# ## 8. Confidence intervals
#
# A figure from a test is an estimate. A **confidence interval** is the range of true values that agree with it; a 95 % interval is made by a rule whose ranges contain the true value in 95 of 100 such tests.
#
# **Predict.** A detector finds 8 of 10 objects. Which is the 95 % interval of its recall: 0.75 to 0.85, 0.6 to 0.95, or 0.5 to 0.95?

# %% tags=["folded"]
# Your guess
guess(
    "08.wilson",
    "8 of 10: which 95 % interval?",
    choices=("0.75 to 0.85", "0.6 to 0.95", "0.5 to 0.95"),
)

# %%
rows = []
for hits, trials in ((8, 10), (80, 100), (800, 1000), (0, 20)):
    low, high = metrics.wilson_interval(hits, trials)
    p = hits / trials
    plain = 1.96 * np.sqrt(p * (1 - p) / trials)
    wilson, simple = f"{low:.3f} to {high:.3f}", f"{p:.2f} ± {plain:.3f}"
    rows.append((f"{hits} of {trials}", p, wilson, simple))
display(Table(("found", "recall", "Wilson", "plain formula"), rows, decimals=2))
compare_guess("08.wilson", rows[0][2])

# %% [markdown]
# **Why.** Ten trials say little: 0.49 to 0.94. The interval shrinks with the *root* of the number: a hundred times as many pictures for a tenth of the width. And 0 of 20 does not mean never: up to 16 % agrees with it. The plain formula p ± z · √(p(1 − p) / n) says "0 ± 0" there. The **Wilson interval** does not, and it never leaves 0 to 1.
#
# **Task 4.** Write `wilson_interval(hits, trials)`. With p = hits / trials, n = trials, z = 1.96:
#
# $$\frac{p + \dfrac{z^2}{2n} \pm z \sqrt{\dfrac{p(1 - p)}{n} + \dfrac{z^2}{4n^2}}}{1 + \dfrac{z^2}{n}}$$
#
# In plain text: (p + z² / (2n) ± z · √(p(1 − p) / n + z² / (4n²))) / (1 + z² / n)


# %% tags=["starter"]
def wilson_interval(hits, trials):
    """Wilson's 95 % interval for the proportion hits / trials: (low, high), 0 to 1.

    hits: number of successes.  trials: how many there were, 1 or more.  z is 1.96.
    """
    ...


# %% tags=["worked"]
def wilson_interval(hits, trials):
    """Wilson's 95 % interval for the proportion hits / trials: (low, high), 0 to 1.

    hits: number of successes.  trials: how many there were, 1 or more.  z is 1.96.
    """
    z, p, n = 1.96, hits / trials, trials
    middle = p + z * z / (2 * n)
    half = z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)


# %% tags=["verify"]
verify(wilson_interval)

# %% [markdown]
# ### Frames are not independent
#
# Wilson's formula, like every such formula, takes the trials as independent. Frames of one recording are not: the same floor, the same light, the same crate from a step further on. 29 frames of one room tell hardly more than *one* look at it.
#
# The **bootstrap** shows what that means. Draw from the test pictures at random, with replacement, as many as there are; compute AP50; do that a thousand times and keep the middle 95 %. First we draw single pictures. Then we draw whole recordings.
#
# **Predict.** Which interval is wider, and how many times as wide?

# %% tags=["folded"]
# Your guess
guess("08.wider", "Which is wider, and how many times?")

# %% tags=["approximate"]
trained = judged["trained"]
groups = {"pictures": range(len(test)), "recordings": trained.recordings}
spread = {}
for what, group in groups.items():
    count = len(set(group))
    weights = metrics.bootstrap_weights(count, 1000)
    values = trained.resampled(weights, group, [0.5])[:, 0]
    low, high = spread[what] = np.percentile(values, [2.5, 97.5])
    print(f"drawn from {count:3d} {what:<10} 95 %: {low:.2f} to {high:.2f}")
for name, row in trained.per_recording.items():
    print(f"   {name:<10} AP50 {row['AP50']:.2f}")
times = np.ptp(spread["recordings"]) / np.ptp(spread["pictures"])
compare_guess("08.wider", f"recordings, {times:.1f} times")

# %%
width = {what: high - low for what, (low, high) in spread.items()}
wider = bool(width["recordings"] > 1.5 * width["pictures"])
print("Recordings: more than one and a half times as wide:", wider)

# %% [markdown]
# **Why.** The two answer different questions. Drawn from pictures: how good would it be on *other pictures of these seven recordings*? Drawn from recordings: how good would it be in *another recording of this kind*, another room at another hour? The second is what you want to know, and the recordings differ far more than the frames in them. So count rooms, not frames: seven, not 203. (With so few recordings even the wider interval is a rough guide.) More frames of the same rooms make the first interval narrow and hardly change the second.
#
# **Predict.** You label only 20 test pictures, drawn from all seven recordings. By how much can AP50 come out wrong?

# %% tags=["folded"]
# Your guess
guess("08.twenty", "With 20 test pictures, AP50 is between")

# %% tags=["approximate"]
rng = np.random.default_rng(8)
for size in (5, 20, 50, 100):
    weights = np.zeros((500, len(test)))
    for row in weights:
        row[rng.choice(len(test), size, replace=False)] = 1
    values = trained.resampled(weights, range(len(test)), [0.5])[:, 0]
    low, high = np.percentile(values, [2.5, 97.5])
    print(f"{size:3d} test pictures: AP50 {low:.2f} to {high:.2f}")
    if size == 20:
        twenty = f"{low:.2f} and {high:.2f} in 95 of 100 draws"
print(f"all {len(test)} pictures: {trained.AP50:.2f}")
compare_guess("08.twenty", twenty)

# %% [markdown]
# **Why.** With five pictures the same detector comes out as a good deal worse, or as perfect. Whoever tries ten settings on such a test keeps the luckiest, not the best.

# %% [markdown]
# ## 9. Which one is better?
#
# Two detectors have looked at the *same* objects. So compare them object by object: found by both, by A alone, by B alone, by neither. This **paired comparison** tells more than two separate figures, because what is hard for one is often hard for both. What both or neither found says nothing about the difference. Only the two other counts do; if the detectors are equally good, each of those objects is like the toss of a coin.
#
# **Predict.** A alone found 12 objects, B alone 4. How often do 16 tosses of a fair coin fall 12 to 4 or more unevenly, either way: once in 5 times, in 13, in 100?

# %% tags=["folded"]
# Your guess
guess(
    "08.coin", "12 to 4 or more unevenly: once in", choices=(5, 13, 100), unit="times"
)

# %%
for only_a, only_b in ((12, 4), (24, 8), (6, 0), (5, 0), (60, 52)):
    p = metrics.mcnemar_test(only_a, only_b)[1]
    often = f"by chance in {100 * p:5.2f} of 100 cases"
    print(f"{only_a:2d} to {only_b:2d}: p = {p:.4f}, {often}")
once = 1 / metrics.mcnemar_test(12, 4)[1]
compare_guess("08.coin", f"once in {once:.0f} times")

# %% [markdown]
# **Why.** This is **McNemar's test**. Its *p-value* of 0.077 for 12 to 4 means once in 13: by custom, less than once in 20 (0.05) is asked for before one says "better". Twice the objects in the same proportion, 24 to 8, pass. Five to nothing does not.
#
# **Task 5.** Write `mcnemar_p(only_a, only_b)`. Of the 2ⁿ ways that n tosses can fall, `math.comb(n, k)` show k heads.


# %% tags=["starter"]
def mcnemar_p(only_a, only_b):
    """Exact two-sided p of McNemar's test: how often chance splits as unevenly or more.

    only_a, only_b: how many objects only detector A, and only detector B, found.
    """
    ...


# %% tags=["worked"]
def mcnemar_p(only_a, only_b):
    """Exact two-sided p of McNemar's test: how often chance splits as unevenly or more.

    only_a, only_b: how many objects only detector A, and only detector B, found.
    """
    tosses = only_a + only_b
    ways = sum(math.comb(tosses, heads) for heads in range(min(only_a, only_b) + 1))
    return min(1, 2 * ways / 2**tosses)


# %% tags=["verify"]
verify(mcnemar_p)

# %% [markdown]
# Now two questions about real detectors. The first is easy: color or trained? The second is one you will ask yourself: you have labeled 29 pictures; is it worth labeling 29 more? We train a second detector on every other picture of the first one's.
#
# **Predict.** AP50 with half the pictures: the same, 2 points less, 10 points less? And will the test call one of the two better?

# %% tags=["folded"]
# Your guess
guess("08.half", "AP50 with half the pictures: how many points less?")

# %% tags=["nbval-ignore-output"]
half = learn.having(learn.pictures[::2])
few = fit(half, progress=False)
with_half = metrics.evaluate(test, look(few, test), "half as many")

# %% tags=["approximate"]
for other in (judged["color"], with_half):
    result = metrics.compare_evaluations(other, judged["trained"])
    both = result.found_a - result.only_a
    neither = result.truths - result.found_a - result.only_b
    counts = (both, neither, result.only_a, result.only_b)
    columns = ("both found", "neither", f"{other.name} alone", "trained alone")
    display(Table(("against trained", *columns), [(other.name, *counts)], decimals=2))
    print(f"{textwrap.fill(str(result), 60)}\n")
points = 100 * (judged["trained"].AP50 - with_half.AP50)
compare_guess("08.half", f"{points:.1f} points less")

# %%
clear = metrics.compare_evaluations(judged["color"], judged["trained"])
print("Color or trained, better beyond chance:", clear.better)

# %% [markdown]
# **Why.** `compare_evaluations` asks two things: McNemar's test, thing by thing (which takes frames for independent), and whether the difference of AP50 keeps its sign in a bootstrap over *recordings*, the same ones drawn for both. It calls one better only when both answers agree.
#
# Read the second sentence slowly, whichever it is. *Could be chance* is not *equal*: all differences in the interval agree with what we saw. And *more than chance explains* is not *much*: whether a point or two is worth an afternoon of labeling, no test can say. What you may write down either way is the interval itself: so much at least, and so much at most, have the second 29 pictures brought on recordings like these. (One may find more objects and have the lower AP50: objects are counted at one threshold, each detector's own; AP looks at all thresholds.)
#
# Would a fifth room bring more than more frames of the same four? You now know how to find out.

# %% [markdown]
# ## 10. Data leakage
#
# All of the above had one condition: the test recordings are new. It is broken by accident when somebody shuffles all pictures and keeps some of them for the test. Then information about the test pictures has reached the training: **data leakage**. The result is optimistic; by how much? We cause it on purpose.
#
# Eight recordings, "rooms" for short, four and four, in the same three kinds of light. Your two detectors have learned every other frame of the first four rooms; two more learn every other frame of the second four, 58 pictures as well. Then all are judged on the frames *between*, room by room. In each room one of the two results is *leaky*: that detector has learned from the frames before and after. The other is *clean*. Each detector is leaky in four rooms and clean in the other four, so that it does not matter which of them is better.
#
# **Predict.** In how many of the eight rooms is the leaky AP50 the higher one? By how much, on average?

# %% tags=["folded"]
# Your guess
guess("08.leak", "In how many of the 8 rooms, and by how much?")

# %% tags=["nbval-ignore-output"]
others = data.only(recordings=("day3", "day4", "overcast3", "dusk3"))
rooms = {"first": first_rooms, "second": others}
frames = others.having(others.pictures[::2])
pupils = {
    "first": detectors,
    "second": {
        "color": ColorDetector.from_dataset(frames),
        "trained": fit(frames, progress=False),
    },
}


# %% tags=["approximate"]
def mean_and_interval(gaps):
    """Mean over the eight rooms and its 95 % interval, by the bootstrap."""
    means = metrics.bootstrap_weights(8, 1000) @ gaps / 8
    low, high = np.percentile(means, [2.5, 97.5])
    return f"{gaps.mean():+.3f} (95 %: {low:+.3f} to {high:+.3f})"


optimism = {}
names = [room for part in rooms.values() for room in part.recordings]
for name in detectors:
    ap50 = {"leaky": [], "clean": []}
    for own, other in (("first", "second"), ("second", "first")):
        frames = rooms[own].having(rooms[own].pictures[1::2])
        for how, pupil in (("leaky", pupils[own]), ("clean", pupils[other])):
            result = metrics.evaluate(frames, look(pupil[name], frames))
            ap50[how] += [row["AP50"] for row in result.per_recording.values()]
    rows = zip(names, ap50["leaky"], ap50["clean"])
    display(Table((f"AP50, {name}", "leaky", "clean"), rows, decimals=2))
    optimism[name] = np.subtract(ap50["leaky"], ap50["clean"])
    ahead = int((optimism[name] > 0).sum())
    print(f"{name}: leaky is higher in {ahead} of 8 rooms; on average by")
    print(f"{mean_and_interval(optimism[name])}\n")

more = optimism["color"] - optimism["trained"]
print("color's optimism minus the trained detector's:")
print(mean_and_interval(more))
points = " and ".join(f"{100 * optimism[name].mean():.1f}" for name in detectors)
compare_guess("08.leak", f"color and trained: {points} points on average")

# %%
for name, gaps in optimism.items():
    print(f"{name}: leaky is higher on average: {bool(gaps.mean() > 0)}")

# %% [markdown]
# **Why.** The clean figure is what you would get in a new room. The leaky one is what a shuffled test would have promised. That detector did not learn posts and crates better; it learned *these rooms*: their floor, their exposure, the shade of their crates. The frames between are no copies, only similar, and that is enough.
#
# Does leakage favor the color detector more than the trained one? It may well do: its bands are the colors of objects *in the light of these rooms*. The last line compares them room by room; where 0 lies in its interval, eight rooms do not tell. So *split by recording*, always (`robotlab.data.split_by_recording`); `robotlab.data.find_leaks` looks for near-duplicates across a split. And when a figure is too good, ask first what the test shares with the training.

# %% [markdown]
# ## 11. What AP does not say
#
# A trolley follows one post, picture after picture.
#
# **Predict.** Two detectors find the post in 50 of 100 pictures and have no false positive. One misses it in every second picture, the other in the first 50. Which AP is higher? Which would you drive with? And a box on a post at 2 m that is just over half as tall as the post: is it a true positive, and what distance does the trolley read from it?

# %% tags=["folded"]
# Your guess
guess("08.half_box", "Is it a true positive? And which distance is read?")

# %%
from robotlab.loop import default_camera

pictures = np.arange(100)
finds = {
    "every second picture": pictures % 2 == 0,
    "the last 50 pictures": pictures >= 50,
}
for name, sees in finds.items():
    gap, longest = 0, 0
    for one in sees:
        gap = 0 if one else gap + 1
        longest = max(longest, gap)
    ap = metrics.average_precision(np.ones(sees.sum(), bool), len(sees))
    blind_s = longest / PICTURES_PER_S
    print(f"{name}: AP {ap:.3f}, longest without a post {blind_s:.1f} s")

camera = default_camera()
pixels, _ = camera.project(np.array([[2.0, 0.035, 0.5], [2.0, -0.035, 0.0]]))
post = np.array([*pixels[0], *pixels[1]])
upper_half = post.copy()
upper_half[3] = post[1] + 0.51 * (post[3] - post[1])
for name, box in (("the whole post", post), ("its upper half", upper_half)):
    became = metrics.match_detections([box], [0.9], [post], iou_limit=0.5)
    overlap = boxes.iou([box], [post])[0, 0]
    far_m = camera.distance_m(box, 0.5)
    answer = f"true positive: {bool(became.hits[0])}, distance {far_m:.2f} m"
    print(f"{name}: IoU {overlap:.2f}, {answer}")
compare_guess("08.half_box", answer)

# %% [markdown]
# **Why.** The same AP, and 0.1 s without a detection or 5 s: AP does not know that one picture comes *after* another. The half box has an IoU of 0.51, so it *is* a true positive, and the trolley takes the post to be nearly twice as far away and drives on. AP also does not know how long a picture takes (latency), whether boxes jitter from frame to frame, or that a false positive in front of the wheels is worse than one on the horizon. AP chooses between detectors of one kind at a desk; what matters on the floor is measured on the floor, or in the loop: lesson 12 does that.

# %% [markdown]
# ## On your own pictures
#
# **Without any file.** Let your robot, or any detector, look at some pictures, and count on paper: TP, FP, FN. Put your counts into the cell.

# %%
my_tp, my_fp, my_fn = 30, 10, 20  # put yours
my_pictures, my_pictures_per_s = 60, 10  # looked at; the rate of your robot

rows = []
for name, hits, trials in (
    ("precision", my_tp, my_tp + my_fp),
    ("recall", my_tp, my_tp + my_fn),
):
    low, high = metrics.wilson_interval(hits, trials)
    rows.append((name, hits / trials, f"{low:.2f} to {high:.2f}"))
per_minute = my_fp / my_pictures * my_pictures_per_s * 60
print(f"false positives a minute: {per_minute:.0f}")
Table(("yours", "is", "95 %, if the pictures were independent"), rows, decimals=2)

# %% [markdown]
# **With files.** Any detector, in any language, can be judged: write what it found as a COCO-style results file, a JSON list with one row for each box,
#
# `[{"image_id": 1, "category_id": 1, "bbox": [x, y, width, height], "score": 0.9}, ...]`
#
# beside labels in the same style. Note a `recording` in each picture's record of the labels; without it all pictures count as one recording, and no honest interval is possible. In a terminal, in the folder you cloned (Windows: `.venv\Scripts\robotlab`):
#
# ```
# .venv/bin/robotlab checkup my_data
# .venv/bin/robotlab judge my_data --results my_results.json --html judged.html
# .venv/bin/robotlab judge my_data --with my_detector.onnx --recordings kitchen2,hall2 --html judged.html
# .venv/bin/robotlab compare my_data --with my_detector.onnx --recordings kitchen2,hall2 -o compared.html
# ```
#
# `my_data` is a folder with `annotations.json` and `pictures/`. `judge` prints the tables of this lesson and writes the page below. The cell does the same in Python; put your own paths in. As long as there are none, it takes the color detector's results from this lesson.

# %% tags=["explore"]
import tempfile
from pathlib import Path

from robotlab.data import read_results, write_results
from robotlab.report import evaluation_page
from robotlab.widgets import Replay

my_data, my_results = "my_data", "my_results.json"
if Path(my_data).exists() and Path(my_results).exists():
    labeled, results, name = open_dataset(my_data), my_results, my_results
else:
    labeled, name = test, "color detector"
    folder = Path(tempfile.mkdtemp())
    results = write_results(folder / "results.json", test, seen["color"])
mine = read_results(results, labeled)
evaluation = metrics.evaluate(labeled, mine, name)
page = evaluation_page(labeled, mine, evaluation, name, "read from a results file")
alt = f"The report of {name}: tables, figures, and pictures with boxes."
Replay(page.html(), alt=alt)

# %% [markdown]
# Find in the report (`print(evaluation.text())` gives the same numbers as text):
# - the 95 % confidence interval of AP50. How wide is it, and over how many recordings?
# - the light or recording with the lowest AP50. Would you drive there?
# - the most frequent kind of error. Which repair does it call for?
# - six pictures with boxes. Is an object without a label? A test is no better than its ground truth.
#
# Then write one sentence that you would sign: *On ... pictures of ... recordings that it has not learned from, ... finds ... of ... objects at a confidence threshold of ..., and between ... and ... are plausible elsewhere.*

# %% [markdown]
# ## What to remember
#
# - The highest score chooses first, each truth is matched once, with an IoU of 0.5 or more: three rules make true and false positives.
# - Precision is TP over detections, recall TP over truths. Both need their confidence threshold.
# - AP is the area under the precision-recall curve, by three definitions. Ask which; and of an mAP, ask at which IoU thresholds.
# - Choose the threshold by what an error costs. A false positive steers, a false negative waits.
# - Split a figure by size, distance and light before you believe it.
# - Confidence intervals over recordings, not frames. Seven rooms are seven trials.
# - *Could be chance* is not *equal*, and *more than chance explains* is not *much*. The interval says how much.
# - A test that shares a recording with the training is leaky, and its figures are optimistic.
# - AP does not know time, delay or danger.
#
# On your own robot you can now
# - judge any detector on recordings of yours, and say how certain the figures are;
# - choose its confidence threshold by what an error costs, in false positives per minute;
# - say at which size, at which distance and in which light it fails.
#
# ### Check your understanding
#
# 1. TP = 30, FP = 10, FN = 20. What are precision and recall?
# 2. You raise the confidence threshold. What happens to recall?
# 3. AP50 is 0.90 and AP is 0.45. What does that say about the boxes?
# 4. Two detectors: A alone found 5 objects, B alone 0. Is A better beyond chance?
# 5. A shuffled test gives AP50 0.95, one split by recording 0.85. Which do you report, and why do they differ?
#
# <details><summary>Answers</summary>
#
# 1. 30 / 40 = 0.75 and 30 / 50 = 0.60.
# 2. It falls or stays; it never rises.
# 3. Things are found, but the boxes are loose: they fail at the stricter IoU thresholds.
# 4. p = 2 / 2⁵ = 0.0625: not below 0.05.
# 5. The second. In the first, frames of the same recordings are in training and test: data leakage.
#
# </details>
#
# Next: [lesson 09](09_frame_time_and_power.ipynb), frame time and power.
#
# ## Sources
#
# - Matching and AP: M. Everingham et al., IJCV 88:303-338, 2010 (11 levels) and 111:98-136, 2015 (all points); T.-Y. Lin et al., *Microsoft COCO*, ECCV 2014, arXiv:1405.0312 (101 levels, ten IoU limits).
# - The published list: R. Padilla, S. Netto, E. da Silva, *A Survey on Performance Metrics for Object-Detection Algorithms*, IWSSIP 2020.
# - F1: C. van Rijsbergen, *Information Retrieval*, 1979. Calibration: C. Guo et al., ICML 2017, arXiv:1706.04599. Kinds of error: D. Hoiem et al., ECCV 2012.
# - Intervals: E. B. Wilson, J. Am. Stat. Assoc. 22:209-212, 1927; R. Newcombe, Stat. Med. 17:857-872, 1998. Bootstrap: B. Efron, Ann. Stat. 7:1-26, 1979.
# - Pairs: Q. McNemar, Psychometrika 12:153-157, 1947. Once in twenty is a custom that goes back to R. A. Fisher, 1925 (cited from memory).
